//! Structures, parameters, tables and data objects of a layer, and the values that stand in them.

use std::sync::Arc;

use crate::bits::Encoding;

use super::budget::Budget;
use super::compu::compu;
use super::{Read, Scope, title, whole};
use crate::odx::types::{
    Base, Case, CodedType, Compu, DataObject, Dop, Dtc, End, Internal, Kind, Length, Mux, Parameter, Row, Structure,
    Table, Value,
};
use crate::odx::xml::Element;

/// Deepest nesting of structures, fields and tables by what they refer to: each is read within the one before.
const MAX_DEPTH: usize = 64;

impl<'e> Scope<'e, '_> {
    pub(super) fn structure(&mut self, element: &'e Element) -> Read<Structure> {
        let mut parameters = Vec::new();
        for row in element.list("PARAMS") {
            if !self.budget.allows(1) {
                return Err(Budget::spent());
            }
            let parameter = self.parameter(row).map_err(|what| format!("parameter `{}`: {what}", row.short_name()))?;
            parameters.push(parameter);
        }
        // A table's structure may name its key by reference; names are what is looked up later.
        let names: Vec<(String, String)> = parameters
            .iter()
            .filter_map(|parameter| match &parameter.kind {
                Kind::TableKey { id, .. } => Some((id.clone(), parameter.name.clone())),
                _ => None,
            })
            .collect();
        for parameter in &mut parameters {
            if let Kind::TableStruct { key_name, .. } = &mut parameter.kind
                && let Some((_, name)) = names.iter().find(|(id, _)| id == key_name)
            {
                key_name.clone_from(name);
            }
        }
        let n_bytes = number(element, "BYTE-SIZE")?;
        Ok(Structure { name: element.short_name().to_owned(), parameters, n_bytes })
    }

    fn shared_structure(&mut self, element: &'e Element) -> Read<Arc<Structure>> {
        match self.dop(element)?.as_ref() {
            Dop::Structure(structure) => Ok(Arc::clone(structure)),
            _ => Err(format!("`{}` is no structure", element.short_name())),
        }
    }

    fn parameter(&mut self, row: &'e Element) -> Read<Parameter> {
        let kind = match row.attribute("type").unwrap_or_default() {
            "CODED-CONST" => {
                let coded = coded_type(row.child("DIAG-CODED-TYPE"))?;
                let value = internal(row.text_of("CODED-VALUE").ok_or("no CODED-VALUE")?, &coded)?;
                Kind::CodedConst { coded, value }
            }
            "NRC-CONST" => {
                let coded = coded_type(row.child("DIAG-CODED-TYPE"))?;
                let values: Read<_> = row.list("CODED-VALUES").map(|value| internal(&value.text, &coded)).collect();
                Kind::NrcConst { coded, values: values? }
            }
            "PHYS-CONST" => {
                let dop = self.referenced_dop(row)?;
                let value = physical(row.text_of("PHYS-CONSTANT-VALUE").ok_or("no PHYS-CONSTANT-VALUE")?, &dop)?;
                Kind::PhysConst { dop, value }
            }
            // A system parameter is a value that the tester fills in, such as a time.
            "VALUE" | "SYSTEM" => {
                let dop = self.referenced_dop(row)?;
                let default = row.text_of("PHYSICAL-DEFAULT-VALUE").map(|text| physical(text, &dop)).transpose()?;
                Kind::Value { dop, default }
            }
            "RESERVED" => Kind::Reserved { bits: number(row, "BIT-LENGTH")?.ok_or("no BIT-LENGTH")? as u32 },
            "MATCHING-REQUEST-PARAM" => Kind::MatchingRequest {
                byte: number(row, "REQUEST-BYTE-POS")?.ok_or("no REQUEST-BYTE-POS")?,
                n_bytes: number(row, "BYTE-LENGTH")?.ok_or("no BYTE-LENGTH")?,
            },
            "LENGTH-KEY" => Kind::LengthKey {
                id: row.attribute("ID").unwrap_or_default().to_owned(),
                dop: self.referenced_dop(row)?,
            },
            "TABLE-KEY" => {
                let table = self.referenced(row, "TABLE", "TABLE-REF", "TABLE-SNREF")?;
                let id = row.attribute("ID").unwrap_or_default().to_owned();
                Kind::TableKey { id, table: self.table(table)? }
            }
            "TABLE-STRUCT" => {
                let reference = row.child("TABLE-KEY-REF").and_then(|child| child.attribute("ID-REF"));
                let name = row.child("TABLE-KEY-SNREF").and_then(|child| child.attribute("SHORT-NAME"));
                let key_name = reference.or(name).ok_or("no TABLE-KEY-REF")?.to_owned();
                let key = reference.and_then(|id| self.ids.get(id)).map(|(_, element)| *element);
                let table = match key {
                    Some(key) => self.referenced(key, "TABLE", "TABLE-REF", "TABLE-SNREF")?,
                    None => return Err("only a TABLE-KEY-REF can name the key of a table".into()),
                };
                Kind::TableStruct { key_name, table: self.table(table)? }
            }
            other => return Err(format!("parameters of the type `{other}` are not known")),
        };
        let bit = number(row, "BIT-POSITION")?.unwrap_or(0);
        if bit > 7 {
            return Err(format!("BIT-POSITION {bit}"));
        }
        Ok(Parameter {
            name: row.short_name().to_owned(),
            title: title(row),
            byte: number(row, "BYTE-POSITION")?,
            bit: bit as u32,
            kind,
        })
    }

    /// What an element refers to, by ID or by a short name within this layer.
    fn referenced(&self, row: &'e Element, kind: &'static str, by_id: &str, by_name: &str) -> Read<&'e Element> {
        if let Some(id) = row.child(by_id).and_then(|child| child.attribute("ID-REF")) {
            return self.ids.get(id).map(|(_, element)| *element).ok_or_else(|| format!("`{id}` is not in the file"));
        }
        let name = row.child(by_name).and_then(|child| child.attribute("SHORT-NAME"));
        let name = name.ok_or_else(|| format!("neither {by_id} nor {by_name}"))?;
        self.names.get(&(kind, name)).copied().ok_or_else(|| format!("this layer has no `{name}`"))
    }

    fn referenced_dop(&mut self, row: &'e Element) -> Read<Arc<Dop>> {
        let element = self.referenced(row, "DOP", "DOP-REF", "DOP-SNREF")?;
        self.dop(element)
    }

    fn simple(&mut self, element: &'e Element) -> Read<DataObject> {
        match self.dop(element)?.as_ref() {
            Dop::Simple(object) => Ok(object.clone()),
            _ => Err(format!("`{}` is no simple data object", element.short_name())),
        }
    }

    /// A data object. Each is built once.
    pub(super) fn dop(&mut self, element: &'e Element) -> Read<Arc<Dop>> {
        let key = std::ptr::from_ref(element);
        if let Some(built) = self.built.get(&key) {
            return Ok(Arc::clone(built));
        }
        self.enter(element)?;
        let dop = self.new_dop(element).map_err(|what| match what.starts_with('`') {
            true => what,
            false => format!("`{}`: {what}", element.short_name()),
        });
        self.open.remove(&key);
        let dop = Arc::new(dop?);
        self.built.insert(key, Arc::clone(&dop));
        Ok(dop)
    }

    /// Begins to build what may hold others.
    fn enter(&mut self, element: &'e Element) -> Read<()> {
        if self.open.len() >= MAX_DEPTH {
            return Err(format!("`{}` lies deeper than {MAX_DEPTH} in others", element.short_name()));
        }
        let mut n_parts = 0;
        element.visit(&mut |_| n_parts += 1);
        if !self.budget.allows(n_parts) {
            return Err(Budget::spent());
        }
        let is_new = self.open.insert(std::ptr::from_ref(element));
        if is_new { Ok(()) } else { Err(format!("`{}` holds itself", element.short_name())) }
    }

    fn item(&mut self, element: &'e Element) -> Read<Arc<Structure>> {
        let item = self.referenced(element, "DOP", "BASIC-STRUCTURE-REF", "BASIC-STRUCTURE-SNREF")?;
        self.shared_structure(item)
    }

    fn new_dop(&mut self, element: &'e Element) -> Read<Dop> {
        Ok(match element.name.as_str() {
            "DATA-OBJECT-PROP" => Dop::Simple(self.data_object(element)?),
            "DTC-DOP" => {
                let coded = coded_type(element.child("DIAG-CODED-TYPE"))?;
                let n_bits = match coded.length {
                    Length::Standard { bits, .. } => Some(bits),
                    _ => None,
                };
                let mut codes = Vec::new();
                for row in element.list("DTCS") {
                    let row = match row.attribute("ID-REF") {
                        Some(id) => self.ids.get(id).map(|(_, element)| *element).ok_or("a code is not in the file")?,
                        None => row,
                    };
                    let code = row.text_of("TROUBLE-CODE").unwrap_or_default();
                    codes.push(Dtc {
                        name: row.short_name().to_owned(),
                        number: code.parse().map_err(|_| format!("`{code}` is no trouble code"))?,
                        n_bits,
                        display: row.text_of("DISPLAY-TROUBLE-CODE").map(str::to_owned),
                        text: row.text_of("TEXT").unwrap_or_default().to_owned(),
                    });
                }
                let compu = compu(element.child("COMPU-METHOD"))?;
                Dop::Codes { coded, compu, codes }
            }
            "STRUCTURE" | "ENV-DATA" => Dop::Structure(Arc::new(self.structure(element)?)),
            "STATIC-FIELD" => Dop::Static {
                item: self.item(element)?,
                count: number(element, "FIXED-NUMBER-OF-ITEMS")?.ok_or("no FIXED-NUMBER-OF-ITEMS")?,
                item_bytes: number(element, "ITEM-BYTE-SIZE")?.ok_or("no ITEM-BYTE-SIZE")?,
            },
            "END-OF-PDU-FIELD" => {
                Dop::EndOfPdu { item: self.item(element)?, max: number(element, "MAX-NUMBER-OF-ITEMS")? }
            }
            "DYNAMIC-LENGTH-FIELD" => {
                let count = element.child("DETERMINE-NUMBER-OF-ITEMS").ok_or("no DETERMINE-NUMBER-OF-ITEMS")?;
                let object = self.referenced(count, "DOP", "DATA-OBJECT-PROP-REF", "DATA-OBJECT-PROP-SNREF")?;
                Dop::Counted {
                    item: self.item(element)?,
                    offset: number(element, "OFFSET")?.unwrap_or(0),
                    byte: number(count, "BYTE-POSITION")?.unwrap_or(0),
                    bit: number(count, "BIT-POSITION")?.unwrap_or(0) as u32,
                    count: self.simple(object)?,
                }
            }
            "DYNAMIC-ENDMARKER-FIELD" => {
                let end = element.child("DATA-OBJECT-PROP-REF").ok_or("no DATA-OBJECT-PROP-REF")?;
                let object = self.referenced(element, "DOP", "DATA-OBJECT-PROP-REF", "DATA-OBJECT-PROP-SNREF")?;
                let marker = self.simple(object)?;
                let value = end.text_of("TERMINATION-VALUE").ok_or("no TERMINATION-VALUE")?;
                let value = physical(value, &Dop::Simple(marker.clone()))?;
                Dop::Marked { item: self.item(element)?, marker, value }
            }
            "MUX" => Dop::Mux(self.mux(element)?),
            other => return Err(format!("data objects of the kind `{other}` are not known")),
        })
    }

    fn mux(&mut self, element: &'e Element) -> Read<Mux> {
        let switch = element.child("SWITCH-KEY").ok_or("no SWITCH-KEY")?;
        let object = self.referenced(switch, "DOP", "DATA-OBJECT-PROP-REF", "DATA-OBJECT-PROP-SNREF")?;
        let key = self.simple(object)?;
        let key_dop = Dop::Simple(key.clone());
        let content = |scope: &mut Self, row: &'e Element| -> Read<Option<Arc<Structure>>> {
            if row.child("STRUCTURE-REF").is_none() && row.child("STRUCTURE-SNREF").is_none() {
                return Ok(None);
            }
            let element = scope.referenced(row, "DOP", "STRUCTURE-REF", "STRUCTURE-SNREF")?;
            scope.shared_structure(element).map(Some)
        };
        let mut cases = Vec::new();
        for row in element.list("CASES") {
            let limit =
                |key: &str| -> Read<Value> { physical(row.text_of(key).ok_or("a case without limit")?, &key_dop) };
            let low = limit("LOWER-LIMIT")?;
            let high = if row.text_of("UPPER-LIMIT").is_some() { limit("UPPER-LIMIT")? } else { low.clone() };
            cases.push(Case { name: row.short_name().to_owned(), low, high, content: content(self, row)? });
        }
        let default = match element.child("DEFAULT-CASE") {
            None => None,
            Some(row) => {
                let free = free_key(&cases);
                let (low, high) = (Value::Number(free), Value::Number(free));
                Some(Case { name: row.short_name().to_owned(), low, high, content: content(self, row)? })
            }
        };
        Ok(Mux {
            byte: number(element, "BYTE-POSITION")?.unwrap_or(0),
            key_byte: number(switch, "BYTE-POSITION")?.unwrap_or(0),
            key_bit: number(switch, "BIT-POSITION")?.unwrap_or(0) as u32,
            key,
            cases,
            default,
        })
    }

    fn table(&mut self, element: &'e Element) -> Read<Arc<Table>> {
        let key = std::ptr::from_ref(element);
        if let Some(built) = self.tables.get(&key) {
            return Ok(Arc::clone(built));
        }
        self.enter(element)?;
        let table = self.new_table(element);
        self.open.remove(&key);
        let table = Arc::new(table?);
        self.tables.insert(key, Arc::clone(&table));
        Ok(table)
    }

    fn new_table(&mut self, element: &'e Element) -> Read<Table> {
        let object = self.referenced(element, "DOP", "KEY-DOP-REF", "KEY-DOP-SNREF")?;
        let key = self.simple(object)?;
        let mut rows = Vec::new();
        for row in element.children.iter().filter(|child| child.name == "TABLE-ROW") {
            let text = row.text_of("KEY").ok_or("a row without KEY")?;
            let refers = |names: [&str; 2]| names.iter().any(|name| row.child(name).is_some());
            let content = if refers(["STRUCTURE-REF", "STRUCTURE-SNREF"]) {
                let structure = self.referenced(row, "DOP", "STRUCTURE-REF", "STRUCTURE-SNREF")?;
                Some(self.dop(structure)?)
            } else if refers(["DATA-OBJECT-PROP-REF", "DATA-OBJECT-PROP-SNREF"]) {
                let object = self.referenced(row, "DOP", "DATA-OBJECT-PROP-REF", "DATA-OBJECT-PROP-SNREF")?;
                Some(self.dop(object)?)
            } else {
                None
            };
            rows.push(Row {
                name: row.short_name().to_owned(),
                key: physical(text, &Dop::Simple(key.clone()))?,
                content,
            });
        }
        Ok(Table { key, rows })
    }

    fn data_object(&mut self, element: &'e Element) -> Read<DataObject> {
        let coded = coded_type(element.child("DIAG-CODED-TYPE"))?;
        let physical = element.child("PHYSICAL-TYPE").and_then(|child| child.attribute("BASE-DATA-TYPE"));
        let physical = physical.and_then(Base::of).unwrap_or(coded.base);
        let unit = element.child("UNIT-REF").and_then(|child| child.attribute("ID-REF"));
        let unit = unit
            .and_then(|id| self.ids.get(id))
            .map(|(_, unit)| unit.text_of("DISPLAY-NAME").unwrap_or_else(|| unit.short_name()).to_owned());
        let compu = compu(element.child("COMPU-METHOD"))?;
        Ok(DataObject { name: element.short_name().to_owned(), coded, physical, compu, unit })
    }
}

fn number(element: &Element, name: &str) -> Read<Option<usize>> {
    let parse = |text: &str| text.parse().map_err(|_| format!("{name} `{text}` is no whole number"));
    element.text_of(name).map(parse).transpose()
}

fn coded_type(element: Option<&Element>) -> Read<CodedType> {
    let element = element.ok_or("no DIAG-CODED-TYPE")?;
    let text = element.attribute("BASE-DATA-TYPE").unwrap_or_default();
    let base = Base::of(text).ok_or_else(|| format!("the type `{text}` is not known"))?;
    let encoding = match element.attribute("BASE-TYPE-ENCODING") {
        Some("1C") => Encoding::OnesComplement,
        Some("SM") => Encoding::SignMagnitude,
        Some("BCD-P") => Encoding::PackedBcd,
        Some("BCD-UP") => Encoding::UnpackedBcd,
        _ if base == Base::Int => Encoding::TwosComplement,
        _ => Encoding::Unsigned,
    };
    let length = match element.attribute("type").unwrap_or_default() {
        "STANDARD-LENGTH-TYPE" => {
            if element.attribute("CONDENSED") == Some("true") {
                return Err("condensed bit masks are not supported".into());
            }
            let mask = element.text_of("BIT-MASK").map(|mask| {
                u64::from_str_radix(mask, 16).map_err(|_| format!("the mask `{mask}` is no number of 64 bits"))
            });
            let bits = number(element, "BIT-LENGTH")?.ok_or("no BIT-LENGTH")?;
            Length::Standard {
                bits: u32::try_from(bits).map_err(|_| "a BIT-LENGTH beyond all limits")?,
                mask: mask.transpose()?,
            }
        }
        "LEADING-LENGTH-INFO-TYPE" => {
            let bits = number(element, "BIT-LENGTH")?.ok_or("no BIT-LENGTH")?;
            Length::Leading { bits: u32::try_from(bits).map_err(|_| "a BIT-LENGTH beyond all limits")? }
        }
        "PARAM-LENGTH-INFO-TYPE" => {
            let key = element.child("LENGTH-KEY-REF").and_then(|child| child.attribute("ID-REF"));
            Length::Parameter { key: key.ok_or("no LENGTH-KEY-REF")?.to_owned() }
        }
        "MIN-MAX-LENGTH-TYPE" => Length::MinMax {
            min: number(element, "MIN-LENGTH")?.unwrap_or(0),
            max: number(element, "MAX-LENGTH")?,
            end: match element.attribute("TERMINATION") {
                Some("ZERO") => End::Zero,
                Some("HEX-FF") => End::Ff,
                _ => End::Pdu,
            },
        },
        other => return Err(format!("the coded type `{other}` is not known")),
    };
    if base.is_number() && matches!(length, Length::MinMax { .. } | Length::Leading { .. }) {
        return Err("a number has no variable length".into());
    }
    let high_low = element.attribute("IS-HIGHLOW-BYTE-ORDER") != Some("false");
    Ok(CodedType { base, encoding, high_low, length })
}

/// A constant as it is sent.
fn internal(text: &str, coded: &CodedType) -> Read<Internal> {
    let wrong = || format!("`{text}` is no value of its type");
    Ok(match coded.base {
        Base::Int | Base::Uint => Internal::Whole(whole(text).ok_or_else(wrong)?),
        Base::Float32 | Base::Float64 => Internal::Real(text.parse().map_err(|_| wrong())?),
        Base::Bytes => Internal::Bytes(bytes(text).ok_or_else(wrong)?),
        Base::Ascii | Base::Utf8 | Base::Unicode2 => Internal::Text(text.to_owned()),
    })
}

fn bytes(text: &str) -> Option<Vec<u8>> {
    let digits = text.as_bytes();
    let pairs = digits.chunks(2).map(|pair| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok());
    if digits.len().is_multiple_of(2) { pairs.collect() } else { None }
}

/// A value as people write it, for a data object.
fn physical(text: &str, dop: &Dop) -> Read<Value> {
    let wrong = || format!("`{text}` is no value of its data object");
    match dop {
        Dop::Simple(object) => Ok(match (&object.compu, object.physical) {
            (Compu::Texts { .. }, _) | (_, Base::Ascii | Base::Utf8 | Base::Unicode2) => Value::Text(text.to_owned()),
            (_, Base::Bytes) => Value::Bytes(bytes(text).ok_or_else(wrong)?),
            _ => match whole(text) {
                Some(number) => Value::Number(number as f64),
                None => Value::Number(text.parse().map_err(|_| wrong())?),
            },
        }),
        Dop::Codes { codes, .. } => {
            let by_name = codes.iter().find(|code| code.name == text || code.display.as_deref() == Some(text));
            match (by_name, text.parse()) {
                (Some(code), _) => Ok(Value::Code(code.number)),
                (None, Ok(number)) => Ok(Value::Code(number)),
                (None, Err(_)) => Err(wrong()),
            }
        }
        _ => Err("only simple data objects can have a value in the file".into()),
    }
}

/// A key that belongs to no case: the first whole number that is free.
fn free_key(cases: &[Case]) -> f64 {
    let mut taken: Vec<(f64, f64)> = cases
        .iter()
        .filter_map(|case| match (&case.low, &case.high) {
            (Value::Number(low), Value::Number(high)) => Some((*low, *high)),
            _ => None,
        })
        .collect();
    taken.sort_by(|a, b| a.0.total_cmp(&b.0));
    let behind =
        |free: f64, (low, high): (f64, f64)| if (low..=high).contains(&free) { high.floor() + 1.0 } else { free };
    let free = taken.into_iter().fold(0.0, behind);
    if free <= f64::from(u16::MAX) { free } else { 0.0 }
}
