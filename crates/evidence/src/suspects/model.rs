//! The fault model: what can be at fault in an area of the car, and what tells it apart. It is read from data files
//! (`file`).

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::Deserialize;

/// Least and greatest probability of a clue under a fault: no single observation is worth more than about 100 to 1.
pub const CLUE_RANGE: (f64, f64) = (0.01, 0.99);

/// Why a model file cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("fault model `{file}`, line {line}: {problem}")]
pub struct ModelError {
    /// Name of the file.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// What is wrong there, and what is expected.
    pub problem: String,
}

/// What can be at fault in one area of the car, and what tells it apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// Name of the area, from the name of its file.
    pub id: String,
    /// What the customer would call it; `{}` stands for the member.
    pub title: String,
    /// The same as long as nobody knows which member it is.
    pub title_unnamed: Option<String>,
    /// Where the numbers come from.
    pub source: String,
    /// What is said whenever someone works there.
    pub caution: Option<String>,
    /// The members that each have this area of their own: cylinders, banks, wheels. Empty for an area of the whole car.
    pub members: Vec<Member>,
    /// What the member is called as long as nobody knows which it is.
    pub unnamed: String,
    /// How to find out which it is.
    pub how_to_name: Option<String>,
    /// Starts of words in the complaint that lead here.
    pub complaint: Vec<String>,
    /// Share of the cases with this complaint in which it is something that is not listed.
    pub unlisted: f64,
    /// Share in which nothing is wrong here.
    pub no_fault: f64,
    /// Minutes to see whether a repair helped.
    pub check_minutes: f64,
    /// Minutes that a car costs which comes back because nothing was repaired.
    pub comeback_minutes: f64,
    /// Minutes to find what is not listed.
    pub further_minutes: f64,
    /// Parts and connections.
    pub suspects: Vec<SuspectRow>,
    /// What tells them apart.
    pub clues: Vec<Clue>,
    /// Which suspect an exchanged kind of part is.
    pub swap: BTreeMap<String, String>,
}

/// One cylinder, bank or wheel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    /// As signal names and swaps call it: `1`, `front_left`.
    pub id: String,
    /// In words: `cylinder 1`.
    pub name: String,
}

/// A part or connection.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SuspectRow {
    /// Short name, unique in the file.
    pub id: String,
    /// In words; `{}` stands for the member.
    pub name: String,
    /// Weight before any evidence, beside the others of the file.
    pub prior: f64,
    /// Working time of the repair, minutes.
    pub minutes: f64,
    /// What its parts cost, in the shop's currency.
    pub money: f64,
    /// Whether it is a contact that a plugging in and out can cure for a while.
    #[serde(default)]
    pub contact: bool,
}

/// Something that can be observed and that is not equally likely under all suspects. With `minutes` it is also a test.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Clue {
    /// Short name, unique in the file.
    pub id: String,
    /// What was seen when it is there, as a clause.
    pub yes: String,
    /// What was seen when it is not.
    pub no: String,
    /// Why it tells.
    pub why: String,
    /// How to test for it.
    pub ask: Option<String>,
    /// How long the test takes.
    pub minutes: Option<f64>,
    /// What the test costs besides time.
    #[serde(default)]
    pub money: f64,
    /// What to mind while testing.
    pub caution: Option<String>,
    /// Probability of seeing it under these suspects.
    #[serde(default)]
    pub yes_if: BTreeMap<String, f64>,
    /// Under every other suspect, and under what is not listed.
    pub otherwise: f64,
    /// When nothing is wrong here; as `otherwise` when it is left out.
    pub no_fault: Option<f64>,
    /// Kind of part that it is about, as swaps call it: its codes are those of the cylinder where the part stands, and as a
    /// test it is made once the part was moved and the swap judged.
    pub part: Option<String>,
    /// Clues of one group come from the same cause of error: the strongest counts whole, the others half.
    pub group: Option<String>,
    /// Seeing it opens the area.
    #[serde(default)]
    pub opens: bool,
    /// Codes that show it, one per member: each text must give as many codes as there are members.
    #[serde(default)]
    pub codes_each: Vec<String>,
    /// Codes that show it, whoever the member is.
    #[serde(default)]
    pub codes_any: Vec<String>,
    /// When the codes were read and none of these is there, the clue is answered with no.
    #[serde(default)]
    pub absence_counts: bool,
    /// Findings that show it.
    #[serde(default)]
    pub findings: Vec<FindingRow>,
}

/// Which finding answers a clue.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FindingRow {
    /// Kind of the check.
    pub kind: String,
    /// Its subject, or one of two; `{n}` stands for the member's id, a `*` at the end for any rest.
    pub subject: String,
    /// Any member but this one.
    #[serde(default)]
    pub of_another: bool,
    /// A faulty finding answers yes only if this figure is within `above` and `below`, and no otherwise.
    pub figure: Option<String>,
    /// See `figure`.
    pub above: Option<f64>,
    /// See `figure`.
    pub below: Option<f64>,
}

macro_rules! embedded {
    ($($name:literal),* $(,)?) => {
        &[$(($name, include_str!(concat!("../../data/suspects/", $name, ".toml")))),*]
    };
}

/// Name and text of every file that comes with the program.
pub(crate) const FILES: &[(&str, &str)] = embedded![
    "misfire",
    "misfire-several",
    "pedal",
    "throttle",
    "wheel-speed",
    "lean",
    "rich",
    "airflow",
    "charging",
    "cranking",
    "thermostat",
    "air-conditioning",
    "output",
    "network",
    "evap",
    "catalyst",
];

/// The models that come with the program.
#[must_use]
pub fn standard() -> &'static [Model] {
    static MODELS: LazyLock<Vec<Model>> = LazyLock::new(|| {
        FILES.iter().map(|(name, text)| Model::parse(name, text).expect("a test reads the embedded models")).collect()
    });
    &MODELS
}

/// The model of an area such as `misfire.1`, and which member it is.
pub(crate) fn area(id: &str) -> Option<(&'static Model, Option<usize>)> {
    let (name, member) = id.split_once('.').map_or((id, None), |(name, member)| (name, Some(member)));
    let model = standard().iter().find(|model| model.id == name)?;
    match member {
        None => Some((model, None)),
        Some(member) => Some((model, Some(model.members.iter().position(|it| it.id == member)?))),
    }
}

impl Model {
    /// The member's name in words, or what an unknown one is called.
    pub(crate) fn member_name(&self, member: Option<usize>) -> &str {
        member.and_then(|idx| self.members.get(idx)).map_or(&self.unnamed, |member| &member.name)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Two cylinders with a coil, a plug and a wire each: 35, 11.67 and 23.33 % before any evidence, 10 % something else, 20 %
    /// nothing.
    pub(in crate::suspects) fn of_two() -> Model {
        Model::parse(
            "misfire",
            r#"title = "Misfire on {}"
source = "invented for the test"
complaint = ["misfir"]
unlisted = 0.1
no_fault = 0.2
minutes = { check = 10, comeback = 60, further = 120 }
[each]
ids = ["1", "2"]
name = "cylinder {n}"
unnamed = "a cylinder"
how_to_name = "record it"
[swap]
bobina = "coil"
coil = "coil"
plug = "plug"
[[suspect]]
id = "coil"
name = "coil of {}"
prior = 30
minutes = 20
money = 80
[[suspect]]
id = "plug"
name = "plug of {}"
prior = 10
minutes = 30
money = 10
[[suspect]]
id = "wire"
name = "wire of {}"
prior = 20
minutes = 50
money = 5
contact = true
[[clue]]
id = "seen"
yes = "{} misfires"
no = "{} does not misfire"
why = "it shows"
opens = true
codes_each = ["P0301-P0302"]
absence_counts = true
findings = [{ kind = "misfire", subject = "misfire.cylinder_{n}" }]
yes_if = { coil = 0.8, plug = 0.8, wire = 0.8 }
otherwise = 0.5
no_fault = 0.02
[[clue]]
id = "coil-code"
yes = "the circuit of the coil is at fault"
no = "the circuit of the coil is sound"
why = "the module measures it"
part = "coil"
codes_each = ["P0351-P0352"]
yes_if = { coil = 0.4, wire = 0.6 }
otherwise = 0.02
[[clue]]
id = "spark"
yes = "there is no spark"
no = "there is a spark"
why = "a coil makes it"
ask = "Look for the spark of {}."
minutes = 6
yes_if = { coil = 0.9 }
otherwise = 0.1
no_fault = 0.05
[[clue]]
id = "swap-coil"
yes = "it moves with the coil"
no = "it stays"
why = "a fault moves with its part"
ask = "Exchange the coil of {}."
minutes = 12
money = 1
part = "coil"
yes_if = { coil = 0.95 }
otherwise = 0.03
"#,
        )
        .unwrap()
    }
}
