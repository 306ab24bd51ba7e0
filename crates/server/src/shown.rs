//! The car in the bay as all pages see it.

use serde::Serialize;

use crate::clearing::ClearingJson;
use crate::failure::FailureJson;

/// What the thread is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
#[serde(rename_all = "snake_case")]
pub(crate) enum Stage {
    /// No car.
    #[default]
    Empty,
    Connecting,
    /// A car, and nothing going on.
    Ready,
    Surveying,
    /// Codes are cleared, and read again.
    Clearing,
    /// Asking the car how fast it answers, before a recording.
    Planning,
    Recording,
    /// A command is prepared or driven, and recorded.
    Commanding,
}

impl Stage {
    /// Whether samples are taken and kept.
    pub(crate) fn is_taping(self) -> bool {
        matches!(self, Self::Recording | Self::Commanding)
    }
}

/// The car as everybody may see it.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct CarJson {
    pub(crate) stage: Stage,
    /// Address of the adapter, of the connection that is or was tried last.
    pub(crate) adapter: Option<String>,
    /// What has been done so far of what is going on, one line each.
    pub(crate) steps: Vec<String>,
    /// Why what was tried last did not work.
    pub(crate) failure: Option<FailureJson>,
    pub(crate) vehicle: Option<ConnectedJson>,
    /// The drive that is being recorded, or was recorded last.
    pub(crate) recording: Option<RecordingJson>,
    /// The command that goes on, or was given last.
    pub(crate) command: Option<CommandJson>,
    /// Codes that can be cleared now, or were just now.
    pub(crate) clearing: Option<ClearingJson>,
    /// How many surveys and drives this program has completed: a page that sees it change asks for the lists again.
    pub(crate) n_done: u32,
}

/// A connected car.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct ConnectedJson {
    pub(crate) vin: Option<String>,
    /// Name of the network.
    pub(crate) protocol: Option<String>,
    /// What the adapter says of itself.
    pub(crate) adapter: String,
    /// Addresses of the modules that answered.
    pub(crate) modules: Vec<String>,
}

/// A command that is prepared, driven or over; its samples and marks are those of the recording.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct CommandJson {
    /// The output or routine.
    pub(crate) id: String,
    /// The client that may press.
    pub(crate) client: u32,
    /// Whether somebody presses.
    pub(crate) is_pressed: bool,
    /// How it went, once it is over; the drive itself stands in the recording.
    pub(crate) done: Option<Box<wire::Commanded>>,
}

/// A drive while it is recorded.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct RecordingJson {
    /// Number of the feed that its samples come in.
    pub(crate) feed: u16,
    /// What is recorded, in the order in which samples number it.
    pub(crate) signals: Vec<wire::PlannedSignal>,
    /// How long it is, seconds.
    pub(crate) t_s: f64,
    #[cfg_attr(test, ts(type = "number"))]
    pub(crate) n_samples: u64,
    pub(crate) marks: Vec<wire::Mark>,
    /// What happened on the way, the newest last.
    pub(crate) notes: Vec<wire::Mark>,
    /// Space left where it is written, bytes; null where the system does not say.
    #[cfg_attr(test, ts(type = "number | null"))]
    pub(crate) disk_left: Option<u64>,
    /// What it is asked for by once it is over.
    pub(crate) drive: Option<String>,
    /// What was lost.
    pub(crate) problems: Vec<String>,
}
