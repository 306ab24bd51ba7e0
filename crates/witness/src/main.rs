//! The command line of Witnessmark: wires links, vehicles, drives and evidence together.
//!
//! Nothing else depends on it, and it must not know how anything is computed: a command reads its arguments, calls the
//! rooms of the house in their order and prints what they say.

mod cli;
mod commands;
mod connect;
mod failure;
mod live;
mod output;
mod places;
mod stop;
mod to_wire;

use clap::Parser;

use crate::cli::Cli;

/// Program and version, as it is written into every file.
pub(crate) const SOFTWARE: &str = concat!("witness ", env!("CARGO_PKG_VERSION"));

fn main() -> std::process::ExitCode {
    let cli = Cli::parse();
    let json = cli.json;
    match commands::run(cli) {
        Ok(exit) => exit.into(),
        Err(failure) => {
            failure.report(json);
            failure.exit.into()
        }
    }
}
