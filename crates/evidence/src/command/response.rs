//! How one signal moves at the edges of a command.

use signal::seconds_from_nanos;
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::edges::Command;
use super::watched::{LEAST_SAMPLES, Watched};

/// A transient (idle control answers within two seconds: common practice, no source) is looked for in this time, seconds.
const TRANSIENT_S: f64 = 2.0;
/// A response that stays is clear from here on, as a chance.
const CLEAR: f64 = 1e-4;
/// Share of the change that the last quarter of the window may add to the quarter before it in a response that has settled:
/// a first-order response gains 3.3 % there, and its mean is 3 % short, when the window is five of its time constants long.
const SETTLED: f64 = 0.03;

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
    /// See [`super::alone::chance`]; NaN where it was not needed.
    pub(super) p_alone: f64,
    /// The windows that tell more.
    pub(super) windows: Windows,
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

/// Windows: before an edge, after it begins and ends; seconds.
#[derive(Clone, Copy)]
pub(super) struct Windows {
    before_s: f64,
    from_s: f64,
    to_s: f64,
    late_by_s: f64,
}

impl Windows {
    /// Changes at all edges that have samples on both sides.
    pub(super) fn changes(&self, watched: &Watched<'_>, edges: impl Iterator<Item = (f64, bool)>) -> Vec<f64> {
        edges
            .filter_map(|(t, is_on)| {
                let before = watched.over(t - self.late_by_s - self.before_s, t - self.late_by_s)?;
                let after = watched.over(t + self.from_s, t + self.to_s)?;
                Some(if is_on { after - before } else { before - after })
            })
            .collect()
    }
}

/// Mean, standard error (no better than the signal's own step allows) and Student's t.
pub(super) fn student(changes: &[f64], step: f64) -> (f64, f64, f64) {
    let n = changes.len() as f64;
    let mean = changes.iter().sum::<f64>() / n;
    let variance = changes.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    let error = (variance.max(step * step / 12.0) / n).sqrt().max(1e-12);
    (mean, error, mean / error)
}

/// Measures one signal; `None` when too few edges have samples around them.
pub(super) fn measure(watched: &Watched<'_>, command: &Command, window_s: f64) -> Option<Response> {
    let transient = TRANSIENT_S.max(2.0 * LEAST_SAMPLES as f64 * watched.interval_s).min(window_s);
    let late_by_s = command.late_by_s.min(0.25 * window_s);
    let late = Windows { before_s: 0.5 * window_s, from_s: 0.5 * window_s, to_s: window_s, late_by_s };
    let early = Windows { before_s: transient, from_s: 0.0, to_s: transient, late_by_s };
    let edges = || command.edges.iter().map(|edge| (edge.t_s, edge.is_on));
    let measured = |windows: Windows| {
        let changes = windows.changes(watched, edges());
        (changes.len() >= 2).then(|| (windows, student(&changes, watched.step), changes))
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
        id: watched.series.id.to_string(),
        unit: watched.series.unit.of_difference().to_string(),
        n,
        mean,
        error,
        late_mean,
        late_error,
        p: (2.0 * student_tail(t.abs(), n - 1)).min(1.0),
        share_alike: alike as f64 / n as f64,
        p_alone: f64::NAN,
        windows,
    })
}

/// Whether a response was plainly still on its way at the end of the window, so that its true size is larger than the mean
/// that was measured: between the last two quarters of the window it gains, edge for edge.
pub(super) fn is_on_its_way(watched: &Watched<'_>, command: &Command, response: &Response, window_s: f64) -> bool {
    let quarters = |edge: &super::edges::Edge| {
        let third = watched.over(edge.t_s + 0.5 * window_s, edge.t_s + 0.75 * window_s)?;
        let last = watched.over(edge.t_s + 0.75 * window_s, edge.t_s + window_s)?;
        Some(if edge.is_on { last - third } else { third - last })
    };
    let gains: Vec<f64> = command.edges.iter().filter_map(quarters).collect();
    let (mean, _, t) = student(&gains, watched.step);
    let direction = response.mean.signum();
    gains.len() >= 2
        && mean * direction > SETTLED * response.mean.abs()
        && student_tail(t * direction, gains.len() - 1) < CLEAR
}

/// When half of the mean change was there: all edges laid over each other, in bins as fine as the samples together allow.
///
/// Seconds after the edge, and how uncertain that is; `None` when no bin got there.
pub(super) fn delay_s(watched: &Watched<'_>, command: &Command, windows: Windows, window_s: f64) -> Option<(f64, f64)> {
    let interval_s = watched.interval_s.max(1e-6);
    let n_bins = 40.0_f64.min(window_s / interval_s * (command.edges.len() as f64).sqrt()).max(4.0) as usize;
    let bin_s = window_s / n_bins as f64;
    let mut sums = vec![(0.0, 0.0); n_bins];
    for edge in &command.edges {
        let from_s = edge.t_s - windows.late_by_s;
        let Some(before) = watched.over(from_s - windows.before_s, from_s) else { continue };
        for k in watched.first_at(edge.t_s)..watched.series.len() {
            let bin = ((seconds_from_nanos(watched.series.t_ns[k]) - edge.t_s) / bin_s) as usize;
            if bin >= n_bins {
                break;
            }
            let change = watched.value(k) - before;
            if change.is_finite() {
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
    use signal::Series;

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
            let noise = (0..12).map(|_| super::super::alone::uniform(&mut state)).sum::<f64>() - 6.0;
            series.push_value(signal::nanos_from_seconds(0.1 * f64::from(k)), noise + if is_on { 2.0 } else { 0.0 });
        }
        let command = Command { name: "b".into(), edges, late_by_s: 0.0 };
        let watched = Watched::new(&series).unwrap();
        let found = measure(&watched, &command, command.window_s()).unwrap();
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
