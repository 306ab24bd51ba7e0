//! What can go wrong in the workshop, whose doing it is, and what to do next.

use std::io::{Error, ErrorKind};
use std::path::{Path, PathBuf};

use casebook::CasebookError;
use drive::DriveError;
use link::LinkError;

/// Why something could not be done.
#[derive(Debug, thiserror::Error)]
pub enum WorkshopError {
    /// The adapter or the car.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// A drive.
    #[error(transparent)]
    Drive(#[from] DriveError),
    /// A name behind `standin:` that means nothing.
    #[error(transparent)]
    Standin(#[from] standin::StandinError),
    /// A file of definitions that cannot be used.
    #[error(transparent)]
    Definitions(#[from] definition::DefinitionError),
    /// A file cannot be written.
    #[error("cannot write `{}`: {source}", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// The cause.
        source: Error,
    },
    /// A file cannot be read.
    #[error("cannot read `{}`: {source}", path.display())]
    Read {
        /// The file or folder.
        path: PathBuf,
        /// The cause.
        source: Error,
    },
    /// No place for data is known.
    #[error("no folder for data is known")]
    NoFolder,
    /// No signal was named.
    #[error("no signal was named")]
    NoSignal,
    /// A signal's name is none.
    #[error(transparent)]
    SignalName(#[from] signal::IdError),
    /// Not one of the wanted signals can be had.
    #[error("none of these signals can be had from this car: {0}")]
    NothingPlanned(String),
    /// A number that makes no sense.
    #[error("{what} must be {wanted}, not {found}")]
    Number {
        /// What it is.
        what: &'static str,
        /// What is accepted.
        wanted: &'static str,
        /// What was given.
        found: f64,
    },
    /// A watchlist cannot have this name.
    #[error("a watchlist's name is made of up to 60 letters, digits, `-` and `_`: `{}`", .0.escape_debug())]
    WatchlistName(String),
    /// There is no such watchlist.
    #[error("there is no watchlist `{0}`")]
    NoWatchlist(String),
    /// What a foreign column means cannot be read.
    #[error(transparent)]
    Map(#[from] drive::MapError),
    /// A file in an open format.
    #[error(transparent)]
    Interchange(#[from] interchange::InterchangeError),
    /// Names cannot be mapped in files of this kind.
    #[error("names in `{}` cannot be mapped: they are taken as they stand", .0.display())]
    MapNotUsed(PathBuf),
    /// A file of definitions that cannot decode frames.
    #[error("`{}` describes no broadcast messages", .0.display())]
    NoMessages(PathBuf),
    /// The ending of a file name says no format that can be written.
    #[error("cannot tell the format of `{}` by its ending", .0.display())]
    Format(PathBuf),
    /// An experiment that cannot be read.
    #[error("`{}`: {source}", path.display())]
    Experiment {
        /// Its file.
        path: PathBuf,
        /// What is wrong.
        source: serde_json::Error,
    },
    /// A survey that cannot be read.
    #[error("`{}` is no survey: {source}", path.display())]
    Survey {
        /// Its file.
        path: PathBuf,
        /// What is wrong.
        source: serde_json::Error,
    },
    /// A drive was repaired before, and the copy is there.
    #[error("`{}` exists already and is left untouched: the drive was repaired before", .0.display())]
    Repaired(PathBuf),
    /// What was to be written would take the place of what it is made from.
    #[error("`{}` is the very file that this is made from, and is left untouched", .0.display())]
    OverSource(PathBuf),
    /// Surveys and cases that were written out are never written over.
    #[error("`{}` exists already and is left untouched: it is never written over", .0.display())]
    Kept(PathBuf),
    /// A file of the shop that cannot be read.
    #[error("`{}`: {source}", path.display())]
    Shop {
        /// Its file.
        path: PathBuf,
        /// What is wrong.
        source: serde_json::Error,
    },
    /// A logo that is no picture.
    #[error("`{}` is neither PNG nor JPEG of at most 50 megapixels", .0.display())]
    Logo(PathBuf),
    /// A picture that cannot be taken in or shown.
    #[error("`{}`: {what}", path.display())]
    Photo {
        /// Its file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// A name under which no file of definitions is kept.
    #[error("no file of definitions can be kept as `{}`: its name must be plain and end in one of {endings}", .name.escape_debug())]
    DefinitionName {
        /// The name.
        name: String,
        /// Endings that are known.
        endings: String,
    },
    /// The ending of a file name says no form of a report.
    #[error("cannot tell the form of the report `{}` by its ending", .0.display())]
    ReportFormat(PathBuf),
    /// This program was built without PDF.
    #[error("this program was built without PDF")]
    NoPdf,
    /// A PDF cannot be set.
    #[error("{0}")]
    Pdf(String),
    /// An experiment that contradicts itself.
    #[error("{what}: {source}")]
    Swap {
        /// Which.
        what: String,
        /// What is wrong.
        source: evidence::swap::SwapError,
    },
    /// Something that acts on the car was refused for safety; nothing was sent.
    #[error("{0}")]
    Refused(String),
    /// Codes were cleared, or may have been, and nobody could look what is left.
    #[error("{what}: {source}")]
    NotReadAgain {
        /// What is known.
        what: String,
        /// What failed.
        source: Box<WorkshopError>,
    },
    /// The car has no such output or routine, as far as the definitions know.
    #[error("the definitions of this car have no output or routine `{0}`")]
    NoCommand(String),
    /// The module that would have to do it does not answer.
    #[error("no module answers at {0}")]
    NoModule(protocol::Address),
    /// A level, pattern or parameter that cannot be used.
    #[error("{0}")]
    Order(String),
    /// The casebook.
    #[error(transparent)]
    Casebook(#[from] casebook::CasebookError),
    /// There is no open case, and none was named.
    #[error("no case is open")]
    NoOpenCase,
    /// A zip that holds no sound case.
    #[error("`{}` is not a case that can be taken in: {problem}", path.display())]
    Archive {
        /// The zip.
        path: PathBuf,
        /// What is wrong.
        problem: String,
    },
    /// A kind of part cannot have this name.
    #[error("a part is named by up to 40 letters and digits, such as `coil`, and not `cylinder`, `several` or `none`, which a verdict says of other things: `{}`", .0.escape_debug())]
    Part(String),
    /// One recording given as two different things.
    #[error("`{}` is the same recording as `{}`: one recording cannot {cannot}", again.display(), first.display())]
    SameRecording {
        /// How it was given first.
        first: PathBuf,
        /// How it was given then.
        again: PathBuf,
        /// What it cannot be.
        cannot: &'static str,
    },
    /// The case has no drives or swaps of which this could be said.
    #[error("case {case}: {lacking}")]
    Lacking {
        /// The case.
        case: i64,
        /// What it lacks.
        lacking: Lack,
    },
    /// A file of the case that is on another bench.
    #[error("`{path}` is not on this computer; `{who}` wrote it into the case")]
    Elsewhere {
        /// Its name in the ledger.
        path: String,
        /// Who made the entry.
        who: String,
    },
    /// The fault model knows no such test or suspect.
    #[error("the fault model has no test or suspect `{}`", .0.escape_debug())]
    NotInModel(String),
    /// The vehicle has no model, so that no healthy drives of it can be found.
    #[error("the vehicle of the case has no model written down")]
    NoModel,
    /// No drive of a healthy car of this model is here.
    #[error("no other drive of a healthy `{0}` is here")]
    NoReference(String),
    /// The thread that recorded broke off; what was saved by then is on the disk.
    #[error("the recording broke off; what was saved by then is in its file")]
    Broke,
}

/// What a case lacks for what was asked of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Lack {
    /// The picture.
    #[error("it has no such picture")]
    Picture,
    /// The drive.
    #[error("this drive is not in it")]
    Drive,
    /// The entry.
    #[error("it has no such entry before which something could be done")]
    Entry,
    /// A swap.
    #[error("it has no swap that could be undone")]
    Swap,
    /// A drive with the fault.
    #[error("it has no drive from before the repair")]
    DriveBefore,
    /// A part that moved.
    #[error("no part of it was swapped or replaced yet")]
    MovedPart,
    /// Misfire counters.
    #[error("none of its drives counted misfires")]
    Counts,
    /// Two of a kind.
    #[error("it has nothing to compare yet: two surveys or two drives are needed")]
    Pair,
}

impl Lack {
    const fn hint(self) -> &'static str {
        match self {
            Self::Picture | Self::Entry => "`witness case show` lists its entries",
            Self::Drive => "`witness examine DRIVE.mcap` brings it in",
            Self::Swap => "`witness case show` lists what was done, and `witness case correct N` corrects any entry",
            Self::DriveBefore => "record one that shows the fault, or name files with --before and --after",
            Self::MovedPart => {
                "write down what changed places with `witness swap add`, or name an EXPERIMENT.json to judge"
            }
            Self::Counts => "record misfire.cylinder_1 and those of the others, with engine.speed and engine.load",
            Self::Pair => {
                "survey or drive once more, or name files with --survey-before and --survey-after, or --before and --after"
            }
        }
    }
}

/// Whose doing an error is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Blame {
    /// What the user gave cannot be used.
    Input,
    /// No adapter or vehicle answers.
    NoAnswer,
    /// The machine or the program failed.
    Failure,
    /// It was refused for safety.
    Refused,
}

impl WorkshopError {
    pub(crate) fn write(path: &Path) -> impl FnOnce(Error) -> Self {
        |source| Self::Write { path: path.to_owned(), source }
    }

    /// For a file that must not be there yet, and that no option lets replace.
    pub(crate) fn write_new(path: &Path) -> impl FnOnce(Error) -> Self {
        |source| match source.kind() {
            ErrorKind::AlreadyExists => Self::Kept(path.to_owned()),
            _ => Self::write(path)(source),
        }
    }

    pub(crate) fn read(path: &Path) -> impl FnOnce(Error) -> Self {
        |source| Self::Read { path: path.to_owned(), source }
    }

    /// Whether the case that was asked for is not in the casebook.
    #[must_use]
    pub const fn is_no_case(&self) -> bool {
        matches!(self, Self::Casebook(CasebookError::NoCase(_)))
    }

    /// What the operating system said of a file or folder, where that is the error.
    fn said_of_file(&self) -> Option<ErrorKind> {
        use interchange::InterchangeError as I;
        match self {
            Self::Write { source, .. }
            | Self::Read { source, .. }
            | Self::Drive(DriveError::Io { source, .. })
            | Self::Interchange(I::Drive(DriveError::Io { source, .. }))
            | Self::Casebook(CasebookError::Io { source, .. }) => Some(source.kind()),
            _ => None,
        }
    }

    /// Whose doing it is.
    #[must_use]
    pub fn blame(&self) -> Blame {
        use DriveError as D;
        use ErrorKind as K;
        use interchange::InterchangeError as I;
        // Nothing failed: another kind of thing has that name, or nothing has it.
        if let Some(K::NotFound | K::AlreadyExists | K::IsADirectory | K::NotADirectory) = self.said_of_file() {
            return Blame::Input;
        }
        match self {
            Self::Link(LinkError::Address(_)) => Blame::Input,
            Self::Link(_) | Self::NoModule(_) => Blame::NoAnswer,
            Self::Refused(_) => Blame::Refused,
            Self::NotReadAgain { source, .. } => source.blame(),
            Self::Drive(error) | Self::Interchange(I::Drive(error)) => match error {
                D::Io { .. } | D::Stopped { .. } | D::Write { .. } | D::Lost { .. } => Blame::Failure,
                _ => Blame::Input,
            },
            Self::Write { .. } | Self::NoFolder | Self::Broke | Self::Pdf(_) => Blame::Failure,
            Self::Casebook(error) if !crate::cases::is_input(error) => Blame::Failure,
            _ => Blame::Input,
        }
    }

    /// What to do next, where that is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::Link(error) => return error.hint(),
            Self::NotReadAgain { .. } => {
                "connect again and survey: what was there before is in the survey that was saved"
            }
            Self::Drive(DriveError::Exists(_))
            | Self::Interchange(interchange::InterchangeError::Drive(DriveError::Exists(_))) => {
                "give --force to replace it"
            }
            _ if matches!(self.said_of_file(), Some(ErrorKind::NotFound | ErrorKind::NotADirectory)) => {
                "check the path"
            }
            _ if self.said_of_file() == Some(ErrorKind::IsADirectory) => "give a file, not a folder",
            Self::Lacking { lacking, .. } => lacking.hint(),
            Self::SameRecording { .. } => "give another recording for one of the two, such as a drive made since",
            Self::Kept(_)
            | Self::OverSource(_)
            | Self::Drive(DriveError::NoFile(_))
            | Self::Interchange(interchange::InterchangeError::Drive(DriveError::NoFile(_))) => "choose another name",
            Self::NoModule(_) => {
                "switch the ignition on (engine may be off), push the plug fully in, wait five seconds and try again"
            }
            Self::Repaired(_) => "go on with that copy; to make it anew, put it aside first",
            Self::Drive(DriveError::NotADrive { .. }) => {
                "make a drive from a table with `witness import FILE.csv --out DRIVE.mcap`"
            }
            Self::Standin(_) => "`witness standin --help-cars` explains names, faults and settings",
            Self::Write { source, .. } => match source.kind() {
                ErrorKind::AlreadyExists => "choose another name",
                ErrorKind::PermissionDenied => {
                    "choose a folder that you may write to; WITNESS_HOME names the one for data"
                }
                ErrorKind::StorageFull => "free some space; nothing that was there before was touched",
                _ => return None,
            },
            Self::NoOpenCase => "open one with `witness case new --complaint TEXT`, or name one with --case N",
            Self::Elsewhere { .. } => {
                "on the bench that has it: `witness case export CASE.zip`; here: `witness case import CASE.zip` brings the files"
            }
            Self::NotInModel(_) => "`witness suspects` names them, such as misfire.1/compression-low",
            Self::NoModel => "`witness case vehicle --model 'MAKER MODEL'`, or give --model",
            Self::NoReference(_) => "mark one with `witness case reference DRIVE.mcap`",
            Self::Casebook(CasebookError::NoCase(_)) => "`witness case list` shows the cases",
            Self::Casebook(CasebookError::Closed(_)) => {
                "open it again with `witness case reopen`, or another with `witness case new`"
            }
            Self::Casebook(CasebookError::Io { source, .. }) if source.kind() == ErrorKind::AlreadyExists => {
                "choose another name: a copy is never written over"
            }
            Self::Casebook(error) if error.is_full() => {
                "make room on the disk that holds the casebook and do it again; nothing of it was written"
            }
            Self::Casebook(error) if error.is_busy() => {
                "another program has had the casebook to itself for half a minute: wait for it or end it, and do it again"
            }
            Self::Casebook(CasebookError::Damaged { .. }) => {
                "put the file aside and restore the last backup; drives, surveys and photos are files of their own and not touched"
            }
            Self::NoFolder => "set WITNESS_HOME to a folder that may be written to",
            Self::NoCommand(_) => {
                "`witness command --adapter ADDRESS` lists them; a file of the car's maker goes with --definitions"
            }
            Self::NoSignal => "give --signals ID,ID,... or --watchlist NAME; `witness signals` lists the names",
            Self::SignalName(_) => "`witness signals TEXT` lists the names that contain TEXT",
            Self::NoWatchlist(_) => "`witness watchlist list` shows them",
            Self::Map(_) => "for instance --map 'wheel_fl_kmh=wheel.speed.front_left [km/h]'",
            Self::Shop { .. } => r#"it reads {"name": "...", "lines": ["address", "telephone"], "logo": "logo.png"}"#,
            Self::Photo { .. } => "give a PNG or JPEG picture as a camera or a telephone makes it",
            Self::ReportFormat(_) => "name the file REPORT.html or REPORT.pdf",
            Self::NoPdf => "write REPORT.html, which prints well, or build with `--features pdf`",
            Self::Survey { .. } => "give a file that `witness survey` saved",
            Self::NoMessages(_) => "give a DBC file, or a file of our own with `[[message]]`",
            Self::MapNotUsed(_) => "leave --map out",
            Self::Format(_) => "name the file FILE.csv, FILE.parquet or FILE.mf4",
            Self::Experiment { .. } => {
                r#"it reads {"parts": ["coil"], "drives": [{"file": "before.mcap", "placement": {"coil": [1, 2, 3, 4]}}, ...]}"#
            }
            _ => return None,
        };
        Some(hint.to_owned())
    }
}
