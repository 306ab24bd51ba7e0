//! A K-line on a virtual clock, behind an adapter that lets the program begin and keep the conversation.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::sync::{Arc, Mutex, PoisonError};

use link::kline::{self, KLineDial, KLinePort, Start, Started};
use link::{LinkError, PortError, Request, Settings, Target};
use protocol::{Address, Bus};

const MS: i64 = 1_000_000;
const ENGINE: u8 = 0x11;

/// What was said when, and what is still to come.
#[derive(Debug, Default)]
struct Line {
    now_ns: i64,
    sent: Vec<(i64, Vec<u8>)>,
    to_come: Vec<(i64, Vec<u8>)>,
}

/// A module that asks for more time for a routine, and answers 3.1 s later.
#[derive(Debug, Clone, Default)]
struct Slow(Arc<Mutex<Line>>);

impl Slow {
    fn line(&self) -> std::sync::MutexGuard<'_, Line> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl KLinePort for Slow {
    fn now(&self) -> i64 {
        self.line().now_ns
    }

    fn start(&mut self, _: Start, address: u8) -> Result<Option<Started>, PortError> {
        let from = if address == ENGINE { address } else { 0x10 };
        Ok(Some(Started::Answer(vec![0x83, 0xF1, from, 0xC1, 0x8F, 0xEF])))
    }

    fn send(&mut self, message: &[u8]) -> Result<bool, PortError> {
        let mut line = self.line();
        let now_ns = line.now_ns;
        line.sent.push((now_ns, message.to_vec()));
        if message.get(3) == Some(&0x31) {
            line.to_come.push((now_ns + 40 * MS, vec![0x83, 0xF1, ENGINE, 0x7F, 0x31, 0x78]));
            line.to_come.push((now_ns + 3_140 * MS, vec![0x82, 0xF1, ENGINE, 0x71, 0x05]));
        }
        Ok(true)
    }

    fn receive_until(&mut self, deadline: i64) -> Result<Option<(i64, Vec<u8>)>, PortError> {
        let mut line = self.line();
        let next = line.to_come.first().cloned().filter(|(at_ns, _)| *at_ns <= deadline);
        line.now_ns = line.now_ns.max(next.as_ref().map_or(deadline, |(at_ns, _)| *at_ns));
        if next.is_some() {
            line.to_come.remove(0);
        }
        Ok(next)
    }
}

impl KLineDial for Slow {
    fn address(&self) -> &'static str {
        "a line"
    }

    fn dial(&mut self, _: Bus) -> Result<Box<dyn KLinePort>, LinkError> {
        Ok(Box::new(self.clone()))
    }

    fn about(&self) -> String {
        "an adapter".to_owned()
    }

    fn now(&self) -> i64 {
        self.line().now_ns
    }

    fn pause(&mut self, nanos: i64) {
        self.line().now_ns += nanos;
    }
}

/// "Response pending" may be followed by the answer as late as P3 max, 5 s (ISO 14230-2, from memory); nobody speaks before.
#[test]
fn nobody_speaks_while_an_answer_is_pending() {
    let line = Slow::default();
    let settings = Settings { bus: Some(Bus::KwpFast), ..Settings::default() };
    let mut link = kline::start(Box::new(line.clone()), settings).unwrap();
    let routine = Request { to: Target::Module(Address::Node(ENGINE)), bytes: vec![0x31, 0x05], n_replies: Some(1) };
    let exchange = link.exchange(&routine).unwrap();
    let replies: Vec<&[u8]> = exchange.replies.iter().map(|reply| reply.bytes.as_slice()).collect();
    assert_eq!(replies, [&[0x71, 0x05]], "{:?}", exchange.problems);
    assert_eq!(line.line().sent.len(), 1, "{:?}", line.line().sent);
    // Once it is answered, the conversation is kept alive as ever.
    link.pause(4_000 * MS);
    let kept: Vec<Vec<u8>> = line.line().sent.iter().skip(1).map(|(_, message)| message.clone()).collect();
    assert_eq!(kept, [vec![0x82, ENGINE, 0xF1, 0x3E, 0x01]]);
}
