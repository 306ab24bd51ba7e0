//! A message that is being made.

use super::{Coded, MAX_MESSAGE, MAX_VALUES, Writing, fault, plain};
use crate::odx::types::{Dop, Kind, Parameter, Structure, Value};

impl Writing<'_> {
    pub(super) fn put(&mut self, bytes: &[u8]) -> Coded<()> {
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

    pub(super) fn structure(&mut self, structure: &Structure, value: &Value) -> Coded<()> {
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
