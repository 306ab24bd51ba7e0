//! All definitions together, and which of them a vehicle can serve.

use std::sync::LazyLock;

use protocol::obd::Supported;
use protocol::{Address, Code};
use signal::SignalId;

use crate::actions::{Output, Routine};
use crate::broadcast::Message;
use crate::dbc;
use crate::error::{DefinitionError, FileProblem};
use crate::file::{self, MakerFile};
use crate::odx;
use crate::signals::{Read, SignalDefinition};
use crate::standard;

/// Reads a file of any kind that is known.
fn read(bytes: &[u8], file_name: &str, layer: Option<&str>) -> Result<MakerFile, DefinitionError> {
    if odx::is_likely(bytes) {
        return odx::Database::read(bytes, file_name)?.maker_file(file_name, layer);
    }
    if let Some(layer) = layer {
        let problem = FileProblem::Format(format!("only a diagnostic description has layers such as `{layer}`"));
        return Err(DefinitionError { file: file_name.to_owned(), line: 1, problem });
    }
    let is_dbc = file_name.to_ascii_lowercase().ends_with(".dbc") || dbc::is_likely(bytes);
    if is_dbc {
        return Ok(dbc::read(bytes, file_name)?.into_maker_file(file_name));
    }
    let text = std::str::from_utf8(bytes).map_err(|error| DefinitionError {
        file: file_name.to_owned(),
        line: 1 + bytes.iter().take(error.valid_up_to()).filter(|byte| **byte == b'\n').count(),
        problem: FileProblem::Format("this is not UTF-8".into()),
    })?;
    file::parse(text, file_name)
}

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

    /// Adds a file of any kind that is known: a maker's file (TOML), a DBC file, or a diagnostic description (ODX, PDX).
    /// Its content tells which it is. `layer` is the variant of a diagnostic description to be taken; without it every
    /// module is taken with what its variants have in common.
    ///
    /// # Errors
    /// As [`Definitions::load_toml`].
    pub fn load(&mut self, bytes: &[u8], file_name: &str, layer: Option<&str>) -> Result<&MakerFile, DefinitionError> {
        self.files.push(read(bytes, file_name, layer)?);
        Ok(self.files.last().expect("one was just added"))
    }

    /// The broadcast messages, of the files that fit a vehicle.
    pub fn messages(&self, vin: Option<&str>) -> impl Iterator<Item = &Message> {
        self.files_for_vin(vin).flat_map(|file| &file.messages)
    }

    /// What the maker means by a code of this module, where a file that fits the vehicle says so. A text for the code
    /// without its failure type stands for all of them.
    #[must_use]
    pub fn code_text(&self, vin: Option<&str>, module: Address, code: Code) -> Option<&str> {
        let texts = || self.files_for_vin(vin).flat_map(|file| &file.codes).filter(move |row| row.module == module);
        let exact = texts().find(|row| row.code == code);
        let found = exact.or_else(|| texts().find(|row| row.code == code.without_failure_type()));
        found.map(|row| row.text.as_str())
    }

    /// Takes each module of the files at the place where it is among these addresses: a file may know several.
    pub fn place(&mut self, present: &[Address]) {
        self.files.iter_mut().for_each(|file| file.place(present));
    }

    /// Takes the variants that the modules turn out to be, in diagnostic descriptions with several of a module: by the
    /// matching parameters of ISO 22901-1. Returns the names of those that were found.
    ///
    /// `ask` sends a request to a module and gives what comes back. Whether a request may be sent is its own to judge: a
    /// description could name any service.
    pub fn choose_variants(&mut self, mut ask: impl FnMut(Address, &[u8]) -> Option<Vec<u8>>) -> Vec<String> {
        let mut all = Vec::new();
        for file in &mut self.files {
            let Some(database) = file.described.clone() else { continue };
            let chosen: Vec<String> =
                database.identify_all(&mut ask).into_iter().map(|layer| layer.name.clone()).collect();
            if !chosen.is_empty() {
                *file = database.with_variants(&file.file, &chosen);
            }
            all.extend(chosen);
        }
        all
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
                Read::Did(_) | Read::Local(_) => false,
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
