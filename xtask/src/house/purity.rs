//! Crates that are pure functions and state machines touch no port, file, thread or clock.

/// Folders whose library code does no input or output.
const PURE: &[&str] = &["crates/signal/src/", "crates/protocol/src/", "crates/definition/src/", "crates/evidence/src/"];

/// What such code does not write. Threads: state machines are driven, they do not run by themselves.
const IMPURE: &[&str] = &[
    "std::fs",
    "std::net",
    "std::process",
    "std::thread",
    "std::env",
    "SystemTime",
    "Instant",
    "println!",
    "eprintln!",
];

/// Where the tests of a file begin: a module of tests, or a file that is nothing else.
const IN_TESTS_ONLY: &[&str] = &["#[cfg(test)]", "#![cfg(test)]"];

/// Names the lines of a pure crate that reach out, up to its unit tests.
pub(super) fn impure(file: &str, text: &str) -> Vec<String> {
    if !PURE.iter().any(|folder| file.starts_with(folder)) || !file.ends_with(".rs") || file.ends_with("/tests.rs") {
        return Vec::new();
    }
    let library =
        text.lines().enumerate().take_while(|(_, line)| !IN_TESTS_ONLY.iter().any(|mark| line.starts_with(mark)));
    let code = library.filter(|(_, line)| !line.trim_start().starts_with("//"));
    let complain = |(idx, line): (usize, &str)| {
        let found = IMPURE.iter().find(|word| has_word(line, word))?;
        Some(format!("{file}:{}: `{found}` in a crate that does no input or output", idx + 1))
    };
    code.filter_map(complain).collect()
}

/// Whether `word` stands in the line on its own, not as part of a longer name.
fn has_word(line: &str, word: &str) -> bool {
    let is_name = |c: char| c.is_alphanumeric() || c == '_';
    line.match_indices(word).any(|(at, _)| {
        let before = line.get(..at).and_then(|text| text.chars().next_back());
        let after = line.get(at + word.len()..).and_then(|text| text.chars().next());
        !before.is_some_and(is_name) && !after.is_some_and(is_name)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_in_a_state_machine_is_named_with_its_line() {
        let text = "use crate::x;\nlet now = Instant::now();\n";
        assert_eq!(
            impure("crates/protocol/src/at.rs", text),
            ["crates/protocol/src/at.rs:2: `Instant` in a crate that does no input or output"]
        );
        assert_eq!(impure("crates/evidence/src/a.rs", "let x = std::fs::read(path);").len(), 1);
    }

    #[test]
    fn comments_tests_longer_names_and_other_crates_are_left_alone() {
        for text in [
            "/// Never reads `Instant::now`.",
            "struct Instantaneous;",
            "#[cfg(test)]\nmod tests { use std::fs; }",
            "//! Tests.\n#![cfg(test)]\nuse std::fs;",
        ] {
            assert_eq!(impure("crates/protocol/src/at.rs", text), [] as [String; 0], "{text}");
        }
        assert_eq!(impure("crates/link/src/serial.rs", "Instant::now()"), [] as [String; 0]);
        assert_eq!(impure("crates/evidence/tests/real.rs", "std::fs::read(path)"), [] as [String; 0]);
    }
}
