//! The workspace as cargo and git describe it.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::step::{Failure, output};

/// One package of the workspace.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Package {
    pub(crate) name: String,
    /// Folder of its manifest.
    pub(crate) folder: PathBuf,
    /// Crates of the workspace that it builds with.
    pub(crate) uses: Vec<String>,
    /// Crates of the workspace that only its tests and benches build with.
    pub(crate) uses_in_tests: Vec<String>,
    /// Names of its benchmarks.
    pub(crate) benches: Vec<String>,
}

/// Root folder, target folder and packages.
pub(crate) struct Workspace {
    root: PathBuf,
    target: PathBuf,
    packages: Vec<Package>,
}

impl Workspace {
    /// Asks cargo. Errors: cargo cannot read the workspace.
    pub(crate) fn load() -> Result<Self, Failure> {
        let next = "mend the manifest that cargo names";
        let mut cargo = Command::new(cargo());
        // The root is where this program was built from, not where it is called: tasks work from any folder.
        cargo.args(["metadata", "--format-version", "1", "--no-deps"]).current_dir(env!("CARGO_MANIFEST_DIR"));
        let text = output(&mut cargo, next)?;
        let metadata = serde_json::from_str(&text)
            .map_err(|cause| Failure::new(format!("cargo's description of the workspace: {cause}"), next))?;
        Self::from_metadata(&metadata)
            .ok_or_else(|| Failure::new("cargo's description of the workspace lacks a field", next))
    }

    /// Reads the output of `cargo metadata --no-deps`; `None` when a field is missing.
    fn from_metadata(metadata: &Value) -> Option<Self> {
        let members = metadata["packages"].as_array()?;
        let names: Vec<&str> = members.iter().filter_map(|member| member["name"].as_str()).collect();
        let packages = members.iter().map(|member| package(member, &names)).collect::<Option<Vec<_>>>()?;
        let path = |field: &str| metadata[field].as_str().map(PathBuf::from);
        Some(Self { root: path("workspace_root")?, target: path("target_directory")?, packages })
    }

    pub(crate) fn root(&self) -> &Path {
        &self.root
    }

    pub(crate) fn target(&self) -> &Path {
        &self.target
    }

    pub(crate) fn packages(&self) -> &[Package] {
        &self.packages
    }

    /// `cargo`, run in the root.
    pub(crate) fn cargo(&self) -> Command {
        let mut command = Command::new(cargo());
        command.current_dir(&self.root);
        command
    }

    /// Paths, relative to the root, of every file that is tracked or would be with the next `git add`.
    pub(crate) fn files(&self) -> Result<Vec<String>, Failure> {
        let mut git = Command::new("git");
        git.args(["ls-files", "-z", "--cached", "--others", "--exclude-standard"]).current_dir(&self.root);
        let list = output(&mut git, "the rules read the files that git knows: install git and work in a clone")?;
        let mut files: Vec<String> = list.split_terminator('\0').map(str::to_owned).collect();
        files.sort();
        files.dedup();
        Ok(files)
    }
}

/// The cargo that runs this task, so that the toolchain stays the same.
fn cargo() -> std::ffi::OsString {
    std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into())
}

fn package(member: &Value, workspace: &[&str]) -> Option<Package> {
    let dependencies = member["dependencies"].as_array()?;
    let uses = |in_tests: bool| {
        let mut names: Vec<String> = dependencies
            .iter()
            .filter(|dependency| (dependency["kind"] == "dev") == in_tests)
            .filter_map(|dependency| dependency["name"].as_str())
            .filter(|name| workspace.contains(name))
            .map(str::to_owned)
            .collect();
        names.sort();
        names.dedup();
        names
    };
    let is_bench =
        |target: &&Value| target["kind"].as_array().is_some_and(|kinds| kinds.iter().any(|kind| kind == "bench"));
    let benches = member["targets"].as_array()?.iter().filter(is_bench);
    Some(Package {
        name: member["name"].as_str()?.to_owned(),
        folder: Path::new(member["manifest_path"].as_str()?).parent()?.to_owned(),
        uses: uses(false),
        uses_in_tests: uses(true),
        benches: benches.filter_map(|bench| bench["name"].as_str()).map(str::to_owned).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dependencies_inside_the_workspace_are_told_apart_by_kind() {
        let metadata = serde_json::json!({
            "workspace_root": "/r", "target_directory": "/r/target",
            "packages": [
                {"name": "a", "manifest_path": "/r/crates/a/Cargo.toml",
                 "dependencies": [{"name": "b", "kind": null}, {"name": "serde", "kind": null}, {"name": "c", "kind": "dev"}],
                 "targets": [{"name": "a", "kind": ["lib"]}, {"name": "speed", "kind": ["bench"]}]},
                {"name": "b", "manifest_path": "/r/crates/b/Cargo.toml",
                 "dependencies": [{"name": "c", "kind": "build"}], "targets": []},
                {"name": "c", "manifest_path": "/r/crates/c/Cargo.toml", "dependencies": [], "targets": []},
            ]
        });
        let workspace = Workspace::from_metadata(&metadata).unwrap();
        let a = &workspace.packages()[0];
        assert_eq!((a.uses.as_slice(), a.uses_in_tests.as_slice()), (&["b".to_owned()][..], &["c".to_owned()][..]));
        assert_eq!(a.benches, ["speed"]);
        assert_eq!(a.folder, Path::new("/r/crates/a"));
        assert_eq!(workspace.packages()[1].uses, ["c"], "a build dependency counts");
    }
}
