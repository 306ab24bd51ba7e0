//! The compilers that are there, and what has to be there for a target.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::step::{Failure, output};

const NO_RUST: &str = "install Rust";

/// C compilers for other targets: what they are called, and the package of Debian that brings each.
const CROSS: [(&str, &str, &str); 3] = [
    ("aarch64-unknown-linux-gnu", "aarch64-linux-gnu-gcc", "gcc-aarch64-linux-gnu"),
    ("x86_64-pc-windows-gnu", "x86_64-w64-mingw32-gcc", "gcc-mingw-w64-x86-64"),
    ("x86_64-unknown-linux-gnu", "x86_64-linux-gnu-gcc", "gcc-x86-64-linux-gnu"),
];

/// The compiler of Rust.
pub(crate) struct Toolchain {
    /// Target of this machine.
    pub(crate) host: String,
    version: String,
    /// Commit that the compiler was built from.
    commit: String,
    folder: PathBuf,
}

impl Toolchain {
    pub(crate) fn ask() -> Result<Self, Failure> {
        let about = output(Command::new("rustc").arg("-vV"), NO_RUST)?;
        let field = |name: &str| about.lines().find_map(|line| line.strip_prefix(name)).unwrap_or_default().to_owned();
        let folder = output(Command::new("rustc").args(["--print", "sysroot"]), NO_RUST)?;
        Ok(Self {
            host: field("host: "),
            version: field("release: "),
            commit: field("commit-hash: "),
            folder: PathBuf::from(folder.trim()),
        })
    }

    /// Errors: the target does not exist, or its standard library or its C compiler is missing.
    pub(crate) fn must_reach(&self, target: &str) -> Result<(), Failure> {
        let mut ask = Command::new("rustc");
        ask.args(["--print", "target-libdir", "--target", target]);
        let library = output(&mut ask, "`rustc --print target-list` prints the targets that there are")?;
        if !Path::new(library.trim()).is_dir() {
            return Err(Failure::new(
                format!("the standard library for {target} is not installed"),
                format!("run `rustup target add {target}`"),
            ));
        }
        match self.cross_compiler(target) {
            Some((compiler, package)) => {
                let next = format!("install the C compiler for {target} (Debian: `apt-get install {package}`)");
                output(Command::new(compiler).arg("--version"), &next).map(|_| ())
            }
            None => Ok(()),
        }
    }

    /// The C compiler for another target, and the package that brings it, as far as they are known.
    pub(crate) fn cross_compiler(&self, target: &str) -> Option<(&'static str, &'static str)> {
        let known = CROSS.iter().find(|(known, ..)| *known == target && target != self.host)?;
        Some((known.1, known.2))
    }

    /// Where the sources of the standard library are if they are installed, and where its makers had them. The compiler
    /// writes the first into programs where it is there, else the second.
    pub(crate) fn library_sources(&self) -> (String, String) {
        (self.folder.join("lib/rustlib/src/rust").display().to_string(), format!("/rustc/{}", self.commit))
    }

    /// The standard library by its name and version, and the page with its licences and those of what it is made of.
    pub(crate) fn library_licences(&self) -> (String, PathBuf) {
        (format!("Rust's standard library {}", self.version), self.folder.join("share/doc/rust/COPYRIGHT-library.html"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_target_that_does_not_exist_is_told_before_anything_is_built() {
        let toolchain = Toolchain::ask().expect("tests are built by a compiler");
        let failure = toolchain.must_reach("made-up-target").expect_err("no such target").to_string();
        assert!(failure.contains("made-up-target") && failure.contains("target-list"), "{failure}");
        assert!(toolchain.cross_compiler(&toolchain.host).is_none(), "this machine has its own compiler");
    }
}
