//! What the evidence answers to the clues of a model: codes and findings, each with its odds, and tests made by hand.

use super::file::codes_of;
use super::model::{Clue, FindingRow, Member, Model};
use super::place::{codes_wanted, share_of_member, speaks_for_itself};
use super::{Code, CodeState, Evidence, Seen};

/// Cap of the odds of one finding or code, as a logarithm.
pub(super) const MOST_LOG10: f64 = 2.0;
/// A confirmed code is a module's own verdict; a pending one was seen once (common practice, no source).
const CONFIRMED_LOG10: f64 = 2.0;
const PENDING_LOG10: f64 = 1.0;
/// From here on a finding answers a clue, so that it need not be tested any more; below, it only leans.
pub(super) const ANSWERS_LOG10: f64 = 1.0;
/// From here on a finding opens an area, as its verdict is faulty.
pub(super) const OPENS_LOG10: f64 = 2.0;
/// From this probability on a swap opens the area of the cylinder whose parts it suspects (common practice, no source).
pub(super) const OPENS_SWAP: f64 = 0.2;

/// What answers a clue.
pub(super) struct Answered {
    pub(super) evidence: String,
    /// Odds for yes; infinite or zero would be a hard answer, which is given as `None` with `is_yes`.
    pub(super) log10: Option<f64>,
    pub(super) is_yes: bool,
}

/// Whether someone tested or repaired in an area.
pub(super) fn is_by_hand(area: &str, evidence: &Evidence) -> bool {
    let tested = evidence.answers.iter().map(|answer| &answer.area);
    tested.chain(evidence.repairs.iter().map(|repair| &repair.area)).any(|it| it == area)
}

/// Whether a code or a finding names this member, or someone tested or repaired it.
pub(super) fn names(model: &Model, member: usize, evidence: &Evidence) -> bool {
    if is_by_hand(&area_id(model, Some(member)), evidence) {
        return true;
    }
    if share_of_member(model, member, evidence) >= OPENS_SWAP {
        return true;
    }
    model.clues.iter().filter(|clue| clue.opens).any(|clue| {
        let mut codes = evidence.codes.iter().flatten();
        let rows = clue.findings.iter().filter(|row| row.subject.contains("{n}") && !row.of_another);
        codes.any(|code| codes_wanted(model, clue, Some(member), code).contains(&code.code))
            || rows.into_iter().any(|row| {
                let mut findings = evidence.findings.iter().filter(|seen| speaks_for_itself(model, seen, evidence));
                findings.any(|seen| {
                    row.is_met(seen, Some(&model.members[member]))
                        && row.log10(seen).is_some_and(|log10| log10 >= OPENS_LOG10)
                })
            })
    })
}

impl FindingRow {
    /// Whether the finding is of this row's kind and subject.
    fn is_met(&self, seen: &Seen, member: Option<&Member>) -> bool {
        if seen.kind != self.kind {
            return false;
        }
        let matches = |id: &str| {
            let wanted = self.subject.replace("{n}", id);
            match wanted.strip_suffix('*') {
                Some(start) => seen.subject.iter().any(|subject| subject.starts_with(start)),
                None => seen.subject.contains(&wanted),
            }
        };
        match (self.subject.contains("{n}"), self.of_another, member) {
            (true, true, Some(member)) => !matches(&member.id) && self.of_any().is_met(seen, None),
            // Who the member is, is not known: any may be meant.
            (true, false, None) => self.of_any().is_met(seen, None),
            (true, true, None) => false,
            (_, _, member) => matches(member.map_or("", |member| member.id.as_str())),
        }
    }

    /// The same for any member.
    fn of_any(&self) -> Self {
        let start = self.subject.split("{n}").next().unwrap_or_default();
        Self { subject: format!("{start}*"), of_another: false, ..self.clone() }
    }

    /// Odds for yes that a finding of this row gives.
    fn log10(&self, seen: &Seen) -> Option<f64> {
        let Some(name) = &self.figure else { return Some(seen.log10_odds) };
        // A figure speaks only where there is a fault for it to describe.
        if seen.log10_odds < OPENS_LOG10 {
            return None;
        }
        let figure = seen.figures.get(name)?;
        let within = self.above.is_none_or(|above| *figure > above) && self.below.is_none_or(|below| *figure < below);
        Some(if within { seen.log10_odds } else { -seen.log10_odds })
    }
}

/// What the evidence answers to a clue, if anything does.
pub(super) fn answer_of(model: &Model, clue: &Clue, member: Option<usize>, evidence: &Evidence) -> Option<Answered> {
    let area = area_id(model, member);
    if let Some(answer) = evidence.answers.iter().rev().find(|answer| answer.area == area && answer.test == clue.id) {
        return Some(Answered { evidence: "tested by hand".to_owned(), log10: None, is_yes: answer.is_yes });
    }
    let mut soft: Vec<(f64, String)> = Vec::new();
    if let Some(held) = &evidence.codes {
        let any: Vec<String> = clue.codes_any.iter().filter_map(|text| codes_of(text).ok()).flatten().collect();
        let is_one_of = |wanted: &[String], code: &str| {
            wanted.iter().any(|wanted| match wanted.strip_suffix('*') {
                Some(start) => code.starts_with(start),
                None => code == wanted,
            })
        };
        let is_wanted = |code: &Code| {
            is_one_of(&any, &code.code) || is_one_of(&codes_wanted(model, clue, member, code), &code.code)
        };
        for code in held.iter().filter(|code| is_wanted(code)) {
            let (log10, state) = match code.state {
                CodeState::Confirmed => (CONFIRMED_LOG10, ""),
                CodeState::Pending => (PENDING_LOG10, "pending "),
                CodeState::Earlier => (PENDING_LOG10, "earlier "),
            };
            soft.push((log10, format!("{state}code {} in {}", code.code, code.module)));
        }
        let asks_for_codes = !any.is_empty() || !clue.codes_each.is_empty();
        if soft.is_empty() && asks_for_codes && clue.absence_counts {
            soft.push((-CONFIRMED_LOG10, "codes were read".to_owned()));
        }
    }
    for row in &clue.findings {
        let member = member.and_then(|member| model.members.get(member));
        let told = evidence.findings.iter().filter(|seen| speaks_for_itself(model, seen, evidence));
        let met = told.filter(|seen| row.is_met(seen, member));
        soft.extend(met.filter_map(|seen| {
            let log10 = row.log10(seen)?.clamp(-MOST_LOG10, MOST_LOG10);
            Some((log10, format!("finding {} in {}", seen.kind, seen.drive)))
        }));
    }
    // A fault that shows once is there; only if it never shows does the best look at it count.
    let strongest = soft.iter().filter(|soft| soft.0 > 0.0).max_by(|a, b| a.0.total_cmp(&b.0));
    let (log10, said) = strongest.or_else(|| soft.iter().min_by(|a, b| a.0.total_cmp(&b.0)))?;
    Some(Answered { evidence: said.clone(), log10: Some(*log10), is_yes: *log10 >= 0.0 })
}

/// The area of a model, or of one of its members.
pub(super) fn area_id(model: &Model, member: Option<usize>) -> String {
    match member.and_then(|idx| model.members.get(idx)) {
        Some(member) => format!("{}.{}", model.id, member.id),
        None => model.id.clone(),
    }
}

/// Whether a clue asks for a code.
pub(super) fn clue_uses(clue: &Clue, code: &str) -> bool {
    let texts = clue.codes_each.iter().chain(&clue.codes_any);
    texts.filter_map(|text| codes_of(text).ok()).flatten().any(|wanted| match wanted.strip_suffix('*') {
        Some(start) => code.starts_with(start),
        None => code == wanted,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(subject: &str, of_another: bool) -> FindingRow {
        let (kind, subject) = ("odd_wheel".to_owned(), subject.to_owned());
        FindingRow { kind, subject, of_another, figure: None, above: None, below: None }
    }

    fn seen(subject: &[&str], log10_odds: f64, figures: &[(&str, f64)]) -> Seen {
        Seen {
            drive: String::new(),
            kind: "odd_wheel".to_owned(),
            subject: subject.iter().map(|it| (*it).to_owned()).collect(),
            log10_odds,
            figures: figures.iter().map(|(name, value)| ((*name).to_owned(), *value)).collect(),
            placement: crate::swap::Placement::new(),
        }
    }

    #[test]
    fn whose_finding_it_is() {
        let left = Member { id: "front_left".into(), name: "front left".into() };
        let met = |row: &FindingRow, subject: &str, member| row.is_met(&seen(&[subject], 3.0, &[]), member);
        let own = row("wheel.speed.{n}", false);
        assert!(met(&own, "wheel.speed.front_left", Some(&left)) && !met(&own, "wheel.speed.rear_left", Some(&left)));
        // Whose it is is not known: any may be meant, but only of this kind of subject.
        assert!(met(&own, "wheel.speed.rear_left", None) && !met(&own, "battery", None));
        let other = row("wheel.speed.{n}", true);
        assert!(
            met(&other, "wheel.speed.rear_left", Some(&left)) && !met(&other, "wheel.speed.front_left", Some(&left))
        );
        assert!(!met(&other, "battery", Some(&left)) && !met(&other, "wheel.speed.rear_left", None));
        let any = row("wheel.*", false);
        assert!(
            met(&any, "wheel.speed.rear_left", Some(&left))
                && met(&any, "wheel.size", None)
                && !met(&any, "battery", None)
        );
        assert!(met(&row("battery", false), "battery", None) && !met(&row("battery", false), "batteries", Some(&left)));
        let both = seen(&["battery", "wheel.speed.front_left"], 3.0, &[]);
        assert!(own.is_met(&both, Some(&left)));
        assert!(!FindingRow { kind: "dropout".to_owned(), ..own }.is_met(&both, Some(&left)));
    }

    /// A figure speaks only of a fault (two decades and more): for it within its limits, against it outside.
    #[test]
    fn what_a_figure_says() {
        let row = |above, below| FindingRow { figure: Some("size".into()), above, below, ..row("battery", false) };
        let log10 =
            |above, below, size: f64, odds: f64| row(above, below).log10(&seen(&["battery"], odds, &[("size", size)]));
        assert_eq!((log10(Some(1.0), None, 1.1, 3.0), log10(Some(1.0), None, 1.0, 3.0)), (Some(3.0), Some(-3.0)));
        assert_eq!((log10(None, Some(1.0), 0.9, 3.0), log10(None, Some(1.0), 1.0, 3.0)), (Some(3.0), Some(-3.0)));
        assert_eq!(
            (log10(Some(1.0), Some(2.0), 1.5, 2.0), log10(Some(1.0), Some(2.0), 2.5, 2.0)),
            (Some(2.0), Some(-2.0))
        );
        assert_eq!((log10(Some(1.0), None, 1.5, 1.9), row(Some(1.0), None).log10(&seen(&[], 3.0, &[]))), (None, None));
        assert_eq!(super::tests::row("battery", false).log10(&seen(&["battery"], -0.4, &[])), Some(-0.4));
    }
}
