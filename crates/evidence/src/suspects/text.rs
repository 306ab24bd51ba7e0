//! Sentences about suspects.

use super::{NO_FAULT, NextTest, Suspect};

/// Whether a word of `text` begins with `start`, whatever the case of the letters.
pub(super) fn has_word_start(text: &str, start: &str) -> bool {
    let (text, start) = (text.to_lowercase(), start.to_lowercase());
    let mut before = ' ';
    text.char_indices().any(|(at, c)| {
        let is_start = !before.is_alphanumeric();
        before = c;
        is_start && text[at..].starts_with(&start)
    })
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

/// Where the area stands, in one sentence.
pub(super) fn statement(
    suspects: &[Suspect],
    decided: bool,
    next: Option<&NextTest>,
    how_to_name: Option<&str>,
) -> String {
    let Some(first) = suspects.first() else { return String::new() };
    let share = percent(first.probability);
    let mut text = match (decided, first.id.as_str()) {
        (true, NO_FAULT) => format!("Decided: no fault here ({share})."),
        (true, _) => format!("Decided: {} ({share}).", first.name),
        (false, _) => {
            let second =
                suspects.get(1).map(|second| format!(", then {} ({})", second.name, percent(second.probability)));
            format!("Open: most probable is {} ({share}){}.", first.name, second.unwrap_or_default())
        }
    };
    if let Some(how) = how_to_name {
        text += &format!(" First find out which it is: {how}");
    } else if let (Some(next), false) = (next, decided) {
        text += &format!(" Next, {:.0} minutes: {}", next.minutes, next.ask);
    } else if let (Some(next), true) = (next, first.id != NO_FAULT) {
        text += &format!(" Worth a look before parts are bought, {:.0} minutes: {}", next.minutes, next.ask);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_a_complaint() {
        assert!(has_word_start("Engine MISFIRES when cold", "misfir"));
        assert!(has_word_start("l'abs s'allume", "abs"));
        assert!(!has_word_start("it grabs", "abs"));
        assert!(has_word_start("está sin fuerza", "sin fuerza"));
    }
}
