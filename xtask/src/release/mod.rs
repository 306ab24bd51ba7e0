//! Archives to hand out: the program with its manual, completions, licences and the rule for ports.
//!
//! The same commit gives the same bytes, in whatever folder it is built: paths are mapped to fixed ones, and times are
//! that of the commit. The toolchain, the C compiler and Node must be the same.

mod archive;
mod licences;

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use sha2::{Digest, Sha256};

use crate::step::{C_COMPILER, Failure, Steps, output, run};
use crate::toolchain::Toolchain;
use crate::workspace::Workspace;
use crate::{has_bluetooth, pages};
use archive::{Contents, File, Time};

/// Files and folders of the repository that go with the program: what the README points to is there.
const BESIDE: [&str; 7] =
    ["README.md", "ARCHITECTURE.md", "CHANGELOG.md", "LICENSE", "LICENSE-APACHE", "LICENSE-MIT", "docs"];
/// What gives a user of Linux the port of an adapter.
const PORTS: &str = "packaging/70-witness-adapters.rules";
/// Shells, and how each wants the file with its completions to be called.
const SHELLS: [(&str, &str); 4] =
    [("bash", "witness.bash"), ("zsh", "_witness"), ("fish", "witness.fish"), ("powershell", "witness.ps1")];
const A_CLONE: &str = "a release is made of a commit: install git and work in a clone";
const THE_DISK: &str = "see that the disk has room";

/// What is to be made.
#[derive(Debug, PartialEq, Eq)]
struct Wish {
    targets: Vec<String>,
    with_pdf: bool,
}

impl Wish {
    fn of(arguments: &[OsString], host: &str) -> Result<Self, Failure> {
        let mut wish = Self { targets: Vec::new(), with_pdf: true };
        for argument in arguments {
            match argument.to_str() {
                Some("--without-pdf") => wish.with_pdf = false,
                Some(target) if !target.starts_with('-') => wish.targets.push(target.to_owned()),
                _ => return Err(Failure::new(format!("release does not know {argument:?}"), "see `cargo xtask`")),
            }
        }
        if wish.targets.is_empty() {
            wish.targets.push(host.to_owned());
        }
        Ok(wish)
    }

    fn features(&self, target: &str, host: &str) -> String {
        let mut features = vec!["postgres"];
        features.extend(self.with_pdf.then_some("pdf"));
        // Its headers are there for this machine at most.
        features.extend((target == host && has_bluetooth()).then_some("ble"));
        features.join(",")
    }
}

/// Makes an archive for every target that is named, or for this machine.
pub(crate) fn make(workspace: &Workspace, arguments: &[OsString]) -> Result<(), Failure> {
    let toolchain = Toolchain::ask()?;
    let wish = Wish::of(arguments, &toolchain.host)?;
    wish.targets.iter().try_for_each(|target| toolchain.must_reach(target))?;
    let time = time_of_commit(workspace)?;
    let out = workspace.target().join("releases");
    let mut steps = Steps::of(1 + 2 * wish.targets.len());
    steps.step("pages: npm ci, vite build", || pages::build(workspace))?;
    for target in &wish.targets {
        let release = Release {
            workspace,
            toolchain: &toolchain,
            target,
            features: wish.features(target, &toolchain.host),
            time,
        };
        steps.step(&format!("build: {target}, {}", release.features), || release.build())?;
        steps.step(&format!("pack: {target}"), || release.pack(&out))?;
    }
    steps.summary();
    Ok(())
}

/// When the commit that is checked out was made; says so if the files are not those of the commit.
fn time_of_commit(workspace: &Workspace) -> Result<Time, Failure> {
    let git = |words: &[&str]| {
        output(Command::new("git").args(words).current_dir(workspace.root()).env("TZ", "UTC"), A_CLONE)
    };
    if !git(&["status", "--porcelain"])?.is_empty() {
        println!("note: the folder holds changes that are in no commit, and so will the archives");
    }
    let printed = git(&[&["log", "-1"], Time::GIT.as_slice()].concat())?;
    Time::of(&printed).ok_or_else(|| Failure::new(format!("the time of the commit cannot be read: {printed}"), A_CLONE))
}

struct Release<'a> {
    workspace: &'a Workspace,
    toolchain: &'a Toolchain,
    target: &'a str,
    features: String,
    /// When its commit was made.
    time: Time,
}

impl Release<'_> {
    fn is_host(&self) -> bool {
        self.target == self.toolchain.host
    }

    fn program(&self) -> PathBuf {
        self.workspace.target().join(self.target).join("release").join(self.name_of_program())
    }

    fn name_of_program(&self) -> &'static str {
        if self.is_for("windows") { "witness.exe" } else { "witness" }
    }

    fn is_for(&self, system: &str) -> bool {
        self.target.contains(system)
    }

    fn build(&self) -> Result<(), Failure> {
        let mut cargo = self.workspace.cargo();
        cargo.args(["build", "--release", "--locked", "--package", "witness", "--features", &self.features]);
        cargo.args(["--target", self.target]).env("SOURCE_DATE_EPOCH", self.time.unix.to_string());
        let maps = fixed_paths(self.workspace, self.toolchain);
        let rust: Vec<String> = maps.iter().map(|(from, to)| format!("--remap-path-prefix={from}={to}")).collect();
        let c: Vec<String> = maps.iter().map(|(from, to)| quoted(&format!("-ffile-prefix-map={from}={to}"))).collect();
        cargo.env("CARGO_ENCODED_RUSTFLAGS", rust.join("\x1f"));
        cargo.env("CC_SHELL_ESCAPED_FLAGS", "1").env("CFLAGS", c.join(" ")).env("CXXFLAGS", c.join(" "));
        if let Some((compiler, _)) = self.toolchain.cross_compiler(self.target) {
            let target = self.target.to_uppercase().replace('-', "_");
            cargo.env(format!("CARGO_TARGET_{target}_LINKER"), compiler);
        }
        run(&mut cargo, C_COMPILER)
    }

    /// Writes the archive, and its checksum as `sha256sum --check` reads it. On Windows a zip is what opens by itself.
    fn pack(&self, out: &Path) -> Result<(), Failure> {
        let name = format!("witness-{}-{}", env!("CARGO_PKG_VERSION"), self.target);
        let contents = self.contents()?;
        let (ending, bytes) = if self.is_for("windows") {
            ("zip", archive::zip(&name, &contents, self.time))
        } else {
            ("tar.gz", archive::tar_gz(&name, &contents, self.time))
        };
        let file = format!("{name}.{ending}");
        let failed =
            |cause| Failure::new(format!("{} cannot be written: {cause}", out.join(&file).display()), THE_DISK);
        let bytes = bytes.map_err(failed)?;
        let digest: String = Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        let sum = format!("{digest}  {file}\n");
        fs::create_dir_all(out).map_err(failed)?;
        fs::write(out.join(&file), bytes).map_err(failed)?;
        fs::write(out.join(format!("{file}.sha256")), &sum).map_err(failed)?;
        print!("{}\n{sum}", out.join(&file).display());
        Ok(())
    }

    fn contents(&self) -> Result<Contents, Failure> {
        let program = File { bytes: read(&self.program())?, can_run: true };
        let mut contents = Contents::from([(self.name_of_program().to_owned(), program)]);
        let mut git = Command::new("git");
        git.args(["ls-files", "-z", "--"]).args(BESIDE).current_dir(self.workspace.root());
        for path in output(&mut git, A_CLONE)?.split_terminator('\0') {
            contents.insert(path.to_owned(), File::text(read(&self.workspace.root().join(path))?));
        }
        if self.is_for("linux") {
            let rule = self.workspace.root().join(PORTS);
            contents.insert(named(&rule), File::text(read(&rule)?));
        }
        let asked = self.program_to_ask()?;
        for (shell, file) in SHELLS {
            let script = output(Command::new(&asked).args(["completions", shell]), C_COMPILER)?;
            contents.insert(format!("completions/{file}"), File::text(script));
        }
        if !self.is_for("windows") {
            let failed = |cause| Failure::new(format!("the manual cannot be laid down: {cause}"), THE_DISK);
            let folder = tempfile::tempdir().map_err(failed)?;
            run(Command::new(&asked).arg("manual").arg(folder.path()).stdout(Stdio::null()), THE_DISK)?;
            for page in fs::read_dir(folder.path()).map_err(failed)? {
                let page = page.map_err(failed)?.path();
                contents.insert(format!("man/{}", named(&page)), File::text(read(&page)?));
            }
        }
        let (library, licences) = self.toolchain.library_licences();
        let third_party = licences::third_party(self.workspace, self.target, &self.features, &library)?;
        contents.insert("THIRD-PARTY.txt".to_owned(), File::text(third_party));
        contents.insert(licences::OF_LIBRARY.to_owned(), File::text(read(&licences)?));
        Ok(contents)
    }

    /// The program as this machine can run it: the one that was built, or another build of the same sources.
    fn program_to_ask(&self) -> Result<PathBuf, Failure> {
        if self.is_host() { Ok(self.program()) } else { pages::debug_program(self.workspace) }
    }
}

fn read(path: &Path) -> Result<Vec<u8>, Failure> {
    fs::read(path).map_err(|cause| {
        Failure::new(format!("{} cannot be read: {cause}", path.display()), "an archive needs it: see that it is there")
    })
}

/// Last part of a path.
fn named(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// Folders of this machine that could stand in the program, and what stands there instead; longer ones last, as the last
/// that fits counts.
fn fixed_paths(workspace: &Workspace, toolchain: &Toolchain) -> Vec<(String, String)> {
    let home = std::env::var_os("HOME").map(PathBuf::from).unwrap_or_default();
    let cargo = std::env::var_os("CARGO_HOME").map_or_else(|| home.join(".cargo"), PathBuf::from);
    let mut maps = vec![
        (cargo.display().to_string(), "/cargo".to_owned()),
        (workspace.root().display().to_string(), "/witnessmark".to_owned()),
        (workspace.target().display().to_string(), "/witnessmark/target".to_owned()),
        toolchain.library_sources(),
    ];
    maps.sort_by_key(|(from, _)| from.len());
    maps
}

/// A word as a shell takes it for one, whatever is in it.
fn quoted(word: &str) -> String {
    format!("'{}'", word.replace('\'', r"'\''"))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;

    #[test]
    fn a_release_is_for_this_machine_unless_told() {
        let wish = |words: &[&str]| Wish::of(&words.iter().map(OsString::from).collect::<Vec<_>>(), "here");
        assert_eq!(wish(&[]).unwrap(), Wish { targets: vec!["here".into()], with_pdf: true });
        let told = wish(&["--without-pdf", "there"]).unwrap();
        assert_eq!(told, Wish { targets: vec!["there".into()], with_pdf: false });
        assert_eq!(told.features("there", "here"), "postgres");
        assert!(wish(&["--fast"]).is_err());
    }
}
