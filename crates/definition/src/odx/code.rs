//! From bytes to values and back, by a diagnostic description.

use crate::bits::{Bits, Encoding, Raw};

use super::types::{
    Base, CodedType, Compu, DataObject, Dop, End, Internal, Kind, Length, Mux, Parameter, Row, Structure, Value,
};

/// Most values that one message may hold: hostile descriptions could hold them without end.
const MAX_VALUES: usize = 100_000;
/// Longest message, bytes (ISO 13400 can carry more; no diagnostic answer does).
const MAX_MESSAGE: usize = 1 << 20;

/// Why bytes are not the message, or values cannot make one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("parameter `{parameter}`: {what}")]
pub struct CodeError {
    /// Where, by names from the outside in, joined by dots.
    pub parameter: String,
    /// What is wrong.
    pub what: String,
}

fn fault(what: impl Into<String>) -> CodeError {
    CodeError { parameter: String::new(), what: what.into() }
}

impl CodeError {
    fn within(mut self, name: &str) -> Self {
        self.parameter = if self.parameter.is_empty() { name.to_owned() } else { format!("{name}.{}", self.parameter) };
        self
    }
}

type Coded<T> = Result<T, CodeError>;

impl CodedType {
    fn bits_at(&self, byte: usize, bit: u32, bits: u32) -> Coded<Bits> {
        let encoding = match self.base {
            Base::Float32 | Base::Float64 => Encoding::Float,
            Base::Int | Base::Uint => self.encoding,
            _ => Encoding::Unsigned,
        };
        let bits = Bits { byte, bit, bits, little_endian: !self.high_low, encoding };
        if bits.is_sound() && byte < MAX_MESSAGE { Ok(bits) } else { Err(fault("its bits have no place")) }
    }

    fn decode(&self, from: &mut Reading<'_>, bit: u32) -> Coded<Internal> {
        let at = from.at;
        match &self.length {
            Length::Standard { bits, mask } => {
                let value = self.sized(from, at, bit, *bits)?;
                Ok(match (value, mask) {
                    (Internal::Whole(number), Some(mask)) => Internal::Whole(number & i128::from(*mask)),
                    (value, _) => value,
                })
            }
            Length::Parameter { key } => {
                let bits = from.lengths.iter().rev().find(|(own, _)| own == key).map(|(_, bits)| *bits);
                let bits = bits.ok_or_else(|| fault("the parameter with its length has not come yet"))?;
                let bits = u32::try_from(bits).map_err(|_| fault("its length is no number of bits"))?;
                self.sized(from, at, bit, bits)
            }
            Length::Leading { bits } => {
                let place = Bits { encoding: Encoding::Unsigned, ..self.bits_at(at, bit, *bits)? };
                let n_bytes = place.unsigned(from.data).ok_or_else(|| fault("the message ends before it"))?;
                from.at = place.end();
                let n_bytes = usize::try_from(n_bytes).unwrap_or(usize::MAX);
                let bytes = from.take(n_bytes)?;
                self.of_bytes(bytes)
            }
            Length::MinMax { min, max, end } => {
                let rest = from.data.get(at..).unwrap_or_default();
                let most = max.unwrap_or(usize::MAX).min(rest.len());
                if most < *min {
                    return Err(fault(format!("{} bytes are left, it has at least {min}", rest.len())));
                }
                let n_units = if self.base == Base::Unicode2 { 2 } else { 1 };
                let marker = match end {
                    End::Pdu => None,
                    End::Zero => Some(0u8),
                    End::Ff => Some(0xFF),
                };
                let is_marker = |unit: &[u8]| marker.is_some_and(|marker| unit.iter().all(|byte| *byte == marker));
                let found = (0..most)
                    .step_by(n_units)
                    .filter(|idx| idx >= min)
                    .find(|idx| rest.get(*idx..idx + n_units).is_some_and(is_marker));
                let bytes = from.take(found.unwrap_or(most))?;
                let value = self.of_bytes(bytes)?;
                if found.is_some() {
                    from.at += n_units;
                }
                // At its greatest length it has no end; one that comes nevertheless belongs to what follows.
                Ok(value)
            }
        }
    }

    /// A value of so many bits.
    fn sized(&self, from: &mut Reading<'_>, at: usize, bit: u32, bits: u32) -> Coded<Internal> {
        if self.base.is_number() {
            if bits == 0 {
                return Ok(Internal::Whole(0));
            }
            let place = self.bits_at(at, bit, bits)?;
            let raw =
                place.raw(from.data).ok_or_else(|| fault("the message ends before it, or its digits are none"))?;
            from.at = place.end();
            return Ok(match raw {
                Raw::Whole(number) => Internal::Whole(number),
                Raw::Real(number) => Internal::Real(number),
            });
        }
        if !bits.is_multiple_of(8) || bit != 0 {
            return Err(fault("text and bytes have whole bytes"));
        }
        let bytes = from.take(bits as usize / 8)?;
        self.of_bytes(bytes)
    }

    fn of_bytes(&self, bytes: &[u8]) -> Coded<Internal> {
        Ok(match self.base {
            Base::Bytes => Internal::Bytes(bytes.to_vec()),
            Base::Ascii => Internal::Text(bytes.iter().map(|byte| char::from(*byte)).collect()),
            Base::Utf8 => {
                Internal::Text(String::from_utf8(bytes.to_vec()).map_err(|_| fault("its text is not UTF-8"))?)
            }
            Base::Unicode2 => {
                if !bytes.len().is_multiple_of(2) {
                    return Err(fault("its text has half a character"));
                }
                let units = bytes.chunks_exact(2).map(|pair| {
                    let pair = [pair[0], pair[1]];
                    if self.high_low { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) }
                });
                let text: Result<String, _> = char::decode_utf16(units).collect();
                Internal::Text(text.map_err(|_| fault("its text is not UTF-16"))?)
            }
            // A number of variable length: the bytes are its digits.
            _ if bytes.is_empty() => Internal::Whole(0),
            _ => {
                let bits = u32::try_from(bytes.len() * 8).map_err(|_| fault("a number has at most 64 bits"))?;
                match self.bits_at(0, 0, bits)?.raw(bytes) {
                    Some(Raw::Whole(number)) => Internal::Whole(number),
                    Some(Raw::Real(number)) => Internal::Real(number),
                    None => return Err(fault("its digits are none")),
                }
            }
        })
    }

    fn to_bytes(&self, value: &Internal) -> Coded<Vec<u8>> {
        match (self.base, value) {
            (Base::Bytes, Internal::Bytes(bytes)) => Ok(bytes.clone()),
            (Base::Ascii, Internal::Text(text)) => text
                .chars()
                .map(|c| u8::try_from(u32::from(c)).map_err(|_| fault(format!("{c:?} is not in its character set"))))
                .collect(),
            (Base::Utf8, Internal::Text(text)) => Ok(text.clone().into_bytes()),
            (Base::Unicode2, Internal::Text(text)) => Ok(text
                .encode_utf16()
                .flat_map(|unit| if self.high_low { unit.to_be_bytes() } else { unit.to_le_bytes() })
                .collect()),
            _ => Err(fault("a value of another kind is wanted")),
        }
    }

    fn encode(&self, value: &Internal, to: &mut Writing<'_>, bit: u32) -> Coded<()> {
        match &self.length {
            Length::Standard { bits, .. } => self.encode_sized(value, to, bit, *bits),
            Length::Parameter { key } => {
                let bits = if self.base.is_number() {
                    let given = to.lengths.iter().rev().find(|(own, _)| own == key).map(|(_, bits)| *bits);
                    given.and_then(|bits| u32::try_from(bits).ok()).ok_or_else(|| fault("its length was not given"))?
                } else {
                    self.to_bytes(value)?.len() as u32 * 8
                };
                to.lengths.push((key.clone(), u64::from(bits)));
                if bits == 0 { Ok(()) } else { self.encode_sized(value, to, bit, bits) }
            }
            Length::Leading { bits } => {
                let bytes = self.to_bytes(value)?;
                let place = Bits { encoding: Encoding::Unsigned, ..self.bits_at(to.at, bit, *bits)? };
                place
                    .write(Raw::Whole(bytes.len() as i128), &mut to.bytes)
                    .ok_or_else(|| fault("it is longer than its length can say"))?;
                to.at = place.end();
                to.put(&bytes)
            }
            Length::MinMax { min, max, end } => {
                let bytes = self.to_bytes(value)?;
                if bytes.len() < *min || max.is_some_and(|max| bytes.len() > max) {
                    return Err(fault(format!("{} bytes are too few or too many", bytes.len())));
                }
                to.put(&bytes)?;
                // At its greatest length it needs no end, and at the end of the message neither.
                let needs_end = max.is_none_or(|max| bytes.len() < max) && !to.is_last;
                let n_units = if self.base == Base::Unicode2 { 2 } else { 1 };
                match end {
                    End::Zero if needs_end => to.put(&vec![0; n_units]),
                    End::Ff if needs_end => to.put(&vec![0xFF; n_units]),
                    _ => Ok(()),
                }
            }
        }
    }

    fn encode_sized(&self, value: &Internal, to: &mut Writing<'_>, bit: u32, bits: u32) -> Coded<()> {
        if !self.base.is_number() {
            let bytes = self.to_bytes(value)?;
            if bytes.len() * 8 != bits as usize {
                return Err(fault(format!("{} bytes are given, it has {}", bytes.len(), bits / 8)));
            }
            return to.put(&bytes);
        }
        let place = self.bits_at(to.at, bit, bits)?;
        let raw = match value {
            Internal::Whole(number) => Raw::Whole(*number),
            Internal::Real(number) => Raw::Real(*number),
            _ => return Err(fault("a number is wanted")),
        };
        place.write(raw, &mut to.bytes).ok_or_else(|| fault(format!("{raw:?} does not fit {bits} bits")))?;
        to.at = place.end();
        Ok(())
    }
}

impl Compu {
    fn physical(&self, value: Internal, physical: Base) -> Coded<Value> {
        match self {
            Self::Identical => Ok(match value {
                Internal::Whole(number) => Value::Number(number as f64),
                Internal::Real(number) => Value::Number(number),
                Internal::Text(text) => Value::Text(text),
                Internal::Bytes(bytes) => Value::Bytes(bytes),
            }),
            Self::Number { forward, limits, .. } => {
                let raw = value.number().ok_or_else(|| fault("only numbers can be computed with"))?;
                let forward = forward.as_ref().ok_or_else(|| fault("the description only tells how to send it"))?;
                let value = limits.contains(raw).then(|| forward.physical_from_raw(raw)).flatten();
                let value = value.ok_or_else(|| fault(format!("{raw} is no valid value")))?;
                Ok(Value::Number(if physical.is_whole() { value.round_ties_even() } else { value }))
            }
            Self::Texts { rows, default } => {
                let raw = value.number().ok_or_else(|| fault("only numbers have texts"))?;
                let found = rows.iter().find(|row| row.raw.contains(raw)).map(|row| &row.text);
                let text = found.or(default.as_ref().map(|(text, _)| text));
                let text = text.ok_or_else(|| fault(format!("{raw} has no text")))?.clone();
                Ok(Value::Text(text))
            }
        }
    }

    fn internal(&self, value: &Value, coded: &CodedType) -> Coded<Internal> {
        let whole_or_real = |number: f64| {
            if !coded.base.is_whole() {
                return Ok(Internal::Real(number));
            }
            let rounded = number.round_ties_even();
            if rounded.abs() < 1e30 { Ok(Internal::Whole(rounded as i128)) } else { Err(fault("beyond all limits")) }
        };
        match (self, value) {
            (Self::Identical, Value::Number(number)) => whole_or_real(*number),
            (Self::Identical, Value::Text(text)) => Ok(Internal::Text(text.clone())),
            (Self::Identical, Value::Bytes(bytes)) => Ok(Internal::Bytes(bytes.clone())),
            (Self::Number { forward, backward, limits }, Value::Number(number)) => {
                let raw = match (backward, forward) {
                    (Some(backward), _) => backward.physical_from_raw(*number),
                    (None, Some(forward)) => forward.raw_from_physical(*number),
                    (None, None) => None,
                };
                // Rounding first: a limit at a whole number includes what rounds to it.
                let raw = raw.map(|raw| if coded.base.is_whole() { raw.round_ties_even() } else { raw });
                let raw = raw.filter(|raw| limits.contains(*raw));
                whole_or_real(raw.ok_or_else(|| fault(format!("no internal value stands for {number}")))?)
            }
            (Self::Texts { rows, default }, Value::Text(text)) => {
                let found = rows.iter().find(|row| row.text == *text).map(|row| row.inverse);
                let of_default = || default.as_ref().filter(|(own, _)| own == text).and_then(|(_, inverse)| *inverse);
                whole_or_real(found.or_else(of_default).ok_or_else(|| fault(format!("`{text}` is none of its texts")))?)
            }
            _ => Err(fault("a value of another kind is wanted")),
        }
    }
}

impl DataObject {
    fn decode(&self, from: &mut Reading<'_>, bit: u32) -> Coded<Value> {
        let value = self.coded.decode(from, bit)?;
        self.compu.physical(value, self.physical)
    }

    fn encode(&self, value: &Value, to: &mut Writing<'_>, bit: u32) -> Coded<()> {
        let value = self.compu.internal(value, &self.coded)?;
        self.coded.encode(&value, to, bit)
    }
}

/// A message that is being read.
struct Reading<'d> {
    data: &'d [u8],
    request: &'d [u8],
    at: usize,
    /// Bits that length keys have said, by the key's ID.
    lengths: Vec<(String, u64)>,
    n_values: usize,
}

impl<'d> Reading<'d> {
    fn take(&mut self, n_bytes: usize) -> Coded<&'d [u8]> {
        let end = self.at.checked_add(n_bytes).ok_or_else(|| fault("its length is beyond all limits"))?;
        let bytes = self.data.get(self.at..end);
        let bytes = bytes.ok_or_else(|| fault(format!("{n_bytes} bytes are wanted, the message ends before")))?;
        self.at = end;
        Ok(bytes)
    }

    fn count(&mut self) -> Coded<()> {
        self.n_values += 1;
        if self.n_values > MAX_VALUES { Err(fault(format!("more than {MAX_VALUES} values"))) } else { Ok(()) }
    }

    fn structure(&mut self, structure: &Structure) -> Coded<Value> {
        let start = self.at;
        let mut values: Vec<(String, Value)> = Vec::new();
        // Rows that table keys have chosen, by the key's name.
        let mut rows: Vec<(&str, &Row)> = Vec::new();
        let mut furthest = start;
        for parameter in &structure.parameters {
            self.count()?;
            if let Some(byte) = parameter.byte {
                self.at = start.checked_add(byte).ok_or_else(|| fault("a place beyond all limits"))?;
            }
            let value = self.parameter(parameter, &mut rows).map_err(|error| error.within(&parameter.name))?;
            furthest = furthest.max(self.at);
            self.at = furthest;
            if let Some(value) = value {
                values.push((parameter.name.clone(), value));
            }
        }
        if let Some(n_bytes) = structure.n_bytes {
            self.at = self.at.max(start.saturating_add(n_bytes));
        }
        Ok(Value::Structure(values))
    }

    fn parameter<'p>(&mut self, parameter: &'p Parameter, rows: &mut Vec<(&'p str, &'p Row)>) -> Coded<Option<Value>> {
        let bit = parameter.bit;
        match &parameter.kind {
            Kind::CodedConst { coded, value } => {
                let found = coded.decode(self, bit)?;
                if found != *value {
                    return Err(fault(format!("{found:?} is not the constant {value:?}")));
                }
                Ok(Some(plain(found)))
            }
            Kind::NrcConst { coded, values } => {
                let found = coded.decode(self, bit)?;
                if !values.contains(&found) {
                    return Err(fault(format!("{found:?} is none of its values")));
                }
                Ok(Some(plain(found)))
            }
            Kind::PhysConst { dop, value } => {
                let found = self.dop(dop, bit)?;
                if found != *value {
                    return Err(fault("another value than the constant"));
                }
                Ok(Some(found))
            }
            Kind::Value { dop, .. } => self.dop(dop, bit).map(Some),
            Kind::LengthKey { id, dop } => {
                let value = self.dop(dop, bit)?;
                if let Value::Number(bits) = value {
                    self.lengths.push((id.clone(), bits.max(0.0) as u64));
                }
                Ok(Some(value))
            }
            Kind::Reserved { bits } => {
                let n_bytes = (bit as usize + *bits as usize).div_ceil(8);
                self.take(n_bytes)?;
                Ok(None)
            }
            Kind::MatchingRequest { byte, n_bytes } => {
                let wanted = byte.checked_add(*n_bytes).and_then(|end| self.request.get(*byte..end));
                let found = self.take(*n_bytes)?;
                // Without the request nothing can be compared.
                if !self.request.is_empty() && wanted != Some(found) {
                    return Err(fault("it does not repeat the request"));
                }
                Ok(Some(Value::Bytes(found.to_vec())))
            }
            Kind::TableKey { table, .. } => {
                let key = table.key.decode(self, bit)?;
                let row = table.rows.iter().find(|row| row.key == key);
                let row = row.ok_or_else(|| fault(format!("no row of its table has the key {key:?}")))?;
                rows.push((&parameter.name, row));
                Ok(Some(Value::Text(row.name.clone())))
            }
            Kind::TableStruct { key_name, .. } => {
                let row = rows.iter().rev().find(|(name, _)| name == key_name).map(|(_, row)| *row);
                let row = row.ok_or_else(|| fault("the key of its table has not come yet"))?;
                let content = match &row.content {
                    Some(dop) => self.dop(dop, bit).map_err(|error| error.within(&row.name))?,
                    None => Value::Structure(Vec::new()),
                };
                Ok(Some(Value::Case(row.name.clone(), Box::new(content))))
            }
        }
    }

    fn dop(&mut self, dop: &Dop, bit: u32) -> Coded<Value> {
        match dop {
            Dop::Simple(object) => object.decode(self, bit),
            Dop::Codes { coded, compu, .. } => {
                let value = coded.decode(self, bit)?;
                match compu.physical(value, Base::Uint)? {
                    Value::Number(number) => Ok(Value::Code(number as u64)),
                    _ => Err(fault("a trouble code must be a number")),
                }
            }
            Dop::Structure(structure) => self.structure(structure),
            Dop::Static { item, count, item_bytes } => {
                let start = self.at;
                let mut items = Vec::new();
                for idx in 0..*count {
                    self.count()?;
                    self.at = idx.checked_mul(*item_bytes).and_then(|n| n.checked_add(start)).unwrap_or(usize::MAX);
                    items.push(self.structure(item)?);
                }
                self.at = count.checked_mul(*item_bytes).and_then(|n| n.checked_add(start)).unwrap_or(usize::MAX);
                Ok(Value::List(items))
            }
            Dop::EndOfPdu { item, max } => {
                let mut items = Vec::new();
                while self.at < self.data.len() && max.is_none_or(|max| items.len() < max) {
                    let before = self.at;
                    items.push(self.structure(item)?);
                    if self.at == before {
                        return Err(fault("its items take no bytes"));
                    }
                }
                Ok(Value::List(items))
            }
            Dop::Counted { item, offset, byte, bit, count } => {
                let start = self.at;
                self.at = start.saturating_add(*byte);
                let Value::Number(n_items) = count.decode(self, *bit)? else {
                    return Err(fault("the number of its items is none"));
                };
                self.at = start.saturating_add(*offset);
                let mut items = Vec::new();
                for _ in 0..n_items.max(0.0) as u64 {
                    self.count()?;
                    items.push(self.structure(item)?);
                }
                Ok(Value::List(items))
            }
            Dop::Marked { item, marker, value } => {
                let mut items = Vec::new();
                while self.at < self.data.len() {
                    let before = self.at;
                    if marker.decode(self, 0).is_ok_and(|found| found == *value) {
                        return Ok(Value::List(items));
                    }
                    self.at = before;
                    items.push(self.structure(item)?);
                    if self.at == before {
                        return Err(fault("its items take no bytes"));
                    }
                }
                Ok(Value::List(items))
            }
            Dop::Mux(mux) => {
                let start = self.at;
                self.at = start.saturating_add(mux.key_byte);
                let key = mux.key.decode(self, mux.key_bit)?;
                let after_key = self.at;
                let case = mux.case(&key).ok_or_else(|| fault(format!("no case for the key {key:?}")))?;
                self.at = start.saturating_add(mux.byte);
                let content = match &case.content {
                    Some(content) => self.structure(content).map_err(|error| error.within(&case.name))?,
                    None => Value::Structure(Vec::new()),
                };
                self.at = self.at.max(after_key);
                Ok(Value::Case(case.name.clone(), Box::new(content)))
            }
        }
    }
}

impl Mux {
    fn case(&self, key: &Value) -> Option<&super::types::Case> {
        let is_within = |case: &&super::types::Case| match (key, &case.low, &case.high) {
            (Value::Number(key), Value::Number(low), Value::Number(high)) => (low..=high).contains(&key),
            (key, low, _) => key == low,
        };
        self.cases.iter().find(is_within).or(self.default.as_ref())
    }
}

/// A constant as it is.
fn plain(value: Internal) -> Value {
    match value {
        Internal::Whole(number) => Value::Number(number as f64),
        Internal::Real(number) => Value::Number(number),
        Internal::Text(text) => Value::Text(text),
        Internal::Bytes(bytes) => Value::Bytes(bytes),
    }
}

/// A message that is being made.
struct Writing<'d> {
    bytes: Vec<u8>,
    request: &'d [u8],
    at: usize,
    /// Bits that values of a length of their own have taken, by the ID of the parameter that says so.
    lengths: Vec<(String, u64)>,
    /// Whether nothing can follow what is being written.
    is_last: bool,
    n_values: usize,
}

impl Writing<'_> {
    fn put(&mut self, bytes: &[u8]) -> Coded<()> {
        let end = self.at.checked_add(bytes.len()).filter(|end| *end <= MAX_MESSAGE);
        let end = end.ok_or_else(|| fault("the message gets too long"))?;
        if self.bytes.len() < end {
            self.bytes.resize(end, 0);
        }
        if let Some(place) = self.bytes.get_mut(self.at..end) {
            place.copy_from_slice(bytes);
        }
        self.at = end;
        Ok(())
    }

    fn structure(&mut self, structure: &Structure, value: &Value) -> Coded<()> {
        let Value::Structure(given) = value else { return Err(fault("the parameters of a structure are wanted")) };
        for (name, _) in given {
            if !structure.parameters.iter().any(|parameter| parameter.name == *name) {
                return Err(fault(format!("`{}` has no parameter `{name}`", structure.name)));
            }
        }
        let (start, is_last) = (self.at, self.is_last);
        // Numbers that are known only when what they speak of is written: place and the data object that writes them.
        let mut length_keys: Vec<(&str, usize, u32, &Dop)> = Vec::new();
        let mut furthest = start;
        let n_parameters = structure.parameters.len();
        for (idx, parameter) in structure.parameters.iter().enumerate() {
            self.n_values += 1;
            if self.n_values > MAX_VALUES {
                return Err(fault(format!("more than {MAX_VALUES} values")));
            }
            if let Some(byte) = parameter.byte {
                self.at = start.checked_add(byte).filter(|at| *at < MAX_MESSAGE).ok_or_else(|| fault("too far out"))?;
            }
            self.is_last = is_last && idx + 1 == n_parameters;
            let own = given.iter().find(|(name, _)| *name == parameter.name).map(|(_, value)| value);
            if let Kind::LengthKey { id, dop } = &parameter.kind {
                if let Some(Value::Number(bits)) = own {
                    self.lengths.push((id.clone(), bits.max(0.0) as u64));
                }
                length_keys.push((id, self.at, parameter.bit, dop));
                self.dop(dop, parameter.bit, &Value::Number(0.0)).map_err(|error| error.within(&parameter.name))?;
            } else {
                self.parameter(parameter, own, given, structure).map_err(|error| error.within(&parameter.name))?;
            }
            furthest = furthest.max(self.at);
            self.at = furthest;
        }
        for (id, at, bit, dop) in length_keys {
            let bits = self.lengths.iter().rev().find(|(own, _)| own == id).map_or(0, |(_, bits)| *bits);
            self.at = at;
            self.dop(dop, bit, &Value::Number(bits as f64))?;
        }
        self.at = furthest;
        if let Some(n_bytes) = structure.n_bytes {
            let end = start.checked_add(n_bytes).filter(|end| *end <= MAX_MESSAGE);
            let end = end.ok_or_else(|| fault("the message gets too long"))?;
            if self.at < end {
                self.bytes.resize(self.bytes.len().max(end), 0);
                self.at = end;
            }
        }
        self.is_last = is_last;
        Ok(())
    }

    fn parameter(
        &mut self,
        parameter: &Parameter,
        own: Option<&Value>,
        given: &[(String, Value)],
        structure: &Structure,
    ) -> Coded<()> {
        let bit = parameter.bit;
        let missing = || fault("no value is given, and it has no default");
        match &parameter.kind {
            Kind::CodedConst { coded, value } => coded.encode(value, self, bit),
            Kind::NrcConst { coded, values } => {
                let chosen = match own {
                    Some(own) => values.iter().find(|value| plain((*value).clone()) == *own),
                    None => values.first(),
                };
                coded.encode(chosen.ok_or_else(|| fault("it is none of its values"))?, self, bit)
            }
            Kind::PhysConst { dop, value } => self.dop(dop, bit, value),
            Kind::Value { dop, default } => self.dop(dop, bit, own.or(default.as_ref()).ok_or_else(missing)?),
            // Written by the structure, which knows later what it is.
            Kind::LengthKey { .. } => Ok(()),
            Kind::Reserved { bits } => {
                let n_bytes = (bit as usize + *bits as usize).div_ceil(8);
                let end = self.at.saturating_add(n_bytes);
                if end > MAX_MESSAGE {
                    return Err(fault("the message gets too long"));
                }
                self.bytes.resize(self.bytes.len().max(end), 0);
                self.at = end;
                Ok(())
            }
            Kind::MatchingRequest { byte, n_bytes } => {
                let bytes = byte.checked_add(*n_bytes).and_then(|end| self.request.get(*byte..end));
                let bytes = bytes.ok_or_else(|| fault("the request that it repeats is too short"))?;
                self.put(bytes)
            }
            Kind::TableKey { table, .. } => {
                // The row is named by the key itself, or by the structure that depends on it.
                let of_struct = || {
                    structure.parameters.iter().find_map(|other| match &other.kind {
                        Kind::TableStruct { key_name, .. } if *key_name == parameter.name => {
                            given.iter().find(|(name, _)| *name == other.name).map(|(_, value)| value)
                        }
                        _ => None,
                    })
                };
                let name = match own.or_else(of_struct) {
                    Some(Value::Text(name) | Value::Case(name, _)) => name,
                    _ => return Err(missing()),
                };
                let row = table.rows.iter().find(|row| row.name == *name);
                let row = row.ok_or_else(|| fault(format!("its table has no row `{name}`")))?;
                table.key.encode(&row.key, self, bit)
            }
            Kind::TableStruct { table, .. } => {
                let Some(Value::Case(name, content)) = own else { return Err(missing()) };
                let row = table.rows.iter().find(|row| row.name == *name);
                let row = row.ok_or_else(|| fault(format!("its table has no row `{name}`")))?;
                match &row.content {
                    Some(dop) => self.dop(dop, bit, content).map_err(|error| error.within(name)),
                    None => Ok(()),
                }
            }
        }
    }

    fn dop(&mut self, dop: &Dop, bit: u32, value: &Value) -> Coded<()> {
        let items = |value: &Value| match value {
            Value::List(items) => Ok(items.clone()),
            _ => Err(fault("a list is wanted")),
        };
        match dop {
            Dop::Simple(object) => object.encode(value, self, bit),
            Dop::Codes { coded, compu, codes } => {
                let number = match value {
                    Value::Code(number) => *number as f64,
                    Value::Number(number) => *number,
                    Value::Text(text) => {
                        let found = codes.iter().find(|code| code.name == *text || code.display.as_ref() == Some(text));
                        found.ok_or_else(|| fault(format!("there is no trouble code `{text}`")))?.number as f64
                    }
                    _ => return Err(fault("a trouble code is wanted")),
                };
                coded.encode(&compu.internal(&Value::Number(number), coded)?, self, bit)
            }
            Dop::Structure(structure) => self.structure(structure, value),
            Dop::Static { item, count, item_bytes } => {
                let (start, items) = (self.at, items(value)?);
                if items.len() != *count {
                    return Err(fault(format!("{} items are given, it has {count}", items.len())));
                }
                for (idx, value) in items.iter().enumerate() {
                    self.at = idx.saturating_mul(*item_bytes).saturating_add(start);
                    self.structure(item, value)?;
                }
                self.at = start;
                let end = count.checked_mul(*item_bytes).and_then(|n| n.checked_add(start));
                let end = end.filter(|end| *end <= MAX_MESSAGE).ok_or_else(|| fault("the message gets too long"))?;
                self.bytes.resize(self.bytes.len().max(end), 0);
                self.at = end;
                Ok(())
            }
            Dop::EndOfPdu { item, max } => {
                let items = items(value)?;
                if max.is_some_and(|max| items.len() > max) {
                    return Err(fault("too many items"));
                }
                items.iter().try_for_each(|value| self.structure(item, value))
            }
            Dop::Counted { item, offset, byte, bit, count } => {
                let (start, items) = (self.at, items(value)?);
                self.at = start.saturating_add(*byte);
                count.encode(&Value::Number(items.len() as f64), self, *bit)?;
                let after = self.at;
                self.at = start.saturating_add(*offset);
                items.iter().try_for_each(|value| self.structure(item, value))?;
                self.at = self.at.max(after);
                Ok(())
            }
            Dop::Marked { item, marker, value: end } => {
                items(value)?.iter().try_for_each(|value| self.structure(item, value))?;
                if self.is_last { Ok(()) } else { marker.encode(end, self, 0) }
            }
            Dop::Mux(mux) => {
                let Value::Case(name, content) = value else { return Err(fault("a case and its content are wanted")) };
                let case = mux.cases.iter().chain(&mux.default).find(|case| case.name == *name);
                let case = case.ok_or_else(|| fault(format!("there is no case `{name}`")))?;
                let start = self.at;
                self.at = start.saturating_add(mux.key_byte);
                mux.key.encode(&case.low, self, mux.key_bit)?;
                let after_key = self.at;
                self.at = start.saturating_add(mux.byte);
                if let Some(structure) = &case.content {
                    self.structure(structure, content).map_err(|error| error.within(name))?;
                }
                self.at = self.at.max(after_key);
                Ok(())
            }
        }
    }
}

/// The values in a message. `request` is what it answers; empty if that is not known.
pub(super) fn decode(structure: &Structure, data: &[u8], request: &[u8]) -> Coded<Value> {
    let mut reading = Reading { data, request, at: 0, lengths: Vec::new(), n_values: 0 };
    reading.structure(structure)
}

/// The bytes of a message with these values; `request` is what it answers.
pub(super) fn encode(structure: &Structure, values: &Value, request: &[u8]) -> Coded<Vec<u8>> {
    let mut writing = Writing { bytes: Vec::new(), request, at: 0, lengths: Vec::new(), is_last: true, n_values: 0 };
    writing.structure(structure, values)?;
    Ok(writing.bytes)
}
