//! Answers that may still come.
//!
//! A line that stalls for longer than an answer may take brings it all the same, and a machine that is busy reads it late. It
//! is then handed on with the time at which it was asked for. Yet the next request of the same kind would get it, the one
//! after that the next one's, and so on: every value would be one request older than it seems. So after an answer that did
//! not come the module is first asked something whose answer cannot be mistaken, a sign of life. Messages of one module come
//! in the order in which it sent them: once an answer is there, nothing older will come any more. Signs of life are all alike,
//! though: where earlier ones did not come, the first that comes is the first of those.

use std::collections::BTreeSet;

use protocol::exchange::{Fit, fit, only_reads};
use protocol::obd::current;
use protocol::uds::tester_present;
use protocol::{Address, Nanos};

use crate::{Exchange, Reply, Request, Target};

/// How long an answer may still come after its request was given up: a machine or a network that is busy for a moment is
/// later than any module (no source).
const LATE_NS: Nanos = 1_000_000_000;

/// How long a module is asked for nothing but a sign of life: P2* of ISO 14229-2. One that is silent for longer either is not
/// there, and loses nothing by it, or does not know the question.
const SETTLE_NS: Nanos = 5_000_000_000;

/// After which time nothing comes any more: lines that stall for some seconds, several times, and bring everything in the end
/// have been seen in simulations only (no source).
const FORGOTTEN_NS: Nanos = 15_000_000_000;

/// What every module that has this service answers, and in another way than anything else of it.
fn question(service: u8) -> Vec<u8> {
    match service {
        0x01..=0x0A => current::request(&[0x00]),
        _ => tester_present::request(true),
    }
}

/// Whether it is that question.
fn is_sign_of_life(request: &Request) -> bool {
    request.bytes.first().is_some_and(|service| request.bytes == question(*service))
}

/// Requests to one module that only read and were given up without an answer. Others are sent as they are: to give control
/// back must not wait for anything.
#[derive(Debug, Default)]
pub(super) struct Owed {
    /// In the order in which they were given up, signs of life too.
    missed: Vec<(Request, Exchange)>,
    /// Modules that did not answer the question, and may answer others.
    deaf: BTreeSet<Address>,
}

/// Whether an answer to this request that may still come could pass for that to another one.
fn is_mistakable(request: &Request, deaf: &BTreeSet<Address>) -> bool {
    !is_sign_of_life(request) && matches!(request.to, Target::Module(module) if !deaf.contains(&module))
}

impl Owed {
    /// What has to be asked before this request, so that the answer that it gets is its own; `None`: it may be sent.
    pub(super) fn before(&self, request: &Request) -> Option<Request> {
        let service = *request.bytes.first()?;
        let is_alike = |missed: &Request| missed.to == request.to && missed.bytes.first() == Some(&service);
        let is_mistakable = |request: &Request| is_mistakable(request, &self.deaf);
        let is_owed =
            is_mistakable(request) && self.missed.iter().any(|(missed, _)| is_alike(missed) && is_mistakable(missed));
        is_owed.then(|| Request { to: request.to, bytes: question(service), n_replies: Some(1) })
    }

    /// An exchange is over. One that is answered settles everything that came before it; one that was asked more than once
    /// may be answered as often.
    pub(super) fn over(&mut self, request: &Request, exchange: &Exchange, is_repeated: bool) {
        let Target::Module(module) = request.to else { return };
        let is_answered = exchange.replies.iter().any(|reply| reply.from == module);
        let Self { missed, deaf } = self;
        let now = exchange.over_ns;
        missed.retain(|(missed, exchange)| is_mistakable(missed, deaf) || now - exchange.over_ns < FORGOTTEN_NS);
        let first = missed.iter().position(|(missed, _)| is_answered && is_sign_of_life(missed) && missed == request);
        let answered_ns = first.map_or(exchange.asked_ns, |first| missed.remove(first).1.asked_ns);
        if is_answered {
            self.settle(request.to, answered_ns);
        }
        if first.is_some() || is_repeated || (!is_answered && only_reads(&request.bytes)) {
            self.missed.push((request.clone(), Exchange { replies: Vec::new(), ..exchange.clone() }));
        }
    }

    /// Whether this message is the late answer to a request, the oldest that it fits; that request and their exchange go to
    /// `late`, unless it is so late that it may be the answer to a lost one.
    pub(super) fn answered(&mut self, reply: &Reply, late: &mut Vec<(Request, Exchange)>) -> bool {
        let fits = |request: &Request| {
            request.to == Target::Module(reply.from) && fit(reply.from, &request.bytes, &reply.bytes) == Fit::Answer
        };
        let Some(at) = self.missed.iter().position(|(request, _)| fits(request)) else { return false };
        let (request, mut exchange) = self.missed.remove(at);
        if is_sign_of_life(&request) {
            // It knows the question after all.
            self.deaf.remove(&reply.from);
        }
        self.settle(request.to, exchange.asked_ns);
        if reply.arrived_ns - exchange.over_ns < LATE_NS {
            exchange.over_ns = reply.arrived_ns;
            exchange.replies.push(reply.clone());
            late.push((request, exchange));
        }
        true
    }

    /// What was asked to find out whether the module owes anything was not answered; whether it is to be waited for further.
    pub(super) fn silent(&mut self, to: Target, now: Nanos) -> bool {
        let Self { missed, deaf } = self;
        let mut owed = missed.iter().filter(|(request, _)| request.to == to && is_mistakable(request, deaf));
        let Some((_, first)) = owed.next() else { return false };
        let is_over = now - first.over_ns > SETTLE_NS;
        if let Target::Module(module) = to
            && is_over
        {
            deaf.insert(module);
        }
        !is_over
    }

    /// Nothing that the module was asked up to then is answered any more.
    fn settle(&mut self, to: Target, asked_ns: Nanos) {
        self.missed.retain(|(request, exchange)| request.to != to || exchange.asked_ns > asked_ns);
    }
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;

    use protocol::Nanos;

    use crate::direct::{Carrier, DirectLink, Told};
    use crate::{Hearing, Link, LinkError, LinkInfo, Reply, Settings, Wanted};

    use super::*;

    const MS: Nanos = 1_000_000;

    fn asking(module: Address, bytes: &[u8]) -> Request {
        Request { to: Target::Module(module), bytes: bytes.to_vec(), n_replies: Some(1) }
    }

    /// The request that a message answers late, and their exchange.
    fn late(owed: &mut Owed, reply: &Reply) -> Option<(Request, Exchange)> {
        let mut late = Vec::new();
        owed.answered(reply, &mut late);
        late.pop()
    }

    /// A line to one module that answers at once and counts its answers; the line stalls once.
    #[derive(Default)]
    struct Stalling {
        now: Nanos,
        told: VecDeque<(Nanos, Told)>,
        n_read: u8,
        /// The number of the answer before which the line stalls, and until when nothing passes.
        stalls_at: u8,
        stalled_until: Nanos,
        /// All that the module was asked.
        asked: Vec<Vec<u8>>,
        /// One that never answers.
        mute: Option<Address>,
    }

    impl Carrier for Stalling {
        fn address(&self) -> &str {
            "test"
        }

        fn now(&self) -> Nanos {
            self.now
        }

        fn pause(&mut self, nanos: Nanos) {
            self.now += nanos;
        }

        fn open(&mut self, info: &mut LinkInfo, _: Settings) -> Result<(), LinkError> {
            info.bus = Some(protocol::Bus::Doip);
            Ok(())
        }

        fn search(&mut self, _: &mut LinkInfo) -> Result<(), LinkError> {
            Ok(())
        }

        fn close(&mut self) {}

        fn is_open(&self) -> bool {
            true
        }

        fn p2_ns(&self, _: Target) -> Nanos {
            50 * MS
        }

        fn n_parallel(&self) -> usize {
            4
        }

        fn send(&mut self, to: Target, message: &[u8]) -> Result<(), LinkError> {
            let Target::Module(from) = to else { return Ok(()) };
            self.asked.push(message.to_vec());
            self.told.push_back((self.now, Told::Sent(to)));
            if self.mute == Some(from) {
                return Ok(());
            }
            let mut bytes = vec![message[0] + 0x40, message[1]];
            if message[1] == 0x0C {
                self.n_read += 1;
                bytes.push(self.n_read);
                if self.n_read == self.stalls_at {
                    self.stalled_until = self.now + 700 * MS;
                }
            }
            let arrived_ns = (self.now + 5 * MS).max(self.stalled_until);
            self.told.push_back((arrived_ns, Told::Message(Reply { from, bytes, arrived_ns })));
            Ok(())
        }

        fn next(&mut self, until: Nanos) -> Result<Option<Told>, LinkError> {
            let next = self.told.iter().enumerate().min_by_key(|(_, (at, _))| *at).map(|(idx, (at, _))| (idx, *at));
            match next.filter(|(_, at)| *at <= until) {
                Some((idx, at)) => {
                    self.now = self.now.max(at);
                    Ok(self.told.remove(idx).map(|(_, told)| told))
                }
                None => {
                    self.now = self.now.max(until);
                    Ok(None)
                }
            }
        }

        fn listen_to(&mut self, _: &[Wanted]) -> Hearing {
            Hearing::Never
        }

        fn round_trip_ns(&self) -> Option<Nanos> {
            None
        }
    }

    #[test]
    fn a_line_that_stalls_shifts_no_answer_to_the_next_request() {
        let module = Address::from_reply11(0x7E8);
        let carrier = Stalling { stalls_at: 3, ..Stalling::default() };
        let mut link = DirectLink::start(carrier, Settings::default()).expect("open");
        let request = asking(module, &[0x01, 0x0C]);
        let mut answered = Vec::new();
        for _ in 0..40 {
            let exchange = link.exchange(&request).expect("the line is there");
            let n_asked = link.carrier.n_read;
            match exchange.replies.first() {
                // The module counts: the number tells which request it answers.
                Some(reply) => answered.push((reply.bytes[2], n_asked)),
                None => link.pause(100 * MS),
            }
        }
        assert!(answered.len() > 30, "{answered:?}");
        assert!(answered.iter().all(|(answer, request)| answer == request), "{answered:?}");
        // The module is asked something else only as long as it owes an answer.
        let n_markers = link.carrier.asked.iter().filter(|asked| asked[1] == 0x00).count();
        assert!((1..10).contains(&n_markers), "{n_markers}");
    }

    #[test]
    fn while_one_module_is_waited_for_the_others_are_asked() {
        let (mute, well) = (Address::from_reply11(0x7E8), Address::from_reply11(0x7E9));
        let mut link = DirectLink::start(Stalling { mute: Some(mute), ..Stalling::default() }, Settings::default());
        let link = link.as_mut().expect("open");
        let request = |module| asking(module, &[0x01, 0x0C]);
        assert!(link.exchange(&request(mute)).expect("the line is there").replies.is_empty());
        let begun_ns = link.now();
        let exchanges = link.exchange_many(&[request(mute), request(well)]).expect("the line is there");
        assert!(exchanges[0].replies.is_empty());
        assert_eq!((exchanges[1].asked_ns, exchanges[1].replies.len()), (begun_ns, 1));
    }

    #[test]
    fn a_late_sign_of_life_is_not_taken_for_the_next_one() {
        let module = Address::from_reply11(0x7EB);
        let mut owed = Owed::default();
        let request = |bytes: &[u8]| asking(module, bytes);
        let over = |asked_ns, answer: Option<&[u8]>| {
            let over_ns = asked_ns + 50 * MS;
            let replies = answer.map(|bytes| Reply { from: module, bytes: bytes.to_vec(), arrived_ns: over_ns });
            Exchange { asked_ns, over_ns, replies: replies.into_iter().collect(), problems: Vec::new() }
        };
        let value = request(&[0x22, 0xD1, 0x02]);
        let sign = request(&[0x3E, 0x00]);
        // The line stalls while the sign of life is under way; what was asked before it comes, and shows that all is well.
        owed.over(&value, &over(0, None), false);
        assert_eq!(owed.before(&value).as_ref(), Some(&sign));
        owed.over(&sign, &over(100 * MS, None), false);
        let first = Reply { from: module, bytes: vec![0x62, 0xD1, 0x02, 7], arrived_ns: 160 * MS };
        assert_eq!(late(&mut owed, &first).map(|(_, exchange)| exchange.asked_ns), Some(0));
        assert_eq!(owed.before(&value), None);
        owed.over(&value, &over(200 * MS, None), false);
        // What comes now may be the first sign of life, which says nothing about what was asked after it.
        owed.over(&sign, &over(300 * MS, Some(&[0x7E, 0x00])), false);
        assert_eq!(owed.before(&value).as_ref(), Some(&sign));
        // And this at least the second.
        owed.over(&sign, &over(400 * MS, Some(&[0x7E, 0x00])), false);
        assert_eq!(owed.before(&value), None);
    }

    #[test]
    fn the_second_answer_to_a_repeated_request_is_not_taken_for_that_to_the_next_one() {
        let module = Address::from_reply11(0x7E8);
        let mut owed = Owed::default();
        let request = |bytes: &[u8]| asking(module, bytes);
        let says = |value, arrived_ns| Reply { from: module, bytes: vec![0x62, 0xF4, 0x0C, value], arrived_ns };
        let value = request(&[0x22, 0xF4, 0x0C]);
        let answered =
            |asked_ns, replies| Exchange { asked_ns, over_ns: asked_ns + 50 * MS, replies, problems: Vec::new() };
        owed.over(&value, &answered(0, vec![says(7, 40 * MS)]), false);
        assert_eq!(owed.before(&value), None);
        owed.over(&value, &answered(100 * MS, vec![says(8, 140 * MS)]), true);
        assert_eq!(owed.before(&value), Some(request(&[0x3E, 0x00])));
        // It comes while the module is asked for a sign of life, and is as old as the request was first.
        let late = late(&mut owed, &says(9, 160 * MS)).map(|(_, exchange)| (exchange.asked_ns, exchange.replies));
        assert_eq!(late, Some((100 * MS, vec![says(9, 160 * MS)])));
        assert_eq!(owed.before(&value), None);
    }

    #[test]
    fn a_late_answer_settles_what_was_asked_before_it_and_nothing_else() {
        let module = Address::from_reply11(0x7E8);
        let mut owed = Owed::default();
        let request = |bytes: &[u8]| asking(module, bytes);
        let (first, second) = (request(&[0x22, 0xD1, 0x01]), request(&[0x01, 0x0C]));
        for (request, asked_ns) in [(&first, 0), (&second, 100 * MS)] {
            let over_ns = asked_ns + 50 * MS;
            owed.over(request, &Exchange { asked_ns, over_ns, replies: Vec::new(), problems: Vec::new() }, false);
        }
        let reply = Reply { from: module, bytes: vec![0x62, 0xD1, 0x01, 7], arrived_ns: 200 * MS };
        let (request, exchange) = late(&mut owed, &reply).expect("it is late by 150 ms");
        assert_eq!((&request, exchange.asked_ns, exchange.over_ns), (&first, 0, 200 * MS));
        assert_eq!((owed.before(&first), owed.before(&second).is_some()), (None, true));
    }

    /// A line that brings everything 2.4 s late, for so long that the module seems not to know the question.
    #[test]
    fn an_answer_later_than_any_counts_for_the_oldest_request() {
        let module = Address::from_reply11(0x7E8);
        let mut owed = Owed::default();
        let (value, sign) = (asking(module, &[0x01, 0x0C]), asking(module, &[0x01, 0x00]));
        let silence =
            |asked_ns| Exchange { asked_ns, over_ns: asked_ns + 100 * MS, replies: Vec::new(), problems: Vec::new() };
        let says = |bytes: &[u8], arrived_ns| Reply { from: module, bytes: bytes.to_vec(), arrived_ns };
        owed.over(&value, &silence(0), false);
        owed.over(&sign, &silence(5300 * MS), false);
        assert!(!owed.silent(value.to, 5400 * MS));
        owed.over(&value, &silence(5500 * MS), false);
        assert_eq!(owed.before(&value), None, "it is asked without a question first");
        owed.over(&value, &silence(7500 * MS), false);
        // The sign of life comes, and what was asked behind it: by the time it could be that of 7.5 s, which it is not.
        let mut late = Vec::new();
        assert!(owed.answered(&says(&[0x41, 0x00, 0xBE, 0x3F, 0xA8, 0x13], 7700 * MS), &mut late));
        assert_eq!(owed.before(&value), Some(sign), "it knows the question");
        assert!(owed.answered(&says(&[0x41, 0x0C, 1, 1], 7900 * MS), &mut late));
        assert!(late.is_empty(), "{late:?}");
        assert!(owed.answered(&says(&[0x41, 0x0C, 2, 2], 8400 * MS), &mut late));
        assert_eq!(late.iter().map(|(_, exchange)| exchange.asked_ns).collect::<Vec<_>>(), [7500 * MS]);
    }

    #[test]
    fn what_gives_control_back_waits_for_nothing() {
        let module = Address::from_reply11(0x7EB);
        let mut owed = Owed::default();
        let silence = Exchange { asked_ns: 0, over_ns: 1, replies: Vec::new(), problems: Vec::new() };
        for bytes in [vec![0x2F, 0xD1, 0x01, 0x00], vec![0x22, 0xD1, 0x01]] {
            let request = asking(module, &bytes);
            owed.over(&request, &silence, false);
            assert_eq!(owed.before(&request).is_some(), request.bytes[0] == 0x22);
        }
    }

    #[test]
    fn a_module_that_does_not_know_the_question_is_asked_it_no_more() {
        let module = Address::from_reply11(0x7E8);
        let mut owed = Owed::default();
        let request = asking(module, &[0x01, 0x0C]);
        let silence = |over_ns| Exchange { asked_ns: 0, over_ns, replies: Vec::new(), problems: Vec::new() };
        owed.over(&request, &silence(0), false);
        assert!(owed.before(&request).is_some() && owed.silent(request.to, 2000 * MS));
        assert!(owed.before(&request).is_some() && !owed.silent(request.to, 5100 * MS));
        owed.over(&request, &silence(5200 * MS), false);
        assert_eq!(owed.before(&request), None);
    }
}
