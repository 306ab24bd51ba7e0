//! Everything that a program is made of besides its own sources, with the licences.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::audit;
use crate::step::{Failure, output};
use crate::workspace::Workspace;

/// Page with the licences of the standard library, in the archive.
pub(super) const OF_LIBRARY: &str = "THIRD-PARTY-RUST.html";
/// What links a program for Windows puts its own start of programs into it; Debian keeps the licence here.
const MINGW: &str = "/usr/share/doc/mingw-w64-x86-64-dev";
const LIST: &str = "mend the manifest that cargo names";

/// Every package that is in the program for a target, with its licence and the texts that come with it. `library` is
/// the name of the standard library.
pub(super) fn third_party(
    workspace: &Workspace,
    target: &str,
    features: &str,
    library: &str,
) -> Result<String, Failure> {
    let mut cargo = workspace.cargo();
    cargo.args(["metadata", "--format-version", "1", "--locked", "--filter-platform", target]);
    cargo.args(["--features", features]).current_dir(workspace.root().join("crates/witness"));
    let metadata: Value = serde_json::from_str(&output(&mut cargo, LIST)?)
        .map_err(|cause| Failure::new(format!("cargo's list of packages: {cause}"), LIST))?;
    let mut packages = crates_in(&metadata);
    let pages = workspace.root().join("web");
    let lock = fs::read_to_string(pages.join("package-lock.json")).unwrap_or_default();
    let lock: Value = serde_json::from_str(&lock).unwrap_or_default();
    // What builds the pages stays out of them, all but the few lines with which the packer loads their parts.
    let is_in_pages = |(name, about): &(String, &Value)| about["dev"] != true || name == "vite";
    for (name, about) in audit::npm_packages(&lock).into_iter().filter(is_in_pages) {
        let text = |field: &str| about[field].as_str().unwrap_or_default().to_owned();
        let folder = pages.join("node_modules").join(&name);
        packages.push(Third { name, version: text("version"), licence: text("license"), folder });
    }
    if target.contains("windows-gnu") {
        let (name, licence) = ("mingw-w64 runtime".to_owned(), "see below".to_owned());
        packages.push(Third { name, version: String::new(), licence, folder: MINGW.into() });
    }
    Ok(format!("{}\n{library}: MIT OR Apache-2.0, see {OF_LIBRARY}\n", told(&packages).trim_end()))
}

/// A package of somebody else.
struct Third {
    name: String,
    version: String,
    licence: String,
    folder: PathBuf,
}

/// Packages that the program of `cargo metadata` is linked of, those of the workspace left out, by name.
fn crates_in(metadata: &Value) -> Vec<Third> {
    let nodes = metadata["resolve"]["nodes"].as_array().into_iter().flatten();
    let nodes: BTreeMap<&str, &Value> = nodes.filter_map(|node| Some((node["id"].as_str()?, node))).collect();
    let mut open: Vec<&str> = metadata["resolve"]["root"].as_str().into_iter().collect();
    let mut seen = std::collections::BTreeSet::new();
    while let Some(id) = open.pop() {
        if !seen.insert(id) {
            continue;
        }
        let needs = nodes.get(id).and_then(|node| node["deps"].as_array()).into_iter().flatten();
        let is_linked =
            |need: &&Value| need["dep_kinds"].as_array().is_some_and(|all| all.iter().any(|one| one["kind"].is_null()));
        open.extend(needs.filter(is_linked).filter_map(|need| need["pkg"].as_str()));
    }
    let packages = metadata["packages"].as_array().into_iter().flatten();
    let theirs = packages
        .filter(|package| package["source"].is_string() && package["id"].as_str().is_some_and(|id| seen.contains(id)));
    let text = |package: &Value, field: &str| package[field].as_str().unwrap_or_default().to_owned();
    let mut thirds: Vec<Third> = theirs
        .map(|package| Third {
            name: text(package, "name"),
            version: text(package, "version"),
            licence: text(package, "license"),
            folder: Path::new(&text(package, "manifest_path")).parent().unwrap_or(Path::new("")).to_owned(),
        })
        .collect();
    thirds.sort_by(|a, b| (&a.name, &a.version).cmp(&(&b.name, &b.version)));
    thirds
}

/// The list, and below it every text once, with those that it comes from.
fn told(packages: &[Third]) -> String {
    let mut page = String::from("What this program is made of besides its own sources.\n\n");
    let mut texts: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for package in packages {
        let name = format!("{} {}", package.name, package.version);
        page += &format!("{name}: {}\n", package.licence);
        for text in licence_texts(&package.folder) {
            texts.entry(text).or_default().push(name.clone());
        }
    }
    for (text, names) in texts {
        page += &format!("\n{}\n{}:\n\n{}\n", "=".repeat(80), names.join(", "), text.trim());
    }
    page
}

fn licence_texts(folder: &Path) -> Vec<String> {
    let is_licence = |path: &Path| {
        let name = path.file_name().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
        path.is_file()
            && ["license", "licence", "copying", "notice", "copyright"].iter().any(|start| name.starts_with(start))
    };
    let mut paths: Vec<PathBuf> =
        fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    paths.retain(|path| is_licence(path));
    paths.sort();
    paths.iter().filter_map(|path| Some(fs::read_to_string(path).ok()?.replace("\r\n", "\n"))).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    #[test]
    fn only_what_is_linked_is_in_the_list() {
        let package = |name: &str, source: Option<&str>| {
            serde_json::json!({"id": name, "name": name, "version": "1.0.0", "license": "MIT", "source": source,
                "manifest_path": format!("/none/{name}/Cargo.toml")})
        };
        let need = |name: &str, kind: Option<&str>| serde_json::json!({"pkg": name, "dep_kinds": [{"kind": kind}]});
        let metadata = serde_json::json!({
            "packages": [package("own", None), package("b", Some("r")), package("a", Some("r")), package("build", Some("r"))],
            "resolve": {"root": "own", "nodes": [
                {"id": "own", "deps": [need("b", None), need("build", Some("build"))]},
                {"id": "b", "deps": [need("a", None), need("own", Some("dev"))]},
                {"id": "a", "deps": [need("b", None)]},
                {"id": "build", "deps": []},
            ]},
        });
        let names: Vec<String> = crates_in(&metadata).into_iter().map(|third| third.name).collect();
        assert_eq!(names, ["a", "b"]);
    }

    #[test]
    fn a_text_that_many_share_stands_once() {
        let folder = std::env::temp_dir().join(format!("witness-licences-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        fs::write(folder.join("LICENSE-MIT"), "Permission is granted\r\n").unwrap();
        fs::write(folder.join("lib.rs"), "").unwrap();
        let third = |name: &str| Third {
            name: name.to_owned(),
            version: "1.0.0".to_owned(),
            licence: "MIT".to_owned(),
            folder: folder.clone(),
        };
        let page = told(&[third("a"), third("b")]);
        fs::remove_dir_all(&folder).unwrap();
        assert!(
            page.contains("a 1.0.0: MIT\nb 1.0.0: MIT\n")
                && page.contains("a 1.0.0, b 1.0.0:\n\nPermission is granted\n")
        );
        assert_eq!(page.matches("Permission").count(), 1);
    }
}
