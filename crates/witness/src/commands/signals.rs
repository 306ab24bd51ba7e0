//! `witness signals`: the names that can be asked for.

use std::collections::BTreeMap;

use crate::cli::SignalsArgs;
use crate::connect;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text};

pub(crate) fn run(args: &SignalsArgs, json: bool) -> Result<Exit, Failure> {
    let definitions = connect::definitions(&args.definitions)?;
    let mut signals: BTreeMap<String, wire::Signal> = BTreeMap::new();
    for known in signal::Catalogue::standard().iter() {
        let id = known.id.to_string();
        let readable = id == "adapter.voltage";
        let (unit, title) = (known.unit.to_string(), known.title.clone());
        signals.insert(id.clone(), wire::Signal { id, unit, title, vss: known.vss.clone(), readable });
    }
    for definition in definitions.iter() {
        let id = definition.id.to_string();
        let entry = signals.entry(id.clone()).or_insert_with(|| wire::Signal {
            id,
            unit: definition.unit.to_string(),
            title: definition.title.clone(),
            vss: None,
            readable: true,
        });
        entry.readable = true;
    }
    let search = args.search.as_deref().unwrap_or_default().to_lowercase();
    let fits = |signal: &wire::Signal| format!("{} {}", signal.id, signal.title).to_lowercase().contains(&search);
    let signals: Vec<wire::Signal> = signals.into_values().filter(fits).collect();
    if json {
        print_json(&wire::Signals { signals })?;
    } else {
        let line = |signal: &wire::Signal| {
            let note = if signal.readable { "" } else { "  (needs a file of the car's maker)" };
            format!("{:44} {:8} {}{note}\n", clean(&signal.id), clean(&signal.unit), clean(&signal.title))
        };
        let lines: String = signals.iter().map(line).collect();
        print_text(if lines.is_empty() { "no signal of that name\n" } else { &lines });
    }
    Ok(Exit::Done)
}
