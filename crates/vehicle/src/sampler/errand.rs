//! What can be done beside the samples, with requests of its own.

use link::{Exchange, LinkError, Request};
use protocol::Nanos;
use signal::Sample;

/// Something that is done beside the samples, with requests of its own.
pub(crate) trait Errand {
    /// What it wants next. All times are of the link's clock.
    fn next(&mut self, now: Nanos) -> Want;

    /// Its request was not sent, for its module is busy: it is asked again what it wants, for much may have changed by then.
    fn not_sent(&mut self);

    /// Its request is over; an error means that it could not be sent.
    fn answered(&mut self, asked: &Request, outcome: Result<&Exchange, &LinkError>, now: Nanos);

    /// A sample has come in.
    fn saw(&mut self, signal: usize, sample: &Sample, now: Nanos);

    /// The adapter was lost; what was under way has no answer.
    fn lost(&mut self, now: Nanos);

    /// Bring it to an end: nobody wants it any more.
    fn release(&mut self, now: Nanos);

    /// What it has to say since it was last asked, with the time of it.
    fn tell(&mut self) -> Vec<(Nanos, Told)>;

    /// Whether it still has to do something before all may end. A lost adapter is waited for as long.
    fn is_open(&mut self, now: Nanos) -> bool;

    /// Whether the sampling ends when it does.
    fn ends_all(&self) -> bool;
}

/// What an errand says.
pub(crate) enum Told {
    /// A mark for the recording.
    Mark(String),
    /// Something worth telling the user.
    Note(String),
}

/// What an errand wants.
pub(crate) enum Want {
    /// Send this as soon as its module is free.
    Ask(Request),
    /// Nothing before this time, or before something has come.
    Wait(Nanos),
}

/// Sampling alone.
pub(super) struct NoErrand;

impl Errand for NoErrand {
    fn next(&mut self, _: Nanos) -> Want {
        Want::Wait(Nanos::MAX)
    }

    fn not_sent(&mut self) {}

    fn answered(&mut self, _: &Request, _: Result<&Exchange, &LinkError>, _: Nanos) {}

    fn saw(&mut self, _: usize, _: &Sample, _: Nanos) {}

    fn lost(&mut self, _: Nanos) {}

    fn release(&mut self, _: Nanos) {}

    fn tell(&mut self) -> Vec<(Nanos, Told)> {
        Vec::new()
    }

    fn is_open(&mut self, _: Nanos) -> bool {
        false
    }

    fn ends_all(&self) -> bool {
        false
    }
}
