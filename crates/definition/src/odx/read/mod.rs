//! From documents to layers: references and inheritance resolved.

mod budget;
mod compu;
mod data_object;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use super::types::{Dop, Dtc, Structure, Table};
use super::xml::Element;
use super::{Layer, LayerKind, MatchingParameter, Service};
use budget::Budget;

/// Deepest chain of layers that inherit from each other; the standard has four kinds.
const MAX_LAYERS: usize = 16;

type Ids<'e> = BTreeMap<&'e str, (usize, &'e Element)>;

/// Why an element cannot be used: the document, its line, and what is wrong.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
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
    let (mut troubles, mut told) = (Vec::new(), BTreeSet::new());
    let mut found: Vec<(usize, LayerKind, &Element)> = Vec::new();
    for (document, (_, root)) in documents.iter().enumerate() {
        root.visit(&mut |element| {
            if let Some(kind) = LayerKind::of(&element.name) {
                found.push((document, kind, element));
            }
        });
    }
    let mut layers = Vec::new();
    let budget = Budget::new();
    for (document, kind, element) in found {
        budget.next_layer();
        let mut scope = Scope {
            ids,
            budget: &budget,
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
            if told.insert(trouble.clone()) {
                troubles.push(trouble);
            }
        }
        if !budget.allows(1) {
            troubles.push(Trouble { document, line: element.line, what: Budget::spent() });
            break;
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
    budget: &'i Budget,
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
        if depth > MAX_LAYERS || !self.budget.allows_parent() {
            self.trouble(layer, format!("more than {MAX_LAYERS} layers inherit from each other"));
            return;
        }
        let of_spec = |spec: &Element| spec.children.iter().map(|list| list.children.len()).sum::<usize>();
        let n_own = layer.list("DIAG-COMMS").count() + layer.child("DIAG-DATA-DICTIONARY-SPEC").map_or(0, of_spec);
        let n_hidden = hidden.comms.len() + hidden.dops.len() + hidden.tables.len() + hidden.responses.len();
        if !self.budget.allows(1 + n_own + n_hidden) {
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
            if !self.budget.allows(1) {
                break;
            }
            services.extend(self.service(comm, &global));
        }
        let jobs = order.iter().filter(|(kind, comm)| *kind == "COMM" && comm.name == "SINGLE-ECU-JOB");
        let jobs = jobs.map(|(_, job)| job.short_name().to_owned()).collect();
        let mut codes: Vec<Dtc> = Vec::new();
        for (_, dop) in order.iter().filter(|(kind, dop)| *kind == "DOP" && dop.name == "DTC-DOP") {
            if let Ok(dop) = self.dop(dop)
                && let Dop::Codes { codes: own, .. } = dop.as_ref()
                && self.budget.allows(own.len())
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
        if depth < MAX_LAYERS && self.budget.allows_parent() {
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
}

/// The long name, if there is one.
fn title(element: &Element) -> Option<String> {
    element.text_of("LONG-NAME").map(str::to_owned)
}

pub(super) fn whole(text: &str) -> Option<i128> {
    match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => i128::from_str_radix(digits, 16).ok(),
        None => text.parse().ok(),
    }
}
