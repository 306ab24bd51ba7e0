//! Likelihoods of small vectors under normal models.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// A zero-mean normal distribution of a few numbers, ready to be asked often.
pub(crate) struct Normal {
    cholesky: Cholesky<f64, Dyn>,
    ln_norm: f64,
}

impl Normal {
    /// `None` when the covariance is not positive definite.
    pub(crate) fn new(covariance: DMatrix<f64>) -> Option<Self> {
        let n = covariance.nrows() as f64;
        let cholesky = Cholesky::new(covariance)?;
        let ln_det: f64 = 2.0 * cholesky.l_dirty().diagonal().iter().map(|x| x.ln()).sum::<f64>();
        Some(Self { cholesky, ln_norm: -0.5 * (ln_det + n * std::f64::consts::TAU.ln()) })
    }

    /// `a' S^-1 b` with the covariance S.
    pub(crate) fn product(&self, a: &DVector<f64>, b: &DVector<f64>) -> f64 {
        a.dot(&self.cholesky.solve(b))
    }

    /// Natural logarithm of the density where `quadratic` is `x' S^-1 x`.
    pub(crate) fn ln_density(&self, quadratic: f64) -> f64 {
        self.ln_norm - 0.5 * quadratic
    }
}

/// `ln(sum(exp(x)))` without overflow; minus infinity for nothing.
pub(crate) fn ln_sum_exp(values: impl IntoIterator<Item = f64>) -> f64 {
    let values: Vec<f64> = values.into_iter().collect();
    let top = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() {
        return top;
    }
    top + values.iter().map(|value| (value - top).exp()).sum::<f64>().ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn density_and_sum() {
        // scipy.stats.multivariate_normal.logpdf([1, 2], cov=[[2, .5], [.5, 1]]) = -4.117675...: computed by hand as
        // -ln(2 pi) - ln(1.75)/2 - x' S^-1 x / 2 with x' S^-1 x = (1 - 2 + 8) / 1.75 = 4.
        let normal = Normal::new(DMatrix::from_row_slice(2, 2, &[2.0, 0.5, 0.5, 1.0])).unwrap();
        let x = DVector::from_vec(vec![1.0, 2.0]);
        let quadratic = normal.product(&x, &x);
        assert!((quadratic - 4.0).abs() < 1e-12);
        assert!((normal.ln_density(quadratic) + 4.117_684_959).abs() < 1e-6);
        assert!(Normal::new(DMatrix::from_row_slice(1, 1, &[-1.0])).is_none());
        assert!((ln_sum_exp([1000.0, 1000.0]) - 1000.0 - 2f64.ln()).abs() < 1e-9);
        assert_eq!(ln_sum_exp([]), f64::NEG_INFINITY);
    }
}
