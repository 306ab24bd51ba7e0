//! A short round of the campaign: some of every fault, at every operation.

use std::process::Command;

#[test]
fn a_short_round_of_every_fault() {
    let output = Command::new(env!("CARGO_BIN_EXE_campaign")).args(["--drives", "60"]).output().expect("it starts");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
}
