//! All definitions together, and which of them a vehicle can serve.

use std::sync::LazyLock;

use protocol::obd::Supported;
use signal::SignalId;

use crate::actions::{Output, Routine};
use crate::error::DefinitionError;
use crate::file::{self, MakerFile};
use crate::signals::{Read, SignalDefinition};
use crate::standard;

/// The standard OBD signals, and those of makers' files.
#[derive(Debug, Clone)]
pub struct Definitions {
    standard: &'static [SignalDefinition],
    files: Vec<MakerFile>,
}

impl Default for Definitions {
    fn default() -> Self {
        Self::standard()
    }
}

impl Definitions {
    /// The standard OBD signals alone.
    #[must_use]
    pub fn standard() -> Self {
        static STANDARD: LazyLock<Vec<SignalDefinition>> =
            LazyLock::new(|| standard::read().expect("a test reads the embedded definitions"));
        Self { standard: &STANDARD, files: Vec::new() }
    }

    /// Adds a maker's file; the format is explained at [`MakerFile`], and `data/makers/example.toml` is a file
    /// to copy from.
    ///
    /// # Errors
    /// [`DefinitionError`] with the line at fault; nothing is added then.
    pub fn load_toml(&mut self, text: &str, file_name: &str) -> Result<&MakerFile, DefinitionError> {
        let file = file::parse(text, file_name)?;
        self.files.push(file);
        Ok(self.files.last().expect("one was just added"))
    }

    /// The files that were added.
    #[must_use]
    pub fn files(&self) -> &[MakerFile] {
        &self.files
    }

    /// The files that are for this vehicle.
    pub fn files_for_vin(&self, vin: Option<&str>) -> impl Iterator<Item = &MakerFile> {
        self.files.iter().filter(move |file| file.fits_vin(vin))
    }

    /// Every definition: makers' first, for a module's own value is finer than the standard one; then the standard ones,
    /// best first where several give the same signal.
    pub fn iter(&self) -> impl Iterator<Item = &SignalDefinition> {
        self.files.iter().flat_map(|file| &file.signals).chain(self.standard)
    }

    /// The definitions of a maker's files that fit a vehicle.
    pub fn maker_signals(&self, vin: Option<&str>) -> impl Iterator<Item = &SignalDefinition> {
        self.files_for_vin(vin).flat_map(|file| &file.signals)
    }

    /// The outputs that can be driven, of the files that fit a vehicle.
    pub fn outputs(&self, vin: Option<&str>) -> impl Iterator<Item = &Output> {
        self.files_for_vin(vin).flat_map(|file| &file.outputs)
    }

    /// The routines that can be started, of the files that fit a vehicle.
    pub fn routines(&self, vin: Option<&str>) -> impl Iterator<Item = &Routine> {
        self.files_for_vin(vin).flat_map(|file| &file.routines)
    }

    /// The standard signals that one module offers, each by the best read it supports.
    ///
    /// `pids` and `monitors`: what its bitmaps of services 01 and 06 say.
    #[must_use]
    pub fn obd_signals(&self, pids: &Supported, monitors: &Supported) -> Vec<&SignalDefinition> {
        let layout = pids.oxygen_layout();
        let mut offered: Vec<&SignalDefinition> = Vec::new();
        let mut ids = std::collections::BTreeSet::new();
        for definition in self.standard {
            let is_read = match definition.read {
                Read::Pid(pid) => pids.has(pid),
                Read::MonitorResult { mid, .. } => monitors.has(mid),
                Read::Did(_) => false,
            };
            if is_read && definition.oxygen_layout.is_none_or(|own| own == layout) && ids.insert(&definition.id) {
                offered.push(definition);
            }
        }
        offered
    }

    /// Every definition of a signal, best first.
    pub fn of(&self, id: &SignalId) -> impl Iterator<Item = &SignalDefinition> {
        self.iter().filter(move |definition| definition.id == *id)
    }
}
