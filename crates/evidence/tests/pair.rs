//! `pair` on open pedal drives, and on a foot that moves at all rates.

mod common;

use common::{Rng, Samples, assert_consistent, examined, findings, long, open_data, recording};
use evidence::{Finding, Kind, Verdict};
use proptest::prelude::*;

type Signals = Vec<(&'static str, &'static str, Samples)>;

const PEDALS: [&str; 3] = ["pedal.position_1", "pedal.position_2", "pedal.position_3"];

/// KIT OBD drives (CC BY 4.0, M. Weber, Automotive OBD-II Dataset, DOI 10.35097/1130): healthy pedals, read once a second,
/// track E 90 ms after track D.
const DRIVES: [&str; 5] =
    ["d1_cold_start_warmup", "d2_traffic_jam", "d3_acceleration_runs", "d4_motorway", "d5_recording_gap"];

fn kit(drive: &str) -> Option<Signals> {
    let names = [("accel_pedal_d_pct", PEDALS[0], "%"), ("accel_pedal_e_pct", PEDALS[1], "%")];
    Some(long(&open_data(&format!("kit_obd/{drive}_samples.csv.gz"))?, &names))
}

/// Asynchronous OBD values of a diesel car (MIT licence): whole percent, one time stamp per round of answers.
fn diesel() -> Option<Signals> {
    let names = [("accel_pedal_d", PEDALS[0], "%"), ("accel_pedal_e", PEDALS[1], "%")];
    Some(long(&open_data("obd_async_diesel/drive_d2.csv.gz")?, &names))
}

fn judged(signals: &Signals) -> Finding {
    let found = findings(Kind::Pair, signals);
    assert_consistent(&found);
    assert_eq!(found.len(), 1);
    found[0].clone()
}

fn changed(signals: &Signals, track: usize, change: impl Fn(f64, f64) -> f64) -> Signals {
    let mut signals = signals.clone();
    for sample in &mut signals[track].2 {
        sample.1 = change(sample.0, sample.1);
    }
    signals
}

/// A place of the travel where a track reads `depth` too much.
fn worn(centre: f64, width: f64, depth: f64) -> impl Fn(f64, f64) -> f64 {
    move |_, x| if (x - centre).abs() <= width / 2.0 { x + depth } else { x }
}

#[test]
fn healthy_pedals_are_not_accused_whatever_the_relation() {
    let drives = DRIVES.into_iter().map(kit).chain([diesel()]).flatten();
    let mut n_healthy = 0;
    for drive in drives {
        for (slope, offset) in [(1.0, 0.0), (0.5, 0.0), (1.0, 10.0), (-1.0, 100.0)] {
            let finding = judged(&changed(&drive, 1, |_, x| ((slope * x + offset) / 0.392).round() * 0.392));
            assert_ne!(finding.verdict, Verdict::Faulty, "{finding:?}");
            assert!((finding.figures["slope"] / slope - 1.0).abs() < 0.06, "{finding:?}");
            n_healthy += usize::from(finding.verdict == Verdict::Healthy);
            if finding.verdict == Verdict::Healthy {
                assert!(
                    finding.next[0].contains("press the pedal slowly"),
                    "the rest of the travel: {:?}",
                    finding.next
                );
            }
        }
    }
    // The jam hardly visits the upper half of the travel that it touched; the others cover theirs.
    assert!(open_data("kit_obd/README.md").is_none() || n_healthy == 20, "{n_healthy}");
}

#[test]
fn a_table_that_repeats_values_until_the_next_answer_is_judged_by_its_answers() {
    // The same drives as published: one row per answer, every column keeps its last value.
    for name in DRIVES {
        let Some(text) = open_data(&format!("kit_obd/{name}_held.csv.gz")) else { return };
        let names = [("accel_pedal_d_pct", PEDALS[0], "%"), ("accel_pedal_e_pct", PEDALS[1], "%")];
        let held = common::wide(&text, &names);
        let finding = judged(&held);
        assert_ne!(finding.verdict, Verdict::Faulty, "{name}: {finding:?}");
    }
}

/// Tables of other rates whose rows repeat the last sample, or the nearest, of each track.
#[test]
fn rows_that_repeat_samples_are_no_disagreement() {
    for name in DRIVES {
        let Some(drive) = kit(name) else { return };
        let end_s = drive[0].2.last().unwrap().0.min(drive[1].2.last().unwrap().0);
        for (rate_hz, takes_nearest) in [(1.0, false), (4.0, false), (4.0, true), (10.0, true), (20.0, false)] {
            let repeated = drive.iter().map(|(id, unit, samples)| {
                let at = |t: f64| {
                    let k = samples.partition_point(|s| s.0 <= t).clamp(1, samples.len() - 1);
                    let is_next_nearer = samples[k].0 - t < t - samples[k - 1].0;
                    samples[if takes_nearest && is_next_nearer { k } else { k - 1 }].1
                };
                let rows = (1..(end_s * rate_hz) as usize).map(|k| k as f64 / rate_hz);
                (*id, *unit, rows.map(|t| (t, at(t))).collect())
            });
            let finding = judged(&repeated.collect());
            assert_ne!(finding.verdict, Verdict::Faulty, "{name}, {rate_hz} Hz, {takes_nearest}: {finding:?}");
        }
    }
}

/// A table of many rows a second that was made of one sample a second, each track for itself.
#[test]
fn lines_drawn_between_samples_are_no_disagreement() {
    for name in DRIVES {
        let Some(drive) = kit(name) else { return };
        let end_s = drive[0].2.last().unwrap().0.min(drive[1].2.last().unwrap().0);
        for rate_hz in [2.0, 5.0, 20.0, 50.0] {
            let drawn = drive.iter().map(|(id, unit, samples)| {
                let at = |t: f64| {
                    let k = samples.partition_point(|s| s.0 <= t).clamp(1, samples.len() - 1);
                    let (a, b) = (samples[k - 1], samples[k]);
                    a.1 + (b.1 - a.1) * ((t - a.0) / (b.0 - a.0)).clamp(0.0, 1.0)
                };
                let rows = (1..(end_s * rate_hz) as usize).map(|k| k as f64 / rate_hz);
                (*id, *unit, rows.map(|t| (t, (at(t) / 0.392).round() * 0.392)).collect())
            });
            let finding = judged(&drawn.collect());
            assert_ne!(finding.verdict, Verdict::Faulty, "{name}, {rate_hz} Hz: {finding:?}");
        }
    }
}

#[test]
fn a_spot_worn_by_four_percent_over_a_tenth_is_found_at_its_place() {
    for (name, centres) in [
        (DRIVES[0], vec![22.0, 30.0, 36.0]),
        (DRIVES[3], vec![25.0, 35.0, 45.0, 54.0]),
        (DRIVES[4], vec![22.0, 30.0, 38.0]),
    ] {
        let Some(drive) = kit(name) else { continue };
        for centre in centres {
            for (track, depth) in [(0, 4.0), (0, -4.0), (1, 4.0), (1, -4.0)] {
                // A tenth of the 65 points from rest to floor.
                let finding = judged(&changed(&drive, track, worn(centre, 6.5, depth)));
                assert_eq!(finding.verdict, Verdict::Faulty, "{name}, {centre} %, {depth} %: {finding:?}");
                let figures = &finding.figures;
                assert!((figures["spot_centre_percent"] - centre).abs() < 4.0, "{name}, {centre} %: {finding:?}");
                assert!((2.0..12.0).contains(&figures["spot_width_percent"]), "{finding:?}");
                let sign = if track == 1 { 1.0 } else { -1.0 };
                assert!((figures["spot_depth_percent"] * sign - depth).abs() < 1.5, "{finding:?}");
                // The spans are visits of the place.
                let in_spans =
                    drive[0].2.iter().filter(|s| finding.spans.iter().any(|p| s.0 >= p.from_s && s.0 <= p.to_s));
                let (near, all) =
                    in_spans.fold((0, 0), |(near, all), s| (near + i32::from((s.1 - centre).abs() < 6.0), all + 1));
                assert!(all == 0 || 10 * near >= 8 * all, "{near} of {all}");
            }
        }
    }
}

#[test]
fn places_that_were_hardly_visited_are_named_and_keep_the_verdict_open() {
    let Some(drive) = kit(DRIVES[1]) else { return };
    let finding = judged(&drive);
    assert_eq!(finding.verdict, Verdict::Undecided, "{finding:?}");
    assert!(finding.next[0].contains("hardly visited") && finding.next[1].contains("press the pedal slowly"));
}

#[test]
fn too_little_data_is_undecided() {
    let Some(drive) = kit(DRIVES[3]) else { return };
    let part = |to_s: f64| -> Signals {
        drive.iter().map(|(id, unit, s)| (*id, *unit, s.iter().copied().filter(|s| s.0 < to_s).collect())).collect()
    };
    for seconds in [0.0, 1.0, 5.0, 60.0] {
        let finding = judged(&part(seconds));
        assert_eq!(finding.verdict, Verdict::Undecided, "{seconds} s: {finding:?}");
        assert!(finding.next.iter().any(|n| n.contains("press the pedal slowly")));
    }
    assert!(findings(Kind::Pair, &drive[..1]).is_empty(), "one track has no partner");
}

/// A foot: rests, presses, wanders and lifts; percent, with its own rest at 14.5.
fn foot(seed: u64, seconds: f64) -> impl Fn(f64) -> f64 {
    let mut rng = Rng(seed);
    let mut knots = vec![(0.0, 14.5)];
    let mut t = 0.0;
    while t < seconds {
        t += 0.2 + 4.0 * rng.uniform();
        let last = knots[knots.len() - 1].1;
        knots.push((t, last));
        let to = if rng.uniform() < 0.3 { 14.5 } else { 14.5 + 60.0 * rng.uniform().powf(1.3) };
        t += 0.12 + (to - last).abs() / (15.0 + 230.0 * rng.uniform());
        knots.push((t, to));
    }
    move |t| {
        let k = knots.partition_point(|knot| knot.0 <= t).clamp(1, knots.len() - 1);
        let (a, b) = (knots[k - 1], knots[k]);
        let share = ((t - a.0) / (b.0 - a.0)).clamp(0.0, 1.0);
        // Starts and stops without a jerk.
        a.1 + (b.1 - a.1) * share.powi(3) * (10.0 - 15.0 * share + 6.0 * share * share)
    }
}

/// Tracks of one pedal, the k-th read `k * skew_s` later; with `one_stamp` nobody noted that.
fn tracks(
    seed: u64,
    seconds: f64,
    rate_hz: f64,
    skew_s: f64,
    one_stamp: bool,
    read: &[&dyn Fn(f64) -> f64],
) -> Signals {
    let pedal = foot(seed, seconds);
    let mut rng = Rng(seed + 1000);
    let stamps: Vec<f64> =
        (0..(seconds * rate_hz) as usize).map(|k| (k as f64 + 0.2 * rng.uniform()) / rate_hz).collect();
    let each = read.iter().enumerate().map(|(k, read)| {
        let late = skew_s * k as f64;
        let samples = stamps.iter().map(|t| {
            let value = (read(pedal(t + late)) / 0.392).floor() * 0.392;
            (if one_stamp { *t } else { t + late }, value)
        });
        (PEDALS[k], "%", samples.collect())
    });
    each.collect()
}

#[test]
fn rates_skews_and_relations() {
    let identity = |x: f64| x;
    let (half, inverse) = (|x: f64| 0.5 * x, |x: f64| 100.0 - x);
    for (rate_hz, skew_s, one_stamp) in [
        (100.0, 0.0, false),
        (50.0, 0.01, false),
        (20.0, 0.05, true),
        (10.0, 0.06, false),
        (10.0, 0.06, true),
        (2.0, 0.06, false),
    ] {
        for seed in 0..4 {
            let seconds = if rate_hz < 5.0 { 900.0 } else { 300.0 };
            for second in [&identity as &dyn Fn(f64) -> f64, &half, &inverse] {
                let drive = tracks(seed, seconds, rate_hz, skew_s, one_stamp, &[&identity, second]);
                let finding = judged(&drive);
                assert_ne!(finding.verdict, Verdict::Faulty, "{rate_hz} Hz, {skew_s} s: {finding:?}");
                if one_stamp && finding.figures["skew_s"] != 0.0 {
                    assert!((finding.figures["skew_s"] - -skew_s).abs() < 0.015, "{finding:?}");
                }
            }
            let spot = worn(40.0, 7.0, -4.0);
            let bad = |x: f64| spot(0.0, x);
            let finding = judged(&tracks(seed, seconds, rate_hz, skew_s, one_stamp, &[&identity, &bad]));
            assert_eq!(finding.verdict, Verdict::Faulty, "{rate_hz} Hz, {skew_s} s, seed {seed}: {finding:?}");
            assert!((finding.figures["spot_centre_percent"] - 40.0).abs() < 4.0, "{finding:?}");
        }
    }
}

#[test]
fn a_track_that_ends_before_the_other_is_no_worn_place() {
    let identity = |x: f64| x;
    for seed in 0..4 {
        // At rest only, at every visit; over the first tenth of the travel it is a worn place.
        for (to, verdict) in [(15.0, Verdict::Undecided), (22.0, Verdict::Faulty)] {
            let bad = |x: f64| if x < to { x - 4.0 } else { x };
            let finding = judged(&tracks(seed, 300.0, 20.0, 0.01, false, &[&identity, &bad]));
            assert_eq!(finding.verdict, verdict, "seed {seed}, up to {to} %: {finding:?}");
        }
    }
}

#[test]
fn a_contact_that_comes_and_goes_is_found_in_time() {
    let identity = |x: f64| x;
    let drive = tracks(3, 300.0, 20.0, 0.01, false, &[&identity, &identity]);
    let moments = [(61.0, 63.5), (140.0, 143.0), (222.0, 225.0)];
    let is_bad = |t: f64| moments.iter().any(|m| t > m.0 && t < m.1);
    let finding = judged(&changed(&drive, 1, |t, x| if is_bad(t) { x - 8.0 } else { x }));
    assert_eq!(finding.verdict, Verdict::Faulty, "{finding:?}");
    for (from_s, to_s) in moments {
        assert!(finding.spans.iter().any(|s| s.from_s < to_s && s.to_s > from_s), "{:?}", finding.spans);
    }
    assert!(finding.spans.iter().all(|s| is_bad(f64::midpoint(s.from_s, s.to_s))), "{:?}", finding.spans);
    assert_eq!(judged(&drive).verdict, Verdict::Healthy);
}

/// Steps of an 8-bit value.
fn rounded(value: f64) -> f64 {
    (value / 0.392).round() * 0.392
}

/// From 40 % of the drive on either track reads 5 % more or less: when it began is told, and not who it is.
#[test]
fn a_track_that_is_off_from_a_moment_on_is_told_with_the_moment() {
    let half = |x: f64| 0.5 * x + 5.0;
    let identity = |x: f64| x;
    let mut drives: Vec<Signals> = DRIVES.into_iter().filter_map(kit).collect();
    drives.push(tracks(11, 400.0, 20.0, 0.05, true, &[&identity, &half]));
    drives.push(tracks(12, 400.0, 50.0, 0.01, false, &[&identity, &half]));
    drives.push(tracks(13, 900.0, 2.0, 0.06, false, &[&identity, &identity]));
    for drive in drives {
        let end_s = drive[0].2[drive[0].2.len() - 1].0;
        let from_s = 0.4 * end_s;
        for (track, off) in [(0, 5.0), (0, -5.0), (1, 5.0), (1, -5.0)] {
            let finding = judged(&changed(&drive, track, |t, x| if t >= from_s { rounded(x + off) } else { x }));
            assert_eq!(finding.verdict, Verdict::Faulty, "{off} from {from_s}: {finding:?}");
            let figures = &finding.figures;
            let scale = if track == 0 { -figures["slope"] } else { 1.0 };
            assert!((figures["apart_percent"] - scale * off).abs() < 1.6, "{off}: {finding:?}");
            assert!((figures["apart_from_s"] - from_s).abs() < 20.0 && finding.spans.len() == 1, "{finding:?}");
            assert!(finding.statement.contains("s on: track 2 is off by") && !figures.contains_key("track_at_fault"));
            assert!(finding.next[0].contains("voltage of both tracks, their supply"), "{:?}", finding.next);
        }
        // It may be over again, and be a gain: a tenth more, which shows where the pedal is pressed.
        let to_s = 0.7 * end_s;
        let is_off = |t: f64| (from_s..to_s).contains(&t);
        let over = judged(&changed(&drive, 1, |t, x| if is_off(t) { rounded(x + 6.0) } else { x }));
        assert!(over.verdict == Verdict::Faulty && (over.spans[0].to_s - to_s).abs() < 20.0, "{over:?}");
        let gain = judged(&changed(&drive, 1, |t, x| if t >= from_s { rounded(1.2 * x) } else { x }));
        assert_eq!(gain.verdict, Verdict::Faulty, "{gain:?}");
        assert!((gain.figures["apart_from_s"] - from_s).abs() < 60.0, "{gain:?}");
    }
}

/// A track that keeps its value for two fifths of the drive, and one that does so several times for some twenty seconds.
#[test]
fn a_track_that_sticks_is_told_as_such() {
    let identity = |x: f64| x;
    let mut drives: Vec<Signals> = DRIVES.into_iter().filter_map(kit).collect();
    drives.push(tracks(14, 400.0, 20.0, 0.01, false, &[&identity, &identity]));
    for drive in drives {
        let end_s = drive[0].2[drive[0].2.len() - 1].0;
        for track in 0..2 {
            let judged_with = |stretches: &[(f64, f64)]| {
                let mut drive = drive.clone();
                for (from_s, to_s) in stretches {
                    drive[track].2 = common::lost(&drive[track].2, *from_s, *to_s, |_, good| good);
                }
                judged(&drive)
            };
            let long = (0.3 * end_s, 0.7 * end_s);
            let finding = judged_with(&[long]);
            assert_eq!(finding.verdict, Verdict::Faulty, "{finding:?}");
            let track_number = if track == 0 { "track 1" } else { "track 2" };
            assert!(finding.statement.contains(&format!("{track_number} stood still at")), "{finding:?}");
            assert!(finding.spans.iter().all(|s| s.from_s > long.0 - 2.0 && s.to_s < long.1 + 2.0), "{finding:?}");
            assert!(finding.figures["stuck_s"] > 0.5 * (long.1 - long.0), "{finding:?}");
            let named = finding.figures.get("track_at_fault");
            assert!(named.is_none_or(|n| *n == track as f64 + 1.0), "{finding:?}");
            let often: Vec<(f64, f64)> = (1..8).map(|k| f64::from(k) * end_s / 8.0).map(|t| (t, t + 25.0)).collect();
            let finding = judged_with(&often);
            assert_eq!(finding.verdict, Verdict::Faulty, "{finding:?}");
            assert!(finding.statement.contains(&format!("{track_number} stood still")), "{finding:?}");
            let is_within = |s: &evidence::Span| often.iter().any(|o| s.from_s > o.0 - 2.0 && s.to_s < o.1 + 2.0);
            assert!(!finding.spans.is_empty() && finding.spans.iter().all(is_within), "{finding:?}");
        }
    }
}

/// Parts of sound drives, one drive behind another, tracks that are bent, that end early or lag by a point, and coarse ones:
/// nothing begins in them and nothing sticks.
#[test]
fn nothing_begins_or_sticks_in_sound_drives() {
    let relations: [fn(f64) -> f64; 6] =
        [|x| x, |x| 0.5 * x, |x| 100.0 - x, |x| x * x / 100.0, |x| (1.6 * x).min(70.0), |x| (x - 22.0).max(0.0)];
    let drives: Vec<Signals> = DRIVES.into_iter().map(kit).chain([diesel()]).flatten().collect();
    let part = |drive: &Signals, from_s: f64, to_s: f64| -> Signals {
        let cut = |s: &Samples| s.iter().copied().filter(|s| s.0 >= from_s && s.0 < to_s).collect();
        drive.iter().map(|(id, unit, s)| (*id, *unit, cut(s))).collect()
    };
    let mut sound: Vec<Signals> = Vec::new();
    for drive in &drives {
        let end_s = drive[0].2[drive[0].2.len() - 1].0;
        let lengths = [end_s, 120.0, 400.0];
        sound.extend(
            lengths
                .into_iter()
                .flat_map(|length_s| {
                    let n = (end_s / length_s) as usize;
                    (0..n.max(1)).map(move |k| (k as f64 * length_s, (k + 1) as f64 * length_s))
                })
                .map(|(from_s, to_s)| part(drive, from_s, to_s)),
        );
        for other in &drives[..drives.len().min(5)] {
            let mut joined = part(drive, 0.0, 300.0);
            for (track, samples) in joined.iter_mut().enumerate() {
                samples.2.extend(part(other, 500.0, 900.0)[track].2.iter().map(|s| (s.0 - 200.0, s.1)));
            }
            sound.push(joined);
        }
    }
    for seed in 0..6 {
        sound.push(tracks(seed, 300.0, [10.0, 50.0][seed as usize % 2], 0.06, seed % 3 == 0, &[&|x| x, &|x| x]));
    }
    for drive in sound.iter().filter(|drive| drive.iter().all(|track| !track.2.is_empty())) {
        for relation in relations {
            for step in [0.392, 2.0] {
                let held = std::cell::Cell::new(f64::NAN);
                let finding = judged(&changed(drive, 1, |_, x| {
                    let value = relation(x);
                    let last = if held.get().is_nan() { value } else { held.get() };
                    held.set(last.clamp(value - 0.5, value + 0.5));
                    (held.get() / step).round() * step
                }));
                let is_told = ["stood still", "disagree from"].iter().any(|word| finding.statement.contains(word));
                assert!(!(is_told && finding.verdict == Verdict::Faulty), "{finding:?}");
            }
        }
    }
}

#[test]
fn of_three_tracks_the_odd_one_is_named() {
    let identity = |x: f64| x;
    let half = |x: f64| 0.5 * x;
    let spot = worn(35.0, 7.0, 5.0);
    let bad = |x: f64| spot(0.0, x);
    let found = findings(Kind::Pair, &tracks(5, 400.0, 20.0, 0.01, false, &[&identity, &bad, &half]));
    assert_consistent(&found);
    let verdicts: Vec<_> = found.iter().map(|f| f.verdict).collect();
    assert_eq!(verdicts, [Verdict::Faulty, Verdict::Healthy, Verdict::Faulty], "1-2, 1-3, 2-3: {found:#?}");
    for finding in found.iter().filter(|f| f.verdict == Verdict::Faulty) {
        assert_eq!(finding.figures["track_at_fault"], 2.0);
        assert!(finding.statement.contains("track 2 is the one at fault"), "{}", finding.statement);
    }
}

#[test]
fn signals_that_are_no_pair_are_left_undecided() {
    let identity = |x: f64| x;
    let stuck = |_: f64| 40.0;
    let finding = judged(&tracks(1, 300.0, 20.0, 0.0, false, &[&identity, &stuck]));
    assert_eq!(finding.verdict, Verdict::Undecided, "not fitted, or stuck: {finding:?}");
    assert!(
        finding.statement.contains("track 2 kept 40.0 % throughout, while track 1 moved between 14 and"),
        "{finding:?}"
    );
}

/// Tracks that end early, begin late, or are no straight line of each other: nothing of that is worn.
#[test]
fn a_track_that_is_bent_by_design_is_not_accused() {
    let bent: [fn(f64) -> f64; 5] = [
        |x| x * x / 80.0,
        |x| 10.0 * x.sqrt(),
        |x| (1.6 * x).min(70.0),
        |x| (x - 22.0).max(0.0),
        |x| 90.0 - x.max(20.0),
    ];
    for (k, bent) in bent.iter().enumerate() {
        for (rate, seed) in [(50.0, 1), (20.0, 2), (20.0, 3), (2.0, 4)] {
            let finding = judged(&tracks(seed, 400.0, rate, 0.5 / rate, false, &[&|x| x, bent]));
            assert_ne!(finding.verdict, Verdict::Faulty, "{k} {rate} {seed}: {finding:?}");
        }
        for drive in DRIVES {
            let Some(mut drive) = kit(drive) else { return };
            drive[1].2.iter_mut().for_each(|(_, value)| *value = (bent(*value) / 0.392).round() * 0.392);
            let finding = judged(&drive);
            assert_ne!(finding.verdict, Verdict::Faulty, "{k}: {finding:?}");
        }
    }
}

fn any_track() -> impl Strategy<Value = Samples> {
    let value = prop_oneof![6 => 0.0..100.0, 1 => Just(f64::NAN), 1 => Just(f64::NEG_INFINITY), 2 => Just(14.5)];
    prop::collection::vec((0.0..0.5f64, value), 0..200).prop_map(|steps| {
        let mut t = 0.0;
        let mut at = |dt: f64| {
            t += dt;
            t
        };
        steps.into_iter().map(|(dt, v)| (at(dt), v)).collect()
    })
}

proptest! {
    #[test]
    fn no_input_makes_it_panic(a in any_track(), b in any_track(), c in any_track()) {
        let signals: Vec<(&str, &str, Samples)> = PEDALS.into_iter().zip([a, b, c]).map(|(id, s)| (id, "%", s)).collect();
        assert_consistent(&examined(Kind::Pair, &recording(&signals)));
    }
}
