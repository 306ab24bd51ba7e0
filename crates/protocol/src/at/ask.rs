//! One request: settings for its target, the question, and waiting out "response pending".

use std::collections::{BTreeSet, VecDeque};
use std::fmt::Write as _;

use super::collect::{Collector, presumed_engine};
use super::count::{FRAME_MAX_NS, Verdict};
use super::line::Form;
use super::start::apply;
use super::state::{Effect, LATE_NS, Setting, State};
use super::turn::{Answer, Say};
use super::words::Word;
use super::{Failure, Outcome, Step};
use crate::dialogue::longest_pending_ns;
use crate::exchange::{Exchange, Request, Target, only_reads};
use crate::isotp::N_CR_NS;
use crate::{Address, Bus, Nanos};

const MS: Nanos = 1_000_000;
/// Longest request that such an adapter passes on: one CAN frame, and as many bytes on the other networks (from memory).
const MAX_REQUEST: usize = 7;
/// Most repetitions within one request after damage.
const MAX_REPEATS: u8 = 2;
/// Most questions within one request.
const MAX_ASKED: u8 = 5;
/// A K-line that has been silent for so long has to be opened again (P3 max, ISO 14230-2).
pub(super) const P3_MAX_NS: Nanos = 5_000 * MS;
/// "Tester present, do not answer" keeps the adapter listening without disturbing a busy module (ISO 14229-1).
const LISTEN_CAN: &str = "3E80";
/// On other networks another request would collide with the answer: only listen.
const LISTEN_LINE: &str = "ATMA";

/// Time for the lines behind the first, `frame_ns` apart.
fn rest_ns(n_lines: usize, frame_ns: Nanos) -> Nanos {
    Nanos::try_from(n_lines.saturating_sub(1)).unwrap_or(0).saturating_mul(frame_ns).min(N_CR_NS)
}

#[derive(Debug)]
enum Phase {
    /// Settings before the question, or before listening.
    Settings {
        then_listen: bool,
    },
    Asked,
    Listening,
    /// The K-line was closed; ask again.
    Reopening,
    /// Saying nothing, so that what belongs to the last question has passed; then ask again.
    Pausing,
}

/// What the adapter is told about the length of the answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Count {
    /// What earlier answers have shown; where there were none, one line.
    Learnt,
    /// The beginning of the answer said so.
    Lines(usize),
    /// Nothing: wait for all that comes.
    None,
}

#[derive(Debug)]
pub(super) struct Ask {
    request: Request,
    /// Whose reply was asked for, where the request has to go to everyone.
    only: Option<Address>,
    phase: Phase,
    todo: VecDeque<Setting>,
    collector: Option<Collector>,
    count: Count,
    /// The digit behind the last question.
    digit: Option<u8>,
    /// Whether the digit is what earlier answers have shown.
    is_known: bool,
    asked_ns: Option<Nanos>,
    first_asked_ns: Option<Nanos>,
    /// Asked again at once: what comes may be the answer to the time before.
    is_asked_twice: bool,
    n_asked: u8,
    /// Times that something was done again because text was damaged.
    n_repeats: u8,
    /// The answer was lost while the adapter did not listen.
    was_missed: bool,
    /// Who asked for more time before the last question: it is there, whether or not it answers that one.
    kept_waiting: BTreeSet<Address>,
    idle_ns: Nanos,
    problems: Vec<String>,
}

impl Ask {
    pub(super) fn new(request: Request) -> Self {
        Self {
            request,
            only: None,
            phase: Phase::Settings { then_listen: false },
            todo: VecDeque::new(),
            collector: None,
            count: Count::Learnt,
            digit: None,
            is_known: false,
            asked_ns: None,
            first_asked_ns: None,
            is_asked_twice: false,
            n_asked: 0,
            n_repeats: 0,
            was_missed: false,
            kept_waiting: BTreeSet::new(),
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
            Phase::Settings { .. } => self.after_setting(answer, now, bus, state),
            Phase::Asked => self.after_question(answer, bus, state),
            Phase::Listening => self.after_listening(answer, bus, state),
            Phase::Reopening => self.question(now, bus, state),
            Phase::Pausing => {
                state.desync |= !answer.lines.is_empty();
                self.begin(now, bus, state)
            }
        }
    }

    fn begin(&mut self, now: Nanos, bus: Bus, state: &mut State) -> Step {
        self.phase = Phase::Settings { then_listen: false };
        // Without headers nobody can tell who answers everyone's request: only the engine module is asked then.
        if !state.headers && bus.is_can() && self.request.to == Target::Everyone {
            self.request.to = Target::Module(presumed_engine(bus));
        }
        let n = self.request.bytes.len();
        if n == 0 || n > MAX_REQUEST {
            let why = format!("it has {n} bytes, and this adapter takes 1 to {MAX_REQUEST}");
            return Step::Done(Err(Failure::Unsendable(why)));
        }
        if matches!(self.request.to, Target::Anyone(_)) {
            let why = match state.addresses {
                Some(false) => Some("this adapter cannot address single modules"),
                // Whoever answers would be taken for somebody else.
                _ if !state.headers && bus.is_can() => Some("this adapter does not tell who answers"),
                _ => None,
            };
            if let Some(why) = why {
                return Step::Done(Err(Failure::Unsendable(why.to_owned())));
            }
        }
        if state.addresses == Some(false)
            && let Target::Module(address) = self.request.to
            && let Err(why) = self.degrade(address, state)
        {
            return Step::Done(Err(Failure::Unsendable(why)));
        }
        let is_slow = state.slow.contains(&self.slow_key());
        if is_slow {
            self.count = Count::None;
        }
        match state.settings_for(&self.request, bus, is_slow) {
            Ok(todo) => {
                self.todo = todo;
                self.next_setting(now, bus, state)
            }
            Err(why) => Step::Done(Err(Failure::Unsendable(why))),
        }
    }

    /// Asks everyone, and keeps the one reply, where the adapter cannot address a module.
    fn degrade(&mut self, address: Address, state: &State) -> Result<(), String> {
        if !state.headers {
            // The engine module answers everyone's request, and nobody can tell its answer from another's.
            return Err("the adapter can neither address one module nor tell who answers".to_owned());
        }
        if !only_reads(&self.request.bytes) {
            return Err(format!(
                "this adapter cannot address {address} alone, and this request must not go to other modules"
            ));
        }
        self.only = Some(address);
        self.request.to = Target::Everyone;
        self.request.n_replies = None;
        Ok(())
    }

    fn slow_key(&self) -> (Target, Option<u8>) {
        (self.request.to, self.request.bytes.first().copied())
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
        if matches!(self.phase, Phase::Settings { then_listen: true }) {
            self.phase = Phase::Listening;
            return self.listen(now, bus, state);
        }
        state.target = Some(self.request.to);
        self.question(now, bus, state)
    }

    fn after_setting(&mut self, answer: &Answer, now: Nanos, bus: Bus, state: &mut State) -> Step {
        if state.has_started_anew(answer) {
            self.started_anew(state);
            self.asked_ns = self.asked_ns.or(Some(now));
            return self.finish(now, state);
        }
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
        if !ok && !unknown {
            // Neither yes nor no: text was lost, so nothing is known about the setting.
            state.desync = true;
            if self.n_repeats < MAX_REPEATS {
                self.n_repeats += 1;
                setting.spellings.extend(spelling);
                return self.next_setting(now, bus, state);
            }
            self.asked_ns = Some(now);
            self.problems.push(format!("`{}` was not confirmed; nothing was asked", spelling.unwrap_or_default()));
            return self.finish(now, state);
        }
        self.todo.pop_front();
        if effect == Effect::Header && !ok && state.addresses.is_none() && bus.is_can() {
            state.addresses = Some(false);
            state.note("requests cannot be addressed: all modules are asked at once, and those that listen to such requests answer");
            // As it is after a reset.
            state.target = Some(Target::Everyone);
            return self.begin(now, bus, state);
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
        let before = self.collector.replace(Collector::new(form, self.request.to, &self.request.bytes));
        self.kept_waiting.extend(before.into_iter().flat_map(|before| before.pending.into_keys()));
        let known = state.counts.digit(&self.request, now).filter(|_| self.count == Count::Learnt);
        self.is_known = known.is_some();
        self.digit = match self.count {
            Count::Learnt => known.or_else(|| state.counts.guess(&self.request).filter(|_| bus.is_can())),
            Count::Lines(n_lines) => state.counts.exactly(n_lines),
            Count::None => None,
        };
        let mut text = String::with_capacity(16);
        for byte in &self.request.bytes {
            // Writing to a string cannot fail.
            let _ = write!(text, "{byte:02X}");
        }
        if let Some(digit) = self.digit {
            let _ = write!(text, "{digit:X}");
        }
        let n_lines = match self.count {
            Count::Learnt => state.counts.n_lines(&self.request).filter(|_| self.is_known),
            Count::Lines(n_lines) => Some(n_lines),
            Count::None => None,
        };
        Step::Say(state.to_vehicle(&text, n_lines))
    }

    fn after_question(&mut self, answer: &Answer, bus: Bus, state: &mut State) -> Step {
        let now = answer.over_ns;
        self.asked_ns = self.asked_ns.filter(|_| self.is_asked_twice).or(Some(answer.sent_ns));
        self.first_asked_ns.get_or_insert(answer.sent_ns);
        state.traffic_ns = Some(now);
        let Some(collector) = self.collector.as_mut() else {
            return self.finish(now, state);
        };
        collector.take(answer);
        state.desync |= collector.words.contains(&Word::Stopped);
        let nothing = collector.sizes.is_empty() && collector.n_pending == 0;
        if collector.words.contains(&Word::Unknown) && self.digit.is_some() && nothing {
            state.counts.refuse();
            state.note("the adapter does not take the number of expected answers: it waits its time-out each time");
            return self.begin(now, bus, state);
        }
        let line_is_closed = !bus.is_can() && self.idle_ns > P3_MAX_NS && self.n_asked == 1;
        if line_is_closed && nothing && answer.prompt_ns.is_some() {
            self.phase = Phase::Reopening;
            return Step::Say(state.command("ATPC"));
        }
        if state.has_started_anew(answer) {
            self.started_anew(state);
            return self.finish(now, state);
        }
        if answer.echoed && !state.echo {
            state.lost_settings();
            self.problems.push("the adapter has forgotten its settings (its echo is on again)".to_owned());
        }
        if collector.lacks_headers {
            state.lost_settings();
            self.problems.push("the adapter has forgotten its settings (it prints no headers any more)".to_owned());
        }
        if answer.prompt_ns.is_none() {
            self.problems.push("the adapter's prompt did not come in time".to_owned());
        } else if !collector.pending.is_empty() {
            return self.begin_listening(now, bus, state);
        } else if let Some(n_lines) = collector.lines_announced().filter(|_| self.digit.is_some() && !self.is_known)
            && self.n_asked < MAX_ASKED
        {
            return self.ask_for_all(n_lines, now, bus, state);
        }
        self.judge(answer, state);
        self.again(answer, bus, state).unwrap_or_else(|| self.finish(now, state))
    }

    fn started_anew(&mut self, state: &mut State) {
        state.lost_settings();
        self.problems.push("the adapter has started anew by itself, and forgotten its settings".to_owned());
    }

    /// After the beginning of an answer that is longer than was asked for.
    fn ask_for_all(&mut self, n_lines: usize, now: Nanos, bus: Bus, state: &mut State) -> Step {
        if self.count != Count::Learnt {
            // It began as before and was not whole: waiting is the only way.
            state.counts.cannot_split(self.request.to);
            self.count = Count::None;
            return self.begin(now, bus, state);
        }
        self.count = if state.counts.exactly(n_lines).is_some() { Count::Lines(n_lines) } else { Count::None };
        // The module goes on with the first answer, and the adapter drops it. A frame that is later than this shows in
        // what comes next, because it continues nothing.
        self.pause(rest_ns(n_lines, state.counts.frame_ns(self.request.to).unwrap_or(FRAME_MAX_NS)))
    }

    /// Lets the answer to the last question pass unheard.
    fn pause(&mut self, ns: Nanos) -> Step {
        self.is_asked_twice = false;
        self.phase = Phase::Pausing;
        Step::Say(Say::nothing(ns))
    }

    /// Asks once more after an answer that was damaged or may have come too late; `None`: it is over.
    fn again(&mut self, answer: &Answer, bus: Bus, state: &mut State) -> Option<Step> {
        // Nobody at an address is the usual answer of those that look for modules.
        if matches!(self.request.to, Target::Anyone(_)) {
            return self.after_hurry(answer, bus, state);
        }
        let collector = self.collector.as_ref()?;
        let n_wanted = self.request.n_replies.unwrap_or(1);
        let is_lost = state.restart || collector.words.iter().any(|word| word.forgets() || word.no_vehicle());
        if !only_reads(&self.request.bytes) || collector.replies.len() >= n_wanted || is_lost {
            return None;
        }
        let now = answer.over_ns;
        let is_silent = collector.is_silent();
        if is_silent && answer.prompt_ns.is_some() {
            if matches!(self.count, Count::Lines(_)) {
                // It was still busy with the first answer: nothing of that can come any more after this time.
                state.counts.cannot_split(self.request.to);
                self.count = Count::None;
                return Some(self.pause(N_CR_NS));
            }
            if let Some(step) = self.after_hurry(answer, bus, state) {
                return Some(step);
            }
            // The adapter's time-out was shorter than a module may take.
            let left = state.still_late_ns(answer.sent_ns, now).filter(|_| self.n_repeats < MAX_REPEATS)?;
            state.fell_silent();
            self.n_repeats += 1;
            return Some(self.pause(left));
        }
        if collector.replies.is_empty() && !is_silent && self.n_repeats < MAX_REPEATS {
            self.n_repeats += 1;
            let is_mixed = collector.began_amid && !self.is_known;
            match std::mem::replace(&mut self.count, Count::None) {
                // Frames of the first answer: nothing was damaged, the module was asked too soon.
                Count::Lines(n_lines) if is_mixed => {
                    state.counts.slow_down(self.request.to);
                    return Some(self.pause(rest_ns(n_lines, FRAME_MAX_NS)));
                }
                // The adapter keeps what comes after the lines that were asked for.
                Count::Learnt | Count::None if is_mixed => state.counts.cannot_split(self.request.to),
                Count::Learnt => {
                    self.count = Count::Learnt;
                    self.keep_problems();
                }
                Count::Lines(_) | Count::None => self.keep_problems(),
            }
            self.is_asked_twice = true;
            return Some(self.begin(now, bus, state));
        }
        None
    }

    /// After a silence that was shorter than the adapter was told to wait: it is told anew, and asked again. One that does
    /// not keep to it then is not told again.
    fn after_hurry(&mut self, answer: &Answer, bus: Bus, state: &mut State) -> Option<Step> {
        let is_silent = self.collector.as_ref().is_some_and(Collector::is_silent);
        if !is_silent || !only_reads(&self.request.bytes) || !state.has_hurried(answer, bus) {
            return None;
        }
        if self.n_repeats == MAX_REPEATS {
            state.exact_wait = false;
            return None;
        }
        self.n_repeats += 1;
        state.doubt_wait();
        Some(self.pause(LATE_NS))
    }

    /// Compares what came with what was counted on, and learns from it.
    fn judge(&mut self, answer: &Answer, state: &mut State) {
        let Some(collector) = self.collector.as_mut() else {
            return;
        };
        let was_listening = collector.n_pending > 0;
        collector.finish();
        let sizes = &collector.sizes;
        let is_clean = collector.problems.is_empty() && collector.words.is_empty();
        if let Some(last) = collector.last_ns.filter(|_| is_clean && !was_listening) {
            state.answered_after(last - answer.sent_ns);
        }
        // "Busy, ask again" has another size than the answer, and says nothing about it.
        let is_busy = collector.replies.iter().any(|reply| matches!(*reply.bytes, [0x7F, _, 0x21]));
        let is_odd = if was_listening || is_busy {
            false
        } else if self.is_known && !is_clean && self.n_repeats == 0 {
            // Damage that shows says nothing about the number of lines; if it comes again, it may be too small. What was
            // not damaged is believed only if it is all that it always was.
            !state.counts.is_as_known(&self.request, sizes)
        } else if self.is_known {
            let last = collector.last_ns.unwrap_or(answer.sent_ns);
            let early = answer.prompt_ns.is_some_and(|prompt| prompt - last < state.waited_ns());
            state.counts.judge(&self.request, sizes, early, state.exact_wait) == Verdict::Suspect
        } else {
            let sound = answer.prompt_ns.is_some() && is_clean;
            let is_long = sizes.values().any(|size| size.n_lines > 1);
            if sound && is_long && self.digit == Some(1) && self.count == Count::Learnt {
                state.counts.counts_messages();
            }
            !state.counts.learn(&self.request, sizes, sound, answer.over_ns)
        };
        if is_odd && !collector.replies.is_empty() {
            collector.replies.clear();
            collector.problems.push("dropped an answer: it has not the lines and digits that it always had".to_owned());
            state.desync = true;
        }
        if collector.is_silent() && self.is_known {
            state.fell_silent();
        }
    }

    fn begin_listening(&mut self, now: Nanos, bus: Bus, state: &mut State) -> Step {
        if let Bus::Can { wide, .. } = bus {
            self.todo = state.settings_to_listen(wide);
            self.phase = Phase::Settings { then_listen: true };
            return self.next_setting(now, bus, state);
        }
        self.phase = Phase::Listening;
        self.listen(now, bus, state)
    }

    fn listen(&mut self, now: Nanos, bus: Bus, state: &mut State) -> Step {
        let last = self.collector.as_ref().and_then(|c| c.pending.values().max().copied()).unwrap_or(now);
        let p2_star_ns = state.timings.p2_star_ns(self.request.to);
        let longest = longest_pending_ns(&self.request, p2_star_ns);
        let limit = self.first_asked_ns.unwrap_or(now).saturating_add(longest);
        let until = last.saturating_add(p2_star_ns + state.trip.margin_ns()).min(limit);
        if now < until {
            if bus.is_can() {
                let digit = self.digit_to_listen(now, state);
                let text = digit.map_or_else(|| LISTEN_CAN.to_owned(), |digit| format!("{LISTEN_CAN}{digit:X}"));
                return Step::Say(state.to_vehicle(&text, None));
            }
            return Step::Say(Say { after_line_ns: Some(150 * MS), ..Say::within(LISTEN_LINE, until - now) });
        }
        // The answer may have come while the adapter was not listening. By now none can come any more.
        if only_reads(&self.request.bytes) && !self.was_missed && now < limit {
            self.was_missed = true;
            if state.slow.len() < 1024 {
                state.slow.insert(self.slow_key());
            }
            return self.begin(now, bus, state);
        }
        self.finish(now, state)
    }

    /// The answer that is still to come has the lines that it always had.
    fn digit_to_listen(&self, now: Nanos, state: &State) -> Option<u8> {
        // Answers to what keeps the adapter listening would be counted too.
        let is_quiet = self.collector.as_ref().is_none_or(|collector| collector.n_present == 0);
        let digit = match self.count {
            Count::Learnt => state.counts.digit(&self.request, now).or_else(|| state.counts.guess(&self.request)),
            Count::Lines(n_lines) => state.counts.exactly(n_lines),
            Count::None => None,
        };
        digit.filter(|_| is_quiet && matches!(self.request.to, Target::Module(_)))
    }

    fn after_listening(&mut self, answer: &Answer, bus: Bus, state: &mut State) -> Step {
        let now = answer.over_ns;
        state.traffic_ns = Some(now);
        if state.has_started_anew(answer) {
            self.started_anew(state);
            return self.finish(now, state);
        }
        if let Some(collector) = self.collector.as_mut() {
            collector.take(answer);
            if collector.pending.is_empty() {
                self.judge(answer, state);
                return self.again(answer, bus, state).unwrap_or_else(|| self.finish(now, state));
            }
            if let Some(n_lines) = collector.lines_announced()
                && only_reads(&self.request.bytes)
                && self.n_asked < MAX_ASKED
            {
                return self.ask_for_all(n_lines, now, bus, state);
            }
        }
        self.listen(now, bus, state)
    }

    /// Moves what went wrong with the last question to what is reported in the end.
    fn keep_problems(&mut self) {
        let Some(collector) = self.collector.as_mut() else {
            return;
        };
        self.problems.append(&mut collector.problems);
        for word in &collector.words {
            // That nobody answered shows in the replies.
            let is_normal = matches!(word, Word::Ok | Word::NoData | Word::Searching | Word::BusInit);
            if let Some(remedy) = word.what_to_try().filter(|_| !is_normal) {
                self.problems.push(format!("the adapter said `{word}`: {}; {remedy}", word.meaning()));
            }
        }
    }

    fn finish(&mut self, now: Nanos, state: &mut State) -> Step {
        let mut replies = Vec::new();
        if let Some(collector) = self.collector.as_mut() {
            collector.finish();
            for (from, since) in &collector.pending {
                let waited_s = now.saturating_sub(*since) as f64 / 1e9;
                collector.problems.push(format!("{from} asked for more time, then nothing for {waited_s:.1} s"));
            }
            for from in &self.kept_waiting {
                let has_answered = collector.replies.iter().any(|reply| reply.from == *from);
                if !has_answered && !collector.pending.contains_key(from) {
                    collector
                        .problems
                        .push(format!("{from} asked for more time, and was silent when it was asked again"));
                }
            }
            replies = std::mem::take(&mut collector.replies);
            if collector.n_pending == 0 && !replies.is_empty() {
                state.slow.remove(&(self.request.to, self.request.bytes.first().copied()));
            }
            for word in &collector.words {
                if word.forgets() {
                    state.lost_settings();
                }
                if word.no_vehicle() && replies.is_empty() {
                    return Step::Done(Err(Failure::NoVehicle { said: word.to_string() }));
                }
            }
        }
        self.keep_problems();
        let mut problems = std::mem::take(&mut state.problems);
        problems.append(&mut self.problems);
        if let Some(address) = self.only {
            replies.retain(|reply| reply.from == address);
        }
        let asked_ns = self.asked_ns.unwrap_or(now);
        let exchange = Exchange { asked_ns, over_ns: now, replies, problems };
        state.timings.learn(&self.request, &exchange);
        Step::Done(Ok(Outcome::Answered(exchange)))
    }
}
