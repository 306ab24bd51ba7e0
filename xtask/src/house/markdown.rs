//! Markdown has one sentence per line: a changed sentence is then one changed line.

/// Names the lines of a Markdown file on which a second sentence begins; tables and code are left alone.
pub(super) fn sentences(file: &str, text: &str) -> Vec<String> {
    if !file.ends_with(".md") || file.contains("/tests/") {
        return Vec::new();
    }
    let mut in_code = false;
    let mut complaints = Vec::new();
    for (idx, line) in text.lines().enumerate() {
        if line.trim_start().starts_with("```") {
            in_code = !in_code;
        } else if !in_code && !line.starts_with('|') && has_second_sentence(line) {
            complaints.push(format!("{file}:{}: a second sentence on one line", idx + 1));
        }
    }
    complaints
}

/// A full stop, question or exclamation mark after a word, then a space and a capital.
fn has_second_sentence(line: &str) -> bool {
    let chars: Vec<char> = line.chars().collect();
    chars.windows(4).any(|window| {
        let [before, mark, space, next] = window else { return false };
        // A digit before the mark is a list number, a capital an initial.
        (before.is_lowercase() || matches!(before, ')' | '`' | '"'))
            && matches!(mark, '.' | '?' | '!')
            && *space == ' '
            && next.is_uppercase()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_sentence_is_named_with_its_line() {
        let text = "# Page\n\nOne sentence. Another one.\nA third `one`. And more.\n";
        assert_eq!(
            sentences("docs/a.md", text),
            ["docs/a.md:3: a second sentence on one line", "docs/a.md:4: a second sentence on one line"]
        );
    }

    #[test]
    fn lists_tables_code_and_other_files_are_left_alone() {
        let text =
            "1. First point.\n| One. Two. | Three. Four. |\n```text\nDone. Next.\n```\nVersion 2.0 of it, e.g. this.\n";
        assert_eq!(sentences("docs/a.md", text), [] as [String; 0]);
        assert_eq!(sentences("docs/a.rs", "One. Two."), [] as [String; 0]);
        assert_eq!(sentences("crates/x/tests/data/README.md", "One. Two."), [] as [String; 0]);
    }
}
