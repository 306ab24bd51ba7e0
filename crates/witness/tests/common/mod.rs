//! What the tests of commands share.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    dead_code,
    reason = "a test fails by panicking; not every test needs all of it"
)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;

/// A folder of its own for each test, also for what the tool keeps.
pub(crate) struct Bench {
    pub(crate) folder: tempfile::TempDir,
}

impl Bench {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_witness"));
        command.args(arguments).current_dir(self.folder.path()).env("WITNESS_HOME", self.path("home"));
        command.env_remove("WITNESS_ADAPTER").stdin(Stdio::null());
        command
    }

    pub(crate) fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    /// Runs a command with `--json`, holds what it prints against its schema, and gives exit code and object.
    pub(crate) fn json(&self, schema: &str, arguments: &[&str]) -> (i32, Value) {
        let output = self.run(&[arguments, &["--json"]].concat());
        let code = output.status.code().unwrap();
        let text = String::from_utf8(output.stdout).unwrap();
        let value: Value = serde_json::from_str(&text).unwrap_or_else(|error| {
            panic!("{arguments:?} printed {text:?}: {error}\n{}", String::from_utf8_lossy(&output.stderr))
        });
        // A failed command prints the error object instead.
        let schema = if value.get("error").is_some() { "error" } else { schema };
        check_schema(schema, &text);
        (code, value)
    }
}

/// Holds a text against `docs/json/NAME.json` with a general-purpose validator, where the test command has installed one.
pub(crate) fn check_schema(name: &str, text: &str) {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: WITNESS_PYTHON is not set, `{name}` was not held against its schema");
        return;
    };
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/json").join(format!("{name}.json"));
    let script = "import json, pathlib, sys, jsonschema, referencing\n\
        path = pathlib.Path(sys.argv[1])\n\
        beside = lambda uri: referencing.Resource.from_contents(json.loads((path.parent / uri).read_text()))\n\
        schema = json.loads(path.read_text())\n\
        jsonschema.Draft202012Validator.check_schema(schema)\n\
        judge = jsonschema.Draft202012Validator(schema, registry=referencing.Registry(retrieve=beside))\n\
        errors = list(judge.iter_errors(json.load(sys.stdin)))\n\
        sys.exit('\\n'.join(f'{e.json_path}: {e.message[:200]}' for e in errors[:5]) if errors else 0)";
    let mut child = Command::new(python)
        .args(["-c", script])
        .arg(schema)
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    std::io::Write::write_all(&mut child.stdin.take().unwrap(), text.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{name}: {}", String::from_utf8_lossy(&output.stderr));
}

pub(crate) fn strings(value: &Value) -> Vec<&str> {
    value.as_array().unwrap().iter().map(|item| item.as_str().unwrap()).collect()
}
