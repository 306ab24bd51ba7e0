//! Suspects: which part or connection is at fault, what speaks for and against each, and what to test next.
//!
//! A small fault model ([`model`], data files) says for each area of the car what can be at fault, how often it is, and
//! how likely each observation is under each fault. [`weigh`] brings in the codes, findings, swap verdict, repairs and
//! test results one by one (`infer`), so that every change of a probability has its reason, and chooses the test that
//! saves most ([`order`]).
//!
//! ```
//! use evidence::suspects::{Code, Evidence, weigh};
//!
//! let code = Code { code: "P0302".into(), module: "7E8".into(), ..Code::default() };
//! let evidence = Evidence { codes: Some(vec![code]), ..Evidence::default() };
//! let suspects = weigh(&evidence);
//! assert_eq!(suspects.areas[0].id, "misfire.2");
//! assert!(!suspects.areas[0].decided && suspects.areas[0].next.is_some());
//! ```

mod answer;
mod count;
mod file;
mod infer;
pub mod model;
pub mod order;
mod place;
mod text;

use std::collections::BTreeMap;

use crate::Finding;
use crate::swap::Placement;
use model::Model;

/// Probability from which a suspect counts as decided.
pub const DECIDED: f64 = 0.9;

/// Everything that is known of a case, as plain data.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// The complaint in the customer's words.
    pub complaint: String,
    /// The codes that are stored; `None` when they were not read.
    pub codes: Option<Vec<Code>>,
    /// What the checks found.
    pub findings: Vec<Seen>,
    /// What a swap showed: the hypotheses of the swap verdict with their probabilities. What was seen after parts had
    /// changed places speaks through it, because a misfire then belongs to whatever moved there.
    pub swap: Vec<(String, f64)>,
    /// Where the parts stand now, for the kinds that ever changed place.
    pub placement: Placement,
    /// Repairs that were made already.
    pub repairs: Vec<Repair>,
    /// Tests that were made by hand.
    pub answers: Vec<Answer>,
    /// What an hour of work costs, in the currency of the model's money.
    pub money_per_hour: f64,
}

impl Default for Evidence {
    fn default() -> Self {
        Self {
            complaint: String::new(),
            codes: None,
            findings: Vec::new(),
            swap: Vec::new(),
            placement: Placement::new(),
            repairs: Vec::new(),
            answers: Vec::new(),
            // Common practice, no source; only the ratio to the prices of parts matters.
            money_per_hour: 100.0,
        }
    }
}

/// A trouble code that a module holds.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Code {
    /// Such as `P0301`.
    pub code: String,
    /// Which module holds it.
    pub module: String,
    /// How the module holds it.
    pub state: CodeState,
    /// Where the parts stood when it was first read; empty when all stood where they stood at first.
    pub placement: Placement,
}

/// How a code was there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum CodeState {
    /// Confirmed by the module.
    #[default]
    Confirmed,
    /// Seen once and not confirmed: worth less.
    Pending,
    /// It was there, and the latest survey does not show it any more: worth less too.
    Earlier,
}

/// A finding of a check.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Which drive.
    pub drive: String,
    /// Name of the check.
    pub kind: String,
    /// Signals or things it is about.
    pub subject: Vec<String>,
    /// Evidence for a fault over no fault.
    pub log10_odds: f64,
    /// Its numbers by name.
    pub figures: BTreeMap<String, f64>,
    /// Where the parts stood in that drive; empty when all stood where they stood at first.
    pub placement: Placement,
}

impl Seen {
    /// From a finding in `drive`.
    #[must_use]
    pub fn new(drive: &str, finding: &Finding) -> Self {
        Self {
            drive: drive.to_owned(),
            kind: finding.kind.to_string(),
            subject: finding.subject.clone(),
            log10_odds: finding.log10_odds,
            figures: finding.figures.clone(),
            placement: Placement::new(),
        }
    }
}

/// A repair that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repair {
    /// The area, such as `misfire.1`.
    pub area: String,
    /// The suspect's short name.
    pub suspect: String,
    /// Whether the complaint was gone afterwards, shown and not hoped.
    pub helped: bool,
}

/// The result of a test that was made by hand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The area, such as `misfire.1`.
    pub area: String,
    /// The test's short name.
    pub test: String,
    /// Whether it was as the test's "yes".
    pub is_yes: bool,
}

/// What the evidence makes of it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Suspects {
    /// Areas of the car that the complaint, a code or a finding points at; the one with the surest fault first.
    pub areas: Vec<Area>,
    /// Evidence that no area of the model uses, and answers that fit nothing.
    pub unused: Vec<String>,
}

/// One area with its suspects.
#[derive(Debug, Clone, PartialEq)]
pub struct Area {
    /// Such as `misfire.1`; `misfire` while the cylinder is unknown.
    pub id: String,
    /// In words.
    pub title: String,
    /// What points here.
    pub opened_by: Vec<String>,
    /// Nothing but words of the complaint points here, and nobody tested or repaired here: its numbers are those of experience.
    pub is_complaint_only: bool,
    /// Most probable first; their probabilities sum to 1.
    pub suspects: Vec<Suspect>,
    /// What each piece of evidence changed, in order.
    pub steps: Vec<Step>,
    /// Whether the first suspect has [`DECIDED`] or more, and is not merely "something else".
    pub decided: bool,
    /// One plain sentence.
    pub statement: String,
    /// The test to make now: the first of the cheapest way to the end, or the one that saves most. None when nothing is
    /// left to test, or when the evidence decides and no test saves anything.
    pub next: Option<NextTest>,
    /// The suspect, by short name, whose repair at once is expected to cost less than any test before it.
    pub repair_first: Option<String>,
    /// Every other test that was not made yet, best first.
    pub tests: Vec<NextTest>,
    /// What is said whenever someone works there.
    pub caution: Option<String>,
    /// Where the model's numbers come from.
    pub source: String,
}

/// A part or connection that may be at fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Suspect {
    /// Short name; [`UNLISTED`] and [`NO_FAULT`] are in every area.
    pub id: String,
    /// In words; with the place where the part stands now, if it is another.
    pub name: String,
    /// Where the part stands now, in words; `None` where it never changed its place.
    pub now_on: Option<String>,
    /// It was taken out of the car.
    pub is_out: bool,
    /// Now.
    pub probability: f64,
    /// Before any evidence.
    pub prior: f64,
    /// What speaks for it, strongest first.
    pub speaks_for: Vec<Reason>,
    /// What speaks against it, strongest first.
    pub speaks_against: Vec<Reason>,
    /// Working time of the repair with the check afterwards, minutes.
    pub minutes: f64,
    /// What its parts cost, in the shop's currency.
    pub money: f64,
}

/// Something that is not in the model's list.
pub const UNLISTED: &str = "unlisted";
/// Nothing is wrong in this area.
pub const NO_FAULT: &str = "no-fault";

/// Why a probability is what it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Reason {
    /// What was seen, and why that tells.
    pub text: String,
    /// By how much it multiplied the odds of the suspect.
    pub factor: f64,
}

/// What one piece of evidence changed.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Where it comes from: "code P0301 in 7E8", "finding misfire in before.mcap", "tested by hand".
    pub evidence: String,
    /// What was seen, in a clause.
    pub seen: String,
    /// Why it tells.
    pub why: String,
    /// It counts half because it is not independent of evidence that was counted before.
    pub counts_half: bool,
    /// Probability of each suspect before and after, by short name.
    pub changes: Vec<Change>,
}

/// How one suspect's probability moved.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// The suspect's short name.
    pub suspect: String,
    /// Before this step.
    pub from: f64,
    /// After it.
    pub to: f64,
}

/// A test that could be made now.
#[derive(Debug, Clone, PartialEq)]
pub struct NextTest {
    /// Short name.
    pub id: String,
    /// What to do.
    pub ask: String,
    /// How long it takes.
    pub minutes: f64,
    /// What it costs besides time.
    pub money: f64,
    /// What it is expected to save, after its own cost, in the shop's currency; negative when it costs more.
    pub saves: f64,
    /// What to mind.
    pub caution: Option<String>,
    /// What "yes" and "no" would mean.
    pub outcomes: [Outcome; 2],
}

/// One answer to a test.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// What is seen.
    pub seen: String,
    /// How likely that is now.
    pub probability: f64,
    /// What is then most probable, in words.
    pub then: String,
    /// How probable it would be.
    pub then_probability: f64,
    /// Whether that decides.
    pub decides: bool,
}

/// The suspect of a repair in words, such as "ignition coil of cylinder 1"; `None` where the model has none such.
#[must_use]
pub fn repair_in_words(repair: &Repair) -> Option<String> {
    let (model, member) = model::area(&repair.area)?;
    let suspect = model.suspects.iter().find(|suspect| suspect.id == repair.suspect)?;
    Some(suspect.name.replace("{}", model.member_name(member)))
}

/// What a test by hand showed, in words; `None` where the model has no such test.
#[must_use]
pub fn answer_in_words(answer: &Answer) -> Option<String> {
    let (model, member) = model::area(&answer.area)?;
    let clue = model.clues.iter().find(|clue| clue.id == answer.test)?;
    let seen = if answer.is_yes { &clue.yes } else { &clue.no };
    Some(seen.replace("{}", model.member_name(member)))
}

/// Weighs the evidence with the models that come with the program.
#[must_use]
pub fn weigh(evidence: &Evidence) -> Suspects {
    infer::weigh(model::standard(), evidence)
}

/// Weighs the evidence with models of the caller's.
#[must_use]
pub fn weigh_with(models: &[Model], evidence: &Evidence) -> Suspects {
    infer::weigh(models, evidence)
}
