//! Start-up: reset, then the settings that make answers short and unmistakable, coping with adapters that know half of them.

use super::state::{Barrier, Effect, Filter, State, protocol, volts};
use super::turn::{Answer, Say, shown};
use super::words::{Word, plain};
use super::{Failure, MAX_ANEW, Outcome, Step};
use crate::Nanos;

const MS: Nanos = 1_000_000;

/// What is asked for after the reset, in this order.
const SETTINGS: [(&str, Want); 11] = [
    ("ATE0", Want::Set("the echo cannot be switched off")),
    ("ATL0", Want::Set("line feeds cannot be switched off")),
    ("ATS0", Want::Set("spaces cannot be switched off: answers take longer")),
    // Whether it worked shows in the first answer of the vehicle.
    ("ATH1", Want::Headers),
    // Otherwise each search for the network wears the adapter's memory.
    ("ATM0", Want::Nicety),
    ("ATCAF1", Want::Nicety),
    // The adapter's own adaptive time-out forgets modules that it has not heard from yet; the link does this itself.
    ("ATAT0", Want::ExactWait),
    ("ATST32", Want::Wait),
    ("ATI", Want::Identity),
    ("ATRV", Want::Volts),
    ("ATDPN", Want::Protocol),
];

#[derive(Debug, Clone, Copy)]
enum Want {
    /// `OK`; otherwise the note.
    Set(&'static str),
    Headers,
    ExactWait,
    Wait,
    Nicety,
    Identity,
    Volts,
    Protocol,
}

#[derive(Debug, Clone, Copy)]
enum Phase {
    /// Is anybody there? Number of the try.
    Knock(u8),
    /// Reset; which of [`RESETS`].
    Reset(usize),
    /// Waiting for silence; how often there was none.
    Settle(u8),
    /// Which of [`SETTINGS`].
    Set(usize),
}

/// What else a reset is called, for adapters that know only one.
const RESETS: [&str; 3] = ["ATZ", "ATWS", "ATD"];

#[derive(Debug)]
pub(super) struct Start {
    phase: Phase,
    heard: String,
    n_ok: usize,
    n_prompts: usize,
    banner: String,
    /// Something came late or was lost: text may still be on its way.
    untidy: bool,
    /// Times that the adapter started anew by itself among the settings.
    n_anew: u8,
    /// A setting is told once more, as it was not understood: a letter of it may have been lost.
    has_insisted: bool,
}

impl Start {
    pub(super) fn new() -> Self {
        Self {
            phase: Phase::Knock(0),
            heard: String::new(),
            n_ok: 0,
            n_prompts: 0,
            banner: String::new(),
            untidy: false,
            n_anew: 0,
            has_insisted: false,
        }
    }

    pub(super) fn step(&mut self, answer: Option<&Answer>, state: &mut State) -> Step {
        let Some(answer) = answer else {
            state.forget_settings();
            return Step::Say(knock());
        };
        let said = answer.said();
        if !said.is_empty() && self.heard.chars().count() < 80 {
            self.heard.push_str(&said);
        }
        self.untidy |= answer.prompt_ns.is_none() && !matches!(self.phase, Phase::Settle(_));
        match self.phase {
            Phase::Knock(n_try) => {
                if answer.prompt_ns.is_none() && n_try >= 2 && self.heard.contains(char::REPLACEMENT_CHARACTER) {
                    return Step::Done(Err(Failure::NotAnAdapter { said: shown(&self.heard) }));
                }
                if answer.prompt_ns.is_some() || n_try >= 2 {
                    self.phase = Phase::Reset(0);
                    return Step::Say(reset(0));
                }
                self.phase = Phase::Knock(n_try + 1);
                Step::Say(knock())
            }
            Phase::Reset(idx) => self.after_reset(idx, answer, state),
            Phase::Settle(n) if !answer.lines.is_empty() && n < 5 => {
                self.phase = Phase::Settle(n + 1);
                Step::Say(Say::nothing(500 * MS))
            }
            Phase::Settle(_) => {
                self.phase = Phase::Set(0);
                Step::Say(state.command(SETTINGS[0].0))
            }
            Phase::Set(idx) => self.after_setting(idx, answer, state),
        }
    }

    fn after_reset(&mut self, idx: usize, answer: &Answer, state: &mut State) -> Step {
        let refused = answer.lines.is_empty() || answer.has("?") || answer.has("STOPPED");
        if refused && idx + 1 < RESETS.len() {
            if answer.lines.is_empty() && answer.prompt_ns.is_none() && self.heard.is_empty() {
                // Nothing but silence on every try.
                let waited_ms = u64::try_from((answer.over_ns - answer.sent_ns) / MS).unwrap_or(0);
                return Step::Done(Err(Failure::Silent { asked: "ATZ".to_owned(), waited_ms }));
            }
            self.phase = Phase::Reset(idx + 1);
            return Step::Say(reset(idx + 1));
        }
        if let Some(banner) = answer.lines.iter().rev().find(|line| Word::read(&line.text).is_none()) {
            self.banner = shown(&banner.text);
            state.know_by(&self.banner);
        }
        // An answer to an earlier try may still come: wait until it is quiet.
        self.phase = Phase::Settle(0);
        Step::Say(Say::nothing(if self.untidy { 500 * MS } else { 0 }))
    }

    fn after_setting(&mut self, idx: usize, answer: &Answer, state: &mut State) -> Step {
        let Some((command, want)) = SETTINGS.get(idx).copied() else {
            return Step::Done(Ok(Outcome::Started));
        };
        // What says the same to everything is no adapter.
        let may_be_anew = self.n_ok > 0 && !matches!(want, Want::Identity) && self.n_anew < MAX_ANEW;
        if may_be_anew && state.has_started_anew(answer) {
            self.n_anew += 1;
            state.known.n_losses += 1;
            self.untidy = true;
            self.phase = Phase::Set(0);
            return Step::Say(state.command(SETTINGS[0].0));
        }
        let is_setting = matches!(want, Want::Set(_) | Want::Headers | Want::ExactWait | Want::Wait);
        if is_setting && answer.has("?") && !std::mem::replace(&mut self.has_insisted, true) {
            return Step::Say(state.command(command));
        }
        self.has_insisted = false;
        let ok = answer.has("OK") || answer.lines.last().is_some_and(|line| plain(&line.text).ends_with("OK"));
        self.n_ok += usize::from(ok);
        if answer.prompt_ns.is_some() {
            state.trip.measured(answer.over_ns - answer.sent_ns);
            state.blank_prompts |= answer.blank_before_prompt;
        }
        // The echo of the command that switches it off does not count.
        state.echo = answer.echoed && command != "ATE0";
        let last = answer.lines.last().map(|line| line.text.clone()).unwrap_or_default();
        let is_word = Word::read(&last).is_some();
        match want {
            Want::Set(missing) if !ok => state.note(missing),
            Want::Headers => state.sets_headers = ok,
            Want::ExactWait => state.exact_wait = ok,
            Want::Wait => state.sets_wait = ok,
            Want::Identity => {
                let name = if is_word || answer.prompt_ns.is_none() { self.banner.clone() } else { shown(&last) };
                state.know_by(&name);
                state.known.adapter = name;
            }
            Want::Volts => state.has_volts = volts(&last).is_some(),
            Want::Set(_) | Want::Nicety | Want::Protocol => {}
        }
        let proven = match want {
            Want::Volts if state.has_volts => Some(Barrier::Volts),
            Want::Protocol if protocol(&last).is_some() => Some(Barrier::Protocol),
            Want::Identity if !last.is_empty() && !is_word && last == state.known.adapter => Some(Barrier::Identity),
            _ => None,
        };
        if let Some(barrier) = proven.filter(|barrier| !state.barriers.contains(barrier)) {
            state.barriers.push(barrier);
        }
        self.n_prompts += usize::from(answer.prompt_ns.is_some());
        if (idx == 3 && self.n_ok == 0) || (idx == 1 && self.n_prompts == 0) {
            return Step::Done(Err(self.not_an_adapter(answer)));
        }
        self.phase = Phase::Set(idx + 1);
        let Some((next, _)) = SETTINGS.get(idx + 1) else {
            // The order of preference of the barriers, not of the settings.
            state.barriers.sort_by_key(|barrier| Barrier::ALL.iter().position(|b| b == barrier));
            state.desync |= self.untidy;
            return Step::Done(Ok(Outcome::Started));
        };
        Step::Say(state.command(next))
    }

    fn not_an_adapter(&self, answer: &Answer) -> Failure {
        if self.heard.is_empty() {
            let waited_ms = u64::try_from((answer.over_ns - answer.sent_ns) / MS).unwrap_or(0);
            return Failure::Silent { asked: "ATE0".to_owned(), waited_ms };
        }
        Failure::NotAnAdapter { said: shown(&self.heard) }
    }
}

/// A question that every such adapter answers at once; the first may be swallowed by what it was doing.
fn knock() -> Say {
    Say::within("ATI", 400 * MS)
}

/// A reset takes about a second, and some take several (common practice, no source).
fn reset(idx: usize) -> Say {
    Say::within(RESETS.get(idx).copied().unwrap_or("ATZ"), 3_000 * MS)
}

/// Applies what a setting command has changed, or failed to change.
pub(super) fn apply(effect: Effect, ok: bool, state: &mut State) -> Result<(), &'static str> {
    match (effect, ok) {
        (Effect::Header, true) => state.addresses = Some(true),
        (Effect::Header, false) => return Err("the adapter does not take the header for this module"),
        // Where it cannot be set, the identifier is given whole.
        (Effect::Priority(priority), _) => state.priority = Some(priority),
        (Effect::Filter(filter), true) => state.filter = filter,
        (Effect::Filter(filter), false) => {
            state.has_filter = false;
            state.note("replies cannot be filtered by module in the adapter");
            // A filter that cannot be taken back would hide modules: only a reset helps.
            state.restart |= filter == Filter::Legislated;
        }
        (Effect::Wait(wait), true) => state.wait = wait,
        (Effect::Wait(_), false) => state.sets_wait = false,
        (Effect::FlowControl(own), true) => state.own_flow_control = own,
        (Effect::FlowControl(_), false) => {
            state.note("long answers of modules with unusual identifiers will break off");
        }
        (Effect::Open(node), _) => state.open_to = node,
        (Effect::Nicety, _) => {}
    }
    Ok(())
}
