//! Licences, bans and sources of everything the workspace builds with, by `deny.toml`.

use std::process::Command;

use crate::step::{C_COMPILER, Failure, output, run};
use crate::workspace::Workspace;

/// The release of cargo-deny that `deny.toml` is written for.
const VERSION: &str = "0.20.2";

/// Runs cargo-deny, after building it under `target/tools` where it is not there yet.
///
/// Built without optimisation: that takes 80 s of processor time instead of 180 s, and it checks in a few seconds either way.
///
/// The advisory database is a download of its own and is not asked for: this must also work where only the package
/// registry is reachable. Errors: cargo-deny cannot be had, or a dependency breaks a rule.
pub(crate) fn run_deny(workspace: &Workspace) -> Result<(), Failure> {
    let folder = workspace.target().join("tools");
    let tool = folder.join("bin").join("cargo-deny");
    let is_installed =
        output(Command::new(&tool).arg("--version"), "").is_ok_and(|said| said.trim().ends_with(VERSION));
    if !is_installed {
        println!("installing cargo-deny {VERSION} under {}, once", folder.display());
        let mut install = workspace.cargo();
        install
            .args(["install", "--quiet", "--debug", "--locked", "cargo-deny", "--version", VERSION, "--root"])
            .arg(&folder);
        install.env("CARGO_PROFILE_DEV_DEBUG", "0");
        run(&mut install, C_COMPILER)?;
    }
    let mut check = Command::new(&tool);
    check.args(["check", "bans", "licenses", "sources"]).current_dir(workspace.root());
    run(&mut check, "choose another dependency, or change `deny.toml` and say why there")
}
