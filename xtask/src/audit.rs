//! Licences, bans and sources of everything the workspace builds with: of crates by `deny.toml`, of the packages of the
//! pages by the lists here.

use std::process::Command;

use serde_json::Value;

use crate::step::{C_COMPILER, Failure, output, run};
use crate::workspace::Workspace;

/// The release of cargo-deny that `deny.toml` is written for.
const VERSION: &str = "0.20.2";

/// Licences of what is in the pages, and so in the program: permissive, and that of fonts.
const IN_PAGES: [&str; 3] = ["MIT", "Apache-2.0", "OFL-1.1"];
/// Licences of the tools that build and test the pages, besides: they are in no release.
const OF_TOOLS: [&str; 5] = ["MIT OR Apache-2.0", "BSD-3-Clause", "ISC", "0BSD", "MPL-2.0"];

/// Everything that the workspace builds with. Errors: a dependency breaks a rule, or cargo-deny cannot be had.
pub(crate) fn run_all(workspace: &Workspace) -> Result<(), Failure> {
    let lock = workspace.root().join("web/package-lock.json");
    let restore = "restore the lock file of the pages, `web/package-lock.json`";
    let text = std::fs::read_to_string(&lock).map_err(|cause| Failure::new(cause.to_string(), restore))?;
    let lock: Value = serde_json::from_str(&text).map_err(|cause| Failure::new(cause.to_string(), restore))?;
    let complaints = packages_of_pages(&lock);
    if !complaints.is_empty() {
        return Err(Failure::new(complaints.join("\n"), "choose another package, or change the lists in this check"));
    }
    run_deny(workspace)
}

/// Packages of the pages, by name: version, licence, and whether it is only a tool.
pub(crate) fn npm_packages(lock: &Value) -> Vec<(String, &Value)> {
    let packages = lock["packages"].as_object().into_iter().flatten();
    let named = packages.filter_map(|(path, about)| Some((path.rsplit_once("node_modules/")?.1.to_owned(), about)));
    named.collect()
}

/// Names the packages whose licence is not allowed, or that do not come from the registry with a checksum.
fn packages_of_pages(lock: &Value) -> Vec<String> {
    let mut complaints = Vec::new();
    for (name, about) in npm_packages(lock) {
        let licence = about["license"].as_str().unwrap_or("none");
        let is_tool = about["dev"] == true;
        if !(IN_PAGES.contains(&licence) || (is_tool && OF_TOOLS.contains(&licence))) {
            complaints.push(format!("web/package-lock.json: `{name}` has the licence {licence}"));
        }
        // Without a source it comes from the registry.
        let is_known = about["resolved"].as_str().is_none_or(|from| from.starts_with("https://"));
        if !about["integrity"].is_string() || !is_known {
            complaints.push(format!("web/package-lock.json: `{name}` has no checksum, or no source"));
        }
    }
    complaints
}

/// Runs cargo-deny, after building it under `target/tools` where it is not there yet.
///
/// Built without optimisation: that takes 80 s of processor time instead of 180 s, and it checks in a few seconds either way.
///
/// The advisory database is a download of its own and is not asked for: this must also work where only the package
/// registry is reachable. Errors: cargo-deny cannot be had, or a dependency breaks a rule.
fn run_deny(workspace: &Workspace) -> Result<(), Failure> {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_package_of_the_pages_with_a_strange_licence_or_source_is_named() {
        let package = |licence: &str, dev: bool| serde_json::json!({"license": licence, "dev": dev, "integrity": "sha512-x", "resolved": "https://example/x.tgz"});
        let sound = serde_json::json!({"packages": {"": {"license": "GPL-3.0"}, "node_modules/a": package("MIT", false),
            "node_modules/a/node_modules/b": package("MPL-2.0", true)}});
        assert_eq!(packages_of_pages(&sound), [] as [String; 0]);
        let bad = serde_json::json!({"packages": {"node_modules/a": package("MPL-2.0", false),
            "node_modules/b": {"license": "MIT", "resolved": "git+ssh://example/b"}}});
        let said = packages_of_pages(&bad);
        assert!(
            said.len() == 2
                && said[0].contains("`a` has the licence MPL-2.0")
                && said[1].contains("`b` has no checksum")
        );
    }
}
