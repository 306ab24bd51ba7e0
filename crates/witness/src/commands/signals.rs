//! `witness signals`: the names that can be asked for.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::cli::SignalsArgs;
use crate::connect;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text};

#[derive(Serialize)]
struct SignalsJson {
    signals: Vec<SignalJson>,
}

#[derive(Serialize)]
struct SignalJson {
    id: String,
    unit: String,
    title: String,
    /// Counterpart in the open vehicle signal catalogue.
    vss: Option<String>,
    /// Whether a definition says how to read it from a car.
    readable: bool,
}

pub(crate) fn run(args: &SignalsArgs, json: bool) -> Result<Exit, Failure> {
    let definitions = connect::definitions(&args.definitions)?;
    let mut signals: BTreeMap<String, SignalJson> = BTreeMap::new();
    for known in signal::Catalogue::standard().iter() {
        let id = known.id.to_string();
        let readable = id == "adapter.voltage";
        let (unit, title) = (known.unit.to_string(), known.title.clone());
        signals.insert(id.clone(), SignalJson { id, unit, title, vss: known.vss.clone(), readable });
    }
    for definition in definitions.iter() {
        let id = definition.id.to_string();
        let entry = signals.entry(id.clone()).or_insert_with(|| SignalJson {
            id,
            unit: definition.unit.to_string(),
            title: definition.title.clone(),
            vss: None,
            readable: true,
        });
        entry.readable = true;
    }
    let search = args.search.as_deref().unwrap_or_default().to_lowercase();
    let fits = |signal: &SignalJson| format!("{} {}", signal.id, signal.title).to_lowercase().contains(&search);
    let signals: Vec<SignalJson> = signals.into_values().filter(fits).collect();
    if json {
        print_json(&SignalsJson { signals })?;
    } else {
        let line = |signal: &SignalJson| {
            let note = if signal.readable { "" } else { "  (needs a file of the car's maker)" };
            format!("{:44} {:8} {}{note}\n", clean(&signal.id), clean(&signal.unit), clean(&signal.title))
        };
        let lines: String = signals.iter().map(line).collect();
        print_text(if lines.is_empty() { "no signal of that name\n" } else { &lines });
    }
    Ok(Exit::Done)
}
