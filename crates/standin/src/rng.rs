//! Random numbers that are the same on every machine for the same seed.

/// Generator with 64 bits of state (the published "splitmix64" mixing function); good enough for noise and events.
#[derive(Debug, Clone)]
pub(crate) struct Rng {
    state: u64,
    spare: Option<f64>,
}

impl Rng {
    /// A stream of its own for each `(seed, purpose)`, so that a new consumer does not shift the others' numbers.
    #[must_use]
    pub(crate) fn new(seed: u64, purpose: &str) -> Self {
        // FNV-1a over the purpose's name.
        let hash =
            purpose.bytes().fold(0xCBF2_9CE4_8422_2325_u64, |h, b| (h ^ u64::from(b)).wrapping_mul(0x100_0000_01B3));
        Self { state: seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ hash, spare: None }
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in 0..1.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform in `low..high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// True with probability `p`.
    pub(crate) fn chance(&mut self, p: f64) -> bool {
        p > 0.0 && self.uniform() < p
    }

    /// Normal, mean 0, standard deviation 1 (Marsaglia's polar method).
    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (u, v) = (self.between(-1.0, 1.0), self.between(-1.0, 1.0));
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                let scale = (-2.0 * s.ln() / s).sqrt();
                self.spare = Some(v * scale);
                return u * scale;
            }
        }
    }

    /// Exponential with the given mean: waiting time to the next event of a point process.
    pub(crate) fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.uniform()).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::Rng;

    #[test]
    fn moments_are_those_of_the_named_distributions() {
        let mut rng = Rng::new(1, "test");
        let n = 100_000;
        let (mut sum, mut squares, mut waits) = (0.0, 0.0, 0.0);
        for _ in 0..n {
            let x = rng.normal();
            sum += x;
            squares += x * x;
            waits += rng.exponential(3.0);
        }
        let n = f64::from(n);
        // Four standard errors: 4/sqrt(n), 4*sqrt(2/n), 4*3/sqrt(n).
        assert!((sum / n).abs() < 0.0127, "{}", sum / n);
        assert!((squares / n - 1.0).abs() < 0.018, "{}", squares / n);
        assert!((waits / n - 3.0).abs() < 0.038, "{}", waits / n);
    }

    #[test]
    fn purposes_do_not_share_numbers() {
        let mut a = Rng::new(1, "a");
        let mut b = Rng::new(1, "b");
        assert_ne!(a.uniform().to_bits(), b.uniform().to_bits());
    }
}
