//! The text conversation with an AT-command serial adapter, as a state machine: text in, commands out.
//!
//! [`Adapter`] takes bytes and the time, and says what to send and how long to wait. Inside, a turn is one command
//! and the text up to the prompt; tasks (start-up, search for the network, a request) are sequences of turns.
//!
//! A reply is only taken for the answer to a request if
//! - nothing older can still come: a command leaves when the last prompt has been seen and nothing followed it;
//!   otherwise a command whose answer is unmistakable comes first, and all text before that answer is dropped;
//! - its line is complete and plausible: hex, an even number of digits, lengths that fit the frame, check sum (K-line,
//!   J1850), sequence of the pieces, and as many digits as the same request has always brought;
//! - it comes from the module that was asked, carries the service + 0x40 and repeats the request's parameter;
//! - the module said nothing else to the same request.
//!
//! The length of an answer that is not known yet comes from its own first line: one line is asked for, and if that one
//! begins a longer message, all of its lines. The rest of the first message is dropped by the adapter meanwhile; what of
//! it still comes continues nothing that the second question began, and spoils its answer instead of completing it.
//!
//! What cannot be noticed: a digit that turned into another one within a CAN frame's data (adapters print no check
//! sum of CAN frames; on a K-line it is noticed), a whole answer with its prompt that the line delivers twice while
//! the same request is repeated, the same where an adapter keeps frames for later and loses others, and an answer that a
//! module gives later than twice the 50 ms that it may take if the same request has been repeated by then. Digits that were lost or doubled so
//! that the line is still plausible are noticed from the second time on that the same request is asked.

mod ask;
mod collect;
mod count;
mod detect;
mod line;
mod resync;
mod start;
mod state;
#[cfg(test)]
mod tests;
mod trip;
mod turn;
mod words;

use std::collections::VecDeque;

pub use words::Word;

use crate::exchange::{Exchange, Request, Target};
use crate::{Bus, Nanos};
use ask::Ask;
use detect::Detect;
use resync::{Resync, Resynced};
use start::Start;
use state::State;
use turn::{Answer, Say, Turn};

/// What start-up and the conversation have shown of the adapter.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Known {
    /// What the adapter says of itself, as text from outside, without control characters.
    pub adapter: String,
    /// The network, once a vehicle has answered.
    pub bus: Option<Bus>,
    /// What was found missing or odd, one line each.
    pub notes: Vec<String>,
    /// How often it was seen to have lost its settings by itself: what it had not heard before that it may have missed.
    pub n_losses: usize,
}

/// What the owner of the port has to do next.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// Send these bytes, then poll again.
    Send(Vec<u8>),
    /// Wait for bytes until this time: give them to [`Adapter::receive`], or call [`Adapter::elapsed`] when none came.
    Wait(Nanos),
    /// The operation is over.
    Done(Result<Outcome, Failure>),
    /// Nothing has been asked for.
    Idle,
}

/// What an operation has brought.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// The adapter is ready, and the vehicle too if it was needed.
    Started,
    /// A request is over.
    Answered(Exchange),
    /// Supply voltage, V; `None` if the adapter cannot measure it.
    Volts(Option<f64>),
}

/// Why an operation failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Failure {
    /// No sensible answer to a command.
    Silent {
        /// The command.
        asked: String,
        /// How long was waited, ms.
        waited_ms: u64,
    },
    /// Something answers, but not an adapter of this kind.
    NotAnAdapter {
        /// What it said, escaped and shortened.
        said: String,
    },
    /// No vehicle answers.
    NoVehicle {
        /// The adapter's own words.
        said: String,
    },
    /// The vehicle answers, but in no form that can be read.
    Unreadable {
        /// The last line.
        said: String,
    },
    /// The request does not fit this network or adapter.
    Unsendable(String),
}

/// The conversation with one adapter.
///
/// One operation at a time: begin it ([`start`](Self::start), [`ask`](Self::ask), ...), then do what
/// [`poll`](Self::poll) says until it is done.
#[derive(Debug)]
pub struct Adapter {
    state: State,
    /// What the operation still takes, the first one running.
    tasks: VecDeque<Task>,
    phase: Phase,
    /// While it runs, the first task's command waits.
    resync: Option<(Resync, Say)>,
    n_restarts: u8,
    n_resyncs: u8,
    /// Times that the adapter started anew while the network was looked for.
    n_anew: u8,
    result: Option<Result<Outcome, Failure>>,
    /// Longest time of the operation, and when it ends, once it has begun.
    limit_ns: Nanos,
    until_ns: Option<Nanos>,
    /// Text that came while nothing was asked.
    stray: String,
}

/// Longest time of one operation other than start-up: a module may ask for more time for 30 s, and as much as a second
/// passes around that; a search for the network that takes longer is given up.
pub const LONGEST_NS: Nanos = 40_000_000_000;
/// Longest time of start-up with the search for the network: each of nine networks may take ten seconds.
pub const LONGEST_START_NS: Nanos = 100_000_000_000;
/// Most resynchronisations within one operation.
const MAX_RESYNCS: u8 = 6;
/// Most times within one operation, and within one start-up, that an adapter is set up again because it started anew (no source).
const MAX_ANEW: u8 = 3;

/// One part of an operation.
#[derive(Debug)]
enum Task {
    Start(Start),
    Detect(Detect),
    Ask(Box<Ask>),
    Volts,
}

/// What a task does next.
#[derive(Debug)]
enum Step {
    Say(Say),
    Done(Result<Outcome, Failure>),
}

#[derive(Debug)]
enum Phase {
    Idle,
    /// Before a command: is there text that nobody asked for?
    Listening(Say),
    Ready(Say),
    Turn(Turn),
}

impl Adapter {
    /// `remembered`: the network that answered last time. It is tried first and verified.
    #[must_use]
    pub fn new(remembered: Option<Bus>) -> Self {
        Self {
            state: State::new(remembered),
            tasks: VecDeque::new(),
            phase: Phase::Idle,
            resync: None,
            n_restarts: 0,
            n_resyncs: 0,
            n_anew: 0,
            result: None,
            limit_ns: LONGEST_NS,
            until_ns: None,
            stray: String::new(),
        }
    }

    /// What is known by now.
    #[must_use]
    pub fn known(&self) -> &Known {
        &self.state.known
    }

    /// Begins start-up; with `need_vehicle` it ends well only when a vehicle answers.
    pub fn start(&mut self, need_vehicle: bool) {
        self.begin(
            LONGEST_START_NS,
            [Some(Task::Start(Start::new())), need_vehicle.then(|| Task::Detect(Detect::default()))],
        );
    }

    /// Begins a request. Looks for the vehicle first if none has answered yet.
    pub fn ask(&mut self, request: &Request) {
        self.begin(LONGEST_NS, [Some(Task::Ask(Box::new(Ask::new(request.clone()))))]);
    }

    /// Begins to read the supply voltage.
    pub fn ask_volts(&mut self) {
        self.begin(LONGEST_NS, [Some(Task::Volts)]);
    }

    /// When the network needs a sign of life at the latest; `None` if it needs none.
    #[must_use]
    pub fn keep_alive_at(&self) -> Option<Nanos> {
        let needs = matches!(self.state.known.bus, Some(Bus::Iso9141 | Bus::Kwp5Baud | Bus::KwpFast));
        // Four fifths of the limit, so that the request itself is in time.
        self.state.traffic_ns.filter(|_| needs).map(|traffic| traffic.saturating_add(ask::P3_MAX_NS / 5 * 4))
    }

    /// Begins a sign of life; ends with [`Outcome::Answered`].
    pub fn keep_alive(&mut self) {
        // To whom the line is open: another one would have to be begun with first.
        let (to, bytes) = match self.state.target {
            Some(to @ Target::Module(_)) if self.state.open_to != state::EVERYONE_ON_K_LINE => (to, vec![0x3E, 0x01]),
            _ => (Target::Everyone, vec![0x01, 0x00]),
        };
        self.ask(&Request { to, bytes, n_replies: None });
    }

    /// What to do at `now`.
    pub fn poll(&mut self, now: Nanos) -> Action {
        if matches!(&self.phase, Phase::Turn(turn) if turn.deadline() <= now) {
            self.end_turn(now, false);
        }
        let until = *self.until_ns.get_or_insert(now.saturating_add(self.limit_ns));
        if until <= now && self.result.is_none() && !self.tasks.is_empty() {
            // Whatever is still to come must not be taken for the answer to what is asked next.
            self.state.desync = true;
            let waited_ms = u64::try_from(self.limit_ns / 1_000_000).unwrap_or(0);
            self.result = Some(Err(Failure::Silent { asked: self.state.last_sent.clone(), waited_ms }));
        }
        loop {
            if let Some(result) = self.result.take() {
                self.tasks.clear();
                self.phase = Phase::Idle;
                self.resync = None;
                return Action::Done(result);
            }
            match std::mem::replace(&mut self.phase, Phase::Idle) {
                Phase::Turn(turn) => {
                    let deadline = turn.deadline().min(until);
                    self.phase = Phase::Turn(turn);
                    return Action::Wait(deadline);
                }
                Phase::Listening(say) => {
                    self.phase = Phase::Listening(say);
                    return Action::Wait(now);
                }
                Phase::Ready(say) => {
                    let bytes = (!say.text.is_empty()).then(|| [say.text.as_bytes(), b"\r"].concat());
                    self.state.last_sent.clone_from(&say.text);
                    self.phase = Phase::Turn(Turn::new(say, now));
                    if let Some(bytes) = bytes {
                        return Action::Send(bytes);
                    }
                }
                Phase::Idle if self.tasks.is_empty() => return Action::Idle,
                Phase::Idle => self.step(None, now),
            }
        }
    }

    /// Takes bytes that arrived by `now`.
    pub fn receive(&mut self, now: Nanos, bytes: &[u8]) {
        for byte in bytes {
            match &mut self.phase {
                Phase::Turn(turn) => {
                    if turn.receive(now, *byte) {
                        self.end_turn(now, true);
                    }
                }
                Phase::Idle | Phase::Listening(_) | Phase::Ready(_) => self.take_stray(*byte),
            }
        }
    }

    /// Nothing arrived until `now`.
    pub fn elapsed(&mut self, now: Nanos) {
        match std::mem::replace(&mut self.phase, Phase::Idle) {
            Phase::Listening(say) => self.phase = Phase::Ready(say),
            phase => self.phase = phase,
        }
        if matches!(&self.phase, Phase::Turn(turn) if turn.deadline() <= now) {
            self.end_turn(now, false);
        }
    }

    fn begin<const N: usize>(&mut self, limit_ns: Nanos, tasks: [Option<Task>; N]) {
        self.tasks = tasks.into_iter().flatten().collect();
        self.phase = Phase::Idle;
        self.resync = None;
        self.result = None;
        self.limit_ns = limit_ns;
        self.until_ns = None;
        self.n_restarts = 0;
        self.n_resyncs = 0;
        self.n_anew = 0;
    }

    /// Text between two commands: line ends and empty prompts say nothing, anything else may be half an answer.
    fn take_stray(&mut self, byte: u8) {
        if matches!(byte, 0 | b'\r' | b'\n' | b' ') {
            return;
        }
        if self.stray.len() < 100 {
            self.stray.push(char::from(byte));
        }
        self.state.desync = true;
        match std::mem::replace(&mut self.phase, Phase::Idle) {
            Phase::Listening(say) => self.say(say),
            phase => self.phase = phase,
        }
    }

    fn end_turn(&mut self, now: Nanos, prompt: bool) {
        let Phase::Turn(turn) = std::mem::replace(&mut self.phase, Phase::Idle) else {
            return;
        };
        let said_nothing = self.state.last_sent.is_empty();
        if !prompt && !said_nothing {
            self.state.unanswered.clone_from(&self.state.last_sent);
        }
        let answer = turn.finish(now, prompt);
        // A prompt in the middle of a line, or without the empty line that this adapter always puts before it, may be
        // a stray character with the real answer behind it.
        let doubtful = prompt && self.state.blank_prompts && !answer.blank_before_prompt;
        if self.resync.is_none() && !said_nothing {
            self.state.desync |= !prompt || doubtful;
        }
        self.step(Some(&answer), now);
    }

    /// Gives an answer to whoever asked, or begins the first task.
    fn step(&mut self, answer: Option<&Answer>, now: Nanos) {
        if let Some((resync, say)) = self.resync.take() {
            return self.resync_step(resync, say, answer);
        }
        if answer.is_none() && !matches!(self.tasks.front(), Some(Task::Start(_))) && self.prepare() {
            return;
        }
        // What is found out through an adapter without its settings is not so: that it prints no headers, to begin with.
        if matches!(self.tasks.front(), Some(Task::Detect(_)))
            && answer.is_some_and(|answer| self.state.has_started_anew(answer))
            && self.n_anew < MAX_ANEW
        {
            self.n_anew += 1;
            self.state.lost_settings();
            return self.set_up_again();
        }
        let state = &mut self.state;
        let step = match self.tasks.front_mut() {
            Some(Task::Start(start)) => start.step(answer, state),
            Some(Task::Detect(detect)) => detect.step(answer, state),
            Some(Task::Ask(ask)) => ask.step(answer, now, state),
            Some(Task::Volts) => volts_step(answer, state),
            None => return,
        };
        match step {
            Step::Say(say) => self.say(say),
            Step::Done(Ok(outcome)) => {
                self.tasks.pop_front();
                if self.tasks.is_empty() {
                    self.result = Some(Ok(outcome));
                }
            }
            Step::Done(Err(failure)) => self.result = Some(Err(failure)),
        }
    }

    /// Puts tasks in front of one that cannot begin yet; true if there were any.
    fn prepare(&mut self) -> bool {
        if self.state.restart {
            self.set_up_again();
            return true;
        }
        if self.state.known.bus.is_none() && matches!(self.tasks.front(), Some(Task::Ask(_))) {
            self.tasks.push_front(Task::Detect(Detect::default()));
            return true;
        }
        false
    }

    /// Sends a command as soon as it is sure that no older text can follow.
    fn say(&mut self, say: Say) {
        // Start-up has no command yet whose answer it could know.
        if matches!(self.tasks.front(), Some(Task::Start(_))) {
            self.phase = Phase::Ready(say);
        } else if self.state.desync {
            let stray = std::mem::take(&mut self.stray);
            self.n_resyncs += 1;
            self.resync_step(Resync::new(&self.state, &stray), say, None);
        } else {
            self.phase = Phase::Listening(say);
        }
    }

    /// Puts start-up before the running task, which begins again once the adapter is ready.
    fn set_up_again(&mut self) {
        self.state.restart = false;
        self.state.desync = false;
        self.state.known.bus = None;
        self.tasks.push_front(Task::Start(Start::new()));
        self.phase = Phase::Idle;
    }

    fn resync_step(&mut self, mut resync: Resync, waiting: Say, answer: Option<&Answer>) {
        match resync.step(answer, &mut self.state) {
            Resynced::Say(say) => {
                self.phase = Phase::Ready(say);
                self.resync = Some((resync, waiting));
            }
            // An adapter that never stops talking is not waited for.
            Resynced::Done if self.n_resyncs < MAX_RESYNCS && !self.state.restart => {
                self.state.desync = false;
                self.say(waiting);
            }
            Resynced::Done | Resynced::Failed if self.n_restarts == 0 => {
                self.n_restarts += 1;
                self.set_up_again();
            }
            Resynced::Done | Resynced::Failed => {
                let asked = self.state.last_sent.clone();
                let waited_ms = u64::try_from(self.state.command(&asked).quiet_ns / 1_000_000).unwrap_or(0);
                self.result = Some(Err(Failure::Silent { asked, waited_ms }));
            }
        }
    }
}

fn volts_step(answer: Option<&Answer>, state: &mut State) -> Step {
    match answer {
        None if !state.has_volts => Step::Done(Ok(Outcome::Volts(None))),
        None => Step::Say(state.command("ATRV")),
        Some(answer) => {
            let volts = answer.lines.last().and_then(|line| state::volts(&line.text));
            Step::Done(Ok(Outcome::Volts(volts)))
        }
    }
}
