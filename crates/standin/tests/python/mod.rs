//! Scripts of general-purpose libraries.

use std::process::{Command, Stdio};

/// What a script of `tests/oracle` printed; `None` without an interpreter that has these modules.
pub(crate) fn ask(modules: &str, script: &str, arguments: &[&str]) -> Option<String> {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has {modules}");
        return None;
    };
    let has = Command::new(&python).args(["-c", &format!("import {modules}")]).stderr(Stdio::null()).status();
    if !has.is_ok_and(|status| status.success()) {
        eprintln!("skipped: {} has not all of {modules}", python.to_string_lossy());
        return None;
    }
    let script = format!("{}/tests/oracle/{script}", env!("CARGO_MANIFEST_DIR"));
    let output = Command::new(&python).arg(script).args(arguments).output().expect("Python runs");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
    Some(said)
}
