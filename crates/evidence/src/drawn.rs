//! Whether the rows of a table were drawn between slower samples.
//!
//! A table that was filled up by straight lines is smooth between its samples, whatever the sensor does, and bends at them. So
//! it moves in straight pieces of several rows, all about equally long. A smooth signal bends everywhere a little, noise in
//! every row, and a value that was held moves in steps.

use signal::Series;

use crate::stats::{quantum, robust};

/// Fewest rows of a straight piece: two rows are always on a line.
const LEAST_ROWS: usize = 3;
/// Fewest straight pieces that tell how a table was made, and how much of the movement must lie in them.
const LEAST_PIECES: usize = 12;
const MOST_OF_IT: f64 = 0.7;
/// Half of the pieces are no shorter and no longer than the middle one by this factor: a poll comes back as regularly.
const REGULAR: f64 = 1.6;
/// So many rows tell how a table was made.
const ENOUGH_ROWS: usize = 20_000;

/// Usual time between the samples that straight pieces of equal length were drawn between, seconds; `None` where the course
/// of a series is not made of such pieces.
pub(crate) fn interval_s(series: &Series) -> Option<f64> {
    let n = series.len().min(ENOUGH_ROWS);
    let (t, value) = (&series.t_ns[..n], &series.value[..n]);
    // Three rounded values leave their line by one step at most; so do sums of many digits by far less.
    let step = quantum::step_of(value);
    let bends = |k: usize| {
        let (before, after) = (t[k].saturating_sub(t[k - 1]) as f64, t[k + 1].saturating_sub(t[k]) as f64);
        let line = value[k - 1] + (value[k + 1] - value[k - 1]) * before / (before + after).max(1.0);
        let off = (value[k] - line).abs();
        off.is_nan() || off > step
    };
    let mut pieces: Vec<(f64, f64)> = Vec::new();
    let mut travelled = 0.0;
    let mut from = 0;
    for k in 1..n.saturating_sub(1) {
        let change = (value[k] - value[k - 1]).abs();
        travelled += if change.is_finite() { change } else { 0.0 };
        if bends(k) {
            // From one bend to the next, both belong to the piece.
            pieces.push(((k - from) as f64, (value[k] - value[from]).abs()));
            from = k;
        }
    }
    // A bend between two rows shows in both of them, and what hardly moves is straight by its step.
    pieces.retain(|(rows, moved)| *rows >= LEAST_ROWS as f64 && *moved > 2.0 * step * rows);
    let straight: f64 = pieces.iter().map(|piece| piece.1).sum();
    let mut rows: Vec<f64> = pieces.iter().map(|piece| piece.0).collect();
    let [short, middle, long] = quartiles(&mut rows)?;
    let is_drawn = pieces.len() >= LEAST_PIECES
        && straight >= MOST_OF_IT * travelled
        && short * REGULAR >= middle
        && long <= REGULAR * middle;
    // A sample between two rows bends both of them, so that the piece looks up to a row shorter than it is.
    is_drawn.then_some((middle + 1.0) * series.median_interval_s()?)
}

fn quartiles(rows: &mut [f64]) -> Option<[f64; 3]> {
    Some([robust::quantile(rows, 0.25)?, robust::quantile(rows, 0.5)?, robust::quantile(rows, 0.75)?])
}

#[cfg(test)]
mod tests {
    use signal::{SignalId, Unit};

    use super::*;

    fn series(value: impl Fn(usize) -> f64) -> Series {
        let mut series = Series::new(SignalId::new("wheel.speed.front_left").unwrap(), Unit::named("km/h"));
        (0..2000).for_each(|k| series.push_value(k as i64 * 50_000_000, value(k)));
        series
    }

    /// Scatter within one, the same every time.
    fn scatter(k: usize) -> f64 {
        ((k * k * 389 + k * 7919) % 1013) as f64 / 506.5 - 1.0
    }

    #[test]
    fn lines_between_samples_are_told_from_samples() {
        let drive = |t: f64| 50.0 + 20.0 * (0.11 * t).sin() + 6.0 * (0.47 * t).sin();
        for rows in [4.0, 5.3, 20.0] {
            for step in [1e-6, 0.01] {
                // Every so many rows a rough value, and lines between.
                let sample = |k: f64| drive(k * rows * 0.05) + scatter(k as usize);
                let drawn = |k: usize| {
                    let at = k as f64 / rows;
                    let (from, share) = (at.floor(), at.fract());
                    ((sample(from) + share * (sample(from + 1.0) - sample(from))) / step).round() * step
                };
                let told = interval_s(&series(drawn)).unwrap() / 0.05;
                assert!((rows - 0.5..=rows + 1.1).contains(&told), "{rows} rows, step {step}: {told}");
            }
        }
        for step in [1e-6, 0.01, 0.1, 1.0] {
            let sampled =
                |rough: f64| move |k: usize| ((drive(k as f64 * 0.05) + rough * scatter(k)) / step).round() * step;
            assert!(interval_s(&series(sampled(1.0))).is_none(), "noise, step {step}");
            assert!(interval_s(&series(sampled(0.0))).is_none(), "smooth, step {step}");
        }
        let held = |k| 5.0 * scatter(k / 5);
        assert!([series(held), series(|_| 5.0), series(|_| f64::NAN)].iter().all(|s| interval_s(s).is_none()));
    }
}
