//! From the rows of a file to what they define.

use std::collections::BTreeSet;

use protocol::{Address, CanId, Code};
use serde::Deserialize;
use signal::{Catalogue, Unit};
use toml::Spanned;

use super::{CodeText, MakerFile, ModuleName};
use crate::actions;
use crate::error::{DefinitionError, FileProblem, Place};
use crate::messages::{self, MessageRow};
use crate::signals::{Decode, Read, SignalDefinition};
use crate::standard::{catalogue_id, file_unit};
use crate::values::row_with_value;

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
    let (mut ids, mut acts) = (BTreeSet::new(), BTreeSet::new());
    let (mut addresses, mut names) = (BTreeSet::new(), BTreeSet::new());
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
        if !addresses.insert(address) || !names.insert(name.clone()) {
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
        let mut codes = BTreeSet::new();
        for row in &row.code {
            let wrong =
                || place.error(row.code.span(), FileProblem::Code(row.code.get_ref().escape_debug().to_string()));
            let code: Code = row.code.get_ref().parse().map_err(|_| wrong())?;
            let text = row.text.get_ref().trim().to_owned();
            if text.is_empty() {
                return Err(place.error(row.text.span(), FileProblem::Empty("text")));
            }
            if !codes.insert(code) {
                return Err(place.error(row.code.span(), FileProblem::Twice(format!("code `{code}` of this module"))));
            }
            out.codes.push(CodeText { module: address, code, text });
        }
        for row in &row.output {
            let output = actions::output(&place, row, address)?;
            if !acts.insert(output.id.clone()) {
                return Err(place.error(row.id.span(), FileProblem::Twice(format!("output `{}`", output.id))));
            }
            out.outputs.push(output);
        }
        for row in &row.routine {
            let routine = actions::routine(&place, row, address)?;
            if !acts.insert(routine.id.clone()) {
                return Err(place.error(row.id.span(), FileProblem::Twice(format!("routine `{}`", routine.id))));
            }
            out.routines.push(routine);
        }
        let network = row.network.as_deref().map(str::trim).filter(|name| !name.is_empty()).map(str::to_owned);
        out.modules.push(ModuleName { name, address, elsewhere, network });
    }
    let (mut identifiers, mut names, mut broadcast) = (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
    for row in &read.message {
        let message = messages::message(&place, row)?;
        if !identifiers.insert(message.id) || !names.insert(message.name.clone()) {
            let what = format!("message `{}` or its identifier", message.name);
            return Err(place.error(row.name.span(), FileProblem::Twice(what)));
        }
        // A signal may be broadcast and read as well: the one that costs no request is taken.
        for (signal, row) in message.signals.iter().zip(&row.signal) {
            if !broadcast.insert(signal.id.clone()) {
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
