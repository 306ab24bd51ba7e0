//! Requests that are asked again and again, and how the reads of a module share them.

use definition::Read;
use protocol::kwp::local_data;
use protocol::obd::{current, monitors};
use protocol::uds::dynamic::{self, Piece};
use protocol::uds_read::identifiers;
use protocol::{Address, ReplyError};

use crate::Plan;
use crate::schedule::Pace;

/// Data bytes of an answer that fits a single CAN frame (ISO 15765-2).
const ONE_FRAME: usize = 7;
/// Most data bytes of an identifier that is defined here: an answer of 8 frames, which any module's buffer holds.
const MOST_DEFINED: usize = 48;
/// First identifier that a tester may define (ISO 14229-1).
const FIRST_DEFINED: u16 = 0xF300;

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
        /// The identifier under which all of them were defined together; `None`: each by its own.
        defined: Option<Defined>,
    },
    /// The adapter's own measurement of its supply.
    Supply {
        /// Index into the plan.
        signal: usize,
        /// How often it is worth asking.
        pace: Pace,
    },
}

/// An identifier that is defined by us (service 2C).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Defined {
    /// Its number.
    pub(crate) did: u16,
    /// Whether the module knows it by now.
    pub(crate) is_set: bool,
}

/// How the reads of one module share requests.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Grouping {
    /// Up to so many in one request.
    Most(usize),
    /// As many as have an answer in a single frame.
    OneFrame,
    /// Put together under identifiers of our own.
    Defined,
}

/// Data bytes of the answer to a read where they never vary.
type Length<'l> = &'l dyn Fn(Read, &[usize]) -> Option<usize>;

impl Poll {
    /// One read with its signals.
    pub(crate) fn alone(address: Address, read: Read, signals: Vec<usize>, pace: Pace) -> Self {
        Self::Module { address, reads: vec![(read, signals)], pace, defined: None }
    }

    pub(crate) fn pace(&self) -> Pace {
        match self {
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
        let Self::Module { reads, defined, .. } = self else { return Vec::new() };
        if let Some(defined) = defined {
            return identifiers::request(&[defined.did]);
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

    /// The requests that have to go before it, in order: the definition of its identifier, if the module does not know it.
    pub(crate) fn preparation(&self, length: Length<'_>) -> Vec<Vec<u8>> {
        let Self::Module { reads, defined: Some(Defined { did, is_set: false }), .. } = self else { return Vec::new() };
        let piece = |(read, signals): &(Read, Vec<usize>)| match read {
            Read::Did(did) => {
                Some(Piece { did: *did, position: 1, n_bytes: u8::try_from(length(*read, signals)?).ok()? })
            }
            _ => None,
        };
        // What an earlier tester left under this number goes first: a definition adds to the one before.
        vec![dynamic::clear(Some(*did)), dynamic::define(*did, &reads.iter().filter_map(piece).collect::<Vec<_>>())]
    }

    /// The same reads in two requests, or each identifier by its own instead of under one of ours; `None` when there is only
    /// one.
    pub(crate) fn split(&self) -> Option<Vec<Self>> {
        match self {
            Self::Module { address, reads, pace, defined } if reads.len() > 1 => {
                let n =
                    if defined.is_some() { Grouping::first_of(reads).unwrap_or(1) } else { reads.len().div_ceil(2) };
                let part = |reads: &[(Read, Vec<usize>)]| Self::Module {
                    address: *address,
                    reads: reads.to_vec(),
                    pace: *pace,
                    defined: None,
                };
                Some(reads.chunks(n).map(part).collect())
            }
            _ => None,
        }
    }

    /// The data of each read that is in a reply, with the signals that are in it.
    pub(crate) fn parts(&self, reply: &[u8], length: Length<'_>) -> Result<Vec<Part<'_>>, ReplyError> {
        let (asked, reads) = (self.request(), self.reads());
        let signals_of =
            |wanted: Read| reads.iter().find(|(read, _)| *read == wanted).map(|(_, signals)| signals.as_slice());
        if let Self::Module { defined: Some(_), .. } = self {
            let whole = identifiers::interpret(&asked, reply, |_| None)?.value;
            let mut rest = whole.first().map(|whole| whole.data.as_slice()).unwrap_or_default();
            let mut parts = Vec::new();
            for (read, signals) in reads {
                let Some((data, after)) = length(*read, signals).and_then(|n| rest.split_at_checked(n)) else { break };
                parts.push((signals.as_slice(), data.to_vec()));
                rest = after;
            }
            return Ok(parts);
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

impl Grouping {
    /// Most reads of this kind in one request, before anything is known of the module: six parameters (SAE J1979), and the
    /// three identifiers whose request still is a single frame; `None` for reads that share none.
    pub(crate) fn first_of(reads: &[(Read, Vec<usize>)]) -> Option<usize> {
        match reads.first()?.0 {
            Read::Pid(_) => Some(current::MAX_PIDS),
            Read::Did(_) => Some(3),
            Read::MonitorResult { .. } | Read::Local(_) => None,
        }
    }
}

/// Reads of one module, one kind and one pace class, each alone.
pub(crate) struct Class {
    /// The module.
    pub(crate) address: Address,
    /// The service that reads them.
    pub(crate) service: u8,
    period_ns: protocol::Nanos,
    /// One poll per read.
    pub(crate) polls: Vec<Poll>,
}

impl Class {
    /// Whether the reads may share requests: each has a length that never varies, for answers are taken apart by lengths.
    fn may_share(&self, length: Length<'_>) -> bool {
        self.polls.iter().all(|poll| {
            Grouping::first_of(poll.reads()).is_some()
                && poll.reads().iter().all(|(read, signals)| length(*read, signals).is_some())
        })
    }

    /// The polls with their reads put together. `n_defined` counts the identifiers that are used up.
    pub(crate) fn grouped(&self, how: Grouping, length: Length<'_>, n_defined: &mut u16) -> Vec<Poll> {
        if self.polls.len() < 2 || !self.may_share(length) {
            return self.polls.clone();
        }
        // Of each read: bytes in the answer, with the echo of its number or without.
        let echo = if self.service == 0x01 { 1 } else { 2 };
        let bytes = |poll: &Poll| -> usize {
            poll.reads().iter().filter_map(|(read, signals)| length(*read, signals)).map(|n| n + echo).sum()
        };
        let most_pids = if self.service == 0x01 { current::MAX_PIDS } else { usize::MAX };
        let fits = |group: &[&Poll], poll: &Poll| match how {
            Grouping::Most(most) => group.len() < most.max(1),
            Grouping::OneFrame => {
                let all: usize = group.iter().map(|poll| bytes(poll)).sum();
                1 + all + bytes(poll) <= ONE_FRAME && group.len() < most_pids
            }
            Grouping::Defined => {
                let all: usize = group.iter().map(|poll| bytes(poll) - echo).sum();
                all + bytes(poll) - echo <= MOST_DEFINED
            }
        };
        let mut order: Vec<&Poll> = self.polls.iter().collect();
        if how == Grouping::OneFrame {
            // First fit, longest first.
            order.sort_by_key(|poll| std::cmp::Reverse(bytes(poll)));
        }
        let mut groups: Vec<Vec<&Poll>> = Vec::new();
        for poll in order {
            match groups.iter_mut().find(|group| fits(group, poll)) {
                Some(group) => group.push(poll),
                None => groups.push(vec![poll]),
            }
        }
        let joined = groups.into_iter().map(|group| {
            let pace = group.iter().map(|poll| poll.pace()).reduce(Pace::and).unwrap_or_default();
            let reads: Reads = group.iter().flat_map(|poll| poll.reads().iter().cloned()).collect();
            let defined = (how == Grouping::Defined && reads.len() > 1).then(|| {
                *n_defined += 1;
                Defined { did: FIRST_DEFINED + (*n_defined - 1) % 0x100, is_set: false }
            });
            Poll::Module { address: self.address, reads, pace, defined }
        });
        joined.collect()
    }
}

/// Every read of a plan alone, the signals of one answer together, in classes that may share requests; and the polls that
/// ask no module.
pub(crate) fn classes(plan: &Plan) -> (Vec<Class>, Vec<Poll>) {
    let mut classes: Vec<Class> = Vec::new();
    let mut others = Vec::new();
    for (idx, signal) in plan.signals.iter().enumerate() {
        let Some((address, definition)) = &signal.definition else {
            others.push(Poll::Supply { signal: idx, pace: signal.pace });
            continue;
        };
        let service = definition.read.request().first().copied().unwrap_or_default();
        // A result of a self-test comes with all results of its monitor.
        let same_answer = |read: &Read| match (read, definition.read) {
            (Read::MonitorResult { mid, .. }, Read::MonitorResult { mid: own, .. }) => *mid == own,
            (read, own) => *read == own,
        };
        let known = classes.iter_mut().filter(|class| class.address == *address && class.service == service);
        let known = known.flat_map(|class| &mut class.polls).find_map(|poll| match poll {
            Poll::Module { reads, pace, .. } if reads.iter().any(|(read, _)| same_answer(read)) => Some((reads, pace)),
            _ => None,
        });
        if let Some((reads, pace)) = known {
            *pace = pace.and(signal.pace);
            match reads.iter_mut().find(|(read, _)| *read == definition.read) {
                Some((_, members)) => members.push(idx),
                None => reads.push((definition.read, vec![idx])),
            }
            continue;
        }
        let poll = Poll::alone(*address, definition.read, vec![idx], signal.pace);
        let period_ns = signal.pace.period_ns;
        match classes
            .iter_mut()
            .find(|class| (class.address, class.service, class.period_ns) == (*address, service, period_ns))
        {
            Some(class) => class.polls.push(poll),
            None => classes.push(Class { address: *address, service, period_ns, polls: vec![poll] }),
        }
    }
    (classes, others)
}
