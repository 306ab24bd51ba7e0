//! After a prompt that did not come: back to a known point of the conversation.

use super::state::{Barrier, State};
use super::turn::{Answer, Say, shown};

/// What to do next.
#[derive(Debug)]
pub(super) enum Resynced {
    Say(Say),
    /// Everything that came before has been dropped. Where that showed that the adapter started anew, it is to be set up again.
    Done,
    /// No command brought its own answer: the adapter has to be started anew.
    Failed,
}

/// Asks for something whose answer is unmistakable; everything before that answer is dropped.
///
/// An adapter answers in order: once the answer to a command is there, nothing older can follow. Every command is used
/// once per attempt, because a late answer to the first would be taken for the answer to the second.
#[derive(Debug)]
pub(super) struct Resync {
    left: Vec<Barrier>,
    now: Option<Barrier>,
    n_listened: u8,
    dropped: String,
}

impl Resync {
    /// `stray`: text that showed that something was wrong.
    pub(super) fn new(state: &State, stray: &str) -> Self {
        // The command that went unanswered may be answered yet.
        let left = state.barriers.iter().rev().copied().filter(|b| b.command() != state.unanswered).collect();
        Self { left, now: None, n_listened: 0, dropped: shown(stray) }
    }

    pub(super) fn step(&mut self, answer: Option<&Answer>, state: &mut State) -> Resynced {
        if let (Some(answer), Some(barrier)) = (answer, self.now) {
            let closed = barrier.closes(answer, &state.known);
            let n_stale = answer.lines.len().saturating_sub(usize::from(closed));
            for line in answer.lines.iter().take(n_stale) {
                if self.dropped.len() < 200 {
                    self.dropped.push_str(if self.dropped.is_empty() { "" } else { " | " });
                    self.dropped.push_str(&shown(&line.text));
                }
            }
            if closed {
                if state.has_name(&self.dropped) {
                    state.lost_settings();
                }
                if !self.dropped.is_empty() {
                    state.problems.push(format!("dropped text that belongs to no request: `{}`", self.dropped));
                }
                return Resynced::Done;
            }
            // A prompt that ended older text: the answer to the barrier is still to come, unless the barrier was cut off
            // in the middle of that text.
            if answer.prompt_ns.is_some() && !answer.has("STOPPED") && self.n_listened < 5 {
                self.n_listened += 1;
                return Resynced::Say(Say::nothing(state.trip.margin_ns()));
            }
        }
        self.n_listened = 0;
        self.now = self.left.pop();
        match self.now {
            // Older lines may stand before the answer, with a while between them.
            Some(barrier) => {
                let quiet_ns = state.trip.margin_ns();
                let say = state.command(barrier.command());
                Resynced::Say(Say { whole: say.whole.map(|(n_lines, _)| (n_lines, quiet_ns)), ..say })
            }
            None => {
                state.problems.push(format!("the adapter was reset: it had lost the thread (`{}`)", self.dropped));
                Resynced::Failed
            }
        }
    }
}
