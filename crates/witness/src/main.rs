//! The command line of Witnessmark: the workshop at a terminal.
//!
//! Nothing else depends on it, and it must not know how anything is done: a command reads its arguments, calls the
//! workshop and prints what it gives.

mod cli;
mod commands;
mod failure;
mod hold;
mod keys;
mod live;
mod output;
mod stop;

use clap::Parser;

use crate::cli::Cli;

/// Program and version, as it is written into every file.
pub(crate) const SOFTWARE: &str = concat!("witness ", env!("CARGO_PKG_VERSION"));

fn main() -> std::process::ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => return failure::misread(&error),
    };
    let json = cli.json;
    match commands::run(cli).and_then(|exit| output::all_printed().map(|()| exit)) {
        Ok(exit) => exit.into(),
        Err(failure) => {
            failure.report(json);
            failure.exit.into()
        }
    }
}
