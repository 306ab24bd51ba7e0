//! Fewer points that draw the same picture.
//!
//! A column of pixels shows all that lies in it as one stroke from its least to its greatest value; so these two
//! samples, at their own times, stand for all of them. A glitch of a single sample therefore stays visible however far
//! one zooms out.

use argminmax::ArgMinMax;

/// Samples of one signal by column: times in seconds and values, in order of time.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Points {
    pub(crate) t_s: Vec<f64>,
    pub(crate) value: Vec<f64>,
}

impl Points {
    fn push(&mut self, t_ns: i64, value: f64) {
        self.t_s.push(signal::seconds_from_nanos(t_ns));
        self.value.push(value);
    }
}

/// The samples of `t_ns`, `value` between `from_ns` and `to_ns`, at most two for each of `n_columns` equal stretches,
/// and one beyond each end so that a line reaches the edges. Values that are not finite are left out.
pub(crate) fn columns(t_ns: &[i64], value: &[f64], from_ns: i64, to_ns: i64, n_columns: usize) -> Points {
    let mut points = Points::default();
    for idx in extremes(t_ns, value, from_ns, to_ns, n_columns) {
        if value[idx].is_finite() {
            points.push(t_ns[idx], value[idx]);
        }
    }
    points
}

/// Which samples [`columns`] keeps, in order.
///
/// `t_ns` never decreases; both slices have one length (what is beyond the shorter one is left out).
pub(crate) fn extremes(t_ns: &[i64], value: &[f64], from_ns: i64, to_ns: i64, n_columns: usize) -> Vec<usize> {
    let n = t_ns.len().min(value.len());
    let (t_ns, value) = (&t_ns[..n], &value[..n]);
    if n == 0 || to_ns < from_ns || n_columns == 0 {
        return Vec::new();
    }
    let first = t_ns.partition_point(|t| *t < from_ns);
    let last = t_ns.partition_point(|t| *t <= to_ns);
    let mut kept = Vec::with_capacity((last - first).min(2 * n_columns) + 2);
    kept.extend(first.checked_sub(1));
    if last - first <= 2 * n_columns {
        kept.extend(first..last);
    } else {
        let width_ns = (to_ns as f64 - from_ns as f64) / n_columns as f64;
        let mut start = first;
        for column in 1..=n_columns {
            let edge_ns = from_ns as f64 + width_ns * column as f64;
            let rest = &t_ns[start..last];
            let end = if column == n_columns { last } else { start + rest.partition_point(|t| (*t as f64) < edge_ns) };
            if start < end {
                // Not a number is never the least or greatest unless there is nothing else.
                let (low, high) = (&value[start..end]).argminmax();
                kept.push(start + low.min(high));
                kept.extend((low != high).then_some(start + low.max(high)));
            }
            start = end;
        }
    }
    kept.extend((last < n).then_some(last));
    kept
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_single_sample_glitch_survives_an_hour_in_a_hundred_columns() {
        let t_ns: Vec<i64> = (0..72_000).map(|k| k * 50_000_000).collect();
        let mut value = vec![13.8; t_ns.len()];
        value[41_234] = 2.0;
        let points = columns(&t_ns, &value, 0, t_ns[71_999], 100);
        assert!(points.value.len() <= 200);
        let at = points.value.iter().position(|value| *value == 2.0).unwrap();
        assert_eq!(points.t_s[at], signal::seconds_from_nanos(t_ns[41_234]));
    }

    #[test]
    fn a_window_with_few_samples_is_whole_and_reaches_the_edges() {
        let t_ns: Vec<i64> = (0..100).map(|k| k * 1_000_000_000).collect();
        let value: Vec<f64> = (0..100).map(f64::from).collect();
        let points = columns(&t_ns, &value, 10_500_000_000, 12_500_000_000, 50);
        assert_eq!(points.value, [10.0, 11.0, 12.0, 13.0]);
    }

    proptest! {
        /// Against a plain loop over every column.
        #[test]
        fn least_and_greatest_of_every_column_are_there(
            steps in proptest::collection::vec(0i64..2000, 1..400),
            values in proptest::collection::vec(-100.0f64..100.0, 400),
            n_columns in 1usize..40,
        ) {
            let t_ns: Vec<i64> = steps.iter().scan(0, |t, step| { *t += step; Some(*t) }).collect();
            let to_ns = *t_ns.last().unwrap();
            let points = columns(&t_ns, &values, 0, to_ns, n_columns);
            prop_assert!(points.t_s.is_sorted());
            let width = to_ns as f64 / n_columns as f64;
            for column in 0..n_columns {
                let is_in = |t: i64| {
                    let t = t as f64;
                    let last = column + 1 == n_columns;
                    t >= width * column as f64 && (last || t < width * (column + 1) as f64)
                };
                let inside = t_ns.iter().zip(&values).filter(|(t, _)| is_in(**t)).map(|(_, value)| *value);
                let all: Vec<f64> = inside.collect();
                for bound in [all.iter().copied().reduce(f64::min), all.iter().copied().reduce(f64::max)] {
                    prop_assert!(bound.is_none_or(|bound| points.value.contains(&bound)));
                }
            }
        }

        #[test]
        fn rubbish_makes_no_panic(
            t_ns in proptest::collection::vec(proptest::num::i64::ANY, 0..50),
            value in proptest::collection::vec(proptest::num::f64::ANY, 0..50),
            from in proptest::num::i64::ANY, to in proptest::num::i64::ANY, n_columns in 0usize..20,
        ) {
            let mut t_ns = t_ns;
            t_ns.sort_unstable();
            let points = columns(&t_ns, &value, from, to, n_columns);
            prop_assert!(points.value.iter().all(|value| value.is_finite()));
            prop_assert_eq!(points.t_s.len(), points.value.len());
        }
    }
}
