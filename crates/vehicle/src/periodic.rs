//! Finding out whether a module sends by itself, and how its messages come.
//!
//! Under which identifier they come, the maker decides (ISO 14229-1): it is learnt by listening while they are switched on
//! and off again.

use std::collections::{BTreeMap, BTreeSet, HashSet};

use link::{Hearing, LinkError, Source, Wanted};
use protocol::uds::{periodic, session};
use protocol::{Address, Nanos, NegativeCode, ReplyError, reply_body};

use crate::grouping::{Class, Grouping};
use crate::poll::{Poll, Stream, Way};
use crate::{Plan, Vehicle};

/// How long the network is listened to before the module begins, and after it was told to stop.
const QUIET_NS: Nanos = 150_000_000;
/// How long the module is listened to.
const SENDING_NS: Nanos = 500_000_000;
/// After this time a module has heard that it is to stop, and what it had already handed to its controller has left.
const STOPPED_NS: Nanos = 50_000_000;
/// Messages of each number that have to come before the time between them counts.
const ENOUGH: usize = 3;

/// What was heard: who, the first byte, and when.
type Seen = (Source, u8, Nanos);

impl Vehicle {
    /// Lets the module send the short reads of a class by itself for a moment; how its messages come, if that gives every
    /// one of them sooner again than `turn_ns`.
    ///
    /// # Errors
    /// [`LinkError`] when the link fails.
    pub(crate) fn faster_stream(
        &mut self,
        class: &Class,
        plan: &Plan,
        turn_ns: f64,
        until_ns: Nanos,
    ) -> Result<Option<Stream>, LinkError> {
        if class.service != 0x22 || self.learnt.is_mute(class.address) || self.link.now() >= until_ns {
            return Ok(None);
        }
        if self.link.listen_to(&[Wanted::AnyFrame, Wanted::Messages(class.address)]) != Hearing::Always {
            self.link.listen_to(&[]);
            return Ok(None);
        }
        let found = self.try_stream(class, plan);
        self.link.listen_to(&[]);
        let found = found?.filter(|(_, every_ns)| *every_ns < turn_ns);
        Ok(found.map(|(stream, _)| stream))
    }

    /// How the messages of this class come, and the longest time between two of a kind.
    fn try_stream(&mut self, class: &Class, plan: &Plan) -> Result<Option<(Stream, f64)>, LinkError> {
        let length = |read, signals: &[usize]| plan.n_bytes(read, signals);
        let before: HashSet<Source> = self.listen(QUIET_NS)?.into_iter().map(|(from, ..)| from).collect();
        let mut stream = Stream { from: Source::Message(class.address), in_session: false };
        let sent = |stream| {
            let polls = class.grouped(Grouping::Periodic(stream), &length, &mut 0);
            polls.into_iter().find(|poll| matches!(poll, Poll::Module { way: Way::Periodic { .. }, .. }))
        };
        let Some(mut poll) = sent(stream) else { return Ok(None) };
        let mut begun = self.begin(class.address, &poll.preparation(&length))?;
        if begun == Begun::NotInThisSession && self.may_open_sessions {
            stream.in_session = true;
            let Some(again) = sent(stream) else { return Ok(None) };
            poll = again;
            begun = self.begin(class.address, &poll.preparation(&length))?;
        }
        let seen = if begun == Begun::Yes { self.listen(SENDING_NS)? } else { Vec::new() };
        poll.set(true);
        for bytes in poll.ending() {
            self.try_once(class.address, bytes)?;
        }
        match begun {
            Begun::Yes => {}
            Begun::NotInThisSession => {
                self.session_would_help.insert(class.address);
                return Ok(None);
            }
            Begun::No => return Ok(None),
        }
        let stopped_ns = self.link.now() + STOPPED_NS;
        let after: HashSet<Source> =
            self.listen(QUIET_NS)?.into_iter().filter(|(.., at)| *at > stopped_ns).map(|(from, ..)| from).collect();
        let Poll::Module { way: Way::Periodic { numbers, .. }, .. } = &poll else { return Ok(None) };
        let wanted: BTreeSet<u8> = numbers.iter().map(|(number, _)| *number).collect();
        let candidates: HashSet<Source> = seen
            .iter()
            .map(|(from, ..)| *from)
            .filter(|from| !before.contains(from) && !after.contains(from))
            .collect();
        for from in candidates {
            if let Some(every_ns) = interval_ns(&seen, from, &wanted) {
                return Ok(Some((Stream { from, ..stream }, every_ns)));
            }
        }
        Ok(None)
    }

    /// Sends the steps of a preparation.
    fn begin(&mut self, address: Address, steps: &[Vec<u8>]) -> Result<Begun, LinkError> {
        for bytes in steps {
            let Some(tried) = self.try_once(address, bytes.clone())? else { return Ok(Begun::No) };
            match reply_body(&tried.asked, &tried.reply) {
                Ok(_) => {}
                Err(_) if is_clearing(bytes) => {}
                Err(ReplyError::Negative { code: NegativeCode::NOT_IN_THIS_SESSION, .. })
                    if bytes.first() != session::request(session::EXTENDED).first() =>
                {
                    return Ok(Begun::NotInThisSession);
                }
                Err(_) => return Ok(Begun::No),
            }
        }
        Ok(Begun::Yes)
    }

    fn listen(&mut self, for_ns: Nanos) -> Result<Vec<Seen>, LinkError> {
        let until_ns = self.link.now() + for_ns;
        let mut seen = Vec::new();
        while self.link.now() < until_ns {
            for heard in self.link.hear(until_ns)? {
                if let Some((number, _)) = periodic::message(&heard.bytes) {
                    seen.push((heard.from, number, heard.arrived_ns));
                }
            }
        }
        Ok(seen)
    }
}

/// Whether a module has begun to send.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Begun {
    Yes,
    No,
    /// It would in another session.
    NotInThisSession,
}

/// Whether this forgets a definition: what was never defined cannot be forgotten everywhere, and that is no failure.
pub(crate) fn is_clearing(request: &[u8]) -> bool {
    matches!(request, [0x2C, 0x03, ..])
}

/// The longest mean time between two messages of a number from this sender, if all numbers come from it and nothing else.
fn interval_ns(seen: &[Seen], from: Source, wanted: &BTreeSet<u8>) -> Option<f64> {
    let mut times: BTreeMap<u8, Vec<Nanos>> = BTreeMap::new();
    for (_, number, at) in seen.iter().filter(|(sender, ..)| *sender == from) {
        times.entry(*number).or_default().push(*at);
    }
    if !times.keys().eq(wanted.iter()) {
        return None;
    }
    let mean = |times: &Vec<Nanos>| {
        let (first, last) = (times.first()?, times.last()?);
        (times.len() >= ENOUGH).then(|| (last - first) as f64 / (times.len() - 1) as f64)
    };
    times.values().map(mean).collect::<Option<Vec<f64>>>()?.into_iter().reduce(f64::max)
}
