//! Where misfires happen: counts over engine speed and load, and the region that stands out.

use super::counter::Counter;
use super::engine::Engine;
use crate::finding::Span;
use crate::poisson::Count;
use signal::seconds_from_nanos;

/// Width of a cell in speed: the rule's "similar conditions" (375 rpm and 20 % load, from memory); load at half of it.
pub(super) const CELL_RPM: f64 = 375.0;
pub(super) const CELL_LOAD: f64 = 10.0;
const N_RPM: usize = 24;
const N_LOAD: usize = 13;
pub(super) const N_CELLS: usize = N_RPM * N_LOAD;

/// A rectangle of engine speed and load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Region {
    /// Lower and upper engine speed, rpm.
    pub speed_rpm: (f64, f64),
    /// Lower and upper load, percent (or what stands for it); everything when no load is known.
    pub load_pct: (f64, f64),
}

impl Region {
    /// All speeds and loads.
    pub const EVERYWHERE: Self =
        Self { speed_rpm: (f64::NEG_INFINITY, f64::INFINITY), load_pct: (f64::NEG_INFINITY, f64::INFINITY) };

    /// Whether a condition lies in it.
    #[must_use]
    pub fn contains(&self, speed_rpm: f64, load_pct: f64) -> bool {
        let inside = |value: f64, (low, high): (f64, f64)| value >= low && value < high;
        inside(speed_rpm, self.speed_rpm) && inside(load_pct, self.load_pct)
    }
}

/// A stretch of judged driving in one cell.
#[derive(Debug, Clone, Copy)]
pub(super) struct Piece {
    pub(super) t_ns: i64,
    pub(super) rpm: f64,
    pub(super) load: f64,
    pub(super) firings: f64,
    /// A share of the events of a step that spans several conditions; whole numbers elsewhere.
    pub(super) events: f64,
}

/// Events of one cylinder laid over the engine's course.
pub(super) struct Laid {
    pub(super) pieces: Vec<Piece>,
    /// Events and firings in conditions in which counts mean nothing, and events while the engine speed was unknown.
    pub(super) unjudged_events: f64,
    pub(super) unjudged_firings: f64,
    pub(super) unplaced_events: u64,
    /// Longest step with an event, seconds: how well events can be placed.
    pub(super) longest_step_s: f64,
    pub(super) spans: Vec<Span>,
}

/// Events closer together than this are one span.
const SPAN_GAP_S: f64 = 5.0;

/// Spreads every step over the segments that it overlaps, in proportion to their firings; linear in both.
pub(super) fn lay(counter: &Counter, engine: &Engine) -> Laid {
    let mut laid = Laid {
        pieces: Vec::new(),
        unjudged_events: 0.0,
        unjudged_firings: 0.0,
        unplaced_events: 0,
        longest_step_s: 0.0,
        spans: Vec::new(),
    };
    let mut first = 0;
    let mut steps = counter.steps.iter().copied().peekable();
    while let Some(mut step) = steps.next() {
        // Where nothing was counted it does not matter between which readings.
        while let Some(next) = steps.next_if(|next| step.events + next.events == 0 && next.from_ns == step.to_ns) {
            step.to_ns = next.to_ns;
        }
        while first < engine.segments.len() && engine.segments[first].to_ns <= step.from_ns {
            first += 1;
        }
        let overlapped = || engine.segments[first..].iter().take_while(|segment| segment.from_ns < step.to_ns);
        let part = |segment: &super::engine::Segment| segment.firings * segment.share(step.from_ns, step.to_ns);
        let total: f64 = if step.events == 0 { 1.0 } else { overlapped().map(part).sum() };
        if total <= 0.0 {
            laid.unplaced_events += step.events;
            continue;
        }
        let mut open: Option<(usize, Piece)> = None;
        for segment in overlapped() {
            let firings = part(segment);
            let events = if step.events == 0 { 0.0 } else { step.events as f64 * firings / total };
            if !segment.is_judged {
                laid.unjudged_events += events;
                laid.unjudged_firings += firings;
                continue;
            }
            let cell = cell_of(segment.rpm, segment.load);
            match &mut open {
                Some((same, piece))
                    if *same == cell && (step.events > 0 || piece.firings + firings <= QUIET_FIRINGS) =>
                {
                    piece.firings += firings;
                    piece.events += events;
                }
                _ => {
                    laid.add(open.take());
                    let (t_ns, rpm, load) = (segment.from_ns.max(step.from_ns), segment.rpm, segment.load);
                    open = Some((cell, Piece { t_ns, rpm, load, firings, events }));
                }
            }
        }
        laid.add(open);
        if step.events > 0 {
            laid.longest_step_s = laid.longest_step_s.max(step.seconds());
            let (from_s, to_s) = (seconds_from_nanos(step.from_ns), seconds_from_nanos(step.to_ns));
            match laid.spans.last_mut().filter(|span| from_s - span.to_s < SPAN_GAP_S) {
                Some(span) => span.to_s = to_s,
                None => laid.spans.push(Span { from_s, to_s }),
            }
        }
    }
    laid
}

/// Quiet driving in one cell is kept in pieces of so many firings: a tenth of the shortest window that is looked at.
const QUIET_FIRINGS: f64 = 10.0;

impl Laid {
    fn add(&mut self, piece: Option<(usize, Piece)>) {
        let Some((cell, piece)) = piece else { return };
        let is_more_of = |last: &&mut Piece| {
            last.events + piece.events == 0.0
                && last.firings + piece.firings <= QUIET_FIRINGS
                && cell_of(last.rpm, last.load) == cell
        };
        match self.pieces.last_mut().filter(is_more_of) {
            Some(last) => last.firings += piece.firings,
            None => self.pieces.push(piece),
        }
    }

    /// Events (rounded) and firings of the cylinder in a region.
    pub(super) fn count_in(&self, region: &Region) -> Count {
        let (mut events, mut exposure) = (0.0, 0.0);
        for piece in self.pieces.iter().filter(|piece| region.contains(piece.rpm, piece.load)) {
            events += piece.events;
            exposure += piece.firings;
        }
        Count { events: f64::round(events) as u64, exposure }
    }
}

/// Mean engine speed over the firings in a region; 2000 rpm where there are none.
pub(super) fn mean_rpm(pieces: &[Piece], region: &Region) -> f64 {
    let inside = pieces.iter().filter(|piece| region.contains(piece.rpm, piece.load));
    let (turns, firings) = inside.fold((0.0, 0.0), |sum, p| (sum.0 + p.rpm * p.firings, sum.1 + p.firings));
    if firings > 0.0 { turns / firings } else { 2000.0 }
}

fn bins(rpm: f64, load: f64) -> (usize, usize) {
    (((rpm / CELL_RPM) as usize).min(N_RPM - 1), ((load / CELL_LOAD) as usize).min(N_LOAD - 1))
}

pub(super) fn cell_of(rpm: f64, load: f64) -> usize {
    let (i, j) = bins(rpm, load);
    i * N_LOAD + j
}

/// Lower edges of a cell, rpm and load.
pub(super) fn corner_of(cell: usize) -> (f64, f64) {
    ((cell / N_LOAD) as f64 * CELL_RPM, (cell % N_LOAD) as f64 * CELL_LOAD)
}

/// Events and firings per cell.
pub(super) struct Grid {
    events: [f64; N_CELLS],
    firings: [f64; N_CELLS],
}

/// The region that stands out.
#[derive(Debug, Clone, Copy)]
pub(super) struct Standing {
    pub(super) region: Region,
    /// Chance that so clear a region shows somewhere although the rate is the same everywhere.
    pub(super) p: f64,
}

/// Trials that the significance is taken from; the tail beyond them from a Gumbel law.
const N_TRIALS: usize = 99;
/// Events of a trial: with more the law of the statistic changes no more.
const MOST_TRIAL_EVENTS: f64 = 300.0;
/// Fewer events have no place.
const LEAST_EVENTS: f64 = 3.0;

impl Grid {
    pub(super) fn of(pieces: &[Piece]) -> Self {
        let mut grid = Self { events: [0.0; N_CELLS], firings: [0.0; N_CELLS] };
        for piece in pieces {
            let cell = cell_of(piece.rpm, piece.load);
            grid.events[cell] += piece.events;
            grid.firings[cell] += piece.firings;
        }
        grid
    }

    /// The rectangle whose rate is higher than outside with the greatest likelihood ratio, and its significance.
    ///
    /// Source: Kulldorff 1997 (spatial scan statistic, Poisson model), p-values beyond the trials as in Abrams, Kulldorff
    /// and Kleinman 2010 (Gumbel approximation), both from memory; the log-likelihood ratio is divided by `dispersion` for
    /// clustered events. The trials are drawn from a fixed seed: the same drive gives the same answer.
    pub(super) fn scan(&self, dispersion: f64) -> Option<Standing> {
        let total: f64 = self.events.iter().sum();
        let exposure: f64 = self.firings.iter().sum();
        if total / dispersion < LEAST_EVENTS || exposure <= 0.0 {
            return None;
        }
        let exposure_sums = Sums::of(&self.firings);
        let boxes = self.boxes();
        let (best, at) = best_box(&boxes, &Sums::of(&self.events), &exposure_sums)?;
        let best = best / dispersion;
        let (i0, i1, j0, j1) = at;
        // Beyond what was driven nothing is known, so that an edge of the drive is no edge of the region.
        let ends = |low: usize, high: usize, n: usize, width: f64, seen: &dyn Fn(usize) -> bool| {
            let is_open = |mut beyond: std::ops::Range<usize>| !beyond.any(seen);
            let lower = if is_open(0..low) { f64::NEG_INFINITY } else { low as f64 * width };
            let upper = if is_open(high + 1..n) { f64::INFINITY } else { (high + 1) as f64 * width };
            (lower, upper)
        };
        let region = Region {
            speed_rpm: ends(i0, i1, N_RPM, CELL_RPM, &|i| (0..N_LOAD).any(|j| self.is_visited(i, j))),
            load_pct: ends(j0, j1, N_LOAD, CELL_LOAD, &|j| (0..N_RPM).any(|i| self.is_visited(i, j))),
        };
        let cumulative: Vec<f64> = self
            .firings
            .iter()
            .scan(0.0, |sum, firings| {
                *sum += firings;
                Some(*sum)
            })
            .collect();
        let n_events = (total / dispersion).round().clamp(LEAST_EVENTS, MOST_TRIAL_EVENTS) as usize;
        let mut random = 0x5CA7_7E2E_D0C5_EEDD_u64;
        let mut uniform = || {
            // Steele, Lea and Flood 2014, splitmix64.
            random = random.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = random;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
        };
        let trials: Vec<f64> = (0..N_TRIALS)
            .map(|_| {
                let mut events = [0.0; N_CELLS];
                for _ in 0..n_events {
                    let at = uniform() * exposure;
                    events[cumulative.partition_point(|sum| *sum <= at).min(N_CELLS - 1)] += 1.0;
                }
                best_box(&boxes, &Sums::of(&events), &exposure_sums).map_or(0.0, |best| best.0)
            })
            .collect();
        Some(Standing { region, p: tail(&trials, best) })
    }

    fn is_visited(&self, i: usize, j: usize) -> bool {
        self.firings[i * N_LOAD + j] >= 1.0
    }

    /// All rectangles between visited rows and columns.
    fn boxes(&self) -> Vec<Box4> {
        let rows: Vec<usize> = (0..N_RPM).filter(|&i| (0..N_LOAD).any(|j| self.is_visited(i, j))).collect();
        let columns: Vec<usize> = (0..N_LOAD).filter(|&j| (0..N_RPM).any(|i| self.is_visited(i, j))).collect();
        let mut boxes = Vec::new();
        for (a, &i0) in rows.iter().enumerate() {
            for &i1 in &rows[a..] {
                for (b, &j0) in columns.iter().enumerate() {
                    boxes.extend(columns[b..].iter().map(|&j1| (i0, i1, j0, j1)));
                }
            }
        }
        boxes
    }
}

/// First and last row, first and last column, both within.
type Box4 = (usize, usize, usize, usize);

/// Sums over all cells below and left of a corner.
struct Sums(Vec<f64>);

impl Sums {
    fn of(cells: &[f64; N_CELLS]) -> Self {
        let width = N_LOAD + 1;
        let mut sums = vec![0.0; (N_RPM + 1) * width];
        for i in 0..N_RPM {
            let mut row = 0.0;
            for j in 0..N_LOAD {
                row += cells[i * N_LOAD + j];
                sums[(i + 1) * width + j + 1] = sums[i * width + j + 1] + row;
            }
        }
        Self(sums)
    }

    fn inside(&self, (i0, i1, j0, j1): Box4) -> f64 {
        let width = N_LOAD + 1;
        let at = |i: usize, j: usize| self.0[i * width + j];
        at(i1 + 1, j1 + 1) - at(i0, j1 + 1) - at(i1 + 1, j0) + at(i0, j0)
    }

    fn all(&self) -> f64 {
        self.0.last().copied().unwrap_or(0.0)
    }
}

fn best_box(boxes: &[Box4], events: &Sums, firings: &Sums) -> Option<(f64, Box4)> {
    let (k_all, t_all) = (events.all(), firings.all());
    let mut best: Option<(f64, Box4)> = None;
    for &at in boxes {
        let k = events.inside(at);
        if k < LEAST_EVENTS - 1e-6 {
            continue;
        }
        let expected = k_all * firings.inside(at) / t_all;
        let outside = k_all - expected;
        // A rectangle that is nearly all of the drive has no outside to compare with.
        if expected <= 0.0 || k <= expected || outside < 0.02 * k_all {
            continue;
        }
        let rest = (k_all - k).max(0.0);
        let ratio = k * (k / expected).ln() + if rest > 0.0 { rest * (rest / outside).ln() } else { 0.0 };
        if best.is_none_or(|best| ratio > best.0) {
            best = Some((ratio, at));
        }
    }
    best
}

/// Chance of a trial at or above `value`.
fn tail(trials: &[f64], value: f64) -> f64 {
    let n = trials.len() as f64;
    let above = trials.iter().filter(|trial| **trial >= value).count() as f64;
    if above >= 5.0 {
        return (above + 1.0) / (n + 1.0);
    }
    let mean = trials.iter().sum::<f64>() / n;
    let variance = trials.iter().map(|trial| (trial - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let scale = (variance.sqrt() * 6f64.sqrt() / std::f64::consts::PI).max(1e-6);
    // Euler's constant: mean of the Gumbel law in units of its scale.
    let location = mean - 0.577_215_664_901_532_9 * scale;
    -(-(-(value - location) / scale).exp()).exp_m1()
}

#[cfg(test)]
mod tests;
