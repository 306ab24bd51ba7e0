//! Rates of events against published numbers and against scipy.
//!
//! The comparison with the library needs a Python interpreter with scipy, named by the environment variable
//! `WITNESS_PYTHON`; it is skipped without.
#![allow(clippy::unwrap_used)]

mod common;

use std::io::Write;
use std::process::{Command, Stdio};

use common::Rng;
use evidence::poisson::{
    Count, compare, e_test, interval, ln_clustered, ln_gamma_poisson, probability_greater, upper_bound,
};
use evidence::proof::Before;

fn count(events: u64, exposure: f64) -> Count {
    Count { events, exposure }
}

/// Both are equal to so many significant digits.
fn assert_near(got: f64, expected: f64, relative: f64, what: &str) {
    let near = (got - expected).abs() <= relative * expected.abs().max(1e-300) || got == expected;
    assert!(near, "{what}: {got}, expected {expected}");
}

/// The library's answers, or `None` without it.
fn scipy(questions: &[String]) -> Option<Vec<Vec<f64>>> {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has scipy");
        return None;
    };
    let has_scipy = Command::new(&python).args(["-c", "import scipy"]).stderr(Stdio::null()).status();
    if !has_scipy.is_ok_and(|status| status.success()) {
        eprintln!("skipped: {} has no scipy", python.to_string_lossy());
        return None;
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/rates.py");
    let mut child = Command::new(&python).arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let text = questions.join("\n");
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap().unwrap();
    assert!(output.status.success(), "the script failed");
    let text = String::from_utf8(output.stdout).unwrap();
    let answers: Vec<Vec<f64>> =
        text.lines().map(|line| line.split(' ').map(|word| word.parse().unwrap()).collect()).collect();
    assert_eq!(answers.len(), questions.len());
    Some(answers)
}

#[test]
fn two_rates_of_the_published_examples() {
    // The first row is scipy's documentation example of poisson_means_test (dodder seeds, Krishnamoorthy and Thomson 2004,
    // JSPI 119:23-35); the others were computed with scipy's binomtest and poisson_means_test.
    let infinite = f64::INFINITY;
    for (k1, t1, k2, t2, two_sided, one_sided, e, ratio, low, high) in [
        (0, 100.0, 3, 100.0, 0.2500, 0.1250, 0.08838, 0.0, 0.0, f64::NAN),
        (20, 1000.0, 4, 1000.0, 0.001_543_9, 0.000_771_94, 0.000_907_60, 5.0, 1.675, 20.118),
        (48, 3000.0, 5, 2000.0, 1.510_72e-6, 7.740_1e-7, 3.732_4e-7, 6.4, 2.560, 20.601),
        (30, 10.0, 12, 10.0, 0.007_915_9, 0.003_957_9, 0.005_135_6, 2.5, 1.243, 5.362),
        (0, 5.0, 9, 5.0, 0.003_906_3, 0.001_953_1, 0.001_193_3, 0.0, 0.0, 0.5066),
    ] {
        let what = format!("{k1}/{t1} against {k2}/{t2}");
        let got = compare(count(k1, t1), count(k2, t2)).unwrap();
        assert_near(got.p_two_sided, two_sided, 1e-4, &what);
        assert_near(if k1 == 0 { got.p_less } else { got.p_greater }, one_sided, 1e-4, &what);
        assert_near(e_test(count(k1, t1), count(k2, t2)).unwrap(), e, 1e-4, &what);
        assert_near(got.ratio, ratio, 1e-9, &what);
        assert_near(got.ratio_interval.0, low, 1e-3, &what);
        if !high.is_nan() {
            assert_near(got.ratio_interval.1, high, 1e-3, &what);
        }
    }
    assert_eq!(compare(count(3, 1.0), count(0, 1.0)).unwrap().ratio_interval.1, infinite);
}

#[test]
fn exact_intervals_of_the_classical_table() {
    // Garwood 1936, Biometrika 28:437-442 (the classical table of Poisson limits).
    for (k, low, high, upper) in [
        (0, 0.0, 3.688_88, 2.995_73),
        (1, 0.025_318, 5.571_64, 4.743_86),
        (2, 0.242_209, 7.224_69, 6.295_79),
        (3, 0.618_672, 8.767_27, 7.753_66),
        (4, 1.089_87, 10.241_59, 9.153_52),
        (5, 1.623_49, 11.668_33, 10.513_03),
        (10, 4.795_39, 18.390_36, 16.962_22),
        (20, 12.216_52, 30.888_38, 29.062_02),
        (50, 37.110_96, 65.918_77, 63.287_07),
        (100, 81.363_99, 121.626_79, 118.079_28),
    ] {
        let got = interval(f64::from(k), 0.95);
        assert_near(got.0, low, 5e-5, "low");
        assert_near(got.1, high, 2e-6, "high");
        assert_near(upper_bound(f64::from(k), 0.95), upper, 2e-6, "upper");
    }
    // Rule of three: Hanley and Lippman-Hand 1983 (from memory).
    assert!(upper_bound(0.0, 0.95) / 30_000.0 < 1e-4);
    assert!(upper_bound(0.0, 0.95) / 29_900.0 > 1e-4);
}

#[test]
fn which_rate_is_greater() {
    // Computed from P(Beta(k1 + 1/2, k2 + 1/2) > T1 / (T1 + T2)) with scipy.
    for (k1, t1, k2, t2, p) in
        [(20, 1000.0, 4, 1000.0, 0.999_661), (0, 5.0, 9, 5.0, 0.000_337_882), (3, 1.0, 0, 1.0, 0.966_854)]
    {
        assert_near(probability_greater(count(k1, t1), count(k2, t2), 1.0), p, 2e-6, "P(rate1 > rate2)");
    }
    // Power of a move of the count from one cylinder to another: chance that the conditional one-sided test reaches 5 %.
    for (m1, m2, power) in [(15.0, 3.0, 0.87), (10.0, 2.0, 0.68), (6.0, 1.0, 0.44)] {
        let ln_p = |k: u64, mean: f64| ln_clustered(k, mean, 1.0).exp();
        let reached: f64 = (0..60)
            .flat_map(|a| (0..60).map(move |b| (a, b)))
            .filter(|&(a, b)| compare(count(a, 1.0), count(b, 1.0)).unwrap().p_greater <= 0.05)
            .map(|(a, b)| ln_p(a, m1) * ln_p(b, m2))
            .sum();
        assert!((reached - power).abs() < 0.006, "{m1} against {m2}: {reached}");
    }
}

#[test]
fn random_counts_agree_with_scipy() {
    let mut rng = Rng(7);
    let mut questions = Vec::new();
    let mut ours: Vec<Vec<f64>> = Vec::new();
    for _ in 0..300 {
        let size = 10f64.powf(rng.uniform() * 3.0);
        let mut events = || (rng.uniform() * size).floor() as u64;
        let (k1, k2) = (events(), events() + 1);
        let (t1, t2) = (1.0 + rng.uniform() * 1e4, 1.0 + rng.uniform() * 1e4);
        let (a, b) = (count(k1, t1), count(k2, t2));
        let confidence = [0.5, 0.8, 0.95, 0.999][(k1 % 4) as usize];
        questions.push(format!("interval {k1} {confidence}"));
        let (low, high) = interval(k1 as f64, confidence);
        ours.push(vec![low, high, upper_bound(k1 as f64, confidence)]);
        questions.push(format!("compare {k1} {t1} {k2} {t2}"));
        let got = compare(a, b).unwrap();
        ours.push(vec![
            got.p_greater,
            got.p_less,
            got.p_two_sided,
            got.ratio_interval.0,
            got.ratio_interval.1,
            e_test(a, b).unwrap(),
            probability_greater(a, b, 1.0),
        ]);
        let (mean, dispersion) = (0.01 + rng.uniform() * size, 1.05 + rng.uniform() * 20.0);
        questions.push(format!("clustered {k1} {mean} {dispersion}"));
        ours.push(vec![ln_clustered(k1, mean, dispersion)]);
        questions.push(format!("marginal {k1} {t1} 0.5 {t2}"));
        ours.push(vec![ln_gamma_poisson(a, 0.5, t2)]);
        let needed = Before { count: b, dispersion: 1.0 }.needed_exposure(k1 % 5, 0.95);
        questions.push(format!("needed {k2} {t2} {} {needed}", k1 % 5));
        ours.push(vec![0.05]);
    }
    let Some(theirs) = scipy(&questions) else { return };
    let mut n_tied = 0;
    for ((question, ours), theirs) in questions.iter().zip(&ours).zip(&theirs) {
        assert_eq!(ours.len(), theirs.len(), "{question}");
        for (column, (our, their)) in ours.iter().zip(theirs).enumerate() {
            // Where outcomes tie (such as 0 against 2 and 2 against 0 of whatever exposures) the library leaves it to
            // rounding whether its E-test counts them, so that it may only be smaller; where nothing ties they agree.
            if column == 5 && *their < our - 1e-9 - 1e-7 * our {
                n_tied += 1;
                continue;
            }
            let near = (our - their).abs() <= 1e-7 * their.abs() + 1e-9 || our == their;
            assert!(near, "{question}: {ours:?}, scipy {theirs:?}");
        }
    }
    assert!(n_tied < 100, "{n_tied} E-tests differ");
}
