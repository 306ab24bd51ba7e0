//! Car, adapter and serial line under one clock.

use crate::bus::{BusKind, CanFrame, KLine};
use crate::car::Car;
use crate::face::{Face, Wire};
use crate::physics::Commands;
use crate::truth::Kept;
use protocol::Nanos;
use std::collections::VecDeque;

/// The stand-in as a tester meets it: bytes with times in, bytes with times out. Deterministic; reads no clock.
#[derive(Debug)]
pub(crate) struct Rig {
    car: Car,
    face: Box<dyn Face>,
    now: Nanos,
    /// Characters on their way to the adapter, with the time at which each has arrived there.
    inbox: VecDeque<(Nanos, u8)>,
    inbox_free: Nanos,
    /// One way, ns: what a radio link or a USB converter adds in each direction.
    latency: Nanos,
}

struct CarWire<'a>(&'a mut Car);

impl Wire for CarWire<'_> {
    fn transmit(&mut self, at: Nanos, bus: BusKind, frame: CanFrame) -> bool {
        self.0.transmit(at, bus, frame)
    }

    fn volts(&mut self, at: Nanos) -> f64 {
        self.0.volts(at)
    }

    fn kbit_s(&self) -> u32 {
        self.0.kbit_s()
    }

    fn k_line(&self) -> Option<KLine> {
        self.0.k_line()
    }

    fn k_answers(&self, to: u8) -> bool {
        self.0.k_answers(to)
    }

    fn k_ask(&mut self, at: Nanos, to: u8, request: &[u8]) -> Vec<(Nanos, Vec<u8>)> {
        self.0.k_ask(at, to, request)
    }
}

impl Rig {
    pub(crate) fn new(car: Car, face: Box<dyn Face>, latency: Nanos) -> Self {
        Self { car, face, now: 0, inbox: VecDeque::new(), inbox_free: 0, latency }
    }

    /// The clock.
    #[must_use]
    pub(crate) fn now(&self) -> Nanos {
        self.now
    }

    /// The tester starts to send these bytes now.
    pub(crate) fn write(&mut self, bytes: &[u8]) {
        let start = self.now + self.latency;
        for &byte in bytes {
            self.inbox_free = self.inbox_free.max(start) + self.face.char_ns();
            self.inbox.push_back((self.inbox_free, byte));
        }
    }

    /// The tester has gone: what was on its way to it is lost. What it has sent still arrives, and is answered.
    pub(crate) fn hang_up(&mut self) {
        self.face.drop_output();
    }

    /// Moves the car itself on to now. Otherwise it catches up when it is next asked, which after hours of nobody asking
    /// would keep that one waiting.
    pub(crate) fn keep_up(&mut self) {
        self.car.drive_to(self.now);
    }

    /// Keeps from now on what the modules answer.
    pub(crate) fn keep_answers(&mut self) -> Kept {
        self.car.keep_answers()
    }

    /// What testers drive at present.
    pub(crate) fn commands(&self) -> Commands {
        self.car.commands()
    }

    /// Lets time pass until `to`.
    pub(crate) fn advance(&mut self, to: Nanos) {
        while let Some(next) = self.next_inner().filter(|&next| next <= to) {
            self.step(next);
        }
        self.now = self.now.max(to);
    }

    /// Lets time pass until a byte has arrived at the tester or `deadline` has come; returns how many were put into
    /// `buffer`.
    pub(crate) fn read(&mut self, deadline: Nanos, buffer: &mut [u8]) -> usize {
        loop {
            let arrival = self.next_arrival();
            match (arrival, self.next_inner()) {
                // Nothing that is still to happen inside can make a byte come earlier.
                (Some(arrival), inner) if arrival <= deadline && inner.is_none_or(|inner| inner >= arrival) => {
                    self.now = self.now.max(arrival);
                    break;
                }
                (_, Some(inner)) if inner <= deadline => self.step(inner),
                _ => {
                    self.now = self.now.max(deadline);
                    break;
                }
            }
        }
        let mut n = 0;
        for slot in buffer {
            let Some((_, byte)) = self.face.take_output(self.now - self.latency) else { break };
            *slot = byte;
            n += 1;
        }
        n
    }

    /// When the next byte that is already under way will have arrived.
    #[must_use]
    pub(crate) fn next_arrival(&self) -> Option<Nanos> {
        self.face.next_output().map(|at| at + self.latency)
    }

    /// When anything will happen next: inside, or a byte at the tester.
    #[must_use]
    pub(crate) fn next_event(&self) -> Option<Nanos> {
        [self.next_inner(), self.next_arrival()].into_iter().flatten().min()
    }

    fn next_inner(&self) -> Option<Nanos> {
        let typed = self.inbox.front().map(|(at, _)| *at);
        [typed, self.face.deadline(), self.car.next_event()].into_iter().flatten().min()
    }

    /// Does everything that is due at `at`.
    fn step(&mut self, at: Nanos) {
        self.now = self.now.max(at);
        while let Some((arrived, frame)) = self.car.advance(at) {
            self.face.frame(arrived, &frame, &mut CarWire(&mut self.car));
        }
        while let Some((arrived, byte)) = self.inbox.pop_front_if(|(arrived, _)| *arrived <= at) {
            self.face.byte(arrived, byte);
        }
        self.face.tick(at, &mut CarWire(&mut self.car));
    }
}
