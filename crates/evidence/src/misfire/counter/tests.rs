//! Counters of every style, worked by hand.

use super::super::engine::tests::{engine, series};
use super::*;

/// An engine at 3000 rpm for a hundred seconds: 25 firings of a cylinder a second, 200 revolutions in 4 s.
fn even() -> Engine {
    engine(100, |_| 3000.0)
}

fn of(engine: &Engine, at: impl IntoIterator<Item = (f64, f64)>) -> Counter {
    read(&series("misfire.cylinder_1", "count", at), engine).unwrap()
}

/// One reading a second.
fn each_second(values: &[f64]) -> Counter {
    of(&even(), values.iter().enumerate().map(|(k, value)| (k as f64, *value)))
}

/// Steps with events: from and to in seconds, events.
fn events(counter: &Counter) -> Vec<(f64, f64, u64)> {
    let step = |step: &Step| (seconds_from_nanos(step.from_ns), seconds_from_nanos(step.to_ns), step.events);
    counter.steps.iter().filter(|step| step.events > 0).map(step).collect()
}

#[test]
fn changes_of_a_counter_are_events() {
    let counter = each_second(&[7.0, 7.0, 10.0, 10.0, 12.0]);
    assert_eq!((counter.style, counter.steps.len()), (Style::Cumulative, 4));
    assert_eq!(events(&counter), [(1.0, 2.0, 3), (3.0, 4.0, 2)]);
    assert_eq!(counter.steps[2].seconds(), 1.0);
    assert_eq!(each_second(&[7.0; 5]).style, Style::Still);
}

/// From 250 over 255 to 4 are ten events; as far as so many can have been missed.
#[test]
fn a_counter_that_runs_over() {
    let counter = each_second(&[250.0, 250.0, 4.0, 4.0]);
    assert_eq!((counter.style, events(&counter)), (Style::Wrapping(8), vec![(1.0, 2.0, 10)]));
    let wide = each_second(&[65_530.0, 65_530.0, 4.0, 4.0]);
    assert_eq!((wide.style, events(&wide)), (Style::Wrapping(16), vec![(1.0, 2.0, 10)]));
    assert_eq!((run_over(250, 4, 250, 10.0), run_over(250, 4, 250, 9.0)), (Some(8), None));
    // From the upper half to the lower one: 128 steps at most.
    assert_eq!((run_over(128, 0, 200, 1e9), run_over(127, 0, 200, 1e9)), (Some(8), None));
    assert_eq!((run_over(250, 4, 256, 1e9), run_over(65_530, 4, 65_536, 1e9)), (None, None));
}

/// At 3000 rpm 25 firings a second: 1.5 * 25 + 4.
#[test]
fn no_more_is_missed_than_fires() {
    assert!((possible(1_000_000_000, 2_000_000_000, &even()) - 41.5).abs() < 1e-6);
    let counter = each_second(&[0.0, 41.0, 41.0, 83.0, 84.0]);
    assert_eq!((events(&counter), counter.n_impossible), (vec![(0.0, 1.0, 41), (3.0, 4.0, 1)], 1));
    assert!(!counter.is_doubtful() && each_second(&[0.0, 99.0, 99.0, 200.0]).is_doubtful());
}

/// A counter begins anew at a start of the engine: what it shows then was counted since.
#[test]
fn a_counter_that_starts_again() {
    // Between the readings it ran long enough for eight misfires, had the counter run over.
    let engine = engine(20, |t| if (9.0..11.0).contains(&t) { 0.0 } else { 3000.0 });
    let counter = of(&engine, [4.0, 8.0, 12.0, 16.0].map(|t| (t, if t < 10.0 { 250.0 } else { 2.0 })));
    assert_eq!((counter.style, events(&counter)), (Style::Restarting, vec![(8.0, 12.0, 2)]));
    // Without a stop, from a value that cannot have run over.
    let cleared = each_second(&[9.0, 9.0, 2.0, 3.0]);
    assert_eq!((cleared.style, events(&cleared)), (Style::Restarting, vec![(1.0, 2.0, 2), (2.0, 3.0, 1)]));
}

#[test]
fn single_wrong_answers_are_left_out() {
    let events_of = |values: &[f64]| events(&each_second(values)).iter().map(|step| step.2).sum::<u64>();
    assert_eq!([events_of(&[5.0, 0.0, 5.0, 5.0]), events_of(&[5.0, 90.0, 5.0, 5.0])], [0, 0]);
    let kept = |values: [u64; 3]| {
        let readings: Vec<(i64, u64)> = (0..).map(|k| k * 1_000_000_000).zip(values).collect();
        without_slips(&readings, &even()).len() == 3
    };
    // One that differs from its neighbours, which differ themselves; one that may have been counted.
    assert!(kept([5, 0, 6]) && kept([5, 20, 5]) && kept([5, 5, 5]) && !kept([5, 4, 5]) && !kept([0, 42, 0]));
}

#[test]
fn what_is_no_count_is_not_read() {
    let read = |unit: &str, n_wrong: usize| {
        let value = |k: usize| if k < n_wrong { 0.5 } else { 1.0 };
        read(&series("misfire.cylinder_1", unit, (0..20).map(|k| (k as f64, value(k)))), &even()).is_some()
    };
    assert!(read("count", 0) && read("1", 2) && !read("%", 0) && !read("count", 3) && !read("count", 19));
}

/// At its end of scale nothing is counted any more, so that no driving counts as free of misfires either.
#[test]
fn a_counter_at_its_end() {
    let until = |top: f64, n: usize, last: f64| {
        let values: Vec<f64> = [top - 5.0].into_iter().chain(vec![top; n]).chain([last]).collect();
        let counter = each_second(&values);
        (counter.is_saturated, counter.steps.len())
    };
    assert_eq!(until(255.0, 9, 255.0), (true, 1), "ten readings at 255");
    assert_eq!(until(255.0, 8, 255.0), (false, 9), "nine of them are no end yet");
    assert_eq!(until(255.0, 12, 256.0), (false, 13), "it went on");
    assert_eq!(until(65_535.0, 1, 65_535.0), (true, 1));
    // One answer of FFFF is no end, and no count either, though the counter went on meanwhile.
    let wrong = each_second(&[100.0, 101.0, 65_535.0, 102.0, 103.0]);
    assert_eq!((wrong.is_saturated, wrong.n_impossible, wrong.style), (false, 0, Style::Cumulative));
    assert_eq!(events(&wrong), [(0.0, 1.0, 1), (1.0, 3.0, 1), (3.0, 4.0, 1)]);
}

/// Two readings a second for a hundred seconds.
fn twice_a_second(value: impl Fn(f64) -> f64) -> Counter {
    of(&even(), (0..=200).map(|k| f64::from(k) / 2.0).map(|t| (t, value(t))))
}

/// Windows of 200 revolutions end every 4 s, here a quarter of a second behind a whole one.
fn window_of_time(t: f64) -> f64 {
    ((t - 0.25) / 4.0).floor()
}

#[test]
fn a_counter_that_starts_anew_in_every_window() {
    // Two misfires one second into each window, and three more 1.5 s later.
    let counter = twice_a_second(|t| match (t - 0.25).rem_euclid(4.0) {
        into if into < 1.0 => 0.0,
        into if into < 2.5 => 2.0,
        _ => 5.0,
    });
    assert_eq!(counter.style, Style::Window(200));
    let events = events(&counter);
    assert_eq!((events.iter().map(|step| step.2).sum::<u64>() - 5) / 24, 5, "five in each whole window");
    assert!(events.iter().all(|step| (step.1 - 0.25).rem_euclid(4.0) < 3.0 && step.1 - step.0 == 0.5), "{events:?}");
}

#[test]
fn a_counter_that_shows_the_last_window() {
    // What was counted in the window that began at 8.25 s is shown from 12.25 s on.
    let counted = |n: f64| if n < 4.0 || n.rem_euclid(2.0) == 0.0 { 5.0 } else { 7.0 + n.rem_euclid(3.0) };
    let counter = twice_a_second(|t| counted(window_of_time(t) - 1.0));
    assert_eq!((counter.style, counter.is_saturated, counter.n_impossible), (Style::HeldWindow(200), false, 0));
    for (from_s, to_s, n) in events(&counter) {
        assert!((to_s - from_s - 4.0).abs() < 0.01 && (from_s - 0.25).rem_euclid(4.0) < 0.01, "{from_s} {to_s}");
        assert_eq!(n as f64, counted(((from_s + to_s) / 2.0 - 0.25).div_euclid(4.0)), "{from_s}");
    }
    // From the start (a window that began before it is left out) to the end, each once.
    let seconds: f64 = counter.steps.iter().map(Step::seconds).sum();
    assert!((seconds - 96.0).abs() < 0.1, "{seconds}");
}

#[test]
fn a_sum_that_is_brought_up_to_date_after_each_window() {
    let counter = twice_a_second(|t| 60.0 * window_of_time(t).max(0.0));
    assert_eq!((counter.style, counter.n_impossible), (Style::Added(200), 0));
    let events = events(&counter);
    for (from_s, to_s, n) in &events[1..] {
        // Shown half a second after the window at the latest.
        assert_eq!((*n, (to_s - 0.5).rem_euclid(4.0)), (60, 0.0));
        assert!((to_s - from_s - 4.0).abs() < 1e-6, "{from_s} {to_s}");
    }
    assert!(counter.steps.windows(2).all(|two| two[0].to_ns <= two[1].from_ns));
    // Of the window that is not over nothing is known.
    let until_s = seconds_from_nanos(counter.steps.last().unwrap().to_ns);
    assert!((until_s - 96.5).abs() < 1e-6, "{until_s}");
}

/// Misfires that come when they like are no windows.
#[test]
fn a_counter_that_just_counts() {
    let times = [3.1, 5.3, 13.2, 18.9, 21.4, 22.2, 31.7, 40.3, 41.8, 55.5, 61.9, 62.3, 77.1, 80.6, 93.4];
    let counter = twice_a_second(|t| times.iter().filter(|at| **at <= t).count() as f64);
    assert_eq!((counter.style, events(&counter).len()), (Style::Cumulative, times.len()));
}

/// Middles 105 and 510, known to 5 and 10 revolutions: 405 are two windows of 200 and 5; the engine speed is off by a
/// hundredth of 405, one more for rounding.
#[test]
fn how_well_changes_fit_windows() {
    let change = |from_rev: f64, to_rev: f64| Change { idx: 0, from_rev, to_rev };
    let (a, b, c) = (change(100.0, 110.0), change(500.0, 520.0), change(395.0, 415.0));
    let (off, allowed) = misfit(&a, &b, 200.0);
    assert!((off - 5.0).abs() < 1e-9 && (allowed - 20.05).abs() < 1e-9, "{off} {allowed}");
    assert!((misfit(&a, &change(150.0, 160.0), 200.0).0 - 150.0).abs() < 1e-9, "one window at least");
    // By chance 40.1 of 200 revolutions fit: 0.95 / 0.2005 + 0.05 = 4.788; one that does not fit has 0.05.
    assert!((log10_aligned(&[a, b], 200.0) - 4.788f64.log10()).abs() < 1e-4);
    assert!((log10_aligned(&[a, c], 200.0) - 0.05f64.log10()).abs() < 1e-9);
    assert_eq!(log10_aligned(&[change(0.0, 150.0), change(300.0, 400.0)], 200.0), 0.0, "all of it fits");
}
