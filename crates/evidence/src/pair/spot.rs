//! Disagreement that belongs to a place in the travel.

use statrs::function::beta::ln_beta;

use super::relation::{CELLS, Relation, Residual, cell};
use crate::finding::Span;

/// Widest part of the visited travel that is still a spot and not another shape of the line.
const WIDEST_SHARE: f64 = 0.4;

/// Narrowest worn place, points of the first track: wear comes from resting and rocking, which covers some 3 % of the
/// travel (assumed, no source). Visits are counted over at least this width, so that a place cannot be cut to fit a few
/// bad readings.
const NARROWEST: f64 = 3.0;

/// Scatter both ways must be this much more likely (log10) than an error of one sign, which it includes.
const NOISE_IS_RARER: f64 = 1.0;

/// A visit is counted anew after this long, seconds: skew lasts as long as a movement of the foot.
const VISIT_S: f64 = 5.0;

/// Which way the second track is off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sign {
    /// Reads too little there.
    Low,
    /// Reads too much there.
    High,
    /// Scatters both ways.
    Both,
}

impl Sign {
    fn is_bad(self, r: &Residual) -> bool {
        match self {
            Self::Low => r.off < -r.allowed,
            Self::High => r.off > r.allowed,
            Self::Both => r.off.abs() > r.allowed,
        }
    }
}

/// Visits to a part of the travel, and how many of them were bad.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Visits {
    pub(crate) all: f64,
    pub(crate) bad: f64,
}

/// A place where the tracks disagree.
#[derive(Debug, Clone)]
pub(crate) struct Spot {
    /// From which to which reading of the first track.
    pub(crate) from: f64,
    /// See `from`.
    pub(crate) to: f64,
    /// Median difference there, in units of the second track; root mean square for [`Sign::Both`].
    pub(crate) depth: f64,
    /// Which way.
    pub(crate) sign: Sign,
    /// Visits to it.
    pub(crate) visits: Visits,
    /// Visits to other places.
    pub(crate) elsewhere: Visits,
    /// log10 of the likelihood ratio, after the price for having looked everywhere.
    pub(crate) log10_lr: f64,
    /// The bad visits.
    pub(crate) spans: Vec<Span>,
}

/// Natural logarithm of the beta-binomial probability of one sequence of visits under a Beta(a, b) prior of their rate.
fn ln_beta_binomial(visits: Visits, a: f64, b: f64) -> f64 {
    ln_beta(a + visits.bad, b + visits.all - visits.bad) - ln_beta(a, b)
}

/// log10 likelihood ratio of "bad visits belong to this place" over "bad visits happen anywhere".
///
/// With a spot most visits are bad: Beta(2, 1). Without one the rate is that of the other places: Beta(1, 20) (one movement
/// in twenty may fool the alignment) plus half of what was seen there, since movements come in groups.
pub(crate) fn log10_lr(here: Visits, elsewhere: Visits) -> f64 {
    let (good, bad) = (0.5 * (elsewhere.all - elsewhere.bad), 0.5 * elsewhere.bad);
    (ln_beta_binomial(here, 2.0, 1.0) - ln_beta_binomial(here, 1.0 + bad, 20.0 + good)) / std::f64::consts::LN_10
}

/// Counts visits to each zone; `zone` gives the zone of a reading, `f` is called with zone, span and badness of each visit.
fn each_visit(usable: &[Residual], zone: impl Fn(f64) -> usize, sign: Sign, mut f: impl FnMut(usize, Span, bool)) {
    let mut k = 0;
    while k < usable.len() {
        let from = &usable[k];
        let here = zone(from.at);
        let (mut n, mut n_bad) = (0usize, 0usize);
        let mut to_s = from.t_s;
        while k < usable.len() && zone(usable[k].at) == here && usable[k].t_s - from.t_s <= VISIT_S {
            n += 1;
            n_bad += usize::from(sign.is_bad(&usable[k]));
            to_s = usable[k].t_s;
            k += 1;
        }
        f(here, Span { from_s: from.t_s, to_s }, 2 * n_bad > n);
    }
}

/// Visits per equal part of the visited travel.
pub(crate) fn visits_per_part(relation: &Relation, n_parts: usize) -> Vec<Visits> {
    let mut parts = vec![Visits::default(); n_parts];
    each_visit(
        &relation.usable,
        |x| cell(x, relation.visited, n_parts),
        Sign::Both,
        |zone, _, bad| {
            parts[zone].all += 1.0;
            parts[zone].bad += f64::from(u8::from(bad));
        },
    );
    parts
}

/// A place that bends away from the line by less than a fault, but by more than its visits scatter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Bump {
    /// From which to which reading of the first track.
    pub(crate) from: f64,
    /// See `from`.
    pub(crate) to: f64,
    /// Middle of what its visits were off by, in units of the second track.
    pub(crate) off: f64,
}

/// Share of the tolerance from which on a bend of one place is worth a second look: a worn place with soft edges exceeds
/// the tolerance in its middle only, which few visits meet.
const BUMP_SHARE: f64 = 0.6;
/// Fewest visits, and how many of their standard errors the bend must be.
const BUMP_VISITS: usize = 4;
const BUMP_SIGMAS: f64 = 3.0;
/// Cells at either end of the travel that are no place for a bump, and prove no spot.
const AT_STOPS: usize = 2;

/// Whether a place lies at a stop altogether. Its readings are where the line between the tracks ends: a slope or an offset
/// that is a little off shows there first and at every visit, as does one track that ends before the other.
pub(crate) fn is_at_stop(spot: &Spot, visited: (f64, f64)) -> bool {
    let reach = AT_STOPS as f64 * (visited.1 - visited.0) / CELLS as f64;
    spot.to <= visited.0 + reach || spot.from >= visited.1 - reach
}

/// The greatest bump, if any: cells of the travel whose visits agree on one side.
pub(crate) fn bump(relation: &Relation) -> Option<Bump> {
    let usable = &relation.usable;
    let mut cells: Vec<Vec<f64>> = vec![Vec::new(); CELLS];
    let mut k = 0;
    while k < usable.len() {
        let from = k;
        let here = cell(usable[from].at, relation.visited, CELLS);
        while k < usable.len()
            && cell(usable[k].at, relation.visited, CELLS) == here
            && usable[k].t_s - usable[from].t_s <= VISIT_S
        {
            k += 1;
        }
        cells[here].push(usable[from..k].iter().map(|r| r.off).sum::<f64>() / (k - from) as f64);
    }
    let width = (relation.visited.1 - relation.visited.0) / CELLS as f64;
    let notable = BUMP_SHARE * relation.floor;
    // At the stops two sound tracks may end one after the other (an open drive of a sound car shows it at the floor).
    let inside = cells.iter_mut().enumerate().skip(AT_STOPS).take(CELLS - 2 * AT_STOPS);
    let bumps = inside.filter_map(|(k, visits)| {
        let n = visits.len();
        let (off, sigma) = crate::stats::robust::median_and_sigma(visits)?;
        // The median of n values has 1.25 times the error of their mean.
        let is_sure = n >= BUMP_VISITS && off.abs() > BUMP_SIGMAS * 1.25 * sigma / (n as f64).sqrt();
        let from = relation.visited.0 + width * k as f64;
        (is_sure && off.abs() > notable).then_some(Bump { from, to: from + width, off })
    });
    bumps.max_by(|a, b| a.off.abs().total_cmp(&b.off.abs()))
}

/// The interval of values with the greatest sum of weights. `None` when no sum is positive.
fn best_run(weights: impl Iterator<Item = f64>) -> Option<(usize, usize)> {
    let (mut best, mut best_run) = (0.0, None);
    let (mut sum, mut from) = (0.0, 0);
    for (k, weight) in weights.enumerate() {
        if sum <= 0.0 {
            (sum, from) = (0.0, k);
        }
        sum += weight;
        if sum > best {
            (best, best_run) = (sum, Some((from, k)));
        }
    }
    best_run
}

/// The most suspicious place, if any reading at all is off.
pub(crate) fn find(relation: &Relation) -> Option<Spot> {
    let worth = |spot: &Spot| spot.log10_lr - if spot.sign == Sign::Both { NOISE_IS_RARER } else { 0.0 };
    [Sign::Low, Sign::High, Sign::Both]
        .into_iter()
        .filter_map(|sign| with_sign(relation, sign))
        .max_by(|a, b| worth(a).total_cmp(&worth(b)))
}

fn with_sign(relation: &Relation, sign: Sign) -> Option<Spot> {
    let usable = &relation.usable;
    let visited = relation.visited;
    if !usable.iter().any(|r| sign.is_bad(r)) {
        return None;
    }
    let mut cells = vec![Visits::default(); CELLS];
    each_visit(
        usable,
        |x| cell(x, visited, CELLS),
        sign,
        |zone, _, bad| {
            cells[zone].all += 1.0;
            cells[zone].bad += f64::from(u8::from(bad));
        },
    );
    // Half of the visits bad is worth it, a third is not: the middle between nothing (0) and a spot (most).
    let (first, last) = best_run(cells.iter().map(|v| v.bad - 0.4 * v.all))?;
    let cell_width = (visited.1 - visited.0) / CELLS as f64;
    let rough = (visited.0 + cell_width * (first as f64 - 1.0), visited.0 + cell_width * (last as f64 + 2.0));
    let (from, to) = refine(usable, rough, sign)?;
    if to - from > WIDEST_SHARE * (visited.1 - visited.0) {
        return None;
    }
    let is_in = |x: f64| x >= from && x <= to;
    let margin = (0.5 * (NARROWEST - (to - from))).max(0.0);
    let is_near = |x: f64| x >= from - margin && x <= to + margin;
    let mut visits = Visits::default();
    let mut spans = Vec::new();
    let mut middles = Vec::new();
    each_visit(
        usable,
        |x| usize::from(is_near(x)),
        sign,
        |zone, span, bad| {
            if zone == 1 {
                visits.all += 1.0;
                let here =
                    usable.partition_point(|r| r.t_s < span.from_s)..usable.partition_point(|r| r.t_s <= span.to_s);
                let mut offs: Vec<f64> = usable[here].iter().filter(|r| is_in(r.at)).map(|r| r.off).collect();
                middles.extend(crate::stats::robust::median(&mut offs));
                if bad {
                    visits.bad += 1.0;
                    spans.push(span);
                }
            }
        },
    );
    let mut elsewhere = Visits::default();
    for (k, v) in cells.iter().enumerate() {
        let centre = visited.0 + cell_width * (k as f64 + 0.5);
        // The cells at the rims of the spot belong to neither.
        if centre < from - margin - cell_width || centre > to + margin + cell_width {
            elsewhere.all += v.all;
            elsewhere.bad += v.bad;
        }
    }
    let mut inside: Vec<f64> = usable.iter().filter(|r| is_in(r.at)).map(|r| r.off).collect();
    let depth = if sign == Sign::Both {
        (inside.iter().map(|off| off * off).sum::<f64>() / inside.len().max(1) as f64).sqrt()
    } else {
        crate::stats::robust::median(&mut inside)?
    };
    // A place whose middle reading is not off is none, nor one whose middle visit is not: a foot that rests at the soft rim
    // of a place gives many readings and one visit. Timing that fooled the alignment changes its sign with the direction of
    // the movement, a worn place does not.
    let is_beyond = |off: f64| off.abs() > relation.floor && (sign == Sign::Both || off * depth > 0.0);
    let is_off = is_beyond(depth) || crate::stats::robust::median(&mut middles).is_some_and(is_beyond);
    // It was sought among all places that differ, with three signs.
    let n_places = ((visited.1 - visited.0) / NARROWEST).clamp(1.0, CELLS as f64);
    let log10_lr = if is_off { log10_lr(visits, elsewhere) - (3.0 * n_places).log10() } else { f64::NEG_INFINITY };
    Some(Spot { from, to, depth, sign, visits, elsewhere, log10_lr, spans })
}

/// Edges of a spot to the reading: the interval within `rough` that holds most bad and fewest good readings.
fn refine(usable: &[Residual], rough: (f64, f64), sign: Sign) -> Option<(f64, f64)> {
    let mut near: Vec<(f64, bool)> =
        usable.iter().filter(|r| r.at >= rough.0 && r.at <= rough.1).map(|r| (r.at, sign.is_bad(r))).collect();
    near.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    // Readings of the same value count by their share, else a held pedal decides where the edge is.
    let mut values: Vec<(f64, f64, f64)> = Vec::new();
    for (x, bad) in near {
        match values.last_mut().filter(|last| x - last.0 < 0.2) {
            Some(last) => {
                last.1 += f64::from(u8::from(bad));
                last.2 += 1.0;
            }
            None => values.push((x, f64::from(u8::from(bad)), 1.0)),
        }
    }
    let (first, last) = best_run(values.iter().map(|(_, bad, all)| (bad / all - 0.4) * all.sqrt()))?;
    Some((values[first].0, values[last].0))
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::relation::tests::relation;
    use super::*;

    #[test]
    fn beta_binomial_by_hand() {
        // Beta(1, 1): k of n in one order has probability k! (n - k)! / (n + 1)!: 2 of 3 -> 2 / 24.
        let p = ln_beta_binomial(Visits { all: 3.0, bad: 2.0 }, 1.0, 1.0).exp();
        assert!((p - 2.0 / 24.0).abs() < 1e-12);
        let none = Visits { all: 50.0, bad: 0.0 };
        assert!(log10_lr(Visits { all: 10.0, bad: 0.0 }, none) < -1.0);
        assert!(log10_lr(Visits { all: 5.0, bad: 5.0 }, none) > 3.0);
        assert!(log10_lr(Visits { all: 1.0, bad: 1.0 }, none) < 2.0, "one visit proves nothing");
        let wild = Visits { all: 50.0, bad: 25.0 };
        assert!(log10_lr(Visits { all: 5.0, bad: 5.0 }, wild) < 2.0, "no spot when it is as bad elsewhere");
    }

    /// Differences of `scipy.special.betaln` 1.17.1 over ln 10.
    #[test]
    fn visits_weigh_as_the_reference_library_says() {
        for (here, elsewhere, expected) in [
            ((10.0, 8.0), (100.0, 5.0), 6.03886),
            ((3.0, 3.0), (40.0, 0.0), 3.69341),
            ((12.0, 0.0), (60.0, 2.0), -1.77049),
            ((6.0, 6.0), (30.0, 15.0), 2.69186),
        ] {
            let visits = |(all, bad): (f64, f64)| Visits { all, bad };
            let got = log10_lr(visits(here), visits(elsewhere));
            assert!((got - expected).abs() < 1e-4, "{here:?} {elsewhere:?}: {got}");
        }
    }

    /// A foot that goes up and down between 10 and 90 % so many times, ten readings a second, 1 % each.
    pub(in crate::pair) fn readings(n_swings: usize, off: impl Fn(f64, usize) -> f64) -> Vec<Residual> {
        let reading = |k: usize| {
            let at = 10.25 + ((k % 160).min(159 - k % 160)) as f64;
            Residual { t_s: k as f64 / 10.0, at, x: at, y: at, off: off(at, k / 160), allowed: 1.0, cut: 0.0 }
        };
        (0..160 * n_swings).map(reading).collect()
    }

    fn at_place(depth: f64) -> impl Fn(f64, usize) -> f64 {
        move |at, _| if (40.0..46.0).contains(&at) { depth } else { 0.0 }
    }

    #[test]
    fn which_way_it_is_off() {
        let off = |off: f64| Residual { off, ..readings(1, |_, _| 0.0)[0] };
        let bad = |sign: Sign| [-1.1, -1.0, 0.0, 1.0, 1.1].map(|value| sign.is_bad(&off(value)));
        assert_eq!(bad(Sign::Low), [true, false, false, false, false]);
        assert_eq!(bad(Sign::High), [false, false, false, false, true]);
        assert_eq!(bad(Sign::Both), [true, false, false, false, true]);
    }

    /// A visit is bad when most of it is; a foot that rests is counted anew every 5 s.
    #[test]
    fn visits_are_counted() {
        let visits = |offs: &[f64]| {
            let reading = |(k, off): (usize, &f64)| Residual {
                t_s: k as f64 / 2.0,
                at: 20.0,
                x: 20.0,
                y: 20.0,
                off: *off,
                allowed: 1.0,
                cut: 0.0,
            };
            let resting = relation(1.0, offs.iter().enumerate().map(reading).collect());
            let parts = visits_per_part(&resting, 10);
            (parts[1].all, parts[1].bad, parts[0].all)
        };
        assert_eq!(visits(&[2.0, 2.0, 0.0]), (1.0, 1.0, 0.0));
        assert_eq!(visits(&[2.0, -2.0, 0.0, 0.0]), (1.0, 0.0, 0.0));
        // Eleven readings are 5 s; the twelfth begins another visit.
        assert_eq!((visits(&[0.0; 11]).0, visits(&[0.0; 12]).0), (1.0, 2.0));
        // Through ten parts up and down twice: each twice, the turning points once.
        let worn = |at: f64, _| if (42.0..49.0).contains(&at) { -3.0 } else { 0.0 };
        let swings = visits_per_part(&relation(1.0, readings(2, worn)), 10);
        assert_eq!(
            swings.iter().map(|part| part.all).collect::<Vec<_>>(),
            [3.0, 4.0, 4.0, 4.0, 4.0, 4.0, 4.0, 4.0, 4.0, 2.0]
        );
        assert_eq!((swings[4].bad, swings.iter().map(|part| part.bad).sum::<f64>()), (4.0, 4.0));
    }

    #[test]
    fn a_worn_place_is_found_to_the_reading() {
        for (depth, sign) in [(-3.0, Sign::Low), (3.0, Sign::High)] {
            let spot = find(&relation(1.0, readings(6, at_place(depth)))).unwrap();
            assert_eq!((spot.from, spot.to, spot.depth, spot.sign), (40.25, 45.25, depth, sign));
            assert_eq!((spot.visits, spot.elsewhere.bad), (Visits { all: 12.0, bad: 12.0 }, 0.0));
            // The rims belong to neither: 40 cells less those whose middles lie within 2 % of it, each twice a swing, those at the stops
            // less often.
            assert!((330.0..420.0).contains(&spot.elsewhere.all), "{}", spot.elsewhere.all);
            // Six swings of 16 s: up through it 3.0 to 3.5 s behind the turn, down 12.4 s behind it.
            assert_eq!((spot.spans[0].from_s, spot.spans[0].to_s, spot.spans[1].from_s), (3.0, 3.5, 12.4));
            // The price of having looked at 80 / 3 places with three signs.
            let unpriced = log10_lr(spot.visits, spot.elsewhere);
            assert!((unpriced - spot.log10_lr - 80f64.log10()).abs() < 1e-9);
            assert!(spot.log10_lr > 8.0);
        }
        assert!(find(&relation(1.0, readings(6, |_, _| 0.9))).is_none());
        // Every other visit either way: the scatter of a bad contact there.
        let either =
            find(&relation(1.0, readings(12, |at, swing| at_place(if swing % 2 == 0 { 3.0 } else { -3.0 })(at, 0))))
                .unwrap();
        assert_eq!((either.sign, either.depth, either.from, either.to), (Sign::Both, 3.0, 40.25, 45.25));
    }

    #[test]
    fn what_is_no_worn_place() {
        // More than two fifths of the travel.
        assert!(find(&relation(1.0, readings(6, |at, _| if at < 44.0 { 3.0 } else { 0.0 }))).is_none());
        assert!(find(&relation(1.0, readings(6, |at, _| if at < 40.0 { 3.0 } else { 0.0 }))).is_some());
        // One visit in three.
        let seldom =
            find(&relation(1.0, readings(12, |at, swing| if swing % 3 == 0 { at_place(3.0)(at, 0) } else { 0.0 })));
        assert!(seldom.is_none_or(|spot| spot.log10_lr < 1.0));
        // A place is at a stop where it ends within two of forty cells of it.
        let ends = |from: f64, to: f64| {
            let spot = Spot { from, to, ..find(&relation(1.0, readings(6, at_place(3.0)))).unwrap() };
            let half = is_at_stop(&Spot { from: from / 2.0, to: to / 2.0, ..spot.clone() }, (5.0, 45.0));
            assert_eq!(is_at_stop(&spot, (10.0, 90.0)), half);
            half
        };
        assert!(ends(10.0, 13.9) && !ends(10.0, 14.1) && ends(86.1, 90.0) && !ends(85.9, 90.0) && !ends(40.0, 46.0));
    }

    /// Less than a fault, but more than its visits scatter: one cell of 2 % that bends by 0.6 of what is allowed and more.
    #[test]
    fn a_bend_of_one_place_is_seen() {
        let cell = |at: f64| (50.0..52.0).contains(&at);
        let of = |n: usize, off: &dyn Fn(usize) -> f64| {
            bump(&relation(1.0, readings(n, |at, swing| if cell(at) { off(swing) } else { 0.0 })))
        };
        assert_eq!(of(2, &|_| -0.7), Some(Bump { from: 50.0, to: 52.0, off: -0.7 }));
        assert_eq!((of(2, &|_| 0.5), of(1, &|_| 0.7)), (None, None), "too small, too few visits");
        // Visits that scatter around 0.7 by 0.4: their median is known to 1.25 * 1.48 * 0.4 / sqrt(24) = 0.15 by 24, and to 0.37 by 4.
        let scattered = |swing: usize| [0.3, 1.1][swing % 2];
        assert_eq!(of(2, &scattered), None);
        assert!(of(12, &scattered).is_some_and(|bump| (bump.off - 0.7).abs() < 1e-9));
        // A foot that rests there for 20 s visits it four times.
        let resting = |n: i32| {
            let here = Residual { at: 51.0, x: 51.0, off: 0.7, ..readings(1, |_, _| 0.0)[0] };
            let rest = (0..n).map(move |k| Residual { t_s: 16.0 + 0.1 * f64::from(k), ..here });
            bump(&relation(1.0, readings(1, |_, _| 0.0).into_iter().chain(rest).collect()))
        };
        assert!(resting(201).is_some() && resting(50).is_none());
        // The greatest counts; at the stops two sound tracks may end one after the other.
        let two = relation(
            1.0,
            readings(4, |at, _| {
                if cell(at) {
                    0.7
                } else if (30.0..32.0).contains(&at) {
                    -0.8
                } else if at < 13.0 {
                    0.9
                } else {
                    0.0
                }
            }),
        );
        assert_eq!(bump(&two), Some(Bump { from: 30.0, to: 32.0, off: -0.8 }));
    }

    #[test]
    fn the_heaviest_run() {
        assert_eq!(best_run([-1.0, 2.0, -0.5, 3.0, -9.0, 1.0].into_iter()), Some((1, 3)));
        assert_eq!(best_run([-1.0, -2.0].into_iter()), None);
    }
}
