//! `witness completions`: made from the same definitions as the commands themselves.

use clap::CommandFactory;

use crate::cli::{Cli, CompletionsArgs};
use crate::failure::{Exit, Failure};
use crate::output::{print_json, print_text};

pub(crate) fn run(args: &CompletionsArgs, json: bool) -> Result<Exit, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "witness", &mut script);
    // A tab may stand in a script, and is no text from a car: as spaces it means the same.
    let script = String::from_utf8_lossy(&script).replace('\t', "    ");
    if json {
        print_json(&wire::Completions { shell: args.shell.to_string(), script })?;
    } else {
        print_text(&script);
    }
    Ok(Exit::Done)
}
