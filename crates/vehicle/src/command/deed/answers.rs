//! What the answers of the module mean for a command under way.

use definition::ResultsIn;
use link::Request;
use protocol::uds::session;
use protocol::uds_read::identifiers;
use protocol::{Nanos, NegativeCode, ReplyError, kwp};

use super::{Asked, Deed, Stage};
use crate::command::what::What;
use crate::command::{Driven, Ended, Returned};

/// Pause before a busy module is asked again, and how often.
const BUSY: (Nanos, u32) = (100_000_000, 20);
/// How often the results of a routine are asked for while it runs.
const RESULTS_NS: Nanos = 1_000_000_000;
/// How often control is asked back before the module is left to its own time-out.
const RETURN_TRIES: u32 = 3;
/// Unanswered keep-alives in a row after which the module counts as gone.
const SILENCES: u32 = 2;

impl Deed<'_> {
    /// What the module said to the request under way.
    pub(super) fn understood(
        &mut self,
        asked: Asked,
        request: &Request,
        reply: Option<&[u8]>,
        asked_ns: Nanos,
        now: Nanos,
    ) {
        let confirmed = reply.ok_or(None).and_then(|reply| {
            let confirmed = match (asked, &self.what) {
                (Asked::Session | Asked::Close, _) if self.what.is_kwp() => {
                    kwp::session::interpret(&request.bytes, reply).map(|()| &[][..])
                }
                (Asked::Session | Asked::Close, _) => session::interpret(&request.bytes, reply).map(|_| &[][..]),
                (Asked::Present, _) => protocol::reply_body(&request.bytes, reply),
                (_, What::Output(output)) => output.confirmed(&request.bytes, reply),
                (_, What::Routine(routine, _)) => routine.confirmed(&request.bytes, reply),
            };
            confirmed.map_err(Some)
        });
        let is_busy = matches!(confirmed, Err(Some(ReplyError::Negative { code: NegativeCode::BUSY, .. })));
        self.n_busy = if is_busy { self.n_busy + 1 } else { 0 };
        match (asked, confirmed) {
            _ if is_busy && self.n_busy <= BUSY.1 => {
                self.not_before_ns = now + BUSY.0;
            }
            (Asked::Session, Ok(_)) => {
                self.is_open_session = true;
                self.begin(now);
            }
            (Asked::Level(level), Ok(record)) => {
                let is_on = match &self.what {
                    What::Output(output) => output.is_on(level),
                    What::Routine(routine, _) => {
                        if routine.results_in == ResultsIn::Start {
                            self.results = Some(record.to_vec());
                        }
                        true
                    }
                };
                self.n_done += 1;
                (self.tries, self.silences) = (0, 0);
                let start_ns = self.start_ns;
                self.driven.push(Driven { level, asked_ns: asked_ns - start_ns, confirmed_ns: now - start_ns });
                if is_on != self.on_since_ns.is_some() {
                    // The module acted between the request and its answer.
                    self.mark(is_on, asked_ns + (now - asked_ns) / 2);
                }
                if matches!(&self.what, What::Routine(routine, _) if routine.results_in == ResultsIn::Request) {
                    self.results_ns = now + RESULTS_NS;
                }
            }
            (Asked::Present, Ok(body)) => {
                self.silences = 0;
                let [high, low] = identifiers::ACTIVE_SESSION.to_be_bytes();
                if body == [high, low, session::DEFAULT] {
                    self.end(Ended::SessionOver, now);
                }
            }
            (Asked::Present, Err(Some(ReplyError::Negative { .. }))) => {
                self.silences = 0;
                self.tells_session = false;
            }
            (Asked::Results, outcome) => {
                if let Ok(record) = outcome {
                    self.results = Some(record.to_vec());
                }
                self.results_ns = now + RESULTS_NS;
                if self.stage == Stage::Asking {
                    self.stage = if self.is_open_session { Stage::Closing } else { self.rest(now) };
                }
            }
            (Asked::Return, Ok(record)) => {
                if matches!(&self.what, What::Routine(routine, _) if routine.results_in == ResultsIn::Stop) {
                    self.results = Some(record.to_vec());
                }
                self.returned(Returned::Confirmed, now);
            }
            (Asked::Return, Err(_)) => {
                self.tries += 1;
                if self.tries >= RETURN_TRIES {
                    let left = self.left_to_module();
                    self.returned(left, now);
                }
            }
            (Asked::Close, outcome) => {
                // Leaving the session returns control of everything that was set in it.
                if outcome.is_ok() && self.returned == Returned::BySession {
                    self.returned = Returned::Confirmed;
                }
                self.tries += 1;
                if outcome.is_ok() || self.tries >= RETURN_TRIES {
                    self.stage = self.rest(now);
                }
            }
            (Asked::Session | Asked::Level(_), Err(Some(error))) => {
                let why = match (&error, asked) {
                    (ReplyError::Negative { code, .. }, _) if code.asks_for_another_state() => {
                        format!("{error}; bring the vehicle into the state that the maker asks for and try again")
                    }
                    _ => error.to_string(),
                };
                // A refusal drove nothing. What was driven before still has to go back, and so has what a request may have
                // driven whose answer did not come or cannot be read.
                let is_refusal = matches!(error, ReplyError::Negative { .. });
                if is_refusal && self.driven.is_empty() && self.silences == 0 {
                    self.first_driven_ns = None;
                }
                self.end(Ended::Refused(why), now);
            }
            (Asked::Session | Asked::Level(_) | Asked::Present, Err(_)) => {
                self.silences += 1;
                self.present_ns = self.present_ns.min(now);
                if self.silences >= SILENCES {
                    self.end(Ended::Silent, now);
                }
            }
        }
    }
}
