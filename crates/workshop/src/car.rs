//! From an adapter's address to a connected car.

use std::path::PathBuf;

use definition::Definitions;
use link::{Link, Settings};
use protocol::Bus;
use vehicle::Vehicle;

use crate::{Observer, Places, Workshop, WorkshopError};

/// A connected car and what is known of its make.
pub struct Car {
    /// The car.
    pub vehicle: Vehicle,
    /// What its modules can be asked for.
    pub definitions: Definitions,
    /// Address of the adapter, as the user wrote it.
    pub adapter: String,
}

/// The address scheme of the invented car inside this program.
pub(crate) const STANDIN: &str = "standin:";

impl Workshop {
    /// Opens the adapter, finds the modules behind it, and reads the definitions that apply. `definition_files` describe
    /// modules of a maker.
    ///
    /// # Errors
    /// [`WorkshopError::Link`], [`WorkshopError::Standin`], [`WorkshopError::Definitions`], [`WorkshopError::Read`].
    pub fn connect(
        &self,
        address: &str,
        definition_files: &[PathBuf],
        observer: &mut dyn Observer,
    ) -> Result<Car, WorkshopError> {
        let mut definitions = crate::definitions(definition_files)?;
        if let Some(spec) = address.strip_prefix(STANDIN) {
            load_standin(&mut definitions, spec)?;
        }
        observer.say(&format!("connecting to {address}"));
        let remembered = Remembered::open(&self.places);
        let settings = Settings { bus: remembered.bus(address), need_vehicle: true };
        let link = open(address, settings)?;
        observer.say(&format!("adapter: {}", link.info().adapter));
        for note in &link.info().notes {
            observer.say(&format!("note: {note}"));
        }
        if let Some(bus) = link.info().bus {
            observer.say(&format!("network: {bus}"));
            remembered.keep(address, bus);
        }
        let mut vehicle = Vehicle::find(link)?;
        for variant in vehicle.find_defined(&mut definitions)? {
            observer.say(&format!("described variant: {variant}"));
        }
        let modules: Vec<String> = vehicle.modules().iter().map(|module| module.address.to_string()).collect();
        observer.say(&format!("modules: {}", modules.join(", ")));
        Ok(Car { vehicle, definitions, adapter: address.to_owned() })
    }

    /// Addresses of the adapters behind which a vehicle answered before, the latest first.
    #[must_use]
    pub fn adapters_that_answered(&self) -> Vec<String> {
        Remembered::open(&self.places).lines().into_iter().rev().map(|(adapter, _)| adapter).collect()
    }
}

/// The definitions of an invented car that tells no VIN, by which the built-in ones could be chosen.
fn load_standin(definitions: &mut Definitions, spec: &str) -> Result<(), WorkshopError> {
    let text = standin::definitions(spec)?;
    if text != standin::DEFINITIONS {
        definitions.load_toml(text, "built-in: invented car without VIN")?;
    }
    Ok(())
}

pub(crate) fn open(address: &str, settings: Settings) -> Result<Box<dyn Link>, WorkshopError> {
    let Some(spec) = address.strip_prefix(STANDIN) else {
        return Ok(link::open(address, settings)?);
    };
    standin::open(spec, settings).map_err(|error| match error {
        standin::OpenError::Standin(error) => error.into(),
        standin::OpenError::Link(error) => error.into(),
    })
}

/// Which network answered behind which adapter last time: a text file, one adapter per line.
struct Remembered {
    file: PathBuf,
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
    fn open(places: &Places) -> Self {
        Self { file: places.folder().join("networks.txt") }
    }

    fn lines(&self) -> Vec<(String, String)> {
        let text = std::fs::read_to_string(&self.file).unwrap_or_default();
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
        let _ = std::fs::write(&self.file, text);
    }
}
