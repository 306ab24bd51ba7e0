//! One value: its bits, and what they stand for.

use crate::bits::{Bits, Encoding, Raw};

use super::{Coded, MAX_MESSAGE, Reading, Writing, fault};
use crate::odx::types::{Base, CodedType, Compu, DataObject, End, Internal, Length, Value};

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

    pub(super) fn decode(&self, from: &mut Reading<'_>, bit: u32) -> Coded<Internal> {
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

    pub(super) fn encode(&self, value: &Internal, to: &mut Writing<'_>, bit: u32) -> Coded<()> {
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
    pub(super) fn physical(&self, value: Internal, physical: Base) -> Coded<Value> {
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

    pub(super) fn internal(&self, value: &Value, coded: &CodedType) -> Coded<Internal> {
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
    pub(super) fn decode(&self, from: &mut Reading<'_>, bit: u32) -> Coded<Value> {
        let value = self.coded.decode(from, bit)?;
        self.compu.physical(value, self.physical)
    }

    pub(super) fn encode(&self, value: &Value, to: &mut Writing<'_>, bit: u32) -> Coded<()> {
        let value = self.compu.internal(value, &self.coded)?;
        self.coded.encode(&value, to, bit)
    }
}
