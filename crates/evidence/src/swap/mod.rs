//! Swap inference: which part carries a misfire, from drives before and after parts changed places.
//!
//! Every hypothesis says on which cylinder the fault sat in each drive (`experiment`); its likelihood is that of the
//! misfires counted in the condition in which it failed before (`likelihood`); [`judge`] weighs them all.
//!
//! ```
//! use evidence::swap::{Placement, SwapDrive, judge};
//! use signal::Recording;
//!
//! // Two empty recordings say nothing: the verdict is open and says what it lacks.
//! let (before, after) = (Recording::default(), Recording::default());
//! let first = Placement::from([("coil".to_owned(), vec![1, 2, 3, 4])]);
//! let second = Placement::from([("coil".to_owned(), vec![2, 1, 3, 4])]);
//! let drives =
//!     [SwapDrive { recording: &before, placement: &first }, SwapDrive { recording: &after, placement: &second }];
//! let verdict = judge(&drives, &["coil".to_owned()])?;
//! assert!(!verdict.decided && !verdict.next.is_empty());
//! # Ok::<(), evidence::swap::SwapError>(())
//! ```

mod experiment;
mod likelihood;
mod text;

use std::collections::BTreeMap;
use std::fmt;

use signal::Recording;

use crate::misfire::{Cylinders, FailingCondition, Region, failing_condition};
use crate::poisson::Count;
use crate::stats::gauss::ln_sum_exp;
use experiment::Experiment;
use likelihood::Likelihood;

/// Which part of each kind sits on each cylinder: `placement["coil"][k]` is on cylinder k + 1.
///
/// Parts are numbered by the cylinder on which each sat at first, from 1. A number that the first drive does not have is a
/// part that came later (new from the shelf); 0 is such a part without a name, taken to be good, and not in the first drive.
pub type Placement = BTreeMap<String, Vec<u32>>;

/// One drive of the experiment, in order of time.
#[derive(Debug, Clone, Copy)]
pub struct SwapDrive<'a> {
    /// What was recorded: misfire counters and engine speed, load if possible.
    pub recording: &'a Recording,
    /// Where the parts sat.
    pub placement: &'a Placement,
}

/// What may be at fault.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// One exchanged part.
    Part {
        /// Its kind, such as "coil".
        kind: String,
        /// The cylinder on which it sat at first; another number for a part that came later.
        number: u32,
    },
    /// The cylinder itself and whatever was not exchanged, by its number from 1.
    Cylinder(usize),
    /// Two faults or more.
    Several,
    /// No fault left.
    None,
}

/// Whether a kind of part cannot have this name, because whoever reads a [`Fault`] in words takes it for something else.
#[must_use]
pub fn is_word_of_verdict(part: &str) -> bool {
    let name = part.trim().to_lowercase();
    name.starts_with("cylinder") || name == "several" || name == "none"
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Part { kind, number } => write!(f, "{kind} {number}"),
            Self::Cylinder(number) => write!(f, "cylinder {number}"),
            Self::Several => f.write_str("several"),
            Self::None => f.write_str("none"),
        }
    }
}

/// Why an experiment cannot be judged at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SwapError {
    /// No drive was given.
    #[error("a swap needs at least one drive; give one before and one after the exchange")]
    NoDrives,
    /// No kind of part was named, or more than can be told apart.
    #[error(
        "{0} kinds of part are exchanged: name those that were in `parts`, 1 to {MOST_PARTS} of them, such as `coil`"
    )]
    Kinds(usize),
    /// A kind of part without a name, or named twice.
    #[error("each exchanged part must be named once, `{0}` is not")]
    Parts(String),
    /// A kind of part whose name a verdict says of something else.
    #[error(
        "a part cannot be called `{0}`: a verdict says `cylinder 1`, `several` and `none` of other things; call it what it is, such as `coil`"
    )]
    Name(String),
    /// A drive does not say where the parts of a kind sat.
    #[error("drive {drive} does not say where each `{part}` sat: add it to the placement")]
    Missing {
        /// Number of the drive, from 1.
        drive: usize,
        /// The kind of part.
        part: String,
    },
    /// A kind of part that changed its place and is not among those that are judged.
    #[error(
        "drive {drive} has a `{part}` in another place than drive 1, and `parts` does not name it: add it, or the verdict blames what stayed"
    )]
    Unnamed {
        /// Number of the drive, from 1.
        drive: usize,
        /// The kind of part.
        part: String,
    },
    /// A placement for no engine.
    #[error(
        "drive 1 places `{part}` on {found} cylinders: give one number for each of them, for 1 to {MOST_CYLINDERS} cylinders"
    )]
    Cylinders {
        /// The kind of part.
        part: String,
        /// Entries given.
        found: usize,
    },
    /// A placement for another number of cylinders.
    #[error(
        "drive {drive} places `{part}` on {found} cylinders where drive 1 has {cylinders}: give one number for each cylinder"
    )]
    Length {
        /// Number of the drive, from 1.
        drive: usize,
        /// The kind of part.
        part: String,
        /// Entries given.
        found: usize,
        /// Entries of the first placement.
        cylinders: usize,
    },
    /// Parts that are counted from 0.
    #[error(
        "drive 1 has `{part} 0`: numbers count from 1, and at first each part has that of its cylinder; 0 is a new part without a number, which can only come in a later drive"
    )]
    Zero {
        /// The kind of part.
        part: String,
    },
    /// One part in two places.
    #[error("drive {drive} has `{part} {number}` on two cylinders at once")]
    Twice {
        /// Number of the drive, from 1.
        drive: usize,
        /// The kind of part.
        part: String,
        /// The part's number.
        number: u32,
    },
    /// More than can be told apart.
    #[error("{0} drives are more than an experiment can have ({MOST_DRIVES})")]
    Drives(usize),
}

/// As many as have signals.
const MOST_CYLINDERS: usize = 12;
/// More kinds than an engine has on each cylinder; every two of their parts are weighed as a pair.
const MOST_PARTS: usize = 12;
/// As many as fit the bits of a mask.
const MOST_DRIVES: usize = 64;

/// Probability from which a verdict counts as decided.
pub const DECIDED: f64 = 0.9;

/// Misfires of every cylinder in one drive, in the failing condition; `None` where the counter was not recorded.
pub type Counts = Vec<Option<Count>>;

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct SwapVerdict {
    /// Every hypothesis with its probability, most probable first; they sum to 1.
    pub hypotheses: Vec<(Fault, f64)>,
    /// Whether the first is probable enough ([`DECIDED`]) and parts were exchanged at all.
    pub decided: bool,
    /// One plain sentence with its numbers.
    pub statement: String,
    /// What would settle it, or what to do now.
    pub next: Vec<String>,
    /// The condition in which it failed before the first exchange; everywhere when no region stands out.
    pub condition: Region,
    /// Misfires and firings of each cylinder in that condition, per drive.
    pub counts: Vec<Counts>,
}

/// What the drives say, laid out for the hypotheses.
struct Evidence {
    condition: FailingCondition,
    /// Per drive and cylinder.
    counts: Vec<Counts>,
    blocks: Vec<Vec<Vec<Count>>>,
    load: Option<crate::misfire::LoadSource>,
}

/// Whether the placements of an experiment make sense, before any drive is read; as [`judge`] sees them.
///
/// # Errors
/// [`SwapError`].
pub fn check(placements: &[&Placement], parts: &[String]) -> Result<(), SwapError> {
    Experiment::new(placements, parts).map(|_| ())
}

/// Judges an experiment: `parts` are the kinds that were exchanged, each with a placement in every drive.
///
/// # Errors
/// [`SwapError`] when the placements contradict themselves. Drives without counters are no error: they say nothing.
pub fn judge(drives: &[SwapDrive<'_>], parts: &[String]) -> Result<SwapVerdict, SwapError> {
    let placements: Vec<&Placement> = drives.iter().map(|drive| drive.placement).collect();
    let experiment = Experiment::new(&placements, parts)?;
    let read: Vec<Cylinders> = drives.iter().map(|drive| Cylinders::of(drive.recording)).collect();
    let evidence = Evidence::of(&read, &experiment);
    let likelihood = Likelihood::of(&evidence.blocks, experiment.n_cylinders);
    let mut hypotheses = weigh(&experiment, &likelihood);
    hypotheses.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    let decided = experiment.has_exchange() && hypotheses.first().is_some_and(|first| first.1 >= DECIDED);
    let (statement, next) = text::tell(&experiment, &evidence, &hypotheses, decided);
    let Evidence { condition, counts, .. } = evidence;
    Ok(SwapVerdict { hypotheses, decided, statement, next, condition: condition.region, counts })
}

impl Evidence {
    fn of(read: &[Cylinders], experiment: &Experiment) -> Self {
        let find = |drive: usize, cylinder: usize| read[drive].list.iter().find(|c| c.number == cylinder + 1);
        // The condition is taken from the drives before the first exchange, on the cylinder that misfired most.
        let before = |cylinder: usize| (0..experiment.n_before).filter_map(move |drive| find(drive, cylinder));
        let events = |cylinder: usize| -> u64 {
            before(cylinder).flat_map(|c| c.blocks_in(&Region::EVERYWHERE)).map(|block| block.events).sum()
        };
        let worst =
            (0..experiment.n_cylinders).max_by_key(|&cylinder| (events(cylinder), experiment.n_cylinders - cylinder));
        let condition = failing_condition(&worst.map(|worst| before(worst).collect::<Vec<_>>()).unwrap_or_default());
        let cells = |of: &dyn Fn(usize, usize) -> Vec<Count>| -> Vec<Vec<Vec<Count>>> {
            (0..read.len()).map(|drive| (0..experiment.n_cylinders).map(|c| of(drive, c)).collect()).collect()
        };
        let blocks = cells(&|drive, c| find(drive, c).map(|c| c.blocks_in(&condition.region)).unwrap_or_default());
        let sum = |blocks: &Vec<Count>| Count {
            events: blocks.iter().map(|block| block.events).sum(),
            // Starting from +0: the sum of nothing is -0, which would be told.
            exposure: blocks.iter().fold(0.0, |sum, block| sum + block.exposure),
        };
        let counts = blocks
            .iter()
            .enumerate()
            .map(|(drive, row)| row.iter().enumerate().map(|(c, blocks)| find(drive, c).map(|_| sum(blocks))).collect())
            .collect();
        Self { condition, counts, blocks, load: read.iter().find_map(|read| read.load) }
    }
}

/// Prior probability of two faults at once, and of misfires on every cylinder (common practice, no source).
const TWO_FAULTS: f64 = 0.05;
const ALL_CYLINDERS: f64 = 0.02;
/// That the exchange itself cured it (one misfire in twelve is a contact that is seated anew), and that nothing ever
/// misfired (common practice, no source).
const CURED: f64 = 0.08;
const NEVER: f64 = 0.02;

/// What a verdict begins with for "several", for "none", and for all single faults together.
pub(crate) const PRIOR_SEVERAL: f64 = TWO_FAULTS + ALL_CYLINDERS;
pub(crate) const PRIOR_NONE: f64 = CURED + NEVER;
pub(crate) const PRIOR_ONE: f64 = 1.0 - PRIOR_SEVERAL - PRIOR_NONE;

/// Posterior probabilities of all hypotheses.
fn weigh(experiment: &Experiment, likelihood: &Likelihood) -> Vec<(Fault, f64)> {
    let sources = &experiment.sources;
    let n_drives = experiment.n_drives;
    let mut ln: Vec<(Fault, f64)> = sources
        .iter()
        .map(|source| (source.fault.clone(), (PRIOR_ONE * source.prior).ln() + likelihood.one(&source.path)))
        .collect();

    let mut several = Vec::new();
    for (k, first) in sources.iter().enumerate() {
        for second in &sources[k + 1..] {
            // Twice the product, because either may be called the first.
            let prior = (2.0 * TWO_FAULTS * first.prior * second.prior).ln();
            several.push(prior + likelihood.two(&first.path, &second.path));
        }
    }
    several.push(ALL_CYLINDERS.ln() + likelihood.all());
    ln.push((Fault::Several, ln_sum_exp(several)));

    let mut none = vec![NEVER.ln() + likelihood.nothing()];
    for until in 1..n_drives {
        let prior = (CURED / (n_drives - 1) as f64).ln();
        none.extend(sources.iter().map(|source| {
            let path: Vec<Option<usize>> =
                source.path.iter().enumerate().map(|(drive, at)| at.filter(|_| drive < until)).collect();
            prior + source.prior.ln() + likelihood.one(&path)
        }));
    }
    ln.push((Fault::None, ln_sum_exp(none)));

    let total = ln_sum_exp(ln.iter().map(|hypothesis| hypothesis.1));
    ln.into_iter().map(|(fault, value)| (fault, (value - total).exp())).collect()
}
