//! Signals of a tenth of a second that move with a command by a known size.

use signal::Series;

use super::edges::Edge;
use super::response::{delay_s, is_on_its_way, measure, student};
use super::*;
use crate::made::series;

fn about(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} for {expected}");
}

/// Ten edges at uneven times.
const TIMES_S: [f64; 10] = [20.0, 32.0, 47.0, 58.0, 76.0, 89.0, 106.0, 120.0, 139.0, 151.0];

fn command() -> Command {
    let edges = TIMES_S.iter().enumerate().map(|(k, &t_s)| Edge { t_s, is_on: k % 2 == 0 }).collect();
    Command { name: "fan".into(), edges, late_by_s: 0.0 }
}

/// A signal that follows the command by `response(seconds since the edge)` of the way, and trembles by 0.1.
fn following(size: f64, response: impl Fn(f64) -> f64) -> Series {
    series("custom.current", "A", 0.1, 1700, |k| {
        let t_s = 0.1 * k as f64 + 1e-6;
        let last = TIMES_S.iter().rposition(|edge| *edge <= t_s);
        let level = |edge: usize| if edge.is_multiple_of(2) { size } else { 0.0 };
        let tremble = 0.1 * if (k / 2).is_multiple_of(2) { 1.0 } else { -1.0 };
        tremble
            + last.map_or(0.0, |edge| {
                let before = if edge == 0 { 0.0 } else { level(edge - 1) };
                before + (level(edge) - before) * response(t_s - TIMES_S[edge])
            })
    })
}

#[test]
fn means_over_windows() {
    // 0, 1, 2 ... each second, one of them no number; means are differences from the first.
    let made = series("custom.level", "1", 1.0, 100, |k| if k == 40 { f64::NAN } else { 5.0 + k as f64 });
    let watched = Watched::new(&made).unwrap();
    assert_eq!((watched.over(10.0, 14.0), watched.over(9.5, 14.0)), (Some(11.5), Some(11.5)), "10 to 13");
    assert_eq!((watched.over(39.0, 42.0), watched.over(30.0, 70.0)), (Some(40.0), Some((1980.0 - 40.0) / 39.0)));
    assert_eq!((watched.over(39.5, 41.5), watched.over(10.0, 11.0), watched.over(200.0, 300.0)), (None, None, None));
    assert_eq!((watched.value(7), watched.first_at(7.0), watched.first_at(7.5)), (7.0, 7, 8));
    assert!(watched.fills(2.0) && !watched.fills(1.9));
    assert!(Watched::new(&series("custom.level", "1", 1.0, 9, |_| 4.0)).is_none());
}

#[test]
fn the_size_and_delay_of_a_response() {
    let command = command();
    let window_s = command.window_s();
    about(window_s, 0.45 * 12.0, 1e-12);
    for (size, unit_step) in [(3.0, 0.0), (-3.0, 0.0), (3.0, 1.25), (-3.0, 1.25)] {
        let made = following(size, |since| if since >= unit_step { 1.0 } else { 0.0 });
        let watched = Watched::new(&made).unwrap();
        let found = measure(&watched, &command, window_s).unwrap();
        about(found.mean, size, 0.02);
        about(found.late_mean, size, 0.02);
        assert_eq!((found.n, found.share_alike), (10, 1.0));
        assert!(found.p < 1e-6 && found.error < 0.05, "{} {}", found.p, found.error);
        let (delay, by) = delay_s(&watched, &command, found.windows, window_s).unwrap();
        assert!((delay - unit_step).abs() <= by + 0.05, "{delay} +- {by} for {unit_step}");
        assert!(!is_on_its_way(&watched, &command, &found, window_s));
        // Of the same switching at other times none is as strong.
        about(alone::chance(&watched, &found, &command, 1.0), 0.001, 1e-9);
    }
    // A time constant of 3 s is not through after 5.4 s; one of 1 s is.
    let lagging = |tau_s: f64| {
        let made = following(3.0, |since| 1.0 - (-since / tau_s).exp());
        let watched = Watched::new(&made).unwrap();
        let found = measure(&watched, &command, window_s).unwrap();
        let half = delay_s(&watched, &command, found.windows, window_s).unwrap().0;
        (is_on_its_way(&watched, &command, &found, window_s), found.mean, half)
    };
    let (on_its_way, mean, _) = lagging(3.0);
    assert!(on_its_way && mean < 2.5, "{mean}");
    let (on_its_way, mean, half) = lagging(1.0);
    assert!(!on_its_way);
    // The late half of the window, 2.7 to 5.4 s: 1 - (e^-2.7 - e^-5.4) / 2.7; half of that after ln 2 seconds.
    about(mean, 3.0 * (1.0 - ((-2.7_f64).exp() - (-5.4_f64).exp()) / 2.7), 0.08);
    about(half, std::f64::consts::LN_2, 0.2);
    // What is taken back within two seconds shows in the early window only.
    let brief = series("custom.current", "A", 0.1, 1700, |k| {
        let t_s = 0.1 * k as f64 + 1e-6;
        let tremble = 0.1 * if (k / 2).is_multiple_of(2) { 1.0 } else { -1.0 };
        let edge = TIMES_S.iter().position(|edge| (0.0..1.5).contains(&(t_s - edge)));
        tremble + edge.map_or(0.0, |edge| if edge % 2 == 0 { 3.0 } else { -3.0 })
    });
    let watched = Watched::new(&brief).unwrap();
    let found = measure(&watched, &command, window_s).unwrap();
    about(found.mean, 3.0 * 0.75, 0.15);
    about(found.late_mean, 0.0, 0.1);
}

/// What moves by itself moves at other times too.
#[test]
fn a_signal_that_moves_anyway() {
    let command = command();
    let made = series("custom.level", "1", 0.1, 1700, |k| (0.1 * k as f64 * 0.61).sin());
    let watched = Watched::new(&made).unwrap();
    let found = measure(&watched, &command, command.window_s()).unwrap();
    assert!(alone::chance(&watched, &found, &command, 1.0) > 0.05);
    assert!(alone::chance(&watched, &found, &command, 0.001) > 0.001, "ended early, above what was enough");
}

/// Published output of splitmix64 from the state 1234567 (from memory), its upper 53 bits as a share of 2^53.
#[test]
fn uniform_numbers() {
    let mut state = 1_234_567;
    for expected in [6_457_827_717_110_365_317_u64, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423] {
        about(alone::uniform(&mut state), expected as f64 / 2_f64.powi(64), 1e-12);
    }
}

/// Changes 2 and 4: mean 3, variance 2, error 1, t 3. Alike to the last digit they still stand in a step: 0.6 / sqrt(12) / sqrt(3).
#[test]
fn no_mean_is_surer_than_its_step() {
    let (mean, error, t) = student(&[2.0, 4.0], 0.0);
    about(mean, 3.0, 1e-12);
    about(error, 1.0, 1e-12);
    about(t, 3.0, 1e-12);
    about(student(&[5.0; 3], 0.6).1, 0.1, 1e-12);
}

/// 1.3333 standard deviations per edge in nine edges would be far beyond chance; of half a deviation, scipy 1.17.1:
/// 2 stats.t.sf(0.5 sqrt(n), n - 1) 20 tests is 0.0990 with 36 edges and 0.1266 with 34.
#[test]
fn how_many_cycles_would_do() {
    let command = command();
    let made = following(3.0, |_| 1.0);
    let mut found = measure(&Watched::new(&made).unwrap(), &command, command.window_s()).unwrap();
    (found.mean, found.error, found.n) = (-0.5, 0.1, 25);
    // Per edge -0.5 / (0.1 5) = -1: of either sign.
    let mut of = |mean: f64, significant: f64| {
        found.mean = mean;
        found.cycles_needed(20.0, significant)
    };
    assert_eq!((of(0.25, 0.1), of(-0.25, 0.1), of(0.25, 0.127)), (18, 18, 17));
    assert_eq!((of(50.0, 0.01), of(0.001, 0.01)), (5, 50));
    // Five standard errors with six edges, t.sf(5, 5) = 0.002052: 2.6877 decades, one of which is the prior.
    (found.late_mean, found.late_error, found.n) = (10.0, 8.0, 6);
    about(silent_decades(&found, 50.0), 1.6877, 1e-3);
    assert!(silent_decades(&found, 90.0) > silent_decades(&found, 50.0));
}

#[test]
fn how_often_other_times_may_do_as_well() {
    let uneven = command();
    let even =
        Command { edges: (0..10).map(|k| Edge { t_s: 12.0 * f64::from(k), is_on: k % 2 == 0 }).collect(), ..command() };
    let of = |command: &Command| [0.9e-6, 1.1e-6, 0.0099, 0.011].map(|chance| alone_limit(command, chance));
    assert_eq!((of(&uneven), of(&even)), ([0.1, 0.003, 0.003, 0.0], [0.1, 0.0, 0.0, 0.0]));
}

#[test]
fn whether_the_engine_ran() {
    let of = |id: &str, value: &dyn Fn(usize) -> f64| Recording {
        series: vec![series(id, if id == "engine.speed" { "rpm" } else { "km/h" }, 1.0, 200, value)],
        ..Recording::default()
    };
    // Between the edges at 20 and 151 s: 66 of 132 rows.
    let half = of("engine.speed", &|k| if k < 86 { 0.0 } else { 800.0 });
    about(running_share(&half, &command()), 66.0 / 132.0, 0.01);
    about(
        running_share(&of("engine.speed", &|k| if (20..152).contains(&k) { 800.0 } else { 0.0 }), &command()),
        1.0,
        0.01,
    );
    about(moving_share(&of("vehicle.speed", &|k| if k < 33 { 3.1 } else { 2.9 }), &command()), 13.0 / 132.0, 0.01);
    assert_eq!(
        (running_share(&Recording::default(), &command()), moving_share(&Recording::default(), &command())),
        (0.0, 0.0)
    );
}

/// The pressure of a clutch that is switched: it moves by hundreds, by nothing, or nobody knows since the engine stood.
#[test]
fn a_clutch_and_its_pressure() {
    let of = |kpa: f64, rpm: f64, n_edges: usize| {
        let is_on = |t_s: f64| TIMES_S[..n_edges].iter().filter(|edge| **edge <= t_s).count() % 2 == 1;
        let scatter = |k: usize| ((k * k * 389 + k * 7919) % 1013) as f64 / 101.3 - 5.0;
        let all = vec![
            series("ac.clutch", "1", 0.5, 340, |k| f64::from(u8::from(is_on(0.5 * k as f64)))),
            series("ac.pressure", "kPa", 0.5, 340, |k| {
                600.0 + scatter(k) + if is_on(0.5 * k as f64 - 1.0) { kpa } else { 0.0 }
            }),
            series("engine.speed", "rpm", 0.5, 340, |k| rpm + 0.1 * scatter(3 * k)),
        ];
        let recording = Recording { series: all, ..Recording::default() };
        run(&Examination::new(&recording)).remove(0)
    };
    let works = of(400.0, 800.0, 10);
    assert_eq!(works.verdict, Verdict::Healthy, "{}", works.statement);
    about(works.figures["size"], 400.0, 10.0);
    about(works.figures["delay_s"], 1.0, works.figures["delay_error_s"] + 0.3);
    assert_eq!((works.figures["edges"], works.figures["signals_looked_at"], works.spans.len()), (10.0, 2.0, 5));
    let dead = of(0.0, 800.0, 10);
    assert_eq!(dead.verdict, Verdict::Faulty, "{}", dead.statement);
    assert_eq!(of(0.0, 0.0, 10).verdict, Verdict::Undecided, "the engine stood");
    assert_eq!(of(0.0, 800.0, 5).verdict, Verdict::Undecided, "two cycles and a half");
    let once = of(0.0, 800.0, 1);
    assert!(once.verdict == Verdict::Undecided && once.log10_odds == 0.0);
    // The wrong way is no answer: pressure falls where a compressor would raise it.
    assert_ne!(of(-400.0, 800.0, 10).verdict, Verdict::Healthy);
}

/// Where nothing must respond, what moves by itself is no answer, however many edges there were.
#[test]
fn a_fan_that_nothing_answers() {
    let is_on = |t_s: f64| TIMES_S.iter().filter(|edge| **edge <= t_s).count() % 2 == 1;
    let fan = series("fan.command", "%", 0.5, 340, |k| if is_on(0.5 * k as f64) { 100.0 } else { 0.0 });
    let wanders = series("custom.level", "1", 0.1, 1700, |k| (0.1 * k as f64 * 0.61).sin());
    let found = run(&Examination::new(&Recording { series: vec![fan, wanders], ..Recording::default() })).remove(0);
    assert_eq!((found.verdict, found.log10_odds), (Verdict::Undecided, 0.0), "{}", found.statement);
}
