//! `witness definitions check`: what a file of definitions offers, or what is wrong with it.

use crate::cli::DefinitionsCommand;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text};

/// Signals of a message or module that are listed for people; `--json` has all of them.
const MAX_LISTED: usize = 12;

pub(crate) fn run(command: &DefinitionsCommand, json: bool) -> Result<Exit, Failure> {
    let DefinitionsCommand::Check { file, layer, all } = command;
    let result = workshop::check_definitions(file, layer.as_deref())?;
    if json {
        print_json(&result)?;
    } else {
        print_text(&text(&result, if *all { usize::MAX } else { MAX_LISTED }));
    }
    Ok(Exit::Done)
}

fn text(checked: &wire::DefinitionsChecked, max_listed: usize) -> String {
    let mut text = format!("{}: {} ({})\n", checked.file, clean(&checked.title), clean(&checked.origin));
    let vehicles = if checked.fits_vin.is_empty() { "any vehicle".to_owned() } else { checked.fits_vin.join(", ") };
    text += &format!("for {vehicles}\n");
    let signals = |text: &mut String, signals: &[wire::DefinedSignal]| {
        for signal in signals.iter().take(max_listed) {
            *text += &format!("    {} [{}]  {}", clean(&signal.id), clean(&signal.unit), clean(&signal.title));
            *text += &signal.request.as_ref().map_or("\n".to_owned(), |request| format!("  ({request})\n"));
        }
        if signals.len() > max_listed {
            *text += &format!("    and {} more; --all shows them\n", signals.len() - max_listed);
        }
    };
    let actions = |text: &mut String, what: &str, actions: &[wire::DefinedAction]| {
        for action in actions {
            *text += &format!("    {what} {}: {}\n", clean(&action.id), clean(&action.title));
            for line in action.takes.iter().chain(&action.conditions) {
                *text += &format!("      {}\n", clean(line));
            }
            for caution in &action.cautions {
                *text += &format!("      caution: {}\n", clean(caution));
            }
        }
    };
    for module in &checked.modules {
        text += &format!(
            "module {} at {}: {} signals, {} outputs, {} routines, {} codes\n",
            clean(&module.name),
            module.address,
            module.signals.len(),
            module.outputs.len(),
            module.routines.len(),
            module.codes.len()
        );
        signals(&mut text, &module.signals);
        actions(&mut text, "output", &module.outputs);
        actions(&mut text, "routine", &module.routines);
        for code in module.codes.iter().take(max_listed) {
            text += &format!("    {}  {}\n", code.code, clean(&code.text));
        }
    }
    let n_signals: usize = checked.messages.iter().map(|message| message.signals.len()).sum();
    if !checked.messages.is_empty() {
        text += &format!("{} broadcast messages with {n_signals} signals\n", checked.messages.len());
    }
    for message in checked.messages.iter().take(max_listed) {
        let cycle = message.cycle_ms.map_or(String::new(), |cycle| format!(", every {cycle} ms"));
        text += &format!("  {} {}: {} bytes{cycle}\n", message.id, clean(&message.name), message.bytes);
        signals(&mut text, &message.signals);
    }
    if checked.messages.len() > max_listed {
        text += &format!("  and {} more; --all shows them\n", checked.messages.len() - max_listed);
    }
    for problem in &checked.problems {
        text += &format!("problem: {}\n", clean(problem));
    }
    text
}
