//! Whether the misfires of one cylinder are a fault: its rate, and its companions.

use super::Cylinder;
use super::engine::LoadSource;
use super::map::{Grid, Piece, Region, Standing};
use crate::finding::Verdict;
use crate::poisson::{Count, binomial_tail, upper_bound};
use crate::stats::gauss::ln_sum_exp;

/// Share of its own firings that a cylinder may miss before it matters: the one percent of the emission rule (1968.2,
/// from memory), asked of the cylinder itself.
pub(super) const MATTERS: f64 = 0.01;

/// What a healthy cylinder may count at most and still be called occasional; half a decade below [`MATTERS`], half a
/// decade above one in a thousand (common practice, no source).
pub(super) const OCCASIONAL: f64 = 0.003;

/// Prior odds: a drive with misfire counters is recorded because somebody complains; one of the usual four cylinders.
pub(super) const PRIOR: f64 = 0.25;

/// Odds are not reported beyond this.
const MAX_LOG10_ODDS: f64 = 6.0;

/// Significance from which a region is spoken of.
const REGION_P: f64 = 0.01;

/// Firings of one cylinder in 1000 and in 200 revolutions: the windows of the emission and the catalyst rule.
pub(super) const EMISSION_WINDOW: f64 = 500.0;
pub(super) const CATALYST_WINDOW: f64 = 100.0;

/// Firings of one cylinder in a block of the dispersion: the shorter of the rule's windows.
const BLOCK: f64 = CATALYST_WINDOW;

/// Misfires up to the end of a counter's scale from which on the one too many is nothing: 3 %.
const LEAST_UNTIL_END: u64 = 30;

/// Below this the engine idles, whatever stands for its load (common practice, no source).
const IDLE_RPM: f64 = 1000.0;

/// Firings without a misfire that exclude a rate that matters in one condition: 95 %, about 300.
fn least_in_condition() -> f64 {
    upper_bound(0.0, 0.95) / MATTERS
}

/// What the verdict rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Basis {
    /// All judged driving.
    Drive,
    /// The region that stands out.
    Region,
    /// One stretch of 1000 revolutions, from and to.
    Stretch(i64, i64),
}

/// Counts of the cylinder and of its companions where the verdict was taken, and what they say.
#[derive(Debug, Clone, Copy)]
pub(super) struct Weighed {
    pub(super) basis: Basis,
    pub(super) own: Count,
    pub(super) others: Option<Count>,
    /// Evidence of a rate that matters over an occasional one, prior and search included.
    pub(super) log10_rate: f64,
    /// The same of a rate beyond an occasional one: with companions the same number.
    log10_beyond_occasional: f64,
    /// Evidence that the cylinder misfires more than its companions; `None` when they were not recorded.
    pub(super) log10_more: Option<f64>,
    /// Rate that the evidence turns at.
    boundary: f64,
    /// Places that were searched for it.
    n_places: f64,
}

impl Weighed {
    pub(super) fn log10_odds(&self) -> f64 {
        self.log10_more.map_or(self.log10_rate, |more| self.log10_rate.min(more))
    }
}

/// Everything that is known of one cylinder.
pub(super) struct Judged {
    pub(super) all: Count,
    pub(super) dispersion: f64,
    pub(super) standing: Option<Standing>,
    pub(super) weighed: Weighed,
    pub(super) log10_odds: f64,
    /// Its rate is not shown to be occasional, and nobody knows whether its companions, which were not recorded, misfire as
    /// much.
    pub(super) lacks_companions: bool,
    /// It misfired clearly more often than its companions over the whole drive, at whatever rate.
    pub(super) stands_out: bool,
    /// Most misfires in any 1000 and any 200 revolutions.
    pub(super) most: (f64, f64),
    /// Firings of the cylinder at idle or low load, and at high load; none of either where nothing stands for the load.
    pub(super) low_high: Option<(f64, f64)>,
    /// Firings of the cylinder above idle.
    above_idle: f64,
}

/// Evidence for a rate between `boundary` and 1 per firing over one between 1e-6 and `boundary`, both even on a
/// logarithmic scale; counts in clusters weigh by 1 / dispersion (quasi-likelihood).
pub(super) fn log10_rate_matters(count: Count, boundary: f64, dispersion: f64) -> f64 {
    // In a long drive the likelihood falls by a factor of e within a hundredth of the logarithm of the rate: with coarser steps
    // next to nothing of it was left between the boundary and the first of them, and odds near it were too great.
    const N: usize = 1024;
    let mean = |from: f64, to: f64| {
        let ln_likelihood = (0..N).map(|k| {
            let ln_rate = from.ln() + (to / from).ln() * (k as f64 + 0.5) / N as f64;
            (count.events as f64 * ln_rate - ln_rate.exp() * count.exposure) / dispersion
        });
        ln_sum_exp(ln_likelihood)
    };
    (mean(boundary, 1.0) - mean(1e-6, boundary)) / std::f64::consts::LN_10
}

/// Greatest evidence that a p-value can stand for, as power of ten: 1 / (-e p ln p), 0 from p = 1/e up.
/// Source: Sellke, Bayarri and Berger 2001, The American Statistician 55:62-71, from memory.
fn log10_of_p(p: f64) -> f64 {
    let p = p.max(1e-300);
    if p >= (-1f64).exp() { 0.0 } else { -(-std::f64::consts::E * p * p.ln()).log10() }
}

/// Evidence that `own` is greater than `others`; `n_tries` corrects for the cylinders and places that were looked at.
pub(super) fn log10_more(own: Count, others: Count, dispersion: f64, n_tries: f64) -> f64 {
    let (k, n) = (own.events as f64 / dispersion, (own.events + others.events) as f64 / dispersion);
    let share = own.exposure / (own.exposure + others.exposure);
    if !(share > 0.0 && share < 1.0) {
        return 0.0;
    }
    log10_of_p((binomial_tail(k, n, share) * n_tries).min(1.0))
}

/// Index of dispersion of events against what was expected of each piece: 1 for independent events, greater for clusters.
///
/// Sum of squared differences over sum of expectations, in blocks of 200 revolutions and longer ones; the greatest counts,
/// because nobody knows how long a cluster is. Common practice, no source.
pub(super) fn dispersion(pieces: &[Piece], expected: impl Fn(&Piece) -> f64) -> f64 {
    let mut blocks: Vec<(f64, f64)> = vec![(0.0, 0.0)];
    let mut firings = 0.0;
    for piece in pieces {
        if firings >= BLOCK {
            blocks.push((0.0, 0.0));
            firings = 0.0;
        }
        firings += piece.firings;
        if let Some(block) = blocks.last_mut() {
            block.0 += piece.events;
            block.1 += expected(piece);
        }
    }
    let mut greatest: f64 = 1.0;
    while blocks.len() >= 5 {
        let n = blocks.len() as f64;
        let sum: f64 = blocks.iter().map(|block| block.1).sum();
        let events: f64 = blocks.iter().map(|block| block.0).sum();
        if sum > 0.0 && events > 0.0 {
            let squares: f64 = blocks.iter().map(|block| (block.0 - block.1).powi(2)).sum();
            // Its standard deviation for independent events; taken off because the greatest of several is used.
            let deviation = (2.0 / n + 1.0 / events).sqrt();
            greatest = greatest.max(squares / sum * n / (n - 1.0) - deviation);
        }
        if n < 40.0 {
            break;
        }
        blocks = blocks.chunks(2).map(|two| two.iter().fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1))).collect();
    }
    greatest
}

/// Consecutive blocks of 200 revolutions.
pub(super) fn blocks<'a>(pieces: impl Iterator<Item = &'a Piece>) -> Vec<Count> {
    let mut blocks: Vec<(f64, f64)> = Vec::new();
    for piece in pieces {
        match blocks.last_mut().filter(|block| block.1 < BLOCK) {
            Some(block) => *block = (block.0 + piece.events, block.1 + piece.firings),
            None => blocks.push((piece.events, piece.firings)),
        }
    }
    // Shares of one reading fall into neighbouring blocks: rounding the running sum keeps the total.
    let (mut sum, mut told) = (0.0, 0);
    let count = |(events, exposure): (f64, f64)| {
        sum += events;
        let until = f64::round(sum) as u64;
        let events = until - told;
        told = until;
        Count { events, exposure }
    };
    blocks.into_iter().map(count).collect()
}

/// Most events in a stretch of so many firings, and its ends.
fn most_in(pieces: &[Piece], window: f64) -> (f64, i64, i64) {
    let (mut first, mut events, mut firings) = (0, 0.0, 0.0);
    let mut most = (0.0, 0, 0);
    for (k, piece) in pieces.iter().enumerate() {
        events += piece.events;
        firings += piece.firings;
        while firings > window && first < k {
            events -= pieces[first].events;
            firings -= pieces[first].firings;
            first += 1;
        }
        if events > most.0 + 1e-9 {
            most = (events, pieces[first].t_ns, piece.t_ns);
        }
    }
    most
}

fn sum_of<'a>(pieces: impl Iterator<Item = &'a Piece>) -> Count {
    let (events, exposure) = pieces.fold((0.0, 0.0), |sum, piece| (sum.0 + piece.events, sum.1 + piece.firings));
    Count { events: f64::round(events) as u64, exposure }
}

fn add(a: Count, b: Count) -> Count {
    Count { events: a.events + b.events, exposure: a.exposure + b.exposure }
}

/// The region that stands out, and the dispersion once it is accounted for.
pub(super) fn region_and_dispersion(pieces: &[Piece]) -> (Option<Standing>, f64) {
    let all = sum_of(pieces.iter());
    let even = |piece: &Piece| all.rate() * piece.firings;
    let grid = Grid::of(pieces);
    let Some(raw) = grid.scan(1.0) else { return (None, dispersion(pieces, even)) };
    let inside = sum_of(pieces.iter().filter(|piece| raw.region.contains(piece.rpm, piece.load)));
    let outside =
        Count { events: all.events - inside.events.min(all.events), exposure: all.exposure - inside.exposure };
    let uneven = |piece: &Piece| {
        let rate = if raw.region.contains(piece.rpm, piece.load) { inside.rate() } else { outside.rate() };
        rate * piece.firings
    };
    let dispersion = dispersion(pieces, uneven);
    let standing = grid.scan(dispersion).filter(|standing| standing.p <= REGION_P);
    (standing, dispersion)
}

/// Weighs one cylinder against what is occasional and against its companions.
pub(super) fn judge(
    cylinder: &Cylinder,
    companions: &[&Cylinder],
    n_cylinders: Option<usize>,
    load: Option<LoadSource>,
) -> Judged {
    let pieces = &cylinder.laid.pieces;
    let all = sum_of(pieces.iter());
    let (standing, dispersion) = region_and_dispersion(pieces);
    let n = companions.len() as f64 + 1.0;
    // Alone, nobody can say whether the others misfire as much (rough road, poor fuel): then the rule's own level accuses, and
    // between the two it is left open.
    let boundary = if companions.is_empty() { MATTERS } else { OCCASIONAL };
    let in_region = |region: &Region| companions.iter().map(|other| other.laid.count_in(region)).collect::<Vec<_>>();
    // More than the companions over the whole drive is as good as in the part that was searched for, and needs no
    // correction for the search.
    let more_in_all =
        in_region(&Region::EVERYWHERE).into_iter().reduce(add).map(|others| log10_more(all, others, dispersion, n));
    let weigh = |basis, own: Count, others: Vec<Count>, n_places: f64, dispersion: f64| {
        let others = others.into_iter().reduce(add);
        let beyond = |rate: f64| log10_rate_matters(own, rate, dispersion) + PRIOR.log10() - n_places.log10();
        let log10_rate = beyond(boundary);
        let log10_beyond_occasional = if companions.is_empty() { beyond(OCCASIONAL) } else { log10_rate };
        let here = others.map(|others| log10_more(own, others, dispersion, n * n_places));
        let log10_more = here.zip(more_in_all).map(|(here, in_all)| here.max(in_all));
        Weighed { basis, own, others, log10_rate, log10_beyond_occasional, log10_more, boundary, n_places }
    };
    let mut weighed = weigh(Basis::Drive, all, in_region(&Region::EVERYWHERE), 1.0, dispersion);
    let mut log10_beyond_occasional = weighed.log10_beyond_occasional;
    let mut consider = |candidate: Weighed| {
        log10_beyond_occasional = log10_beyond_occasional.max(candidate.log10_beyond_occasional);
        if candidate.log10_odds() > weighed.log10_odds() {
            weighed = candidate;
        }
    };
    if let Some(standing) = &standing {
        let own = cylinder.laid.count_in(&standing.region);
        // As many places of that size were looked at, each as likely to show the highest rate by chance.
        let n_places = (all.exposure / own.exposure.max(1.0)).max(1.0);
        consider(weigh(Basis::Region, own, in_region(&standing.region), n_places, dispersion));
    }
    let emission = most_in(pieces, EMISSION_WINDOW);
    let catalyst = most_in(pieces, CATALYST_WINDOW);
    // One percent of all firings in 1000 revolutions, from this cylinder alone; five percent in 200 is the same number.
    if emission.0 >= MATTERS * EMISSION_WINDOW * n_cylinders.unwrap_or(4).max(4) as f64 {
        let (from, to) = (emission.1, emission.2);
        let within = |cylinder: &Cylinder| {
            let pieces = &cylinder.laid.pieces;
            let (a, b) = (pieces.partition_point(|p| p.t_ns < from), pieces.partition_point(|p| p.t_ns <= to));
            sum_of(pieces[a..b].iter())
        };
        let n_places = (all.exposure / EMISSION_WINDOW).max(1.0);
        // That it happened is no matter of chance; a cluster must not be divided by its own size.
        let others = companions.iter().map(|other| within(other)).collect();
        consider(weigh(Basis::Stretch(from, to), within(cylinder), others, n_places, 1.0));
    }
    let firings_where =
        |is_there: &dyn Fn(&Piece) -> bool| sum_of(pieces.iter().filter(|piece| is_there(piece))).exposure;
    let low_high = load.map(|LoadSource { low_high: (low, high), .. }| {
        (firings_where(&|piece| piece.load < low || piece.rpm < IDLE_RPM), firings_where(&|piece| piece.load >= high))
    });
    let mut judged = Judged {
        all,
        dispersion,
        standing,
        weighed,
        log10_odds: 0.0,
        lacks_companions: companions.is_empty() && log10_beyond_occasional > -1.0,
        stands_out: false,
        most: (emission.0, catalyst.0),
        low_high,
        above_idle: firings_where(&|piece| piece.rpm >= IDLE_RPM),
    };
    judged.log10_odds = weighed.log10_odds().clamp(-MAX_LOG10_ODDS, MAX_LOG10_ODDS);
    // A counter at its end stops with a misfire, so that the time until then holds one too many by construction: a few that it
    // was short of its end prove nothing.
    if cylinder.counter.is_saturated {
        let most = if judged.weighed.own.events < LEAST_UNTIL_END { 1.9 } else { f64::INFINITY };
        judged.log10_odds = judged.log10_odds.clamp(Verdict::LEAST_OPEN, most);
    }
    if cylinder.counter.is_doubtful() {
        judged.log10_odds = judged.log10_odds.max(Verdict::LEAST_OPEN);
    }
    // A rate below what matters, but far above that of the companions, is the beginning of something.
    judged.stands_out = more_in_all.is_some_and(|more| more >= 2.0);
    if judged.log10_odds <= -1.0 && (judged.stands_out || judged.lacks_companions || !judged.is_bounded()) {
        judged.log10_odds = Verdict::LEAST_OPEN;
    }
    judged
}

impl Judged {
    /// Firings of the cylinder still lacking before a rate that matters is excluded for the drive as it was driven: in all,
    /// and above idle, since a standing engine is no drive.
    pub(super) fn lacking(&self) -> (f64, f64) {
        let in_all = upper_bound(self.all.events as f64 / self.dispersion, 0.95) * self.dispersion / OCCASIONAL;
        // A count that by itself is evidence of an occasional rate needs no bound below it.
        let in_all = if self.all.events > 0 { in_all.min(upper_bound(0.0, 0.95) / OCCASIONAL) } else { in_all };
        ((in_all - self.all.exposure).max(0.0), (least_in_condition() - self.above_idle).max(0.0))
    }

    /// Firings lacking before the same holds at idle or low load, and at high load, each by itself; the verdict does not cover
    /// a condition that lacks some. `None` where nothing stands for the load.
    pub(super) fn lacking_low_high(&self) -> Option<(f64, f64)> {
        let lacking = |seen: f64| (least_in_condition() - seen).max(0.0);
        self.low_high.map(|(low, high)| (lacking(low), lacking(high)))
    }

    /// Whether the drive holds enough firings for a bound.
    pub(super) fn is_bounded(&self) -> bool {
        self.lacking() == (0.0, 0.0)
    }

    /// Upper bound of the share of its firings that the cylinder misses: 95 %.
    pub(super) fn bound(&self) -> f64 {
        upper_bound(self.all.events as f64 / self.dispersion, 0.95) * self.dispersion / self.all.exposure.max(1e-9)
    }

    /// Times as much driving as was weighed that would decide, if it went on like this; `None` when it takes more than 64.
    pub(super) fn times_to_decide(&self, n_cylinders: usize) -> Option<f64> {
        let weighed = &self.weighed;
        (1..=24).map(|k| 2f64.powf(f64::from(k) / 4.0)).find(|times| {
            let grow = |count: Count| Count {
                events: (count.events as f64 * times).round() as u64,
                exposure: count.exposure * times,
            };
            let rate = log10_rate_matters(grow(weighed.own), weighed.boundary, self.dispersion) + PRIOR.log10()
                - weighed.n_places.log10();
            let tries = n_cylinders as f64 * weighed.n_places;
            let more = weighed.others.map(|others| log10_more(grow(weighed.own), grow(others), self.dispersion, tries));
            let odds = more.map_or(rate, |more| rate.min(more));
            odds >= 2.0 || odds <= -1.0
        })
    }
}

#[cfg(test)]
mod tests;
