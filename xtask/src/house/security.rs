//! Every line of the threat model names a test that there is.

use std::collections::BTreeSet;

/// The page of the threat model.
pub(super) const PAGE: &str = "docs/security.md";

/// Names of the functions in a source file.
pub(super) fn functions(file: &str, text: &str) -> Vec<String> {
    if !file.ends_with(".rs") {
        return Vec::new();
    }
    let names = text.split("fn ").skip(1).filter_map(|rest| rest.split_once('(').map(|(name, _)| name));
    names.filter(|name| name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')).map(str::to_owned).collect()
}

/// Names the lines of the page's tables whose last column names no test, or one that there is not.
pub(super) fn untested(page: &str, functions: &BTreeSet<String>) -> Vec<String> {
    let lines = (1..).zip(page.lines()).filter(|(_, line)| line.starts_with("| "));
    let rows = lines.filter(|(_, line)| !line.starts_with("| ---") && !line.ends_with("| test |"));
    let mut complaints = Vec::new();
    for (number, line) in rows {
        let last = line.trim_end_matches('|').rsplit('|').next().unwrap_or_default();
        let named: Vec<&str> = last.split('`').skip(1).step_by(2).collect();
        if named.is_empty() {
            complaints.push(format!("{PAGE}:{number}: names no test"));
        }
        let missing = named.into_iter().filter(|name| !functions.contains(*name));
        complaints.extend(missing.map(|name| format!("{PAGE}:{number}: there is no test `{name}`")));
    }
    complaints
}

/// Names the places of a source file that allow `unsafe` without saying why.
pub(super) fn unsafe_without_reason(file: &str, text: &str) -> Vec<String> {
    let allows = concat!("allow(", "unsafe_code");
    let lines = (1..).zip(text.lines()).filter(|(_, line)| file.ends_with(".rs") && line.contains(allows));
    let bare = lines.filter(|(_, line)| !line.contains("reason = \""));
    bare.map(|(number, _)| format!("{file}:{number}: allows `unsafe` without a reason")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unsafe_takes_a_reason() {
        let allow = concat!("#![allow(", "unsafe_code");
        assert_eq!(unsafe_without_reason("a.rs", &format!("{allow})]")), ["a.rs:1: allows `unsafe` without a reason"]);
        assert!(unsafe_without_reason("a.rs", &format!("{allow}, reason = \"a C interface\")]")).is_empty());
    }

    #[test]
    fn a_line_without_a_test_is_named() {
        let there: BTreeSet<String> =
            functions("a.rs", "#[test]\nfn is_there() {}\n// fn fun, no name").into_iter().collect();
        assert_eq!(there.len(), 1);
        assert!(functions("a.md", "fn is_there()").is_empty());
        let page = "| what | how | test |\n| --- | --- | --- |\n| a | `b` | `is_there` |\n| c | d | `is_not`, `is_there` |\n| e | `f` | none |";
        let said = untested(page, &there);
        assert_eq!(said, ["docs/security.md:4: there is no test `is_not`", "docs/security.md:5: names no test"]);
    }
}
