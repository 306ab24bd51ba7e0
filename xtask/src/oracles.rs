//! A Python environment with the libraries that tests compare our numbers with.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::step::{Failure, output, run};
use crate::workspace::Workspace;

/// The pinned libraries.
const REQUIREMENTS: &str = "xtask/oracles.txt";

/// The oldest Python that the pinned libraries run on.
const OLDEST: (u32, u32) = (3, 11);

const NO_PYTHON: &str = "install Python 3.11 or newer with its venv module (Debian: `apt-get install python3-venv`), \
                         or name one with the environment variable PYTHON";

/// Makes or renews `target/oracles` and returns its Python.
///
/// It is made anew when the pinned list or the Python has changed. Errors: no Python, no venv module, or the libraries
/// cannot be had.
pub(crate) fn install(workspace: &Workspace) -> Result<PathBuf, Failure> {
    let folder = workspace.target().join("oracles");
    let python = folder.join(if cfg!(windows) { "Scripts/python.exe" } else { "bin/python" });
    let requirements = workspace.root().join(REQUIREMENTS);
    let pinned = fs::read_to_string(&requirements)
        .map_err(|cause| Failure::new(format!("{REQUIREMENTS} cannot be read: {cause}"), "restore the file"))?;
    let (system, version) = match find_python() {
        Ok(found) => found,
        Err(_) if in_ci() => {
            install_debian_packages()?;
            find_python()?
        }
        Err(failure) => return Err(failure),
    };
    let stamp = folder.join("installed.txt");
    let wanted = format!("{version}\n{pinned}");
    if fs::read_to_string(&stamp).is_ok_and(|installed| installed == wanted) && works(&python) {
        println!("up to date: {}", folder.display());
        return Ok(python);
    }
    if make_environment(&system, &folder).is_err() {
        if in_ci() {
            install_debian_packages()?;
        }
        make_environment(&system, &folder)?;
    }
    let mut pip = Command::new(&python);
    pip.args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--requirement"]).arg(&requirements);
    run(&mut pip, "the package index must be reachable once; later runs use what is installed")?;
    fs::write(&stamp, wanted).map_err(|cause| {
        Failure::new(format!("{} cannot be written: {cause}", stamp.display()), "make room and try again")
    })?;
    Ok(python)
}

/// Whether this run may install system packages by itself.
fn in_ci() -> bool {
    std::env::var_os("CI").is_some()
}

/// The first Python that is new enough, and its version line.
fn find_python() -> Result<(PathBuf, String), Failure> {
    let named = std::env::var_os("PYTHON").map(PathBuf::from);
    let candidates = named.map_or_else(|| vec!["python3".into(), "python".into()], |python| vec![python]);
    let mut seen = Vec::new();
    for candidate in candidates {
        match output(Command::new(&candidate).arg("--version"), NO_PYTHON) {
            Ok(said) if version(&said).is_some_and(|version| version >= OLDEST) => return Ok((candidate, said)),
            Ok(said) => seen.push(format!("`{}` says {:?}", candidate.display(), said.trim())),
            Err(_) => seen.push(format!("`{}` does not run", candidate.display())),
        }
    }
    Err(Failure::new(format!("no Python that is new enough: {}", seen.join(", ")), NO_PYTHON))
}

/// Major and minor number of `Python 3.11.7`.
fn version(said: &str) -> Option<(u32, u32)> {
    let mut numbers = said.trim().strip_prefix("Python ")?.split('.').map(str::parse);
    Some((numbers.next()?.ok()?, numbers.next()?.ok()?))
}

fn works(python: &Path) -> bool {
    output(Command::new(python).arg("--version"), "").is_ok()
}

/// An empty environment in place of whatever is there.
fn make_environment(system: &Path, folder: &Path) -> Result<(), Failure> {
    output(Command::new(system).args(["-m", "venv", "--clear"]).arg(folder), NO_PYTHON).map(|_| ())
}

/// CI on Debian runs as root on a machine of its own: there the missing packages may simply be installed.
fn install_debian_packages() -> Result<(), Failure> {
    run(Command::new("apt-get").args(["--quiet", "update"]), NO_PYTHON)?;
    let packages = ["--quiet", "install", "--yes", "--no-install-recommends", "python3", "python3-venv"];
    run(Command::new("apt-get").args(packages).env("DEBIAN_FRONTEND", "noninteractive"), NO_PYTHON)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_are_compared_as_numbers() {
        assert_eq!(version("Python 3.11.7"), Some((3, 11)));
        assert!(version("Python 3.9.2").unwrap() < OLDEST);
        assert!(version("Python 3.13.0rc1").unwrap() > OLDEST);
        assert_eq!(version("pypy 7"), None);
        assert_eq!(version("Python three"), None);
    }
}
