//! A maker's modules, in a TOML file of our own.

use std::collections::BTreeSet;
use std::sync::Arc;

use protocol::{Address, CanId, Code};
use serde::Deserialize;
use signal::{Catalogue, Unit};
use toml::Spanned;

use crate::actions::{self, Output, Routine};
use crate::broadcast::Message;
use crate::error::{DefinitionError, FileProblem, Place};
use crate::messages::{self, MessageRow};
use crate::odx;
use crate::signals::{Decode, Read, SignalDefinition};
use crate::standard::{catalogue_id, file_unit};
use crate::values::row_with_value;

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
/// bits = 16                     # 1 to 32; the default is 8
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

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    title: Spanned<String>,
    origin: Spanned<String>,
    #[serde(default)]
    fits_vin: Vec<Spanned<String>>,
    #[serde(default)]
    module: Vec<ModuleRow>,
    #[serde(default)]
    message: Vec<MessageRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ModuleRow {
    name: Spanned<String>,
    request: Option<Spanned<String>>,
    reply: Option<Spanned<String>>,
    request_byte: Option<Spanned<String>>,
    reply_byte: Option<Spanned<String>>,
    logical: Option<Spanned<String>>,
    node: Option<Spanned<String>>,
    #[serde(default)]
    elsewhere: Vec<Spanned<String>>,
    network: Option<String>,
    #[serde(default)]
    did: Vec<DidRow>,
    #[serde(default)]
    block: Vec<BlockRow>,
    #[serde(default)]
    code: Vec<CodeRow>,
    #[serde(default)]
    output: Vec<actions::OutputRow>,
    #[serde(default)]
    routine: Vec<actions::RoutineRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CodeRow {
    code: Spanned<String>,
    text: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct DidRow {
    did: Spanned<String>,
    n_bytes: usize,
    signal: Vec<SignalRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct BlockRow {
    local: Spanned<String>,
    n_bytes: usize,
    signal: Vec<SignalRow>,
}

/// Something that is read in one go.
struct Readable<'r> {
    read: Read,
    /// For messages.
    name: String,
    span: std::ops::Range<usize>,
    n_bytes: usize,
    signals: &'r [SignalRow],
}

/// Everything that a module is read for, in the order of the file.
fn readables<'r>(place: &Place<'_>, module: &'r ModuleRow) -> Result<Vec<Readable<'r>>, DefinitionError> {
    let dids = module.did.iter().map(|row| {
        let did = actions::number16(place, &row.did)?;
        let name = format!("identifier {did:04X}");
        Ok(Readable { read: Read::Did(did), name, span: row.did.span(), n_bytes: row.n_bytes, signals: &row.signal })
    });
    let blocks = module.block.iter().map(|row| {
        let id = actions::number8(place, &row.local)?;
        let name = format!("local identifier {id:02X}");
        Ok(Readable { read: Read::Local(id), name, span: row.local.span(), n_bytes: row.n_bytes, signals: &row.signal })
    });
    dids.chain(blocks).collect()
}

row_with_value! {
    struct SignalRow {
        id: Spanned<String>,
        unit: Spanned<String>,
        title: Option<String>,
        byte: Spanned<usize>,
        min: Option<f64>,
        max: Option<f64>,
    }
}

/// Reads a file.
pub(crate) fn parse(text: &str, file: &str) -> Result<MakerFile, DefinitionError> {
    let place = Place { text, file };
    let read: File = place.parse()?;
    for (key, value) in [("title", &read.title), ("origin", &read.origin)] {
        if value.get_ref().trim().is_empty() {
            return Err(place.error(value.span(), FileProblem::Empty(key)));
        }
    }
    for prefix in &read.fits_vin {
        let text = prefix.get_ref();
        let is_vin = |c: char| matches!(c, '0'..='9' | 'A'..='H' | 'J'..='N' | 'P' | 'R'..='Z');
        if text.is_empty() || text.len() > 17 || !text.chars().all(is_vin) {
            return Err(place.error(prefix.span(), FileProblem::VinPrefix(text.clone())));
        }
    }
    let mut out = MakerFile {
        vin_prefixes: read.fits_vin.iter().map(|prefix| prefix.get_ref().clone()).collect(),
        ..MakerFile::empty(file, read.title.get_ref().trim(), read.origin.get_ref().trim())
    };
    if read.module.is_empty() && read.message.is_empty() {
        return Err(place.error(0..0, FileProblem::Nothing));
    }
    let mut ids = BTreeSet::new();
    for row in &read.module {
        let address = address(&place, row)?;
        let elsewhere = row.elsewhere.iter().map(|other| {
            let wrong = || place.error(other.span(), FileProblem::Address(other.get_ref().escape_debug().to_string()));
            other.get_ref().parse::<Address>().map_err(|_| wrong())
        });
        let elsewhere = elsewhere.collect::<Result<Vec<_>, _>>()?;
        let name = row.name.get_ref().trim().to_owned();
        if name.is_empty() {
            return Err(place.error(row.name.span(), FileProblem::Empty("name")));
        }
        if out.modules.iter().any(|module| module.address == address || module.name == name) {
            return Err(place.error(row.name.span(), FileProblem::Twice(format!("module `{name}` or its address"))));
        }
        let mut reads = BTreeSet::new();
        for readable in readables(&place, row)? {
            if !reads.insert(readable.read) {
                let problem = FileProblem::Twice(format!("{} of this module", readable.name));
                return Err(place.error(readable.span, problem));
            }
            for signal in readable.signals {
                let definition = definition(&place, signal, readable.read, readable.n_bytes, address)?;
                if !ids.insert(definition.id.clone()) {
                    return Err(
                        place.error(signal.id.span(), FileProblem::Twice(format!("signal `{}`", definition.id)))
                    );
                }
                out.signals.push(definition);
            }
        }
        for row in &row.code {
            let wrong =
                || place.error(row.code.span(), FileProblem::Code(row.code.get_ref().escape_debug().to_string()));
            let code: Code = row.code.get_ref().parse().map_err(|_| wrong())?;
            let text = row.text.get_ref().trim().to_owned();
            if text.is_empty() {
                return Err(place.error(row.text.span(), FileProblem::Empty("text")));
            }
            if out.codes.iter().any(|other| other.module == address && other.code == code) {
                return Err(place.error(row.code.span(), FileProblem::Twice(format!("code `{code}` of this module"))));
            }
            out.codes.push(CodeText { module: address, code, text });
        }
        for row in &row.output {
            let output = actions::output(&place, row, address)?;
            if actions::is_taken(&output.id, &out.outputs, &out.routines) {
                return Err(place.error(row.id.span(), FileProblem::Twice(format!("output `{}`", output.id))));
            }
            out.outputs.push(output);
        }
        for row in &row.routine {
            let routine = actions::routine(&place, row, address)?;
            if actions::is_taken(&routine.id, &out.outputs, &out.routines) {
                return Err(place.error(row.id.span(), FileProblem::Twice(format!("routine `{}`", routine.id))));
            }
            out.routines.push(routine);
        }
        let network = row.network.as_deref().map(str::trim).filter(|name| !name.is_empty()).map(str::to_owned);
        out.modules.push(ModuleName { name, address, elsewhere, network });
    }
    for row in &read.message {
        let message = messages::message(&place, row)?;
        if out.messages.iter().any(|other| other.id == message.id || other.name == message.name) {
            let what = format!("message `{}` or its identifier", message.name);
            return Err(place.error(row.name.span(), FileProblem::Twice(what)));
        }
        // A signal may be broadcast and read as well: the one that costs no request is taken.
        let mut own = BTreeSet::new();
        for (signal, row) in message.signals.iter().zip(&row.signal) {
            let elsewhere = out.messages.iter().flat_map(|message| &message.signals).any(|other| other.id == signal.id);
            if elsewhere || !own.insert(&signal.id) {
                return Err(place.error(row.id.span(), FileProblem::Twice(format!("signal `{}`", signal.id))));
            }
        }
        out.messages.push(message);
    }
    Ok(out)
}

fn address(place: &Place<'_>, row: &ModuleRow) -> Result<Address, DefinitionError> {
    let hex = |text: &Spanned<String>, n_digits: usize, max: u32| {
        let wrong = || place.error(text.span(), FileProblem::Address(text.get_ref().escape_debug().to_string()));
        hex(text.get_ref(), n_digits).filter(|number| *number <= max).ok_or_else(wrong)
    };
    let keys_problem = || place.error(row.name.span(), FileProblem::AddressKeys);
    let of_request = |text: &Spanned<String>| match text.get_ref().len() {
        3 => Ok(CanId::Standard(hex(text, 3, 0x7FF)? as u16)),
        _ => Ok(CanId::Extended(hex(text, 8, 0x1FFF_FFFF)?)),
    };
    match (&row.request, &row.reply, &row.request_byte, &row.reply_byte, &row.node, &row.logical) {
        (Some(request), Some(reply), None, None, None, None) => match of_request(request)? {
            CanId::Standard(request) => Ok(Address::Can11 { request, reply: hex(reply, 3, 0x7FF)? as u16 }),
            CanId::Extended(request) => Ok(Address::Can29 { request, reply: hex(reply, 8, 0x1FFF_FFFF)? }),
        },
        (Some(request), Some(reply), Some(request_byte), Some(reply_byte), None, None) => Ok(Address::CanByte {
            request: of_request(request)?,
            request_byte: hex(request_byte, 2, 0xFF)? as u8,
            reply: of_request(reply)?,
            reply_byte: hex(reply_byte, 2, 0xFF)? as u8,
        }),
        (None, None, None, None, Some(node), None) => Ok(Address::Node(hex(node, 2, 0xFF)? as u8)),
        (None, None, None, None, None, Some(logical)) => Ok(Address::Logical(hex(logical, 4, 0xFFFF)? as u16)),
        _ => Err(keys_problem()),
    }
}

/// A number of exactly so many hex digits.
pub(crate) fn hex(text: &str, n_digits: usize) -> Option<u32> {
    let is_hex = text.len() == n_digits && text.bytes().all(|byte| byte.is_ascii_hexdigit());
    if is_hex { u32::from_str_radix(text, 16).ok() } else { None }
}

fn definition(
    place: &Place<'_>,
    row: &SignalRow,
    read: Read,
    n_bytes: usize,
    module: Address,
) -> Result<SignalDefinition, DefinitionError> {
    let id = catalogue_id(place, row.id.get_ref(), row.id.span())?;
    let own = Unit::named(row.unit.get_ref());
    let unit = file_unit(place, &id, &own, row.unit.span())?;
    let mut coded = row.value_keys(*row.byte.get_ref()).coded(place, n_bytes, &row.byte.span())?;
    if own != unit {
        coded.convert = Some((own.clone(), unit.clone()));
    }

    let known = Catalogue::standard().get(&id);
    let in_unit = |limit: f64| own.convert(limit, &unit).unwrap_or(limit);
    let limits = match (row.min, row.max) {
        (None, None) => known.map(|known| (known.min, known.max)),
        (min, max) => {
            let of_known = known.map_or((f64::NEG_INFINITY, f64::INFINITY), |known| (known.min, known.max));
            Some((min.map_or(of_known.0, in_unit), max.map_or(of_known.1, in_unit)))
        }
    };
    // Written so that NaN limits are refused too.
    if let Some((min, max)) = limits
        && !matches!(min.partial_cmp(&max), Some(std::cmp::Ordering::Less))
    {
        return Err(place.error(row.id.span(), FileProblem::Limits(format!("{min} .. {max}"))));
    }
    let title = row.title.clone().or_else(|| known.map(|known| known.title.clone()));
    Ok(SignalDefinition {
        title: title.unwrap_or_else(|| id.as_str().trim_start_matches("custom.").replace(['_', '.'], " ")),
        id,
        unit,
        module: Some(module),
        read,
        n_bytes: Some(n_bytes),
        oxygen_layout: None,
        limits,
        decode: Decode::Coded(coded),
    })
}
