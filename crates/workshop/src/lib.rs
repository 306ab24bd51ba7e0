//! The operations of the job, one function each: connect, survey, plan, record a drive, examine, judge a swap, weigh
//! the suspects, prove a repair, make a report, make a drive from a table and back.
//!
//! The command line and the workbench both stand on it: what they are asked to do they ask of a [`Workshop`], and what
//! it gives back is the JSON of [`wire`]. Anything that lasts tells its progress to an [`Observer`]; a drive can also be
//! recorded in a thread of its own ([`Workshop::start_recording`]) and then be watched, marked and stopped from
//! anywhere. This crate must not know terminals, HTTP, or how anything is computed.
//!
//! ```
//! use workshop::{Places, Scope, Silent, Wish, Workshop};
//!
//! let folder = tempfile::tempdir().unwrap();
//! let workshop = Workshop::new(Places::at(folder.path())?, "example 1.0");
//! let mut car = workshop.connect("standin:fell?script=town", &[], &mut Silent)?;
//! let survey = workshop.survey(&mut car, Scope::Emissions, None, &mut Silent)?;
//! assert!(survey.file.is_some());
//!
//! let signals = workshop::signal_ids(&["engine.speed".to_owned()])?;
//! let recording = workshop.start_recording(car, Wish { seconds: Some(20.0), ..Wish::of(signals) });
//! let watch = recording.watch();
//! recording.mark("as an example");
//! let done = recording.join()?;
//! assert!(done.outcome?.drive.duration_s > 19.0);
//! assert!(watch.take(std::time::Duration::ZERO).is_over);
//! # Ok::<(), workshop::WorkshopError>(())
//! ```

mod adapters;
mod archive;
mod car;
mod cases;
mod clear;
mod command;
mod compare;
mod control;
mod definitions;
mod error;
mod examine;
mod incoming;
mod live;
mod own_tests;
mod photo;
mod pictures;
mod places;
mod plan;
mod record;
mod repeats;
mod report;
mod shop;
mod story;
mod survey;
mod suspects;
mod swap;
mod tables;
mod to_wire;
mod unheard;
mod watchlist;
mod weigh;

pub use ::report::{Case, Entry, Image, Language, Moment, Paper, Settings, Units, Vehicle, in_plain_words};
pub use car::Car;
pub use casebook::{NewCase, corrections};
pub use cases::{CaseChoice, current_placement, file_of, opened_in_words};
pub use clear::{ClearWish, clearing_in_words, not_read_again};
pub use command::{CommandWish, GENERAL_CAUTIONS, How};
pub use compare::{CompareWish, compare_surveys};
pub use control::Control;
pub use definitions::{check_definitions, definitions};
pub use error::{Blame, Lack, WorkshopError};
pub use evidence::suspects::{Answer, Repair};
pub use live::{Done, Event, Recording, Stage, State, Taken, Watch};
pub use photo::MAX_PHOTO_BYTES;
pub use pictures::{PictureWish, pictures};
pub use places::{Places, RESERVE, time_for_people, unix_now_ns};
pub use plan::events_for_95_percent;
pub use record::Wish;
pub use report::{HAS_PDF, ReportWish};
pub use shop::LogoChange;
pub use story::When;
pub use survey::Scope;
pub use suspects::Known;
pub use tables::{Import, Shape};
pub use to_wire::drive as summary;
pub use watchlist::{known_signals, signal_ids};

/// What clearing is allowed although it usually is not.
pub use vehicle::Despite;
/// Whoever drives an output.
pub use vehicle::Hand;
/// A signal, and how often it is wanted.
pub use vehicle::Wish as SignalWish;

use protocol::Nanos;
use signal::Sample;

/// Where things are kept, and in whose name they are done.
#[derive(Debug, Clone)]
pub struct Workshop {
    places: Places,
    software: String,
    who: String,
    casebook: Option<String>,
    choice: CaseChoice,
    /// Identity of the case that was open when what is done began.
    began_in: Option<String>,
}

impl Workshop {
    /// A workshop that keeps its files in `places` and writes `software` (program and version) into them.
    #[must_use]
    pub fn new(places: Places, software: &str) -> Self {
        let (software, who) = (software.to_owned(), user());
        Self { places, software, who, casebook: None, choice: CaseChoice::Open, began_in: None }
    }

    /// Where things are kept.
    #[must_use]
    pub fn places(&self) -> &Places {
        &self.places
    }

    /// Program and version.
    #[must_use]
    pub fn software(&self) -> &str {
        &self.software
    }
}

/// Who works at this computer, as far as the system says.
fn user() -> String {
    let named = ["USER", "USERNAME"].iter().filter_map(|name| std::env::var(name).ok());
    named.into_iter().find(|name| !name.is_empty()).unwrap_or_else(|| "somebody".to_owned())
}

/// Hears of what happens while something lasts. Every method may be left out.
pub trait Observer {
    /// A line of progress.
    fn say(&mut self, line: &str) {
        let _ = line;
    }

    /// A recording begins with these signals, in the order in which [`Observer::sample`] numbers them.
    fn begin(&mut self, signals: &[wire::PlannedSignal]) {
        let _ = signals;
    }

    /// From here on other signals are recorded: all of the drive so far keep their numbers, new ones follow them, and
    /// those that are not asked for any more are told as left out.
    fn change(&mut self, signals: &[wire::PlannedSignal]) {
        let _ = signals;
    }

    /// A value of the signal with this number.
    fn sample(&mut self, signal: usize, sample: Sample) {
        let _ = (signal, sample);
    }

    /// Something worth telling happened at this time of the drive.
    fn note(&mut self, t_ns: Nanos, text: &str) {
        let _ = (t_ns, text);
    }

    /// A mark was set.
    fn mark(&mut self, t_ns: Nanos, text: &str) {
        let _ = (t_ns, text);
    }

    /// Called between exchanges while a drive is recorded, with its time; what takes long here slows the drive.
    fn turn(&mut self, t_ns: Nanos) {
        let _ = t_ns;
    }

    /// The recording has ended and its file is complete.
    fn end(&mut self) {}
}

/// Hears nothing.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Observer for Silent {}
