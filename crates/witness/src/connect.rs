//! From an adapter's address to a connected car.

use std::path::PathBuf;

use definition::Definitions;
use link::{AtLink, Link, LinkError, Settings};
use protocol::Bus;
use vehicle::Vehicle;

use crate::cli::AdapterArgs;
use crate::failure::{Exit, Failure, cannot_read};
use crate::output::{clean, progress};

/// A connected car and what is known of its make.
pub(crate) struct Connected {
    pub(crate) vehicle: Vehicle,
    pub(crate) definitions: Definitions,
}

/// The address scheme of the invented car inside this program.
const STANDIN: &str = "standin:";

/// Opens the adapter, finds the modules behind it, and reads the definitions that apply.
pub(crate) fn vehicle(args: &AdapterArgs) -> Result<Connected, Failure> {
    let definitions = definitions(&args.definitions)?;
    progress(&format!("connecting to {}", args.adapter));
    let remembered = Remembered::open();
    let settings = Settings { bus: remembered.bus(&args.adapter), need_vehicle: true };
    let link = open(&args.adapter, settings)?;
    progress(&format!("adapter: {}", clean(&link.info().adapter)));
    for note in &link.info().notes {
        progress(&format!("note: {}", clean(note)));
    }
    if let Some(bus) = link.info().bus {
        progress(&format!("network: {bus}"));
        remembered.keep(&args.adapter, bus);
    }
    let vehicle = Vehicle::find(link)?;
    let modules: Vec<String> = vehicle.modules().iter().map(|module| module.address.to_string()).collect();
    progress(&format!("modules: {}", modules.join(", ")));
    Ok(Connected { vehicle, definitions })
}

fn open(address: &str, settings: Settings) -> Result<Box<dyn Link>, Failure> {
    let Some(spec) = address.strip_prefix(STANDIN) else {
        return link::open(address, settings).map_err(Failure::from);
    };
    let dial = standin::dial(spec).map_err(|error| {
        Failure::input(error).hint("`witness standin --help-cars` explains names, faults and settings")
    })?;
    Ok(Box::new(AtLink::start(dial, settings).map_err(Failure::from)?))
}

/// The built-in definitions, those of the invented car, and the files that were named.
pub(crate) fn definitions(files: &[PathBuf]) -> Result<Definitions, Failure> {
    let mut definitions = Definitions::standard();
    let built_in = definitions.load_toml(standin::DEFINITIONS, "built-in: invented car");
    built_in.map_err(|error| Failure::new(Exit::Failed, error))?;
    for file in files {
        let text = std::fs::read_to_string(file).map_err(|source| cannot_read(file, &source))?;
        definitions.load_toml(&text, &file.display().to_string()).map_err(Failure::input)?;
    }
    Ok(definitions)
}

/// Which network answered behind which adapter last time: a text file, one adapter per line.
struct Remembered {
    /// `None` when there is no folder for it: then nothing is remembered, and every start searches.
    file: Option<PathBuf>,
}

/// All networks that can be remembered.
const NETWORKS: [Bus; 9] = [
    Bus::Can { wide: false, kbit_s: 500 },
    Bus::Can { wide: true, kbit_s: 500 },
    Bus::Can { wide: false, kbit_s: 250 },
    Bus::Can { wide: true, kbit_s: 250 },
    Bus::KwpFast,
    Bus::Kwp5Baud,
    Bus::Iso9141,
    Bus::J1850Pwm,
    Bus::J1850Vpw,
];

impl Remembered {
    fn open() -> Self {
        Self { file: crate::places::data_folder().ok().map(|folder| folder.join("networks.txt")) }
    }

    fn lines(&self) -> Vec<(String, String)> {
        let text = self.file.as_ref().and_then(|file| std::fs::read_to_string(file).ok()).unwrap_or_default();
        let pair = |line: &str| line.split_once('\t').map(|(adapter, bus)| (adapter.to_owned(), bus.to_owned()));
        text.lines().filter_map(pair).collect()
    }

    fn bus(&self, adapter: &str) -> Option<Bus> {
        let (_, name) = self.lines().into_iter().find(|(known, _)| known == adapter)?;
        NETWORKS.into_iter().find(|bus| bus.to_string() == name)
    }

    /// Best effort: what cannot be remembered is searched for again next time.
    fn keep(&self, adapter: &str, bus: Bus) {
        let is_virtual = adapter.starts_with(STANDIN) || adapter.contains(['\t', '\n']);
        if is_virtual || self.bus(adapter) == Some(bus) {
            return;
        }
        let mut lines = self.lines();
        lines.retain(|(known, _)| known != adapter);
        lines.push((adapter.to_owned(), bus.to_string()));
        let text: String = lines.iter().map(|(adapter, bus)| format!("{adapter}\t{bus}\n")).collect();
        if let Some(file) = &self.file {
            let _ = std::fs::write(file, text);
        }
    }
}

/// What to try when no vehicle or adapter answers, by what went wrong.
impl From<LinkError> for Failure {
    fn from(error: LinkError) -> Self {
        let exit = match &error {
            LinkError::Address(_) => Exit::Input,
            _ => Exit::NoAnswer,
        };
        let failure = Failure::new(exit, &error);
        match error.hint() {
            Some(hint) => failure.hint(hint),
            None => failure,
        }
    }
}
