//! One request: settings for its target, the question, and waiting out "response pending".

use std::collections::VecDeque;
use std::fmt::Write as _;

use super::collect::{Collector, presumed_engine};
use super::count::{Sizes, Verdict};
use super::line::Form;
use super::start::apply;
use super::state::{Setting, State};
use super::turn::{Answer, Say};
use super::words::Word;
use super::{Failure, Outcome, Step};
use crate::exchange::{Exchange, Request, Target, only_reads};
use crate::{Bus, Nanos};

const MS: Nanos = 1_000_000;
/// Longest request that such an adapter passes on: one CAN frame, and as many bytes on the other networks (from memory).
const MAX_REQUEST: usize = 7;
/// Longest time to the answer after "response pending": P2* of ISO 14229-2, P3 max of ISO 14230-2 (from memory).
const P2_STAR_NS: Nanos = 5_000 * MS;
/// Longest time that a module may go on asking for more (no source: longer than any routine that only reads).
const MAX_PENDING_NS: Nanos = 30_000 * MS;
/// A K-line that has been silent for so long has to be opened again (P3 max, ISO 14230-2).
pub(super) const P3_MAX_NS: Nanos = 5_000 * MS;
/// "Tester present, do not answer" keeps the adapter listening without disturbing a busy module (ISO 14229-1).
const LISTEN_CAN: &str = "3E80";
/// On other networks another request would collide with the answer: only listen.
const LISTEN_LINE: &str = "ATMA";

#[derive(Debug)]
enum Phase {
    Settings,
    Asked,
    Listening,
    /// The K-line was closed; ask again.
    Reopening,
}

#[derive(Debug)]
pub(super) struct Ask {
    request: Request,
    phase: Phase,
    todo: VecDeque<Setting>,
    collector: Option<Collector>,
    count: Option<u8>,
    asked_ns: Option<Nanos>,
    n_asked: u8,
    idle_ns: Nanos,
    problems: Vec<String>,
}

impl Ask {
    pub(super) fn new(request: Request) -> Self {
        Self {
            request,
            phase: Phase::Settings,
            todo: VecDeque::new(),
            collector: None,
            count: None,
            asked_ns: None,
            n_asked: 0,
            idle_ns: 0,
            problems: Vec::new(),
        }
    }

    pub(super) fn step(&mut self, answer: Option<&Answer>, now: Nanos, state: &mut State) -> Step {
        let Some(bus) = state.known.bus else {
            return Step::Done(Err(Failure::NoVehicle { said: "no network is known".to_owned() }));
        };
        let Some(answer) = answer else {
            // Begun again after the adapter had to be reset: what does more than read is not done twice.
            if self.n_asked > 1 || (self.n_asked == 1 && !only_reads(&self.request.bytes)) {
                self.problems.push("the adapter was lost while it waited for the answer".to_owned());
                return self.finish(now, state);
            }
            return self.begin(now, bus, state);
        };
        match self.phase {
            Phase::Settings => self.after_setting(answer, now, bus, state),
            Phase::Asked => self.after_question(answer, bus, state),
            Phase::Listening => self.after_listening(answer, bus, state),
            Phase::Reopening => self.question(now, bus, state),
        }
    }

    fn begin(&mut self, now: Nanos, bus: Bus, state: &mut State) -> Step {
        self.phase = Phase::Settings;
        // Without headers nobody can tell who answers everyone's request: only the engine module is asked then.
        if !state.headers && bus.is_can() && self.request.to == Target::Everyone {
            self.request.to = Target::Module(presumed_engine(bus));
        }
        let n = self.request.bytes.len();
        if n == 0 || n > MAX_REQUEST {
            let why = format!("it has {n} bytes, and this adapter takes 1 to {MAX_REQUEST}");
            return Step::Done(Err(Failure::Unsendable(why)));
        }
        let is_slow = state.slow.contains(&(self.request.to, self.request.bytes.first().copied()));
        let patient = is_slow && (self.n_asked > 0 || state.counts.digit(&self.request, now).is_none());
        match state.settings_for(self.request.to, bus, patient) {
            Ok(todo) => {
                self.todo = todo;
                self.next_setting(now, bus, state)
            }
            Err(why) => Step::Done(Err(Failure::Unsendable(why))),
        }
    }

    fn next_setting(&mut self, now: Nanos, bus: Bus, state: &mut State) -> Step {
        while let Some(setting) = self.todo.front() {
            if let Some(text) = setting.spellings.front() {
                // While it changes, nothing is known about whom requests go to.
                state.target = None;
                return Step::Say(state.command(text));
            }
            self.todo.pop_front();
        }
        state.target = Some(self.request.to);
        self.question(now, bus, state)
    }

    fn after_setting(&mut self, answer: &Answer, now: Nanos, bus: Bus, state: &mut State) -> Step {
        if answer.prompt_ns.is_some() {
            state.trip.measured(answer.over_ns - answer.sent_ns);
        }
        let Some(setting) = self.todo.front_mut() else {
            return self.next_setting(now, bus, state);
        };
        let ok = answer.has("OK");
        let (effect, unknown) = (setting.effect, answer.has("?"));
        let spelling = setting.spellings.pop_front();
        if !ok && (unknown || answer.prompt_ns.is_some()) && !setting.spellings.is_empty() {
            return self.next_setting(now, bus, state);
        }
        self.todo.pop_front();
        if !ok && !unknown {
            // Neither yes nor no: text was lost, so nothing is known about the setting.
            state.desync = true;
            self.asked_ns = Some(now);
            self.problems.push(format!("`{}` was not confirmed; nothing was asked", spelling.unwrap_or_default()));
            return self.finish(now, state);
        }
        match apply(effect, ok, state) {
            Ok(()) => self.next_setting(now, bus, state),
            Err(why) => Step::Done(Err(Failure::Unsendable(why.to_owned()))),
        }
    }

    fn question(&mut self, now: Nanos, bus: Bus, state: &mut State) -> Step {
        self.phase = Phase::Asked;
        self.n_asked += 1;
        self.idle_ns = state.traffic_ns.map_or(0, |traffic| now.saturating_sub(traffic));
        let form = Form { bus, headers: state.headers };
        self.collector = Some(Collector::new(form, self.request.to, &self.request.bytes));
        self.count = state.counts.digit(&self.request, now).filter(|_| self.n_asked == 1);
        let mut text = String::with_capacity(16);
        for byte in &self.request.bytes {
            // Writing to a string cannot fail.
            let _ = write!(text, "{byte:02X}");
        }
        if let Some(count) = self.count {
            let _ = write!(text, "{count:X}");
        }
        Step::Say(state.to_vehicle(&text))
    }

    fn after_question(&mut self, answer: &Answer, bus: Bus, state: &mut State) -> Step {
        let now = answer.over_ns;
        self.asked_ns = Some(answer.sent_ns);
        state.traffic_ns = Some(now);
        let Some(collector) = self.collector.as_mut() else {
            return self.finish(now, state);
        };
        collector.take(answer);
        if collector.words.contains(&Word::Unknown) && self.count.is_some() && collector.sizes.is_empty() {
            state.counts.refuse();
            state.note("the adapter does not take the number of expected answers: it waits its time-out each time");
            return self.question(now, bus, state);
        }
        let line_is_closed = !bus.is_can() && self.idle_ns > P3_MAX_NS && self.n_asked == 1;
        if line_is_closed && collector.sizes.is_empty() && answer.prompt_ns.is_some() {
            self.phase = Phase::Reopening;
            return Step::Say(state.command("ATPC"));
        }
        if answer.echoed && !state.echo {
            state.restart = true;
            self.problems.push("the adapter has forgotten its settings (its echo is on again)".to_owned());
        }
        if collector.n_pending > 0 && state.slow.len() < 1024 {
            state.slow.insert((self.request.to, self.request.bytes.first().copied()));
        }
        if answer.prompt_ns.is_none() {
            self.problems.push("the adapter's prompt did not come in time".to_owned());
        } else if !collector.pending.is_empty() {
            self.phase = Phase::Listening;
            return self.listen(now, bus, state);
        }
        self.judge(answer, state);
        self.finish(now, state)
    }

    /// Compares what came with what was counted on, and learns from it.
    fn judge(&mut self, answer: &Answer, state: &mut State) {
        let Some(collector) = self.collector.as_mut() else {
            return;
        };
        collector.finish();
        if collector.n_pending > 0 {
            state.counts.learn(&self.request, &Sizes::new(), false, answer.over_ns);
            return;
        }
        let sizes = &collector.sizes;
        let is_odd = if self.count.is_some() {
            let last = collector.last_ns.unwrap_or(answer.sent_ns);
            let early = answer.prompt_ns.is_some_and(|prompt| prompt - last < state.waited_ns());
            state.counts.judge(&self.request, sizes, early, state.exact_wait) == Verdict::Suspect
        } else {
            let sound = answer.prompt_ns.is_some() && collector.problems.is_empty() && collector.words.is_empty();
            if let Some(last) = collector.last_ns.filter(|_| collector.words.is_empty()) {
                state.answered_after(last - answer.sent_ns);
            }
            !state.counts.learn(&self.request, sizes, sound, answer.over_ns)
        };
        if is_odd && !collector.replies.is_empty() {
            collector.replies.clear();
            collector.problems.push("dropped an answer: it has not the lines and digits that it always had".to_owned());
            state.desync = true;
        }
        if collector.replies.is_empty() && self.count.is_some() {
            state.fell_silent();
        }
    }

    fn listen(&mut self, now: Nanos, bus: Bus, state: &mut State) -> Step {
        let last = self.collector.as_ref().and_then(|c| c.pending.values().max().copied()).unwrap_or(now);
        let limit = self.asked_ns.unwrap_or(now).saturating_add(MAX_PENDING_NS);
        let until = last.saturating_add(P2_STAR_NS + state.trip.margin_ns()).min(limit);
        if now < until {
            if let Bus::Can { wide, .. } = bus {
                // To everyone: a busy module need not take a request of its own meanwhile.
                if matches!(self.request.to, Target::Module(_)) && state.target.take().is_some() {
                    return Step::Say(state.command(if wide { "ATSHDB33F1" } else { "ATSH7DF" }));
                }
                return Step::Say(state.to_vehicle(LISTEN_CAN));
            }
            return Step::Say(Say { after_line_ns: Some(150 * MS), ..Say::within(LISTEN_LINE, until - now) });
        }
        // The answer may have come while the adapter was not listening. By now none can come any more.
        if only_reads(&self.request.bytes) && self.n_asked == 1 {
            return self.begin(now, bus, state);
        }
        self.finish(now, state)
    }

    fn after_listening(&mut self, answer: &Answer, bus: Bus, state: &mut State) -> Step {
        let now = answer.over_ns;
        state.traffic_ns = Some(now);
        if let Some(collector) = self.collector.as_mut() {
            collector.take(answer);
            if collector.pending.is_empty() {
                self.judge(answer, state);
                return self.finish(now, state);
            }
        }
        self.listen(now, bus, state)
    }

    fn finish(&mut self, now: Nanos, state: &mut State) -> Step {
        let mut problems = std::mem::take(&mut state.problems);
        problems.append(&mut self.problems);
        let mut replies = Vec::new();
        if let Some(mut collector) = self.collector.take() {
            collector.finish();
            problems.append(&mut collector.problems);
            for (from, since) in &collector.pending {
                let waited_s = now.saturating_sub(*since) as f64 / 1e9;
                problems.push(format!("{from} asked for more time, then nothing for {waited_s:.1} s"));
            }
            replies = collector.replies;
            for word in &collector.words {
                state.restart |= word.forgets();
                state.desync |= *word == Word::Stopped;
                if word.no_vehicle() && replies.is_empty() {
                    return Step::Done(Err(Failure::NoVehicle { said: word.to_string() }));
                }
                // That nobody answered shows in the replies.
                let is_normal = matches!(word, Word::Ok | Word::NoData | Word::Searching | Word::BusInit);
                if let Some(remedy) = word.what_to_try().filter(|_| !is_normal) {
                    problems.push(format!("the adapter said `{word}`: {}; {remedy}", word.meaning()));
                }
            }
        }
        let asked_ns = self.asked_ns.unwrap_or(now);
        Step::Done(Ok(Outcome::Answered(Exchange { asked_ns, over_ns: now, replies, problems })))
    }
}
