//! Who is at fault, what to test next, and whether the repair holds.

use serde::{Deserialize, Serialize};

/// `witness suspects --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Suspects {
    /// Areas of the car that something points at, the surest fault first.
    pub areas: Vec<SuspectArea>,
    /// Evidence that no area uses.
    pub unused: Vec<String>,
    /// What could not be read.
    pub problems: Vec<String>,
    /// The case that it belongs to; null when it belongs to none.
    pub case: Option<crate::CaseRef>,
    /// How the suspects of the case moved since they were last asked for, by `AREA/SUSPECT`.
    pub moved: Vec<SuspectChange>,
    /// Why: the evidence that came since then, and what no longer holds, one line each.
    pub moved_by: Vec<String>,
}

/// One area with its suspects.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct SuspectArea {
    /// Such as `misfire.1`.
    pub id: String,
    /// In words.
    pub title: String,
    /// What points here.
    pub opened_by: Vec<String>,
    /// Nothing but words of the complaint points here: its numbers are those of experience.
    pub is_complaint_only: bool,
    /// Whether the evidence decides already.
    pub decided: bool,
    /// One plain sentence.
    pub statement: String,
    /// Most probable first; their probabilities sum to 1.
    pub suspects: Vec<Suspect>,
    /// What each piece of evidence changed, in order.
    pub steps: Vec<SuspectStep>,
    /// The test to make now; null when nothing is left to test, or when it is decided and no test saves anything.
    pub next: Option<NextTest>,
    /// Short name of the suspect whose repair at once is expected to cost less than any test before it; or null.
    pub repair_first: Option<String>,
    /// Every other test that was not made yet, best first.
    pub tests: Vec<NextTest>,
    /// What to mind in this area.
    pub caution: Option<String>,
    /// Where the numbers of the fault model come from.
    pub source: String,
}

/// A part or connection that may be at fault.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Suspect {
    /// Short name; `unlisted` and `no-fault` are in every area.
    pub id: String,
    /// In words; with the place where the part stands now, if it is another.
    pub name: String,
    /// Where the part stands now, such as `cylinder 4`; null where it never changed its place.
    pub now_on: Option<String>,
    /// It was taken out of the car.
    pub is_out: bool,
    /// Now, 0 to 1.
    pub probability: f64,
    /// Before any evidence.
    pub prior: f64,
    /// What speaks for it, strongest first.
    pub speaks_for: Vec<Reason>,
    /// What speaks against it, strongest first.
    pub speaks_against: Vec<Reason>,
    /// Working time of its repair with the check afterwards, minutes.
    pub minutes: f64,
    /// What its parts cost, in the shop's currency.
    pub money: f64,
}

/// Why a probability is what it is.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Reason {
    /// In words.
    pub text: String,
    /// By how much it multiplied the odds.
    pub factor: f64,
}

/// What one piece of evidence changed.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct SuspectStep {
    /// Where it comes from.
    pub evidence: String,
    /// What was seen.
    pub seen: String,
    /// Why it tells.
    pub why: String,
    /// It counts half, because related evidence was counted already.
    pub counts_half: bool,
    /// Each suspect before and after.
    pub changes: Vec<SuspectChange>,
}

/// How one suspect's probability moved.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct SuspectChange {
    /// The suspect's short name.
    pub suspect: String,
    /// Before the step.
    pub from: f64,
    /// After it.
    pub to: f64,
}

/// A test that could be made now.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct NextTest {
    /// Short name, for `--result AREA/TEST=yes`.
    pub id: String,
    /// What to do.
    pub ask: String,
    /// How long it takes.
    pub minutes: f64,
    /// What it costs besides time, in the shop's currency.
    pub money: f64,
    /// What it is expected to save after its own cost, in the shop's currency.
    pub saves: f64,
    /// What to mind.
    pub caution: Option<String>,
    /// What "yes" and "no" would mean, in this order.
    pub outcomes: Vec<TestOutcome>,
}

/// One answer to a test.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct TestOutcome {
    /// `yes` or `no`.
    pub answer: String,
    /// What is seen.
    pub seen: String,
    /// How likely that is.
    pub probability: f64,
    /// What is most probable then.
    pub then: String,
    /// How probable.
    pub then_probability: f64,
    /// Whether that decides.
    pub decides: bool,
}

/// `witness proof --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Proof {
    /// Every fault that the drives before the repair showed.
    pub faults: Vec<ProofOfFault>,
    /// `proven` when all are gone, `not repaired` when one is still there, `fewer` when one is rarer but not gone,
    /// `not yet` when more must be driven, `nothing before` when the drives before showed no fault. It is about these faults
    /// alone: where `new_faults` is not empty the car is not sound, whatever it says.
    pub verdict: String,
    /// The same in plain words, with what arose since.
    pub statement: String,
    /// Faults of the drives after the repair that no drive before it showed.
    pub new_faults: Vec<NewFault>,
    /// What could not be read of the drives.
    pub problems: Vec<String>,
    /// The case that it belongs to; null when it belongs to none.
    pub case: Option<crate::CaseRef>,
    /// The car's own monitors that its last survey shows as not yet run; empty without a case.
    pub monitors: Vec<MonitorToRun>,
    /// Codes from before the repair, which must stay away; empty without a case.
    pub codes: Vec<CodeToStayAway>,
}

/// A fault that the drives after a repair show and those before it did not.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct NewFault {
    /// The check that sees it.
    pub kind: String,
    /// About what.
    pub subject: Vec<String>,
    /// One plain sentence with its numbers.
    pub statement: String,
    /// What the same check said of the drives before the repair; null where it could not be asked.
    pub before: Option<String>,
    /// What to do next.
    pub next: Vec<String>,
}

/// A readiness monitor that has yet to run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct MonitorToRun {
    /// What it watches.
    pub name: String,
    /// What it usually takes to run it; the maker's own conditions come first.
    pub conditions: String,
}

/// A code that was there before the repair.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct CodeToStayAway {
    /// Such as `P0301`.
    pub code: String,
    /// Address of the module that held it.
    pub module: String,
    /// `away` or `there` in the last survey after the repair, `not read since` where that module was not read, and
    /// `permanent` where it is kept as a permanent code only, which the car erases by itself.
    pub state: String,
}

/// One fault and what is left of it.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct ProofOfFault {
    /// The check that saw it.
    pub kind: String,
    /// About what.
    pub subject: Vec<String>,
    /// What it was before.
    pub before: String,
    /// The part that a swap convicted and that is followed from cylinder to cylinder, such as `coil 1`; null where the
    /// subject itself is followed.
    pub part: Option<String>,
    /// Signals that a drive must record to count for the proof.
    pub signals: Vec<String>,
    /// Where it must be driven.
    pub condition: String,
    /// The same as ranges of signals, all of which must hold at once; empty where any driving counts.
    pub bounds: Vec<Bounds>,
    /// `gone`, `fewer`, `still there`, `not yet` or `nothing before`.
    pub outcome: String,
    /// One plain sentence with its numbers.
    pub statement: String,
    /// Share of the necessary exposure that is driven, 0 to 1; null where the check knows no exposure.
    pub progress: Option<f64>,
    /// Seconds of the condition that show it at 95 %; null where no amount of driving or no exposure is known.
    pub needed_s: Option<f64>,
    /// Seconds of the condition that were driven.
    pub collected_s: Option<f64>,
    /// Seconds still lacking.
    pub lacking_s: Option<f64>,
    /// What to do next.
    pub next: Vec<String>,
}

/// A range of one signal.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Bounds {
    /// The signal.
    pub signal: String,
    /// Unit of the ends.
    pub unit: String,
    /// The least value that is in it; null is an open end.
    pub from: Option<f64>,
    /// The value from which it is left; null is an open end.
    pub to: Option<f64>,
}

/// `witness report --json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
#[cfg_attr(feature = "ts", derive(ts_rs::TS))]
pub struct Reported {
    /// The report.
    pub file: String,
    /// `html` or `pdf`.
    pub format: String,
    /// Its size.
    #[cfg_attr(feature = "ts", ts(type = "number"))]
    pub bytes: u64,
    /// What could not be read of what it was made of.
    pub problems: Vec<String>,
}
