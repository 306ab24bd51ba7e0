//! Sentences about suspects.

use super::{NO_FAULT, NextTest, Suspect};

/// The words of `text` from the first one that begins with `start`, as far as `start` reaches and to the end of its word;
/// whatever the case and the accents of the letters.
pub(super) fn words_from(text: &str, start: &str) -> Option<String> {
    let wanted: Vec<char> = start.chars().map(plain).collect();
    let letters: Vec<char> = text.chars().collect();
    let is_start = |at: usize| at == 0 || !letters[at - 1].is_alphanumeric();
    let begins = |at: usize| letters[at..].iter().copied().map(plain).take(wanted.len()).eq(wanted.iter().copied());
    let from = (0..letters.len()).find(|&at| is_start(at) && begins(at))?;
    let rest = letters[from + wanted.len()..].iter().take_while(|letter| letter.is_alphanumeric()).count();
    Some(letters[from..from + wanted.len() + rest].iter().collect())
}

/// A letter in lower case without its accent: customers write as they like.
fn plain(letter: char) -> char {
    match letter.to_lowercase().next().unwrap_or(letter) {
        'á' | 'à' => 'a',
        'é' | 'è' => 'e',
        'í' => 'i',
        'ó' => 'o',
        'ú' | 'ü' => 'u',
        'ñ' => 'n',
        '\u{2019}' => '\'',
        other => other,
    }
}

/// What a swap showed, from its most probable hypothesis.
pub(super) fn swap(fault: &str, probability: f64) -> String {
    let share = percent(probability);
    if fault == "none" {
        format!("after the exchange the fault is gone ({share})")
    } else if fault == "several" {
        format!("more than one fault ({share})")
    } else if fault.starts_with("cylinder") {
        format!("the fault stays with {fault} ({share})")
    } else {
        format!("the fault moves with {fault} ({share})")
    }
}

pub(super) fn percent(p: f64) -> String {
    let percent = 100.0 * p;
    // Never certainty: what is left of it is what the model does not know.
    if percent > 99.0 {
        "over 99 %".to_owned()
    } else if percent < 1.0 {
        "under 1 %".to_owned()
    } else {
        format!("{percent:.0} %")
    }
}

/// What is known of an area as a whole.
pub(super) struct Standing<'a> {
    pub(super) suspects: &'a [Suspect],
    pub(super) decided: bool,
    pub(super) next: Option<&'a NextTest>,
    /// How to find out which member it is, while that is not known.
    pub(super) how_to_name: Option<&'a str>,
    /// Nothing but the words of the complaint points here.
    pub(super) is_complaint_only: bool,
}

/// Where the area stands, in one or two sentences.
pub(super) fn statement(area: &Standing<'_>) -> String {
    let Some(first) = area.suspects.first() else { return String::new() };
    let share = percent(first.probability);
    if let Some(how) = area.how_to_name {
        let why = if area.is_complaint_only { "Only the complaint points here. " } else { "" };
        return format!("{why}First find out which it is: {how}");
    }
    let mut text = match (area.decided, first.id.as_str()) {
        (true, NO_FAULT) => format!("Decided: no fault here ({share})."),
        (true, _) => format!("Decided: {} ({share}).", first.name),
        (false, _) => {
            let so_far = if area.is_complaint_only { "Only the complaint points here; by experience" } else { "Open:" };
            let second = area.suspects.get(1);
            let second = second.map(|second| format!(", then {} ({})", second.name, percent(second.probability)));
            format!("{so_far} most probable is {} ({share}){}.", first.name, second.unwrap_or_default())
        }
    };
    match area.next {
        _ if area.decided && first.is_out => text += " The proof shows whether that was all.",
        Some(next) if !area.decided => text += &format!(" Next, {:.0} minutes: {}", next.minutes, next.ask),
        Some(next) if first.id != NO_FAULT => {
            text += &format!(" Worth a look before parts are bought, {:.0} minutes: {}", next.minutes, next.ask);
        }
        _ => {}
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_a_complaint() {
        let found = |text, start| words_from(text, start);
        assert_eq!(found("Engine MISFIRES when cold", "misfir").as_deref(), Some("MISFIRES"));
        assert_eq!(found("l'abs s'allume", "abs").as_deref(), Some("abs"));
        assert_eq!(found("it grabs", "abs"), None);
        assert_eq!(found("esta sin fuerzas", "sin fuerza").as_deref(), Some("sin fuerzas"));
        assert_eq!(found("Da TIRÓN al acelerar", "tiron").as_deref(), Some("TIRÓN"));
        assert_eq!(found("won\u{2019}t start", "won't start").as_deref(), Some("won\u{2019}t start"));
        assert_eq!(found("", "abs"), None);
    }
}
