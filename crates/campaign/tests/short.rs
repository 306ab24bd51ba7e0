//! A short round of the campaign: some of every fault, at every operation.

use std::process::Command;

fn survives(arguments: &[&str]) {
    let output = Command::new(env!("CARGO_BIN_EXE_campaign")).args(arguments).output().expect("it starts");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn a_short_round_of_every_fault() {
    survives(&["--drives", "60"]);
}

#[test]
fn an_adapter_that_floods_the_line_keeps_nothing_from_ending() {
    survives(&["--fault", "adapter-floods", "--drives", "16"]);
}

#[test]
fn a_module_that_stalls_keeps_nothing_from_ending() {
    survives(&["--fault", "module-stalls", "--drives", "16"]);
}
