//! The names that pages give themselves.

use unicode_security::skeleton;

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

/// `wanted` as far as nobody has it or one that looks alike, and otherwise with a number behind it: under their names pages
/// write into the ledger. No page from elsewhere goes by the name of the bench.
pub(super) fn own<'a>(wanted: &str, is_bench: bool, others: impl Iterator<Item = &'a str> + Clone) -> String {
    let wanted = shown(wanted);
    let is_taken = |name: &String| {
        let is_same = |other: &str| looks(other) == looks(name);
        others.clone().any(is_same) || (!is_bench && is_same(BENCH))
    };
    let numbered = (2..).map(|number: u32| format!("{wanted} {number}"));
    std::iter::once(wanted.clone()).chain(numbered).find(|name| !is_taken(name)).unwrap_or_default()
}

/// What a name looks like, the same for all that can be taken for one another: with letters that look alike as one (Unicode
/// Technical Standard 39, 4: skeletons), before and behind the change to small ones, as some look alike only as capitals.
fn looks(name: &str) -> String {
    let alike = |text: &str| skeleton(text).collect::<String>();
    alike(&alike(name).to_lowercase())
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
        // Letters from confusables.txt of UTS 39: Cyrillic a, e, Ve (a capital that is none of B as a small letter), Greek nu.
        for (like, other) in
            [("M\u{430}x", "Max"), ("b\u{435}nch", "bench"), ("\u{412}ench", "bench"), ("A\u{3BD}", "Av")]
        {
            assert_eq!(own(like, false, [other].into_iter()), format!("{like} 2"), "{other}");
        }
        // Names of other writings that look like nothing else are names.
        assert_eq!(
            (named("\u{416}\u{435}\u{43D}\u{44F}"), named("\u{674E}")),
            ("\u{416}\u{435}\u{43D}\u{44F}".into(), "\u{674E}".into())
        );
        assert_eq!(own("bench", true, std::iter::empty()), "bench");
    }
}
