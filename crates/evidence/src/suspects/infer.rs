//! Bayes' rule over one area: a clue is a yes-no observation with a probability under each fault.
//!
//! Hard answers (a test made by hand) multiply by that probability. Codes and findings are themselves uncertain: with odds
//! `r` for what the clue asks, the recording is `r p + (1 - p)` times as likely under a fault that shows it with
//! probability `p` (virtual evidence; Pearl 1988, "Probabilistic Reasoning in Intelligent Systems", 2.2.2, from memory).
//! `r` is capped: a check is sure about a drive, not about a car.

use std::collections::BTreeSet;

use super::answer::{
    ANSWERS_LOG10, Answered, MOST_LOG10, OPENS_LOG10, OPENS_SWAP, answer_of, area_id, clue_uses, is_by_hand, names,
};
use super::count::{Observed, count};
use super::model::{Clue, Model};
use super::order::{Action, Problem, Test};
use super::place::{Place, is_at_first, share_of_member, sits_elsewhere};
use super::{Area, DECIDED, Evidence, NO_FAULT, NextTest, Outcome, Repair, Suspect, Suspects, UNLISTED, text};
use crate::swap::{PRIOR_NONE, PRIOR_ONE, PRIOR_SEVERAL};

/// That a repair of the part at fault does not help (new part bad, botched), and that another repair cures a fault
/// elsewhere, at least for a while (common practice, no source).
const REPAIR_FAILS: f64 = 0.05;
const REPAIR_CURES_ANOTHER: f64 = 0.08;

pub(super) fn weigh(models: &[Model], evidence: &Evidence) -> Suspects {
    let mut used = Used::default();
    let mut areas: Vec<Area> = models.iter().flat_map(|model| open(model, evidence, &mut used)).collect();
    // The surest fault first: an area where nothing may be wrong after all comes later.
    let faulty = |area: &Area| {
        1.0 - area.suspects.iter().find(|suspect| suspect.id == NO_FAULT).map_or(0.0, |suspect| suspect.probability)
    };
    areas.sort_by(|a, b| faulty(b).total_cmp(&faulty(a)));
    Suspects { unused: used.unused(evidence, &areas), areas }
}

/// Which evidence some area used.
#[derive(Default)]
struct Used {
    codes: BTreeSet<String>,
    /// Codes that name a cylinder, read after parts had changed places.
    moved: BTreeSet<String>,
}

impl Used {
    fn unused(&self, evidence: &Evidence, areas: &[Area]) -> Vec<String> {
        let codes = evidence.codes.iter().flatten().filter(|code| !self.codes.contains(&code.code));
        let mut lines: Vec<String> =
            codes.map(|code| format!("code {} in {}: no area of the model uses it", code.code, code.module)).collect();
        // After an exchange the number of a cylinder names whatever moved there.
        let moved = evidence.codes.iter().flatten().filter(|code| self.moved.contains(&code.code));
        lines.extend(moved.filter(|_| evidence.swap.is_empty()).map(|code| {
            let (code, module) = (&code.code, &code.module);
            format!(
                "code {code} in {module}: read after parts had changed places; drives before and after that tell more"
            )
        }));
        let places = evidence.answers.iter().map(|answer| (&answer.area, &answer.test));
        for (area, what) in places.chain(evidence.repairs.iter().map(|repair| (&repair.area, &repair.suspect))) {
            if !areas.iter().any(|open| open.id == *area) {
                lines.push(format!("`{area}/{what}`: no such area is open"));
            }
        }
        lines
    }
}

/// The areas that the evidence opens under one model.
fn open(model: &Model, evidence: &Evidence, used: &mut Used) -> Vec<Area> {
    let complaint = model.complaint.iter().find_map(|start| text::words_from(&evidence.complaint, start));
    let complaint = complaint.map(|words| format!("the complaint speaks of \u{201c}{words}\u{201d}"));
    let opening = |member: Option<usize>| -> Vec<String> {
        let clues = model.clues.iter().filter(|clue| clue.opens);
        let answers = clues.filter_map(|clue| answer_of(model, clue, member, evidence));
        let seen = answers.filter(|answer| answer.log10.is_some_and(|log10| log10 >= OPENS_LOG10)).map(|a| a.evidence);
        let swap = member.is_some_and(|member| share_of_member(model, member, evidence) >= OPENS_SWAP);
        seen.chain(swap.then(|| "the swap".to_owned())).collect()
    };
    let mut open: Vec<(Option<usize>, Vec<String>)> = if model.members.is_empty() {
        vec![(None, opening(None))]
    } else {
        let named = (0..model.members.len()).filter(|&member| names(model, member, evidence));
        named.map(|member| (Some(member), opening(Some(member)))).collect()
    };
    // Nothing names a member: one area stands for the one that is not known yet.
    if open.is_empty() {
        open.push((None, opening(None)));
    }
    open.retain(|(member, by)| !by.is_empty() || member.is_some() || complaint.is_some());
    let build = |(member, seen): (Option<usize>, Vec<String>)| {
        let is_complaint_only = seen.is_empty() && !is_by_hand(&area_id(model, member), evidence);
        Instance { model, member, is_complaint_only }.area(seen, complaint.clone(), evidence, used)
    };
    open.into_iter().map(build).collect()
}

/// One model for one member.
struct Instance<'a> {
    model: &'a Model,
    member: Option<usize>,
    is_complaint_only: bool,
}

impl Instance<'_> {
    fn fill(&self, text: &str) -> String {
        text.replace("{}", self.model.member_name(self.member))
    }

    /// Short names of the hypotheses: the suspects, then [`UNLISTED`], then [`NO_FAULT`].
    fn ids(&self) -> Vec<String> {
        let own = self.model.suspects.iter().map(|suspect| suspect.id.clone());
        own.chain([UNLISTED.to_owned(), NO_FAULT.to_owned()]).collect()
    }

    /// Where the part of each hypothesis stands now, if it ever moved.
    fn places(&self, evidence: &Evidence) -> Vec<Option<Place>> {
        let own = self.model.suspects.iter();
        let own = own.map(|suspect| sits_elsewhere(self.model, self.member?, &suspect.id, &evidence.placement));
        own.chain([None, None]).collect()
    }

    fn names(&self, places: &[Option<Place>]) -> Vec<String> {
        let own = self.model.suspects.iter().zip(places).map(|(suspect, place)| {
            let name = self.fill(&suspect.name);
            match place {
                None => name,
                Some(Place::On(cylinder)) => format!("{name}, now on {cylinder}"),
                Some(Place::Out) => format!("{name}, which is out of the car"),
            }
        });
        own.chain(["something that is not in this list".to_owned(), "no fault here".to_owned()]).collect()
    }

    fn priors(&self) -> Vec<f64> {
        let total: f64 = self.model.suspects.iter().map(|suspect| suspect.prior).sum();
        let listed = 1.0 - self.model.unlisted - self.model.no_fault;
        let own = self.model.suspects.iter().map(|suspect| listed * suspect.prior / total);
        own.chain([self.model.unlisted, self.model.no_fault]).collect()
    }

    /// Minutes and money of ending the case under each hypothesis.
    fn efforts(&self) -> Vec<(f64, f64)> {
        let model = self.model;
        let own = model.suspects.iter().map(|suspect| (suspect.minutes + model.check_minutes, suspect.money));
        own.chain([(model.further_minutes + model.check_minutes, 0.0), (model.comeback_minutes, 0.0)]).collect()
    }

    /// Probability of the clue under each hypothesis.
    fn yes(&self, clue: &Clue) -> Vec<f64> {
        let own = self.model.suspects.iter();
        let own = own.map(|suspect| clue.yes_if.get(&suspect.id).copied().unwrap_or(clue.otherwise));
        own.chain([clue.otherwise, clue.no_fault.unwrap_or(clue.otherwise)]).collect()
    }

    fn observed_clue(&self, clue: &Clue, answered: &Answered) -> Observed {
        let likelihood = |p: f64| match answered.log10 {
            None if answered.is_yes => p,
            None => 1.0 - p,
            Some(log10) => 10f64.powf(log10) * p + (1.0 - p),
        };
        let lean = if answered.log10.is_some_and(|log10| log10.abs() < ANSWERS_LOG10) { "rather: " } else { "" };
        Observed {
            evidence: answered.evidence.clone(),
            seen: format!("{lean}{}", self.fill(if answered.is_yes { &clue.yes } else { &clue.no })),
            why: self.fill(&clue.why),
            group: clue.group.clone(),
            ln: self.yes(clue).into_iter().map(|p| likelihood(p).ln()).collect(),
        }
    }

    /// The swap verdict as likelihoods: its probabilities over the priors that it began with.
    fn observed_swap(&self, swap: &[(String, f64)]) -> Option<Observed> {
        let member = self.model.members.get(self.member?)?;
        let of = |fault: &str| swap.iter().find(|row| row.0 == fault).map(|row| row.1);
        let cylinder = of(&format!("cylinder {}", member.id))?;
        // What the swap's own priors give to each place, to several faults, and to a cure by the exchange itself.
        let n_places = swap.iter().filter(|row| row.0 != "several" && row.0 != "none").count().max(1);
        let per_place = |p: f64| p * n_places as f64 / PRIOR_ONE;
        let none = of("none").unwrap_or(0.0) / PRIOR_NONE;
        let several = of("several").unwrap_or(0.0) / PRIOR_SEVERAL;
        let exchanged = |suspect: &str| {
            let mut kinds = self.model.swap.iter().filter(|row| row.1 == suspect);
            kinds.find_map(|(kind, _)| of(&format!("{kind} {}", member.id)))
        };
        if !self.model.swap.keys().any(|kind| of(&format!("{kind} {}", member.id)).is_some()) {
            return None;
        }
        let own = self.model.suspects.iter().map(|suspect| {
            let place = per_place(exchanged(&suspect.id).unwrap_or(cylinder));
            place + if suspect.contact { none } else { 0.1 * none }
        });
        let raw: Vec<f64> = own.chain([per_place(cylinder).max(several), none]).collect();
        let most = raw.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
        let floor = 10f64.powf(-MOST_LOG10);
        let (fault, probability) = swap.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(Observed {
            evidence: "swap".to_owned(),
            seen: text::swap(fault, *probability),
            why: "a fault moves with the part that has it, and stays when it is elsewhere".to_owned(),
            group: None,
            ln: raw.iter().map(|value| (value / most).max(floor).ln()).collect(),
        })
    }

    fn observed_repair(&self, repair: &Repair) -> Option<Observed> {
        let at = self.model.suspects.iter().position(|suspect| suspect.id == repair.suspect)?;
        let cured = |idx: usize| if idx == at { 1.0 - REPAIR_FAILS } else { REPAIR_CURES_ANOTHER };
        let n = self.model.suspects.len() + 2;
        let likelihood = |idx| if repair.helped { cured(idx) } else { 1.0 - cured(idx) };
        let name = self.fill(&self.model.suspects[at].name);
        let (seen, why) = if repair.helped {
            (format!("repaired: {name}; the fault is gone"), "the repair of the part at fault is what helps")
        } else {
            (format!("repaired: {name}; the fault is still there"), "a repair of the part at fault would have helped")
        };
        Some(Observed {
            evidence: "repair".to_owned(),
            seen,
            why: why.to_owned(),
            group: None,
            ln: (0..n).map(|idx| likelihood(idx).ln()).collect(),
        })
    }

    fn area(&self, seen: Vec<String>, complaint: Option<String>, evidence: &Evidence, used: &mut Used) -> Area {
        let model = self.model;
        let id = area_id(model, self.member);
        let places = self.places(evidence);
        let swapped = self.observed_swap(&evidence.swap);
        let mut observed: Vec<Observed> = Vec::new();
        let mut open_clues: Vec<&Clue> = Vec::new();
        for clue in &model.clues {
            let answered = answer_of(model, clue, self.member, evidence);
            let is_settled =
                answered.as_ref().is_some_and(|a| a.log10.is_none_or(|log10| log10.abs() >= ANSWERS_LOG10));
            if !is_settled && self.can_be_made(clue, &places, swapped.is_some()) {
                open_clues.push(clue);
            }
            if let Some(answered) = answered {
                observed.push(self.observed_clue(clue, &answered));
            }
            let codes = evidence.codes.iter().flatten().filter(|code| clue_uses(clue, &code.code));
            for code in codes {
                used.codes.insert(code.code.clone());
                if clue.part.is_none() && !clue.codes_each.is_empty() && !is_at_first(model, &code.placement) {
                    used.moved.insert(code.code.clone());
                }
            }
        }
        observed.extend(swapped);
        let repairs = evidence.repairs.iter().filter(|repair| repair.area == id);
        observed.extend(repairs.filter_map(|repair| self.observed_repair(repair)));

        let (ids, names, priors) = (self.ids(), self.names(&places), self.priors());
        let (steps, reasons, probabilities) = count(&observed, &ids, &priors);
        let efforts = self.efforts();
        // A repair that does not help is found out by the customer as often as in the shop: each costs a comeback. What
        // the last one, which helps, pays too much is the same for every order.
        let risk = |idx: usize| if idx < model.suspects.len() { model.comeback_minutes } else { 0.0 };
        let price = |(minutes, money): (f64, f64)| money + minutes * evidence.money_per_hour.max(1.0) / 60.0;
        let problem = Problem {
            probabilities: probabilities.clone(),
            costs: efforts
                .iter()
                .enumerate()
                .map(|(idx, (minutes, money))| price((minutes + risk(idx), *money)))
                .collect(),
            tests: open_clues
                .iter()
                .map(|clue| Test { cost: price((clue.minutes.unwrap_or(0.0), clue.money)), yes: self.yes(clue) })
                .collect(),
        };
        let test = |(idx, clue): (usize, &&Clue)| self.next_test(clue, &problem, idx, &names, &places);
        let mut tests: Vec<NextTest> = open_clues.iter().enumerate().map(test).collect();
        tests.sort_by(|a, b| b.saves.total_cmp(&a.saves));
        let decided = {
            let most = probabilities.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1));
            most.is_some_and(|(idx, p)| *p >= DECIDED && ids[idx] != UNLISTED)
        };
        let best = problem.best();
        let chosen = match best {
            Some(Action::Test(idx)) => tests.iter().position(|test| test.id == open_clues[idx].id),
            // What is open is tested rather than guessed at; what is decided only if that saves something.
            _ => tests.first().filter(|test| test.saves > 0.0 || !decided).map(|_| 0),
        };
        let next = chosen.map(|at| tests.remove(at));
        let repair_first = match best {
            Some(Action::Repair(idx))
                if idx < model.suspects.len() && self.to_be_named().is_none() && places[idx] != Some(Place::Out) =>
            {
                Some(ids[idx].clone())
            }
            _ => None,
        };

        let mut suspects: Vec<Suspect> = ids
            .into_iter()
            .zip(names)
            .zip(reasons)
            .enumerate()
            .map(|(idx, ((id, name), (speaks_for, speaks_against)))| Suspect {
                id,
                name,
                now_on: match &places[idx] {
                    Some(Place::On(cylinder)) => Some(cylinder.clone()),
                    _ => None,
                },
                is_out: places[idx] == Some(Place::Out),
                probability: probabilities[idx],
                prior: priors[idx],
                speaks_for,
                speaks_against,
                minutes: efforts[idx].0,
                money: efforts[idx].1,
            })
            .collect();
        suspects.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        Area {
            statement: text::statement(&text::Standing {
                suspects: &suspects,
                decided,
                next: next.as_ref(),
                how_to_name: self.to_be_named(),
                is_complaint_only: self.is_complaint_only,
            }),
            id,
            title: match (&model.title_unnamed, self.member) {
                (Some(title), None) => title.clone(),
                _ => self.fill(&model.title),
            },
            opened_by: seen.into_iter().chain(complaint).collect(),
            is_complaint_only: self.is_complaint_only,
            suspects,
            steps,
            decided,
            next,
            repair_first,
            tests,
            caution: model.caution.clone(),
            source: model.source.clone(),
        }
    }

    /// How to find out which member it is, while that is not known.
    fn to_be_named(&self) -> Option<&str> {
        self.model.how_to_name.as_deref().filter(|_| self.member.is_none())
    }

    /// Whether a clue is a test that can be made now: not one that needs the member while nobody knows it, and not the
    /// exchange of a part that was exchanged and judged already.
    fn can_be_made(&self, clue: &Clue, places: &[Option<Place>], is_swap_judged: bool) -> bool {
        let is_exchange = clue.part.is_some() && clue.codes_each.is_empty();
        let suspect = clue.part.as_ref().and_then(|part| self.model.swap.get(part));
        let idx = suspect.and_then(|id| self.model.suspects.iter().position(|suspect| suspect.id == *id));
        let was_moved = idx.is_some_and(|idx| places[idx].is_some());
        let is_nameless = self.to_be_named().is_some() && !clue.opens;
        clue.ask.is_some() && !is_nameless && !(is_exchange && was_moved && is_swap_judged)
    }

    /// Where the parts of this member stand that were moved, for whoever goes to work on them.
    fn whereabouts(&self, places: &[Option<Place>]) -> String {
        let moved = self.model.suspects.iter().zip(places).filter_map(|(suspect, place)| match place {
            Some(Place::On(cylinder)) => Some(format!("{} is on {cylinder} now", self.fill(&suspect.name))),
            _ => None,
        });
        let moved: Vec<String> = moved.collect();
        if moved.is_empty() { String::new() } else { format!(" ({})", moved.join(", ")) }
    }

    fn next_test(
        &self,
        clue: &Clue,
        problem: &Problem,
        idx: usize,
        names: &[String],
        places: &[Option<Place>],
    ) -> NextTest {
        let test = &problem.tests[idx];
        let yes = problem.probability_of_yes(test);
        let outcome = |is_yes: bool| {
            let after = problem.after_test(idx, is_yes).probabilities;
            let total: f64 = after.iter().sum();
            let (top, p) =
                after.iter().enumerate().fold((0, 0.0), |best, (k, &p)| if p > best.1 { (k, p) } else { best });
            let p = p / total.max(f64::MIN_POSITIVE);
            Outcome {
                seen: self.fill(if is_yes { &clue.yes } else { &clue.no }),
                probability: if is_yes { yes } else { 1.0 - yes },
                then: names[top].clone(),
                then_probability: p,
                decides: p >= DECIDED && top + 2 != names.len(),
            }
        };
        NextTest {
            id: clue.id.clone(),
            ask: format!("{}{}", self.fill(clue.ask.as_deref().unwrap_or_default()), self.whereabouts(places)),
            minutes: clue.minutes.unwrap_or(0.0),
            money: clue.money,
            saves: problem.saving(idx),
            caution: clue.caution.as_ref().map(|caution| self.fill(caution)),
            outcomes: [outcome(true), outcome(false)],
        }
    }
}

#[cfg(test)]
mod tests;
