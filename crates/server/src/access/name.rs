//! The names that pages give themselves.

/// What a page at the machine itself is called until it says otherwise.
pub(super) const BENCH: &str = "bench";

/// A name fit to be shown to others: one line, at most 40 characters, never empty, and nothing in it that is not seen or
/// turns the order of what stands beside it (Unicode Standard, 23.2, and its Annex 9).
pub(super) fn shown(name: &str) -> String {
    let is_unseen = |c: char| {
        let is_format = matches!(
            c,
            '\u{AD}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}'
        );
        c.is_control() || is_format
    };
    let clean: String = name.chars().filter(|c| !is_unseen(*c)).take(40).collect();
    if clean.trim().is_empty() { "a page without a name".to_owned() } else { clean.trim().to_owned() }
}

/// `wanted` as far as nobody has it, and otherwise with a number behind it: under their names pages write into the ledger.
/// No page from elsewhere goes by the name of the bench.
pub(super) fn own<'a>(wanted: &str, is_bench: bool, others: impl Iterator<Item = &'a str> + Clone) -> String {
    let wanted = shown(wanted);
    let is_taken = |name: &String| {
        let is_same = |other: &str| other.to_lowercase() == name.to_lowercase();
        others.clone().any(is_same) || (!is_bench && is_same(BENCH))
    };
    let numbered = (2..).map(|number: u32| format!("{wanted} {number}"));
    std::iter::once(wanted.clone()).chain(numbered).find(|name| !is_taken(name)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_one_short_line() {
        assert_eq!(shown("  a\nb\u{7}c "), "abc");
        assert_eq!(shown("\n"), "a page without a name");
        assert_eq!(shown("\u{202E}nna\u{200B}"), "nna");
        assert_eq!(shown(&"x".repeat(100)).len(), 40);
    }

    #[test]
    fn nobody_goes_by_the_name_of_somebody_else() {
        let named = |wanted: &str| own(wanted, false, ["Max", "ann", "Ann 2"].into_iter());
        assert_eq!((named("Eva"), named("MAX"), named("Ann ")), ("Eva".into(), "MAX 2".into(), "Ann 3".into()));
        assert_eq!(named("Bench\u{200B}"), "Bench 2");
        assert_eq!(own("bench", true, std::iter::empty()), "bench");
    }
}
