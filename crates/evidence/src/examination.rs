//! One recording while it is examined.

use std::cell::OnceCell;
use std::ops::Deref;

use signal::Recording;

use crate::odd_wheel::Rolling;
use crate::wheels::Rig;

/// A recording under examination, with what several checks need of it computed once. It reads like the recording itself.
pub struct Examination<'a> {
    recording: &'a Recording,
    rig: OnceCell<Option<Rig>>,
    rolling: OnceCell<Option<Rolling>>,
}

impl<'a> Examination<'a> {
    /// Nothing is computed before a check asks for it.
    #[must_use]
    pub const fn new(recording: &'a Recording) -> Self {
        Self { recording, rig: OnceCell::new(), rolling: OnceCell::new() }
    }

    /// The wheels side by side; `None` with fewer than two.
    pub(crate) fn rig(&self) -> Option<&Rig> {
        self.rig.get_or_init(|| Rig::of(self.recording)).as_ref()
    }

    /// How the wheels rolled against each other; `None` with fewer than two.
    pub(crate) fn rolling(&self) -> Option<&Rolling> {
        self.rolling.get_or_init(|| Rolling::of(self.rig()?)).as_ref()
    }
}

impl Deref for Examination<'_> {
    type Target = Recording;

    fn deref(&self) -> &Recording {
        self.recording
    }
}
