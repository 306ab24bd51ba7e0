//! What such adapters say in words instead of bytes, and what it means.
//!
//! The words are the de-facto AT-command language of serial diagnostic adapters (from memory; there is no standard).

use std::fmt;

/// A message in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Word {
    /// Command accepted.
    Ok,
    /// Command or request not understood.
    Unknown,
    /// Nobody answered within the adapter's time-out.
    NoData,
    /// The adapter is trying the networks in turn.
    Searching,
    /// The adapter opens the K-line; what followed in the same line was `OK`, or nothing yet.
    BusInit,
    /// The K-line did not answer the opening.
    BusInitError,
    /// No network answered.
    UnableToConnect,
    /// CAN controller reports errors.
    CanError,
    /// The network never became free.
    BusBusy,
    /// The network's levels are wrong.
    BusError,
    /// The adapter could not drive the network (feedback missing).
    FeedbackError,
    /// A whole answer was damaged.
    DataError,
    /// One line was damaged (mark at its end).
    LineDataError,
    /// One frame was received with an error (mark at its end).
    LineRxError,
    /// More came from the network than the adapter could pass on.
    BufferFull,
    /// The adapter will go to sleep for lack of activity.
    ActAlert,
    /// Supply voltage dipped: the adapter started anew.
    LowVoltageReset,
    /// The adapter goes to low power.
    LowPowerAlert,
    /// A character sent to the adapter interrupted it.
    Stopped,
    /// The adapter's own fault number.
    Fault(String),
}

impl Word {
    /// Reads one line without line ends; `None`: not in words, or in other words.
    ///
    /// Case, spaces and leading or trailing dots do not matter. An opening (`SEARCHING...`, `BUS INIT: ...OK`) that
    /// shares its line with what follows is split off before.
    #[must_use]
    pub fn read(line: &str) -> Option<Self> {
        let plain = plain(line);
        Some(match plain.trim_matches('.') {
            "OK" => Self::Ok,
            "?" => Self::Unknown,
            "NODATA" => Self::NoData,
            "SEARCHING" => Self::Searching,
            "BUSINIT" | "BUSINIT:" | "BUSINIT:OK" | "BUSINIT:...OK" | "BUSINIT...OK" => Self::BusInit,
            "BUSINIT:ERROR" | "BUSINIT:...ERROR" | "BUSINIT...ERROR" => Self::BusInitError,
            "UNABLETOCONNECT" => Self::UnableToConnect,
            "CANERROR" => Self::CanError,
            "BUSBUSY" => Self::BusBusy,
            "BUSERROR" => Self::BusError,
            "FBERROR" => Self::FeedbackError,
            "DATAERROR" => Self::DataError,
            "<DATAERROR" => Self::LineDataError,
            "<RXERROR" => Self::LineRxError,
            "BUFFERFULL" => Self::BufferFull,
            "ACTALERT" | "!ACTALERT" => Self::ActAlert,
            "LVRESET" => Self::LowVoltageReset,
            "LPALERT" | "!LPALERT" => Self::LowPowerAlert,
            "STOPPED" => Self::Stopped,
            other => {
                let number = other.strip_prefix("ERR")?;
                let is_number = (1..=3).contains(&number.len()) && number.bytes().all(|b| b.is_ascii_alphanumeric());
                return is_number.then(|| Self::Fault(other.to_owned()));
            }
        })
    }

    /// What it means, in plain words.
    #[must_use]
    pub fn meaning(&self) -> &'static str {
        match self {
            Self::Ok => "done",
            Self::Unknown => "the adapter did not understand this",
            Self::NoData => "no module answered in time",
            Self::Searching => "the adapter is trying the networks in turn",
            Self::BusInit => "the adapter opened the K-line",
            Self::BusInitError => "the K-line did not answer when the adapter opened it",
            Self::UnableToConnect => "no network that the adapter knows answered",
            Self::CanError => "the adapter could not send on CAN: nobody acknowledged, or the bit rate is wrong",
            Self::BusBusy => "the network was never free to send on",
            Self::BusError => "the network's levels are wrong: a wire may be shorted or open",
            Self::FeedbackError => "the adapter did not see its own signal on the network",
            Self::DataError | Self::LineDataError => "a message arrived with a wrong check sum or a wrong form",
            Self::LineRxError => "a frame arrived with an error",
            Self::BufferFull => "messages came faster than the adapter could pass them on; some are lost",
            Self::ActAlert => "the adapter is about to sleep because nothing was asked",
            Self::LowVoltageReset => "the adapter's supply dipped and it started anew",
            Self::LowPowerAlert => "the adapter is switching itself to low power",
            Self::Stopped => "the adapter was interrupted while it waited for an answer",
            Self::Fault(_) => "the adapter reports a fault of its own",
        }
    }

    /// What to try, in plain words; `None` where nothing is wrong.
    #[must_use]
    pub fn what_to_try(&self) -> Option<&'static str> {
        Some(match self {
            Self::Ok | Self::Searching | Self::BusInit => return None,
            Self::Unknown => "nothing to do: the link goes on without it where it can",
            Self::NoData => "check that the ignition is on and that the module exists",
            Self::BusInitError | Self::UnableToConnect => "switch the ignition on and push the plug fully in",
            Self::CanError => "switch the ignition on; check pins 6 and 14 of the plug; look for the network again",
            Self::BusBusy | Self::BusError | Self::FeedbackError => {
                "check the plug's pins and the network's wires for shorts; unplug other devices"
            }
            Self::DataError | Self::LineDataError | Self::LineRxError => {
                "look for bad contacts at the plug; if it stays, the remembered network may be wrong"
            }
            Self::BufferFull => "use a higher baud rate, or ask modules one by one",
            Self::ActAlert | Self::LowPowerAlert => "nothing to do: the link wakes it with the next request",
            Self::LowVoltageReset => "check the battery and the plug's supply and ground pins (16, 4, 5)",
            Self::Stopped => "check that no other program talks to the adapter",
            Self::Fault(_) => "unplug the adapter for ten seconds; if it stays, the adapter is defective",
        })
    }

    /// Whether the adapter has forgotten its settings with this message.
    pub(crate) fn forgets(&self) -> bool {
        matches!(self, Self::LowVoltageReset | Self::LowPowerAlert | Self::ActAlert)
    }

    /// Whether no request can pass until the vehicle's side changes.
    pub(crate) fn no_vehicle(&self) -> bool {
        matches!(self, Self::UnableToConnect | Self::BusInitError)
    }
}

/// As such adapters print it.
impl fmt::Display for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Ok => "OK",
            Self::Unknown => "?",
            Self::NoData => "NO DATA",
            Self::Searching => "SEARCHING...",
            Self::BusInit => "BUS INIT: OK",
            Self::BusInitError => "BUS INIT: ...ERROR",
            Self::UnableToConnect => "UNABLE TO CONNECT",
            Self::CanError => "CAN ERROR",
            Self::BusBusy => "BUS BUSY",
            Self::BusError => "BUS ERROR",
            Self::FeedbackError => "FB ERROR",
            Self::DataError => "DATA ERROR",
            Self::LineDataError => "<DATA ERROR",
            Self::LineRxError => "<RX ERROR",
            Self::BufferFull => "BUFFER FULL",
            Self::ActAlert => "ACT ALERT",
            Self::LowVoltageReset => "LV RESET",
            Self::LowPowerAlert => "LP ALERT",
            Self::Stopped => "STOPPED",
            Self::Fault(text) => text,
        })
    }
}

/// The line in capitals without spaces.
pub(crate) fn plain(line: &str) -> String {
    line.chars().filter(|c| !c.is_whitespace()).map(|c| c.to_ascii_uppercase()).collect()
}

/// Splits a sign of progress (`SEARCHING...`, `BUS INIT: ...OK`) from what stands behind it in the same line, because
/// some adapters print no line end between them. `None`: the line is no sign of progress.
pub(crate) fn split_progress(plain: &str) -> Option<(Word, &str)> {
    if let Some(rest) = plain.strip_prefix("SEARCHING") {
        return Some((Word::Searching, rest.trim_start_matches('.')));
    }
    let rest = plain.strip_prefix("BUSINIT")?.trim_start_matches([':', '.']);
    Some(match rest.strip_prefix("ERROR") {
        Some(rest) => (Word::BusInitError, rest),
        None => (Word::BusInit, rest.strip_prefix("OK").unwrap_or(rest)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The texts: common practice of AT-command adapters, from memory.
    const TEXTS: [(&str, Word); 19] = [
        ("OK", Word::Ok),
        ("?", Word::Unknown),
        ("NO DATA", Word::NoData),
        ("SEARCHING...", Word::Searching),
        ("BUS INIT: OK", Word::BusInit),
        ("BUS INIT: ...OK", Word::BusInit),
        ("BUS INIT: ...ERROR", Word::BusInitError),
        ("UNABLE TO CONNECT", Word::UnableToConnect),
        ("CAN ERROR", Word::CanError),
        ("BUS BUSY", Word::BusBusy),
        ("BUS ERROR", Word::BusError),
        ("FB ERROR", Word::FeedbackError),
        ("DATA ERROR", Word::DataError),
        ("<DATA ERROR", Word::LineDataError),
        ("<RX ERROR", Word::LineRxError),
        ("BUFFER FULL", Word::BufferFull),
        ("ACT ALERT", Word::ActAlert),
        ("LV RESET", Word::LowVoltageReset),
        ("STOPPED", Word::Stopped),
    ];

    #[test]
    fn every_text_has_a_meaning_and_a_way_on() {
        for (text, word) in TEXTS {
            assert_eq!(Word::read(text), Some(word.clone()), "{text}");
            assert_eq!(Word::read(&word.to_string()), Some(word.clone()), "{text} printed");
            assert!(!word.meaning().is_empty());
            let is_fine = matches!(word, Word::Ok | Word::Searching | Word::BusInit);
            assert_eq!(word.what_to_try().is_none(), is_fine, "{text}");
        }
        assert_eq!(Word::read("ERR94"), Some(Word::Fault("ERR94".to_owned())));
        assert_eq!(Word::read("LP ALERT"), Some(Word::LowPowerAlert));
        assert_eq!(Word::read("  no  data "), Some(Word::NoData));
        for not_a_word in ["", "7E8064100BE3EB813", "NO DAT", "ERRATIC", "OKOK"] {
            assert_eq!(Word::read(not_a_word), None, "{not_a_word}");
        }
    }

    #[test]
    fn progress_may_share_its_line_with_the_answer() {
        assert_eq!(split_progress("SEARCHING...7E8064100BE3EB813"), Some((Word::Searching, "7E8064100BE3EB813")));
        assert_eq!(split_progress("BUSINIT:...OK486B104100BE"), Some((Word::BusInit, "486B104100BE")));
        assert_eq!(split_progress("BUSINIT:...ERROR"), Some((Word::BusInitError, "")));
        assert_eq!(split_progress("7E80641"), None);
    }
}
