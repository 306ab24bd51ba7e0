//! How well a fault of known shape and unknown size explains a few numbers.

use nalgebra::DVector;

use super::gauss::{Normal, ln_sum_exp};

/// Logarithm of the probability density of `values` when a fault of one of `sizes` (each as likely as the others) adds
/// `size * shape` to what `healthy` describes, and the size that explains them best. No sizes: nothing is explained.
pub(crate) fn ln_evidence(healthy: &Normal, values: &DVector<f64>, shape: &DVector<f64>, sizes: &[f64]) -> (f64, f64) {
    let (vv, vs, ss) = (healthy.product(values, values), healthy.product(values, shape), healthy.product(shape, shape));
    let ln_at = |size: f64| healthy.ln_density(vv - 2.0 * size * vs + size * size * ss);
    let all: Vec<f64> = sizes.iter().map(|&size| ln_at(size)).collect();
    let best = (vs / ss.max(1e-300)).clamp(
        sizes.iter().copied().fold(f64::INFINITY, f64::min).min(0.0),
        sizes.iter().copied().fold(f64::NEG_INFINITY, f64::max).max(0.0),
    );
    (ln_sum_exp(all) - (sizes.len().max(1) as f64).ln(), best)
}

/// `n` sizes from `least` to `most`, evenly spaced in their logarithm.
pub(crate) fn log_spaced(least: f64, most: f64, n: usize) -> Vec<f64> {
    (0..n).map(|k| least * (most / least).powf(k as f64 / (n.max(2) - 1) as f64)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::DMatrix;

    #[test]
    fn one_number_by_hand() {
        // Standard normal, value 3, sizes 1 and 4: densities phi(2) and phi(-1), their mean 0.147981 (tables of the normal
        // distribution: 0.053991 and 0.241971).
        let healthy = Normal::new(DMatrix::identity(1, 1)).unwrap();
        let one = DVector::from_vec(vec![1.0]);
        let (ln, best) = ln_evidence(&healthy, &DVector::from_vec(vec![3.0]), &one, &[1.0, 4.0]);
        assert!((ln.exp() - 0.147_981).abs() < 1e-6);
        assert!((best - 3.0).abs() < 1e-12);
        assert_eq!(log_spaced(1.0, 100.0, 3), [1.0, 10.0, 100.0]);
        assert_eq!(log_spaced(3.0, 100.0, 1), [3.0]);
        // No size beyond those considered explains anything, nor one of the other sign.
        let best = |value: f64, sizes: &[f64]| ln_evidence(&healthy, &DVector::from_vec(vec![value]), &one, sizes).1;
        assert_eq!((best(9.0, &[1.0, 4.0]), best(-9.0, &[1.0, 4.0]), best(-9.0, &[-4.0, -1.0])), (4.0, 0.0, -4.0));
        let (ln, _) = ln_evidence(&healthy, &DVector::from_vec(vec![3.0]), &one, &[]);
        assert_eq!(ln, f64::NEG_INFINITY);
    }

    #[test]
    fn the_reference_library_agrees() {
        let covariance = DMatrix::from_fn(3, 3, |i, j| if i == j { 0.3 } else { 0.1 } + 0.02 * (i + j) as f64);
        let values = DVector::from_vec(vec![0.4, -0.2, 0.9]);
        let shape = DVector::from_vec(vec![1.0, 0.5, 0.25]);
        let sizes = log_spaced(0.1, 2.0, 7);
        let script = "cov = np.array([[(0.3 if i == j else 0.1) + 0.02 * (i + j) for j in range(3)] for i in range(3)])\n\
                      y, shape, sizes = np.array([0.4, -0.2, 0.9]), np.array([1, 0.5, 0.25]), np.geomspace(0.1, 2, 7)\n\
                      n = stats.multivariate_normal(np.zeros(3), cov)\n\
                      print(np.log(np.mean([n.pdf(y - s * shape) for s in sizes])))\n\
                      inv = np.linalg.inv(cov)\nprint(shape @ inv @ y / (shape @ inv @ shape))";
        let Some(expected) = crate::stats::oracle::scipy(script, &[]) else { return };
        let (ln, best) = ln_evidence(&Normal::new(covariance).unwrap(), &values, &shape, &sizes);
        assert!((ln - expected[0]).abs() < 1e-9 && (best - expected[1]).abs() < 1e-9, "{ln} {best} {expected:?}");
    }
}
