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
        packages.push(Third {
            name,
            version: text("version"),
            licence: text("license"),
            authors: String::new(),
            folder,
        });
    }
    if target.contains("windows-gnu") {
        let (name, version) = ("mingw-w64".to_owned(), "runtime".to_owned());
        let (licence, authors) = ("permissive ones, of each part".to_owned(), String::new());
        packages.push(Third { name, version, licence, authors, folder: MINGW.into() });
    }
    let mit = fs::read_to_string(workspace.root().join("LICENSE-MIT")).unwrap_or_default();
    let head = format!(
        "What this program is made of besides its own sources.\n\n{library}: MIT OR Apache-2.0, see {OF_LIBRARY}\n"
    );
    Ok(head + &told(&packages, &mit))
}

/// A package of somebody else.
struct Third {
    name: String,
    version: String,
    licence: String,
    /// As its manifest names them.
    authors: String,
    folder: PathBuf,
}

impl Third {
    /// The texts that it brings; where it brings none and may be had under the MIT licence, that text (`mit`, with
    /// anybody's name) in the name of its authors.
    fn texts(&self, mit: &str) -> Vec<String> {
        let mut texts = Vec::new();
        licence_texts(&self.folder, true, &mut texts);
        if texts.is_empty()
            && self.licence.contains("MIT")
            && let Some(permission) = mit.find("Permission is hereby granted")
        {
            let authors = if self.authors.is_empty() { "its authors" } else { &self.authors };
            texts.push(format!("MIT License\n\nCopyright (c) {authors}\n\n{}", &mit[permission..]));
        }
        texts
    }
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
    let authors = |package: &Value| {
        let names = package["authors"].as_array().into_iter().flatten().filter_map(Value::as_str);
        names.collect::<Vec<_>>().join(", ")
    };
    let mut thirds: Vec<Third> = theirs
        .map(|package| Third {
            name: text(package, "name"),
            version: text(package, "version"),
            licence: text(package, "license"),
            authors: authors(package),
            folder: Path::new(&text(package, "manifest_path")).parent().unwrap_or(Path::new("")).to_owned(),
        })
        .collect();
    thirds.sort_by(|a, b| (&a.name, &a.version).cmp(&(&b.name, &b.version)));
    thirds
}

/// The list, and below it every text once, with those that it comes from.
fn told(packages: &[Third], mit: &str) -> String {
    let mut page = String::new();
    let mut texts: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for package in packages {
        let name = format!("{} {}", package.name, package.version);
        page += &format!("{name}: {}\n", package.licence);
        for text in package.texts(mit) {
            let names = texts.entry(text).or_default();
            if !names.contains(&name) {
                names.push(name.clone());
            }
        }
    }
    for (text, names) in texts {
        page += &format!("\n{}\n{}:\n\n{}\n", "=".repeat(80), names.join(", "), text.trim());
    }
    page
}

/// Adds the texts in a folder and those below it. Below stand parts that the package took in; what they may be had under
/// besides (`COPYING`) does not count there.
fn licence_texts(folder: &Path, is_top: bool, texts: &mut Vec<String>) {
    let starts: &[&str] = if is_top {
        &["license", "licence", "copying", "notice", "copyright"]
    } else {
        &["license", "licence", "notice"]
    };
    let mut paths: Vec<PathBuf> =
        fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    paths.sort();
    for path in paths {
        let name = path.file_name().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
        if path.is_dir() {
            licence_texts(&path, false, texts);
        } else if starts.iter().any(|start| name.starts_with(start)) && !name.ends_with(".rs") {
            texts.extend(fs::read_to_string(&path).ok().map(|text| text.replace("\r\n", "\n")));
        }
    }
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

    fn third(name: &str, authors: &str, folder: &Path) -> Third {
        let (name, version, authors) = (name.to_owned(), "1.0.0".to_owned(), authors.to_owned());
        Third { name, version, licence: "MIT".to_owned(), authors, folder: folder.to_owned() }
    }

    #[test]
    fn a_text_that_many_share_stands_once() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("LICENSE-MIT"), "Permission is granted\r\n").unwrap();
        fs::write(folder.path().join("lib.rs"), "").unwrap();
        let page = told(&[third("a", "", folder.path()), third("b", "", folder.path())], "");
        assert!(page.contains("a 1.0.0: MIT\nb 1.0.0: MIT\n"), "{page}");
        assert!(page.contains("a 1.0.0, b 1.0.0:\n\nPermission is granted\n"), "{page}");
        assert_eq!(page.matches("Permission").count(), 1);
    }

    #[test]
    fn parts_that_a_package_took_in_bring_their_texts() {
        let folder = tempfile::tempdir().unwrap();
        let below = folder.path().join("third_party");
        fs::create_dir(&below).unwrap();
        fs::write(folder.path().join("COPYING"), "of the package").unwrap();
        fs::write(below.join("LICENSE"), "of the part").unwrap();
        fs::write(below.join("COPYING"), "another choice for the part").unwrap();
        fs::write(below.join("license.rs"), "no licence but a module").unwrap();
        assert_eq!(third("a", "", folder.path()).texts(""), ["of the package", "of the part"]);
    }

    #[test]
    fn a_package_without_a_text_has_the_common_one_in_the_name_of_its_authors() {
        let folder = tempfile::tempdir().unwrap();
        let mit = "MIT License\n\nCopyright (c) 2026 us\n\nPermission is hereby granted, free";
        let text = third("a", "Ann, Bob", folder.path()).texts(mit);
        assert_eq!(text, ["MIT License\n\nCopyright (c) Ann, Bob\n\nPermission is hereby granted, free"]);
    }
}
