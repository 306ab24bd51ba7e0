//! Where events are laid and what stands out, worked by hand.

use super::super::engine::tests::{drive, engine, series};
use super::*;

fn piece(rpm: f64, load: f64, firings: f64, events: f64) -> Piece {
    Piece { t_ns: 0, rpm, load, firings, events }
}

#[test]
fn a_region_holds_its_lower_edge_and_not_its_upper() {
    let region = Region { speed_rpm: (1500.0, 1875.0), load_pct: (20.0, 30.0) };
    assert!(region.contains(1500.0, 20.0) && region.contains(1874.9, 29.9));
    assert!(!region.contains(1875.0, 20.0) && !region.contains(1500.0, 30.0) && !region.contains(1499.0, 19.0));
    assert!(Region::EVERYWHERE.contains(0.0, -5.0));
    for (rpm, load, corner) in [(0.0, 0.0, (0.0, 0.0)), (374.0, 9.0, (0.0, 0.0)), (2000.0, 55.0, (1875.0, 50.0))] {
        assert_eq!(corner_of(cell_of(rpm, load)), corner);
    }
    assert_eq!(corner_of(cell_of(1e9, 1e9)), (23.0 * 375.0, 120.0));
}

#[test]
fn sums_over_a_region() {
    let engine = engine(1, |_| 2000.0);
    let counter = super::super::counter::read(&series("m", "count", [(0.0, 0.0), (1.0, 0.0)]), &engine).unwrap();
    let mut laid = lay(&counter, &engine);
    laid.pieces =
        vec![piece(1600.0, 25.0, 100.0, 1.4), piece(1800.0, 25.0, 300.0, 1.3), piece(3000.0, 25.0, 50.0, 9.0)];
    let region = Region { speed_rpm: (1500.0, 1875.0), load_pct: Region::EVERYWHERE.load_pct };
    assert_eq!(laid.count_in(&region), Count { events: 3, exposure: 400.0 });
    // (100 * 1600 + 300 * 1800) / 400.
    assert_eq!(mean_rpm(&laid.pieces, &region), 1750.0);
    assert_eq!(mean_rpm(&[], &region), 2000.0);
}

/// Events between two readings go to the conditions driven between them, by their firings.
#[test]
fn events_are_spread_over_what_was_driven() {
    // 2 s at 1200 rpm (10 firings a second), then 2 s at 2400 rpm (20 a second); the speed changes in a tenth.
    let recording = drive(4, &[("engine.speed", "rpm", &|t| if t < 1.95 { 1200.0 } else { 2400.0 })]);
    let engine = Engine::of(&recording).unwrap();
    let counted = |at: &[(f64, f64)]| {
        lay(&super::super::counter::read(&series("m", "count", at.iter().copied()), &engine).unwrap(), &engine)
    };
    let within = |laid: &Laid, low: f64, high: f64| {
        let inside = laid.pieces.iter().filter(|piece| (low..high).contains(&piece.rpm));
        inside.fold((0.0, 0.0), |sum, piece| (sum.0 + piece.events, sum.1 + piece.firings))
    };
    // Six over 1 s of each; the tenth in which the speed changes (1800 rpm, 1.5 firings) is a gear change.
    let laid = counted(&[(0.0, 0.0), (0.95, 0.0), (2.95, 6.0), (4.0, 6.0)]);
    let (slow, fast) = (within(&laid, 0.0, 1500.0), within(&laid, 1500.0, 9e9));
    assert!((slow.1 - 19.0).abs() < 1e-6 && (fast.1 - 40.0).abs() < 1e-6, "{slow:?} {fast:?}");
    // Between the readings 9.5 firings slow, 1.5 between and 19 fast.
    assert!((slow.0 - 6.0 * 9.5 / 30.0).abs() < 1e-6 && (fast.0 - 6.0 * 19.0 / 30.0).abs() < 1e-6);
    assert!((laid.unjudged_events - 6.0 * 1.5 / 30.0).abs() < 1e-6 && (laid.unjudged_firings - 1.5).abs() < 1e-6);
    assert!((laid.longest_step_s - 2.0).abs() < 1e-9 && laid.unplaced_events == 0);
    assert_eq!((laid.spans[0].from_s, laid.spans[0].to_s, laid.spans.len()), (0.95, 2.95, 1));
    // Nothing is lost or counted twice, however it is read.
    let often = counted(&(0..=40).map(|k| (f64::from(k) / 10.0, f64::from((k + 5) / 10))).collect::<Vec<_>>());
    let all = often.count_in(&Region::EVERYWHERE);
    assert!(all.events == 4 && (all.exposure - 59.0).abs() < 1e-6, "{all:?}");
    // Without events it is laid in pieces of ten firings at most.
    assert!(often.pieces.iter().all(|piece| piece.firings <= QUIET_FIRINGS + 1e-9));
}

#[test]
fn what_is_not_judged_or_not_placed_is_kept_apart() {
    // Standing from 4 to 6 s; then 5 s in which counts mean nothing yet.
    let engine = engine(20, |t| if (3.95..6.05).contains(&t) { 0.0 } else { 1200.0 });
    let at = [
        (0.0, 0.0),
        (4.2, 0.0),
        (5.8, 3.0),
        (8.0, 3.0),
        (9.0, 7.0),
        (15.0, 7.0),
        (16.0, 8.0),
        (20.0, 8.0),
        (25.0, 9.0),
    ];
    let counter = super::super::counter::read(&series("m", "count", at), &engine).unwrap();
    let laid = lay(&counter, &engine);
    // Three while it stood and one after the end have no place; four came in the second from 8 s on.
    assert!(laid.unplaced_events == 4 && (laid.unjudged_events - 4.0).abs() < 1e-9, "{}", laid.unjudged_events);
    assert_eq!(laid.count_in(&Region::EVERYWHERE).events, 1);
    // Spans closer than 5 s are one.
    let spans: Vec<(f64, f64)> = laid.spans.iter().map(|span| (span.from_s, span.to_s)).collect();
    assert_eq!(spans, [(8.0, 9.0), (15.0, 16.0)]);
}

/// Kulldorff's ratio by hand: 12 of 20 events in a tenth of the driving, which expects 2: 12 ln 6 + 8 ln (8 / 18).
#[test]
fn the_place_that_stands_out() {
    let grid = |inside: f64| {
        let outside = (20.0 - inside) / 9.0;
        Grid::of(&[
            piece(1000.0, 25.0, 400.0, 4.0 * outside),
            piece(1000.0, 65.0, 300.0, 3.0 * outside),
            piece(3000.0, 25.0, 200.0, 2.0 * outside),
            piece(3000.0, 65.0, 100.0, inside),
        ])
    };
    let best = |grid: &Grid| best_box(&grid.boxes(), &Sums::of(&grid.events), &Sums::of(&grid.firings));
    let (ratio, at) = best(&grid(12.0)).unwrap();
    assert!((ratio - (12.0 * 6f64.ln() + 8.0 * (8.0f64 / 18.0).ln())).abs() < 1e-9, "{ratio}");
    assert_eq!(at, (8, 8, 6, 6));
    assert!((best(&grid(20.0)).unwrap().0 - 20.0 * 10f64.ln()).abs() < 1e-9, "all of them");
    // Two events have no place, and a part with 99 % of the driving has no outside to compare with.
    let two = |firings: (f64, f64), events: (f64, f64)| {
        best(&Grid::of(&[piece(1000.0, 25.0, firings.0, events.0), piece(3000.0, 65.0, firings.1, events.1)]))
    };
    assert!(two((900.0, 100.0), (0.0, 2.0)).is_none() && two((900.0, 100.0), (0.0, 3.0)).is_some());
    assert!(two((990.0, 10.0), (20.0, 0.0)).is_none() && two((970.0, 30.0), (20.0, 0.0)).is_some());

    let standing = grid(12.0).scan(1.0).unwrap();
    assert!(standing.p < 0.001, "{}", standing.p);
    // Nothing was driven beyond it, so that it is open there.
    assert_eq!(standing.region.speed_rpm, (3000.0, f64::INFINITY));
    assert_eq!(standing.region.load_pct, (60.0, f64::INFINITY));
    assert!(grid(12.0).scan(4.0).unwrap().p > 0.01, "in clusters of four it is three events of five");
    assert!(grid(2.5).scan(1.0).unwrap().p > 0.3, "a fair share");
    assert!(grid(12.0).scan(8.0).is_none(), "fewer than three clusters");
}

/// A cell between two others is bounded on both sides by what was driven there.
#[test]
fn a_place_amid_others_has_edges() {
    let cells = [1000.0, 2000.0, 3000.0].map(|rpm| [25.0, 45.0, 65.0].map(|load| (rpm, load)));
    let pieces: Vec<Piece> = cells
        .into_iter()
        .flatten()
        .map(|(rpm, load)| piece(rpm, load, 1000.0, if (rpm, load) == (2000.0, 45.0) { 40.0 } else { 1.0 }))
        .collect();
    let region = Grid::of(&pieces).scan(1.0).unwrap().region;
    assert_eq!((region.speed_rpm, region.load_pct), ((1875.0, 2250.0), (40.0, 50.0)));
}

/// Trials 0.05, 0.10 to 4.95: mean 2.5, standard deviation 1.436141. Gumbel law of these moments by
/// `scipy.stats.gumbel_r.sf` 1.17.1.
#[test]
fn how_often_chance_stands_out_as_much() {
    let trials: Vec<f64> = (1..=99).map(|k| 0.05 * f64::from(k)).collect();
    assert!((tail(&trials, 9.0) - 0.001_690_2).abs() < 1e-7);
    // With one to four trials above the law too; with five of them they are counted: (5 + 1) / (99 + 1).
    assert!((tail(&trials, 4.9) - 0.063_718_4).abs() < 1e-7);
    assert_eq!(tail(&trials, 4.745), 0.06);
    assert_eq!(tail(&trials, 0.0), 1.0);
}
