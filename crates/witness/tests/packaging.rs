//! What packages of the program are made of: completions of shells, and pages of the manual.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use std::io::Write;
use std::process::{Command, Stdio};

use common::Bench;

/// The commands that `witness COMMAND … --help` lists.
fn commands_below(bench: &Bench, path: &[&str]) -> Vec<String> {
    let help = String::from_utf8(bench.run(&[path, &["--help"]].concat()).stdout).unwrap();
    let list = help.split_once("Commands:\n").map_or("", |(_, rest)| rest);
    let lines = list.lines().take_while(|line| !line.is_empty());
    // Texts that are wrapped stand further in.
    let names = lines.filter_map(|line| line.strip_prefix("  ").filter(|line| !line.starts_with(' ')));
    names.filter_map(|line| line.split_whitespace().next()).filter(|name| *name != "help").map(str::to_owned).collect()
}

#[test]
fn every_command_has_a_page_in_the_manual() {
    let bench = Bench::new();
    let (code, told) = bench.json("manual", &["manual", "man"]);
    assert_eq!(code, 0);
    let page = |words: &[&str]| std::fs::read_to_string(bench.path("man").join(format!("{}.1", words.join("-"))));
    let own = page(&["witness"]).unwrap();
    // man(7): title, section, date, source, and manual, which is the heading of a page.
    let heading = format!(".TH witness 1 \" \" \"witness {}\" Witnessmark\n", env!("CARGO_PKG_VERSION"));
    assert!(own.contains(&heading), "{own:.200}");
    let commands = commands_below(&bench, &[]);
    assert!(commands.len() > 15, "{commands:?}");
    let mut n_pages = 1;
    for name in &commands {
        let text = page(&["witness", name]).unwrap();
        assert!(text.contains(".SH SYNOPSIS") && text.contains("json"), "{name}");
        assert!(own.contains(&format!("witness\\-{}(1)", name.replace('-', "\\-"))), "{name} is not on the first page");
        n_pages += 1;
        for below in commands_below(&bench, &[name]) {
            assert!(page(&["witness", name, &below]).is_ok(), "{name} {below}");
            n_pages += 1;
        }
    }
    // The hidden one writes them all and has a page too.
    assert_eq!(told["pages"].as_array().unwrap().len(), n_pages + 1);
}

#[test]
fn shells_are_told_what_there_is() {
    let bench = Bench::new();
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let script = String::from_utf8(bench.run(&["completions", shell]).stdout).unwrap();
        for word in ["survey", "suspects", "no-case", "adapter"] {
            assert!(script.contains(word), "{shell} is not told of {word}");
        }
        let (_, told) = bench.json("completions", &["completions", shell]);
        assert_eq!(told["script"], script);
        // A shell that is here reads it without running anything.
        if !matches!(shell, "bash" | "fish" | "zsh") {
            continue;
        }
        let Ok(mut reads) = Command::new(shell).arg("-n").stdin(Stdio::piped()).spawn() else {
            eprintln!("skipped: {shell} is not installed, its completions were not read by it");
            continue;
        };
        reads.stdin.take().unwrap().write_all(script.as_bytes()).unwrap();
        assert!(reads.wait().unwrap().success(), "{shell}");
    }
    assert_eq!(bench.run(&["completions", "none"]).status.code(), Some(2));
}
