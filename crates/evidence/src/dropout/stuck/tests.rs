//! Intervals are powers of two of a second, so that every time and every slope is exact.

use signal::Series;

use super::*;
use crate::made::series;

const EIGHTH_S: f64 = 0.125;
const WHEEL: &str = "wheel.speed.front_left";
const OTHER: &str = "wheel.speed.front_right";
const THIRD: &str = "wheel.speed.rear_left";

fn about(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-4, "{found} for {expected}");
}

/// A signal that rises by `per_s`, 50 at 100 s, and stays for the samples 800 to 839: 5 s.
fn rising(id: &str, unit: &str, per_s: f64, sticks: bool) -> Series {
    series(id, unit, EIGHTH_S, 1600, |k| {
        let k = if sticks && (800..840).contains(&k) { 800 } else { k };
        50.0 + per_s * (EIGHTH_S * k as f64 - 100.0)
    })
}

/// Evidence of witnesses for the run of samples 800 to 839, and how far they moved.
fn beside(all: &[&Series]) -> Option<(f64, f64)> {
    let tracks: Vec<Track<'_>> = all.iter().map(|s| Track::new(s).unwrap()).collect();
    beside_witnesses(&tracks[0], &tracks.iter().skip(1).collect::<Vec<_>>(), Run { first: 800, next: 840 })
}

/// By hand for speeds that rise by 0.5 km/h per second: compared are 100.25 s (the second sample after 100.1 s, the age of a
/// stamp) and 104.625 s (the second before 104.875 s, the first after a refresh less than the run's last): 4.375 s, 2.1875 km/h.
/// At 50 km/h two sound wheels may differ by 0.5 + 1 km/h: 0.3 + 3 log10(2.1875 / 1.5) = 0.7916.
#[test]
fn witnesses_that_moved_on() {
    for per_s in [0.5, -0.5] {
        let own = rising(WHEEL, "km/h", per_s, true);
        let (a, b) = (rising(OTHER, "km/h", per_s, false), rising(THIRD, "km/h", per_s, false));
        let (log10_lr, moved) = beside(&[&own, &a, &b]).unwrap();
        about(moved, 2.1875);
        about(log10_lr, 0.7916);
        assert_eq!(beside(&[&own, &b, &a]), Some((log10_lr, moved)), "in any order");
        // The least of the movements counts.
        let quicker = rising(THIRD, "km/h", 2.0 * per_s, false);
        about(beside(&[&own, &a, &quicker]).unwrap().1, 2.1875);
        about(beside(&[&own, &quicker, &a]).unwrap().1, 2.1875);
        let against = rising(THIRD, "km/h", -per_s, false);
        assert!(beside(&[&own, &a, &against]).is_none() && beside(&[&own, &against, &a]).is_none());
        let standing = rising(THIRD, "km/h", 0.0, false);
        assert!(beside(&[&own, &a, &standing]).is_none() && beside(&[&own, &standing, &a]).is_none());
    }
    let of = |per_s: f64, n: usize| {
        let all = [
            rising(WHEEL, "km/h", per_s, true),
            rising(OTHER, "km/h", per_s, false),
            rising(THIRD, "km/h", per_s, false),
        ];
        beside(&all.iter().take(n).collect::<Vec<_>>())
    };
    // 8.75 km/h: 0.3 + 3 log10(8.75 / 1.5) = 2.5978 is more than one stretch may say; one witness may be the wrong one.
    about(of(2.0, 3).unwrap().0, STRONGEST);
    about(of(2.0, 2).unwrap().0, ONE_WITNESS);
    // 1.3125 km/h is less than two wheels may differ by, and no car moves by more than 1 g, 35.3 km/h per second.
    assert!(of(0.3, 3).is_none());
    assert!(of(32.0, 3).is_some() && of(64.0, 3).is_none());
    assert!(of(2.0, 1).is_none(), "nobody to compare with");
    // Tracks of a pedal differ by 5 %: 6.5625 %, 0.3 + 3 log10(6.5625 / 5) = 0.6543; one is enough to say it.
    let pedals = [rising("pedal.position_1", "%", 1.5, true), rising("pedal.position_2", "%", 1.5, false)];
    let (log10_lr, moved) = beside(&[&pedals[0], &pedals[1]]).unwrap();
    about(moved, 6.5625);
    about(log10_lr, 0.6543);
}

/// What stuck is at once where the others are; what did not move stays where it was.
#[test]
fn what_stuck_catches_up() {
    let witness = [rising(OTHER, "km/h", 0.5, false), rising(THIRD, "km/h", 0.5, false)];
    let behind = |share: f64| {
        let own = series(WHEEL, "km/h", EIGHTH_S, 1600, |k| {
            let rise = 0.5 * (EIGHTH_S * k as f64 - 100.0);
            50.0 + match k {
                ..800 => rise,
                800..840 => 0.0,
                _ => rise - (1.0 - share) * 2.5,
            }
        });
        beside(&[&own, &witness[0], &witness[1]])
    };
    // Half of 2.1875 km/h must be made up for, in the second sample behind at the latest (0.0625 km/h more by itself).
    assert!(behind(1.0).is_some() && behind(0.45).is_some());
    assert!(behind(0.38).is_none() && behind(-1.0).is_none());
}

/// A difference that grows by 0.02 km/h per second changes by 0.02 lag; three times that is hardly ever exceeded.
#[test]
fn how_differently_two_wheels_change_in_this_drive() {
    let (own, other) = (rising(WHEEL, "km/h", 0.5, false), rising(OTHER, "km/h", 0.52, false));
    let (own, other) = (Track::new(&own).unwrap(), Track::new(&other).unwrap());
    for lag_s in [1.0, 4.75] {
        let found = usual_difference(&own, &other, lag_s).unwrap();
        // One sample more or less.
        assert!((found - 3.0 * 0.02 * lag_s).abs() < 3.0 * 0.02 * EIGHTH_S + 1e-9, "{lag_s}: {found}");
        assert_eq!(usual_difference(&other, &own, lag_s), Some(found));
    }
    // With the learned 0.06 4.75 = 0.285 in place of 1.5 km/h: 0.3 + 3 log10(2.1875 / 0.285) = 2.96, of which a drive by itself
    // teaches 1.2.
    let sticks = rising(WHEEL, "km/h", 0.5, true);
    let (a, b) = (rising(OTHER, "km/h", 0.52, false), rising(THIRD, "km/h", 0.5, false));
    about(beside(&[&sticks, &a, &b]).unwrap().0, LEARNED);
    // Less clear: differences of 0.1 km/h per second, 1.5 lag 0.1 3 = 1.425 km/h, just below what may differ anywhere, and the
    // slower witness moved by 2.1875: 0.3 + 3 log10(2.1875 / 1.425) = 0.858.
    let c = rising(THIRD, "km/h", 0.6, false);
    let found = beside(&[&sticks, &rising(OTHER, "km/h", 0.5, false), &c]).unwrap().0;
    assert!((0.80..0.95).contains(&found), "{found}");
    // At rest for more than half of the drive nothing is learned.
    let part = |moving: usize| {
        series(WHEEL, "km/h", EIGHTH_S, 1600, move |k| if k < moving { 50.0 + (k % 7) as f64 } else { 0.0 })
    };
    let known = |moving: usize| {
        let (a, b) = (part(moving), part(moving));
        usual_difference(&Track::new(&a).unwrap(), &Track::new(&b).unwrap(), 1.0).is_some()
    };
    assert!(known(900) && !known(700));
}

#[test]
fn steps_and_noise() {
    // Changes of one step are no noise: 0.25; changes of three steps are two of noise, three times: 0.25 + 3 0.5.
    let of = |change: f64| {
        let made = series(WHEEL, "km/h", EIGHTH_S, 400, |k| {
            50.0 + if k < 20 { 0.25 * (k % 2) as f64 } else { change * (k % 2) as f64 }
        });
        noise(&Track::new(&made).unwrap())
    };
    about(of(0.25), 0.25);
    about(of(0.75), 0.25 + 3.0 * 0.5);
    about(may_differ(Family::Speed, 50.0), 1.5);
    about(may_differ(Family::Speed, -50.0), 1.5);
    about(may_differ(Family::Pedal, 50.0), 5.0);
    let three =
        series(WHEEL, "km/h", EIGHTH_S, 12, |k| [3.0, 9.0, 5.0, 1.0, 7.0, 7.0, 2.0, 8.0, 8.0, 8.0, 4.0, 6.0][k]);
    let middles: Vec<f64> = (0..10).map(|k| middle(&Track::new(&three).unwrap(), k)).collect();
    assert_eq!(middles, [5.0, 5.0, 5.0, 7.0, 7.0, 7.0, 8.0, 8.0, 8.0, 6.0]);
}

#[test]
fn what_rests_by_nature() {
    let at = |id: &str, value: f64| {
        let made = series(id, "%", EIGHTH_S, 100, |k| if k % 20 < 10 { 15.0 } else { 60.0 });
        let track = Track::new(&made).unwrap();
        is_at_rest(&track, track.family().unwrap(), value)
    };
    assert!(at("pedal.position_1", 17.9) && !at("pedal.position_1", 18.1), "3 % above where it rested for a second");
    assert!(at("pedal.position_1", 98.1) && !at("pedal.position_1", 97.9));
    let family = |family, value| is_at_rest(&Track::new(&rising(WHEEL, "km/h", 0.5, false)).unwrap(), family, value);
    assert!(
        family(Family::Pedal, 1.9) && !family(Family::Pedal, 2.1),
        "one that never rested has the ends of its range"
    );
    assert!(family(Family::Speed, 9.9) && !family(Family::Speed, 10.0));
    assert!(family(Family::Engine, 399.0) && !family(Family::Engine, 400.0));
    // Of a run: more than three refreshes, however long, and no hole at its end; at the end of the recording five seconds.
    let mut own = rising(WHEEL, "km/h", 0.5, false);
    let long = |own: &Series, n: usize| is_long(&Track::new(own).unwrap(), Run { first: 100, next: 100 + n });
    assert!(!long(&own, 3) && long(&own, 4) && long(&own, 239) && long(&own, 1499));
    let open = |first: usize| is_long(&Track::new(&own).unwrap(), Run { first, next: 1600 });
    assert!(open(1558) && !open(1559), "the last sample is the 1600th");
    own.t_ns.iter_mut().skip(110).for_each(|t| *t += 250_000_000);
    assert!(long(&own, 10), "two lost samples");
    own.t_ns.iter_mut().skip(110).for_each(|t| *t += 125_000_000);
    assert!(!long(&own, 10) && long(&own, 9) && long(&own, 11));
}

/// 0, 1, 1, 3, 2, 2, 2, 5: seven steps, four of them changes (1 + 2 + 1 + 3), the longest row two repeats; of three changes with
/// one before, two turn back.
#[test]
fn habits_by_hand() {
    let made = series(WHEEL, "km/h", EIGHTH_S, 10, |k| [9.0, 0.0, 1.0, 1.0, 3.0, 2.0, 2.0, 2.0, 5.0, 5.0][k]);
    let track = Track::new(&made).unwrap();
    let of = |per_refresh: f64| habit(&track, 1, 9, per_refresh);
    let plain = of(1.0);
    assert_eq!((plain.refreshes, plain.changes, plain.travelled, plain.longest), (8.0, 4.0, 7.0, 2.0));
    assert_eq!((plain.turns, plain.pairs), (2.0, 3.0));
    about(plain.usual_change(), 7.0 / 4.0);
    // The rule of three: none in n may still be 3 / n. (8 - 4 + 3) / (8 + 3).
    about(plain.repeats(), 7.0 / 11.0);
    let twice = of(2.0);
    assert_eq!((twice.refreshes, twice.longest), (4.0, 0.5));
    assert_eq!(Habit::default().usual_change(), 0.0);
    about(Habit { refreshes: 3.0, changes: 5.0, ..Habit::default() }.repeats(), 0.5);
    // Noise: 20 refreshes, every second with a pair, every third of those a turn; a slope has none.
    let of = |refreshes, pairs, turns| Habit { refreshes, pairs, turns, ..Habit::default() }.is_noise();
    assert!(of(21.0, 11.0, 4.0) && !of(20.0, 11.0, 4.0) && !of(21.0, 10.0, 4.0) && !of(21.0, 12.0, 4.0));
    let stands = |length, before, after| {
        stands_out(
            length,
            &Habit { longest: before, ..Habit::default() },
            &Habit { longest: after, ..Habit::default() },
        )
    };
    assert!(stands(3.0, 0.0, 0.0) && !stands(2.9, 0.0, 0.0) && stands(6.0, 2.0, 1.0));
    assert!(!stands(5.9, 2.0, 1.0) && !stands(5.9, 1.0, 2.0));
}

/// A signal of 1000 samples whose neighbourhood repeats (3 + 3) of (40 + 3) times is expected to show 1000 0.13953^5 = 0.0529
/// rows of five repeats by chance: 1.2766 decades against it.
#[test]
fn a_row_that_habit_forbids() {
    let made = series(WHEEL, "km/h", EIGHTH_S, 1000, |k| 50.0 + 0.25 * ((k * 17) % 41) as f64);
    let track = Track::new(&made).unwrap();
    assert_eq!((track.step, track.usual_change), (1.0, 4.25), "a tenth of the least loss, 17 times 0.25");
    let lively = |refreshes: f64, changes: f64, by_steps: f64| Habit {
        refreshes,
        changes,
        travelled: changes * by_steps * track.step,
        longest: 0.0,
        turns: 24.0,
        pairs: 36.0,
    };
    let usual = || lively(40.0, 37.0, 10.0);
    about(against_habit(&track, 5.0, &usual(), &usual()), 1.2766);
    about(against_habit(&track, 3.0, &usual(), &usual()), 0.0);
    about(against_habit(&track, 9.0, &usual(), &usual()), STRONGEST);
    // The side that repeats more counts, (10 + 3) / 43: 1000 0.30233^7 = 0.2308.
    for (before, after) in [(lively(40.0, 30.0, 10.0), usual()), (usual(), lively(40.0, 30.0, 10.0))] {
        about(against_habit(&track, 7.0, &before, &after), 0.6367);
    }
    // Noise of less than five steps lasts, a slope never turns.
    for (before, after) in [(lively(40.0, 37.0, 4.9), usual()), (usual(), lively(40.0, 37.0, 4.9))] {
        assert_eq!(against_habit(&track, 9.0, &before, &after), 0.0);
    }
    let slope = || Habit { turns: 0.0, ..usual() };
    assert_eq!(against_habit(&track, 9.0, &slope(), &usual()), 0.0);
    assert_eq!(against_habit(&track, 9.0, &usual(), &slope()), 0.0);
    // Noise of 0.9 steps repeats a value by chance in 0.27 / 0.95 / 0.9 of all samples, whatever so few neighbours showed.
    let quiet = series(WHEEL, "km/h", EIGHTH_S, 1000, |k| 50.0 + [0.0, 1.0][k % 2]);
    let track = Track::new(&quiet).unwrap();
    let loud = || Habit { travelled: 400.0, changes: 40.0, ..lively(40.0, 40.0, 1.0) };
    about(against_habit(&track, 5.0, &loud(), &loud()), -(3.0 + 5.0 * 0.27_f64.log10()).min(0.0));
}

/// A slope that stays for n samples and is then at once where it would have been: six steps at least.
#[test]
fn a_slope_that_catches_up() {
    let of = |n: usize, after_per_s: f64, share: f64| {
        let made = series(WHEEL, "km/h", EIGHTH_S, 400, |k| {
            let at = |k: usize| 20.0 + 2.0 * EIGHTH_S * k as f64;
            match k {
                ..200 => at(k),
                _ if k < 200 + n => at(200),
                _ => at(200) + share * 0.25 * n as f64 + after_per_s * EIGHTH_S * (k - 200 - n) as f64,
            }
        });
        catches_up(&Track::new(&made).unwrap(), Run { first: 200, next: 200 + n })
    };
    assert_eq!((of(6, 2.0, 1.0), of(5, 2.0, 1.0)), (CAUGHT_UP, 0.0), "0.25 km/h a step");
    assert_eq!((of(20, 1.1, 1.0), of(20, 0.9, 1.0), of(20, 3.9, 1.0), of(20, 4.1, 1.0)), (1.0, 0.0, 1.0, 0.0));
    // Only half of it, or twice, is made up for by chance; the other way never.
    assert_eq!((of(20, 2.0, 0.45), of(20, 2.0, 0.55), of(20, 2.0, 1.9), of(20, 2.0, 2.1)), (0.0, 1.0, 1.0, 0.0));
    assert_eq!(of(20, 2.0, -1.0), 0.0);
    // As long before and after must have been recorded.
    assert_eq!((of(190, 2.0, 1.0), of(98, 2.0, 1.0), of(100, 2.0, 1.0)), (0.0, 1.0, 0.0));
}

#[test]
fn what_repeats_with_the_recorder_is_not_the_signal() {
    let own = rising(WHEEL, "km/h", 0.5, true);
    let is_live = |others: &[Series]| {
        let tracks: Vec<Track<'_>> = [&own].into_iter().chain(others).map(|s| Track::new(s).unwrap()).collect();
        others_live(&tracks[0], &tracks, Run { first: 800, next: 840 })
    };
    assert!(is_live(&[rising(OTHER, "km/h", 0.5, false)]) && !is_live(&[rising(OTHER, "km/h", 0.5, true)]));
    assert!(!is_live(&[]) && is_live(&[rising(OTHER, "km/h", 0.5, true), rising(THIRD, "km/h", 0.5, false)]));
    // Two changes within, not one.
    let steps =
        |at: &[usize]| series("custom.gear", "1", EIGHTH_S, 1600, |k| at.iter().filter(|&&at| at <= k).count() as f64);
    assert!(is_live(&[steps(&[810, 820])]) && !is_live(&[steps(&[810])]) && !is_live(&[steps(&[790, 810, 850])]));
}

/// What sticks beside two wheels is found where it is, and only in the wheel that did.
#[test]
fn the_stuck_one_is_named() {
    let all = [rising(WHEEL, "km/h", 1.0, false), rising(OTHER, "km/h", 1.0, true), rising(THIRD, "km/h", 1.0, false)];
    let tracks: Vec<Track<'_>> = all.iter().map(|s| Track::new(s).unwrap()).collect();
    let found: Vec<Vec<Stuck>> = tracks.iter().map(|track| find(track, &tracks)).collect();
    assert!(found[0].is_empty() && found[2].is_empty());
    assert_eq!(found[1].iter().map(|s| (s.first, s.last)).collect::<Vec<_>>(), [(800, 839)]);
    // 4.375 km/h, 0.3 + 3 log10(4.375 / 1.5) = 1.6949, and it catches up with its slope: 2.0 at most.
    about(found[1][0].moved, 4.375);
    about(found[1][0].log10_lr, STRONGEST);
    // A coarse clutch, a gear, a pressure are not asked; nor is what never moved.
    let asked = |id: &str, unit: &str, per_s: f64| is_asked(&Track::new(&rising(id, unit, per_s, false)).unwrap());
    assert!(asked("engine.speed", "rpm", 1.0) && asked("throttle.position_1", "%", 1.0));
    assert!(
        !asked("custom.gear", "1", 1.0) && !asked("intake.manifold_pressure", "kPa", 1.0) && !asked(WHEEL, "km/h", 0.0)
    );
    let witnesses_of = |k: usize| witnesses(&tracks[k], &tracks, Family::Speed).len();
    assert_eq!((witnesses_of(0), witnesses(&tracks[0], &tracks, Family::Pedal).len()), (2, 0));
}

/// Speeds that rise and fall by 4 km/h per second for 12 s and hold for 12 s: a second that sticks shows (0.775 s of it are
/// compared, 3.1 km/h, at most 0.5 + 0.02 68 may differ) while they move, which is half of the time.
#[test]
fn for_how_long_a_value_that_sticks_would_have_shown() {
    let course = |per_s: f64| {
        move |k: usize| {
            let t_s = (EIGHTH_S * k as f64).rem_euclid(48.0);
            20.0 + per_s * (t_s.min(12.0) - (t_s - 24.0).clamp(0.0, 12.0))
        }
    };
    let of = |per_s: f64, n_wheels: usize| {
        let all: Vec<Series> = [WHEEL, OTHER, THIRD][..n_wheels]
            .iter()
            .map(|id| series(id, "km/h", EIGHTH_S, 1537, course(per_s)))
            .collect();
        let tracks: Vec<Track<'_>> = all.iter().map(|s| Track::new(s).unwrap()).collect();
        shown(&tracks[0], &tracks, 30.0, 1.0).unwrap()
    };
    let quick = of(4.0, 3);
    assert!((88.0..=100.0).contains(&quick.for_s), "{quick:?}");
    assert_eq!((quick.from_s, quick.has_witnesses), (Some(1.0), true), "0.275 s of half a second are 1.1 km/h");
    // By the value in the middle of the drive, 20 km/h at 96 s: 0.5 + 0.4 km/h, but no less than two steps of 0.5 km/h, in 0.775 s.
    about(quick.rate_per_s, 1.0 / 0.775);
    // At 1 km/h per second 0.775 km/h are too little; in 2 s 1.775 show, in 3 s too.
    let slow = of(1.0, 3);
    assert_eq!((slow.for_s, slow.from_s), (0.0, Some(2.0)), "{slow:?}");
    // With one other wheel either may be wrong.
    let pair = of(4.0, 2);
    assert!(!pair.has_witnesses && pair.for_s == 0.0 && pair.from_s.is_none() && pair.rate_per_s.is_infinite());
}

/// Noise in steps of 10 rpm, `rows` of each value; `stays` of the values are the same.
fn trembling(rows: usize, rpm: f64, stays: std::ops::Range<usize>) -> Series {
    let scatter = |k: usize| ((k * k * 389 + k * 7919) % 1013) as f64 / 506.5 - 1.0;
    series("engine.speed", "rpm", EIGHTH_S / rows as f64, 1000 * rows, move |k| {
        let k = k / rows;
        2000.0 + 10.0 * (rpm / 10.0 * scatter(if stays.contains(&k) { stays.start } else { k })).round()
    })
}

/// What trembles with every sample and then stays for ten is stuck, if something else moved meanwhile: of 40 samples 39 changed,
/// (1 + 3) / (40 + 3) may repeat; 1000 (4 / 43)^9 is far below 10^-2.
#[test]
fn noise_that_falls_silent() {
    for rows in [1, 2] {
        let of = |rpm: f64, stays: usize, moves: bool| {
            let own = trembling(rows, rpm, 500..500 + stays);
            let other =
                series("custom.level", "1", EIGHTH_S, 1000, |k| if moves { k as f64 } else { (k / 900) as f64 });
            let tracks = [Track::new(&own).unwrap(), Track::new(&other).unwrap()];
            assert!((tracks[0].hold_s - EIGHTH_S).abs() < 0.01, "{}", tracks[0].hold_s);
            find(&tracks[0], &tracks).iter().map(|s| (s.first / rows, s.log10_lr, s.moved)).collect::<Vec<_>>()
        };
        assert_eq!(of(600.0, 10, true), [(500, STRONGEST, 0.0)], "{rows} rows");
        assert_eq!(of(600.0, 10, false), [], "the recorder repeated");
        assert_eq!(of(60.0, 10, true), [], "noise of less than five steps");
        // Of 1000 values as many may stay for two repeats by chance; for three 1000 (4 / 43)^3 = 0.805.
        assert_eq!(of(600.0, 3, true), []);
        let four = of(600.0, 4, true);
        assert!(four.len() == 1 && (four[0].1 - 0.0942).abs() < 1e-4, "{four:?}");
    }
}

/// And where such a silence would have shown: all along, but for the ends of the drive.
#[test]
fn for_how_long_noise_would_have_been_missed() {
    for rows in [1, 2] {
        let of = |rpm: f64, matters_s: f64| {
            let own = trembling(rows, rpm, 0..0);
            let other = series("custom.level", "1", EIGHTH_S, 1000, |k| k as f64);
            let tracks = [Track::new(&own).unwrap(), Track::new(&other).unwrap()];
            shown(&tracks[0], &tracks, 100.0, matters_s).unwrap().for_s
        };
        assert!(of(600.0, 1.25) > 100.0, "{}", of(600.0, 1.25));
        assert_eq!((of(40.0, 1.25), of(600.0, 0.3)), (0.0, 0.0));
    }
}

/// A wheel that sticks to the end of the recording, or for longer than the witnesses go one way, sticks all the same; a
/// recorder may repeat the last value for a moment.
#[test]
fn what_sticks_for_long_or_to_the_end() {
    // Up and down by 40 km/h in 80 s.
    let speed = |k: usize| 40.0 + 0.125 * (k % 640).min(640 - k % 640) as f64;
    let wheel = |id: &str, from: usize, to: usize| {
        series(id, "km/h", EIGHTH_S, 1600, |k| speed(if (from..to).contains(&k) { from } else { k }))
    };
    let stuck = |from: usize, to: usize| {
        let all = [wheel(WHEEL, from, to), wheel(OTHER, 0, 0), wheel(THIRD, 0, 0)];
        let tracks: Vec<Track<'_>> = all.iter().map(|s| Track::new(s).unwrap()).collect();
        let found = find(&tracks[0], &tracks);
        found.into_iter().map(|s| (s.first, s.last, s.log10_lr)).collect::<Vec<_>>()
    };
    // For 10 s, 50 s (the witnesses went up by 32 km/h and down again) and 80 s (they are back where they were).
    for to in [780, 1100, 1330] {
        assert_eq!(stuck(700, to), [(700, to - 1, STRONGEST)]);
    }
    // To the end: 25 s of 9 km/h and more; 4 s are a recorder's.
    assert_eq!(stuck(1400, 1600), [(1400, 1599, STRONGEST)]);
    assert_eq!(stuck(1568, 1600), []);
}

/// Without any witness a speed that stays for ten times as long as ever else is not called sound, and not faulty either.
#[test]
fn what_stays_out_of_all_proportion_is_open() {
    let found = |stays: usize, others_move: bool| {
        let own = series("engine.speed", "rpm", 1.0, 600, |k| {
            1500.0 + f64::from(((k.clamp(0, 600 - stays) * 7) % 40) as u32)
        });
        let other =
            series("vehicle.speed", "km/h", 1.0, 600, |k| if others_move { 50.0 + (k % 30) as f64 } else { 50.0 });
        let tracks: Vec<Track<'_>> = [&own, &other].into_iter().map(|s| Track::new(s).unwrap()).collect();
        find(&tracks[0], &tracks).into_iter().map(|s| (s.first, s.log10_lr)).collect::<Vec<_>>()
    };
    assert_eq!(found(300, true), [(300, 0.0)]);
    assert_eq!(found(20, true), [], "cruise control holds a speed, too");
    assert_eq!(found(300, false), [], "everything stood");
}

/// A pedal track that stays at 56 % while its partner goes on to 80 %, thrice: at the end of what it ever shows that is open,
/// whether it clips or stuck; below, it stuck.
#[test]
fn what_stays_at_an_end_of_its_range_is_open() {
    // Up to 56 %, quickly to 80, slowly down to 62.375, let go and at rest.
    let foot = |k: usize| match k % 192 {
        k @ 0..72 => 20.0 + 0.5 * k as f64,
        k @ 72..120 => 80.0 - 0.375 * (k - 72) as f64,
        k => (40.0 - 0.5 * (k - 120) as f64).max(20.0),
    };
    let found = |id: [&str; 2], own: &dyn Fn(usize) -> f64| {
        let all = [series(id[0], "%", EIGHTH_S, 960, own), series(id[1], "%", EIGHTH_S, 960, foot)];
        let tracks: Vec<Track<'_>> = all.iter().map(|s| Track::new(s).unwrap()).collect();
        find(&tracks[0], &tracks).into_iter().map(|s| s.log10_lr).collect::<Vec<_>>()
    };
    for id in [["pedal.position_1", "pedal.position_2"], ["throttle.position_1", "throttle.position_2"]] {
        let clips = found(id, &|k| foot(k).min(56.0));
        assert!(!clips.is_empty() && clips.iter().all(|log10_lr| *log10_lr == AT_AN_END), "{clips:?}");
        // The same track that shows 80 % elsewhere has no end there; a lone sample is no end.
        let sticks = found(id, &|k| if k < 192 { foot(k) } else { foot(k).min(56.0) });
        assert!(!sticks.is_empty() && sticks.iter().all(|log10_lr| *log10_lr > 0.0), "{sticks:?}");
        assert_eq!(found(id, &|k| if k == 10 { 99.0 } else { foot(k).min(56.0) }), clips);
    }
    let ends = |id: &str| {
        let made = series(id, "%", EIGHTH_S, 100, |k| [20.0, 20.0, 20.0, 60.0, 60.0, 60.0, 90.0][k % 7]);
        let ends = Ends::of(&Track::new(&made).unwrap());
        [19.0, 21.0, 22.0, 58.0, 59.0, 90.0].map(|value| ends.has(value))
    };
    assert_eq!(ends("pedal.position_1"), [true, true, false, false, true, true], "steps of 1 %");
    assert_eq!(ends("engine.speed"), [false; 6], "nothing else clips");
}
