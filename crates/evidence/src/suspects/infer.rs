//! Bayes' rule over one area: a clue is a yes-no observation with a probability under each fault.
//!
//! Hard answers (a test made by hand) multiply by that probability. Codes and findings are themselves uncertain: with odds
//! `r` for what the clue asks, the recording is `r p + (1 - p)` times as likely under a fault that shows it with
//! probability `p` (virtual evidence; Pearl 1988, "Probabilistic Reasoning in Intelligent Systems", 2.2.2, from memory).
//! `r` is capped: a check is sure about a drive, not about a car.

use std::collections::BTreeSet;

use super::model::{Clue, FindingRow, Member, Model, codes_of};
use super::order::{Action, Problem, Test};
use super::place::{Place, codes_wanted, is_at_first, share_of_member, sits_elsewhere, speaks_for_itself};
use super::{
    Area, Change, Code, CodeState, DECIDED, Evidence, NO_FAULT, NextTest, Outcome, Reason, Repair, Seen, Step, Suspect,
    Suspects, UNLISTED, text,
};

/// Cap of the odds of one finding or code, as a logarithm.
const MOST_LOG10: f64 = 2.0;
/// A confirmed code is a module's own verdict; a pending one was seen once (common practice, no source).
const CONFIRMED_LOG10: f64 = 2.0;
const PENDING_LOG10: f64 = 1.0;
/// From here on a finding answers a clue, so that it need not be tested any more; below, it only leans.
const ANSWERS_LOG10: f64 = 1.0;
/// From here on a finding opens an area, as its verdict is faulty.
const OPENS_LOG10: f64 = 2.0;
/// From this probability on a swap opens the area of the cylinder whose parts it suspects (common practice, no source).
const OPENS_SWAP: f64 = 0.2;
/// That a repair of the part at fault does not help (new part bad, botched), and that another repair cures a fault
/// elsewhere, at least for a while (common practice, no source).
const REPAIR_FAILS: f64 = 0.05;
const REPAIR_CURES_ANOTHER: f64 = 0.08;
/// A factor that is nearer to 1 is no reason.
const REASON: f64 = 1.15;

/// An observation, ready to be counted.
struct Observed {
    evidence: String,
    seen: String,
    why: String,
    group: Option<String>,
    /// Natural logarithm of its likelihood under each hypothesis.
    ln: Vec<f64>,
}

impl Observed {
    /// How far it separates the hypotheses.
    fn spread(&self) -> f64 {
        let (low, high) = self.ln.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &x| (l.min(x), h.max(x)));
        high - low
    }
}

/// What answers a clue.
struct Answered {
    evidence: String,
    /// Odds for yes; infinite or zero would be a hard answer, which is given as `None` with `is_yes`.
    log10: Option<f64>,
    is_yes: bool,
}

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
        Instance { model, member, is_complaint_only: seen.is_empty() }.area(seen, complaint.clone(), evidence, used)
    };
    open.into_iter().map(build).collect()
}

/// Whether a code or a finding names this member, or someone tested or repaired it.
fn names(model: &Model, member: usize, evidence: &Evidence) -> bool {
    let id = format!("{}.{}", model.id, model.members[member].id);
    let by_hand = evidence.answers.iter().map(|answer| &answer.area);
    if by_hand.chain(evidence.repairs.iter().map(|repair| &repair.area)).any(|area| *area == id) {
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
fn answer_of(model: &Model, clue: &Clue, member: Option<usize>, evidence: &Evidence) -> Option<Answered> {
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

fn area_id(model: &Model, member: Option<usize>) -> String {
    match member.and_then(|idx| model.members.get(idx)) {
        Some(member) => format!("{}.{}", model.id, member.id),
        None => model.id.clone(),
    }
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
        let per_place = |p: f64| p * n_places as f64 / 0.83;
        let none = of("none").unwrap_or(0.0) / 0.10;
        let several = of("several").unwrap_or(0.0) / 0.07;
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

fn clue_uses(clue: &Clue, code: &str) -> bool {
    let texts = clue.codes_each.iter().chain(&clue.codes_any);
    texts.filter_map(|text| codes_of(text).ok()).flatten().any(|wanted| match wanted.strip_suffix('*') {
        Some(start) => code.starts_with(start),
        None => code == wanted,
    })
}

type Reasons = (Vec<Reason>, Vec<Reason>);

/// Brings in one observation after the other: the steps, the reasons per hypothesis, the probabilities at the end.
fn count(observed: &[Observed], ids: &[String], priors: &[f64]) -> (Vec<Step>, Vec<Reasons>, Vec<f64>) {
    let mut p = priors.to_vec();
    let mut reasons: Vec<Reasons> = ids.iter().map(|_| (Vec::new(), Vec::new())).collect();
    let mut steps = Vec::new();
    for (idx, observation) in observed.iter().enumerate() {
        // Of one group the strongest counts whole; equal ones in their order.
        let is_stronger = |other: &Observed, k: usize| {
            other.group == observation.group
                && other.group.is_some()
                && k != idx
                && (other.spread() > observation.spread() || (other.spread() == observation.spread() && k < idx))
        };
        let counts_half = observed.iter().enumerate().any(|(k, other)| is_stronger(other, k));
        let weight = if counts_half { 0.5 } else { 1.0 };
        let before = p.clone();
        for (p, ln) in p.iter_mut().zip(&observation.ln) {
            *p *= (weight * ln).exp();
        }
        let total: f64 = p.iter().sum();
        for p in &mut p {
            *p /= total;
        }
        for (k, (speaks_for, speaks_against)) in reasons.iter_mut().enumerate() {
            let odds = |p: f64| p / (1.0 - p).max(1e-12);
            let factor = odds(p[k]) / odds(before[k]);
            let text = format!("{} ({}): {}", observation.seen, observation.evidence, observation.why);
            if factor >= REASON {
                speaks_for.push(Reason { text, factor });
            } else if factor <= 1.0 / REASON {
                speaks_against.push(Reason { text, factor });
            }
        }
        steps.push(Step {
            evidence: observation.evidence.clone(),
            seen: observation.seen.clone(),
            why: observation.why.clone(),
            counts_half,
            changes: (0..ids.len()).map(|k| Change { suspect: ids[k].clone(), from: before[k], to: p[k] }).collect(),
        });
    }
    for (speaks_for, speaks_against) in &mut reasons {
        speaks_for.sort_by(|a, b| b.factor.total_cmp(&a.factor));
        speaks_against.sort_by(|a, b| a.factor.total_cmp(&b.factor));
    }
    (steps, reasons, p)
}
