//! Whole pairs of a few minutes, without chance.

use signal::{Recording, SignalId, Unit};

use super::*;

/// A foot between 10 and 90 %, up and down in 25 s.
fn foot(t_s: f64) -> f64 {
    50.0 - 40.0 * (t_s / 25.0 * std::f64::consts::TAU).cos()
}

/// Tracks of such a foot, twenty readings a second for 250 s, in steps of a tenth.
fn found(foot: impl Fn(f64) -> f64, tracks: &[&dyn Fn(f64) -> f64]) -> Vec<Finding> {
    let track = |(k, value): (usize, &&dyn Fn(f64) -> f64)| {
        let id = SignalId::new(&format!("pedal.position_{}", k + 1)).unwrap();
        let mut series = Series::new(id, Unit::named("%"));
        (0..5000).for_each(|k| series.push_value(k * 50_000_000, (value(foot(k as f64 * 0.05)) * 10.0).round() / 10.0));
        series
    };
    let series = tracks.iter().enumerate().map(track).collect();
    run(&Examination::new(&Recording { series, ..Recording::default() }))
}

fn sound(x: f64) -> f64 {
    0.5 * x + 5.0
}

fn worn(x: f64) -> f64 {
    sound(x) - if (40.0..48.0).contains(&x) { 3.0 } else { 0.0 }
}

/// Which track is called first makes no difference to who is accused and where.
#[test]
fn two_tracks_either_way_round() {
    let of = |tracks: [&dyn Fn(f64) -> f64; 2]| found(foot, &tracks).remove(0);
    let (one, other) = (of([&|x| x, &worn]), of([&worn, &|x| x]));
    assert_eq!((one.verdict, other.verdict), (Verdict::Faulty, Verdict::Faulty));
    // The place is told in readings of the first track: half of 40 to 48 % and 5, less up to 3.
    let near = |finding: &Finding, from: f64, to: f64| {
        (finding.figures["spot_from_percent"] - from).abs() < 2.0
            && (finding.figures["spot_to_percent"] - to).abs() < 2.0
    };
    assert!(near(&one, 38.0, 46.0) && near(&other, 23.5, 27.5), "{one:?} {other:?}");
    assert!((one.figures["slope"] - 0.5).abs() < 0.01 && (other.figures["slope"] - 2.0).abs() < 0.04);
    assert!((one.figures["spot_depth_percent"] + 3.0).abs() < 0.3, "{one:?}");
    assert!((other.figures["spot_depth_percent"] - 6.0).abs() < 0.6, "{other:?}");
    // Ten times up through it, 10.2 to 11.9 s behind the floor, and ten times down.
    assert_eq!(one.spans.len(), 20);
    for (up, span) in one.spans.iter().step_by(2).enumerate() {
        let (from_s, to_s) = (span.from_s - 25.0 * up as f64, span.to_s - 25.0 * up as f64);
        assert!((foot(from_s) - 40.0).abs() < 3.0 && (foot(to_s) - 48.0).abs() < 3.0, "{from_s} {to_s}");
    }
    let (one, other) = (of([&|x| x, &sound]), of([&sound, &|x| x]));
    assert_eq!((one.verdict, other.verdict), (Verdict::Healthy, Verdict::Healthy));
    assert!((one.log10_odds - other.log10_odds).abs() < 0.5 && one.spans.is_empty());
}

/// A track that ends at 60 % by design, and one that is lost for two seconds now and then, wherever the foot is.
#[test]
fn what_ends_early_and_what_is_lost_either_way_round() {
    // Now and then further than the track goes.
    let foot = |t_s: f64| {
        let reach = if (t_s / 25.0) as usize % 3 == 2 { 90.0 } else { 62.0 };
        5.0 + (reach - 5.0) * 0.5 * (1.0 - (t_s / 25.0 * std::f64::consts::TAU).cos())
    };
    let ends: &dyn Fn(f64) -> f64 = &|x| x.min(60.0);
    let of = |tracks: [&dyn Fn(f64) -> f64; 2]| found(foot, &tracks).remove(0);
    for finding in [of([ends, &sound]), of([&sound, ends])] {
        assert_eq!(finding.verdict, Verdict::Undecided, "{finding:?}");
    }
    let lost = |number: usize| {
        let tracks = [1, 2].map(|k| {
            let id = SignalId::new(&format!("pedal.position_{k}")).unwrap();
            let mut series = Series::new(id, Unit::named("%"));
            (0..5000).for_each(|i| {
                // Each with times of its own.
                let t_s = f64::from(i) * 0.05 + 0.007 * k as f64;
                let is_lost = k == number && t_s.rem_euclid(31.0) < 2.0;
                let value = if is_lost { 0.0 } else { (foot(t_s) * 10.0).round() / 10.0 };
                series.push_value(signal::nanos_from_seconds(t_s), value);
            });
            series
        });
        run(&Examination::new(&Recording { series: tracks.into(), ..Recording::default() })).remove(0)
    };
    assert_eq!([1, 2].map(|number| lost(number).verdict), [Verdict::Faulty; 2], "{:?}", lost(1));
}

/// Of three tracks the one that disagrees with both others is at fault.
#[test]
fn the_odd_one_of_three() {
    for odd in 1..=3 {
        let [a, b, c]: [&dyn Fn(f64) -> f64; 3] = [1, 2, 3].map(|n| if n == odd { &worn as _ } else { &sound as _ });
        for finding in found(foot, &[a, b, c]) {
            let is_about_it = finding.subject.contains(&format!("pedal.position_{odd}"));
            assert_eq!(finding.verdict, if is_about_it { Verdict::Faulty } else { Verdict::Healthy });
            assert_eq!(finding.figures.get("track_at_fault"), is_about_it.then_some(&f64::from(odd)));
        }
    }
    // Verdicts of the pairs 1-2, 1-3 and 2-3.
    let track = Series::new(SignalId::new("pedal.position_1").unwrap(), Unit::named("%"));
    let vote = |odds: &[f64]| {
        let pair = |(number, log10_odds): ([usize; 2], &f64)| Judged {
            family: &FAMILIES[0],
            tracks: [&track; 2],
            number,
            aligned: None,
            seen: None,
            log10_odds: *log10_odds,
        };
        outvoted(&[[1, 2], [1, 3], [2, 3]].into_iter().zip(odds).map(pair).collect::<Vec<_>>())
    };
    assert_eq!(
        [vote(&[3.0, 3.0, -2.0]), vote(&[3.0, -2.0, 3.0]), vote(&[-2.0, 3.0, 3.0])],
        [Some(1), Some(2), Some(3)]
    );
    assert_eq!([vote(&[3.0, -2.0, -2.0]), vote(&[3.0, 3.0, 0.0]), vote(&[3.0; 3]), vote(&[3.0, 3.0])], [None; 4]);
    // Two that are off at different places leave nobody who agrees.
    let elsewhere: &dyn Fn(f64) -> f64 = &|x| sound(x) + if (60.0..68.0).contains(&x) { 3.0 } else { 0.0 };
    let all = found(foot, &[&worn, elsewhere, &|x| x]);
    assert!(
        all.iter()
            .all(|finding| finding.verdict == Verdict::Faulty && finding.figures.get("track_at_fault") != Some(&3.0))
    );
}

#[test]
fn what_was_not_visited_is_not_called_sound() {
    // 45 to 55 %, and once to 85.
    let little = |t: f64| {
        if (100.0..110.0).contains(&t) { 50.0 + 7.0 * (5.0 - (t - 105.0).abs()) } else { 50.0 + 5.0 * (t / 2.0).sin() }
    };
    let few = found(little, &[&|x| x, &sound]).remove(0);
    assert_eq!(few.verdict, Verdict::Undecided);
    // Parts of 4 %: all above 57 %.
    assert!(few.next.iter().any(|text| text.contains("hardly visited: 57 to 85 % on track 1")), "{:?}", few.next);
    // Less than 30 points of travel are half of a pedal's at most.
    let short = |width: f64| found(|t| 50.0 + width / 2.0 * (t / 2.0).sin(), &[&|x| x, &sound]).remove(0).verdict;
    assert_eq!((short(29.0), short(31.0)), (Verdict::Undecided, Verdict::Healthy));
}
