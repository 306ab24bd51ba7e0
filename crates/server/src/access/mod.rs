//! Who may look, who may act, and who holds the car.
//!
//! Whoever sits at the machine itself belongs to the bench: the page opened there may do everything. A phone or tablet
//! joins with a pairing code that the bench shows; a code works once, for a few minutes, and nobody has many tries.
//! Everyone who joined looks on. One client at a time holds the car, and only the holder connects, records or commands;
//! it changes hands by a request and a hand-over that all can see.
//!
//! A state machine: it is given `now` and never reads a clock, so that tests can.

mod guessing;
mod name;
mod secret;
#[cfg(test)]
mod tests;

use std::net::IpAddr;
use std::time::Duration;

use serde::{Deserialize, Serialize};

pub(crate) use secret::{Token, pairing_code};

use crate::failure::Failure;
use guessing::Guesses;

/// How long a pairing code can be used.
pub(crate) const CODE_LASTS: Duration = Duration::from_secs(5 * 60);
/// How long a holder may be out of reach before the car is free for others.
const HOLDER_AWAY: Duration = Duration::from_secs(20);
/// How long a holder may leave a request unanswered before whoever sits at the bench may take the car.
const ASKED: Duration = Duration::from_secs(10);
/// How long a client may be away before it must join again: over night its place is gone.
const REMEMBERED: Duration = Duration::from_secs(12 * 60 * 60);
/// Most streams of one client: one for each tab of a browser.
const MAX_STREAMS: u32 = 16;
/// Most clients that are remembered.
const MAX_CLIENTS: usize = 64;
/// Most open pairing codes.
const MAX_CODES: usize = 8;

/// Time since the server started.
pub(crate) type Now = Duration;

/// A browser that joined.
#[derive(Debug)]
struct Client {
    id: u32,
    token: Token,
    name: String,
    is_bench: bool,
    may_hold: bool,
    n_streams: u32,
    /// When its last stream ended.
    away_since: Now,
}

impl Client {
    /// Whether it was not away for too long.
    fn is_remembered(&self, now: Now) -> bool {
        self.n_streams > 0 || now < self.away_since + REMEMBERED
    }
}

struct Invitation {
    code: String,
    may_hold: bool,
    until: Now,
}

struct Wish {
    client: u32,
    since: Now,
}

/// The books.
#[derive(Default)]
pub(crate) struct Access {
    clients: Vec<Client>,
    n_ever: u32,
    invitations: Vec<Invitation>,
    guesses: Guesses,
    holder: Option<u32>,
    wish: Option<Wish>,
}

/// What one client may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
#[serde(rename_all = "snake_case")]
pub(crate) enum Role {
    /// Connects, records, commands.
    Holder,
    /// Looks on; may ask for the car.
    Onlooker,
    /// Looks on, and was invited to do no more.
    Guest,
}

/// A client as all others see it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct ClientJson {
    pub(crate) id: u32,
    /// The name it gave itself.
    pub(crate) name: String,
    pub(crate) role: Role,
    /// Whether it sits at the machine itself.
    pub(crate) is_bench: bool,
    /// Whether its page is open now.
    pub(crate) is_here: bool,
}

/// Who is here, who holds the car, and who asks for it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct PeopleJson {
    pub(crate) clients: Vec<ClientJson>,
    pub(crate) holder: Option<u32>,
    /// Who asks the holder for the car.
    pub(crate) asked_by: Option<u32>,
}

/// Who a request comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Who {
    pub(crate) id: u32,
    pub(crate) is_bench: bool,
    pub(crate) may_hold: bool,
}

impl Who {
    /// Whether this client may change what the workbench keeps.
    pub(crate) fn must_work(self) -> Result<(), Failure> {
        if self.may_hold {
            return Ok(());
        }
        Err(Failure::forbidden("this page was invited to look on")
            .hint("show a pairing code at the bench that also lets it work"))
    }

    /// Whether this client sits at the machine itself.
    pub(crate) fn must_be_bench(self) -> Result<(), Failure> {
        if self.is_bench {
            return Ok(());
        }
        Err(Failure::forbidden("only a page at the machine itself may do that").hint("do it at the bench"))
    }
}

impl Access {
    /// The client with this token, unless it was away for too long.
    pub(crate) fn who(&self, token: &Token, now: Now) -> Option<Who> {
        let client = self.clients.iter().find(|client| client.token.is(token) && client.is_remembered(now))?;
        Some(Who { id: client.id, is_bench: client.is_bench, may_hold: client.may_hold })
    }

    /// Takes in a page opened at the machine itself.
    pub(crate) fn admit_bench(&mut self, now: Now) -> (Who, Token) {
        self.admit(name::BENCH, true, true, now)
    }

    /// A new pairing code.
    pub(crate) fn invite(&mut self, may_hold: bool, now: Now) -> String {
        self.forget(now);
        if self.invitations.len() >= MAX_CODES {
            self.invitations.remove(0);
        }
        let code = pairing_code();
        self.invitations.push(Invitation { code: code.clone(), may_hold, until: now + CODE_LASTS });
        code
    }

    /// Ends all open pairing codes, and sends everybody away who joined with one.
    pub(crate) fn end_network(&mut self) {
        self.invitations.clear();
        let joined: Vec<u32> = self.clients.iter().filter(|client| !client.is_bench).map(|client| client.id).collect();
        joined.into_iter().for_each(|id| self.dismiss(id));
    }

    /// How long whoever wants to join has to wait before the code is looked at: not at all unless many codes were wrong.
    pub(crate) fn pause_before_join(&mut self, now: Now) -> Duration {
        self.guesses.pause(now)
    }

    /// Takes in a phone or tablet at this address that knows an open pairing code. A code works once.
    pub(crate) fn join(&mut self, code: &str, name: &str, from: IpAddr, now: Now) -> Result<(Who, Token), Failure> {
        self.forget(now);
        if self.guesses.are_spent(from, now) {
            return Err(Failure::forbidden("too many wrong pairing codes came from this device")
                .hint("wait five minutes, then show a new code at the bench, under Settings"));
        }
        let given: String = code.chars().filter(|c| c.is_ascii_alphanumeric()).collect::<String>().to_uppercase();
        let Some(idx) = self.invitations.iter().position(|open| secret::same(&open.code, &given)) else {
            self.guesses.add(from, now);
            return Err(Failure::forbidden("this pairing code is not open")
                .hint("codes work once and for five minutes: show a new one at the bench, under Settings"));
        };
        let invitation = self.invitations.remove(idx);
        Ok(self.admit(name, false, invitation.may_hold, now))
    }

    /// Sends a client away; its page must join again.
    pub(crate) fn dismiss(&mut self, id: u32) {
        self.clients.retain(|client| client.id != id || client.is_bench);
        if !self.clients.iter().any(|client| client.id == id) {
            self.holder = self.holder.filter(|holder| *holder != id);
            self.wish.take_if(|wish| wish.client == id);
        }
    }

    /// Gives a client the name it is shown by.
    pub(crate) fn rename(&mut self, id: u32, name: &str) {
        let Some(idx) = self.clients.iter().position(|client| client.id == id) else { return };
        let name = self.own_name(name, id, self.clients[idx].is_bench);
        self.clients[idx].name = name;
    }

    /// A name that no other client has. Pages of the bench are one and the same to each other.
    fn own_name(&self, name: &str, id: u32, is_bench: bool) -> String {
        let others = self.clients.iter().filter(|other| other.id != id && !(is_bench && other.is_bench));
        name::own(name, is_bench, others.map(|other| other.name.as_str()))
    }

    /// A stream of this client begins; whether it may: it is known, and has not too many.
    pub(crate) fn arrive(&mut self, id: u32) -> bool {
        let client = self.clients.iter_mut().find(|client| client.id == id && client.n_streams < MAX_STREAMS);
        client.map(|client| client.n_streams += 1).is_some()
    }

    /// A stream of this client ended.
    pub(crate) fn leave(&mut self, id: u32, now: Now) {
        if let Some(client) = self.clients.iter_mut().find(|client| client.id == id) {
            client.n_streams = client.n_streams.saturating_sub(1);
            client.away_since = now;
        }
    }

    /// Takes the car if it is free, otherwise asks its holder for it. Returns whether the car was taken.
    pub(crate) fn take(&mut self, who: Who, now: Now) -> Result<bool, Failure> {
        who.must_work()?;
        let waited = self.wish.as_ref().is_some_and(|wish| wish.client == who.id && now >= wish.since + ASKED);
        if self.holder == Some(who.id) || self.is_free(now) || (who.is_bench && waited) {
            self.holder = Some(who.id);
            self.wish = None;
            return Ok(true);
        }
        if self.wish.as_ref().is_none_or(|wish| wish.client != who.id) {
            self.wish = Some(Wish { client: who.id, since: now });
        }
        Ok(false)
    }

    /// The holder gives the car to whoever asked for it, or to nobody.
    pub(crate) fn hand_over(&mut self, who: Who, to: Option<u32>) -> Result<(), Failure> {
        self.must_hold(who)?;
        let takes = |id: &u32| self.clients.iter().any(|client| client.id == *id && client.may_hold);
        if to.is_some_and(|id| !takes(&id)) {
            return Err(Failure::input("that page is not here, or was invited to look on"));
        }
        self.holder = to;
        self.wish = None;
        Ok(())
    }

    /// The holder keeps the car.
    pub(crate) fn keep(&mut self, who: Who) -> Result<(), Failure> {
        self.must_hold(who)?;
        self.wish = None;
        Ok(())
    }

    /// Whether `who` may act on the car.
    pub(crate) fn must_hold(&self, who: Who) -> Result<(), Failure> {
        if self.holds(who.id) {
            return Ok(());
        }
        let holder = self.holder.and_then(|id| self.clients.iter().find(|client| client.id == id));
        Err(match holder {
            Some(holder) => Failure::forbidden(format!("{} holds the car", holder.name)).hint("ask for the car first"),
            None => Failure::forbidden("nobody holds the car").hint("take the car first"),
        })
    }

    /// Whether this client holds the car.
    pub(crate) fn holds(&self, id: u32) -> bool {
        self.holder == Some(id)
    }

    /// Whether any page of this client is open.
    pub(crate) fn is_here(&self, id: u32) -> bool {
        self.clients.iter().any(|client| client.id == id && client.n_streams > 0)
    }

    /// What a client is called.
    pub(crate) fn name_of(&self, id: u32) -> String {
        self.clients.iter().find(|client| client.id == id).map(|client| client.name.clone()).unwrap_or_default()
    }

    /// Whether this client is still welcome.
    pub(crate) fn is_known(&self, id: u32) -> bool {
        self.clients.iter().any(|client| client.id == id)
    }

    /// What everybody may see.
    pub(crate) fn people(&self) -> PeopleJson {
        let shown = self.clients.iter().filter(|client| client.n_streams > 0 || self.holder == Some(client.id));
        let role = |client: &Client| match (self.holder == Some(client.id), client.may_hold) {
            (true, _) => Role::Holder,
            (false, true) => Role::Onlooker,
            (false, false) => Role::Guest,
        };
        PeopleJson {
            clients: shown
                .map(|client| ClientJson {
                    id: client.id,
                    name: client.name.clone(),
                    role: role(client),
                    is_bench: client.is_bench,
                    is_here: client.n_streams > 0,
                })
                .collect(),
            holder: self.holder,
            asked_by: self.wish.as_ref().map(|wish| wish.client),
        }
    }

    fn is_free(&self, now: Now) -> bool {
        let Some(holder) = self.holder else { return true };
        let client = self.clients.iter().find(|client| client.id == holder);
        client.is_none_or(|client| client.n_streams == 0 && now >= client.away_since + HOLDER_AWAY)
    }

    fn admit(&mut self, name: &str, is_bench: bool, may_hold: bool, now: Now) -> (Who, Token) {
        // Whoever comes back after a night has their name again.
        self.clients.retain(|client| client.is_remembered(now));
        if self.clients.len() >= MAX_CLIENTS {
            // The one that has been away the longest makes room.
            let away = self.clients.iter().enumerate().filter(|(_, client)| client.n_streams == 0);
            if let Some((idx, _)) = away.min_by_key(|(_, client)| client.away_since) {
                self.clients.remove(idx);
            }
        }
        self.n_ever += 1;
        let token = Token::new();
        let id = self.n_ever;
        let name = self.own_name(name, id, is_bench);
        self.clients.push(Client { id, token: token.clone(), name, is_bench, may_hold, n_streams: 0, away_since: now });
        (Who { id, is_bench, may_hold }, token)
    }

    fn forget(&mut self, now: Now) {
        self.invitations.retain(|invitation| invitation.until > now);
    }
}
