//! A maker's modules, in a TOML file of our own.

mod rows;

use std::sync::Arc;

use protocol::{Address, Code};

use crate::actions::{Output, Routine};
use crate::broadcast::Message;
use crate::error::DefinitionError;
use crate::odx;
use crate::signals::SignalDefinition;

pub(crate) use rows::{hex, parse};

/// A maker's modules, as one TOML file describes them.
///
/// ```toml
/// title = "invented hatchback, brake module"
/// origin = "measured on the bench, 2024"
/// fits_vin = ["2ZZ"]            # beginnings of VINs; empty: any vehicle
///
/// [[module]]
/// name = "brake"
/// request = "760"               # CAN identifiers, 3 or 8 hex digits; or `node = "28"` on a K-line
/// reply = "768"
/// network = "chassis"           # what the network is called that it sits on; default: not known
///
/// [[module.did]]
/// did = "D010"                  # read with service 22
/// n_bytes = 8                   # data bytes after the identifier
///
/// [[module.did.signal]]
/// id = "wheel.speed.front_left" # a name of the catalogue, or `custom.` and your own
/// unit = "km/h"                 # converted to the catalogue's unit
/// byte = 0                      # first byte of the value
/// bits = 16                     # 1 to 64; the default is 8
/// multiply = 1                  # value = raw * multiply / divide + offset
/// divide = 100
/// invalid = [0xFFFF]            # raw values that mean "no value"
/// ```
///
/// A module of ISO 14230 holds its data in blocks instead:
///
/// ```toml
/// [[module.block]]
/// local = "01"                  # local identifier, read with service 21
/// n_bytes = 12                  # data bytes after it
///
/// [[module.block.signal]]       # keys as above
/// id = "engine.speed"
/// unit = "rpm"
/// byte = 0
/// bits = 16
/// divide = 4
/// ```
///
/// What a module can be told to do follows in the same file; every key that is not marked "default" must be there:
///
/// ```toml
/// [[module.output]]
/// id = "fan.command"            # a name of the catalogue, or `custom.` and your own
/// title = "radiator fan"
/// did = "D103"                  # service 2F; or `local = "12"` (ISO 14230 service 30), `test = "21"` (service 08),
///                               # `routine = "0203"` (service 31)
/// n_bytes = 1                   # bytes of the control state
/// state = { byte = 0, bits = 8, multiply = 100, divide = 255 } # where the level is in them; default: byte 0 as it is
/// mask = [0x80]                 # control enable mask behind the state (2F); default none
/// level = { min = 0, max = 100, unit = "%" }                   # default: a switch, 0 off and 1 on
/// safe = 0                      # level between pulses, and before letting go; default: the least
/// responds = ["coolant.temperature"]                           # signals that ought to respond; default none
///
/// [module.output.care]
/// session = 3                   # diagnostic session; default: the one that the module starts in
/// conditions = ["standing", "engine off", { signal = "coolant.temperature", max = 110 }]
/// while_moving = false          # default; true lets it be sent while the vehicle moves
/// longest_s = 60                # longest time in one go; default: no limit is known
/// cautions = ["The fan starts without warning: hands, hair and clothing clear."]
///
/// [[module.routine]]
/// id = "custom.fan_ramp"
/// title = "runs the fan through its speeds"
/// routine = "0203"              # service 31; or `local = "05"` (ISO 14230 services 31, 32, 33)
/// n_bytes = 1                   # bytes of the option record; default 0
/// can_stop = true               # default false
/// results_in = "request"        # "start" (default), "stop" or "request"
///
/// [[module.routine.parameter]]
/// name = "step"
/// unit = "s"
/// min = 1
/// max = 10
/// default = 2                   # without it the parameter must be given
/// value = { byte = 0 }
///
/// [[module.routine.result]]
/// name = "outcome"
/// unit = "1"
/// value = { byte = 0, texts = { 0 = "passed", 1 = "failed" } }
///
/// [module.routine.care]
/// cautions = ["The fan starts without warning: hands, hair and clothing clear."]
/// ```
///
/// Conditions by name are "standing", "engine off", "engine running" and "ignition on".
///
/// Signals that modules broadcast, without being asked:
///
/// ```toml
/// [[message]]
/// name = "wheels"
/// id = "0AA"                    # CAN identifier, 3 or 8 hex digits
/// n_bytes = 8
/// cycle_ms = 12                 # how often it comes; default: not known
/// senders = ["brakes"]          # default none
/// group = false                 # default; true: any identifier of the same parameter group (SAE J1939)
///
/// [[message.signal]]
/// id = "wheel.speed.front_left"
/// unit = "km/h"
/// byte = 2
/// bits = 16
/// divide = 100
/// offset = -67.67
/// when = { signal = "custom.page", is = [1, [3, 5]] }  # only while that raw value is 1 or 3 to 5; default: always
/// ```
///
/// Texts of the maker's own trouble codes: `[[module.code]]` with `code` and `text`.
///
/// A module on CAN with extended or mixed addressing has `request_byte` and `reply_byte` (2 hex digits each) beside
/// `request` and `reply`; one that is reached over IP has `logical` (4 hex digits) alone. Where the same module answers in
/// other cars, or over another network of the same car, is listed as [`Address`] reads it:
/// `elsewhere = ["1012", "18DAF112", "714-77E"]`.
///
/// Further keys of every value: `title`; `bit` (lowest bit, 0 to 7, of the whole number that the bytes make; 0);
/// `byte_order` (`"big"` or `"little"`); `signed` (false) or else `encoding` (`"unsigned"`, `"signed"`,
/// `"ones-complement"`, `"sign-magnitude"`, `"bcd"`, `"unpacked-bcd"`, `"float"`); `offset` (0); `min` and `max` (values
/// outside are not believed; the catalogue's where it has the signal); `texts` (`{ 0 = "off", 1 = "on", "2..5" = "fault" }`).
/// In place of `multiply`, `divide` and `offset` there may be one of
///
/// - `rational = { numerator = [0, 1], denominator = [10, 2] }`: polynomials of the raw value, from the constant up;
/// - `ranges = [{ to = 99, multiply = 2 }, { from = 100, offset = 100 }]`: the first that holds the raw value, each linear
///   or `rational`; outside of all there is no value;
/// - `table = [[0, 150], [128, 40], [255, -40]]`: straight lines between raw and physical values, none outside.
#[derive(Debug, Clone)]
pub struct MakerFile {
    /// The file, as it was named by the caller.
    pub file: String,
    /// What it describes.
    pub title: String,
    /// Where the knowledge comes from.
    pub origin: String,
    /// Beginnings of the VINs it fits; empty: any vehicle.
    pub vin_prefixes: Vec<String>,
    /// The modules it names.
    pub modules: Vec<ModuleName>,
    /// The messages that modules broadcast.
    pub messages: Vec<Message>,
    /// Texts of the maker's own trouble codes.
    pub codes: Vec<CodeText>,
    /// What the file holds and could not be used, or is odd about it; the rest is used.
    pub problems: Vec<DefinitionError>,
    pub(crate) signals: Vec<SignalDefinition>,
    pub(crate) outputs: Vec<Output>,
    pub(crate) routines: Vec<Routine>,
    /// Where all this was taken from, when it has several variants of a module.
    pub(crate) described: Option<Arc<odx::Database>>,
}

/// A module's name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModuleName {
    /// Its name.
    pub name: String,
    /// Where it answers.
    pub address: Address,
    /// Where the same module answers in other cars, or over another network.
    pub elsewhere: Vec<Address>,
    /// The network that it sits on, where the file tells.
    pub network: Option<String>,
}

/// What a module means by a trouble code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CodeText {
    /// The module.
    pub module: Address,
    /// The code.
    pub code: Code,
    /// What it complains about.
    pub text: String,
}

impl MakerFile {
    /// A file with nothing in it yet, for any vehicle.
    pub(crate) fn empty(file: &str, title: &str, origin: &str) -> Self {
        Self {
            file: file.to_owned(),
            title: title.to_owned(),
            origin: origin.to_owned(),
            vin_prefixes: Vec::new(),
            modules: Vec::new(),
            messages: Vec::new(),
            codes: Vec::new(),
            problems: Vec::new(),
            signals: Vec::new(),
            outputs: Vec::new(),
            routines: Vec::new(),
            described: None,
        }
    }

    /// Takes each module at the place where it is, among these addresses, if it is not where the file has it first.
    pub(crate) fn place(&mut self, present: &[Address]) {
        for module in &mut self.modules {
            let found = module.elsewhere.iter_mut().find(|address| present.contains(*address));
            let Some(here) = found.filter(|_| !present.contains(&module.address)) else { continue };
            let (from, to) = (module.address, *here);
            std::mem::swap(&mut module.address, here);
            let moved = |address: &mut Address| {
                if *address == from {
                    *address = to;
                }
            };
            self.signals.iter_mut().filter_map(|signal| signal.module.as_mut()).for_each(moved);
            self.outputs.iter_mut().map(|output| &mut output.module).for_each(moved);
            self.routines.iter_mut().map(|routine| &mut routine.module).for_each(moved);
            self.codes.iter_mut().map(|code| &mut code.module).for_each(moved);
        }
    }

    /// The signals that are read from modules.
    #[must_use]
    pub fn signals(&self) -> &[SignalDefinition] {
        &self.signals
    }

    /// The outputs that can be driven.
    #[must_use]
    pub fn outputs(&self) -> &[Output] {
        &self.outputs
    }

    /// The routines that can be started.
    #[must_use]
    pub fn routines(&self) -> &[Routine] {
        &self.routines
    }

    /// Whether the file is for this vehicle. A file that names VINs fits no vehicle that reports none.
    #[must_use]
    pub fn fits_vin(&self, vin: Option<&str>) -> bool {
        self.vin_prefixes.is_empty()
            || vin.is_some_and(|vin| self.vin_prefixes.iter().any(|prefix| vin.starts_with(prefix.as_str())))
    }
}
