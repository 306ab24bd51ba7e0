//! Which reads of a module share a request.

use definition::Read;
use protocol::obd::current;
use protocol::{Address, Nanos};

use crate::Plan;
use crate::plan::Origin;
use crate::poll::{Length, Poll, Reads, Stream, Way};
use crate::schedule::Pace;

/// Data bytes of an answer that fits a single CAN frame (ISO 15765-2).
const ONE_FRAME: usize = 7;
/// Most data bytes of an identifier that is defined here: an answer of 8 frames, which any module's buffer holds.
const MOST_DEFINED: usize = 48;
/// First identifier that a tester may define (ISO 14229-1).
const FIRST_DEFINED: u16 = 0xF300;

/// How the reads of one module share requests.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Grouping {
    /// Up to so many in one request.
    Most(usize),
    /// As many as have an answer in a single frame.
    OneFrame,
    /// Put together under identifiers of our own.
    Defined,
    /// Sent by the module itself where a read fits one frame; the others in requests.
    Periodic(Stream),
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
    period_ns: Nanos,
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
        if !self.may_share(length) {
            return self.polls.clone();
        }
        let data =
            |poll: &&Poll| poll.reads().iter().filter_map(|(read, signals)| length(*read, signals)).sum::<usize>();
        // Bytes in the answer: the data behind the echo of each number.
        let echo = if self.service == 0x01 { 1 } else { 2 };
        let bytes = |poll: &&Poll| data(poll) + echo * poll.reads().len();
        let most_pids = if self.service == 0x01 { current::MAX_PIDS } else { usize::MAX };
        let all: Vec<&Poll> = self.polls.iter().collect();
        match how {
            Grouping::Most(most) => self.joined(pack(all, |group| group.len() <= most.max(1))),
            Grouping::OneFrame => {
                // First fit, longest first; the service takes a byte of the frame too.
                let mut order = all;
                order.sort_by_key(|poll| std::cmp::Reverse(bytes(poll)));
                let fits =
                    |group: &[&Poll]| group.iter().map(bytes).sum::<usize>() < ONE_FRAME && group.len() <= most_pids;
                self.joined(pack(order, fits))
            }
            Grouping::Defined => {
                let mut polls = self.joined(pack(all, |group| group.iter().map(data).sum::<usize>() <= MOST_DEFINED));
                for poll in &mut polls {
                    if let Poll::Module { reads, way, .. } = poll
                        && reads.len() > 1
                    {
                        *way = Way::Defined { did: FIRST_DEFINED + *n_defined % 0x100, is_set: false };
                        *n_defined += 1;
                    }
                }
                polls
            }
            Grouping::Periodic(stream) => {
                let (short, long): (Vec<&Poll>, Vec<&Poll>) = all.into_iter().partition(|poll| data(poll) <= ONE_FRAME);
                let sent = pack(short, |group| group.iter().map(data).sum::<usize>() <= ONE_FRAME);
                // From the last one down: makers begin at the other end with those of their own.
                let numbers: Vec<(u8, usize)> = (0..=0xFF).rev().zip(sent.iter().map(Vec::len)).collect();
                let mut polls = self.joined(vec![sent.into_iter().flatten().collect()]);
                for poll in &mut polls {
                    if let Poll::Module { way, .. } = poll {
                        *way = Way::Periodic { numbers: numbers.clone(), stream, is_set: false };
                    }
                }
                let usual = self.polls.first().and_then(|poll| Grouping::first_of(poll.reads())).unwrap_or(1);
                polls.extend(self.joined(pack(long, |group| group.len() <= usual)));
                polls
            }
        }
    }

    /// One poll for each group.
    fn joined(&self, groups: Vec<Vec<&Poll>>) -> Vec<Poll> {
        let join = |group: Vec<&Poll>| {
            let pace = group.iter().map(|poll| poll.pace()).reduce(Pace::and)?;
            let reads: Reads = group.iter().flat_map(|poll| poll.reads().iter().cloned()).collect();
            Some(Poll::Module { address: self.address, reads, pace, way: Way::Own })
        };
        groups.into_iter().filter_map(join).collect()
    }
}

/// Puts each poll into the first group that still fits with it.
fn pack<'p>(polls: Vec<&'p Poll>, fits: impl Fn(&[&Poll]) -> bool) -> Vec<Vec<&'p Poll>> {
    let mut groups: Vec<Vec<&Poll>> = Vec::new();
    for poll in polls {
        let has_room = |group: &Vec<&'p Poll>| fits(&[group.as_slice(), &[poll]].concat());
        match groups.iter().position(has_room) {
            Some(idx) => groups[idx].push(poll),
            None => groups.push(vec![poll]),
        }
    }
    groups
}

/// Every read of a plan alone, the signals of one answer together, in classes that may share requests; and the polls that
/// ask no module.
pub(crate) fn classes(plan: &Plan) -> (Vec<Class>, Vec<Poll>) {
    let mut classes: Vec<Class> = Vec::new();
    let mut others = Vec::new();
    for (idx, signal) in plan.signals.iter().enumerate() {
        let (address, definition) = match &signal.origin {
            Origin::Read(address, definition) => (address, definition),
            Origin::Broadcast(_) => continue,
            Origin::Supply => {
                others.push(Poll::Supply { signal: idx, pace: signal.pace });
                continue;
            }
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
