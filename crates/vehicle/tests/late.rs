//! Answers that come too late: what is in them is kept, at its own time.
//!
//! A CAN adapter of our own plays them on a virtual clock, with one module behind it. That a module has to answer within
//! 50 ms: P2 max of ISO 15765-4, from memory. Layouts: SAE J1979, service 01.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use common::{Keep, S, ids};
use definition::Definitions;
use link::can::{CanDial, CanPort, Incoming, Mode};
use link::{LinkError, PortError, Settings};
use protocol::{CanFrame, CanId, Nanos};
use vehicle::{Plan, Vehicle};

const MS: Nanos = 1_000_000;
/// How long the module usually takes.
const PROMPT: Nanos = 5 * MS;
const THREE: [&str; 3] = ["engine.load", "intake.manifold_pressure", "vehicle.speed"];

/// How long the module takes for the n-th request for all three values, from 0.
type Delay = fn(usize) -> Nanos;

struct Bench {
    now: Nanos,
    answers: VecDeque<(Nanos, CanFrame)>,
    delay: Delay,
    /// When each request for all three values was sent.
    asked: Vec<Nanos>,
}

#[derive(Clone)]
struct Played(Arc<Mutex<Bench>>);

impl CanDial for Played {
    fn address(&self) -> &'static str {
        "played"
    }

    fn dial(&mut self, _: u16, _: Mode) -> Result<Box<dyn CanPort>, LinkError> {
        Ok(Box::new(self.clone()))
    }

    fn bit_rates(&self) -> Vec<u16> {
        vec![500]
    }

    fn about(&self) -> String {
        "played".to_owned()
    }

    fn now(&self) -> Nanos {
        self.0.lock().unwrap().now
    }

    fn pause(&mut self, nanos: Nanos) {
        self.0.lock().unwrap().now += nanos;
    }
}

impl CanPort for Played {
    fn now(&self) -> Nanos {
        self.0.lock().unwrap().now
    }

    fn send(&mut self, frame: &CanFrame) -> Result<(), PortError> {
        if !matches!(frame.id, CanId::Standard(0x7DF | 0x7E0)) {
            return Ok(());
        }
        let mut bench = self.0.lock().unwrap();
        let n = usize::from(frame.data[0]);
        let request = &frame.data[1..=n];
        let mut delay = PROMPT;
        let answer: Vec<u8> = match request {
            // Of 01 to 20 it has 04, 0B and 0D.
            [0x01, 0x00] => vec![0x41, 0x00, 0x10, 0x28, 0x00, 0x00],
            [0x01, 0x04, 0x0B, 0x0D] => {
                delay = (bench.delay)(bench.asked.len());
                let now = bench.now;
                bench.asked.push(now);
                // The load counts the requests.
                let load = bench.asked.len() as u8;
                vec![0x41, 0x04, load, 0x0B, 90, 0x0D, 50]
            }
            [0x01, 0x04] => vec![0x41, 0x04, 0],
            [0x01, 0x0B] => vec![0x41, 0x0B, 90],
            [0x01, 0x0D] => vec![0x41, 0x0D, 50],
            _ => return Ok(()),
        };
        let mut data = vec![answer.len() as u8];
        data.extend(answer);
        data.resize(8, 0xCC);
        let at = bench.now + delay;
        bench.answers.push_back((at, CanFrame { id: CanId::Standard(0x7E8), data, is_fd: false }));
        Ok(())
    }

    fn receive_until(&mut self, deadline: Nanos) -> Result<Option<(Nanos, Incoming)>, PortError> {
        let mut bench = self.0.lock().unwrap();
        let next = bench.answers.iter().enumerate().min_by_key(|(_, (at, _))| *at).map(|(idx, (at, _))| (idx, *at));
        if let Some((idx, at)) = next.filter(|(_, at)| *at <= deadline) {
            let (_, frame) = bench.answers.remove(idx).unwrap();
            bench.now = bench.now.max(at);
            return Ok(Some((at, Incoming::Frame(frame))));
        }
        bench.now = bench.now.max(deadline);
        Ok(None)
    }
}

/// Ten seconds of three values that come in one answer.
fn drive(delay: Delay) -> (Plan, Keep, Vec<Nanos>) {
    let bench = Bench { now: 0, answers: VecDeque::new(), delay, asked: Vec::new() };
    let played = Played(Arc::new(Mutex::new(bench)));
    let link = link::can::start(Box::new(played.clone()), Settings { bus: None, need_vehicle: true }).unwrap();
    let mut vehicle = Vehicle::find(link).unwrap();
    let mut plan = vehicle.plan(&ids(&THREE), &Definitions::standard()).unwrap();
    let start_ns = CanDial::now(&played);
    let mut keep = Keep { until_ns: Some(10 * S), ..Keep::default() };
    vehicle.sample(&mut plan, &mut keep).unwrap();
    let asked = played.0.lock().unwrap().asked.iter().map(|at| at - start_ns).collect();
    (plan, keep, asked)
}

#[test]
fn a_late_answer_is_kept_with_its_own_times() {
    let (plan, keep, asked) = drive(|n| if n == 100 { 170 * MS } else { PROMPT });
    let loads = keep.values(&plan, "engine.load");
    // The share of full load is a byte of 255ths (SAE J1979): each number once, the late one too.
    let numbers: Vec<u8> = loads.iter().map(|(_, load)| (load * 2.55).round() as u8).collect();
    let expected: Vec<u8> = (1..=asked.len()).map(|n| n as u8).collect();
    assert_eq!(numbers[..], expected[..numbers.len()]);
    assert!(asked.len() - numbers.len() <= 1, "the last one may be under way");
    let late = keep.samples.iter().find(|(_, sample)| sample.t_ns - sample.asked_ns > 100 * MS).unwrap().1;
    assert_eq!((late.asked_ns, late.t_ns), (asked[100], asked[100] + 170 * MS));
    let (_, raw) = keep.exchanges.iter().find(|(number, _)| *number == late.exchange).unwrap();
    assert_eq!(raw.exchange.replies[0].bytes[..3], [0x41, 0x04, 101], "its bytes are kept too");
}
