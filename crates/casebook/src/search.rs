//! The words under which a case is found.

use std::collections::BTreeSet;

use wire::{CaseVehicle, Conditions, Content};

/// Longest word that is kept, characters.
const LONGEST: usize = 40;
/// Most words of one entry.
const MOST: usize = 400;

/// Words of a text: letters and digits, in lower case.
pub(crate) fn words(text: &str) -> impl Iterator<Item = String> + '_ {
    let words = text.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    words.map(|word| word.chars().flat_map(char::to_lowercase).take(LONGEST).collect())
}

/// The words of an entry: what it says in words, codes, parts, and everything that names the vehicle.
pub(crate) fn terms(content: &Content) -> Vec<String> {
    let mut texts: Vec<&str> = Vec::new();
    collect(content, &mut texts);
    let unique: BTreeSet<String> = texts.into_iter().flat_map(words).take(MOST).collect();
    unique.into_iter().collect()
}

/// The word by which cases with drives of healthy cars are found.
pub const REFERENCE_TERM: &str = "healthyreference";

fn vehicle<'a>(vehicle: &'a CaseVehicle, texts: &mut Vec<&'a str>) {
    texts.extend(
        [&vehicle.vin, &vehicle.plate, &vehicle.model, &vehicle.engine].into_iter().flatten().map(String::as_str),
    );
}

fn collect<'a>(content: &'a Content, texts: &mut Vec<&'a str>) {
    match content {
        Content::Opened { complaint, conditions, vehicle: it, .. } => {
            let Conditions { engine, speed, weather, often } = conditions;
            texts.push(complaint);
            texts.extend([engine, speed, weather, often].into_iter().flatten().map(String::as_str));
            vehicle(it, texts);
        }
        Content::Vehicle { vehicle: it, .. } => vehicle(it, texts),
        Content::Survey { survey, .. } => {
            texts.extend(survey.vehicle.vin.as_deref());
            texts.extend(survey.modules.iter().flat_map(|module| &module.codes).map(|code| code.code.as_str()));
        }
        Content::Finding { findings, .. } => {
            let faulty = findings.iter().filter(|finding| finding.verdict == "faulty");
            for finding in faulty {
                texts.push(&finding.kind);
                texts.extend(finding.subject.iter().map(String::as_str));
            }
        }
        // A drive is found again by what is in it, wherever its file went.
        Content::Drive { file, .. } => texts.push(&file.sha256),
        Content::Tested { test, .. } => texts.push(test),
        Content::Repaired { suspect, .. } => texts.push(suspect),
        Content::Swap { part, .. } => texts.push(part),
        Content::Reference { model, text, .. } => texts.extend([REFERENCE_TERM, model, text]),
        Content::Earlier { content, .. } => collect(content, texts),
        Content::Replaced { part, text, .. } => texts.extend([part.as_str(), text]),
        Content::Command { output, .. } => texts.push(output),
        Content::Mark { text, .. } | Content::Note { text } | Content::Photo { text, .. } => texts.push(text),
        Content::Decision { text, reason } => texts.extend([text.as_str(), reason]),
        Content::Closed { outcome } => texts.push(outcome),
        Content::Correction { content: Some(content), .. } => collect(content, texts),
        Content::Correction { content: None, .. }
        | Content::Clearing { .. }
        | Content::SwapVerdict { .. }
        | Content::Suspects { .. }
        | Content::Proof { .. }
        | Content::Reopened { .. } => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_letters_and_digits_in_lower_case() {
        let found: Vec<String> = words("Ruckelt beim Überholen, P0301!").collect();
        assert_eq!(found, ["ruckelt", "beim", "überholen", "p0301"]);
    }
}
