//! `witness signals`: the names that can be asked for.

use crate::cli::SignalsArgs;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text};

pub(crate) fn run(args: &SignalsArgs, json: bool) -> Result<Exit, Failure> {
    let signals = workshop::known_signals(&workshop::definitions(&args.definitions)?);
    let search = args.search.as_deref().unwrap_or_default().to_lowercase();
    let text = |one: &wire::Signal| format!("{} {} {} {}", one.id, one.title, one.unit, one.modules.join(" "));
    let fits = |signal: &wire::Signal| text(signal).to_lowercase().contains(&search);
    let signals: Vec<wire::Signal> = signals.into_iter().filter(fits).collect();
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
