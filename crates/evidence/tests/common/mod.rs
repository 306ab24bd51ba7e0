//! Reads the open drives, and makes small ones.
#![allow(dead_code, unreachable_pub, clippy::unwrap_used)]

use std::io::Read;
use std::path::PathBuf;

use evidence::{Finding, Kind, Verdict};
use signal::{Recording, Series, SignalId, Unit, nanos_from_seconds};

/// Samples of one signal: seconds and values.
pub type Samples = Vec<(f64, f64)>;

/// A signal as a function of time in seconds: id, unit, value.
pub type Course<'a> = (&'a str, &'a str, &'a dyn Fn(f64) -> f64);

/// What a fault makes of the true value and of the last good one.
pub type Loss = fn(f64, f64) -> f64;

/// The wheels in the usual order.
pub const WHEELS: [&str; 4] =
    ["wheel.speed.front_left", "wheel.speed.front_right", "wheel.speed.rear_left", "wheel.speed.rear_right"];

/// Columns of the everyday drives of one car (`kit_obd`) and the signals they are.
pub const KIT: [(&str, &str, &str); 10] = [
    ("coolant_temp_c", "coolant.temperature", "degC"),
    ("manifold_pressure_kpa", "intake.manifold_pressure", "kPa"),
    ("engine_speed_rpm", "engine.speed", "rpm"),
    ("vehicle_speed_kmh", "vehicle.speed", "km/h"),
    ("intake_air_temp_c", "intake.air_temperature", "degC"),
    ("mass_air_flow_g_s", "intake.air_flow", "g/s"),
    ("throttle_position_pct", "throttle.position_1", "%"),
    ("ambient_temp_c", "custom.ambient", "degC"),
    ("accel_pedal_d_pct", "pedal.position_1", "%"),
    ("accel_pedal_e_pct", "pedal.position_2", "%"),
];

/// A plain pseudo-random generator (splitmix64): the same numbers on every machine.
pub struct Rng(pub u64);

impl Rng {
    /// Uniform in 0..1.
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Nearly normal with unit variance: the sum of twelve uniforms.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// A recording of the given signals.
pub fn recording(signals: &[(&str, &str, Samples)]) -> Recording {
    let mut recording = Recording::default();
    for (id, unit, samples) in signals {
        let mut series = Series::new(SignalId::new(id).unwrap(), Unit::named(unit));
        for (t_s, value) in samples {
            series.push_value(nanos_from_seconds(*t_s), *value);
        }
        recording.series.push(series);
    }
    recording
}

/// `f` sampled at `rate_hz` for `seconds`, in steps of `step`, with stamps that jitter by a fifth of the interval.
pub fn sampled(rate_hz: f64, seconds: f64, step: f64, mut f: impl FnMut(f64) -> f64) -> Samples {
    let mut rng = Rng(rate_hz.to_bits() ^ step.to_bits());
    (0..(seconds * rate_hz) as usize)
        .map(|k| {
            let t = (k as f64 + 0.2 * rng.uniform()) / rate_hz;
            (t, (f(t) / step).round() * step)
        })
        .collect()
}

/// Sample and hold: what a poll at `rate_hz` from `from_s` to `to_s` gets.
pub fn polled(samples: &Samples, rate_hz: f64, from_s: f64, to_s: f64) -> Samples {
    (0..((to_s - from_s) * rate_hz) as usize)
        .map(|k| from_s + k as f64 / rate_hz)
        .filter_map(|t| samples[..samples.partition_point(|s| s.0 <= t)].last().map(|s| (t, s.1)))
        .collect()
}

/// Samples with a fault in them: from `from_s`, before `to_s`, each value is what `lost` makes of it and of the last good.
pub fn lost(samples: &Samples, from_s: f64, to_s: f64, lost: impl Fn(f64, f64) -> f64) -> Samples {
    let mut good = f64::NAN;
    let fault = |&(t, value): &(f64, f64)| {
        if t >= from_s && t < to_s {
            return (t, lost(value, good));
        }
        good = value;
        (t, value)
    };
    samples.iter().map(fault).collect()
}

/// A file of the open data as text; `None`, and a word on standard error, where the folder is absent.
pub fn open_data(name: &str) -> Option<String> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data").join(name);
    let Ok(bytes) = std::fs::read(&path) else {
        eprintln!("skipped: the open drive {name} is not in ../shared/data");
        return None;
    };
    if !name.ends_with(".gz") {
        return Some(String::from_utf8(bytes).unwrap());
    }
    let mut text = String::new();
    flate2::read::GzDecoder::new(bytes.as_slice()).read_to_string(&mut text).unwrap();
    Some(text)
}

/// Columns of a wide table, each renamed: `(column, id, unit)`.
pub fn wide(text: &str, names: &[(&str, &'static str, &'static str)]) -> Vec<(&'static str, &'static str, Samples)> {
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
    let column = |name: &str| header.iter().position(|h| *h == name).unwrap();
    let read = |at: usize| rows.iter().filter_map(|r| Some((r[0].parse().unwrap(), r[at].parse().ok()?))).collect();
    names.iter().map(|(name, id, unit)| (*id, *unit, read(column(name)))).collect()
}

/// Signals of a long table `time_s,signal,value`, each renamed.
pub fn long(text: &str, names: &[(&str, &'static str, &'static str)]) -> Vec<(&'static str, &'static str, Samples)> {
    let rows: Vec<Vec<&str>> = text.lines().skip(1).map(|line| line.split(',').collect()).collect();
    let read = |name: &str| {
        rows.iter().filter(|r| r[1] == name).map(|r| (r[0].parse().unwrap(), r[2].parse().unwrap())).collect()
    };
    names.iter().map(|(name, id, unit)| (*id, *unit, read(name))).collect()
}

/// What the check of one kind finds.
pub fn findings(kind: Kind, signals: &[(&str, &str, Samples)]) -> Vec<Finding> {
    examined(kind, &recording(signals))
}

/// The same for a recording.
pub fn examined(kind: Kind, recording: &Recording) -> Vec<Finding> {
    let check = evidence::CHECKS.iter().find(|check| check.kind == kind).unwrap();
    (check.run)(&evidence::Examination::new(recording))
}

/// The finding about one subject.
pub fn about<'a>(findings: &'a [Finding], id: &str) -> &'a Finding {
    findings.iter().find(|finding| finding.subject.len() == 1 && finding.subject[0] == id).unwrap()
}

/// What a finding must always keep: verdict and odds agree, healthy needs no next step, anything undecided names one.
pub fn assert_consistent(findings: &[Finding]) {
    for finding in findings {
        assert_eq!(finding.verdict, Verdict::from_log10_odds(finding.log10_odds), "{finding:?}");
        assert!(finding.statement.ends_with('.') && finding.figures.values().all(|v| v.is_finite()), "{finding:?}");
        assert!(finding.verdict != Verdict::Undecided || !finding.next.is_empty(), "{finding:?}");
    }
}
