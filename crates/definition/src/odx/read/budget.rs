//! How much is made of a description: what refers to each other in it can be far more than what stands there.

use std::cell::Cell;

/// Most that is read of all layers together: services, parameters, codes, and what layers have from each other. The
/// variants of a vehicle's modules have some hundred thousand; so many take a gigabyte and a half at most.
const MOST: usize = if cfg!(test) { 30_000 } else { 3_000_000 };
/// Most layers that one layer looks into for what it inherits, by all ways to them; the standard has four kinds.
const MOST_PARENTS: usize = 1000;

/// What is left of it.
pub(super) struct Budget {
    left: Cell<usize>,
    parents: Cell<usize>,
}

impl Budget {
    pub(super) fn new() -> Self {
        Self { left: Cell::new(MOST), parents: Cell::new(MOST_PARENTS) }
    }

    /// The next layer begins.
    pub(super) fn next_layer(&self) {
        self.parents.set(MOST_PARENTS);
    }

    /// Whether so much more may be read. Once it may not, nothing more may.
    pub(super) fn allows(&self, n: usize) -> bool {
        self.left.set(self.left.get().saturating_sub(n));
        self.left.get() > 0
    }

    /// Whether one more layer may be looked into.
    pub(super) fn allows_parent(&self) -> bool {
        self.parents.set(self.parents.get().saturating_sub(1));
        self.parents.get() > 0
    }

    /// Why the rest is left out.
    pub(super) fn spent() -> String {
        format!("more than {MOST} services, parameters and codes in all layers together: the rest")
    }
}
