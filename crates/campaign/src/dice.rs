//! Chance that is the same on every machine for the same seed.

/// A stream of random numbers (the published "splitmix64").
#[derive(Debug, Clone)]
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in `low..high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Between two positive numbers, all magnitudes alike.
    pub(crate) fn magnitude(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    pub(crate) fn chance(&mut self, p: f64) -> bool {
        p > 0.0 && self.between(0.0, 1.0) < p
    }

    /// One of these; there must be one.
    pub(crate) fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[(self.next() % all.len() as u64) as usize]
    }

    /// So many of these, in their order.
    pub(crate) fn some<T: Copy>(&mut self, all: &[T], n: usize) -> Vec<T> {
        let (mut left, mut wanted) = (all.len(), n.min(all.len()));
        let mut chosen = Vec::new();
        for one in all {
            if self.chance(wanted as f64 / left as f64) {
                chosen.push(*one);
                wanted -= 1;
            }
            left -= 1;
        }
        chosen
    }
}
