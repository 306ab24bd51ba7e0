//! Archives to hand out: the program with its manual, completions, licences and the rule for ports.
//!
//! The same commit gives the same bytes, in whatever folder it is built: paths are mapped to fixed ones, and times are
//! that of the commit. The toolchain, the C compiler and Node must be the same.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::step::{C_COMPILER, Failure, Steps, output, run};
use crate::workspace::Workspace;
use crate::{audit, has_bluetooth, pages};

/// Files of the repository that go with the program.
const BESIDE: [&str; 6] =
    ["README.md", "CHANGELOG.md", "LICENSE", "LICENSE-APACHE", "LICENSE-MIT", "packaging/70-witness-adapters.rules"];
/// Shells, and how each wants the file with its completions to be called.
const SHELLS: [(&str, &str); 4] =
    [("bash", "witness.bash"), ("zsh", "_witness"), ("fish", "witness.fish"), ("powershell", "witness.ps1")];
const NO_RUST: &str = "install Rust";
const LIST: &str = "mend the manifest that cargo names";

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
    let time = output(
        Command::new("git").args(["log", "-1", "--format=%ct"]).current_dir(workspace.root()),
        "a release is made of a commit: work in a clone",
    )?;
    let out = workspace.target().join("releases");
    let mut steps = Steps::of(1 + 2 * wish.targets.len());
    steps.step("pages: npm ci, vite build", || pages::build(workspace))?;
    for target in &wish.targets {
        let release = Release {
            workspace,
            toolchain: &toolchain,
            target,
            features: wish.features(target, &toolchain.host),
            time: time.trim(),
        };
        steps.step(&format!("build: {target}, {}", release.features), || release.build())?;
        steps.step(&format!("pack: {target}"), || release.pack(&out))?;
    }
    steps.summary();
    Ok(())
}

/// The compiler that builds.
struct Toolchain {
    /// Target of this machine.
    host: String,
    /// Commit that the compiler was built from.
    commit: String,
    folder: String,
}

impl Toolchain {
    fn ask() -> Result<Self, Failure> {
        let about = output(Command::new("rustc").arg("-vV"), NO_RUST)?;
        let field = |name: &str| about.lines().find_map(|line| line.strip_prefix(name)).unwrap_or_default().to_owned();
        let folder = output(Command::new("rustc").args(["--print", "sysroot"]), NO_RUST)?;
        Ok(Self { host: field("host: "), commit: field("commit-hash: "), folder: folder.trim().to_owned() })
    }
}

struct Release<'a> {
    workspace: &'a Workspace,
    toolchain: &'a Toolchain,
    target: &'a str,
    features: String,
    /// When its commit was made, seconds since 1970.
    time: &'a str,
}

impl Release<'_> {
    fn is_host(&self) -> bool {
        self.target == self.toolchain.host
    }

    fn program(&self) -> PathBuf {
        let name = if self.target.contains("windows") { "witness.exe" } else { "witness" };
        self.workspace.target().join(self.target).join("release").join(name)
    }

    fn build(&self) -> Result<(), Failure> {
        let mut cargo = self.workspace.cargo();
        cargo.args(["build", "--release", "--locked", "--package", "witness", "--features", &self.features]);
        cargo.args(["--target", self.target]).env("SOURCE_DATE_EPOCH", self.time);
        let maps = fixed_paths(self.workspace, self.toolchain);
        let rust: Vec<String> = maps.iter().map(|(from, to)| format!("--remap-path-prefix={from}={to}")).collect();
        let c: Vec<String> = maps.iter().map(|(from, to)| quoted(&format!("-ffile-prefix-map={from}={to}"))).collect();
        cargo.env("CARGO_ENCODED_RUSTFLAGS", rust.join("\x1f"));
        cargo.env("CC_SHELL_ESCAPED_FLAGS", "1").env("CFLAGS", c.join(" ")).env("CXXFLAGS", c.join(" "));
        if self.target == "aarch64-unknown-linux-gnu" && !self.is_host() {
            cargo.env("CARGO_TARGET_AARCH64_UNKNOWN_LINUX_GNU_LINKER", "aarch64-linux-gnu-gcc");
        }
        let next = if self.is_host() {
            C_COMPILER.to_owned()
        } else {
            format!(
                "another target takes its standard library (`rustup target add {}`) and its C compiler (Debian: \
                 gcc-aarch64-linux-gnu, gcc-mingw-w64-x86-64)",
                self.target
            )
        };
        run(&mut cargo, &next)
    }

    /// Lays everything into a folder, and packs that.
    fn pack(&self, out: &Path) -> Result<(), Failure> {
        let name = format!("witness-{}-{}", env!("CARGO_PKG_VERSION"), self.target);
        let folder = out.join(&name);
        let failed = |cause: std::io::Error| {
            Failure::new(format!("{} cannot be filled: {cause}", folder.display()), "see that the disk has room")
        };
        if folder.exists() {
            fs::remove_dir_all(&folder).map_err(failed)?;
        }
        fs::create_dir_all(folder.join("completions")).map_err(failed)?;
        let program = self.program();
        let lay = |from: &Path| -> std::io::Result<()> {
            fs::copy(from, folder.join(from.file_name().unwrap_or_default())).map(|_| ())
        };
        lay(&program).map_err(failed)?;
        for file in BESIDE {
            lay(&self.workspace.root().join(file)).map_err(failed)?;
        }
        run(self.asks().arg("manual").arg(folder.join("man")).stdout(std::process::Stdio::null()), C_COMPILER)?;
        for (shell, file) in SHELLS {
            let script = output(self.asks().args(["completions", shell]), C_COMPILER)?;
            fs::write(folder.join("completions").join(file), script).map_err(failed)?;
        }
        fs::write(folder.join("THIRD-PARTY.txt"), self.third_party()?).map_err(failed)?;
        let archive = format!("{name}.tar.gz");
        let mut tar = Command::new("tar");
        tar.current_dir(out).arg(format!("--mtime=@{}", self.time)).args(["--sort=name", "--owner=0", "--group=0"]);
        tar.args([
            "--numeric-owner",
            "--mode=u+rwX,go+rX,go-w",
            "--use-compress-program=gzip -9 -n",
            "-cf",
            &archive,
            &name,
        ]);
        run(&mut tar, "GNU tar and gzip are needed")?;
        let sum = output(Command::new("sha256sum").arg(&archive).current_dir(out), "install coreutils")?;
        fs::write(out.join(format!("{archive}.sha256")), &sum).map_err(failed)?;
        print!("{sum}");
        Ok(())
    }

    /// The program as this machine can run it: the one that was built, or another build of the same sources.
    fn asks(&self) -> Command {
        if self.is_host() {
            return Command::new(self.program());
        }
        let mut cargo = self.workspace.cargo();
        cargo.args(["run", "--quiet", "--package", "witness", "--"]);
        cargo
    }

    /// Every package that is in the program, with its licence and the texts that come with it.
    fn third_party(&self) -> Result<String, Failure> {
        let mut cargo = self.workspace.cargo();
        cargo.args(["metadata", "--format-version", "1", "--locked", "--filter-platform", self.target]);
        cargo.args(["--features", &self.features]).current_dir(self.workspace.root().join("crates/witness"));
        let metadata: Value = serde_json::from_str(&output(&mut cargo, LIST)?)
            .map_err(|cause| Failure::new(format!("cargo's list of packages: {cause}"), LIST))?;
        let pages = self.workspace.root().join("web");
        let lock = fs::read_to_string(pages.join("package-lock.json")).unwrap_or_default();
        let lock: Value = serde_json::from_str(&lock).unwrap_or_default();
        let mut packages = crates_in(&metadata);
        for (name, about) in audit::npm_packages(&lock).into_iter().filter(|(_, about)| about["dev"] != true) {
            let text = |field: &str| about[field].as_str().unwrap_or_default().to_owned();
            let folder = pages.join("node_modules").join(&name);
            packages.push(Third { name, version: text("version"), licence: text("license"), folder });
        }
        Ok(told(&packages))
    }
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
        // Where the sources of the standard library are installed, the compiler writes their place on this machine
        // instead of the one that its makers built them in.
        (format!("{}/lib/rustlib/src/rust", toolchain.folder), format!("/rustc/{}", toolchain.commit)),
    ];
    maps.sort_by_key(|(from, _)| from.len());
    maps
}

/// A word as a shell takes it for one, whatever is in it.
fn quoted(word: &str) -> String {
    format!("'{}'", word.replace('\'', r"'\''"))
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
    fn a_release_is_for_this_machine_unless_told() {
        let wish = |words: &[&str]| Wish::of(&words.iter().map(OsString::from).collect::<Vec<_>>(), "here");
        assert_eq!(wish(&[]).unwrap(), Wish { targets: vec!["here".into()], with_pdf: true });
        let told = wish(&["--without-pdf", "there"]).unwrap();
        assert_eq!(told, Wish { targets: vec!["there".into()], with_pdf: false });
        assert_eq!(told.features("there", "here"), "postgres");
        assert!(wish(&["--fast"]).is_err());
    }

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
