//! `noise`: is one signal rougher than its partners, or than its own physics allow?
//!
//! Roughness is the standard deviation of each sample against the straight line between its neighbours, per window of a
//! second or more, with the greatest quarter set aside ([`windows`]): a slope gives none, a lost value hardly any. It is
//! compared with the roughest partner in the same window, so that road, speed, sampling and step cancel; a signal without
//! a partner is compared with what its physics allow ([`crate::physics::roughness`]). Noise is directional: the rough one of
//! two partners is the faulty one. The ratio is weighed in [`judge`].

mod bursts;
mod judge;
mod text;
mod windows;

use signal::{nanos_from_seconds, seconds_from_nanos};

use crate::examination::Examination;
use crate::physics::{self, KMH_PER_M_S, Roughness};
use crate::stats::robust;
use crate::{Check, Finding, Kind, Span, Verdict};
use judge::{Judged, LEAST_WINDOWS, MOST_ERROR};
use windows::{INTERVALS, Member, SHORTEST_S, Window};

/// The check's entry in the registry.
pub(crate) const CHECK: Check = Check { kind: Kind::Noise, run };

/// Signals that can stand beside each other: their motion is the same.
const GROUPS: [&str; 3] = ["wheel.speed.", "pedal.position_", "throttle.position_"];
/// Part of the usual roughness of a sound signal that is never held against it beside its partners.
const NEVER_HELD: f64 = 0.5;
/// A step is flickered over by half of it when a value rests between two.
const FLICKER_STEPS: f64 = 0.5;
/// Tracks that moved less than this between them do not show how they relate, %.
const LEAST_TRAVEL: f64 = 5.0;
/// Braked or driven harder than this wheels slip, one more than the other, m/s².
const HARDEST_M_S2: f64 = 2.0;
/// A reference rougher than this many times what is usual hides the noise that matters.
const HIDDEN: f64 = 5.0;
/// A signal that is sampled this many times as slowly as all of its partners bends more between its samples than they do.
const UNEVEN: f64 = 1.5;
const NOT_FAULTY: f64 = 1.9;

/// What a signal was compared with.
#[derive(Debug, Clone, PartialEq)]
enum Beside {
    /// The roughest of these.
    Partners(Vec<String>),
    /// What physics allow.
    Physics,
}

/// One signal judged.
struct Case<'a> {
    member: &'a Member<'a>,
    usual: Roughness,
    beside: Beside,
    judged: Option<Judged>,
    length_s: f64,
    log10_odds: f64,
    lacks: Vec<Lack>,
}

/// Why a verdict is withheld.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Lack {
    /// Sampled too slowly to tell motion from noise.
    Rate,
    /// Too few windows.
    Time,
    /// The reference itself was so rough that noise hides behind it.
    Quiet,
    /// Its partners hardly ever stood still, so that a filter in one of them looks like noise in the other.
    Still,
    /// It kept one value.
    Motion,
    /// All its partners were sampled more quickly.
    Uneven,
    /// Its only partner may be smoother by nature.
    Partner,
    /// Unrelated signals are rough as well.
    Common,
    /// It scatters over much of what its quantity can be at all.
    Quantity,
    /// Its rows were drawn between slower samples: none shows the sensor's own noise.
    Drawn,
    /// The rows of a partner were: what they would show of the road is missing.
    DrawnPartner,
    /// Bursts that matter would not have shown: see [`bursts`].
    Bursts,
}

/// Values of unknown meaning, spread evenly over a byte, scatter by 29 % of their range (derived: 1 / sqrt(12)); a sensor that
/// still measures does not scatter by a tenth of all that its quantity can be. Beside partners they would tell.
const MEANINGLESS: f64 = 0.1;

/// Unrelated signals that turn rough in one drive have one cause, and it is not the sensor of each.
const COMMON: usize = 3;

fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let group_of = |id: &str| GROUPS.iter().position(|group| id.starts_with(group));
    let of_group = |prefix: &str| {
        let series = recording.series.iter().filter(|series| series.id.as_str().starts_with(prefix));
        let mut members: Vec<Member<'_>> = series.filter_map(Member::new).collect();
        members.sort_by(|a, b| a.id().cmp(b.id()));
        members
    };
    let groups = GROUPS.map(of_group);
    let alone = recording.series.iter().filter(|series| group_of(series.id.as_str()).is_none());
    let alone: Vec<(Roughness, Member<'_>)> =
        alone.filter_map(|series| Some((physics::roughness(&series.id)?, Member::new(series)?))).collect();
    let mut cases: Vec<Case<'_>> = Vec::new();
    for (prefix, members) in GROUPS.into_iter().zip(&groups) {
        cases.extend(group(members, prefix));
    }
    for (usual, member) in &alone {
        let length_s = length_s([member]);
        cases.push(by_physics(member, *usual, length_s, &member.windows(nanos_from_seconds(length_s))));
    }
    let rough = cases.iter().filter(|case| case.log10_odds >= NOT_FAULTY).map(|case| case.member.id());
    let mut seats: Vec<(Option<usize>, &str)> =
        rough.map(|id| (group_of(id), if group_of(id).is_some() { "" } else { id })).collect();
    seats.sort_unstable();
    seats.dedup();
    if seats.len() >= COMMON {
        cases.iter_mut().filter(|case| case.log10_odds >= NOT_FAULTY).for_each(|case| case.withhold(Lack::Common));
    }
    cases.iter().map(Case::finding).collect()
}

/// Windows long enough for the slowest member.
fn length_s<'a, 'b: 'a>(members: impl IntoIterator<Item = &'a Member<'b>>) -> f64 {
    members.into_iter().map(|member| INTERVALS * member.interval_s).fold(SHORTEST_S, f64::max)
}

/// The members of a group, each beside all others.
fn group<'a>(members: &'a [Member<'a>], prefix: &str) -> Vec<Case<'a>> {
    let length_s = length_s(members);
    let all: Vec<Vec<Window>> = members.iter().map(|member| member.windows(nanos_from_seconds(length_s))).collect();
    let is_wheels = prefix == GROUPS[0];
    // Tracks of one part may span different shares of the scale: each is brought to the widest.
    let spreads: Vec<f64> =
        if is_wheels { vec![1.0; members.len()] } else { members.iter().map(Member::spread).collect() };
    let widest = spreads.iter().copied().fold(0.0, f64::max);
    let gain = |k: usize| if is_wheels { 1.0 } else { widest / spreads[k].max(1e-9) };
    let compares = |k: usize| is_wheels || spreads[k] >= LEAST_TRAVEL;
    let mut cases = Vec::new();
    for (k, member) in members.iter().enumerate() {
        let Some(usual) = physics::roughness(&member.series.id) else { continue };
        let others: Vec<usize> =
            (0..members.len()).filter(|&j| j != k && compares(k) && compares(j) && !all[j].is_empty()).collect();
        if others.is_empty() {
            cases.push(by_physics(member, usual, length_s, &all[k]));
            continue;
        }
        let scaled: Vec<Vec<Window>> = others
            .iter()
            .map(|&j| all[j].iter().map(|w| Window { sigma: w.sigma * gain(j) / gain(k), ..*w }).collect())
            .collect();
        let partners: Vec<&[Window]> = scaled.iter().map(Vec::as_slice).collect();
        let step = others.iter().map(|&j| members[j].step * gain(j) / gain(k)).fold(member.step, f64::max);
        let differ = physics::TRACKS_DIFFER_PERCENT / gain(k);
        let own = if is_wheels { rolling(&all[k], usual, length_s) } else { accompanied(&all[k], &partners, differ) };
        let rows = judge::beside(&own, &partners, |mean| {
            (NEVER_HELD * usual.at(mean) * if is_wheels { 1.0 } else { 1.0 / gain(k) }).max(FLICKER_STEPS * step)
        });
        // One track may be filtered more than the other: while they move that looks like noise, while they stand it does not.
        let still: Vec<judge::Beside> = rows.iter().copied().filter(|row| row.reference <= row.floor).collect();
        let knows_still = is_wheels || still.len() >= LEAST_WINDOWS;
        let rows = if !is_wheels && knows_still { still } else { rows };
        let names = others.iter().map(|&j| members[j].id().to_owned()).collect();
        let mut case = Case::new(member, usual, Beside::Partners(names), judge::judge(&rows), length_s);
        if !knows_still {
            case.withhold(Lack::Still);
        }
        if !others.iter().any(|&j| UNEVEN * members[j].interval_s >= member.interval_s) {
            case.withhold(Lack::Uneven);
        }
        if others.iter().any(|&j| members[j].is_drawn) {
            case.withhold(Lack::DrawnPartner);
        }
        if is_wheels {
            // Axles may differ in roughness: one is driven.
            let axle = |id: &str| id.trim_start_matches(prefix).split('_').next().unwrap_or_default().to_owned();
            if !others.iter().any(|&j| axle(members[j].id()) == axle(member.id())) {
                case.withhold(Lack::Partner);
            }
        } else {
            let alone = by_physics(member, usual, length_s, &all[k]);
            if alone.log10_odds > case.log10_odds.max(2.0) {
                // Both tracks tremble as no foot can.
                case = alone;
            }
        }
        if case.verdict() == Verdict::Healthy && !case.shows_bursts() {
            case.withhold(Lack::Bursts);
        }
        cases.push(case);
    }
    cases
}

/// A signal beside what its physics allow.
fn by_physics<'a>(member: &'a Member<'a>, usual: Roughness, length_s: f64, windows: &[Window]) -> Case<'a> {
    let alive = rolling(windows, usual, length_s);
    let rows: Vec<judge::Beside> = alive
        .iter()
        .map(|w| judge::Beside {
            id: w.id,
            own: w.sigma,
            reference: usual.at(w.mean),
            floor: FLICKER_STEPS * member.step.min(4.0 * usual.at(w.mean)),
            mean: w.mean,
        })
        .collect();
    // What is rough by its own motion for a while is at its calmest elsewhere.
    let rows = if usual.is_inert { rows } else { judge::calmer(&rows, |row| row.own) };
    let mut case = Case::new(member, usual, Beside::Physics, judge::judge(&rows), length_s);
    if !usual.is_inert {
        case.log10_odds = case.judged.as_ref().map_or(0.0, |judged| judged.steady);
        std::mem::take(&mut case.lacks).into_iter().for_each(|lack| case.withhold(lack));
    }
    if member.interval_s > usual.slowest_s {
        case.withhold(Lack::Rate);
    }
    if member.id().starts_with(GROUPS[0]) {
        // The road may be as rough as it likes: without another wheel nobody knows.
        case.withhold(Lack::Partner);
    }
    case
}

/// The windows in which the signal is alive; for speeds also those in which nobody brakes or drives hard.
fn rolling(windows: &[Window], usual: Roughness, length_s: f64) -> Vec<Window> {
    let is_speed = usual.alive_above == physics::SENSOR_ALIVE_KMH;
    let hardest = if is_speed { HARDEST_M_S2 * KMH_PER_M_S * length_s } else { f64::INFINITY };
    let changes = |k: usize, other: usize| {
        windows
            .get(other)
            .is_some_and(|w| (w.id - windows[k].id).abs() == 1 && (w.mean - windows[k].mean).abs() > hardest)
    };
    (0..windows.len())
        .filter(|&k| windows[k].mean >= usual.alive_above && !changes(k, k.wrapping_sub(1)) && !changes(k, k + 1))
        .map(|k| windows[k])
        .collect()
}

/// The windows of a track without those in which it travels by more than tracks may differ while none of its partners moves:
/// partners that stick are smooth, whatever the part does.
fn accompanied(own: &[Window], partners: &[&[Window]], differ: f64) -> Vec<Window> {
    let is_left = |window: &Window| {
        partners.iter().all(|partner| {
            let at = partner.binary_search_by_key(&window.id, |w| w.id);
            at.is_ok_and(|at| partner[at].is_flat)
        })
    };
    let mut kept = Vec::with_capacity(own.len());
    for run in own.chunk_by(|a, b| is_left(a) && is_left(b)) {
        let (least, most) =
            run.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), w| (a.min(w.mean), b.max(w.mean)));
        // The means of noise wander, too.
        let sigma = robust::median(&mut run.iter().map(|w| w.sigma).collect::<Vec<_>>()).unwrap_or(0.0);
        if most - least <= differ + 3.0 * sigma || !run.iter().all(is_left) {
            kept.extend_from_slice(run);
        }
    }
    kept
}

impl<'a> Case<'a> {
    fn new(member: &'a Member<'a>, usual: Roughness, beside: Beside, judged: Option<Judged>, length_s: f64) -> Self {
        let mut case = Self { member, usual, beside, judged, length_s, log10_odds: 0.0, lacks: Vec::new() };
        let Some(judged) = &case.judged else {
            case.withhold(if member.moves { Lack::Time } else { Lack::Motion });
            return case;
        };
        // Bursts speak only when something speaks for them: their absence is what `steady` is about.
        case.log10_odds = if judged.bursts > 0.0 { judged.steady.max(judged.bursts) } else { judged.steady };
        let is_short = judged.n_compared < LEAST_WINDOWS || judged.error > MOST_ERROR;
        let own = judged.own;
        let hides = case.beside != Beside::Physics && judged.reference > HIDDEN * usual.at(judged.mean);
        if is_short {
            case.withhold(Lack::Time);
        }
        if hides {
            case.withhold(Lack::Quiet);
        }
        if !member.moves {
            case.withhold(Lack::Motion);
        }
        let range =
            physics::dynamics(&member.series.id).map_or(f64::INFINITY, |limits| limits.living.1 - limits.living.0);
        if case.beside == Beside::Physics && own > MEANINGLESS * range {
            case.withhold(Lack::Quantity);
        }
        if member.is_drawn {
            case.withhold(Lack::Drawn);
        }
        case
    }

    /// Keeps the verdict undecided, or, where only the proof of health is lacking, from being healthy.
    fn withhold(&mut self, lack: Lack) {
        self.lacks.push(lack);
        self.log10_odds = self.log10_odds.max(Verdict::LEAST_OPEN);
        if !matches!(lack, Lack::Quiet | Lack::DrawnPartner | Lack::Bursts) {
            self.log10_odds = self.log10_odds.min(NOT_FAULTY);
        }
    }

    fn verdict(&self) -> Verdict {
        Verdict::from_log10_odds(self.log10_odds)
    }

    /// Noise from which on a burst of [`bursts::LENGTH_S`] would have shown beside partners; infinite where none would,
    /// `None` without partners: a lone signal is not asked for bursts, or is slower than they are.
    fn bursts_shown_from(&self) -> Option<f64> {
        let judged = self.judged.as_ref().filter(|_| self.beside != Beside::Physics)?;
        Some(bursts::shown_from(judged.near_reference, judged.ln_ratio, self.length_s))
    }

    /// Whether bursts that matter would have shown, where they are asked for.
    fn shows_bursts(&self) -> bool {
        self.bursts_shown_from().is_none_or(|shown_from| shown_from <= bursts::that_matter(self.usual))
    }

    /// Whether the evidence is bursts rather than a lasting roughness.
    fn is_about_bursts(&self) -> bool {
        self.judged.as_ref().is_some_and(|judged| judged.bursts > judged.steady && judged.bursts > 0.0)
    }

    /// The rough stretches, where they speak.
    fn spans(&self) -> Vec<Span> {
        let Some(judged) = self.judged.as_ref().filter(|_| self.verdict() != Verdict::Healthy) else {
            return Vec::new();
        };
        let length_ns = nanos_from_seconds(self.length_s);
        let at = |id: i64| seconds_from_nanos(id.saturating_mul(length_ns));
        judged.rough.iter().map(|(from, to)| Span { from_s: at(*from), to_s: at(to.saturating_add(1)) }).collect()
    }
}

#[cfg(test)]
mod tests {
    use signal::{Recording, Series};

    use super::*;
    use crate::made::series;

    const WHEELS: [&str; 4] =
        ["wheel.speed.front_left", "wheel.speed.front_right", "wheel.speed.rear_left", "wheel.speed.rear_right"];

    /// The same noise every time, by a number; standard deviation 1.
    fn noise(k: usize, which: usize) -> f64 {
        let one = |j: usize| ((k * k * 389 + k * 7919 + 1013 * j + 37 * which * (j + 1)) % 1009) as f64 / 1009.0 - 0.5;
        (0..12).map(|j| one(j * j * 31 + which)).sum()
    }

    fn wheel(id: &str, unit: &str, factor: f64, which: usize, kmh: f64) -> Series {
        series(id, unit, 0.05, 1200, |k| {
            ((50.0 + 10.0 * (k as f64 / 200.0).sin() + kmh * noise(k, which)) * 100.0).round() / 100.0 * factor
        })
    }

    fn verdicts(series: Vec<Series>) -> Vec<(String, Verdict)> {
        let recording = Recording { series, ..Recording::default() };
        run(&Examination::new(&recording)).into_iter().map(|f| (f.subject[0].clone(), f.verdict)).collect()
    }

    /// The rough wheel is named, wherever it is and in whatever unit it stands.
    #[test]
    fn the_rough_one_is_named() {
        for (rough, named) in WHEELS.iter().enumerate() {
            for (unit, factor) in [("km/h", 1.0), ("m/s", 1.0 / 3.6)] {
                let wheels = WHEELS.iter().enumerate().map(|(which, id)| {
                    let (unit, factor) = if which == rough { (unit, factor) } else { ("km/h", 1.0) };
                    wheel(id, unit, factor, which, if which == rough { 1.2 } else { 0.12 })
                });
                for (id, verdict) in verdicts(wheels.collect()) {
                    assert_eq!(verdict == Verdict::Faulty, id == *named, "{id} {rough} {unit}");
                }
            }
        }
        let sound =
            verdicts(WHEELS.iter().enumerate().map(|(which, id)| wheel(id, "km/h", 1.0, which, 0.12)).collect());
        assert!(sound.iter().all(|(_, verdict)| *verdict == Verdict::Healthy), "{sound:?}");
        // Without the other wheel of its axle it may be the driven one; alone, the road.
        let few = |there: &[usize]| {
            let wheels = there
                .iter()
                .map(|&which| wheel(WHEELS[which], "km/h", 1.0, which, if which == 0 { 1.2 } else { 0.12 }));
            verdicts(wheels.collect())[0].1
        };
        assert_eq!(
            (few(&[0, 1]), few(&[0, 2, 3]), few(&[0])),
            (Verdict::Faulty, Verdict::Undecided, Verdict::Undecided)
        );
    }

    #[test]
    fn windows_that_are_compared() {
        let window = |id: i64, mean: f64| Window { id, sigma: 0.1, mean, is_flat: false };
        let usual = physics::roughness(&signal::SignalId::new(WHEELS[0]).unwrap()).unwrap();
        let kept = |windows: &[Window]| rolling(windows, usual, 1.0).iter().map(|w| w.id).collect::<Vec<_>>();
        // Slower than 10 km/h a sensor may sleep; 2 m/s2 are 7.2 km/h from one second to the next, also where one is left out.
        assert_eq!(kept(&[window(0, 9.9), window(1, 10.1), window(2, 17.2), window(3, 17.2)]), [1, 2, 3]);
        assert_eq!(kept(&[window(0, 20.0), window(1, 27.3), window(2, 27.3), window(3, 27.3)]), [2, 3]);
        assert_eq!(kept(&[window(0, 20.0), window(2, 27.3), window(3, 27.3)]), [0, 2, 3]);
        let other = physics::roughness(&signal::SignalId::new("battery.voltage").unwrap()).unwrap();
        assert_eq!(rolling(&[window(0, 5.9), window(1, 14.0)], other, 1.0).len(), 1);
        let slow = series(WHEELS[0], "km/h", 0.2, 100, |k| k as f64);
        let quick = series(WHEELS[1], "km/h", 0.01, 100, |k| k as f64);
        let members = [Member::new(&quick).unwrap(), Member::new(&slow).unwrap()];
        assert!(
            (length_s(&members) - 3.6).abs() < 1e-9 && length_s(&members[..1]) == 1.0,
            "18 intervals of the slowest"
        );
        // The middle nine tenths of 0 to 99.
        assert!((members[0].spread() - 89.0).abs() < 1.01, "{}", members[0].spread());
    }

    /// A foot moves one pedal track and the other sticks: the one that sticks is smooth, and that says nothing of the other.
    #[test]
    fn a_partner_that_sticks_is_no_partner() {
        let window = |id: i64, mean: f64, is_flat: bool| Window { id, sigma: 0.5, mean, is_flat };
        let kept = |means: [f64; 5], flat: [bool; 5]| {
            let own: Vec<Window> = means.iter().zip(0..).map(|(mean, id)| window(id, *mean, false)).collect();
            let partner: Vec<Window> = flat.iter().zip(0..).map(|(flat, id)| window(id, 20.0, *flat)).collect();
            accompanied(&own, &[&partner], 5.0).len()
        };
        assert_eq!(kept([20.0, 30.0, 40.0, 20.0, 20.0], [true; 5]), 0);
        // At rest both are flat; 5 % and three times the noise may lie between.
        assert_eq!(kept([20.0, 21.0, 20.0, 26.4, 20.0], [true; 5]), 5);
        assert_eq!(kept([20.0, 21.0, 20.0, 26.6, 20.0], [true; 5]), 0);
        assert_eq!(kept([20.0, 30.0, 40.0, 20.0, 20.0], [false; 5]), 5);
        // It sticks in the last three only.
        assert_eq!(kept([20.0, 30.0, 40.0, 20.0, 20.0], [false, false, true, true, true]), 2);

        // 20 s, 20 readings a second: the second track stays from the tenth second on, while the foot goes on.
        let foot = |k: usize| 30.0 + 15.0 * (k as f64 * 0.09).sin() + 3.0 * (k as f64 * 1.3).sin();
        let track = |id: &str, until: usize| series(id, "%", 0.05, 400, |k| (foot(k.min(until)) / 0.39).round() * 0.39);
        let found = verdicts(vec![track("pedal.position_1", 400), track("pedal.position_2", 200)]);
        assert!(found.iter().all(|(_, verdict)| *verdict != Verdict::Faulty), "{found:?}");
    }

    /// A verdict that lacks its proof is neither; where only the proof of health is lacking it may still be a fault.
    #[test]
    fn what_is_lacking_withholds() {
        let made = wheel(WHEELS[0], "km/h", 1.0, 0, 0.12);
        let member = Member::new(&made).unwrap();
        let usual = physics::roughness(&made.id).unwrap();
        let with = |odds: f64, lack: Lack| {
            let mut case = Case::new(&member, usual, Beside::Physics, None, 1.0);
            (case.log10_odds, case.lacks) = (odds, Vec::new());
            case.withhold(lack);
            case.log10_odds
        };
        for lack in
            [Lack::Rate, Lack::Time, Lack::Still, Lack::Motion, Lack::Uneven, Lack::Partner, Lack::Common, Lack::Drawn]
        {
            assert_eq!((with(-3.0, lack), with(0.5, lack), with(3.5, lack)), (-0.9, 0.5, 1.9), "{lack:?}");
        }
        for lack in [Lack::Quiet, Lack::DrawnPartner, Lack::Bursts] {
            assert_eq!((with(-3.0, lack), with(3.5, lack)), (-0.9, 3.5), "{lack:?}");
        }
        let row = |k: i64, own: f64| judge::Beside { id: k, own, reference: 0.1, floor: 0.05, mean: 50.0 };
        let of = |n: i64, own: f64| {
            let rows: Vec<judge::Beside> = (0..n).map(|k| row(k, own)).collect();
            Case::new(&member, usual, Beside::Partners(Vec::new()), judge::judge(&rows), 1.0)
        };
        assert!(of(60, 0.1).lacks.is_empty() && of(3, 0.1).lacks == [Lack::Time]);
        // Five times what is usual at 50 km/h, 0.1 and 0.2 %, hides the noise that matters.
        let hidden = |reference: f64| {
            let rows: Vec<judge::Beside> = (0..60).map(|k| judge::Beside { reference, ..row(k, reference) }).collect();
            Case::new(&member, usual, Beside::Partners(Vec::new()), judge::judge(&rows), 1.0).lacks
        };
        assert_eq!((hidden(0.69), hidden(0.72)), (vec![], vec![Lack::Quiet]));
        // Spans of what is rough, a window each second.
        let mut case = of(60, 0.9);
        case.judged.as_mut().unwrap().rough = vec![(3, 5), (9, 9)];
        assert_eq!(case.spans(), [Span { from_s: 3.0, to_s: 6.0 }, Span { from_s: 9.0, to_s: 10.0 }]);
        assert!(of(60, 0.1).spans().is_empty());
    }
}
