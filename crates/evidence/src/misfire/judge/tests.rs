//! What counts of misfires are worth, worked by hand and by other libraries.

use super::*;

fn count(events: u64, exposure: f64) -> Count {
    Count { events, exposure }
}

/// Pieces of so many firings each at 2000 rpm, one a second, with so many events.
fn pieces(firings: f64, events: &[f64]) -> Vec<Piece> {
    let piece = |(k, events): (usize, &f64)| {
        let t_ns = k as i64 * 1_000_000_000;
        Piece { t_ns, rpm: 2000.0, load: 40.0, firings, events: *events }
    };
    events.iter().enumerate().map(piece).collect()
}

/// The mean Poisson likelihoods are incomplete gamma integrals; common logarithm of their ratio by scipy 1.17.1:
/// `gammainc(k, x)` times `gamma(k)`, without events `exp1`, over the logarithms of the ranges; the last two by
/// `scipy.integrate.simpson` with two million points, where the gamma function is beyond double precision.
#[test]
fn evidence_of_a_rate() {
    for (events, firings, boundary, expected) in [
        (0, 500.0, 0.003, -1.70096),
        (0, 2000.0, 0.003, -4.05548),
        (3, 3000.0, 0.003, -2.06332),
        (5, 1000.0, 0.003, 0.78407),
        (5, 1000.0, 0.01, -1.21991),
        (12, 1000.0, 0.003, 4.28568),
        (40, 2000.0, 0.01, 4.57508),
        // A long drive near the boundary.
        (560, 50_000.0, 0.01, 2.65335),
        (210, 80_000.0, 0.003, -1.49564),
    ] {
        let got = log10_rate_matters(count(events, firings), boundary, 1.0);
        assert!((got - expected).abs() < 0.01, "{events} of {firings}: {got} for {expected}");
        // Three times as many in clusters of three are worth the same.
        let clustered = log10_rate_matters(count(3 * events, 3.0 * firings), boundary, 3.0);
        assert!((got - clustered).abs() < 1e-9);
    }
}

/// Bounds of the Bayes factor for p-values as Sellke, Bayarri and Berger tabulate them: 0.05 is worth 1 / 0.407.
#[test]
fn what_a_p_value_is_worth() {
    for (p, bound) in [(0.2, 0.870), (0.1, 0.625), (0.05, 0.407), (0.01, 0.125), (0.005, 0.072), (0.001, 0.0188)] {
        assert!((10f64.powf(-log10_of_p(p)) / bound - 1.0).abs() < 0.01, "{p}");
    }
    assert_eq!((log10_of_p(0.4), log10_of_p(1.0)), (0.0, 0.0));
    assert!(log10_of_p(0.0).is_finite());
}

/// Upper tails of the binomial law by `scipy.stats.binom.sf` 1.17.1, times the tries, through -1 / (e p ln p).
#[test]
fn evidence_that_one_cylinder_misses_more() {
    // 10 of 20 in a quarter of the firings: 0.013864, four cylinders.
    assert!((log10_more(count(10, 1000.0), count(10, 3000.0), 1.0, 4.0) - 0.36053).abs() < 1e-4);
    // 12 of 14 in half of them: 0.0064697.
    assert!((log10_more(count(12, 800.0), count(2, 800.0), 1.0, 1.0) - 1.05234).abs() < 1e-4);
    // 8 of 10, four cylinders in three places: 0.0041580 * 12; the same in clusters of two.
    assert!((log10_more(count(8, 100.0), count(2, 300.0), 1.0, 12.0) - 1.14333).abs() < 1e-4);
    assert!((log10_more(count(16, 100.0), count(4, 300.0), 2.0, 12.0) - 1.14333).abs() < 1e-4);
    // A fair share is no evidence, nor is a comparison with nothing.
    assert_eq!(log10_more(count(5, 1000.0), count(15, 3000.0), 1.0, 4.0), 0.0);
    assert_eq!(log10_more(count(5, 1000.0), count(0, 0.0), 1.0, 1.0), 0.0);
    assert_eq!(log10_more(count(5, 0.0), count(5, 100.0), 1.0, 1.0), 0.0);
}

#[test]
fn clusters_show_in_the_dispersion() {
    let of = |firings: f64, events: &[f64], expected: f64| dispersion(&pieces(firings, events), |_| expected);
    // Five blocks that expect 1 each and hold 5, 0, 0, 0, 0: (16 + 4) / 5 * 5 / 4, less sqrt(2 / 5 + 1 / 5).
    assert!((of(100.0, &[5.0, 0.0, 0.0, 0.0, 0.0], 1.0) - (5.0 - 0.6f64.sqrt())).abs() < 1e-9);
    // The same from pieces of half a block.
    let halves = [2.0, 3.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0];
    assert!((of(50.0, &halves, 0.5) - (5.0 - 0.6f64.sqrt())).abs() < 1e-9);
    // Too few blocks tell nothing; nor do even ones, nor no event.
    assert_eq!(of(100.0, &[4.0, 0.0, 0.0, 0.0], 1.0), 1.0);
    assert_eq!(of(100.0, &[1.0; 30], 1.0), 1.0);
    assert_eq!(of(100.0, &[0.0; 30], 0.0), 1.0);
    // Clusters of two blocks show in blocks twice as long: eight of the forty hold 5, the other 32 none. By single
    // blocks (8 * 16 + 32) / 40 * 40 / 39 = 4.10; by twos, of which four hold 10 and expect 2, (4 * 64 + 16 * 4) / 40
    // * 20 / 19, less sqrt(2 / 20 + 1 / 40).
    let mut twos = [0.0; 40];
    [4, 5, 10, 11, 20, 21, 30, 31].into_iter().for_each(|k| twos[k] = 5.0);
    assert!((of(100.0, &twos, 1.0) - (8.0 * 20.0 / 19.0 - 0.125f64.sqrt())).abs() < 1e-9);
}

/// A rate of its own inside a region is no cluster: 100 in every block there and 20 elsewhere, as evenly as can be.
#[test]
fn a_region_is_no_cluster() {
    let mut pieces = pieces(100.0, &[20.0; 60]);
    for piece in &mut pieces[20..30] {
        (piece.rpm, piece.events) = (3000.0, 100.0);
    }
    let (standing, dispersion) = region_and_dispersion(&pieces);
    assert_eq!((standing.unwrap().region.speed_rpm, dispersion), ((3000.0, f64::INFINITY), 1.0));
}

#[test]
fn blocks_keep_what_they_are_made_of() {
    // 90 firings are no block yet, 120 are one.
    let blocks = blocks(pieces(30.0, &[0.4, 0.4, 0.4, 0.4, 1.0, 2.4, 0.0]).iter());
    assert_eq!(blocks.iter().map(|block| block.exposure).collect::<Vec<_>>(), [120.0, 90.0]);
    // 1.6 and 3.4 are five in all: rounded one by one they were 2 and 3, rounded as a sum too.
    assert_eq!(blocks.iter().map(|block| block.events).collect::<Vec<_>>(), [2, 3]);
    let thirds = super::blocks(pieces(100.0, &[1.0 / 3.0; 9]).iter());
    assert_eq!(thirds.iter().map(|block| block.events).sum::<u64>(), 3);
}

#[test]
fn the_worst_stretch() {
    let events = [1.0, 0.0, 0.0, 2.0, 0.0, 1.0, 0.0, 0.0, 3.0, 1.0, 0.0];
    // Pieces of 30 firings, three of which fit into 100: the ninth and tenth, reached from the eighth on.
    assert_eq!(most_in(&pieces(30.0, &events), 100.0), (4.0, 7_000_000_000, 9_000_000_000));
    assert_eq!(most_in(&pieces(30.0, &events), 1e4).0, 8.0);
    // A piece that is longer than the stretch counts with all that is known of it.
    assert_eq!(most_in(&pieces(200.0, &events), 100.0).0, 3.0);
    assert_eq!(most_in(&[], 100.0), (0.0, 0, 0));
}

fn judged(events: u64, firings: f64, dispersion: f64, others: Option<Count>) -> Judged {
    let own = count(events, firings);
    let log10_rate = log10_rate_matters(own, OCCASIONAL, dispersion) + PRIOR.log10();
    let log10_more = others.map(|others| log10_more(own, others, dispersion, 4.0));
    let weighed = Weighed {
        basis: Basis::Drive,
        own,
        others,
        log10_rate,
        log10_beyond_occasional: log10_rate,
        log10_more,
        boundary: OCCASIONAL,
        n_places: 1.0,
    };
    Judged {
        all: own,
        dispersion,
        standing: None,
        weighed,
        log10_odds: weighed.log10_odds(),
        lacks_companions: false,
        stands_out: false,
        most: (0.0, 0.0),
        low_high: Some((100.0, 400.0)),
        above_idle: 200.0,
    }
}

/// Upper 95 % bounds of 0, 1 and 3 events are 2.9957, 4.7439 and 7.7537 (Garwood's table); of 1.5 events 5.5352
/// (`scipy.stats.chi2.ppf(0.95, 5) / 2`).
#[test]
fn bounds_and_what_they_lack() {
    assert!((judged(3, 1000.0, 1.0, None).bound() - 0.007_753_7).abs() < 1e-6);
    assert!((judged(3, 1000.0, 2.0, None).bound() - 2.0 * 0.005_535_2).abs() < 1e-6);
    // None of 2.9957 / 0.003 = 998.6 firings, and above idle none of 2.9957 / 0.01 = 299.6, of which 200 were driven.
    let (in_all, above_idle) = judged(0, 400.0, 1.0, None).lacking();
    assert!((in_all - 598.58).abs() < 0.01 && (above_idle - 99.57).abs() < 0.01, "{in_all} {above_idle}");
    // What is evidence of an occasional rate by itself needs no more than that.
    assert!((judged(1, 400.0, 1.0, None).lacking().0 - 598.58).abs() < 0.01);
    assert_eq!(judged(0, 1000.0, 1.0, None).lacking().0, 0.0);
    let (low, high) = judged(0, 1000.0, 1.0, None).lacking_low_high().unwrap();
    assert!((low - 199.57).abs() < 0.01 && high == 0.0, "{low} {high}");
}

/// So much more driving of the same kind decides, and a quarter of an octave less does not.
#[test]
fn how_much_more_decides() {
    let others = Some(count(3, 2400.0));
    for (events, firings, others) in [(6, 800.0, None), (9, 800.0, others), (1, 900.0, None), (0, 50.0, others)] {
        let grown = |times: f64| {
            let grow = |c: Count| count((c.events as f64 * times).round() as u64, c.exposure * times);
            let own = grow(count(events, firings));
            let odds = judged(own.events, own.exposure, 1.0, others.map(grow)).log10_odds;
            odds >= 2.0 || odds <= -1.0
        };
        let times = judged(events, firings, 1.0, others).times_to_decide(4).unwrap();
        assert!(times > 1.0 && grown(times) && (times < 1.2 || !grown(times / 2f64.powf(0.25))), "{times}");
    }
    // At the rate that the evidence turns at nothing decides.
    assert_eq!(judged(3, 1000.0, 1.0, None).times_to_decide(4), None);
}
