//! Whole drives of a few minutes whose counts are known, without chance.

use super::engine::tests::drive;
use super::*;
use crate::Verdict;
use crate::proof::Outcome;

/// Firings of a cylinder per second at 2000 rpm.
const PER_S: f64 = 2000.0 / 120.0;

/// Seconds at 2000 rpm and 40 % load in which each cylinder has missed so many firings until each moment.
fn driven(seconds: u32, missed: &[(usize, &dyn Fn(f64) -> f64)]) -> Recording {
    let mut recording = drive(seconds, &[("engine.speed", "rpm", &|_| 2000.0), ("engine.load", "%", &|_| 40.0)]);
    for (number, missed) in missed {
        recording.series.extend(drive(seconds, &[(&format!("{PREFIX}{number}"), "count", *missed)]).series);
    }
    recording
}

/// The same with shares of the firings, evenly missed.
fn even(seconds: u32, shares: &[(usize, f64)]) -> Recording {
    let missed: Vec<Box<dyn Fn(f64) -> f64>> =
        shares.iter().map(|&(_, share)| Box::new(move |t: f64| (share * PER_S * t + 1e-6).floor()) as Box<_>).collect();
    driven(seconds, &shares.iter().map(|s| s.0).zip(missed.iter().map(AsRef::as_ref)).collect::<Vec<_>>())
}

fn of_four(shares: [f64; 4]) -> Recording {
    even(240, &[(1, shares[0]), (2, shares[1]), (3, shares[2]), (4, shares[3])])
}

fn found(recording: &Recording) -> Vec<Finding> {
    run(&Examination::new(recording))
}

fn verdicts(recording: &Recording) -> Vec<Verdict> {
    found(recording).iter().map(|finding| finding.verdict).collect()
}

use Verdict::{Faulty, Healthy, Undecided};

#[test]
fn who_misses_is_accused_with_the_right_numbers() {
    let findings = found(&of_four([0.0, 0.05, 0.0, 0.0]));
    let said: Vec<Verdict> = findings.iter().map(|finding| finding.verdict).collect();
    assert_eq!(said, [Healthy, Faulty, Healthy, Healthy]);
    // 240 s are 4000 firings, of which a twentieth is 200; a quarter of that of all firings.
    for (name, value) in [
        ("misfires", 200.0),
        ("own_firings", 4000.0),
        ("missed_percent_of_own_firings", 5.0),
        ("firings", 16_000.0),
        ("rate_per_1000_firings", 12.5),
        ("most_in_1000_revolutions", 25.0),
        ("worst_1000_revolutions_percent_of_engine", 1.25),
        ("dispersion", 1.0),
    ] {
        assert!((findings[1].figures[name] / value - 1.0).abs() < 0.01, "{name}: {}", findings[1].figures[name]);
    }
    assert_eq!((findings[1].subject[0].as_str(), &findings[0].spans), ("misfire.cylinder_2", &vec![]));
    // Garwood's interval of 3 events, 0.6187 to 8.7673, in 4000 firings.
    let three = &found(&of_four([0.0, 0.00076, 0.0, 0.0]))[1].figures;
    assert_eq!(three["misfires"], 3.0);
    let (low, high) = (three["missed_percent_of_own_firings_low"], three["missed_percent_of_own_firings_high"]);
    assert!((low - 0.6187 / 40.0).abs() < 1e-4 && (high - 8.7673 / 40.0).abs() < 1e-4, "{low} {high}");
}

/// What more than half of the cylinders do alike is common to them, and nobody is accused.
#[test]
fn what_most_cylinders_do_is_common_to_them() {
    assert_eq!(verdicts(&of_four([0.05; 4])), [Undecided; 4]);
    assert_eq!(verdicts(&of_four([0.05, 0.05, 0.05, 0.0])), [Undecided, Undecided, Undecided, Healthy]);
    assert_eq!(verdicts(&of_four([0.05, 0.05, 0.0, 0.0])), [Faulty, Faulty, Healthy, Healthy]);
    // One of them has more than half of the misfires, or just half.
    assert_eq!(verdicts(&of_four([0.21, 0.05, 0.05, 0.05]))[0], Faulty);
    assert_eq!(verdicts(&of_four([0.12, 0.05, 0.05, 0.05]))[0], Undecided);
    assert!(found(&of_four([0.05; 4])).iter().all(|finding| finding.log10_odds <= 1.9));
}

/// How many cylinders the engine has is known where all up to the highest number were recorded, and three at least.
#[test]
fn how_many_cylinders_there_are() {
    let n = |numbers: &[usize]| {
        let shares: Vec<(usize, f64)> = numbers.iter().map(|number| (*number, 0.0)).collect();
        Cylinders::of(&even(5, &shares)).n_cylinders()
    };
    assert_eq!([n(&[1, 2, 3]), n(&[1, 2, 3, 4, 5, 6])], [Some(3), Some(6)]);
    assert_eq!([n(&[1, 2]), n(&[1, 3, 4]), n(&[2, 3, 4]), n(&[])], [None; 4]);
    let mut recording = even(5, &[(1, 0.0), (2, 0.0), (3, 0.0)]);
    recording.series[3].value[2] = f64::NAN;
    recording.series[4].value.fill(0.5);
    let cylinders = Cylinders::of(&recording);
    assert_eq!((cylinders.n_cylinders(), &cylinders.unreadable), (Some(3), &vec![3]));
    assert!(cylinders.find(2).is_some_and(|c| c.number == 2) && cylinders.find(3).is_none());
}

/// Twenty and more in 1000 revolutions are one percent of the firings of four cylinders: the stretch is named.
#[test]
fn a_stretch_of_misfires_is_found_at_its_place() {
    let burst = |n: f64| {
        let missed = move |t: f64| (n / 5.0 * (t - 300.0).clamp(0.0, 5.0) + 1e-6).floor();
        found(&driven(600, &[(1, &missed), (2, &|_| 0.0), (3, &|_| 0.0), (4, &|_| 0.0)])).remove(0)
    };
    let found = burst(24.0);
    assert_eq!(found.verdict, Faulty);
    assert!((found.spans[0].from_s - 300.0).abs() < 0.5 && (found.spans[0].to_s - 305.0).abs() < 0.5, "{found:?}");
    assert!(found.statement.contains("24 of them in one stretch of"), "{}", found.statement);
    let figure = |name: &str| found.figures[name];
    assert_eq!((figure("most_in_1000_revolutions"), figure("most_in_200_revolutions")), (24.0, 24.0));
    assert!((figure("worst_1000_revolutions_percent_of_engine") - 1.2).abs() < 1e-9);
    assert!((figure("worst_200_revolutions_percent_of_engine") - 6.0).abs() < 1e-9);
    assert!(!burst(19.0).statement.contains("in one stretch of"));
}

/// A counter that stands at its end of scale proves nobody sound, and nobody at fault by a few misfires before: it stops with
/// one. A counter that jumps proves neither.
#[test]
fn counters_that_cannot_be_followed_decide_nothing() {
    let full = |t: f64| (250.0 + t * 1.3).floor().min(255.0);
    let jumps = |t: f64| [37.3, 95.1, 171.8].iter().map(|at| if t > *at { 300.0 } else { 0.0 }).sum();
    let findings = found(&driven(240, &[(1, &full), (2, &jumps), (3, &|_| 0.0), (4, &|_| 0.0)]));
    assert_eq!(findings.iter().map(|f| f.verdict).collect::<Vec<_>>(), [Undecided, Undecided, Healthy, Healthy]);
    assert!(findings[0].alternatives.iter().any(|text| text.contains("end of scale")));
    // 255 misfires in three minutes, and none of the others, are no matter of the one with which it stops.
    let from_zero = |t: f64| (t * 1.3).floor().min(255.0);
    let counted = found(&driven(240, &[(1, &from_zero), (2, &|_| 0.0), (3, &|_| 0.0), (4, &|_| 0.0)]));
    assert_eq!(counted[0].verdict, Faulty, "{:?}", counted[0]);
    assert!(findings[1].log10_odds < 0.0, "what was left out speaks against nobody");
    assert!(findings[1].alternatives.iter().any(|text| text.contains("3 times by more than can be missed")));
}

/// Nine in 13 333 are too few to matter, but by chance all nine are hardly those of one cylinder of four: 0.25^9.
#[test]
fn a_cylinder_that_stands_out_is_not_sound() {
    let findings = found(&even(800, &[(1, 9.5 / (800.0 * PER_S)), (2, 0.0), (3, 0.0), (4, 0.0)]));
    assert_eq!(findings.iter().map(|f| f.verdict).collect::<Vec<_>>(), [Undecided, Healthy, Healthy, Healthy]);
    assert!(findings[0].statement.contains("clearly more than they, but seldom"), "{}", findings[0].statement);
    let alike = found(&even(800, &[(1, 9.5 / (800.0 * PER_S)), (2, 6.5 / (800.0 * PER_S)), (3, 0.0), (4, 0.0)]));
    assert_eq!(alike.iter().map(|f| f.verdict).collect::<Vec<_>>(), [Healthy; 4], "{alike:?}");
}

/// 0.8 % of a cylinder alone are below what accuses it alone, and no occasional count: whether the others miss as many is open.
#[test]
fn a_cylinder_alone_is_sound_only_by_an_occasional_rate() {
    let alone = |share: f64| found(&even(600, &[(1, share)])).remove(0);
    assert_eq!([0.0, 0.0005, 0.008, 0.05].map(|share| alone(share).verdict), [Healthy, Healthy, Undecided, Faulty]);
    assert_eq!(alone(0.008).next, ["record the counters of the other cylinders"]);
    let beside = found(&even(600, &[(1, 0.008), (2, 0.0), (3, 0.0), (4, 0.0)]));
    assert_eq!(beside[0].verdict, Faulty, "{:?}", beside[0]);
}

/// Idle is told by the engine speed, whatever stands for its load; a verdict names what it does not cover.
#[test]
fn what_a_healthy_verdict_covers() {
    let mut recording = of_four([0.0; 4]);
    let idle = |t: &i64| *t < 60_000_000_000;
    recording.series[0].value = recording.series[0].t_ns.iter().map(|t| if idle(t) { 900.0 } else { 2000.0 }).collect();
    let sound = found(&recording).remove(0);
    // 60 s at 900 rpm are 450 firings, less the tenth in which the speed changes.
    assert!(
        sound.statement.contains("449 of them were at idle or load below 35 %, 0 above 60 %"),
        "{}",
        sound.statement
    );
    assert!(sound.statement.ends_with("so that this says nothing of load above 60 %."), "{}", sound.statement);
    // Three hundred firings exclude one in a hundred: at 2000 rpm in 18 s.
    assert_eq!(sound.next, ["if the complaint belongs there: 18 more seconds at 2000 rpm with load above 60 %"]);
}

fn beside(recording: &Recording, code: &str, speed_rpm: f64, load_pct: Option<f64>) -> Vec<Finding> {
    let mut findings = found(recording);
    let frame = MisfireFrame::of(code, Condition { speed_rpm, load_pct }).unwrap();
    beside_freeze_frames(recording, &[frame], &mut findings);
    findings
}

/// "Similar conditions": within 375 rpm and 20 % load of the frame.
#[test]
fn a_freeze_frame_is_near_or_not() {
    let sound = of_four([0.0; 4]);
    for (rpm, load, is_near) in [
        (2000.0, Some(40.0), true),
        (1626.0, None, true),
        (1624.0, None, false),
        (2374.0, None, true),
        (2376.0, None, false),
        (2000.0, Some(21.0), true),
        (2000.0, Some(19.0), false),
        (2000.0, Some(59.0), true),
        (2000.0, Some(61.0), false),
    ] {
        let findings = beside(&sound, "P0302", rpm, load);
        let expected = if is_near { Healthy } else { Undecided };
        assert_eq!(findings[1].verdict, expected, "{rpm} {load:?}");
        assert_eq!(findings[0].verdict, Healthy, "the code is of cylinder 2");
        assert_eq!(findings[1].figures["freeze_frame_seconds"].round(), if is_near { 240.0 } else { 0.0 });
        assert_eq!(findings[1].statement.contains("never came near"), !is_near);
    }
    assert_eq!(beside(&sound, "P0300", 5000.0, None).iter().filter(|f| f.verdict == Undecided).count(), 4);
    // 500 firings at 2376 rpm take 25.3 s.
    let next = &beside(&sound, "P0302", 2376.0, None)[1].next[0];
    assert!(next.starts_with("26 more seconds at 2001 to 2751 rpm, where P0302"), "{next}");
}

#[test]
fn what_was_missed_near_a_freeze_frame() {
    // 20 s at 3000 rpm are 500 firings, 18 s are 450; the rest at 2000 rpm.
    let at = |seconds: f64, missed: &dyn Fn(f64) -> f64| {
        let mut recording = driven(200, &[(1, missed), (2, &|_| 0.0), (3, &|_| 0.0)]);
        let speed = recording.series[0].t_ns.iter().map(|t| if *t as f64 <= seconds * 1e9 { 3000.0 } else { 2000.0 });
        recording.series[0].value = speed.collect();
        beside(&recording, "P0301", 3000.0, None).remove(0)
    };
    let none: &dyn Fn(f64) -> f64 = &|_| 0.0;
    assert_eq!((at(20.1, none).verdict, at(18.0, none).verdict), (Healthy, Undecided));
    assert!(at(18.0, none).next[0].starts_with("2 more seconds at 2625 to 3375 rpm"), "{:?}", at(18.0, none).next);
    let all_there = at(20.1, &|t| (t / 2.0).floor().min(9.0));
    assert!(all_there.statement.contains("it missed 9 of 50"), "{}", all_there.statement);
    assert!(
        all_there.statement.ends_with("elsewhere 0 of 2997: more often there, as the frame says."),
        "{}",
        all_there.statement
    );
    let evenly = at(20.1, &|t| (t / 2.0).floor());
    assert!(evenly.statement.ends_with("no more often there than by chance."), "{}", evenly.statement);
    // The absolute load is another number than the one in the frame.
    let mut other = of_four([0.0; 4]);
    other.series[1].id = signal::SignalId::new("engine.absolute_load").unwrap();
    let other = beside(&other, "P0301", 2000.0, Some(90.0)).remove(0);
    assert_eq!((other.verdict, &other.next[0][..27]), (Undecided, "record engine.load too: the"));
    assert!(other.statement.contains("at whatever load, it missed none of 4000 firings"), "{}", other.statement);
    let code = |code: &str| MisfireFrame::of(code, Condition { speed_rpm: 1.0, load_pct: None }).map(|f| f.cylinder);
    assert_eq!(
        ["P0300", "P0301", "P0312", "P0313", "P0420"].map(code),
        [Some(None), Some(Some(1)), Some(Some(12)), None, None]
    );
}

/// 500 firings at 2000 rpm take 30 s; what several drives show adds up.
#[test]
fn a_repair_is_proven_by_what_was_driven_since() {
    let before = of_four([0.0, 0.05, 0.0, 0.0]);
    let repair = Repair::of(&[&before], 2).unwrap();
    assert_eq!((repair.before.count.events, repair.before.count.exposure.round()), (200, 4000.0));
    assert!((repair.needed_s - 30.0).abs() < 1e-6 && (repair.speed_rpm - 2000.0).abs() < 1e-6, "{repair:?}");
    assert_eq!(
        (repair.bounds(), repair.signals()),
        (vec![], vec!["engine.speed".to_owned(), "engine.load".to_owned()])
    );
    assert_eq!((Repair::of(&[&before], 1), Repair::of(&[&before], 5)), (None, None));
    let twice = Repair::of(&[&before, &before], 2).unwrap();
    assert_eq!((twice.before.count.events, twice.before.count.exposure.round()), (400, 8000.0));

    let (fifteen, thirty) = (even(15, &[(2, 0.0), (3, 0.0)]), even(30, &[(2, 0.0), (3, 0.0)]));
    let half = repair.progress(&fifteen, 2);
    assert_eq!((half.proof.outcome, half.lacking_s.round(), half.collected_s.round()), (Outcome::NotYet, 15.0, 15.0));
    assert_eq!(
        half.statement,
        "0 misfires in 250 firings of cylinder 2 at any speed: 15 more seconds there without a misfire are needed."
    );
    assert_eq!(repair.progress(&thirty, 2).proof.outcome, Outcome::Gone);
    let both = repair.progress_over(&[(&fifteen, 2), (&fifteen, 3)]);
    assert_eq!((both.proof.outcome, both.lacking_s), (Outcome::Gone, 0.0));
    assert_eq!(
        both.statement,
        "0 misfires in 500 firings of cylinder 2 and 3 at any speed: the old rate of 5.00 % is gone (95 %)."
    );
    assert_eq!(repair.progress(&before, 2).proof.outcome, Outcome::Still);
    assert_eq!(repair.progress_over(&[]).collected_s, 0.0);
    // Where it fails under load, only driving under load counts.
    let mut loaded = even(240, &[(2, 0.0)]);
    let half_way = |t: &i64| *t > 120_000_000_000;
    loaded.series[1].value = loaded.series[1].t_ns.iter().map(|t| if half_way(t) { 80.0 } else { 40.0 }).collect();
    loaded.series[2].value =
        loaded.series[2].t_ns.iter().map(|t| (((t - 120_000_000_000) / 1_000_000_000).max(0)) as f64).collect();
    let repair = Repair::of(&[&loaded], 2).unwrap();
    let bounds: Vec<_> = repair.bounds().into_iter().map(|it| (it.signal, it.unit, it.from, it.to)).collect();
    assert_eq!(bounds, [("engine.load".to_owned(), "%".to_owned(), Some(80.0), None)]);
    assert_eq!(repair.progress(&thirty, 2).collected_s, 0.0);
}
