//! From documents to layers: references and inheritance resolved.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use crate::bits::Encoding;
use crate::conversion::{Conversion, Interval, Piece, Quotient};

use super::types::{
    Base, Case, CodedType, Compu, DataObject, Dop, Dtc, End, Internal, Kind, Length, Mux, Parameter, Row, Structure,
    Table, TextRow, Value,
};
use super::xml::Element;
use super::{Layer, LayerKind, MatchingParameter, Service};

/// Deepest chain of layers that inherit from each other; the standard has four kinds.
const MAX_LAYERS: usize = 16;

type Ids<'e> = BTreeMap<&'e str, (usize, &'e Element)>;

/// Why an element cannot be used: the document, its line, and what is wrong.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Trouble {
    pub(super) document: usize,
    pub(super) line: usize,
    pub(super) what: String,
}

type Read<T> = Result<T, String>;

/// Kinds of elements that are a data object.
const DOPS: [&str; 9] = [
    "DATA-OBJECT-PROP",
    "DTC-DOP",
    "STRUCTURE",
    "ENV-DATA",
    "STATIC-FIELD",
    "END-OF-PDU-FIELD",
    "DYNAMIC-LENGTH-FIELD",
    "DYNAMIC-ENDMARKER-FIELD",
    "MUX",
];

/// Every layer of the documents.
pub(super) fn layers(documents: &[(String, Element)], ids: &Ids<'_>) -> (Vec<Layer>, Vec<Trouble>) {
    let mut troubles = Vec::new();
    let mut found: Vec<(usize, LayerKind, &Element)> = Vec::new();
    for (document, (_, root)) in documents.iter().enumerate() {
        root.visit(&mut |element| {
            if let Some(kind) = LayerKind::of(&element.name) {
                found.push((document, kind, element));
            }
        });
    }
    let mut layers = Vec::new();
    for (document, kind, element) in found {
        let mut scope = Scope {
            ids,
            document,
            order: Vec::new(),
            names: HashMap::new(),
            built: HashMap::new(),
            tables: HashMap::new(),
            open: BTreeSet::new(),
            troubles: Vec::new(),
        };
        scope.inherit(element, &Hidden::default(), 0);
        layers.push(scope.layer(element, kind));
        for trouble in scope.troubles {
            if !troubles.contains(&trouble) {
                troubles.push(trouble);
            }
        }
    }
    (layers, troubles)
}

/// What a layer does not take over from its parents, by short name.
#[derive(Default, Clone)]
struct Hidden<'e> {
    comms: BTreeSet<&'e str>,
    dops: BTreeSet<&'e str>,
    tables: BTreeSet<&'e str>,
    responses: BTreeSet<&'e str>,
}

/// One layer while it is read: what it has itself and what it has from its parents.
struct Scope<'e, 'i> {
    ids: &'i Ids<'e>,
    document: usize,
    /// Services and global negative responses, nearest first.
    order: Vec<(&'static str, &'e Element)>,
    /// By kind and short name; the nearest counts.
    names: HashMap<(&'static str, &'e str), &'e Element>,
    built: HashMap<*const Element, Arc<Dop>>,
    tables: HashMap<*const Element, Arc<Table>>,
    /// What is being built: a structure that holds itself never ends.
    open: BTreeSet<*const Element>,
    troubles: Vec<Trouble>,
}

impl<'e> Scope<'e, '_> {
    fn trouble(&mut self, element: &Element, what: String) {
        self.troubles.push(Trouble { document: self.document, line: element.line, what });
    }

    /// Takes in what a layer has, then what its parents have.
    fn inherit(&mut self, layer: &'e Element, hidden: &Hidden<'e>, depth: usize) {
        if depth > MAX_LAYERS {
            self.trouble(layer, format!("more than {MAX_LAYERS} layers inherit from each other"));
            return;
        }
        let mut add = |kind: &'static str, element: &'e Element, hidden: &BTreeSet<&str>| {
            let name = element.short_name();
            if !hidden.contains(name) && !self.names.contains_key(&(kind, name)) {
                self.names.insert((kind, name), element);
                self.order.push((kind, element));
            }
        };
        for comm in layer.list("DIAG-COMMS") {
            // A reference brings in a service of another layer.
            let comm = match comm.attribute("ID-REF") {
                Some(id) => self.ids.get(id).map(|(_, element)| *element),
                None => Some(comm),
            };
            if let Some(comm) = comm {
                add("COMM", comm, &hidden.comms);
            }
        }
        for list in layer.child("DIAG-DATA-DICTIONARY-SPEC").map(|spec| spec.children.as_slice()).unwrap_or_default() {
            for element in &list.children {
                match element.name.as_str() {
                    "TABLE" => add("TABLE", element, &hidden.tables),
                    name if DOPS.contains(&name) => add("DOP", element, &hidden.dops),
                    _ => {}
                }
            }
        }
        for response in layer.list("GLOBAL-NEG-RESPONSES") {
            add("GLOBAL", response, &hidden.responses);
        }
        for parent in layer.list("PARENT-REFS") {
            let Some((_, element)) = parent.attribute("ID-REF").and_then(|id| self.ids.get(id)) else {
                let id = parent.attribute("ID-REF").unwrap_or_default().to_owned();
                self.trouble(parent, format!("the parent layer `{id}` is not in the file"));
                continue;
            };
            let mut hidden = hidden.clone();
            for (list, into) in [
                ("NOT-INHERITED-DIAG-COMMS", &mut hidden.comms),
                ("NOT-INHERITED-DOPS", &mut hidden.dops),
                ("NOT-INHERITED-TABLES", &mut hidden.tables),
                ("NOT-INHERITED-GLOBAL-NEG-RESPONSES", &mut hidden.responses),
            ] {
                let names =
                    parent.list(list).flat_map(|row| &row.children).filter_map(|row| row.attribute("SHORT-NAME"));
                into.extend(names);
            }
            self.inherit(element, &hidden, depth + 1);
        }
    }

    fn layer(&mut self, element: &'e Element, kind: LayerKind) -> Layer {
        let order = self.order.clone();
        let global: Vec<Arc<Structure>> = order
            .iter()
            .filter(|(kind, _)| *kind == "GLOBAL")
            .filter_map(|(_, response)| self.message(response))
            .collect();
        let mut services = Vec::new();
        for (_, comm) in order.iter().filter(|(kind, comm)| *kind == "COMM" && comm.name == "DIAG-SERVICE") {
            services.extend(self.service(comm, &global));
        }
        let jobs = order.iter().filter(|(kind, comm)| *kind == "COMM" && comm.name == "SINGLE-ECU-JOB");
        let jobs = jobs.map(|(_, job)| job.short_name().to_owned()).collect();
        let mut codes: Vec<Dtc> = Vec::new();
        for (_, dop) in order.iter().filter(|(kind, dop)| *kind == "DOP" && dop.name == "DTC-DOP") {
            if let Ok(dop) = self.dop(dop)
                && let Dop::Codes { codes: own, .. } = dop.as_ref()
            {
                codes.extend(own.iter().cloned());
            }
        }
        let patterns = element
            .list("ECU-VARIANT-PATTERNS")
            .chain(element.list("BASE-VARIANT-PATTERN").take(0))
            .chain(element.children.iter().filter(|child| child.name == "BASE-VARIANT-PATTERN"));
        let patterns = patterns.map(|pattern| {
            let lists = ["MATCHING-PARAMETERS", "MATCHING-BASE-VARIANT-PARAMETERS"];
            let rows = lists.iter().flat_map(|list| pattern.list(list));
            rows.map(|row| {
                let name_of = |key: &str| row.child(key).and_then(|child| child.attribute("SHORT-NAME"));
                let path = row.child("OUT-PARAM-IF-SNPATHREF").and_then(|child| child.attribute("SHORT-NAME-PATH"));
                MatchingParameter {
                    expected: row.text_of("EXPECTED-VALUE").unwrap_or_default().to_owned(),
                    service: name_of("DIAG-COMM-SNREF").unwrap_or_default().to_owned(),
                    parameter: name_of("OUT-PARAM-IF-SNREF").or(path).unwrap_or_default().to_owned(),
                }
            })
            .collect()
        });
        Layer {
            kind,
            name: element.short_name().to_owned(),
            title: title(element),
            parents: element.list("PARENT-REFS").filter_map(|row| row.attribute("ID-REF")).map(str::to_owned).collect(),
            id: element.attribute("ID").unwrap_or_default().to_owned(),
            patterns: patterns.collect(),
            services,
            jobs,
            codes,
            parameters: self.communication(element, 0),
        }
    }

    /// Communication parameters by the last part of their IDs, own ones before those of parents.
    fn communication(&self, layer: &'e Element, depth: usize) -> BTreeMap<String, Vec<String>> {
        let mut found: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for row in layer.list("COMPARAM-REFS") {
            let id = row.attribute("ID-REF").unwrap_or_default();
            let name = id.rsplit('.').next().unwrap_or(id);
            let simple = row.children.iter().filter(|child| matches!(child.name.as_str(), "SIMPLE-VALUE" | "VALUE"));
            let complex = row.list("COMPLEX-VALUE").filter(|child| child.name == "SIMPLE-VALUE");
            let values: Vec<String> = simple.chain(complex).map(|value| value.text.clone()).collect();
            found.entry(name.to_owned()).or_insert(values);
        }
        if depth < MAX_LAYERS {
            for parent in layer.list("PARENT-REFS") {
                if let Some((_, parent)) = parent.attribute("ID-REF").and_then(|id| self.ids.get(id)) {
                    for (name, values) in self.communication(parent, depth + 1) {
                        found.entry(name).or_insert(values);
                    }
                }
            }
        }
        found
    }

    fn service(&mut self, comm: &'e Element, global: &[Arc<Structure>]) -> Option<Service> {
        let message = |scope: &mut Self, reference: &'e Element| {
            let id = reference.attribute("ID-REF").unwrap_or_default();
            let Some((_, element)) = scope.ids.get(id) else {
                scope.trouble(reference, format!("`{id}` is not in the file"));
                return None;
            };
            scope.message(element)
        };
        let request = comm.child("REQUEST-REF").and_then(|reference| message(self, reference))?;
        let mut responses = |list: &str| -> Vec<Arc<Structure>> {
            comm.list(list).filter_map(|reference| message(self, reference)).collect()
        };
        let positive = responses("POS-RESPONSE-REFS");
        let mut negative = responses("NEG-RESPONSE-REFS");
        negative.extend(global.iter().cloned());
        Some(Service {
            name: comm.short_name().to_owned(),
            title: title(comm),
            semantic: comm.attribute("SEMANTIC").map(str::to_owned),
            request,
            positive,
            negative,
        })
    }

    /// A request or response; `None`, and a word about it, if a part of it cannot be used.
    fn message(&mut self, element: &'e Element) -> Option<Arc<Structure>> {
        match self.structure(element) {
            Ok(structure) => Some(Arc::new(structure)),
            Err(what) => {
                self.trouble(element, format!("`{}`: {what}", element.short_name()));
                None
            }
        }
    }

    fn structure(&mut self, element: &'e Element) -> Read<Structure> {
        let mut parameters = Vec::new();
        for row in element.list("PARAMS") {
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
    fn dop(&mut self, element: &'e Element) -> Read<Arc<Dop>> {
        let key = std::ptr::from_ref(element);
        if let Some(built) = self.built.get(&key) {
            return Ok(Arc::clone(built));
        }
        if !self.open.insert(key) {
            return Err(format!("`{}` holds itself", element.short_name()));
        }
        let dop = self.new_dop(element).map_err(|what| match what.starts_with('`') {
            true => what,
            false => format!("`{}`: {what}", element.short_name()),
        });
        self.open.remove(&key);
        let dop = Arc::new(dop?);
        self.built.insert(key, Arc::clone(&dop));
        Ok(dop)
    }

    fn item(&mut self, element: &'e Element) -> Read<Arc<Structure>> {
        let item = self.referenced(element, "DOP", "BASIC-STRUCTURE-REF", "BASIC-STRUCTURE-SNREF")?;
        self.shared_structure(item)
    }

    fn new_dop(&mut self, element: &'e Element) -> Read<Dop> {
        Ok(match element.name.as_str() {
            "DATA-OBJECT-PROP" => Dop::Simple(self.data_object(element)?),
            "DTC-DOP" => {
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
                        display: row.text_of("DISPLAY-TROUBLE-CODE").map(str::to_owned),
                        text: row.text_of("TEXT").unwrap_or_default().to_owned(),
                    });
                }
                let coded = coded_type(element.child("DIAG-CODED-TYPE"))?;
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
                // A key that belongs to no other case: the first whole number that is free.
                let is_taken = |number: f64| {
                    cases.iter().any(|case| match (&case.low, &case.high) {
                        (Value::Number(low), Value::Number(high)) => (*low..=*high).contains(&number),
                        _ => false,
                    })
                };
                let free = (0..=u32::from(u16::MAX)).map(f64::from).find(|number| !is_taken(*number)).unwrap_or(0.0);
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
        if !self.open.insert(key) {
            return Err(format!("`{}` holds itself", element.short_name()));
        }
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

/// The long name, if there is one.
fn title(element: &Element) -> Option<String> {
    element.text_of("LONG-NAME").map(str::to_owned)
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

pub(super) fn whole(text: &str) -> Option<i128> {
    match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => i128::from_str_radix(digits, 16).ok(),
        None => text.parse().ok(),
    }
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

fn compu(element: Option<&Element>) -> Read<Compu> {
    let Some(element) = element else { return Ok(Compu::Identical) };
    let category = element.text_of("CATEGORY").unwrap_or("IDENTICAL");
    let forward = element.child("COMPU-INTERNAL-TO-PHYS");
    let backward = element.child("COMPU-PHYS-TO-INTERNAL");
    let scales = |side: Option<&Element>| -> Read<Vec<Scale>> {
        side.map(|side| side.list("COMPU-SCALES").map(Scale::of).collect()).unwrap_or(Ok(Vec::new()))
    };
    let limits_of = |rows: &[Scale]| Interval {
        low: rows.iter().map(|row| row.raw.low).fold(f64::INFINITY, f64::min),
        high: rows.iter().map(|row| row.raw.high).fold(f64::NEG_INFINITY, f64::max),
        low_is_open: rows.first().is_some_and(|row| row.raw.low_is_open),
        high_is_open: rows.last().is_some_and(|row| row.raw.high_is_open),
    };
    let checked = |conversion: Conversion| match conversion.problem() {
        Some(problem) => Err(problem.to_owned()),
        None => Ok(conversion),
    };
    Ok(match category {
        "IDENTICAL" => Compu::Identical,
        "LINEAR" => {
            let rows = scales(forward)?;
            let [row] = rows.as_slice() else { return Err("LINEAR needs one scale".into()) };
            Compu::Number { forward: Some(checked(row.linear()?)?), backward: None, limits: row.raw }
        }
        "RAT-FUNC" => {
            let one = |side: Option<&Element>| -> Read<Option<(Conversion, Interval)>> {
                let rows = scales(side)?;
                let Some(row) = rows.first() else { return Ok(None) };
                Ok(Some((checked(Conversion::Rational(row.quotient()?))?, row.raw)))
            };
            let (there, back) = (one(forward)?, one(backward)?);
            let limits = there.as_ref().map_or(Interval::ALL, |(_, limits)| *limits);
            Compu::Number { forward: there.map(|(row, _)| row), backward: back.map(|(row, _)| row), limits }
        }
        "SCALE-LINEAR" | "SCALE-RAT-FUNC" => {
            let pieces = |side: Option<&Element>| -> Read<Option<(Conversion, Interval)>> {
                let rows = scales(side)?;
                if rows.is_empty() {
                    return Ok(None);
                }
                let pieces: Read<Vec<Piece>> = rows
                    .iter()
                    .map(|row| Ok(Piece { raw: row.raw, quotient: row.quotient()?, inverse: row.inverse }))
                    .collect();
                Ok(Some((checked(Conversion::Pieces(pieces?))?, limits_of(&rows))))
            };
            let (there, back) = (pieces(forward)?, pieces(backward)?);
            let limits = there.as_ref().map_or(Interval::ALL, |(_, limits)| *limits);
            Compu::Number { forward: there.map(|(row, _)| row), backward: back.map(|(row, _)| row), limits }
        }
        "TAB-INTP" => {
            let rows = scales(forward)?;
            let points: Read<Vec<(f64, f64)>> = rows
                .iter()
                .map(|row| {
                    let value = row.text.as_ref().and_then(|text| text.parse().ok());
                    Ok((row.raw.low, value.ok_or("a point without a number")?))
                })
                .collect();
            Compu::Number { forward: Some(checked(Conversion::Table(points?))?), backward: None, limits: Interval::ALL }
        }
        "TEXTTABLE" => {
            let mut texts = Vec::new();
            for row in scales(forward)? {
                let text = row.text.clone().ok_or("a scale without text")?;
                let inverse = row.inverse.unwrap_or(if row.raw.low.is_finite() { row.raw.low } else { row.raw.high });
                texts.push(TextRow { raw: row.raw, text, inverse });
            }
            let default = forward.and_then(|side| side.child("COMPU-DEFAULT-VALUE")).and_then(|value| {
                let inverse = value.child("COMPU-INVERSE-VALUE").and_then(|child| child.text_of("V"));
                Some((value.text_of("VT")?.to_owned(), inverse.and_then(|text| text.parse().ok())))
            });
            Compu::Texts { rows: texts, default }
        }
        "COMPUCODE" => return Err("it is computed by program code, which is not run".into()),
        other => return Err(format!("the computation `{other}` is not known")),
    })
}

/// One COMPU-SCALE.
struct Scale {
    raw: Interval,
    /// Text or number of its constant.
    text: Option<String>,
    inverse: Option<f64>,
    coefficients: Option<Quotient>,
}

impl Scale {
    fn of(element: &Element) -> Read<Self> {
        let limit = |name: &str, other: &str, none: f64| -> Read<(f64, bool)> {
            let Some(limit) = element.child(name) else {
                // A lower limit alone means one value in tables of texts; elsewhere no limit.
                let is_text = element.child("COMPU-CONST").is_some();
                let single = element.child(other).filter(|_| is_text).and_then(|limit| limit.text.parse().ok());
                return Ok((single.unwrap_or(none), false));
            };
            match limit.attribute("INTERVAL-TYPE") {
                Some("INFINITE") => Ok((none, false)),
                kind => {
                    let number = limit.text.parse().map_err(|_| format!("the limit `{}` is no number", limit.text))?;
                    Ok((number, kind == Some("OPEN")))
                }
            }
        };
        let (low, low_is_open) = limit("LOWER-LIMIT", "UPPER-LIMIT", f64::NEG_INFINITY)?;
        let (high, high_is_open) = limit("UPPER-LIMIT", "LOWER-LIMIT", f64::INFINITY)?;
        let constant = element.child("COMPU-CONST");
        let text = constant.and_then(|child| child.text_of("VT").or_else(|| child.text_of("V"))).map(str::to_owned);
        let inverse = element.child("COMPU-INVERSE-VALUE").and_then(|child| child.text_of("V"));
        let coefficients = element.child("COMPU-RATIONAL-COEFFS").map(|child| {
            let list = |name: &str| -> Read<Vec<f64>> {
                let parse = |v: &Element| v.text.parse().map_err(|_| format!("`{}` is no coefficient", v.text));
                child.list(name).map(parse).collect()
            };
            Ok::<_, String>(Quotient { numerator: list("COMPU-NUMERATOR")?, denominator: list("COMPU-DENOMINATOR")? })
        });
        // A constant number is a function too.
        let of_constant = text.as_ref().and_then(|text| text.parse().ok());
        let of_constant = of_constant.map(|number| Quotient { numerator: vec![number], denominator: Vec::new() });
        Ok(Self {
            raw: Interval { low, high, low_is_open, high_is_open },
            inverse: inverse.and_then(|text| text.parse().ok()),
            coefficients: coefficients.transpose()?.or(of_constant),
            text,
        })
    }

    fn quotient(&self) -> Read<Quotient> {
        self.coefficients.clone().ok_or_else(|| "a scale without coefficients".to_owned())
    }

    fn linear(&self) -> Read<Conversion> {
        let Quotient { numerator, denominator } = self.quotient()?;
        match (numerator.as_slice(), denominator.as_slice()) {
            ([v0, v1], []) => Ok(Conversion::Linear { multiply: *v1, divide: 1.0, offset: *v0 }),
            ([v0, v1], [d0]) if *d0 != 0.0 => Ok(Conversion::Linear { multiply: *v1, divide: *d0, offset: v0 / d0 }),
            _ => Err("LINEAR has two coefficients above the line and at most one below".into()),
        }
    }
}
