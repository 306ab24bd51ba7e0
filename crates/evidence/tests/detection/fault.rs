//! Faults put into the truth, before any recorder sees it.

use evidence::Kind;

use super::car::{Drive, TRUTH_HZ, Truth};
use super::common::{Rng, WHEELS};

/// A fault and its size.
#[derive(Debug, Clone, Copy)]
pub enum Fault {
    /// A wheel's value is zero for so many milliseconds, six times.
    Zero(f64),
    /// A wheel's value stays for so many seconds, six times, wherever the car is.
    Stuck(f64),
    /// Normal noise on a wheel, standard deviation in km/h.
    Noise(f64),
    /// The same in bursts of two seconds, twelve times.
    Bursts(f64),
    /// A wheel reads so many percent too much, or (every other car) too little.
    Size(f64),
    /// Two wheels read wrong by so many percent, each too much or too little.
    TwoSizes(f64),
    /// A wheel reads so many percent too little in three stretches of 15 seconds.
    Stretches(f64),
    /// A wheel's value comes so many seconds late.
    Late(f64),
    /// A wheel reads more and less once per turn, amplitude in percent.
    Eccentric(f64),
    /// So many of 48 teeth are missing.
    Teeth(f64),
    /// Normal noise on a pedal track, percent of full scale.
    PedalNoise(f64),
    /// The second pedal track reads too little at one place of the travel, percent of full scale.
    SharpSpot(f64),
    /// The same with soft edges: a bell.
    SoftSpot(f64),
    /// Cylinder 2 misfires in so many percent of its firings.
    Misfire(f64),
}

impl Fault {
    /// Which checks may name it.
    pub fn kinds(self) -> &'static [Kind] {
        match self {
            Self::Zero(_) | Self::Stuck(_) => &[Kind::Dropout],
            Self::Noise(_) | Self::Bursts(_) | Self::PedalNoise(_) => &[Kind::Noise],
            Self::Size(_) | Self::TwoSizes(_) => &[Kind::OddWheel, Kind::WheelSize],
            Self::Stretches(_) | Self::Late(_) => &[Kind::OddWheel],
            Self::Eccentric(_) | Self::Teeth(_) => &[Kind::ToneRing],
            Self::SharpSpot(_) | Self::SoftSpot(_) => &[Kind::Pair],
            Self::Misfire(_) => &[Kind::Misfire],
        }
    }

    /// The table that it belongs to, and the size in words.
    pub fn said(self) -> (&'static str, String) {
        match self {
            Self::Zero(ms) => ("dropout: a wheel reads zero, six times", format!("{ms} ms")),
            Self::Stuck(s) => ("dropout: a wheel's value sticks, six times", format!("{s} s")),
            Self::Noise(kmh) => ("noise: one wheel", format!("{kmh} km/h")),
            Self::Bursts(kmh) => ("noise: one wheel, twelve bursts of 2 s", format!("{kmh} km/h")),
            Self::Size(percent) => {
                ("odd-wheel or wheel-size: one wheel reads too much or too little", format!("{percent} %"))
            }
            Self::TwoSizes(percent) => {
                ("odd-wheel or wheel-size: two wheels read too much or too little, one of them", format!("{percent} %"))
            }
            Self::Stretches(percent) => {
                ("odd-wheel: one wheel too slow in three stretches of 15 s", format!("{percent} %"))
            }
            Self::Late(s) => ("odd-wheel: one wheel late", format!("{s} s")),
            Self::Eccentric(percent) => ("tone-ring: eccentric ring", format!("{percent} %")),
            Self::Teeth(n) => ("tone-ring: teeth missing of 48", format!("{n}")),
            Self::PedalNoise(percent) => ("noise: one pedal track", format!("{percent} %")),
            Self::SharpSpot(percent) => ("pair: worn place, sharp edges", format!("{percent} %")),
            Self::SoftSpot(percent) => ("pair: worn place, soft edges", format!("{percent} %")),
            Self::Misfire(percent) => ("misfire: one cylinder of four", format!("{percent} % of its firings")),
        }
    }

    /// Puts it into a drive; the signals at fault.
    pub fn put(self, drive: &mut Drive, rng: &mut Rng) -> Vec<String> {
        let wheel = (4.0 * rng.uniform()) as usize;
        let n = drive.pedal.len();
        let at = |of: &mut Vec<Truth>, id: &str| of.iter_mut().position(|signal| signal.id == id).unwrap();
        let own = at(&mut drive.signals, WHEELS[wheel]);
        let places = |rng: &mut Rng, count: usize| -> Vec<usize> {
            (0..count).map(|k| ((k as f64 + 0.1 + 0.7 * rng.uniform()) / count as f64 * n as f64) as usize).collect()
        };
        let during = |places: &[usize], seconds: f64| {
            let long = (seconds * TRUTH_HZ) as usize;
            places.iter().map(|from| (*from, (*from + long).min(n))).collect::<Vec<_>>()
        };
        let mut id = WHEELS[wheel].to_owned();
        let mut other = None;
        match self {
            Self::Zero(ms) => {
                for (from, to) in during(&places(rng, 6), ms / 1000.0) {
                    drive.signals[own].value[from..to].fill(0.0);
                }
            }
            Self::Stuck(seconds) => {
                for (from, to) in during(&places(rng, 6), seconds) {
                    let good = drive.signals[own].value[from];
                    drive.signals[own].value[from..to].fill(good);
                }
            }
            Self::Noise(kmh) => {
                let is_rolling = |v: f64| v > 1.0;
                drive.signals[own].value.iter_mut().filter(|v| is_rolling(**v)).for_each(|v| *v += kmh * rng.normal());
            }
            Self::Bursts(kmh) => {
                for (from, to) in during(&places(rng, 12), 2.0) {
                    drive.signals[own].value[from..to].iter_mut().for_each(|v| *v += kmh * rng.normal());
                }
            }
            Self::Size(percent) => {
                let factor = 1.0 + percent / 100.0 * if rng.uniform() < 0.5 { 1.0 } else { -1.0 };
                drive.signals[own].value.iter_mut().for_each(|v| *v *= factor);
            }
            Self::TwoSizes(percent) => {
                let second = (wheel + 1 + (3.0 * rng.uniform()) as usize) % 4;
                for wheel in [wheel, second] {
                    let factor = 1.0 + percent / 100.0 * if rng.uniform() < 0.5 { 1.0 } else { -1.0 };
                    let own = at(&mut drive.signals, WHEELS[wheel]);
                    drive.signals[own].value.iter_mut().for_each(|v| *v *= factor);
                }
                other = Some(WHEELS[second].to_owned());
            }
            Self::Stretches(percent) => {
                for (from, to) in during(&places(rng, 3), 15.0) {
                    drive.signals[own].value[from..to].iter_mut().for_each(|v| *v *= 1.0 - percent / 100.0);
                }
            }
            Self::Late(seconds) => {
                let late = (seconds * TRUTH_HZ) as usize;
                let first = drive.signals[own].value[0];
                drive.signals[own].value.rotate_right(late);
                drive.signals[own].value[..late].fill(first);
            }
            Self::Eccentric(percent) => {
                let turns = &drive.turns[wheel];
                for (v, turn) in drive.signals[own].value.iter_mut().zip(turns) {
                    *v *= 1.0 + percent / 100.0 * (std::f64::consts::TAU * turn).sin();
                }
            }
            Self::Teeth(missing) => {
                // The module counts teeth over 20 ms: over the gap it counts fewer.
                let turns = &drive.turns[wheel];
                let gap = missing / 48.0;
                let over = (0.02 * TRUTH_HZ) as usize;
                // Teeth passed up to an angle: none within the gap.
                let teeth = |turn: f64| turn.floor() * (1.0 - gap) + turn.fract().min(1.0 - gap);
                for k in over..n {
                    let (rolled, counted) = (turns[k] - turns[k - over], teeth(turns[k]) - teeth(turns[k - over]));
                    if rolled > 1e-6 {
                        drive.signals[own].value[k] *= counted / rolled;
                    }
                }
            }
            Self::PedalNoise(percent) => {
                let number = if rng.uniform() < 0.5 { 1 } else { 2 };
                id = format!("pedal.position_{number}");
                let own = at(&mut drive.signals, &id);
                let size = if number == 1 { percent } else { 0.5 * percent };
                drive.signals[own].value.iter_mut().for_each(|v| *v += size * rng.normal());
            }
            Self::SharpSpot(percent) | Self::SoftSpot(percent) => {
                id = "pedal.position_2".to_owned();
                let own = at(&mut drive.signals, &id);
                let (centre, half) = (0.12 + 0.12 * rng.uniform(), 0.03);
                let is_soft = matches!(self, Self::SoftSpot(_));
                for (v, pedal) in drive.signals[own].value.iter_mut().zip(&drive.pedal) {
                    let off = (pedal - centre) / half;
                    let share = if is_soft { (-off * off).exp() } else { f64::from(u8::from(off.abs() < 1.0)) };
                    *v -= percent * share;
                }
            }
            Self::Misfire(percent) => {
                id = "misfire.cylinder_2".to_owned();
                for cylinder in 1..=4 {
                    let share = if cylinder == 2 { percent / 100.0 } else { 0.000_05 };
                    let (mut fired, mut missed, mut shown, mut revolutions) = (0.0_f64, 0.0, 0.0, 0.0_f64);
                    let value = drive.rpm.iter().map(|rpm| {
                        let more = rpm / 120.0 / TRUTH_HZ;
                        let before = fired.floor();
                        fired += more;
                        if fired.floor() > before && rng.uniform() < share {
                            missed += 1.0;
                        }
                        // The module adds up over 200 revolutions.
                        let window = (revolutions / 200.0).floor();
                        revolutions += 2.0 * more;
                        if (revolutions / 200.0).floor() > window {
                            shown = missed;
                        }
                        shown
                    });
                    let value = value.collect();
                    drive.signals.push(Truth {
                        id: format!("misfire.cylinder_{cylinder}"),
                        unit: "count",
                        value,
                        step: 1.0,
                    });
                }
            }
        }
        std::iter::once(id).chain(other).collect()
    }
}
