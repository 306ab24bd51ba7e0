//! Requests that are asked again and again, and how the reads of a module share them.

use definition::Read;
use link::{Source, Wanted};
use protocol::kwp::local_data;
use protocol::obd::{current, monitors};
use protocol::uds::dynamic::{self, Piece};
use protocol::uds::{periodic, session, tester_present};
use protocol::uds_read::identifiers;
use protocol::{Address, Nanos, ReplyError};

use crate::Plan;
use crate::grouping::Grouping;
use crate::plan::Origin;
use crate::schedule::Pace;

impl Stream {
    /// What has to be listened to for it.
    pub(crate) fn wanted(self) -> Wanted {
        match self.from {
            Source::Frame(id) => Wanted::Frames(id),
            Source::Message(address) => Wanted::Messages(address),
        }
    }
}

/// What is read, with the signals (indices into the plan) that are in it.
pub(crate) type Reads = Vec<(Read, Vec<usize>)>;

/// Signals (indices into the plan), and the data bytes that they are in.
pub(crate) type Part<'p> = (&'p [usize], Vec<u8>);

/// One request, again and again.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Poll {
    /// A request to a module.
    Module {
        /// Which module.
        address: Address,
        /// What to read.
        reads: Reads,
        /// How often it is worth asking.
        pace: Pace,
        /// How they come.
        way: Way,
    },
    /// The adapter's own measurement of its supply.
    Supply {
        /// Index into the plan.
        signal: usize,
        /// How often it is worth asking.
        pace: Pace,
    },
}

/// How the reads of a poll come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Way {
    /// All in the answer to one request, each under its own number.
    Own,
    /// All in the answer to one request, under an identifier of ours (service 2C).
    Defined {
        /// Its number.
        did: u16,
        /// Whether the module knows it by now.
        is_set: bool,
    },
    /// The module sends them by itself (service 2A). What is asked again and again is that it stays at it.
    Periodic {
        /// Periodic numbers, and how many of the reads are under each, in order.
        numbers: Vec<(u8, usize)>,
        /// How its messages come.
        stream: Stream,
        /// Whether it has begun by now.
        is_set: bool,
    },
}

/// How the messages come that a module sends by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Stream {
    /// From where.
    pub(crate) from: Source,
    /// Whether the module sends them in an extended session only.
    pub(crate) in_session: bool,
}

/// Data bytes of the answer to a read where they never vary.
pub(crate) type Length<'l> = &'l dyn Fn(Read, &[usize]) -> Option<usize>;

impl Poll {
    /// One read with its signals.
    pub(crate) fn alone(address: Address, read: Read, signals: Vec<usize>, pace: Pace) -> Self {
        Self::Module { address, reads: vec![(read, signals)], pace, way: Way::Own }
    }

    /// The request for one signal that a module is asked for.
    pub(crate) fn of_signal(plan: &Plan, idx: usize) -> Option<Self> {
        let signal = plan.signals.get(idx)?;
        match &signal.origin {
            Origin::Read(address, definition) => Some(Self::alone(*address, definition.read, vec![idx], signal.pace)),
            Origin::Broadcast(_) | Origin::Supply => None,
        }
    }

    /// How often it has to be asked.
    pub(crate) fn pace(&self) -> Pace {
        match self {
            Self::Module { way: Way::Periodic { .. }, .. } => {
                Pace { period_ns: tester_present::PERIOD.as_nanos() as Nanos, ..Pace::default() }
            }
            Self::Module { pace, .. } | Self::Supply { pace, .. } => *pace,
        }
    }

    /// The module that is asked; `None` for the adapter itself.
    pub(crate) fn module(&self) -> Option<Address> {
        match self {
            Self::Module { address, .. } => Some(*address),
            Self::Supply { .. } => None,
        }
    }

    pub(crate) fn reads(&self) -> &[(Read, Vec<usize>)] {
        match self {
            Self::Module { reads, .. } => reads,
            Self::Supply { .. } => &[],
        }
    }

    /// Service and parameters.
    pub(crate) fn request(&self) -> Vec<u8> {
        let Self::Module { reads, way, .. } = self else { return Vec::new() };
        match way {
            Way::Own => {}
            Way::Defined { did, .. } => return identifiers::request(&[*did]),
            Way::Periodic { .. } => return tester_present::request(true),
        }
        let pids = reads.iter().filter_map(|(read, _)| match read {
            Read::Pid(pid) => Some(*pid),
            _ => None,
        });
        let dids = reads.iter().filter_map(|(read, _)| match read {
            Read::Did(did) => Some(*did),
            _ => None,
        });
        match reads.first() {
            Some((Read::Pid(_), _)) => current::request(&pids.collect::<Vec<_>>()),
            Some((Read::Did(_), _)) => identifiers::request(&dids.collect::<Vec<_>>()),
            Some((read @ (Read::MonitorResult { .. } | Read::Local(_)), _)) => read.request(),
            None => Vec::new(),
        }
    }

    /// The requests that have to go before it, in order: what makes its identifiers known to the module, and lets it begin
    /// to send. Empty when that is done. Of all of them only [`dynamic::clear`] may be refused.
    pub(crate) fn preparation(&self, length: Length<'_>) -> Vec<Vec<u8>> {
        let Self::Module { reads, way, .. } = self else { return Vec::new() };
        match way {
            Way::Own | Way::Defined { is_set: true, .. } | Way::Periodic { is_set: true, .. } => Vec::new(),
            Way::Defined { did, .. } => define(*did, reads, length),
            Way::Periodic { numbers, stream, .. } => {
                let session = stream.in_session.then(|| session::request(session::EXTENDED));
                let mut steps: Vec<Vec<u8>> = session.into_iter().collect();
                for (number, reads) in parts_of(numbers, reads) {
                    steps.extend(define(periodic::did(number), reads, length));
                }
                steps.push(periodic::request(periodic::Rate::Fast, &self.sent_numbers()));
                steps
            }
        }
    }

    /// The requests that undo what [`Poll::preparation`] did and the module would go on with; the identifiers that are
    /// only known to it stay, as they disturb nobody.
    pub(crate) fn ending(&self) -> Vec<Vec<u8>> {
        let Self::Module { way: Way::Periodic { stream, is_set: true, .. }, .. } = self else { return Vec::new() };
        let session = stream.in_session.then(|| session::request(session::DEFAULT));
        std::iter::once(periodic::stop(&self.sent_numbers())).chain(session).collect()
    }

    /// Notes whether the module knows by now what [`Poll::preparation`] tells it.
    pub(crate) fn set(&mut self, now: bool) {
        if let Self::Module { way: Way::Defined { is_set, .. } | Way::Periodic { is_set, .. }, .. } = self {
            *is_set = now;
        }
    }

    /// How the messages come, where the module sends by itself.
    pub(crate) fn stream(&self) -> Option<Stream> {
        match self {
            Self::Module { way: Way::Periodic { stream, .. }, .. } => Some(*stream),
            _ => None,
        }
    }

    /// The periodic numbers that the module is to send by itself.
    pub(crate) fn sent_numbers(&self) -> Vec<u8> {
        match self {
            Self::Module { way: Way::Periodic { numbers, .. }, .. } => {
                numbers.iter().map(|(number, _)| *number).collect()
            }
            _ => Vec::new(),
        }
    }

    /// What it is called in notes.
    pub(crate) fn title(&self) -> String {
        match self {
            Self::Supply { .. } => "supply voltage".to_owned(),
            Self::Module { address, .. } => format!("{address} `{}`", protocol::Hex(self.request())),
        }
    }

    /// How many of the reads are in a complete answer.
    pub(crate) fn n_answered(&self) -> usize {
        if self.stream().is_some() { 0 } else { self.reads().len() }
    }

    /// Whether it has a preparation.
    pub(crate) fn is_prepared(&self) -> bool {
        matches!(self, Self::Module { way: Way::Defined { .. } | Way::Periodic { .. }, .. })
    }

    /// The same reads in two requests, or each identifier asked for by its own number; `None` when there is nothing to split.
    ///
    /// `pace_of`: how often each signal is worth asking, for the parts need not be asked alike.
    pub(crate) fn split(&self, pace_of: &dyn Fn(usize) -> Option<Pace>) -> Option<Vec<Self>> {
        match self {
            Self::Module { address, reads, pace, way } if reads.len() > 1 || *way != Way::Own => {
                let n = match way {
                    Way::Own => reads.len().div_ceil(2),
                    Way::Defined { .. } | Way::Periodic { .. } => Grouping::first_of(reads).unwrap_or(1),
                };
                let part = |reads: &[(Read, Vec<usize>)]| Self::Module {
                    address: *address,
                    reads: reads.to_vec(),
                    pace: signals_of(reads).filter_map(pace_of).reduce(Pace::and).unwrap_or(*pace),
                    way: Way::Own,
                };
                Some(reads.chunks(n).map(part).collect())
            }
            _ => None,
        }
    }

    /// The periodic number of a message that the module sent by itself, and the data of each read in it, with the signals
    /// that are in it; `None` for a message of something else.
    pub(crate) fn sent_parts(&self, from: Source, message: &[u8], length: Length<'_>) -> Option<(u8, Vec<Part<'_>>)> {
        let Self::Module { way: Way::Periodic { numbers, stream, is_set: true }, reads, .. } = self else {
            return None;
        };
        let (number, data) = periodic::message(message).filter(|_| from == stream.from)?;
        let (_, reads) = parts_of(numbers, reads).find(|(own, _)| *own == number)?;
        Some((number, in_order(reads, data, length)))
    }

    /// The data of each read that is in a reply, with the signals that are in it.
    pub(crate) fn parts(&self, reply: &[u8], length: Length<'_>) -> Result<Vec<Part<'_>>, ReplyError> {
        let (asked, reads) = (self.request(), self.reads());
        let signals_of =
            |wanted: Read| reads.iter().find(|(read, _)| *read == wanted).map(|(_, signals)| signals.as_slice());
        match self {
            Self::Module { way: Way::Defined { .. }, .. } => {
                let whole = identifiers::interpret(&asked, reply, |_| None)?.value;
                return Ok(in_order(
                    reads,
                    whole.first().map(|whole| whole.data.as_slice()).unwrap_or_default(),
                    length,
                ));
            }
            // The values come by themselves.
            Self::Module { way: Way::Periodic { .. }, .. } => {
                return tester_present::interpret(&asked, reply).map(|()| Vec::new());
            }
            _ => {}
        }
        Ok(match reads.first() {
            Some((Read::Pid(_), _)) => current::interpret(&asked, reply)?
                .value
                .into_iter()
                .filter_map(|part| Some((signals_of(Read::Pid(part.pid))?, part.data)))
                .collect(),
            Some((Read::Did(_), _)) => {
                let length_of =
                    |did| reads.iter().find(|(read, _)| *read == Read::Did(did)).and_then(|(r, s)| length(*r, s));
                identifiers::interpret(&asked, reply, length_of)?
                    .value
                    .into_iter()
                    .filter_map(|part| Some((signals_of(Read::Did(part.did))?, part.data)))
                    .collect()
            }
            Some((Read::MonitorResult { .. }, _)) => monitors::interpret(&asked, reply)?
                .value
                .into_iter()
                .filter_map(|result| {
                    let signals = signals_of(Read::MonitorResult { mid: result.mid, tid: result.tid })?;
                    let words = [result.value, result.min, result.max].into_iter().flat_map(u16::to_be_bytes);
                    Some((signals, std::iter::once(result.scaling).chain(words).collect()))
                })
                .collect(),
            Some((Read::Local(_), signals)) => {
                vec![(signals.as_slice(), local_data::interpret(&asked, reply)?.to_vec())]
            }
            None => Vec::new(),
        })
    }
}

/// The requests that make `did` stand for these reads. What an earlier tester left under this number goes first: a
/// definition adds to the one before.
fn define(did: u16, reads: &[(Read, Vec<usize>)], length: Length<'_>) -> Vec<Vec<u8>> {
    let piece = |(read, signals): &(Read, Vec<usize>)| match read {
        Read::Did(did) => Some(Piece { did: *did, position: 1, n_bytes: u8::try_from(length(*read, signals)?).ok()? }),
        _ => None,
    };
    vec![dynamic::clear(Some(did)), dynamic::define(did, &reads.iter().filter_map(piece).collect::<Vec<_>>())]
}

/// The data of reads that stand one after the other; those that are cut off are left out.
fn in_order<'p>(reads: &'p [(Read, Vec<usize>)], data: &[u8], length: Length<'_>) -> Vec<Part<'p>> {
    let mut rest = data;
    let mut parts = Vec::new();
    for (read, signals) in reads {
        let Some((data, after)) = length(*read, signals).and_then(|n| rest.split_at_checked(n)) else { break };
        parts.push((signals.as_slice(), data.to_vec()));
        rest = after;
    }
    parts
}

/// The signals in these reads.
fn signals_of(reads: &[(Read, Vec<usize>)]) -> impl Iterator<Item = usize> {
    reads.iter().flat_map(|(_, signals)| signals).copied()
}

/// The reads under each periodic number.
fn parts_of<'p>(
    numbers: &'p [(u8, usize)],
    reads: &'p [(Read, Vec<usize>)],
) -> impl Iterator<Item = (u8, &'p [(Read, Vec<usize>)])> {
    let mut rest = reads;
    numbers.iter().map(move |(number, count)| {
        let (own, after) = rest.split_at_checked(*count).unwrap_or((rest, &[]));
        rest = after;
        (*number, own)
    })
}
