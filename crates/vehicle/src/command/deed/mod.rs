//! One command under way: what is sent when, what ends it, and how control goes back.

mod answers;

use definition::{Care, ResultsIn};
use link::{Exchange, LinkError, Request, Target};
use protocol::uds::{session, tester_present};
use protocol::uds_read::identifiers;
use protocol::{Address, Nanos, kwp};
use signal::Sample;

use super::pattern::Steps;
use super::watch::{self, Watched};
use super::what::What;
use super::{Driven, Ended, Hand, Returned};
use crate::sampler::{Errand, Told, Want};
use crate::{Grant, Purpose};

/// Longest time that a hand may be near without pressing before it all ends.
const WAIT_NS: Nanos = 120_000_000_000;
/// How long the samples go on after it was ended, so that it is on record that control is back.
const AFTER_NS: Nanos = 1_000_000_000;
/// Longest time for the conditions to become known.
const CHECK_NS: Nanos = 5_000_000_000;
/// How long a lost adapter is waited for where nothing but a request of ours ends the driving: as long as somebody needs who
/// is told of it and puts the cable back (no source).
const ADAPTER_NS: Nanos = 60_000_000_000;

/// What is under way.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Asked {
    Session,
    Level(f64),
    Present,
    Results,
    Return,
    Close,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Stage {
    /// Nobody presses, until this time.
    Waiting(Nanos),
    /// The conditions are looked at, until this time.
    Checking(Nanos),
    /// The session is asked for.
    Opening,
    /// It runs.
    Driving,
    /// Control is asked back.
    Returning,
    /// A routine is asked for its results.
    Asking,
    /// The session is left.
    Closing,
    /// The samples go on until this time, while somebody is near.
    Tail(Nanos),
    /// The samples go on until this time, whoever is gone.
    After(Nanos),
    Over,
}

pub(super) struct Deed<'d> {
    pub(super) what: What<'d>,
    pub(super) module: Address,
    pub(super) purpose: Purpose,
    pub(super) care: &'d Care,
    pub(super) grant: &'d Grant,
    pub(super) hand: &'d mut dyn FnMut() -> Hand,
    pub(super) watched: Vec<Watched>,
    pub(super) steps: Steps,
    /// Start of the samples.
    pub(super) start_ns: Nanos,
    stage: Stage,
    asked: Option<Asked>,
    /// Nothing is sent before this time.
    not_before_ns: Nanos,
    tries: u32,
    /// Answers in a row that the module is busy.
    n_busy: u32,
    silences: u32,
    /// Whether somebody was near before they pressed.
    has_waited: bool,
    /// When the steps began to count.
    begun_ns: Nanos,
    first_driven_ns: Option<Nanos>,
    n_done: usize,
    present_ns: Nanos,
    results_ns: Nanos,
    is_open_session: bool,
    /// Whether the module tells which session it is in, as far as is known.
    tells_session: bool,
    lost_ns: Option<Nanos>,
    /// Since when it is driven away from its safe level.
    on_since_ns: Option<Nanos>,
    pub(super) ended: Option<Ended>,
    pub(super) returned: Returned,
    pub(super) driven: Vec<Driven>,
    pub(super) results: Option<Vec<u8>>,
    told: Vec<(Nanos, Told)>,
}

/// What a command is made of; see the fields of [`Deed`].
pub(super) struct Parts<'d> {
    pub(super) what: What<'d>,
    pub(super) grant: &'d Grant,
    pub(super) hand: &'d mut dyn FnMut() -> Hand,
    pub(super) watched: Vec<Watched>,
    pub(super) steps: Steps,
    pub(super) start_ns: Nanos,
}

impl<'d> Deed<'d> {
    pub(super) fn new(parts: Parts<'d>) -> Self {
        let Parts { what, grant, hand, watched, steps, start_ns } = parts;
        let (module, purpose, care) = match &what {
            What::Output(output) => (output.module, Purpose::Output(output.id.clone()), &output.care),
            What::Routine(routine, _) => (routine.module, Purpose::Routine(routine.id.clone()), &routine.care),
        };
        Self {
            what,
            module,
            purpose,
            care,
            grant,
            hand,
            watched,
            steps,
            start_ns,
            stage: Stage::Waiting(start_ns + WAIT_NS),
            has_waited: false,
            asked: None,
            not_before_ns: Nanos::MIN,
            tries: 0,
            n_busy: 0,
            silences: 0,
            begun_ns: start_ns,
            first_driven_ns: None,
            n_done: 0,
            present_ns: Nanos::MAX,
            results_ns: Nanos::MAX,
            is_open_session: false,
            tells_session: true,
            lost_ns: None,
            on_since_ns: None,
            ended: None,
            returned: Returned::NotDriven,
            driven: Vec::new(),
            results: None,
            told: Vec::new(),
        }
    }

    /// Whether it may go on being driven; otherwise control is on its way back.
    fn goes_on(&mut self, now: Nanos) -> bool {
        match (self.reason_to_end(now), (self.hand)()) {
            (None, Hand::Pressed) => return true,
            (Some(why), _) => self.end(why, now),
            (None, Hand::Near) => self.give_back(now),
            (None, Hand::Away) => self.end(Ended::Released, now),
        }
        false
    }

    /// Why it must not go on whoever presses, if so.
    fn reason_to_end(&self, now: Nanos) -> Option<Ended> {
        if let Some((what, _)) = watch::unmet(&self.watched, now) {
            return Some(Ended::Unmet(what));
        }
        if self.grant.check(self.module, &self.purpose, now).is_err() {
            return Some(Ended::Expired);
        }
        let longest_ns = self.care.longest.map(|longest| Nanos::try_from(longest.as_nanos()).unwrap_or(Nanos::MAX));
        if self.on_since_ns.zip(longest_ns).is_some_and(|(from_ns, longest_ns)| now - from_ns >= longest_ns) {
            return Some(Ended::Longest);
        }
        None
    }

    /// Ends the driving, for the first reason that there is, and lets control go back.
    fn end(&mut self, why: Ended, now: Nanos) {
        if let Ended::Unmet(what) | Ended::Refused(what) = &why {
            self.told.push((now, Told::Note(format!("{}: {what}", self.purpose))));
        }
        self.ended.get_or_insert(why);
        self.give_back(now);
    }

    /// Lets control go back.
    fn give_back(&mut self, now: Nanos) {
        (self.tries, self.n_busy) = (0, 0);
        self.not_before_ns = Nanos::MIN;
        self.stage = if self.first_driven_ns.is_some() {
            Stage::Returning
        } else if self.is_open_session {
            Stage::Closing
        } else {
            self.rest(now)
        };
    }

    /// Control is back, or is left to the module.
    fn returned(&mut self, returned: Returned, now: Nanos) {
        self.record_return(returned, now);
        if returned != Returned::Confirmed {
            // Nobody presses again while the module may still be driven.
            self.ended.get_or_insert(Ended::Released);
        }
        self.first_driven_ns = None;
        (self.tries, self.n_busy) = (0, 0);
        self.silences = 0;
        let asks = matches!(&self.what, What::Routine(routine, _) if routine.results_in == ResultsIn::Request);
        self.stage = if asks && returned == Returned::Confirmed {
            Stage::Asking
        } else if self.is_open_session {
            Stage::Closing
        } else {
            self.rest(now)
        };
    }

    /// Puts on record how control went back. Where that is not known nothing says that the output is off.
    fn record_return(&mut self, returned: Returned, now: Nanos) {
        self.returned = returned;
        if self.on_since_ns.is_none() {
            return;
        }
        if returned == Returned::Unknown {
            let text = format!("{}: nothing shows that control is back, it may still be driven", self.purpose);
            self.told.push((now, Told::Note(text)));
        } else {
            self.mark(false, now);
        }
    }

    /// What comes once control is back: the last samples, the end, or the next press.
    fn rest(&mut self, now: Nanos) -> Stage {
        self.is_open_session = false;
        match self.ended {
            Some(Ended::Complete) => Stage::Tail(now + self.steps.tail_ns),
            Some(Ended::LinkLost | Ended::Silent) => Stage::Over,
            Some(_) if self.driven.is_empty() => Stage::Over,
            Some(_) => Stage::After(now + AFTER_NS),
            None => Stage::Waiting(now + WAIT_NS),
        }
    }

    /// A mark such as "ac.clutch on", as the examination of commands reads it.
    fn mark(&mut self, is_on: bool, now: Nanos) {
        self.on_since_ns = is_on.then_some(now);
        let id = self.what.id();
        self.told.push((now, Told::Mark(format!("{id} {}", if is_on { "on" } else { "off" }))));
    }

    fn ask(&mut self, asked: Asked, bytes: Vec<u8>) -> Want {
        self.asked = Some(asked);
        Want::Ask(Request { to: Target::Module(self.module), bytes, n_replies: Some(1) })
    }

    /// Whether the module takes control back by itself when nobody speaks to it any more: with the session (S3, ISO 14229-2)
    /// or with the connection (P3 of ISO 14230-2).
    fn has_time_out(&self) -> bool {
        self.is_open_session || matches!(self.module, Address::Node(_))
    }

    fn left_to_module(&self) -> Returned {
        if self.has_time_out() { Returned::BySession } else { Returned::Unknown }
    }

    fn drive(&mut self, now: Nanos) -> Want {
        if !self.goes_on(now) {
            return self.next(now);
        }
        if now >= self.begun_ns + self.steps.end_ns {
            self.end(Ended::Complete, now);
            return self.next(now);
        }
        if let Some(step) = self.steps.steps.get(self.n_done).copied()
            && now >= self.begun_ns + step.at_ns
        {
            let bytes = self.what.drive_bytes(step.level);
            // From here on the module may have done it, whether its answer arrives or not.
            self.first_driven_ns.get_or_insert(now);
            return self.ask(Asked::Level(step.level), bytes);
        }
        if now >= self.present_ns {
            let bytes = self.present_bytes();
            return self.ask(Asked::Present, bytes);
        }
        if now >= self.results_ns
            && let What::Routine(routine, _) = &self.what
        {
            let bytes = routine.results_request();
            return self.ask(Asked::Results, bytes);
        }
        let step_ns = self.steps.steps.get(self.n_done).map_or(self.steps.end_ns, |step| step.at_ns);
        let next_ns = (self.begun_ns + step_ns).min(self.begun_ns + self.steps.end_ns);
        Want::Wait(next_ns.min(self.present_ns).min(self.results_ns))
    }

    /// Keeps the session open. Any request does (ISO 14229-2), so the session itself is asked for where the module tells it:
    /// one that started anew meanwhile answers as if nothing had happened, and drives nothing.
    fn present_bytes(&self) -> Vec<u8> {
        if self.what.is_kwp() {
            kwp::session::present(true)
        } else if self.is_open_session && self.tells_session {
            identifiers::request(&[identifiers::ACTIVE_SESSION])
        } else {
            tester_present::request(true)
        }
    }

    fn begin(&mut self, now: Nanos) {
        self.stage = Stage::Driving;
        // Whoever waited and then pressed means now, and what the car does by itself is on record already.
        let lead_ns = self.steps.steps.first().map_or(0, |step| step.at_ns);
        self.begun_ns = if self.has_waited { now - lead_ns } else { now };
        (self.tries, self.n_done) = (0, 0);
    }
}

impl Errand for Deed<'_> {
    fn next(&mut self, now: Nanos) -> Want {
        if self.asked.is_some() {
            return Want::Wait(Nanos::MAX);
        }
        if now < self.not_before_ns {
            return Want::Wait(self.not_before_ns);
        }
        let stage = self.stage;
        match stage {
            Stage::Waiting(until) => match ((self.hand)(), self.grant.check(self.module, &self.purpose, now)) {
                (_, Err(_)) => {
                    self.end(Ended::Expired, now);
                    Want::Wait(Nanos::MAX)
                }
                (Hand::Pressed, Ok(())) => {
                    self.stage = Stage::Checking(now + CHECK_NS);
                    self.next(now)
                }
                (Hand::Near, Ok(())) if now < until => {
                    self.has_waited = true;
                    Want::Wait(until)
                }
                (Hand::Near | Hand::Away, Ok(())) => {
                    self.end(Ended::Released, now);
                    Want::Wait(Nanos::MAX)
                }
            },
            Stage::Checking(until) => match watch::unmet(&self.watched, now) {
                None => {
                    match self.care.session {
                        Some(_) => self.stage = Stage::Opening,
                        None => self.begin(now),
                    }
                    self.next(now)
                }
                Some((what, is_unknown)) => {
                    match (self.hand)() {
                        Hand::Pressed if is_unknown && now < until => {}
                        Hand::Pressed => self.end(Ended::Unmet(what), now),
                        Hand::Near => self.give_back(now),
                        Hand::Away => self.end(Ended::Released, now),
                    }
                    Want::Wait(until)
                }
            },
            Stage::Opening if self.goes_on(now) => {
                let bytes = self.what.session_bytes(self.care.session.unwrap_or(session::EXTENDED));
                self.ask(Asked::Session, bytes)
            }
            Stage::Opening => Want::Wait(now),
            Stage::Driving => self.drive(now),
            Stage::Returning => match self.what.return_bytes() {
                Some(bytes) => self.ask(Asked::Return, bytes),
                None => {
                    // A routine without a stop: it runs to its own end, or ends with the session.
                    let left =
                        if self.ended == Some(Ended::Complete) { Returned::Confirmed } else { self.left_to_module() };
                    self.returned(left, now);
                    self.next(now)
                }
            },
            Stage::Asking => match &self.what {
                What::Routine(routine, _) => {
                    let bytes = routine.results_request();
                    self.ask(Asked::Results, bytes)
                }
                What::Output(_) => Want::Wait(Nanos::MAX),
            },
            Stage::Closing => {
                let bytes =
                    self.what.session_bytes(if self.what.is_kwp() { kwp::session::STANDARD } else { session::DEFAULT });
                self.ask(Asked::Close, bytes)
            }
            Stage::Tail(until) if now < until && (self.hand)() != Hand::Away => Want::Wait(until),
            Stage::After(until) if now < until => Want::Wait(until),
            Stage::Tail(_) | Stage::After(_) => {
                self.stage = Stage::Over;
                Want::Wait(Nanos::MAX)
            }
            Stage::Over => Want::Wait(Nanos::MAX),
        }
    }

    fn not_sent(&mut self) {
        self.asked = None;
    }

    fn answered(&mut self, request: &Request, outcome: Result<&Exchange, &LinkError>, now: Nanos) {
        let Some(asked) = self.asked.take() else { return };
        self.lost_ns = None;
        if self.has_time_out() || asked == Asked::Session {
            let period_ns = Nanos::try_from(tester_present::PERIOD.as_nanos()).unwrap_or(Nanos::MAX);
            self.present_ns = now + period_ns;
        }
        let module = self.module;
        let reply = outcome.ok().and_then(|exchange| exchange.replies.iter().find(|reply| reply.from == module));
        let asked_ns = outcome.map_or(now, |exchange| exchange.asked_ns);
        let at_ns = reply.map_or(now, |reply| reply.arrived_ns);
        self.understood(asked, request, reply.map(|reply| reply.bytes.as_slice()), asked_ns, at_ns);
    }

    fn saw(&mut self, signal: usize, sample: &Sample, now: Nanos) {
        for watched in self.watched.iter_mut().filter(|watched| watched.signal == signal) {
            watched.latest = Some((now, sample.value));
        }
    }

    fn lost(&mut self, now: Nanos) {
        self.asked = None;
        self.lost_ns.get_or_insert(now);
        match self.stage {
            Stage::Waiting(_) | Stage::Checking(_) | Stage::Opening | Stage::Driving => self.end(Ended::LinkLost, now),
            Stage::After(_) => self.stage = Stage::Over,
            Stage::Returning | Stage::Asking | Stage::Closing | Stage::Tail(_) | Stage::Over => {}
        }
    }

    fn release(&mut self, now: Nanos) {
        match self.stage {
            Stage::Waiting(_) | Stage::Checking(_) | Stage::Opening | Stage::Driving => self.end(Ended::Released, now),
            Stage::Tail(_) | Stage::After(_) => self.stage = Stage::Over,
            Stage::Returning | Stage::Asking | Stage::Closing | Stage::Over => {}
        }
    }

    fn tell(&mut self) -> Vec<(Nanos, Told)> {
        std::mem::take(&mut self.told)
    }

    fn is_open(&mut self, now: Nanos) -> bool {
        // With the adapter gone for longer than the session lasts, the module has taken control back by itself. Without a
        // session it has not: the safe level is still to be sent when the adapter is back.
        let longest_ns = if self.stage == Stage::Returning && !self.has_time_out() {
            ADAPTER_NS
        } else {
            Nanos::try_from(session::TIME_OUT.as_nanos()).unwrap_or(Nanos::MAX)
        };
        if self.lost_ns.is_some_and(|lost_ns| now - lost_ns > longest_ns) && self.stage != Stage::Over {
            if self.stage == Stage::Returning {
                self.record_return(self.left_to_module(), now);
            }
            self.stage = Stage::Over;
        }
        self.stage != Stage::Over
    }

    fn ends_all(&self) -> bool {
        true
    }
}
