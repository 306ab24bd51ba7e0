//! Words that no file of the repository may hold.

/// Places on somebody's machine, hosts of package registries, and talk of how the work was organised: none of them
/// means anything to a reader of the repository. Cut in two where they stand whole, because this file is checked too.
const FORBIDDEN: &[(&str, &str)] = &[
    (concat!("/wo", "rk/"), "a path of one machine"),
    (concat!("/ro", "ot/"), "a path of one machine"),
    (concat!("/ho", "me/"), "a path of one machine"),
    (concat!("bash", "_jobs"), "a path of one machine"),
    (concat!("shared", "/guide"), "a page outside the repository"),
    (concat!("reference", "-facts"), "a page outside the repository"),
    (concat!("contract", ".md"), "a page outside the repository"),
    (concat!("design", ".md"), "a page outside the repository"),
    (concat!("limits", ".md"), "a page outside the repository"),
    (concat!("style", ".md"), "a page outside the repository"),
    (concat!("the contract", " page"), "a page outside the repository"),
    (concat!("the design", " page"), "a page outside the repository"),
    (concat!("seed ", "document"), "how the work was organised"),
    (concat!("this ", "issue"), "how the work was organised"),
    (concat!("issue", " #"), "how the work was organised"),
    (concat!("the ", "brief"), "how the work was organised"),
    (concat!("crates", ".io"), "the host of a package registry"),
    (concat!("pypi", ".org"), "the host of a package registry"),
    (concat!("npmjs", ".org"), "the host of a package registry"),
    (concat!("deb.debian", ".org"), "the host of a package registry"),
];

/// Names every line that holds a forbidden word, in whatever case.
pub(super) fn forbidden(file: &str, text: &str) -> Vec<String> {
    // cargo writes the registry's address into its lock file.
    if file == "Cargo.lock" {
        return Vec::new();
    }
    let mut complaints = Vec::new();
    for (idx, line) in text.lines().enumerate() {
        let line = line.to_lowercase();
        for (word, why) in FORBIDDEN.iter().filter(|(word, _)| line.contains(word)) {
            complaints.push(format!("{file}:{}: `{word}` is {why}", idx + 1));
        }
        if let Some(number) = numbered_issue(&line) {
            complaints.push(format!("{file}:{}: `issue {number}` is how the work was organised", idx + 1));
        }
    }
    complaints
}

/// The number behind the word "issue".
fn numbered_issue(line: &str) -> Option<u32> {
    let behind = line.match_indices(concat!("issue", " ")).filter_map(|(at, word)| line.get(at + word.len()..));
    behind.filter_map(|rest| rest.split(|c: char| !c.is_ascii_digit()).next()?.parse().ok()).next()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_forbidden_word_is_found_in_any_case_with_its_line() {
        for (word, why) in FORBIDDEN {
            let text = format!("fine\nsee {} there\n", word.to_uppercase());
            assert_eq!(forbidden("a.md", &text), [format!("a.md:2: `{word}` is {why}")]);
        }
        let text = format!("as {} 4 says", concat!("iss", "ue"));
        assert_eq!(forbidden("a.rs", &text).len(), 1);
    }

    #[test]
    fn words_of_the_trade_and_the_lock_file_pass() {
        assert_eq!(
            forbidden("a.md", "a diagnostic session, an issue with the coil, the framework/path"),
            [] as [String; 0]
        );
        assert_eq!(forbidden("Cargo.lock", concat!("crates", ".io")), [] as [String; 0]);
    }
}
