//! `dropout`: does one signal vanish, stick or jump for moments in a way the machine cannot?
//!
//! Three shapes of a lost value are looked for: the value jumps (to zero, to an end of its scale, to anywhere) and comes
//! back with edges that are steeper than the machine can move ([`excursion`], [`assess`]); the value stays the same while
//! witnesses or its own restless habit say that it should not ([`stuck`]). What every signal in the recording does at
//! the same moment is the recorder's doing and counts for none of them.
//!
//! The odds: [`PRIOR_LOG10_ODDS`], plus the weight of each event (bounded, see [`assess::STRONGEST`]); events that are
//! merely seldom count once per [`ONE_CAUSE_S`]. Without any event the odds fall with the exposure, which is the time in
//! which a loss of [`REFERENCE_LOSS_S`] would have been caught and recognised: a faulty contact that opens
//! [`REFERENCE_PER_S`] times a second would have stayed unseen with the probability exp(-rate * exposure). Where a value that
//! sticks is looked for beside witnesses, the odds are averaged over both kinds of fault, each with its own exposure.

mod assess;
mod event;
mod excursion;
mod exposure;
mod stuck;
mod text;
mod track;

use std::collections::BTreeMap;

use crate::examination::Examination;
use crate::{Check, Finding, Kind, Verdict};
use event::{Event, Scene};
use exposure::Exposure;
use track::Track;

/// The check's entry in the registry.
pub(crate) const CHECK: Check = Check { kind: Kind::Dropout, run };

/// Odds before the recording is looked at: even, because a drive is recorded for a complaint.
const PRIOR_LOG10_ODDS: f64 = 0.0;
/// The loss that a verdict "healthy" must have been able to see, seconds.
const REFERENCE_LOSS_S: f64 = 0.1;
/// How often it comes, per second of drive: four times a minute.
const REFERENCE_PER_S: f64 = 4.0 / 60.0;
/// Events that are merely seldom share one cause within this time, seconds (one braking, one patch of ice).
const ONE_CAUSE_S: f64 = 5.0;
/// The sum of all events counts no more than this.
const MOST: f64 = 8.0;
/// Signals of unknown physics never get beyond this: their own statistics are no proof.
const MOST_WITHOUT_PHYSICS: f64 = 1.5;
/// The value that sticks which a verdict "healthy" must have been able to see, seconds: a module that lost its sensor shows
/// the last value for about as long before it gives up (common practice, no source).
const REFERENCE_STUCK_S: f64 = 1.0;
/// Share of the faults that make a value stick and never lose it (common practice, no source). So losses that stayed away
/// alone never make a signal healthy that could also have stuck.
const STICK: f64 = 0.2;

/// Examines every signal of a recording.
fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let (tracks, too_short): (Vec<_>, Vec<_>) =
        recording.series.iter().map(|s| Track::new(s).ok_or(s)).partition(Result::is_ok);
    let mut tracks: Vec<Track<'_>> = tracks.into_iter().flatten().collect();
    track::share_cadence(&mut tracks);
    let scene = Scene::new(recording, &tracks);
    let judged = (0..tracks.len()).filter(|&k| can_be_asked(&tracks[k])).map(|k| {
        let shown = stuck::shown(&tracks[k], &tracks, exposure::stuck_needed_s(0.0), REFERENCE_STUCK_S);
        finding(&tracks[k], scene.events(k), &exposure::of(&tracks[k]), shown)
    });
    let short = too_short.into_iter().filter_map(Result::err).map(text::too_short);
    judged.chain(short).collect()
}

/// Whether the question makes sense: a signal of unknown physics that is a counter, or that never changed, gives this check
/// nothing to judge, and saying so of each would only fill the page.
fn can_be_asked(track: &Track<'_>) -> bool {
    track.dynamics.is_some() || (track.moves && !track.id().as_str().starts_with("misfire."))
}

/// Evidence of the events, in log10.
fn weigh(events: &[Event], has_physics: bool) -> f64 {
    let mut sum = 0.0;
    let mut last_seldom_s = f64::NEG_INFINITY;
    for event in events.iter().filter(|event| !event.is_common) {
        if event.is_impossible {
            sum += event.log10_lr;
        } else if event.log10_lr > 0.0 && event.span.from_s - last_seldom_s > ONE_CAUSE_S {
            sum += event.log10_lr;
            last_seldom_s = event.span.from_s;
        }
    }
    sum.min(if has_physics { MOST } else { MOST_WITHOUT_PHYSICS })
}

/// `events`: `None` where the limits do not describe the signal.
fn finding(track: &Track<'_>, events: Option<Vec<Event>>, exposure: &Exposure, shown: Option<stuck::Shown>) -> Finding {
    let is_wild = events.is_none();
    let events = events.unwrap_or_default();
    let n_common = events.iter().filter(|event| event.is_common).count();
    let own: Vec<Event> = events.into_iter().filter(|event| !event.is_common).collect();
    let mut log10_odds = PRIOR_LOG10_ODDS;
    let mut lacks_only_stuck = false;
    if !own.is_empty() {
        log10_odds += weigh(&own, track.dynamics.is_some());
    } else if n_common == 0 && !is_wild {
        let unseen = exposure::unseen(exposure.effective_s);
        // Where nothing that moves with it was recorded, sticking is not part of the question, and the statement says so.
        let shown_for_s = shown.filter(|shown| shown.has_witnesses).map(|shown| shown.for_s);
        let with_stuck = shown_for_s.map_or(unseen, |for_s| (1.0 - STICK) * unseen + STICK * exposure::unseen(for_s));
        log10_odds += with_stuck.log10().max(-3.0);
        // One value throughout is what a sensor shows that died before the drive.
        if !track.moves {
            log10_odds = log10_odds.max(Verdict::LEAST_OPEN);
        }
        lacks_only_stuck = log10_odds > -1.0 && PRIOR_LOG10_ODDS + unseen.log10() <= -1.0;
    }
    let verdict = Verdict::from_log10_odds(log10_odds);
    let told = text::Told { track, own: &own, n_common, is_wild, exposure, shown, lacks_only_stuck, verdict };
    let mut figures = BTreeMap::from([
        ("events".to_owned(), own.len() as f64),
        ("events_of_all_signals".to_owned(), n_common as f64),
        ("exposure_s".to_owned(), exposure.visible_s),
        ("effective_exposure_s".to_owned(), exposure.effective_s),
        ("shortest_always_caught_s".to_owned(), exposure.always_caught_s),
        ("odds_of_catching_100_ms".to_owned(), exposure.p_catch),
        ("prior_log10_odds".to_owned(), PRIOR_LOG10_ODDS),
    ]);
    if let Some(limits) = track.dynamics.filter(|limits| limits.fastest_per_s.is_finite()) {
        figures.insert("limit_per_s".to_owned(), limits.fastest_per_s);
    }
    if let Some(from_s) = shown.and_then(|shown| shown.from_s) {
        figures.insert("stuck_shown_from_s".to_owned(), from_s);
    }
    if let Some(worst) = text::worst(&own) {
        let shortest = own.iter().map(|event| event.at_most_s).fold(f64::INFINITY, f64::min);
        figures.insert("shortest_event_at_most_s".to_owned(), shortest);
        let longest = own.iter().map(|event| event.span.to_s - event.span.from_s).fold(0.0, f64::max);
        figures.insert("longest_event_at_least_s".to_owned(), longest);
        figures.insert("worst_depth".to_owned(), worst.level - worst.before);
        figures.insert("worst_at_s".to_owned(), worst.span.from_s);
    }
    Finding {
        kind: Kind::Dropout,
        subject: vec![track.id().to_string()],
        verdict,
        log10_odds,
        statement: told.statement(),
        figures,
        spans: own.iter().map(|event| event.span).collect(),
        alternatives: told.alternatives(),
        next: told.next(),
    }
}

#[cfg(test)]
mod tests {
    use signal::{Gap, Recording, Series};

    use super::*;
    use crate::Span;
    use crate::made::series;
    use event::Shape;

    fn event(from_s: f64, log10_lr: f64, is_impossible: bool, is_common: bool) -> Event {
        Event {
            shape: Shape::Zero,
            span: Span { from_s, to_s: from_s + 0.1 },
            at_most_s: 0.2,
            before: 50.0,
            level: 0.0,
            rate_per_s: 100.0,
            allowed_per_s: 10.0,
            log10_lr,
            is_impossible,
            is_common,
        }
    }

    #[test]
    fn what_events_add_up_to() {
        let never = |from_s, lr| event(from_s, lr, true, false);
        let seldom = |from_s, lr| event(from_s, lr, false, false);
        let of = |events: &[Event]| weigh(events, true);
        let about = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-12, "{found} for {expected}");
        about(of(&[never(1.0, 2.5), never(1.5, 1.0)]), 3.5);
        // What is merely seldom counts once in five seconds, wherever it begins; what is open does not begin it.
        about(of(&[seldom(1.0, 0.7), seldom(4.0, 0.7), seldom(6.5, 0.7)]), 1.4);
        about(of(&[seldom(1.0, 0.0), seldom(2.0, 0.7)]), 0.7);
        about(of(&[seldom(1.0, 0.7), never(2.0, 2.0), seldom(3.0, 0.7)]), 2.7);
        // What all signals did is none of this one's.
        about(of(&[event(1.0, 2.5, true, true), never(9.0, 1.0)]), 1.0);
        // More of the same never weakens; and it has an end, below proof where the physics are not known.
        about(of(&(0..9).map(|k| never(f64::from(k), 2.5)).collect::<Vec<_>>()), MOST);
        about(weigh(&(0..9).map(|k| seldom(10.0 * f64::from(k), 0.5)).collect::<Vec<_>>(), false), 1.5);
    }

    fn healthy(effective_s: f64, shown_for_s: Option<f64>) -> Finding {
        let wheel = series("wheel.speed.front_left", "km/h", 0.05, 100, |k| 50.0 + k as f64);
        let exposure = Exposure { visible_s: effective_s, effective_s, p_catch: 1.0, always_caught_s: 0.05 };
        let shown = shown_for_s.map(|for_s| stuck::Shown { from_s: None, for_s, rate_per_s: 1.0, has_witnesses: true });
        finding(&Track::new(&wheel).unwrap(), Some(Vec::new()), &exposure, shown)
    }

    /// Four losses a minute stay unseen for 60 s with exp(-4); values that stick, a fifth of the faults, with exp(-2) for 30 s:
    /// log10 of 0.8 0.018316 + 0.2 0.135335 is -1.3797.
    #[test]
    fn what_no_event_says() {
        let odds = |effective_s, shown| healthy(effective_s, shown).log10_odds;
        let about = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-4, "{found} for {expected}");
        about(odds(60.0, None), -4.0 * std::f64::consts::LOG10_E);
        about(odds(60.0, Some(30.0)), -1.3797);
        about(odds(1e5, Some(1e5)), -3.0);
        // Where sticking never could have shown the fifth stays, and is said to be all that lacks.
        about(odds(1e5, Some(0.0)), 0.2_f64.log10());
        assert_eq!(healthy(60.0, Some(0.0)).verdict, Verdict::Undecided);
        assert_eq!(healthy(exposure::needed_s() + 0.1, None).verdict, Verdict::Healthy);
        assert_eq!(healthy(exposure::needed_s() - 0.1, None).verdict, Verdict::Undecided);
    }

    /// Without partners, or where nothing looks for it, the sentence says that a value that stuck would not have shown; one
    /// value throughout is not healthy.
    #[test]
    fn what_merely_stuck_is_told() {
        let exposure = Exposure { visible_s: 90.0, effective_s: 90.0, p_catch: 1.0, always_caught_s: 0.05 };
        let judged = |id: &str, unit: &str, value: &dyn Fn(usize) -> f64| {
            let made = series(id, unit, 0.05, 100, value);
            finding(&Track::new(&made).unwrap(), Some(Vec::new()), &exposure, None)
        };
        let pressure = judged("intake.manifold_pressure", "kPa", &|k| 40.0 + (k % 9) as f64);
        assert_eq!(pressure.verdict, Verdict::Healthy);
        assert!(pressure.statement.ends_with("; a value that merely stuck would not have shown."), "{pressure:?}");
        let dead = judged("coolant.temperature", "degC", &|_| 40.0);
        assert_eq!((dead.verdict, dead.log10_odds), (Verdict::Undecided, Verdict::LEAST_OPEN));
        assert!(dead.statement.contains("nothing shows whether it is alive"), "{dead:?}");
        assert!(dead.next.iter().any(|next| next.contains("while what it measures changes")), "{dead:?}");
    }

    /// A signal that the limits do not describe, or whose only losses every signal had, is not called healthy by their absence.
    #[test]
    fn what_no_event_does_not_say() {
        let wheel = series("wheel.speed.front_left", "km/h", 0.05, 100, |k| 50.0 + k as f64);
        let track = Track::new(&wheel).unwrap();
        let exposure = Exposure { visible_s: 1e5, effective_s: 1e5, p_catch: 1.0, always_caught_s: 0.05 };
        assert_eq!(finding(&track, None, &exposure, None).log10_odds, PRIOR_LOG10_ODDS);
        let common = finding(&track, Some(vec![event(1.0, 2.5, true, true)]), &exposure, None);
        assert_eq!((common.log10_odds, common.spans.len()), (PRIOR_LOG10_ODDS, 0));
        assert_eq!((common.figures["events"], common.figures["events_of_all_signals"]), (0.0, 1.0));
    }

    #[test]
    fn figures_of_events() {
        let wheel = series("wheel.speed.front_left", "km/h", 0.05, 100, |k| 50.0 + k as f64);
        let exposure = Exposure { visible_s: 90.0, effective_s: 80.0, p_catch: 1.0, always_caught_s: 0.05 };
        let worst = Event {
            before: 60.0,
            level: 5.0,
            at_most_s: 0.6,
            span: Span { from_s: 9.0, to_s: 9.5 },
            ..event(9.0, 2.5, true, false)
        };
        let found =
            finding(&Track::new(&wheel).unwrap(), Some(vec![event(1.0, 0.6, true, false), worst]), &exposure, None);
        assert!((found.log10_odds - 3.1).abs() < 1e-12 && found.verdict == Verdict::Faulty);
        let figure = |name: &str| (found.figures[name] * 1e6).round() / 1e6;
        assert_eq!(["events", "exposure_s", "effective_exposure_s"].map(figure), [2.0, 90.0, 80.0]);
        assert_eq!(["shortest_event_at_most_s", "longest_event_at_least_s"].map(figure), [0.2, 0.5]);
        assert_eq!(["worst_depth", "worst_at_s"].map(figure), [-55.0, 9.0]);
    }

    #[test]
    fn who_is_asked() {
        let asked = |id: &str, unit: &str, by: f64| {
            can_be_asked(&Track::new(&series(id, unit, 0.1, 50, |k| by * k as f64)).unwrap())
        };
        assert!(asked("wheel.speed.front_left", "km/h", 0.0) && asked("custom.level", "1", 1.0));
        assert!(!asked("custom.level", "1", 0.0) && !asked("misfire.cylinder_1", "count", 1.0));
    }

    const WHEEL: &str = "wheel.speed.front_left";

    /// A signal that trembles a little, and is lost at its samples `lost` from 0 to 399.
    fn moving(id: &str, unit: &str, level: f64, lost: std::ops::Range<usize>, to: f64) -> Series {
        series(
            id,
            unit,
            0.02,
            400,
            |k| if lost.contains(&k) { to } else { level * (1.0 + 1e-3 * (k * 37 % 11) as f64) },
        )
    }

    fn events(series: Vec<Series>, gaps: Vec<Gap>) -> Vec<Option<Vec<Event>>> {
        let recording = Recording { series, gaps, ..Recording::default() };
        let tracks: Vec<Track<'_>> = recording.series.iter().map(|s| Track::new(s).unwrap()).collect();
        let scene = Scene::new(&recording, &tracks);
        (0..tracks.len()).map(|k| scene.events(k)).collect()
    }

    fn is_common(series: Vec<Series>) -> bool {
        let events = events(series, Vec::new())[0].clone().unwrap();
        assert_eq!(events.len(), 1);
        events[0].is_common
    }

    #[test]
    fn what_every_signal_does_is_the_recorder() {
        let at = || 200..203;
        let none = || 0..0;
        let wheel = |id: &str, lost| moving(id, "km/h", 50.0, lost, 0.0);
        let engine = |lost| moving("engine.speed", "rpm", 2000.0, lost, 0.0);
        let pedal = |lost| moving("pedal.position_1", "%", 40.0, lost, 0.0);
        assert!(!is_common(vec![wheel(WHEEL, at())]), "alone it accuses itself");
        assert!(is_common(vec![wheel(WHEEL, at()), engine(at())]));
        assert!(!is_common(vec![wheel(WHEEL, at()), engine(none())]));
        // Five samples earlier, or later, is not the same moment; one is, since samples are read in turn.
        assert!(is_common(vec![wheel(WHEEL, at()), engine(201..204)]));
        assert!(!is_common(vec![wheel(WHEEL, at()), engine(194..197)]));
        assert!(!is_common(vec![wheel(WHEEL, at()), engine(206..209)]));
        assert!(!is_common(vec![wheel(WHEEL, at()), engine(200..210)]), "nor is what lasted longer");
        // Four in five kinds must do it: each kind has one vote, and all of it must agree.
        assert!(!is_common(vec![wheel(WHEEL, at()), engine(at()), pedal(none())]));
        let others = ["wheel.speed.front_right", "wheel.speed.rear_left", "wheel.speed.rear_right"];
        let with_wheels = |lost: [std::ops::Range<usize>; 3], pedal_lost| {
            let wheels = others.iter().zip(lost).map(|(id, lost)| wheel(id, lost));
            is_common([wheel(WHEEL, at()), pedal(pedal_lost)].into_iter().chain(wheels).collect())
        };
        assert!(with_wheels([at(), at(), at()], at()));
        assert!(!with_wheels([at(), at(), at()], none()), "one vote of two");
        assert!(!with_wheels([at(), at(), none()], at()), "a wheel that went on");
        // Who could not have shown it abstains.
        let standing = moving("engine.speed", "rpm", 0.0, none(), 0.0);
        assert!(is_common(vec![wheel(WHEEL, at()), pedal(at()), standing]));
    }

    #[test]
    fn the_shape_and_place_of_a_loss() {
        let one =
            |to: f64, gaps: Vec<Gap>| events(vec![moving(WHEEL, "km/h", 50.0, 200..203, to)], gaps)[0].clone().unwrap();
        let zero = &one(0.0, Vec::new())[0];
        assert_eq!((zero.shape, zero.level, zero.before.round()), (Shape::Zero, 0.0, 50.0));
        assert!((zero.span.from_s - 4.0).abs() < 1e-9 && (zero.span.to_s - 4.04).abs() < 1e-9, "{:?}", zero.span);
        assert!((zero.at_most_s - 0.08).abs() < 1e-9, "from the last good sample to the first");
        assert_eq!(one(300.0, Vec::new())[0].shape, Shape::EndOfScale);
        assert_eq!(one(-40.0, Vec::new())[0].shape, Shape::EndOfScale);
        assert_eq!(one(20.0, Vec::new())[0].shape, Shape::Jump);
        // The recorder knows of a hole there: from the good sample at 3.98 s to that at 4.06 s.
        let gap = |from_ms: i64, to_ms: i64| Gap {
            from_ns: from_ms * 1_000_000,
            to_ns: to_ms * 1_000_000,
            reason: String::new(),
        };
        for (from_ms, to_ms, is_lost) in
            [(3900, 3979, true), (3900, 3990, false), (4050, 4200, false), (4061, 4200, true)]
        {
            assert_eq!(one(0.0, vec![gap(from_ms, to_ms)]).len(), usize::from(is_lost), "{from_ms} to {to_ms} ms");
        }
    }

    /// Two wheels that rise by 0.5 km/h per second while a third stays for five seconds, where it was or far below.
    #[test]
    fn a_value_that_stuck_is_one_event() {
        let of = |stays_at: f64, gaps: Vec<Gap>| {
            let ids = [WHEEL, "wheel.speed.front_right", "wheel.speed.rear_left"];
            let wheels = ids.map(|id| {
                let stays = |k: usize| id == WHEEL && (400..440).contains(&k);
                series(id, "km/h", 0.125, 800, |k| if stays(k) { stays_at } else { 35.0 + 0.0625 * k as f64 })
            });
            let events = events(wheels.into(), gaps)[0].clone().unwrap();
            events.iter().map(|e| (e.shape, e.span.from_s, e.at_most_s)).collect::<Vec<_>>()
        };
        assert_eq!(of(60.0, Vec::new()), [(Shape::Stuck, 50.0, 5.0)]);
        assert_eq!(of(20.0, Vec::new()), [(Shape::Jump, 50.0, 5.125)], "one loss is told once");
        let gap = Gap { from_ns: 52_000_000_000, to_ns: 53_000_000_000, reason: String::new() };
        assert_eq!(of(60.0, vec![gap]), []);
    }

    /// Whatever the unit and the start of the clock: the same verdicts, at the same places of the drive.
    #[test]
    fn units_and_clocks_change_nothing() {
        let told = |unit: &str, factor: f64, offset_s: i64| {
            let ids = [WHEEL, "wheel.speed.front_right", "wheel.speed.rear_left"];
            let wheels = ids.into_iter().enumerate().map(|(which, id)| {
                let lost = |k: usize| which == 1 && ((700..705).contains(&k) || (1100..1103).contains(&k));
                let mut wheel = series(id, unit, 0.05, 1500, |k| {
                    let slow = 15.0 * (k as f64 / 180.0).sin() + 0.02 * ((k * 7919 + which * 13) % 17) as f64;
                    if lost(k) { 0.0 } else { (50.0 + slow) * factor }
                });
                wheel.t_ns.iter_mut().for_each(|t| *t += offset_s * 1_000_000_000);
                wheel
            });
            let recording = Recording { series: wheels.collect(), ..Recording::default() };
            let all = run(&Examination::new(&recording));
            let shift = offset_s as f64;
            all.into_iter()
                .map(|f| (f.verdict, f.log10_odds, f.spans.first().map(|s| s.from_s - shift)))
                .collect::<Vec<_>>()
        };
        let plain = told("km/h", 1.0, 0);
        assert_eq!(
            plain.iter().map(|f| f.0).collect::<Vec<_>>(),
            [Verdict::Healthy, Verdict::Faulty, Verdict::Healthy]
        );
        for other in [told("m/s", 1.0 / 3.6, 0), told("km/h", 1.0, 5000)] {
            for (a, b) in plain.iter().zip(&other) {
                assert!(a.0 == b.0 && (a.1 - b.1).abs() < 1e-3, "{a:?} {b:?}");
                assert!(a.2.zip(b.2).is_none_or(|(a, b)| (a - b).abs() < 1e-6) && a.2.is_some() == b.2.is_some());
            }
        }
        assert!((plain[1].2.unwrap() - 35.0).abs() < 1e-6);
    }
}
