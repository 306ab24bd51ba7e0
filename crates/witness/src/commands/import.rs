//! `witness import`: a drive from somebody else's recording.

use crate::cli::ImportArgs;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text};

pub(crate) fn run(args: &ImportArgs, json: bool) -> Result<Exit, Failure> {
    let result = super::workshop()?.import(&workshop::Import {
        file: args.file.clone(),
        out: args.out.clone(),
        map: args.map.clone(),
        definitions: args.definitions.clone(),
        bus: args.bus.clone(),
        replace: args.force,
    })?;
    if json {
        print_json(&result)?;
    } else {
        let mut text = format!("{}: {} rows, {} samples\n", result.file, result.rows, result.samples);
        for signal in &result.signals {
            text += &format!("  {}\n", clean(signal));
        }
        for note in &result.notes {
            text += &format!("note: {}\n", clean(note));
        }
        for problem in &result.problems {
            text += &format!("lost: {}\n", clean(problem));
        }
        print_text(&text);
    }
    Ok(if result.problems.is_empty() { Exit::Done } else { Exit::Lost })
}
