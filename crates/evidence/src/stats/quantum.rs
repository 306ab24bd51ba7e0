//! The step in which a signal counts.

/// Rows of a long drive that are looked at in one piece.
const RUN: usize = 128;

/// The step between neighbouring values that a signal can take; 0 when the values show none.
///
/// The least change between consecutive samples would be ruined by one stray value, so the step is the change below which
/// only one in two hundred of all changes lies. A signal with noise far above its step gives a greater number than the
/// step; a check that needs it as an error bound is on the safe side then.
pub(crate) fn step_of(values: &[f64]) -> f64 {
    // A few thousand changes are plenty, and keep the cost of long drives low. Whole runs of rows are left out, not every
    // other row: a table may repeat each value as often.
    let stride = (values.len() / 8192).max(1);
    let run = if stride == 1 { values.len().max(1) } else { RUN };
    let changes = values.chunks(run).step_by(stride).flat_map(|run| run.windows(2));
    let changes = changes.map(|pair| (pair[1] - pair[0]).abs());
    let mut changes: Vec<f64> = changes.filter(|change| change.is_finite() && *change > 1e-9).collect();
    super::robust::quantile(&mut changes, 0.005).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_step_of_a_count() {
        let wave = |k: usize| (k as f64 * 0.37).sin() * 20.0 + 40.0;
        let in_steps = |step: f64| (0..500).map(|k| (wave(k) / step).round() * step).collect::<Vec<_>>();
        for step in [0.01, 0.392, 1.0] {
            let found = step_of(&in_steps(step));
            assert!(found >= step * 0.999 && found < step * 30.0, "{step}: {found}");
        }
        assert!((step_of(&in_steps(1.0)) - 1.0).abs() < 1e-9);
        // Two stray values among a thousand steps of 1 are not the step; a tenth of them is.
        let with_stray = |every: usize| -> Vec<f64> {
            (0..1000).map(|k| k as f64 + if k % every == every - 1 { 0.9 } else { 0.0 }).collect()
        };
        assert_eq!(step_of(&with_stray(500)), 1.0);
        assert!(step_of(&with_stray(10)) < 0.2);
        assert_eq!(step_of(&[5.0; 9]), 0.0);
        // A long table that shows each value twice.
        let twice: Vec<f64> = (0..40_000).map(|k| f64::from(k / 2 % 100)).collect();
        assert_eq!(step_of(&twice), 1.0);
        assert_eq!(step_of(&[f64::NAN, 1.0]), 0.0);
    }
}
