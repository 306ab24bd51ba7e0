//! `noise` on real drives and on made ones: the rough signal is named, nobody else; what cannot be told is not told.
//!
//! The drives: comma2k19 (MIT), KIT OBD (CC BY 4.0), an asynchronous OBD log of a diesel car (MIT), road test K (MIT),
//! VerifiedCAN (MIT); each test skips where they are absent.

mod common;

use common::{KIT, Rng, Samples, WHEELS, about, assert_consistent, findings, long, open_data, polled, sampled, wide};
use evidence::{Finding, Kind, Verdict};

type Signals = Vec<(&'static str, &'static str, Samples)>;

/// Signals of the asynchronous log.
const DIESEL: [(&str, &str, &str); 10] = [
    ("engine_speed", "engine.speed", "rpm"),
    ("vehicle_speed", "vehicle.speed", "km/h"),
    ("coolant_temp", "coolant.temperature", "degC"),
    ("accel_pedal_d", "pedal.position_1", "%"),
    ("accel_pedal_e", "pedal.position_2", "%"),
    ("manifold_pressure", "intake.manifold_pressure", "kPa"),
    ("throttle_position", "throttle.position_1", "%"),
    ("barometric_pressure", "barometric.pressure", "kPa"),
    ("control_module_voltage", "battery.voltage", "V"),
    ("intake_air_temp", "intake.air_temperature", "degC"),
];

fn motorway() -> Option<Signals> {
    let columns = ["wheel_speed_fl_kmh", "wheel_speed_fr_kmh", "wheel_speed_rl_kmh", "wheel_speed_rr_kmh"];
    let mut names: Vec<_> = columns.into_iter().zip(WHEELS).map(|(column, id)| (column, id, "km/h")).collect();
    names.push(("yaw_rate_sensor_deg_s", "yaw.rate", "deg/s"));
    names.push(("steering_wheel_angle_deg", "steering.angle", "deg"));
    Some(wide(&open_data("comma2k19/highway_60s.csv")?, &names))
}

fn judged(signals: &[(&str, &str, Samples)]) -> Vec<Finding> {
    let found = findings(Kind::Noise, signals);
    assert_consistent(&found);
    found
}

fn accused(found: &[Finding]) -> Vec<&str> {
    found.iter().filter(|f| f.verdict == Verdict::Faulty).map(|f| f.subject[0].as_str()).collect()
}

/// The drive at another rate and step, signals one after another, with something added to one of them.
fn resampled(signals: &Signals, rate_hz: f64, step: f64, added: impl Fn(&str, f64, f64) -> f64) -> Signals {
    let mut rng = Rng(rate_hz.to_bits() ^ step.to_bits());
    let each = signals.iter().enumerate().map(|(turn, (id, unit, samples))| {
        let (first, last) = (samples[0].0, samples[samples.len() - 1].0);
        let skew = 0.02 * turn as f64 / signals.len() as f64;
        let read = polled(samples, rate_hz, first + 0.1 + skew, last - 0.1).into_iter().map(|(t, v)| {
            let v = v + added(id, t, rng.normal());
            (t, if *unit == "km/h" { (v / step).round() * step } else { v })
        });
        (*id, *unit, read.collect())
    });
    each.collect()
}

/// A table of 50 rows a second that draws lines between the samples, with something added to the rows.
fn drawn(signals: &Signals, added: impl Fn(&str, f64) -> f64) -> Signals {
    let mut rng = Rng(5);
    let each = signals.iter().map(|(id, unit, samples)| {
        let (first, last) = (samples[0].0, samples[samples.len() - 1].0);
        let rows = (0..((last - first) * 50.0) as usize).map(|k| first + k as f64 / 50.0);
        let read = rows.map(|t| {
            let k = samples.partition_point(|s| s.0 <= t).clamp(1, samples.len() - 1);
            let (a, b) = (samples[k - 1], samples[k]);
            let value = a.1 + (b.1 - a.1) * ((t - a.0) / (b.0 - a.0)).clamp(0.0, 1.0);
            (t, ((value + added(id, rng.normal())) / 0.01).round() * 0.01)
        });
        (*id, *unit, read.collect())
    });
    each.collect()
}

#[test]
fn rows_drawn_between_samples_clear_nobody_and_hide_no_noise_of_their_own() {
    let Some(drive) = motorway() else { return };
    let rough = |id: &str, normal: f64| if id == WHEELS[1] { 2.0 * normal } else { 0.0 };
    let noisy = resampled(&drive, 8.0, 0.01, |id, _, normal| rough(id, normal));
    assert_eq!(accused(&judged(&noisy)), [WHEELS[1]]);
    let found = judged(&drawn(&noisy, |_, _| 0.0));
    for id in WHEELS {
        assert_eq!(about(&found, id).verdict, Verdict::Undecided, "{:?}", about(&found, id));
        assert!(about(&found, id).next.iter().any(|next| next.contains("their own times")));
    }
    let sound = resampled(&drive, 8.0, 0.01, |_, _, _| 0.0);
    assert_eq!(accused(&judged(&drawn(&sound, rough))), [WHEELS[1]]);
}

#[test]
fn nobody_on_the_open_drives_is_accused() {
    let mut n_healthy = 0;
    let mut look = |what: &str, signals: &Signals| {
        let found = judged(signals);
        assert_eq!(accused(&found), Vec::<&str>::new(), "{what}: {found:#?}");
        n_healthy += found.iter().filter(|f| f.verdict == Verdict::Healthy).count();
    };
    if let Some(drive) = motorway() {
        look("motorway", &drive);
        for rate_hz in [2.0, 5.0, 10.0, 20.0, 50.0] {
            for step in [0.01, 0.06, 1.0] {
                look(&format!("motorway, {rate_hz} Hz, {step} km/h"), &resampled(&drive, rate_hz, step, |_, _, _| 0.0));
            }
        }
    }
    for name in ["d1_cold_start_warmup", "d2_traffic_jam", "d3_acceleration_runs", "d4_motorway", "d5_recording_gap"] {
        if let Some(text) = open_data(&format!("kit_obd/{name}_samples.csv.gz")) {
            look(name, &long(&text, &KIT));
        }
        if let Some(text) = open_data(&format!("kit_obd/{name}_held.csv.gz")) {
            look(name, &wide(&text, &KIT));
        }
    }
    for name in ["drive_d1", "drive_d2"] {
        let Some(text) = open_data(&format!("obd_async_diesel/{name}.csv.gz")) else { continue };
        let mut drive = long(&text, &DIESEL);
        drive.retain(|(_, _, samples)| !samples.is_empty());
        look(name, &drive);
    }
    if let Some(text) = open_data("speed_reference/road_test_k.csv.gz") {
        look("road test K", &wide(&text, &[("obd_vehicle_speed_m_s", "vehicle.speed", "m/s")]));
    }
    if let Some(text) = open_data("verifiedcan/stationary_lock_to_lock_29s.csv") {
        let columns = [
            ("wheel_speed_fl_kmh", WHEELS[0], "km/h"),
            ("wheel_speed_fr_kmh", WHEELS[1], "km/h"),
            ("steering_wheel_angle_deg", "steering.angle", "deg"),
            ("yaw_rate_sensor_deg_s", "yaw.rate", "deg/s"),
        ];
        look("lock to lock", &wide(&text, &columns));
    }
    println!("{n_healthy} healthy");
}

#[test]
fn a_rough_wheel_is_named_on_the_motorway_and_nobody_else() {
    let Some(drive) = motorway() else { return };
    let (mut named, mut tried) = (0, 0);
    for (rate_hz, step, sigma_kmh) in
        [(50.0, 0.01, 0.7), (20.0, 0.06, 0.7), (10.0, 0.06, 0.8), (5.0, 0.1, 1.0), (20.0, 1.0, 3.0), (2.0, 0.1, 2.5)]
    {
        for wheel in WHEELS {
            let rough =
                resampled(&drive, rate_hz, step, |id, _, normal| if id == wheel { sigma_kmh * normal } else { 0.0 });
            let found = judged(&rough);
            tried += 1;
            let who = accused(&found);
            assert!(who.iter().all(|id| *id == wheel), "{rate_hz} Hz {wheel}: {who:?}");
            named += who.len();
            let finding = about(&found, wheel);
            assert_ne!(finding.verdict, Verdict::Healthy, "{rate_hz} Hz: {finding:?}");
            if rate_hz >= 5.0 {
                assert!((finding.figures["roughness"] / sigma_kmh - 1.0).abs() < 0.35, "{finding:?}");
            }
        }
    }
    assert!(named * 10 >= tried * 8, "{named} of {tried}");
}

#[test]
fn bursts_have_their_places() {
    let Some(drive) = motorway() else { return };
    let is_burst = |t: f64| t > 8.0 && (t % 10.0) < 1.5;
    for rate_hz in [20.0, 50.0] {
        let rough = resampled(
            &drive,
            rate_hz,
            0.06,
            |id, t, normal| {
                if id == WHEELS[2] && is_burst(t) { 2.0 * normal } else { 0.0 }
            },
        );
        let found = judged(&rough);
        assert_eq!(accused(&found), [WHEELS[2]], "{rate_hz} Hz: {found:?}");
        let finding = about(&found, WHEELS[2]);
        assert!((4..=6).contains(&finding.spans.len()), "{finding:?}");
        for span in &finding.spans {
            assert!(
                (0..50).any(|k| is_burst(span.from_s + (span.to_s - span.from_s) * f64::from(k) / 50.0)),
                "{span:?}"
            );
        }
    }
    // Once is not enough: it may have been the road.
    let once = resampled(
        &drive,
        50.0,
        0.06,
        |id, t, normal| if id == WHEELS[2] && t > 30.0 && t < 31.0 { 2.0 * normal } else { 0.0 },
    );
    let found = judged(&once);
    assert_eq!(accused(&found), Vec::<&str>::new());
}

/// A foot on a pedal with two tracks, the second of half the slope, in steps of 0.4 %.
fn pedals(rate_hz: f64, noise: [f64; 2]) -> Signals {
    let foot =
        |t: f64| 20.0 + 12.0 * ((t / 9.0).sin() + (t / 3.7).sin()).max(0.0) + if (t % 30.0) < 8.0 { 15.0 } else { 0.0 };
    let mut rng = Rng(rate_hz.to_bits());
    let first = sampled(rate_hz, 120.0, 0.392, |t| foot(t) + noise[0] * rng.normal());
    let mut rng = Rng(3);
    let second = sampled(rate_hz, 120.0, 0.392, |t| foot(t + 0.013) / 2.0 + noise[1] * rng.normal());
    vec![("pedal.position_1", "%", first), ("pedal.position_2", "%", second)]
}

#[test]
fn the_rough_one_of_two_pedal_tracks() {
    for rate_hz in [5.0, 10.0, 20.0, 50.0] {
        let sound = judged(&pedals(rate_hz, [0.0, 0.0]));
        assert!(sound.iter().all(|f| f.verdict == Verdict::Healthy), "{rate_hz} Hz: {sound:?}");
        assert_eq!(accused(&judged(&pedals(rate_hz, [3.0, 0.1]))), ["pedal.position_1"], "{rate_hz} Hz");
        assert_eq!(accused(&judged(&pedals(rate_hz, [0.1, 2.0]))), ["pedal.position_2"], "{rate_hz} Hz");
    }
}

#[test]
fn signals_beside_their_own_physics() {
    let mut rng = Rng(17);
    let mut noisy = |usual: f64, sigma: f64| {
        (0..600).map(|k| (f64::from(k) * 0.5, usual + sigma * rng.normal())).collect::<Samples>()
    };
    let drive: Signals = vec![
        ("battery.voltage", "V", noisy(14.1, 0.9)),
        ("coolant.temperature", "degC", noisy(90.0, 0.2)),
        ("intake.air_temperature", "degC", noisy(25.0, 0.3)),
    ];
    let found = judged(&drive);
    assert_eq!(accused(&found), ["battery.voltage"], "{found:?}");
    assert_eq!(about(&found, "coolant.temperature").verdict, Verdict::Healthy);
    // All at once is no sensor.
    let all: Signals = vec![
        ("battery.voltage", "V", noisy(14.1, 2.0)),
        ("coolant.temperature", "degC", noisy(90.0, 9.0)),
        ("intake.air_temperature", "degC", noisy(25.0, 9.0)),
    ];
    assert_eq!(accused(&judged(&all)), Vec::<&str>::new());
}

#[test]
fn what_is_lacking_is_said() {
    // Four wheels that stand; ten seconds of driving; one wheel alone; a pedal polled once a second.
    let standing: Signals = WHEELS.map(|id| (id, "km/h", sampled(20.0, 60.0, 0.1, |_| 0.0))).into();
    for finding in judged(&standing) {
        assert_eq!(finding.verdict, Verdict::Undecided);
        assert!(finding.next[0].contains("50 to 80 km/h"), "{finding:?}");
    }
    let brief: Signals = WHEELS.map(|id| (id, "km/h", sampled(20.0, 3.0, 0.1, |t| 50.0 + t))).into();
    for finding in judged(&brief) {
        assert_eq!(finding.verdict, Verdict::Undecided);
        assert!(finding.next[0].starts_with("record 30 s more"), "{finding:?}");
    }
    let mut rng = Rng(1);
    let alone = sampled(20.0, 60.0, 0.1, |_| 50.0 + 4.0 * rng.normal());
    let found = judged(&[(WHEELS[0], "km/h", alone)]);
    assert_eq!(found[0].verdict, Verdict::Undecided);
    assert!(found[0].next[0].contains("other wheel of its axle"), "{found:?}");
    let slow = sampled(1.0, 300.0, 0.4, |t| 30.0 + 20.0 * (t / 2.0).sin());
    let found = judged(&[("pedal.position_1", "%", slow)]);
    assert_eq!(found[0].verdict, Verdict::Undecided);
    assert!(found[0].next[0].contains("interval of 100 ms"), "{found:?}");
}

#[test]
fn losses_and_rings_do_not_make_the_others_rough() {
    let Some(drive) = motorway() else { return };
    let mut lost = resampled(&drive, 50.0, 0.06, |_, _, _| 0.0);
    for sample in &mut lost[1].2 {
        if (sample.0 * 0.7) % 1.0 < 0.1 {
            sample.1 = 0.0;
        }
    }
    let who = judged(&lost);
    assert!(accused(&who).iter().all(|id| *id == WHEELS[1]), "{who:?}");
    // 2 % once per revolution of 1.98 m.
    let mut way = 0.0;
    let mut ring = resampled(&drive, 50.0, 0.06, |_, _, _| 0.0);
    let mut before = ring[3].2[0].0;
    for sample in &mut ring[3].2 {
        way += sample.1 / 3.6 * (sample.0 - before);
        before = sample.0;
        sample.1 *= 1.0 + 0.02 * (std::f64::consts::TAU * way / 1.98).sin();
    }
    let who = judged(&ring);
    assert!(accused(&who).iter().all(|id| *id == WHEELS[3]), "{who:?}");
}

#[test]
fn a_filter_in_one_track_is_no_noise_in_the_other() {
    // A restless foot; the second track lags by a filter of 0.3 s.
    let foot = |t: f64| 40.0 + 12.0 * (4.1 * t).sin() + 9.0 * (6.7 * t).sin() + 6.0 * (11.3 * t).sin();
    let mut lagging = foot(0.0);
    let rate_hz = 10.0;
    let first = sampled(rate_hz, 120.0, 0.392, foot);
    let second = sampled(rate_hz, 120.0, 0.392, |t| {
        lagging += (foot(t) - lagging) * (1.0 / rate_hz / 0.3_f64).min(1.0);
        lagging
    });
    let found = judged(&[("pedal.position_1", "%", first), ("pedal.position_2", "%", second)]);
    for finding in &found {
        assert_eq!(finding.verdict, Verdict::Undecided, "{finding:?}");
        assert!(finding.next[0].contains("held still"), "{finding:?}");
    }
}

#[test]
fn starts_of_the_engine_are_no_noise() {
    // Stop and start every minute: the starter swings the voltage for a second.
    let mut rng = Rng(5);
    let volts = sampled(20.0, 600.0, 0.1, |t| match t % 60.0 {
        s if s < 1.2 => 10.5 + 0.8 * (40.0 * t).sin() + 0.5 * rng.normal(),
        s if s < 45.0 => 14.2 + 0.05 * rng.normal(),
        _ => 12.4,
    });
    let found = judged(&[("battery.voltage", "V", volts)]);
    assert_eq!(accused(&found), Vec::<&str>::new(), "{found:?}");
}

#[test]
fn a_wheel_that_is_asked_more_seldom_is_not_called_rough() {
    let road = |t: f64| 60.0 + 15.0 * (0.9 * t).sin() + 4.0 * (2.3 * t).sin();
    let quick = |_: usize| sampled(20.0, 180.0, 0.06, road);
    let slow = sampled(1.5, 180.0, 0.06, road);
    let found = judged(&[
        (WHEELS[0], "km/h", slow),
        (WHEELS[1], "km/h", quick(1)),
        (WHEELS[2], "km/h", quick(2)),
        (WHEELS[3], "km/h", quick(3)),
    ]);
    assert_eq!(accused(&found), Vec::<&str>::new(), "{found:?}");
    assert!(about(&found, WHEELS[0]).next[0].contains("at one rate"), "{found:?}");
}
