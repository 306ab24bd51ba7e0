//! Several signals side by side, averaged over common short stretches.

use signal::{Series, seconds_from_nanos};

/// Signals side by side; a value is NaN where it is not known. All columns are as long as `t_s`.
pub(crate) struct Rows {
    /// Mean time of the leading signal's samples in each stretch, seconds.
    pub(crate) t_s: Vec<f64>,
    /// How long each row stands for, seconds; the last and those before a gap stand for an ordinary row.
    pub(crate) dwell_s: Vec<f64>,
    /// The leading signal first, then the others in the order given.
    pub(crate) columns: Vec<Vec<f64>>,
}

impl Rows {
    /// Groups the samples of `lead` into stretches of at most `width_s` and finds every other signal's mean there, or
    /// its value between two neighbouring samples that are not farther apart than is usual for it.
    ///
    /// Rows follow the samples of `lead`, so the work grows with the samples and never with gaps or wild time stamps.
    pub(crate) fn new(lead: &Series, others: &[Option<&Series>], width_s: f64) -> Self {
        let width_ns = signal::nanos_from_seconds(width_s).max(1);
        let mut bounds: Vec<(i64, i64)> = Vec::new();
        let (mut t_s, mut first) = (Vec::new(), Vec::new());
        let mut k = 0;
        while k < lead.len() {
            let start = lead.t_ns[k];
            let end = start.saturating_add(width_ns);
            let (mut n, mut sum, mut time) = (0.0, 0.0, 0.0);
            while k < lead.len() && lead.t_ns[k] < end {
                if lead.value[k].is_finite() {
                    n += 1.0;
                    sum += lead.value[k];
                    time += seconds_from_nanos(lead.t_ns[k]);
                }
                k += 1;
            }
            if n > 0.0 {
                bounds.push((start, end));
                t_s.push(time / n);
                first.push(sum / n);
            }
        }
        let usual_s = 3.0 * width_s.max(lead.median_interval_s().unwrap_or(0.0));
        let dwell_s = (0..t_s.len())
            .map(|k| t_s.get(k + 1).map_or(usual_s / 3.0, |next| next - t_s[k]))
            .map(|dwell| if dwell > usual_s { usual_s / 3.0 } else { dwell })
            .collect();
        let mut columns = vec![first];
        columns.extend(others.iter().map(|other| match other {
            Some(series) => column(series, &bounds, &t_s, width_s),
            None => vec![f64::NAN; t_s.len()],
        }));
        Self { t_s, dwell_s, columns }
    }

    /// Number of rows.
    pub(crate) fn len(&self) -> usize {
        self.t_s.len()
    }
}

/// One signal at the stretches of the leading one.
fn column(series: &Series, bounds: &[(i64, i64)], t_s: &[f64], width_s: f64) -> Vec<f64> {
    let reach_s = (4.0 * series.median_interval_s().unwrap_or(0.0)).max(2.0 * width_s);
    let at = |k: usize| (seconds_from_nanos(series.t_ns[k]), series.value[k]);
    let mut k = 0;
    bounds
        .iter()
        .zip(t_s)
        .map(|(&(from, to), &t)| {
            while k < series.len() && series.t_ns[k] < from {
                k += 1;
            }
            let inside = (k..series.len()).take_while(|&j| series.t_ns[j] < to);
            let (n, sum) = inside
                .map(|j| series.value[j])
                .filter(|v| v.is_finite())
                .fold((0.0, 0.0), |(n, sum), v| (n + 1.0, sum + v));
            if n > 0.0 {
                return sum / n;
            }
            if k == 0 || k >= series.len() {
                return f64::NAN;
            }
            let ((t0, v0), (t1, v1)) = (at(k - 1), at(k));
            if t1 - t0 > reach_s || t1 <= t0 {
                return f64::NAN;
            }
            v0 + (v1 - v0) * ((t - t0) / (t1 - t0)).clamp(0.0, 1.0)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use signal::{SignalId, Unit};

    fn series(samples: &[(f64, f64)]) -> Series {
        let mut series = Series::new(SignalId::new("a.b").unwrap(), Unit::named("1"));
        for (t, v) in samples {
            series.push_value(signal::nanos_from_seconds(*t), *v);
        }
        series
    }

    #[test]
    fn means_and_values_between() {
        let lead = series(&[(0.0, 1.0), (0.5, 3.0), (1.0, 5.0), (2.0, f64::NAN), (3.0, 7.0), (100.0, 9.0)]);
        let other = series(&[(0.2, 10.0), (0.9, 20.0), (4.0, 51.0), (4.5, 0.0)]);
        let rows = Rows::new(&lead, &[Some(&other), None], 1.0);
        assert_eq!(rows.t_s, [0.25, 1.0, 3.0, 100.0]);
        assert_eq!(rows.columns[0], [2.0, 5.0, 7.0, 9.0]);
        // From row to row; before the gap and at the end as long as a row is wide.
        assert_eq!(rows.dwell_s, [0.75, 2.0, 1.0, 1.0]);
        assert_eq!(rows.columns[1][0], 15.0);
        // 0.9 s to 4.0 s is farther than four of its median intervals of 0.7 s.
        assert!(rows.columns[1][1].is_nan() && rows.columns[1][3].is_nan());
        assert_eq!(rows.columns[2].len(), rows.len());
    }

    #[test]
    fn a_short_distance_is_bridged() {
        let lead = series(&[(0.0, 1.0), (1.0, 1.0), (2.0, 1.0)]);
        let other = series(&[(-1.0, 0.0), (0.5, 6.0), (2.5, 2.0)]);
        let rows = Rows::new(&lead, &[Some(&other)], 0.1);
        assert_eq!(rows.columns[1], [4.0, 5.0, 3.0]);
    }

    /// Four usual intervals, or two widths of a row where that is more, late in a drive as at its start.
    #[test]
    fn the_longest_distance_that_is_bridged() {
        let lead = series(&[(1002.0, 1.0)]);
        let at = |times: &[f64], width_s| {
            let other = series(&times.iter().map(|t| (1000.0 + t, *t)).collect::<Vec<_>>());
            Rows::new(&lead, &[Some(&other)], width_s).columns[1][0]
        };
        assert_eq!(at(&[-1.5, -0.5, 0.5, 4.5], 0.5), 2.0);
        assert!(at(&[-1.5, -0.5, 0.5, 5.5], 0.5).is_nan());
        assert_eq!(at(&[1.25, 1.5, 1.75, 2.75], 0.5), 2.0);
        assert!(at(&[1.5, 1.625, 1.75, 2.875], 0.5).is_nan());
    }
}
