//! How one signal moves at the edges of a command.

use signal::{Series, seconds_from_nanos};
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::edges::Command;
use crate::stats::quantum::step_of;
use crate::stats::robust::median;

/// Samples that a window on each side of an edge needs.
const LEAST_SAMPLES: usize = 2;
/// A transient (idle control answers within two seconds: common practice, no source) is looked for in this time, seconds.
const TRANSIENT_S: f64 = 2.0;
/// A response that stays is clear from here on, as a chance.
const CLEAR: f64 = 1e-4;
/// Other times of the command that are tried, the number of as strong ones after which it is plain that they are not rare,
/// and the most edges tried (an hour's cycling says no more).
const DRAWS: usize = 999;
const PLAIN: usize = 100;
const MOST_EDGES: usize = 60;

/// A signal at the edges; sizes count in the direction of "on".
pub(super) struct Response {
    pub(super) id: String,
    pub(super) unit: String,
    /// Edges with samples on both sides.
    pub(super) n: usize,
    /// Mean change in the window that tells more, and its standard error.
    pub(super) mean: f64,
    pub(super) error: f64,
    /// The same for the window that follows transients.
    pub(super) late_mean: f64,
    pub(super) late_error: f64,
    /// Chance of such a mean without any response, two-sided, for the better window alone.
    pub(super) p: f64,
    /// Share of edges that go in the direction of the mean.
    pub(super) share_alike: f64,
    /// When half of the change was there, and how uncertain that is.
    pub(super) delay_s: Option<(f64, f64)>,
    /// See [`Response::chance_alone`]; NaN where it was not needed.
    pub(super) p_alone: f64,
    windows: Windows,
    step: f64,
}

impl Response {
    /// On/off cycles after which a response as strong as this becomes significant; 5 at least, 50 at most.
    pub(super) fn cycles_needed(&self, n_tests: f64, significant: f64) -> usize {
        let per_edge = self.mean.abs() / (self.error * (self.n as f64).sqrt()).max(1e-300);
        let enough = |cycles: &usize| {
            let n = 2 * cycles;
            2.0 * student_tail(per_edge * (n as f64).sqrt(), n - 1) * n_tests < significant
        };
        (5..=50).find(enough).unwrap_or(50)
    }
}

/// Upper tail of Student's t with `freedom` degrees.
pub(super) fn student_tail(t: f64, freedom: usize) -> f64 {
    StudentsT::new(0.0, 1.0, freedom.max(1) as f64).map_or(1.0, |student| student.sf(t))
}

/// Sampled often enough, and not a constant.
pub(super) fn may_respond(series: &Series, window_s: f64) -> bool {
    let is_frequent = series.median_interval_s().is_some_and(|interval| interval * (LEAST_SAMPLES as f64) <= window_s);
    let first = series.value.first();
    is_frequent && series.value.iter().any(|value| Some(value) != first && value.is_finite())
}

/// Means over windows of a series in constant time each, after sorting.
struct Means<'a> {
    t_ns: &'a [i64],
    sum: Vec<f64>,
    n: Vec<u32>,
}

impl<'a> Means<'a> {
    fn new(series: &'a Series) -> Self {
        let (mut sum, mut n) = (vec![0.0], vec![0]);
        // Sums of differences from the middle keep their digits.
        let middle =
            median(&mut series.value.iter().copied().filter(|v| v.is_finite()).collect::<Vec<_>>()).unwrap_or(0.0);
        let (mut total, mut count) = (0.0, 0);
        for value in &series.value {
            if value.is_finite() {
                total += value - middle;
                count += 1;
            }
            sum.push(total);
            n.push(count);
        }
        Self { t_ns: &series.t_ns, sum, n }
    }

    /// Mean over `from_s <= t < to_s`; `None` with fewer than [`LEAST_SAMPLES`].
    fn over(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let at = |t_s: f64| self.t_ns.partition_point(|&t| t < signal::nanos_from_seconds(t_s));
        let (from, to) = (at(from_s), at(to_s));
        let n = self.n[to.max(from)] - self.n[from];
        (n as usize >= LEAST_SAMPLES).then(|| (self.sum[to] - self.sum[from]) / f64::from(n))
    }
}

/// Windows: before an edge, after it begins and ends; seconds.
#[derive(Clone, Copy)]
struct Windows {
    before_s: f64,
    from_s: f64,
    to_s: f64,
    late_by_s: f64,
}

impl Windows {
    /// Changes at all edges that have samples on both sides.
    fn changes(&self, means: &Means<'_>, edges: impl Iterator<Item = (f64, bool)>) -> Vec<f64> {
        edges
            .filter_map(|(t, is_on)| {
                let before = means.over(t - self.late_by_s - self.before_s, t - self.late_by_s)?;
                let after = means.over(t + self.from_s, t + self.to_s)?;
                Some(if is_on { after - before } else { before - after })
            })
            .collect()
    }
}

/// Mean, standard error (no better than the signal's own step allows) and Student's t.
fn student(changes: &[f64], step: f64) -> (f64, f64, f64) {
    let n = changes.len() as f64;
    let mean = changes.iter().sum::<f64>() / n;
    let variance = changes.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    let error = (variance.max(step * step / 12.0) / n).sqrt().max(1e-12);
    (mean, error, mean / error)
}

/// Measures one signal; `None` when too few edges have samples around them.
pub(super) fn measure(series: &Series, command: &Command, window_s: f64) -> Option<Response> {
    let means = Means::new(series);
    let step = step_of(&series.value);
    let transient = TRANSIENT_S.max(2.0 * LEAST_SAMPLES as f64 * series.median_interval_s()?).min(window_s);
    let late_by_s = command.late_by_s.min(0.25 * window_s);
    let late = Windows { before_s: 0.5 * window_s, from_s: 0.5 * window_s, to_s: window_s, late_by_s };
    let early = Windows { before_s: transient, from_s: 0.0, to_s: transient, late_by_s };
    let edges = || command.edges.iter().map(|edge| (edge.t_s, edge.is_on));
    let measured = |windows: Windows| {
        let changes = windows.changes(&means, edges());
        (changes.len() >= 2).then(|| (windows, student(&changes, step), changes))
    };
    let (late, early) = (measured(late)?, measured(early));
    let (late_mean, late_error) = (late.1.0, late.1.1);
    // What stays tells size and delay; a transient alone (idle control takes it back) shows in the early window only.
    let stays = 2.0 * student_tail(late.1.2.abs(), late.2.len() - 1) < CLEAR;
    let best = match early {
        Some(early) if !stays && early.1.2.abs() > late.1.2.abs() => early,
        _ => late,
    };
    let (windows, (mean, error, t), changes) = best;
    let n = changes.len();
    let alike = changes.iter().filter(|change| **change * mean > 0.0).count();
    Some(Response {
        id: series.id.to_string(),
        unit: series.unit.to_string(),
        n,
        mean,
        error,
        late_mean,
        late_error,
        p: (2.0 * student_tail(t.abs(), n - 1)).min(1.0),
        share_alike: alike as f64 / n as f64,
        delay_s: delay_s(series, command, windows, window_s),
        p_alone: f64::NAN,
        windows,
        step,
    })
}

/// Uniform numbers in 0..1, the same on every machine (splitmix64, Steele, Lea and Flood 2014, from memory).
fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

fn shuffle(values: &mut [f64], state: &mut u64) {
    for k in (1..values.len()).rev() {
        values.swap(k, ((k + 1) as f64 * uniform(state)) as usize);
    }
}

impl Response {
    /// Chance that the same command at other times (its on and off times in another order, beginning anywhere) would have
    /// found as strong a response: a permutation test. Ends early once it is plain that it is not rare.
    ///
    /// Evenly spaced commands have no other order; their chance cannot get below that of meeting the same phase.
    pub(super) fn chance_alone(&self, series: &Series, command: &Command) -> f64 {
        let means = Means::new(series);
        let (Some(&first), Some(&last)) = (series.t_ns.first(), series.t_ns.last()) else { return 1.0 };
        let (first, length) = (seconds_from_nanos(first), seconds_from_nanos(last - first));
        let edges = &command.edges[..command.edges.len().min(MOST_EDGES)];
        let of = |edges: &[(f64, bool)]| {
            let changes = self.windows.changes(&means, edges.iter().copied());
            if changes.len() < 2 { 0.0 } else { student(&changes, self.step).2 }
        };
        let true_edges: Vec<(f64, bool)> = edges.iter().map(|edge| (edge.t_s, edge.is_on)).collect();
        let t = of(&true_edges);
        let halves: Vec<f64> = edges.windows(2).map(|pair| pair[1].t_s - pair[0].t_s).collect();
        let mut kinds: [Vec<f64>; 2] = [0, 1].map(|from| halves.iter().copied().skip(from).step_by(2).collect());
        let mut state = edges.len() as u64;
        let mut n_strong = 0;
        for n_drawn in 1..=DRAWS {
            for kind in &mut kinds {
                shuffle(kind, &mut state);
            }
            let mut at = uniform(&mut state) * length;
            let mut drawn = Vec::with_capacity(edges.len());
            for (k, edge) in edges.iter().enumerate() {
                drawn.push((first + at.rem_euclid(length.max(1e-9)), edge.is_on));
                at += kinds[k % 2].get(k / 2).copied().unwrap_or(0.0);
            }
            n_strong += usize::from(of(&drawn) * t.signum() >= t.abs());
            if n_strong >= PLAIN {
                return (1 + n_strong) as f64 / (1 + n_drawn) as f64;
            }
        }
        (1 + n_strong) as f64 / (1 + DRAWS) as f64
    }
}

/// When half of the mean change was there: all edges laid over each other, in bins as fine as the samples together allow.
fn delay_s(series: &Series, command: &Command, windows: Windows, window_s: f64) -> Option<(f64, f64)> {
    let interval_s = series.median_interval_s()?;
    let n_bins = 40.0_f64.min(window_s / interval_s * (command.edges.len() as f64).sqrt()).max(4.0) as usize;
    let bin_s = window_s / n_bins as f64;
    let mut sums = vec![(0.0, 0.0); n_bins];
    let means = Means::new(series);
    let middle = median(&mut series.value.iter().copied().filter(|v| v.is_finite()).collect::<Vec<_>>())?;
    for edge in &command.edges {
        let from_s = edge.t_s - windows.late_by_s;
        let Some(before) = means.over(from_s - windows.before_s, from_s) else { continue };
        let first = series.t_ns.partition_point(|&t| t < signal::nanos_from_seconds(edge.t_s));
        for k in first..series.len() {
            let bin = ((seconds_from_nanos(series.t_ns[k]) - edge.t_s) / bin_s) as usize;
            if bin >= n_bins {
                break;
            }
            if series.value[k].is_finite() {
                let change = series.value[k] - middle - before;
                sums[bin].0 += if edge.is_on { change } else { -change };
                sums[bin].1 += 1.0;
            }
        }
    }
    let course: Vec<(f64, f64)> = sums
        .iter()
        .enumerate()
        .filter(|(_, (_, n))| *n > 0.0)
        .map(|(bin, (sum, n))| ((bin as f64 + 0.5) * bin_s, sum / n))
        .collect();
    let inside = |&&(t, _): &&(f64, f64)| t >= windows.from_s && t < windows.to_s;
    let n_inside = course.iter().filter(inside).count();
    let final_ = course.iter().filter(inside).map(|bin| bin.1).sum::<f64>() / n_inside as f64;
    let at = course.iter().position(|bin| bin.1 * final_.signum() >= 0.5 * final_.abs())?;
    let by_s = bin_s.max(command.late_by_s).max(interval_s / (command.edges.len() as f64).sqrt());
    Some((if at == 0 { 0.5 * bin_s } else { f64::midpoint(course[at - 1].0, course[at].0) }, by_s))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tail_of_students_t() {
        // Table of the t distribution: 2.262 leaves 2.5 % with 9 degrees of freedom.
        assert!((student_tail(2.262, 9) - 0.025).abs() < 1e-4);
    }

    #[test]
    fn lock_in_by_hand() {
        // Changes 2, 3, 4: mean 3, standard deviation 1, standard error 1/sqrt(3).
        let (mean, error, t) = student(&[2.0, 3.0, 4.0], 0.0);
        assert!(
            (mean - 3.0).abs() < 1e-12 && (error - 3_f64.sqrt().recip()).abs() < 1e-12 && (t - 5.196_152).abs() < 1e-6
        );
    }

    /// The classic lock-in, `mean(y c) / mean(c^2)` with the command c of zero mean and `se = sigma / (sqrt(n) rms c)`, and
    /// Student's t, by the reference library; the edges tell the same size.
    #[test]
    fn the_reference_library_agrees() {
        let mut state = 3;
        let mut series = Series::new(signal::SignalId::new("a.b").unwrap(), signal::Unit::named("1"));
        let mut edges = Vec::new();
        for k in 0..2000_i32 {
            let is_on = k / 100 % 2 == 1;
            if k % 100 == 0 && k > 0 {
                edges.push(super::super::edges::Edge { t_s: 0.1 * f64::from(k), is_on });
            }
            let noise = (0..12).map(|_| uniform(&mut state)).sum::<f64>() - 6.0;
            series.push_value(signal::nanos_from_seconds(0.1 * f64::from(k)), noise + if is_on { 2.0 } else { 0.0 });
        }
        let command = Command { name: "b".into(), edges, late_by_s: 0.0 };
        let found = measure(&series, &command, command.window_s()).unwrap();
        let script = "c = np.array([k // 100 % 2 for k in range(2000)]) - 0.5\ny = x[:2000]\n\
                      size = np.mean(y * c) / np.mean(c * c)\nrest = y - y.mean() - size * c\nprint(size)\n\
                      print(rest.std() / np.sqrt(2000) / np.sqrt(np.mean(c * c)))\nprint(stats.t.sf(5.5, 9))\nprint(stats.t.sf(-1.2, 4))";
        let Some(expected) = crate::stats::oracle::scipy(script, &series.value) else { return };
        let error = found.error.hypot(expected[1]);
        assert!((found.mean - expected[0]).abs() < 3.0 * error, "{} {expected:?}", found.mean);
        assert!((expected[1] - 2.0 / 2000_f64.sqrt()).abs() < 0.005, "{expected:?}");
        assert!(
            (student_tail(5.5, 9) / expected[2] - 1.0).abs() < 1e-9
                && (student_tail(-1.2, 4) - expected[3]).abs() < 1e-12
        );
    }
}
