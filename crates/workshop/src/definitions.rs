//! Files of definitions: loaded for a car or a log, and explained.

use std::path::{Path, PathBuf};

use definition::{Care, Definitions, MakerFile};

use crate::report::write_whole;
use crate::{Workshop, WorkshopError};

/// The built-in definitions, those of the invented car, and the files that were named.
///
/// # Errors
/// [`WorkshopError::Read`], [`WorkshopError::Definitions`].
pub fn definitions(files: &[PathBuf]) -> Result<Definitions, WorkshopError> {
    let mut definitions = Definitions::standard();
    definitions.load_toml(standin::DEFINITIONS, "built-in: invented car")?;
    for file in files {
        load(&mut definitions, file)?;
    }
    Ok(definitions)
}

/// Endings of the files that describe modules.
const ENDINGS: [&str; 5] = ["toml", "dbc", "odx", "odx-d", "pdx"];

impl Workshop {
    /// The files in the data folder that describe modules of makers, by name.
    #[must_use]
    pub fn definition_files(&self) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(self.places().folder().join("definitions")).into_iter().flatten();
        let files = entries.flatten().map(|entry| entry.path());
        let mut files: Vec<PathBuf> = files.filter(|path| is_definition(path)).collect();
        files.sort();
        files
    }

    /// Keeps a file of definitions in the data folder, in the place of one of the same name, once it is known to be sound.
    ///
    /// # Errors
    /// [`WorkshopError::DefinitionName`]; [`WorkshopError::Definitions`] with the line that is wrong;
    /// [`WorkshopError::Write`].
    pub fn add_definitions(&self, name: &str, bytes: &[u8]) -> Result<wire::DefinitionsChecked, WorkshopError> {
        let path = self.definition_path(name)?;
        let told = Definitions::standard().load(bytes, &path.display().to_string(), None).map(checked)?;
        write_whole(&path, bytes, true)?;
        Ok(told)
    }

    /// Forgets a file of definitions. What was recorded with it keeps its values.
    ///
    /// # Errors
    /// [`WorkshopError::DefinitionName`], [`WorkshopError::Write`].
    pub fn remove_definitions(&self, name: &str) -> Result<(), WorkshopError> {
        let path = self.definition_path(name)?;
        std::fs::remove_file(&path).map_err(WorkshopError::write(&path))
    }

    /// A name never leads out of the folder.
    fn definition_path(&self, name: &str) -> Result<PathBuf, WorkshopError> {
        let is_plain = name.len() <= 100 && !name.starts_with('.') && !name.contains(['/', '\\', '\0', ':', '#']);
        if !is_plain || !is_definition(Path::new(name)) {
            return Err(WorkshopError::DefinitionName { name: name.to_owned(), endings: ENDINGS.join(", ") });
        }
        Ok(self.places().sub("definitions")?.join(name))
    }
}

fn is_definition(path: &Path) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str()).map(str::to_ascii_lowercase);
    ending.is_some_and(|ending| ENDINGS.contains(&ending.as_str()))
}

/// Adds a file of definitions; behind `#` stands the variant of a diagnostic description to be taken.
pub(crate) fn load<'d>(definitions: &'d mut Definitions, file: &Path) -> Result<&'d MakerFile, WorkshopError> {
    let (path, layer) = split(file);
    load_layer(definitions, &path, layer.as_deref())
}

/// The file of definitions that was named, and the variant behind its `#`.
fn split(named: &Path) -> (PathBuf, Option<String>) {
    let text = named.to_string_lossy();
    match text.rsplit_once('#') {
        // A file may have the sign in its name.
        Some((path, layer)) if !named.exists() => (path.into(), Some(layer.to_owned())),
        _ => (named.to_owned(), None),
    }
}

/// The files that were named, without their variants.
pub(crate) fn files(named: &[PathBuf]) -> Vec<PathBuf> {
    named.iter().map(|named| split(named).0).collect()
}

fn load_layer<'d>(
    definitions: &'d mut Definitions,
    file: &Path,
    layer: Option<&str>,
) -> Result<&'d MakerFile, WorkshopError> {
    let bytes = std::fs::read(file).map_err(WorkshopError::read(file))?;
    Ok(definitions.load(&bytes, &file.display().to_string(), layer)?)
}

/// What a file of definitions offers. `layer` is the variant of a diagnostic description to be looked at.
///
/// # Errors
/// [`WorkshopError::Read`]; [`WorkshopError::Definitions`] with the line that is wrong.
pub fn check_definitions(file: &Path, layer: Option<&str>) -> Result<wire::DefinitionsChecked, WorkshopError> {
    load_layer(&mut Definitions::standard(), file, layer).map(checked)
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

fn action(id: &str, title: &str, takes: Vec<String>, care: &Care) -> wire::DefinedAction {
    wire::DefinedAction {
        id: id.to_owned(),
        title: title.to_owned(),
        takes,
        conditions: care.all_conditions().iter().map(ToString::to_string).collect(),
        cautions: care.cautions.clone(),
    }
}

fn checked(file: &MakerFile) -> wire::DefinitionsChecked {
    let modules = file.modules.iter().map(|module| {
        let address = module.address;
        let signals = file.signals().iter().filter(|signal| signal.module == Some(address));
        let outputs = file.outputs().iter().filter(|output| output.module == address);
        let routines = file.routines().iter().filter(|routine| routine.module == address);
        let codes = file.codes.iter().filter(|code| code.module == address);
        wire::DefinedModule {
            name: module.name.clone(),
            address: address.to_string(),
            signals: signals
                .map(|signal| wire::DefinedSignal {
                    id: signal.id.to_string(),
                    unit: signal.unit.to_string(),
                    title: signal.title.clone(),
                    request: Some(hex(&signal.read.request())),
                })
                .collect(),
            outputs: outputs
                .map(|output| {
                    let takes = vec![output.range.to_string()];
                    action(output.id.as_str(), &output.title, takes, &output.care)
                })
                .collect(),
            routines: routines
                .map(|routine| {
                    let parameters = routine.parameters.iter().map(|parameter| {
                        let field = &parameter.field;
                        format!("{}: {} to {} {}", field.name, parameter.min, parameter.max, field.unit)
                    });
                    action(routine.id.as_str(), &routine.title, parameters.collect(), &routine.care)
                })
                .collect(),
            codes: codes
                .map(|code| wire::DefinedCode { code: code.code.to_string(), text: code.text.clone() })
                .collect(),
        }
    });
    let messages = file.messages.iter().map(|message| wire::DefinedMessage {
        name: message.name.clone(),
        id: message.id.to_string(),
        bytes: message.n_bytes as u64,
        cycle_ms: message.cycle_ms,
        signals: message
            .signals
            .iter()
            .map(|signal| wire::DefinedSignal {
                id: signal.id.to_string(),
                unit: signal.unit.to_string(),
                title: signal.title.clone(),
                request: None,
            })
            .collect(),
    });
    wire::DefinitionsChecked {
        file: file.file.clone(),
        title: file.title.clone(),
        origin: file.origin.clone(),
        fits_vin: file.vin_prefixes.clone(),
        modules: modules.collect(),
        messages: messages.collect(),
        problems: file.problems.iter().map(ToString::to_string).collect(),
    }
}
