//! The rules of the house: sentences of the architecture page and of our taste that a program can check.
//!
//! Each rule is a pure function from what was read to complaints, so that its tests can break it.

mod crates;
mod markdown;
mod pages;
mod purity;
mod security;
mod words;

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use crate::step::Failure;
use crate::workspace::{Package, Workspace};

/// The page whose crate table the workspace is held against.
const ARCHITECTURE: &str = "ARCHITECTURE.md";

/// Checks every rule and prints every complaint. Errors: a rule is broken, or a file cannot be read.
pub(crate) fn check(workspace: &Workspace) -> Result<(), Failure> {
    let root = workspace.root();
    let rows = crates::rows(&read(&root.join(ARCHITECTURE))?);
    let mut complaints = crates::table_against_workspace(&rows, workspace.packages());
    complaints.extend(crates::forbidden_ways(workspace.packages()));
    for package in workspace.packages() {
        complaints.extend(crates::header(&package.name, &entry_source(package)?));
        complaints.extend(crates::lint_table(&package.name, &read(&package.folder.join("Cargo.toml"))?));
    }
    let files = workspace.files()?;
    complaints.extend(pages::unlisted(&files, &read(&root.join("docs/README.md"))?));
    let mut functions = BTreeSet::new();
    for file in &files {
        // A tracked file may be deleted in the work tree, and a picture is no text: neither can break a rule of words.
        let Ok(text) = fs::read_to_string(root.join(file)) else { continue };
        complaints.extend(words::forbidden(file, &text));
        complaints.extend(markdown::sentences(file, &text));
        complaints.extend(purity::impure(file, &text));
        complaints.extend(security::unsafe_without_reason(file, &text));
        functions.extend(security::functions(file, &text));
    }
    complaints.extend(security::untested(&read(&root.join(security::PAGE))?, &functions));
    if complaints.is_empty() {
        println!("{} crates and {} files keep the rules", workspace.packages().len(), files.len());
        return Ok(());
    }
    complaints.iter().for_each(|complaint| println!("{complaint}"));
    let what = format!("{} complaints of the house rules", complaints.len());
    Err(Failure::new(what, "each line above names the place and the rule"))
}

/// The source file that carries a package's header.
fn entry_source(package: &Package) -> Result<String, Failure> {
    let source = package.folder.join("src");
    let library = source.join("lib.rs");
    read(&if library.exists() { library } else { source.join("main.rs") })
}

fn read(path: &Path) -> Result<String, Failure> {
    let failed = |cause| Failure::new(format!("{} cannot be read: {cause}", path.display()), "restore the file");
    fs::read_to_string(path).map_err(failed)
}
