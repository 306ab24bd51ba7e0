//! Listening: what modules broadcast reaches the samples without a request.

use std::collections::HashMap;
use std::sync::Arc;

use definition::{FrameDecoder, Message, SignalDefinition, parameter_group};
use link::{Hearing, LinkError, Source, Wanted};
use protocol::{Address, Bus, CanId, Nanos};

use crate::plan::Origin;
use crate::{Plan, Vehicle};

/// How long is listened for a message before it counts as not there: the slowest messages that are common come once a
/// second (common practice, no source).
const LISTEN_NS: Nanos = 1_200_000_000;
/// Frames of each message after which their interval is known well enough.
const ENOUGH: usize = 8;
/// A signal counts as no longer broadcast after so many of its intervals, and at least this time.
const MISSED: (Nanos, Nanos) = (10, 1_000_000_000);

/// A signal that is broadcast.
#[derive(Debug, Clone)]
pub(crate) struct Broadcast {
    /// The message that it is in.
    pub(crate) message: Arc<Message>,
    /// Index of the signal in the message.
    pub(crate) signal: usize,
    /// Time from one of its frames to the next, as heard; `None`: none was heard yet.
    pub(crate) every_ns: Option<Nanos>,
    /// How it is read where it is not heard.
    pub(crate) instead: Option<(Address, SignalDefinition)>,
}

/// What was heard of a message: the median time between two of its frames; `None` below two frames.
pub(crate) type Heartbeat = Option<Nanos>;

fn carries(message: &Message, id: CanId) -> bool {
    let is_of_group =
        || message.is_group && parameter_group(id).is_some() && parameter_group(id) == parameter_group(message.id);
    message.id == id || is_of_group()
}

/// What a link has to listen to for these messages.
fn wanted<'m>(messages: impl IntoIterator<Item = &'m Message>) -> Vec<Wanted> {
    let mut all = Vec::new();
    for message in messages {
        // Whoever sends a parameter group does so under an identifier of its own.
        all.push(if message.is_group { Wanted::AnyFrame } else { Wanted::Frames(message.id) });
    }
    all
}

impl Vehicle {
    /// Whether frames of others can be heard while requests are under way.
    pub(crate) fn hears_frames(&mut self) -> bool {
        matches!(self.link.info().bus, Some(Bus::Can { .. })) && self.link.listen_to(&[]) == Hearing::Always
    }

    /// Listens for these messages, each once for this car, and keeps how often they come.
    pub(crate) fn overhear(&mut self, messages: &[Arc<Message>]) -> Result<(), LinkError> {
        let new: Vec<&Message> =
            messages.iter().map(|message| &**message).filter(|m| !self.learnt.heard.contains_key(&m.id)).collect();
        if new.is_empty() || !self.hears_frames() {
            return Ok(());
        }
        self.link.listen_to(&wanted(new.iter().copied()));
        let until_ns = self.link.now() + LISTEN_NS;
        let mut times: Vec<Vec<Nanos>> = vec![Vec::new(); new.len()];
        while self.link.now() < until_ns && times.iter().any(|times| times.len() < ENOUGH) {
            for heard in self.link.hear(until_ns)? {
                let Source::Frame(id) = heard.from else { continue };
                if let Some(idx) = new.iter().position(|message| carries(message, id)) {
                    times[idx].push(heard.arrived_ns);
                }
            }
        }
        self.link.listen_to(&[]);
        for (message, times) in new.iter().zip(times) {
            let mut gaps: Vec<Nanos> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
            gaps.sort_unstable();
            self.learnt.heard.insert(message.id, gaps.get(gaps.len() / 2).copied());
        }
        Ok(())
    }
}

/// The values in something that was heard, by signal of the plan, and when the one before it of its kind had arrived. The
/// sender has put it together since then: that is all that is known from outside about the age of its values.
pub(crate) type Values = (Option<Nanos>, Vec<(usize, f64)>);

/// Makes values of what is heard.
pub(crate) struct Ears {
    decoder: FrameDecoder,
    /// Signal of the plan by its number in the decoder.
    signals: Vec<Option<usize>>,
    /// When a frame of each identifier was last heard.
    frames: HashMap<CanId, Nanos>,
    /// When each signal was last heard, or began to be waited for.
    last: HashMap<usize, Nanos>,
    wanted: Vec<Wanted>,
}

impl Ears {
    pub(crate) fn new(plan: &Plan, now: Nanos) -> Self {
        let mut messages: Vec<Arc<Message>> = Vec::new();
        let mut last = HashMap::new();
        for (idx, broadcast) in plan.broadcasts() {
            last.insert(idx, now);
            if !messages.iter().any(|known| known.id == broadcast.message.id) {
                messages.push(Arc::clone(&broadcast.message));
            }
        }
        let mut signals = Vec::new();
        for message in &messages {
            for number in 0..message.signals.len() {
                let is_it = |b: &Broadcast| b.message.id == message.id && b.signal == number;
                signals.push(plan.broadcasts().find(|(_, broadcast)| is_it(broadcast)).map(|(idx, _)| idx));
            }
        }
        let messages = messages.iter().map(|message| &**message);
        let wanted = wanted(messages.clone());
        Self { decoder: FrameDecoder::new(messages), signals, frames: HashMap::new(), last, wanted }
    }

    /// What has to be listened to.
    pub(crate) fn wanted(&self) -> &[Wanted] {
        &self.wanted
    }

    /// What is in a frame; `None` if no message has its identifier.
    pub(crate) fn values(&mut self, id: CanId, data: &[u8], arrived_ns: Nanos) -> Option<Values> {
        let mut values = Vec::new();
        let is_known = self.decoder.decode(id, data, |number, value| {
            values.extend(self.signals.get(number).copied().flatten().map(|signal| (signal, value)));
        });
        if !is_known {
            return None;
        }
        for (signal, _) in &values {
            self.last.insert(*signal, arrived_ns);
        }
        Some((self.frames.insert(id, arrived_ns), values))
    }

    /// Nothing could be heard until now.
    pub(crate) fn wait_from(&mut self, now: Nanos) {
        self.last.values_mut().for_each(|last| *last = now);
        self.frames.clear();
    }

    /// A signal that has not come for so long that it counts as no longer broadcast, and can be read instead.
    pub(crate) fn missing(&self, plan: &Plan, now: Nanos) -> Option<usize> {
        let is_missing = |(idx, broadcast): &(usize, &Broadcast)| {
            let patience_ns = broadcast.every_ns.map_or(0, |every| MISSED.0.saturating_mul(every)).max(MISSED.1);
            broadcast.instead.is_some() && self.last.get(idx).is_some_and(|last| now - last > patience_ns)
        };
        plan.broadcasts().find(is_missing).map(|(idx, _)| idx)
    }
}

impl Plan {
    /// The signals that are listened for.
    pub(crate) fn broadcasts(&self) -> impl Iterator<Item = (usize, &Broadcast)> {
        self.signals.iter().enumerate().filter_map(|(idx, signal)| match &signal.origin {
            Origin::Broadcast(broadcast) => Some((idx, broadcast)),
            Origin::Read(..) | Origin::Supply => None,
        })
    }
}
