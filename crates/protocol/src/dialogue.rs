//! One request and its answers over a network that carries whole messages: CAN with ISO 15765-2, diagnostics over IP.
//!
//! Knows how long an answer may take, that "response pending" is not one, and when a damaged one is worth asking for
//! again. It carries nothing itself.

use std::collections::{BTreeMap, BTreeSet};

use crate::exchange::{Exchange, Fit, Reply, Request, Target, comes_in_pieces, fit, only_reads};
use crate::reply::NEGATIVE;
use crate::{Address, Hex, Nanos};

const S: Nanos = 1_000_000_000;
/// Longest time to the answer after "response pending": P2* of ISO 14229-2.
const P2_STAR_NS: Nanos = 5 * S;
/// Longest time that a module may go on asking for more (no source: longer than any routine behind such a request).
const MAX_PENDING_NS: Nanos = 30 * S;
/// Most repetitions after damage.
const MAX_REPEATS: u8 = 2;
/// Most problems that are kept of one exchange: a line that is all noise has more of them than anybody reads.
const MAX_PROBLEMS: usize = 64;

/// How long a module may go on asking for more time for a request; for one that only reads twice the time to one answer, as
/// a recorder waits behind it.
pub(crate) fn longest_pending_ns(request: &Request, p2_star_ns: Nanos) -> Nanos {
    if only_reads(&request.bytes) { (2 * p2_star_ns).min(MAX_PENDING_NS) } else { MAX_PENDING_NS }
}

/// What a dialogue wants now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// Send the request, then call [`Dialogue::sent`] or [`Dialogue::failed`].
    Send,
    /// Nothing before this time, unless something comes.
    Wait(Nanos),
    /// It is over: [`Dialogue::finish`].
    Over,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    ToSend,
    /// On its way; until when at the latest.
    Sending(Nanos),
    /// Answers are due until then.
    Waiting(Nanos),
    Over,
}

/// A request in progress.
#[derive(Debug, Clone)]
pub struct Dialogue {
    request: Request,
    p2_ns: Nanos,
    p2_star_ns: Nanos,
    phase: Phase,
    /// When it was first sent: the same words do not tell to which of several times an answer belongs.
    asked_ns: Option<Nanos>,
    /// Modules whose long answer is coming in.
    begun: BTreeSet<Address>,
    /// Modules that asked for more time, and until when they have it.
    pending: BTreeMap<Address, Nanos>,
    first_pending_ns: Option<Nanos>,
    replies: Vec<Reply>,
    /// Modules whose answers cannot be trusted.
    spoilt: BTreeSet<Address>,
    is_damaged: bool,
    n_repeats: u8,
    problems: Vec<String>,
}

impl Dialogue {
    /// `p2_ns`: how long the first answer may take to begin, the way to the module and back included.
    #[must_use]
    pub fn new(request: Request, p2_ns: Nanos) -> Self {
        Self {
            request,
            p2_ns,
            p2_star_ns: P2_STAR_NS,
            phase: Phase::ToSend,
            asked_ns: None,
            begun: BTreeSet::new(),
            pending: BTreeMap::new(),
            first_pending_ns: None,
            replies: Vec::new(),
            spoilt: BTreeSet::new(),
            is_damaged: false,
            n_repeats: 0,
            problems: Vec::new(),
        }
    }

    /// The same with another time to the answer after "response pending" than is usual.
    #[must_use]
    pub fn with_p2_star(self, p2_star_ns: Nanos) -> Self {
        Self { p2_star_ns, ..self }
    }

    /// The request.
    #[must_use]
    pub fn request(&self) -> &Request {
        &self.request
    }

    /// Whether a message of this module can belong here.
    #[must_use]
    pub fn expects(&self, from: Address) -> bool {
        let is_meant = match self.request.to {
            Target::Everyone | Target::Anyone(_) => true,
            Target::Module(to) => to == from,
        };
        is_meant && self.phase != Phase::ToSend
    }

    /// The whole request has left.
    pub fn sent(&mut self, now: Nanos) {
        if matches!(self.phase, Phase::Sending(_)) {
            self.phase = Phase::Waiting(now.saturating_add(self.p2_ns));
        }
    }

    /// The request could not be sent, for this reason; with `is_damage` it may work the next time.
    pub fn failed(&mut self, what: String, is_damage: bool) {
        if self.phase != Phase::Over {
            self.tell(what);
            self.is_damaged |= is_damage;
            self.phase = Phase::Waiting(Nanos::MIN);
        }
    }

    /// Nobody is there to take the request.
    pub fn nobody(&mut self) {
        if self.phase != Phase::Over {
            self.phase = Phase::Waiting(Nanos::MIN);
        }
    }

    /// Something else went wrong that the user should see.
    pub fn trouble(&mut self, what: String) {
        if !self.problems.contains(&what) {
            self.tell(what);
        }
    }

    fn tell(&mut self, problem: String) {
        match self.problems.len() {
            n if n < MAX_PROBLEMS => self.problems.push(problem),
            MAX_PROBLEMS => self.problems.push("there was more of this kind, which was not kept".to_owned()),
            _ => {}
        }
    }

    /// A long answer of this module has begun; it will come as a message or be broken.
    pub fn begun(&mut self, from: Address) {
        self.begun.insert(from);
        self.pending.remove(&from);
    }

    /// A frame or a message of this module was damaged.
    pub fn broken(&mut self, from: Address, what: &str) {
        // Behind its answer: a stray frame, which no longer matters.
        if self.replies.iter().any(|reply| reply.from == from) && !self.begun.contains(&from) {
            return;
        }
        self.begun.remove(&from);
        self.tell(format!("dropped an answer of {from}: {what}"));
        self.spoilt.insert(from);
        self.is_damaged = true;
    }

    /// A whole message of this module has come; false when it answers something else.
    pub fn message(&mut self, from: Address, bytes: Vec<u8>, now: Nanos) -> bool {
        self.begun.remove(&from);
        match fit(from, &self.request.bytes, &bytes) {
            Fit::Foreign => return false,
            Fit::Pending => {
                self.first_pending_ns.get_or_insert(now);
                self.pending.insert(from, now.saturating_add(self.p2_star_ns));
            }
            Fit::Answer => {
                self.pending.remove(&from);
                let reply = Reply { from, bytes, arrived_ns: now };
                let goes_on = self.may_go_on(&reply);
                let before: Vec<&Reply> = self.replies.iter().filter(|before| before.from == from).collect();
                if before.iter().any(|before| before.bytes == reply.bytes) {
                    self.tell(format!("{from} said the same twice; once was kept"));
                } else if !before.is_empty() && !goes_on {
                    // One of them answers an earlier request, and nothing tells which one.
                    self.tell(format!("dropped two different answers of {from} to one request"));
                    self.spoilt.insert(from);
                } else {
                    self.spoilt.remove(&from);
                    self.replies.push(reply);
                }
                if let Phase::Waiting(until) = self.phase
                    && goes_on
                {
                    // The next one has as long as the first; a module that never comes to an end is not listened to.
                    let limit = self.asked_ns.unwrap_or(now).saturating_add(MAX_PENDING_NS);
                    self.phase = Phase::Waiting(until.max(now.saturating_add(self.p2_ns).min(limit)));
                }
            }
        }
        true
    }

    /// Whether this may be one of several messages that the module answers with: on networks without segmentation.
    fn may_go_on(&self, reply: &Reply) -> bool {
        matches!(reply.from, Address::Node(_))
            && reply.bytes.first() != Some(&NEGATIVE)
            && comes_in_pieces(&self.request.bytes)
    }

    /// A message that answers something else came while this was waited for.
    pub fn stranger(&mut self, from: Address, bytes: &[u8]) {
        let shown = Hex::from(bytes.get(..8).unwrap_or(bytes));
        self.tell(format!("dropped an answer of {from} to something else: {shown}"));
    }

    /// What is to be done at `now`.
    pub fn poll(&mut self, now: Nanos) -> Turn {
        match self.phase {
            Phase::ToSend => {
                self.asked_ns.get_or_insert(now);
                // Every carrier says earlier that it failed; this is for one that does not.
                let until = now.saturating_add(MAX_PENDING_NS);
                self.phase = Phase::Sending(until);
                Turn::Send
            }
            Phase::Sending(until) if until <= now => {
                self.problems.push("the request could not be sent in time".to_owned());
                self.phase = Phase::Over;
                Turn::Over
            }
            Phase::Sending(until) => Turn::Wait(until),
            Phase::Waiting(until) => self.wait(until, now),
            Phase::Over => Turn::Over,
        }
    }

    fn wait(&mut self, until: Nanos, now: Nanos) -> Turn {
        let longest = longest_pending_ns(&self.request, self.p2_star_ns);
        let give_up = self.first_pending_ns.map(|first| first.saturating_add(longest));
        let problems = &mut self.problems;
        self.pending.retain(|from, until| {
            let is_over = *until <= now || give_up.is_some_and(|give_up| give_up <= now);
            if is_over {
                problems.push(format!("{from} asked for more time and did not answer within it"));
            }
            !is_over
        });
        let is_open = !self.begun.is_empty() || !self.pending.is_empty();
        let is_whole = |reply: &Reply| !self.may_go_on(reply);
        let is_complete = match self.request.to {
            Target::Module(to) => {
                self.replies.iter().any(|reply| reply.from == to && is_whole(reply)) || self.spoilt.contains(&to)
            }
            Target::Everyone | Target::Anyone(_) => {
                let has_all = |n| self.replies.len() + self.spoilt.len() >= n && self.replies.iter().all(is_whole);
                self.request.n_replies.is_some_and(has_all) && !is_open
            }
        } || self.request.n_replies == Some(0);
        if !is_complete && (until > now || is_open) {
            let timers = self.pending.values().copied().chain(give_up).min();
            // A long answer ends by itself; until then the first wait has nothing to say.
            let first = (until > now).then_some(until);
            return Turn::Wait([timers, first].into_iter().flatten().min().unwrap_or(now.saturating_add(S)));
        }
        if self.is_damaged && self.n_repeats < MAX_REPEATS && only_reads(&self.request.bytes) {
            self.n_repeats += 1;
            self.is_damaged = false;
            self.replies.clear();
            self.spoilt.clear();
            self.phase = Phase::ToSend;
            return self.poll(now);
        }
        self.phase = Phase::Over;
        Turn::Over
    }

    /// Whether it was asked more than once: as many answers may come.
    #[must_use]
    pub fn is_repeated(&self) -> bool {
        self.n_repeats > 0
    }

    /// What came of it.
    #[must_use]
    pub fn finish(mut self, now: Nanos) -> (Request, Exchange) {
        self.replies.retain(|reply| !self.spoilt.contains(&reply.from));
        let asked_ns = self.asked_ns.unwrap_or(now);
        (self.request, Exchange { asked_ns, over_ns: now, replies: self.replies, problems: self.problems })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Nanos = 1_000_000;
    const P2: Nanos = 100 * MS;
    const ENGINE: Address = Address::from_reply11(0x7E8);
    const GEARBOX: Address = Address::from_reply11(0x7E9);

    fn dialogue(to: Target, bytes: &[u8], n_replies: Option<usize>) -> Dialogue {
        let mut dialogue = Dialogue::new(Request { to, bytes: bytes.to_vec(), n_replies }, P2);
        assert_eq!(dialogue.poll(0), Turn::Send);
        dialogue.sent(0);
        dialogue
    }

    #[test]
    fn the_first_answer_of_one_module_ends_it() {
        let mut one = dialogue(Target::Module(ENGINE), &[0x22, 0xF1, 0x90], None);
        assert_eq!(one.poll(0), Turn::Wait(P2));
        assert!(!one.message(ENGINE, vec![0x62, 0xF1, 0x91, 0], MS), "the answer to something else");
        assert!(one.message(ENGINE, vec![0x62, 0xF1, 0x90, 0x31], 5 * MS));
        assert_eq!(one.poll(5 * MS), Turn::Over);
        let (_, exchange) = one.finish(5 * MS);
        assert_eq!(exchange.replies.first().map(|reply| reply.arrived_ns), Some(5 * MS));
        assert_eq!(exchange.problems, [] as [String; 0]);
    }

    /// ISO 14229-2: each "response pending" gives P2* from then on.
    #[test]
    fn pending_is_waited_out() {
        let mut one = dialogue(Target::Module(ENGINE), &[0x31, 1, 2, 3], None);
        assert!(one.message(ENGINE, vec![0x7F, 0x31, 0x78], 50 * MS));
        assert_eq!(one.poll(200 * MS), Turn::Wait(50 * MS + P2_STAR_NS));
        assert!(one.message(ENGINE, vec![0x7F, 0x31, 0x78], 4 * S));
        assert_eq!(one.poll(5 * S), Turn::Wait(4 * S + P2_STAR_NS));
        assert_eq!(one.poll(9 * S), Turn::Over);
        let (_, exchange) = one.finish(9 * S);
        assert!(exchange.replies.is_empty());
        assert!(exchange.problems.iter().any(|problem| problem.contains("asked for more time")), "{exchange:?}");
    }

    /// A module may tell another P2* than is usual when a session opens (ISO 14229-1).
    #[test]
    fn another_time_after_pending_is_kept() {
        let request = Request { to: Target::Module(ENGINE), bytes: vec![0x22, 0xF1, 0x90], n_replies: None };
        let mut one = Dialogue::new(request, P2).with_p2_star(2 * S);
        assert!(!one.expects(ENGINE), "nothing was asked yet");
        assert_eq!(one.poll(0), Turn::Send);
        assert_eq!(one.poll(MS), Turn::Wait(MAX_PENDING_NS), "on its way");
        assert!(one.expects(ENGINE) && !one.expects(GEARBOX));
        one.sent(MS);
        assert!(one.message(ENGINE, vec![0x7F, 0x22, 0x78], 50 * MS));
        assert_eq!(one.poll(200 * MS), Turn::Wait(50 * MS + 2 * S));
        let all = dialogue(Target::Everyone, &[0x01, 0x00], None);
        assert!(all.expects(ENGINE) && all.expects(GEARBOX));
    }

    #[test]
    fn a_request_that_never_leaves_is_given_up() {
        let request = Request { to: Target::Module(ENGINE), bytes: vec![0x22, 0xF1, 0x90], n_replies: None };
        let mut one = Dialogue::new(request, P2);
        assert_eq!(one.poll(0), Turn::Send);
        assert_eq!(one.poll(MAX_PENDING_NS - 1), Turn::Wait(MAX_PENDING_NS));
        assert_eq!(one.poll(MAX_PENDING_NS), Turn::Over);
        one.failed("too late to matter".to_owned(), true);
        one.nobody();
        assert_eq!(one.poll(MAX_PENDING_NS), Turn::Over);
        assert_eq!(one.finish(MAX_PENDING_NS).1.problems.len(), 1);
    }

    /// Reading is tried three times in all; acting, and what no repetition cures, once.
    #[test]
    fn a_failed_request_is_sent_again_where_that_can_help() {
        for (bytes, is_damage, times) in [([0x22, 1, 2], true, 3), ([0x22, 1, 2], false, 1), ([0x14, 1, 2], true, 1)] {
            let request = Request { to: Target::Module(ENGINE), bytes: bytes.to_vec(), n_replies: None };
            let mut one = Dialogue::new(request, P2);
            let mut sent = 0;
            while one.poll(MS) == Turn::Send {
                sent += 1;
                one.failed("the line was lost".to_owned(), is_damage);
            }
            assert_eq!((sent, one.finish(MS).1.problems.len()), (times, times), "{bytes:02X?} {is_damage}");
        }
        let request = Request { to: Target::Module(ENGINE), bytes: vec![0x22, 1, 2], n_replies: None };
        let mut one = Dialogue::new(request, P2);
        assert_eq!(one.poll(0), Turn::Send);
        one.nobody();
        assert_eq!(one.poll(0), Turn::Over);
        assert_eq!(one.finish(0).1.problems, [] as [String; 0]);
    }

    #[test]
    fn answers_that_contradict_each_other_are_dropped() {
        let answer = |last| vec![0x41, 0, 1, 2, 3, last];
        let mut all = dialogue(Target::Everyone, &[0x01, 0x00], None);
        assert!(all.message(ENGINE, answer(4), MS) && all.message(ENGINE, answer(4), 2 * MS));
        assert!(all.message(GEARBOX, answer(4), MS) && all.message(GEARBOX, answer(5), 2 * MS));
        // A stray frame behind the answer no longer matters.
        all.broken(ENGINE, "a continuation came where none was due");
        all.stranger(ENGINE, &[0x62, 1, 2, 3, 4, 5, 6, 7, 8, 9]);
        all.trouble("the adapter said something".to_owned());
        all.trouble("the adapter said something".to_owned());
        assert_eq!(all.poll(P2), Turn::Over);
        let (_, exchange) = all.finish(P2);
        assert_eq!(exchange.replies, [Reply { from: ENGINE, bytes: answer(4), arrived_ns: MS }]);
        let told = ["said the same twice", "two different answers", "62 01 02 03 04 05 06 07", "the adapter said"];
        assert_eq!(exchange.problems.len(), told.len(), "{:?}", exchange.problems);
        assert!(exchange.problems.iter().zip(told).all(|(problem, told)| problem.contains(told)), "{exchange:?}");
        assert!(!exchange.problems.iter().any(|problem| problem.contains("08 09")), "eight bytes are shown");
        // A second long answer of the same module that breaks off is another matter.
        let mut all = dialogue(Target::Everyone, &[0x04], None);
        assert!(all.message(ENGINE, vec![0x44], MS));
        all.begun(ENGINE);
        all.broken(ENGINE, "lost");
        assert_eq!(all.poll(P2), Turn::Over);
        let (_, exchange) = all.finish(P2);
        assert_eq!((exchange.replies.len(), exchange.problems.len()), (0, 1));
    }

    /// A module that cannot be understood is not waited for either.
    #[test]
    fn all_known_have_spoken_also_where_one_is_spoilt() {
        let mut all = dialogue(Target::Everyone, &[0x04], Some(2));
        assert!(all.message(ENGINE, vec![0x44], MS));
        assert_eq!(all.poll(MS), Turn::Wait(P2));
        all.broken(GEARBOX, "lost");
        assert_eq!(all.poll(2 * MS), Turn::Over);
        let mut long = dialogue(Target::Everyone, &[0x09, 0x02], Some(1));
        long.begun(ENGINE);
        assert_eq!(long.poll(P2), Turn::Wait(P2 + S), "a long answer ends by itself");
    }

    /// The limits are those of this program: twice P2* for what only reads, 30 s for what acts.
    #[test]
    fn a_module_that_asks_for_more_time_without_end_is_given_up() {
        for (service, longest_ns) in [(0x22, 10 * S), (0x31, 30 * S)] {
            let mut one = dialogue(Target::Module(ENGINE), &[service, 1, 2, 3], None);
            let mut now = 0;
            while one.poll(now) != Turn::Over {
                now += 50 * MS;
                assert!(one.message(ENGINE, vec![0x7F, service, 0x78], now));
                assert!(now <= longest_ns + S, "{now}");
            }
            assert!(now >= longest_ns, "{now}");
            let (_, exchange) = one.finish(now);
            assert_eq!((exchange.replies.len(), exchange.problems.len()), (0, 1), "{exchange:?}");
        }
    }

    /// SAE J1979 on ISO 9141-2 and ISO 14230-4, from memory: a VIN comes in five messages of four bytes each, a refusal is
    /// one. On CAN a second answer is one too many.
    #[test]
    fn on_a_k_line_an_answer_may_be_several_messages() {
        let vin = [&[0; 3][..], b"1G4AH59H45G118341"].concat();
        let pieces: Vec<Vec<u8>> =
            (1..).zip(vin.chunks(4)).map(|(n, piece)| [&[0x49, 0x02, n], piece].concat()).collect();
        let (engine, gearbox) = (Address::Node(0x11), Address::Node(0x18));
        for (to, n_replies) in [(Target::Everyone, None), (Target::Everyone, Some(1)), (Target::Module(engine), None)] {
            let mut one = dialogue(to, &[0x09, 0x02], n_replies);
            let mut now = 0;
            for piece in &pieces {
                // Later than the first wait in all, but never longer than it between two.
                now += P2 - MS;
                assert_eq!(one.poll(now), Turn::Wait(now + MS), "{to:?}");
                assert!(one.message(engine, piece.clone(), now));
            }
            assert_eq!(one.poll(now + P2), Turn::Over);
            let (_, exchange) = one.finish(now + P2);
            assert_eq!(
                exchange.replies.iter().map(|reply| &reply.bytes).collect::<Vec<_>>(),
                pieces.iter().collect::<Vec<_>>()
            );
            assert_eq!(exchange.problems, [] as [String; 0]);
        }
        let mut refused = dialogue(Target::Module(engine), &[0x09, 0x02], None);
        assert!(refused.message(engine, vec![0x7F, 0x09, 0x11], MS));
        assert_eq!(refused.poll(MS), Turn::Over);
        let mut endless = dialogue(Target::Everyone, &[0x03], None);
        let mut now = 0;
        while endless.poll(now) != Turn::Over {
            now += 50 * MS;
            let [.., high, low] = now.to_be_bytes();
            assert!(endless.message(gearbox, vec![0x43, high, low, 0, 0, 0, 0], now));
            assert!(now <= MAX_PENDING_NS, "{now}");
        }
    }

    #[test]
    fn noise_without_end_takes_no_memory() {
        let mut one = dialogue(Target::Module(ENGINE), &[0x22, 0xF1, 0x90], None);
        for number in 0..100_000_u32 {
            one.trouble(format!("something unreadable: {number}"));
            one.stranger(ENGINE, &number.to_be_bytes());
        }
        assert!(one.message(ENGINE, vec![0x62, 0xF1, 0x90, 0x31], MS));
        assert_eq!(one.poll(MS), Turn::Over);
        let (_, exchange) = one.finish(MS);
        assert_eq!((exchange.replies.len(), exchange.problems.len()), (1, MAX_PROBLEMS + 1));
        assert!(exchange.problems.last().is_some_and(|last| last.starts_with("there was more")));
    }

    #[test]
    fn everyone_is_waited_for_until_all_known_have_answered() {
        let mut all = dialogue(Target::Everyone, &[0x01, 0x00], Some(2));
        all.begun(GEARBOX);
        assert!(all.message(ENGINE, vec![0x41, 0, 1, 2, 3, 4], 5 * MS));
        assert!(matches!(all.poll(150 * MS), Turn::Wait(_)), "a long answer is coming in");
        assert!(all.message(GEARBOX, vec![0x41, 0, 1, 2, 3, 4], 160 * MS));
        assert_eq!(all.poll(160 * MS), Turn::Over);
        let mut unknown = dialogue(Target::Everyone, &[0x01, 0x00], None);
        assert!(unknown.message(ENGINE, vec![0x41, 0, 1, 2, 3, 4], 5 * MS));
        assert_eq!(unknown.poll(5 * MS), Turn::Wait(P2));
        assert_eq!(unknown.poll(P2), Turn::Over);
    }

    #[test]
    fn damage_is_asked_for_again_where_that_is_harmless() {
        let mut read = dialogue(Target::Module(ENGINE), &[0x22, 0xF1, 0x90], None);
        read.begun(ENGINE);
        read.broken(ENGINE, "continuation 2 came where 1 was due");
        assert_eq!(read.poll(10 * MS), Turn::Send);
        read.sent(10 * MS);
        assert!(read.message(ENGINE, vec![0x62, 0xF1, 0x90, 0x31], 15 * MS));
        assert_eq!(read.poll(15 * MS), Turn::Over);
        let (_, exchange) = read.finish(15 * MS);
        // Nothing tells whether what came answers the repeat or, late, the first: it is no older than the first.
        assert_eq!((exchange.replies.len(), exchange.problems.len(), exchange.asked_ns), (1, 1, 0));
        let mut act = dialogue(Target::Module(ENGINE), &[0x2F, 0xD0, 0x01, 0x03, 0x01], None);
        act.begun(ENGINE);
        act.broken(ENGINE, "lost");
        assert_eq!(act.poll(10 * MS), Turn::Over, "what acts is not done twice");
    }

    #[test]
    fn nobody_is_a_normal_answer_and_no_answer_can_be_wanted() {
        let mut nobody = dialogue(Target::Everyone, &[0x01, 0x00], None);
        assert_eq!(nobody.poll(P2), Turn::Over);
        let mut unanswered = dialogue(Target::Module(ENGINE), &[0x3E, 0x80], Some(0));
        assert_eq!(unanswered.poll(0), Turn::Over);
        let (_, exchange) = nobody.finish(P2);
        assert!(exchange.replies.is_empty() && exchange.problems.is_empty());
    }
}
