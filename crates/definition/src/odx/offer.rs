//! What a diagnostic description offers to the rest: identifiers as signals, outputs, routines, codes.
//!
//! Only what has a fixed place and a number is offered; everything else stays reachable through [`Database`].

use std::cell::Cell;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use protocol::{Address, Code};
use signal::{SignalId, Unit};

use crate::actions::{Call, Care, Condition, Drive, Field, Output, Parameter as Wanted, Range, ResultsIn, Routine};
use crate::bits::{Bits, Encoding};
use crate::coded::Coded;
use crate::conversion::{Conversion, Interval, Piece, Quotient, StateText};
use crate::error::{DefinitionError, FileProblem};
use crate::file::{CodeText, MakerFile, ModuleName};
use crate::signals::{Decode, Read, SignalDefinition};

use super::types::{Base, Compu, DataObject, Dop, Dtc, Internal, Kind, Length, Parameter, Structure, Value};
use super::{Database, Layer, LayerKind, Service};

/// Said with everything that is driven by a description, which names no dangers itself.
const CAUTION: &str = "The description names no dangers of this: follow the vehicle maker's procedure, and keep clear of \
                       everything that may move, spray, get hot or carry high voltage.";
/// Longest time in one go where the description gives none.
const LONGEST: Duration = Duration::from_secs(10);
/// Deepest nesting of structures that is looked into, and most values of one message.
const MAX_DEPTH: usize = 8;
const MAX_PLACED: usize = 10_000;
/// Most that is offered of a description: values, and the words that they stand for. So many take about a gigabyte.
pub(super) const MAX_OFFERED: usize = if cfg!(test) { 10_000 } else { 1_000_000 };

impl Database {
    /// The layers that stand for modules: of each module the variant that was chosen or its only one, or else what its
    /// variants have in common.
    fn modules(&self, chosen: &[String]) -> Vec<&Layer> {
        let of_kind = |kind: LayerKind| self.layers.iter().filter(move |layer| layer.kind == kind);
        let mut modules = Vec::new();
        for base in of_kind(LayerKind::BaseVariant) {
            let variants = self.variants_of(base);
            let own = variants.iter().find(|variant| variants.len() == 1 || chosen.contains(&variant.name));
            modules.push(own.copied().unwrap_or(base));
        }
        let bases: Vec<&str> = of_kind(LayerKind::BaseVariant).map(|layer| layer.id.as_str()).collect();
        let is_alone = |layer: &&Layer| !layer.parents.iter().any(|parent| bases.contains(&parent.as_str()));
        modules.extend(of_kind(LayerKind::EcuVariant).filter(is_alone));
        modules
    }

    /// What the description offers, as a file of definitions. `layer` is the variant to be taken, by its short name;
    /// without it every module is taken with what its variants have in common, until [`Definitions::choose_variants`] has
    /// asked which it is.
    ///
    /// [`Definitions::choose_variants`]: crate::Definitions::choose_variants
    ///
    /// # Errors
    /// [`DefinitionError`] if there is no layer of that name.
    pub(crate) fn maker_file(self, file: &str, layer: Option<&str>) -> Result<MakerFile, DefinitionError> {
        let Some(name) = layer else {
            let database = Arc::new(self);
            return Ok(MakerFile { described: Some(database.clone()), ..database.offer(file, &database.modules(&[])) });
        };
        let layer = self.layer(name).ok_or_else(|| {
            let names: Vec<&str> = self.layers.iter().map(|layer| layer.name.as_str()).collect();
            let what = format!("it has no layer `{name}`, but {}", names.join(", "));
            DefinitionError { file: file.to_owned(), line: 1, problem: FileProblem::Format(what) }
        })?;
        Ok(self.offer(file, &[layer]))
    }

    /// The same with these variants, by their short names.
    pub(crate) fn with_variants(self: &Arc<Self>, file: &str, chosen: &[String]) -> MakerFile {
        MakerFile { described: Some(self.clone()), ..self.offer(file, &self.modules(chosen)) }
    }

    fn offer(&self, file: &str, layers: &[&Layer]) -> MakerFile {
        let mut out = MakerFile::empty(file, "diagnostic description", "an ODX file (ISO 22901-1)");
        out.problems.clone_from(&self.problems);
        let (mut ids, mut actions, mut codes) = (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
        let left = Cell::new(MAX_OFFERED);
        for layer in layers {
            let left_out =
                |what: String| DefinitionError { file: file.to_owned(), line: 1, problem: FileProblem::LeftOut(what) };
            let Some(address) = layer.address() else {
                out.problems.push(left_out(format!("layer `{}`, which gives no address", layer.name)));
                continue;
            };
            let name = layer.title.clone().unwrap_or_else(|| layer.name.clone());
            if out.modules.iter().any(|module| module.address == address) {
                out.problems.push(left_out(format!("layer `{}`, whose address another one has", layer.name)));
                continue;
            }
            out.modules.push(ModuleName { name, address, elsewhere: Vec::new(), network: None });
            for service in &layer.services {
                let offered = Offered { layer, service, address, left: &left };
                out.signals.extend(offered.signals().into_iter().filter(|signal| ids.insert(signal.id.clone())));
                out.outputs.extend(offered.output().filter(|output| actions.insert(output.id.clone())));
                out.routines.extend(offered.routine().filter(|routine| actions.insert(routine.id.clone())));
                if left.get() == 0 {
                    let what = format!("what layer `{}` has beyond {MAX_OFFERED} values and words", layer.name);
                    out.problems.push(left_out(what));
                    break;
                }
            }
            for code in &layer.codes {
                let text = if code.text.is_empty() { code.name.clone() } else { code.text.clone() };
                if let Some(code) = code.as_read()
                    && codes.insert((address, code))
                {
                    out.codes.push(CodeText { module: address, code, text });
                }
            }
        }
        out
    }
}

impl Dtc {
    /// The code as it is read from a module: two bytes, or three with the failure type at the end (ISO 14229-1). By its
    /// number where its width is known: 00 16 13 is P0016-13, and the two bytes 16 13 are P1613.
    fn as_read(&self) -> Option<Code> {
        let two = || Some(Code { number: u16::try_from(self.number).ok()?, failure_type: None });
        let three = || {
            let number = u16::try_from(self.number >> 8).ok()?;
            Some(Code { number, failure_type: Some(self.number as u8) })
        };
        let shown = || self.display.as_ref().and_then(|text| text.parse().ok());
        match self.n_bits {
            Some(16) => two().or_else(shown),
            Some(24) => three().or_else(shown),
            _ => shown().or_else(two).or_else(three),
        }
    }
}

impl Layer {
    /// Where its module answers, by the communication parameters of ISO 22901-1, annex for ISO 15765 and ISO 13400 (names
    /// and order of the table's columns from memory, checked on the example of the tests).
    #[must_use]
    pub fn address(&self) -> Option<Address> {
        let number = |text: &String| super::read::whole(text).and_then(|number| u32::try_from(number).ok());
        let one = |name: &str| self.parameters.get(name).and_then(|values| number(values.first()?));
        let table = self.parameters.get("CP_UniqueRespIdTable");
        // Format, identifier and address extension of the request; the same of the response.
        let of_table = |idx: usize| table.and_then(|values| number(values.get(idx)?));
        let request = one("CP_CanPhysReqId").or_else(|| of_table(1));
        let reply = one("CP_CanRespUSDTId").or_else(|| of_table(4));
        let is_wide = table.and_then(|values| values.first()).is_some_and(|format| format.contains("29"));
        match (request, reply) {
            (Some(request), Some(reply)) if !is_wide && request <= 0x7FF && reply <= 0x7FF => {
                Some(Address::Can11 { request: request as u16, reply: reply as u16 })
            }
            (Some(request), Some(reply)) if request <= 0x1FFF_FFFF && reply <= 0x1FFF_FFFF => {
                Some(Address::Can29 { request, reply })
            }
            _ => {
                let logical = one("CP_DoIPLogicalEcuAddress").and_then(|address| u16::try_from(address).ok());
                logical.map(Address::Logical)
            }
        }
    }
}

/// A value with a fixed place in a message.
struct Placed<'s> {
    name: String,
    parameter: &'s Parameter,
    byte: usize,
}

/// The parameters of a structure whose places do not depend on any value, and its length if that does not either.
fn places(structure: &Structure) -> (Vec<Placed<'_>>, Option<usize>) {
    let mut left = MAX_PLACED;
    places_within(structure, 0, "", 0, &mut left)
}

fn places_within<'s>(
    structure: &'s Structure,
    start: usize,
    prefix: &str,
    depth: usize,
    left: &mut usize,
) -> (Vec<Placed<'s>>, Option<usize>) {
    let (mut found, mut at) = (Vec::new(), Some(start));
    for parameter in &structure.parameters {
        *left = left.saturating_sub(1);
        if *left == 0 {
            // What stands behind it has no place that is known.
            return (found, None);
        }
        let byte = parameter.byte.and_then(|byte| start.checked_add(byte)).or(at);
        let Some(byte) = byte else { break };
        let name = if prefix.is_empty() { parameter.name.clone() } else { format!("{prefix}.{}", parameter.name) };
        let end = match &parameter.kind {
            Kind::Value { dop, .. } if depth < MAX_DEPTH => match dop.as_ref() {
                Dop::Structure(inner) => {
                    let (inner, end) = places_within(inner, byte, &name, depth + 1, left);
                    found.extend(inner);
                    at = end.map(|end| end.max(at.unwrap_or(0)));
                    continue;
                }
                _ => n_bytes(parameter),
            },
            _ => n_bytes(parameter),
        }
        .and_then(|n| byte.checked_add(n));
        found.push(Placed { name, parameter, byte });
        at = end.zip(at).map(|(end, at)| end.max(at));
    }
    let at = structure.n_bytes.and_then(|n| start.checked_add(n)).or(at);
    (found, at)
}

fn n_bytes(parameter: &Parameter) -> Option<usize> {
    let of_type = |length: &Length| match length {
        Length::Standard { bits, .. } => Some((parameter.bit as usize + *bits as usize).div_ceil(8)),
        _ => None,
    };
    match &parameter.kind {
        Kind::CodedConst { coded, .. } | Kind::NrcConst { coded, .. } => of_type(&coded.length),
        Kind::Reserved { bits } => Some((parameter.bit as usize + *bits as usize).div_ceil(8)),
        Kind::MatchingRequest { n_bytes, .. } => Some(*n_bytes),
        Kind::Value { dop, .. } | Kind::PhysConst { dop, .. } | Kind::LengthKey { dop, .. } => match dop.as_ref() {
            Dop::Simple(object) => of_type(&object.coded.length),
            Dop::Codes { coded, .. } => of_type(&coded.length),
            Dop::Static { count, item_bytes, .. } => count.checked_mul(*item_bytes),
            _ => None,
        },
        Kind::TableKey { .. } | Kind::TableStruct { .. } => None,
    }
}

/// A number that a data object codes, `offset` bytes into its message.
fn coded(object: &DataObject, byte: usize, bit: u32) -> Option<Coded> {
    let Length::Standard { bits, mask: None } = object.coded.length else { return None };
    let encoding = match object.coded.base {
        Base::Float32 | Base::Float64 => Encoding::Float,
        Base::Int | Base::Uint => object.coded.encoding,
        _ => return None,
    };
    let bits = Bits { byte, bit, bits, little_endian: !object.coded.high_low, encoding };
    let (conversion, texts) = match &object.compu {
        Compu::Identical => (Conversion::IDENTICAL, Vec::new()),
        Compu::Number { forward: Some(forward), limits, .. } => (limited(forward, *limits)?, Vec::new()),
        Compu::Number { forward: None, .. } => return None,
        Compu::Texts { rows, .. } => {
            let texts = rows.iter().map(|row| StateText { raw: row.raw, text: row.text.clone() });
            (Conversion::IDENTICAL, texts.collect())
        }
    };
    bits.is_sound().then_some(Coded { bits, conversion, convert: None, invalid: Vec::new(), texts })
}

/// A conversion for the values within limits alone.
fn limited(conversion: &Conversion, limits: Interval) -> Option<Conversion> {
    match conversion {
        _ if limits == Interval::ALL => Some(conversion.clone()),
        Conversion::Linear { multiply, divide, offset } => {
            let numerator = vec![offset * divide, *multiply];
            let quotient = Quotient { numerator, denominator: vec![*divide] };
            Some(Conversion::Pieces(vec![Piece { raw: limits, quotient, inverse: None }]))
        }
        Conversion::Rational(quotient) => {
            Some(Conversion::Pieces(vec![Piece { raw: limits, quotient: quotient.clone(), inverse: None }]))
        }
        // They have limits of their own.
        Conversion::Pieces(_) | Conversion::Table(_) => Some(conversion.clone()),
    }
}

/// Name, parameter, data object and first byte of a value in a response.
type Answer<'d> = (String, &'d Parameter, &'d DataObject, usize);

/// One service of a module.
struct Offered<'d> {
    layer: &'d Layer,
    service: &'d Service,
    address: Address,
    /// How much more may be offered.
    left: &'d Cell<usize>,
}

impl<'d> Offered<'d> {
    /// See [`coded`]; nothing once too much is offered.
    fn coded(&self, object: &DataObject, byte: usize, bit: u32) -> Option<Coded> {
        let n_words = match &object.compu {
            Compu::Texts { rows, .. } => rows.len(),
            Compu::Number { forward: Some(Conversion::Pieces(pieces)), .. } => pieces.len(),
            Compu::Number { forward: Some(Conversion::Table(points)), .. } => points.len(),
            _ => 0,
        };
        self.left.set(self.left.get().saturating_sub(1 + n_words));
        if self.left.get() == 0 { None } else { coded(object, byte, bit) }
    }

    fn id(&self, names: &[&str]) -> Option<SignalId> {
        let parts: Vec<&str> =
            [self.layer.name.as_str(), self.service.name.as_str()].into_iter().chain(names.iter().copied()).collect();
        SignalId::custom(&parts.join(".")).ok()
    }

    /// The constant bytes that a request begins with, and its other parameters.
    fn request(&self) -> Option<(Vec<u8>, Vec<Placed<'d>>, Option<usize>)> {
        let (placed, end) = places(&self.service.request);
        let mut constant = Vec::new();
        let (mut open, mut n_constant) = (Vec::new(), 0);
        for place in placed {
            match &place.parameter.kind {
                Kind::CodedConst { coded: own, value: Internal::Whole(value) } => {
                    let Length::Standard { bits, .. } = own.length else { return None };
                    let bits = Bits {
                        byte: place.byte,
                        bit: place.parameter.bit,
                        bits,
                        little_endian: !own.high_low,
                        encoding: own.encoding,
                    };
                    if !bits.is_sound() || place.byte > 8 {
                        return None;
                    }
                    bits.write(crate::bits::Raw::Whole(*value), &mut constant)?;
                    n_constant = n_constant.max(bits.end());
                }
                Kind::Reserved { .. } => {}
                _ => open.push(place),
            }
        }
        constant.truncate(n_constant);
        Some((constant, open, end))
    }

    /// Simple data objects of the positive response behind its first bytes, numbered from there.
    fn answers(&self, n_head: usize) -> (Vec<Answer<'d>>, Option<usize>) {
        let Some(response) = self.service.positive.first() else { return (Vec::new(), None) };
        let (placed, end) = places(response);
        let values = placed.into_iter().filter_map(|place| match &place.parameter.kind {
            Kind::Value { dop, .. } => match dop.as_ref() {
                Dop::Simple(object) => Some((place.name, place.parameter, object, place.byte.checked_sub(n_head)?)),
                _ => None,
            },
            _ => None,
        });
        (values.collect(), end.and_then(|end| end.checked_sub(n_head)))
    }

    /// Values that are read with service 22.
    fn signals(&self) -> Vec<SignalDefinition> {
        let Some((constant, open, _)) = self.request() else { return Vec::new() };
        let ([0x22, high, low], true) = (constant.as_slice(), open.is_empty()) else { return Vec::new() };
        let did = u16::from_be_bytes([*high, *low]);
        // Behind the service and the identifier.
        let (answers, n_bytes) = self.answers(3);
        let signal = |(name, parameter, object, byte): (String, &Parameter, &DataObject, usize)| {
            let coded = self.coded(object, byte, parameter.bit)?;
            let title = parameter.title.clone().or_else(|| self.service.title.clone());
            Some(SignalDefinition {
                id: self.id(&[&name])?,
                unit: object.unit.as_deref().map_or_else(Unit::one, Unit::named),
                title: title.unwrap_or_else(|| name.replace(['_', '.'], " ")),
                module: Some(self.address),
                read: Read::Did(did),
                n_bytes,
                oxygen_layout: None,
                limits: None,
                decode: Decode::Coded(coded),
            })
        };
        answers.into_iter().filter_map(signal).collect()
    }

    fn title(&self) -> String {
        self.service.title.clone().unwrap_or_else(|| self.service.name.replace('_', " "))
    }

    fn care() -> Care {
        Care {
            // Actuators and routines need more than the session that a module starts in (common practice, no source).
            session: Some(3),
            conditions: vec![Condition::Standing],
            while_moving: false,
            cautions: vec![CAUTION.to_owned()],
            longest: Some(LONGEST),
        }
    }

    /// An output that is adjusted with service 2F.
    fn output(&self) -> Option<Output> {
        let (constant, open, end) = self.request()?;
        let [0x2F, high, low, 0x03] = constant.as_slice() else { return None };
        let [place] = open.as_slice() else { return None };
        let object = simple(place.parameter)?;
        let n_bytes = end?.checked_sub(4)?;
        let coded = self.coded(object, place.byte.checked_sub(4)?, place.parameter.bit)?;
        let is_switch = coded.bits.bits == 1
            || (coded.texts.len() == 2
                && coded.texts.iter().all(|row| matches!((row.raw.low, row.raw.high), (0.0, 0.0) | (1.0, 1.0))));
        let (low_level, high_level) = levels(&coded)?;
        let range = if is_switch {
            Range::Switch
        } else {
            let unit = object.unit.as_deref().map_or_else(Unit::one, Unit::named);
            Range::Level { min: low_level, max: high_level, unit }
        };
        let output = Output {
            id: self.id(&[])?,
            title: self.title(),
            module: self.address,
            drive: Drive::Identifier { did: u16::from_be_bytes([*high, *low]), mask: Vec::new() },
            safe: 0f64.clamp(low_level, high_level),
            range,
            responds: Vec::new(),
            care: Self::care(),
            n_bytes,
            place: coded,
        };
        // What cannot be driven to its ends is not offered.
        [output.safe, output.on_level()].iter().all(|level| output.drive_request(*level).is_ok()).then_some(output)
    }

    /// A routine that is started with service 31.
    fn routine(&self) -> Option<Routine> {
        let (constant, open, end) = self.request()?;
        let [0x31, 0x01, high, low] = constant.as_slice() else { return None };
        let field = |name: &str, parameter: &Parameter, object: &DataObject, byte: usize| {
            Some(Field {
                name: name.to_owned(),
                title: parameter.title.clone().unwrap_or_else(|| name.replace(['_', '.'], " ")),
                unit: object.unit.as_deref().map_or_else(Unit::one, Unit::named),
                place: self.coded(object, byte, parameter.bit)?,
            })
        };
        let mut parameters = Vec::new();
        for place in &open {
            let field = field(&place.name, place.parameter, simple(place.parameter)?, place.byte.checked_sub(4)?)?;
            let (min, max) = levels(&field.place)?;
            let default = match &place.parameter.kind {
                Kind::Value { default: Some(Value::Number(number)), .. } => Some(*number),
                _ => None,
            };
            parameters.push(Wanted { field, min, max, default: default.filter(|value| (min..=max).contains(value)) });
        }
        let (answers, _) = self.answers(4);
        let results =
            answers.into_iter().filter_map(|(name, parameter, object, byte)| field(&name, parameter, object, byte));
        Some(Routine {
            id: self.id(&[])?,
            title: self.title(),
            module: self.address,
            call: Call::Identifier { id: u16::from_be_bytes([*high, *low]) },
            parameters,
            results: results.collect(),
            results_in: ResultsIn::Start,
            can_stop: false,
            care: Self::care(),
            n_option_bytes: end?.checked_sub(4)?,
        })
    }
}

fn simple(parameter: &Parameter) -> Option<&DataObject> {
    match &parameter.kind {
        Kind::Value { dop, .. } => match dop.as_ref() {
            Dop::Simple(object) => Some(object),
            _ => None,
        },
        _ => None,
    }
}

/// Least and greatest value that can be written.
fn levels(coded: &Coded) -> Option<(f64, f64)> {
    let (low, high) = coded.bits.whole_limits()?;
    let (mut low, mut high) = (low as f64, high as f64);
    let within: Vec<&Interval> = match &coded.conversion {
        Conversion::Pieces(pieces) => pieces.iter().map(|piece| &piece.raw).collect(),
        _ => coded.texts.iter().map(|state| &state.raw).collect(),
    };
    if !within.is_empty() {
        low = low.max(within.iter().map(|range| range.low).fold(f64::INFINITY, f64::min));
        high = high.min(within.iter().map(|range| range.high).fold(f64::NEG_INFINITY, f64::max));
    }
    if let Conversion::Table(points) = &coded.conversion {
        low = low.max(points.first()?.0);
        high = high.min(points.last()?.0);
    }
    let ends = (coded.conversion.physical_from_raw(low)?, coded.conversion.physical_from_raw(high)?);
    let (min, max) = (ends.0.min(ends.1), ends.0.max(ends.1));
    (min < max).then_some((min, max))
}
