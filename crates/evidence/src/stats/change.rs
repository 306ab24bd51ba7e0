//! Where the mean of a series changes: exact optimum by PELT.
//!
//! Source: Killick, Fearnhead and Eckley 2012, "Optimal detection of changepoints with a linear computational cost". The
//! segments minimise the sum of squared deviations from each segment's mean plus a penalty per change.

/// Starts of all segments but the first, ascending; empty when one mean describes the series.
///
/// `penalty`: what one change must save, in squared units of `values` (usual: 2 sigma^2 ln n). `least`: fewest values in a
/// segment, at least 1. Values must be finite. The work is linear when changes keep coming and at worst quadratic in their
/// distance.
#[must_use]
pub fn pelt(values: &[f64], penalty: f64, least: usize) -> Vec<usize> {
    let least = least.max(1);
    let n = values.len();
    // Sums are taken about the mean, so that a great offset costs no digits.
    let mean = values.iter().sum::<f64>() / n as f64;
    let mut sum = Vec::with_capacity(n + 1);
    let mut s = 0.0;
    sum.push(s);
    for value in values {
        s += value - mean;
        sum.push(s);
    }
    // Best cost of the first `t` values, the penalty of a change after them included, without the sum of their squares,
    // which no change alters; and where their last segment starts.
    let mut best = vec![f64::INFINITY; n + 1];
    let mut last = vec![0usize; n + 1];
    best[0] = 0.0;
    let mut candidates = Candidates::default();
    let mut doomed: std::collections::VecDeque<(usize, usize)> = std::collections::VecDeque::new();
    for t in least..=n {
        let from = t - least;
        if best[from].is_finite() {
            candidates.push(from, best[from], sum[from]);
        }
        let (at, value) = candidates.cheapest(t, sum[t]);
        best[t] = value + penalty;
        last[t] = at;
        // A start that is beaten by more than the penalty here stays beaten by a change at t, once that is allowed.
        while doomed.front().is_some_and(|&(_, when)| when <= t) {
            if let Some((start, _)) = doomed.pop_front() {
                candidates.remove(start);
            }
        }
        if least == 1 {
            candidates.drop_above(best[t]);
        } else {
            candidates.mark_above(best[t], |start| doomed.push_back((start, t + least)));
        }
    }
    let mut changes = Vec::new();
    let mut at = last[n];
    while at > 0 {
        changes.push(at);
        at = last[at];
    }
    changes.reverse();
    changes
}

/// The greatest step between neighbouring segments: index of the first value after it, and its size.
///
/// The spread of the values comes from the differences of neighbours, whatever the level does; a change must save three
/// times the usual penalty, and a segment holds at least five values. `None` without such a step.
#[must_use]
pub(crate) fn greatest_step(values: &[f64]) -> Option<(usize, f64)> {
    let mut differences: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let (_, sigma) = super::robust::median_and_sigma(&mut differences)?;
    let penalty = 3.0 * sigma.max(1e-12).powi(2) * (values.len() as f64).ln();
    let changes = pelt(values, penalty, 5);
    let mut bounds = vec![0];
    bounds.extend(&changes);
    bounds.push(values.len());
    let mean = |from: usize, to: usize| values[from..to].iter().sum::<f64>() / (to - from).max(1) as f64;
    let steps = bounds.windows(3).map(|three| (three[1], mean(three[1], three[2]) - mean(three[0], three[1])));
    steps.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
}

/// Possible starts of the last segment, in columns for speed.
#[derive(Default)]
struct Candidates {
    start: Vec<usize>,
    start_float: Vec<f64>,
    /// Best cost up to the start, see [`pelt`].
    base: Vec<f64>,
    sum: Vec<f64>,
    /// Cost at the present end.
    cost: Vec<f64>,
    is_marked: Vec<bool>,
}

impl Candidates {
    fn push(&mut self, start: usize, base: f64, sum: f64) {
        self.start.push(start);
        self.start_float.push(start as f64);
        self.base.push(base);
        self.sum.push(sum);
        self.cost.push(0.0);
        self.is_marked.push(false);
    }

    /// Costs of all starts for the end `t`; the cheapest start, the earliest of equals.
    fn cheapest(&mut self, t: usize, sum_t: f64) -> (usize, f64) {
        let t = t as f64;
        let columns = self.cost.iter_mut().zip(&self.base).zip(self.sum.iter().zip(&self.start_float));
        for ((cost, base), (sum, start)) in columns {
            let rise = sum_t - sum;
            *cost = base - rise * rise / (t - start);
        }
        let least = self.cost.iter().copied().fold(f64::INFINITY, f64::min);
        let at = self.cost.iter().position(|cost| *cost <= least).unwrap_or(0);
        (self.start.get(at).copied().unwrap_or(0), least)
    }

    fn drop_above(&mut self, limit: f64) {
        let mut kept = 0;
        for k in 0..self.start.len() {
            if self.cost[k] <= limit {
                if kept != k {
                    self.start[kept] = self.start[k];
                    self.start_float[kept] = self.start_float[k];
                    self.base[kept] = self.base[k];
                    self.sum[kept] = self.sum[k];
                }
                kept += 1;
            }
        }
        self.truncate(kept);
    }

    fn mark_above(&mut self, limit: f64, mut f: impl FnMut(usize)) {
        for k in 0..self.start.len() {
            if self.cost[k] > limit && !self.is_marked[k] {
                self.is_marked[k] = true;
                f(self.start[k]);
            }
        }
    }

    fn remove(&mut self, start: usize) {
        if let Ok(k) = self.start.binary_search(&start) {
            self.start.remove(k);
            self.start_float.remove(k);
            self.base.remove(k);
            self.sum.remove(k);
            self.cost.remove(k);
            self.is_marked.remove(k);
        }
    }

    fn truncate(&mut self, n: usize) {
        self.start.truncate(n);
        self.start_float.truncate(n);
        self.base.truncate(n);
        self.sum.truncate(n);
        self.cost.truncate(n);
        self.is_marked.truncate(n);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        let step: Vec<f64> = (0..100).map(|k| if k < 50 { 0.0 } else { 3.0 }).collect();
        assert_eq!(pelt(&step, 1.0, 1), [50]);
        assert_eq!(pelt(&step, 1e6, 1), Vec::<usize>::new());
        assert_eq!(pelt(&[], 1.0, 1), Vec::<usize>::new());
        assert_eq!(pelt(&[1.0], 1.0, 1), Vec::<usize>::new());
        // A great offset costs no digits.
        let high: Vec<f64> = step.iter().map(|v| 1e9 + v).collect();
        assert_eq!(pelt(&high, 1.0, 1), [50]);
        // One wild value makes two changes, unless a segment must be longer.
        let mut spike = vec![0.0; 30];
        spike[10] = 9.0;
        assert_eq!(pelt(&spike, 1.0, 1), [10, 11]);
        assert!(pelt(&spike, 1.0, 2).windows(2).all(|pair| pair[1] - pair[0] >= 2));
    }

    #[test]
    fn the_greatest_step() {
        // Numbers without any order: the golden ratio's multiples, scrambled by a square.
        let wobble = |k: usize| ((k * k) as f64 * 0.618_033_988_75).fract() - 0.5;
        let values: Vec<f64> = (0..90)
            .map(|k| {
                wobble(k)
                    + if k < 30 {
                        0.0
                    } else if k < 70 {
                        1.0
                    } else {
                        4.0
                    }
            })
            .collect();
        let (at, size) = greatest_step(&values).unwrap();
        assert!(at == 70 && (size - 3.0).abs() < 0.3, "{at} {size}");
        assert_eq!(greatest_step(&(0..90).map(wobble).collect::<Vec<_>>()), None);
        assert_eq!(greatest_step(&[]), None);
    }

    /// The optimum by trying every last change, without pruning.
    fn exhaustive(values: &[f64], penalty: f64, least: usize) -> f64 {
        let n = values.len();
        let mut best = vec![f64::INFINITY; n + 1];
        best[0] = -penalty;
        for t in least..=n {
            for s in 0..=t - least {
                best[t] = best[t].min(best[s] + cost(&values[s..t]) + penalty);
            }
        }
        best[n]
    }

    fn cost(values: &[f64]) -> f64 {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter().map(|v| (v - mean).powi(2)).sum()
    }

    #[test]
    fn pruning_loses_nothing() {
        let mut state = 7u64;
        for case in 0..60 {
            let n = 40 + case;
            let mut level = 0.0;
            let values: Vec<f64> = (0..n)
                .map(|_| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    let u = (state >> 40) as f64 / (1u64 << 24) as f64;
                    level += if u < 0.08 { 40.0 * u - 1.6 } else { 0.0 };
                    level + u
                })
                .collect();
            for least in [1, 2, 5] {
                for penalty in [0.1, 0.5, 3.0] {
                    let changes = pelt(&values, penalty, least);
                    let mut bounds = vec![0];
                    bounds.extend(&changes);
                    bounds.push(values.len());
                    let total: f64 = bounds.windows(2).map(|pair| cost(&values[pair[0]..pair[1]])).sum();
                    let total = total + penalty * changes.len() as f64;
                    let optimum = exhaustive(&values, penalty, least);
                    assert!((total - optimum).abs() < 1e-9, "case {case}, least {least}: {total} {optimum}");
                    assert!(bounds.windows(2).all(|pair| pair[1] - pair[0] >= least));
                }
            }
        }
    }
}
