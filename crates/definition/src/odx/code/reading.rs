//! A message that is being read.

use super::{Coded, MAX_VALUES, Reading, fault, plain};
use crate::odx::types::{Base, Case, Dop, Kind, Mux, Parameter, Row, Structure, Value};

impl<'d> Reading<'d> {
    pub(super) fn take(&mut self, n_bytes: usize) -> Coded<&'d [u8]> {
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

    pub(super) fn structure(&mut self, structure: &Structure) -> Coded<Value> {
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
    fn case(&self, key: &Value) -> Option<&Case> {
        let is_within = |case: &&Case| match (key, &case.low, &case.high) {
            (Value::Number(key), Value::Number(low), Value::Number(high)) => (low..=high).contains(&key),
            (key, low, _) => key == low,
        };
        self.cases.iter().find(is_within).or(self.default.as_ref())
    }
}
