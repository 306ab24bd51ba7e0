//! The whole car: physics, modules and the bus between them, moved on by time alone.

use crate::broadcast::Broadcaster;
use crate::bus::{BusKind, CanBus, CanFrame, CanId, Delivery, Incoming, KLine, Node, NodeTiming, Sender, k_line};
use crate::modules::{Module, Reply};
use crate::physics::{Commands, Physics, State};
use crate::rng::Rng;
use crate::truth::{Answer, Kept};
use protocol::Nanos;

/// Seconds between two looks of the modules' monitors.
const OBSERVE_S: f64 = 0.1;

/// How a module behaves on the bus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Manner {
    pub(crate) timing: NodeTiming,
    /// Probability of answering "busy, repeat the request".
    pub(crate) busy: f64,
    /// Probability of answering "response pending" first, and how long the real answer then takes, ms.
    pub(crate) pending: f64,
    pub(crate) pending_ms: f64,
    /// It then says the same again and again, and never answers.
    pub(crate) pending_forever: bool,
    /// Most parameters in one request of service 01, and most identifiers in one of service 22.
    pub(crate) most_pids: usize,
    pub(crate) most_dids: usize,
    /// P2 and P2* as its session reply tells them, ms; in the extended session it takes nine tenths of them.
    pub(crate) session_ms: Option<(f64, f64)>,
    /// How often it sends by itself (service 2A) at the fast rate, ms; at the medium and slow rate 10 and 100 times that.
    pub(crate) fast_ms: f64,
    /// Spans of silence: from and to, seconds of the car's own time.
    pub(crate) silent_s: Option<(f64, f64)>,
    /// When it starts anew, and how long it says nothing then, seconds of the car's own time and of its length.
    pub(crate) restart_s: Option<(f64, f64)>,
}

impl Manner {
    pub(crate) fn new(base_ms: f64, jitter_ms: f64) -> Self {
        let timing = NodeTiming { base_ms, jitter_ms, flow_ms: 0.2 };
        Self {
            timing,
            busy: 0.0,
            pending: 0.0,
            pending_ms: 300.0,
            pending_forever: false,
            most_pids: 6,
            most_dids: 16,
            session_ms: None,
            fast_ms: 20.0,
            silent_s: None,
            restart_s: None,
        }
    }

    /// Whether it says nothing at this time of the car.
    fn is_silent(&self, time_s: f64) -> bool {
        let starting = self.restart_s.map(|(at, length)| (at, at + length));
        [self.silent_s, starting].into_iter().flatten().any(|(from, to)| (from..to).contains(&time_s))
    }
}

/// A module with its place on the bus.
#[derive(Debug)]
pub(crate) struct Seat {
    pub(crate) module: Box<dyn Module>,
    /// Functional, request and reply identifier.
    pub(crate) ids: [CanId; 3],
    pub(crate) manner: Manner,
}

#[derive(Debug)]
struct Ecu {
    node: Node,
    module: Box<dyn Module>,
    manner: Manner,
    rng: Rng,
    /// When it sends by itself next.
    send_ns: Option<Nanos>,
    /// The request in hand has been answered with "pending" already.
    promised: bool,
    /// How long the answer takes after "pending" in this session, ms; `None`: as its manner says.
    promised_ms: Option<f64>,
    /// It has started anew as its manner says.
    has_restarted: bool,
}

impl Ecu {
    /// Starts anew once it is time for it: sessions, what was defined and what was under way are gone.
    fn restart_when_due(&mut self, time_s: f64) {
        if self.has_restarted || self.manner.restart_s.is_none_or(|(at, _)| time_s < at) {
            return;
        }
        self.has_restarted = true;
        self.module.restart();
        self.node.restart(self.manner.timing.base_ms);
        (self.send_ns, self.promised, self.promised_ms) = (None, false, None);
    }

    /// What it says now to a request that it has worked out; a negative answer may be all, or come first.
    fn answer(&mut self, incoming: Incoming, now: Nanos, state: &State) -> Option<Vec<u8>> {
        let Manner { busy, pending, pending_ms, pending_forever, most_pids, most_dids, .. } = self.manner;
        if self.manner.is_silent(state.time_s) {
            return None;
        }
        let service = incoming.bytes.first().copied().unwrap_or(0);
        let promised = std::mem::take(&mut self.promised);
        if (!promised || pending_forever) && !incoming.functional {
            if !promised && self.rng.chance(busy) {
                return Some(vec![0x7F, service, 0x21]);
            }
            if promised || self.rng.chance(pending) {
                self.promised = true;
                let due = now + (self.promised_ms.unwrap_or(pending_ms) * 1e6) as Nanos;
                self.node.postpone(Incoming { due, ..incoming });
                return Some(vec![0x7F, service, 0x78]);
            }
        }
        // Older modules read short lists only: service 01 says "not supported" or nothing, service 22 "too long".
        let parameters = incoming.bytes.len() - 1;
        let refusal = match service {
            0x01 if parameters > most_pids => Some(0x12),
            0x22 if parameters / 2 > most_dids => Some(0x14),
            _ => None,
        };
        if let Some(code) = refusal {
            return (!incoming.functional).then(|| vec![0x7F, service, code]);
        }
        let Reply::Message(mut bytes) = self.module.answer(&incoming.bytes, incoming.functional, state) else {
            return None;
        };
        self.take_time(&mut bytes);
        Some(bytes)
    }

    /// Tells in a session reply how long the module takes from now on, and takes it.
    fn take_time(&mut self, reply: &mut [u8]) {
        let (Some((p2_ms, p2_star_ms)), [0x50, session, times @ ..]) = (self.manner.session_ms, reply) else { return };
        let [a, b, c, d] = times else { return };
        [*a, *b] = (p2_ms as u16).to_be_bytes();
        [*c, *d] = ((p2_star_ms / 10.0) as u16).to_be_bytes();
        let is_extended = *session == 0x03;
        self.node.set_base_ms(if is_extended { 0.9 * p2_ms } else { self.manner.timing.base_ms });
        self.promised_ms = is_extended.then_some(0.9 * p2_star_ms);
    }
}

/// The car as a tester finds it at the connector.
#[derive(Debug)]
pub(crate) struct Car {
    physics: Physics,
    kind: BusKind,
    bus: CanBus,
    /// Instead of CAN: the K-line, and the addresses of the modules in their order.
    k_line: Option<(KLine, Vec<u8>)>,
    ecus: Vec<Ecu>,
    broadcaster: Option<Broadcaster>,
    /// Seconds driven before time zero of the bus.
    start_s: f64,
    observed_s: f64,
    starts: u32,
    /// Where answers are kept, if somebody wants them.
    kept: Option<Kept>,
}

impl Car {
    pub(crate) fn new(physics: Physics, kind: BusKind, seats: Vec<Seat>, seed: u64, start_s: f64) -> Self {
        let ecus = seats
            .into_iter()
            .enumerate()
            .map(|(index, Seat { module, ids, manner })| {
                let rng = Rng::new(seed, &format!("module {index}"));
                let node = Node::new(index, ids, manner.timing, rng.clone());
                Ecu {
                    node,
                    module,
                    manner,
                    rng,
                    send_ns: None,
                    promised: false,
                    promised_ms: None,
                    has_restarted: false,
                }
            })
            .collect();
        let mut car = Self {
            physics,
            kind,
            bus: CanBus::new(kind.kbit_s),
            k_line: None,
            ecus,
            broadcaster: None,
            start_s,
            observed_s: 0.0,
            starts: 0,
            kept: None,
        };
        car.drive_to(0);
        car
    }

    /// Lets the modules' broadcasts through to the connector.
    pub(crate) fn broadcast(&mut self, broadcaster: Broadcaster) {
        self.broadcaster = Some(broadcaster);
    }

    /// Moves the physics and the modules' monitors on to a time of the bus.
    pub(crate) fn drive_to(&mut self, at: Nanos) {
        let to_s = self.start_s + at as f64 / 1e9;
        loop {
            let next_s = self.observed_s + OBSERVE_S;
            if next_s > to_s {
                break;
            }
            self.physics.advance(next_s);
            self.observed_s = next_s;
            let state = self.physics.state();
            let started = self.physics.starts() != self.starts;
            self.starts = self.physics.starts();
            for ecu in &mut self.ecus {
                if started {
                    ecu.module.new_cycle(state);
                }
                ecu.module.observe(state, OBSERVE_S);
                ecu.restart_when_due(state.time_s);
            }
            self.obey();
        }
        self.physics.advance(to_s);
    }

    /// Lets the physics know what testers drive through the modules.
    fn obey(&mut self) {
        self.physics.command(self.commands());
    }

    /// What testers drive through the modules.
    pub(crate) fn commands(&self) -> Commands {
        self.ecus.iter().map(|ecu| ecu.module.commands()).fold(Commands::default(), Commands::and)
    }

    /// Keeps from now on what the modules answer.
    pub(crate) fn keep_answers(&mut self) -> Kept {
        self.kept.get_or_insert_default().clone()
    }

    fn keep(&self, at: Nanos, module: usize, request: &[u8], reply: &[u8]) {
        if let Some(kept) = &self.kept {
            let answer = Answer::new(at, module, request, reply, self.physics.state());
            // A panic elsewhere while holding the lock leaves a list that is still whole.
            kept.lock().unwrap_or_else(std::sync::PoisonError::into_inner).push(answer);
        }
    }

    /// The same car with a K-line instead of CAN.
    pub(crate) fn with_k_line(self, kind: KLine, nodes: Vec<u8>) -> Self {
        Self { k_line: Some((kind, nodes)), ..self }
    }

    /// Which K-line it has.
    pub(crate) fn k_line(&self) -> Option<KLine> {
        self.k_line.as_ref().map(|(kind, _)| *kind)
    }

    /// Whether somebody answers a start of communication with this address.
    pub(crate) fn k_answers(&self, to: u8) -> bool {
        let Some((kind, nodes)) = &self.k_line else { return false };
        to == k_line::EVERYONE || (*kind != KLine::Iso9141 && nodes.contains(&to))
    }

    /// What the modules send back to a request that begins at `at`: messages with header and check sum, each with the time
    /// at which its last byte has passed. The first module alone answers emissions requests to everyone.
    pub(crate) fn k_ask(&mut self, at: Nanos, to: u8, request: &[u8]) -> Vec<(Nanos, Vec<u8>)> {
        let Some((kind, nodes)) = self.k_line.clone() else { return Vec::new() };
        let functional = to == k_line::EVERYONE;
        let index = if functional { Some(0) } else { nodes.iter().position(|node| *node == to) };
        let place = index.unwrap_or_default();
        let sent = at + KLine::request_ns(request.len());
        self.drive_to(sent);
        let state = self.physics.state();
        let Some((ecu, node)) = index.and_then(|index| Some((self.ecus.get_mut(index)?, nodes.get(index)?))) else {
            return Vec::new();
        };
        let Manner { timing, busy, pending, pending_ms, pending_forever, .. } = ecu.manner;
        if ecu.manner.is_silent(state.time_s) {
            return Vec::new();
        }
        let service = request.first().copied().unwrap_or(0);
        let ready = sent + k_line::P2_NS + ((timing.base_ms + ecu.rng.between(0.0, timing.jitter_ms)) * 1e6) as Nanos;
        let mut answers = Vec::new();
        if ecu.rng.chance(busy) && !functional {
            answers.push((ready, vec![0x7F, service, 0x21]));
        } else if let Reply::Message(bytes) = ecu.module.answer(request, functional, state) {
            let late = ecu.rng.chance(pending) && !functional;
            let later = ready + (pending_ms * 1e6) as Nanos;
            if late && pending_forever {
                // Longer than any tester listens.
                let times = (0..60).map(|second| ready + second * 1_000_000_000);
                answers.extend(times.map(|at| (at, vec![0x7F, service, 0x78])));
            } else {
                if late {
                    answers.push((ready, vec![0x7F, service, 0x78]));
                }
                answers.push((if late { later } else { ready }, bytes));
            }
        }
        let message = |(ready, data): (Nanos, Vec<u8>)| {
            let bytes = kind.reply(*node, &data);
            (ready + KLine::reply_ns(&bytes), bytes)
        };
        for (ready, data) in &answers {
            self.keep(*ready, place, request, data);
        }
        let messages = answers.into_iter().map(message).collect();
        self.obey();
        messages
    }

    /// Puts the tester's frame on the bus; false if the bit rate is not this bus's.
    pub(crate) fn transmit(&mut self, at: Nanos, bus: BusKind, frame: CanFrame) -> bool {
        let fits = bus.kbit_s == self.kind.kbit_s && self.k_line.is_none();
        if fits {
            self.bus.send(at, Sender::Tester, frame);
        }
        fits
    }

    /// Request and reply identifier of every module.
    pub(crate) fn module_ids(&self) -> Vec<[CanId; 2]> {
        self.ecus.iter().map(|ecu| [ecu.node.request_id, ecu.node.reply_id]).collect()
    }

    /// Bit rate of the bus.
    pub(crate) fn kbit_s(&self) -> u32 {
        self.kind.kbit_s
    }

    /// Supply voltage at the connector, V.
    pub(crate) fn volts(&mut self, at: Nanos) -> f64 {
        self.drive_to(at);
        self.physics.state().battery_v
    }

    /// When something will happen next.
    pub(crate) fn next_event(&self) -> Option<Nanos> {
        let modules = self.ecus.iter().flat_map(|ecu| [ecu.node.due(), ecu.send_ns]);
        let broadcast = self.broadcaster.as_ref().and_then(Broadcaster::due);
        modules.chain([broadcast, self.bus.next_event()]).flatten().min()
    }

    /// Runs until `to`; returns the first frame of a module that the tester sees, if any. Call again until `None`.
    pub(crate) fn advance(&mut self, to: Nanos) -> Option<(Nanos, CanFrame)> {
        while let Some(next) = self.next_event().filter(|&next| next <= to) {
            self.answer_due(next);
            self.send_due(next);
            if let Some(Delivery { at, from, frame }) = self.bus.advance(next) {
                match from {
                    Sender::Tester => {
                        for ecu in &mut self.ecus {
                            ecu.node.receive(at, &frame, &mut self.bus);
                        }
                    }
                    Sender::Module(index) => {
                        if let Some(ecu) = self.ecus.get_mut(index) {
                            ecu.node.sent(at, &frame, &mut self.bus);
                        }
                        return Some((at, frame));
                    }
                    Sender::Broadcast => return Some((at, frame)),
                }
            }
        }
        None
    }

    /// Sends what the modules send by themselves.
    fn send_due(&mut self, now: Nanos) {
        for idx in 0..self.ecus.len() {
            if self.ecus[idx].send_ns.is_none_or(|due| due > now) {
                continue;
            }
            self.drive_to(now);
            let ecu = &mut self.ecus[idx];
            let sent = ecu.module.sends(self.physics.state());
            if let Some((_, messages)) = &sent {
                for message in messages {
                    self.ecus[idx].node.send_unasked(now, message, &mut self.bus);
                    self.keep(now, idx, &[], message);
                }
            }
            let ecu = &mut self.ecus[idx];
            ecu.send_ns = sent.map(|(rate, _)| {
                now + (ecu.manner.fast_ms * 1e6 * [100.0, 10.0, 1.0][usize::from(rate - 1).min(2)]) as Nanos
            });
        }
        if self.broadcaster.as_ref().and_then(Broadcaster::due).is_some_and(|due| due <= now) {
            self.drive_to(now);
            if let Some(broadcaster) = &mut self.broadcaster {
                broadcaster.send_due(now, self.physics.state(), &mut self.bus);
            }
        }
    }

    fn answer_due(&mut self, now: Nanos) {
        for idx in 0..self.ecus.len() {
            let Some(incoming) = self.ecus[idx].node.take_due(now) else { continue };
            self.drive_to(now);
            let state = self.physics.state();
            let ecu = &mut self.ecus[idx];
            let request = incoming.bytes.clone();
            let said = ecu.answer(incoming, now, state);
            // What it is to send by itself begins one period after the request, and ends at once.
            if request.first() == Some(&0x2A) && said.is_some() {
                let begins = ecu.module.sends(state).is_some();
                ecu.send_ns = begins.then_some(now + (ecu.manner.fast_ms * 1e6) as Nanos);
            }
            if let Some(said) = said {
                ecu.node.answer(now, &said, &mut self.bus);
                self.keep(now, idx, &request, &said);
            }
            self.obey();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::faults::Placement;
    use crate::model::Model;
    use crate::modules::Start;
    use crate::physics::Setup;
    use crate::road::Road;
    use proptest::prelude::*;

    fn car() -> Car {
        let setup = Setup { seed: 1, faults: Vec::new(), placement: Placement::default() };
        let physics = Physics::new(&setup, Road::named("idle").expect("built in"));
        let kind = BusKind { wide: false, kbit_s: 500 };
        let seats = Model::Fell.seats(kind, &[Manner::new(5.0, 0.0); 4], &Start::default());
        Car::new(physics, kind, seats, 1, 0.0)
    }

    /// Frames that answer a functional request queue by identifier, each with its whole time on the wire.
    #[test]
    fn two_modules_that_answer_at_once_are_sorted_by_the_bus() {
        let mut car = car();
        let request = CanFrame::padded(CanId::Standard(0x7DF), &[2, 1, 0x0D], 0);
        assert!(car.transmit(0, BusKind { wide: false, kbit_s: 500 }, request));
        let mut seen = Vec::new();
        while let Some((at, frame)) = car.advance(1_000_000_000) {
            seen.push((frame.id, at));
        }
        let ids: Vec<CanId> = seen.iter().map(|(id, _)| *id).collect();
        assert_eq!(ids, [CanId::Standard(0x7E8), CanId::Standard(0x7E9)]);
        // Between 222 us and 270 us from one to the next (handbook of sampling limits, section 1).
        let apart_us = (seen[1].1 - seen[0].1) / 1000;
        assert!((222..=270).contains(&apart_us), "{apart_us} us");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Whatever frames a tester sends, the modules neither break nor talk for ever.
        #[test]
        fn any_frames_leave_a_quiet_bus(
            frames in proptest::collection::vec(
                (prop_oneof![Just(0x7DF_u16), 0x7E0..0x7E4_u16], proptest::collection::vec(any::<u8>(), 0..9), 0_i64..30),
                0..40,
            ),
        ) {
            let mut car = car();
            let mut now = 0;
            for (id, data, gap_ms) in frames {
                now += gap_ms * 1_000_000;
                car.transmit(now, BusKind { wide: false, kbit_s: 500 }, CanFrame::new(CanId::Standard(id), &data));
                while car.advance(now).is_some() {}
            }
            let mut n_frames = 0;
            while car.advance(now + 10_000_000_000).is_some() {
                n_frames += 1;
            }
            prop_assert!(n_frames < 2000);
            prop_assert_eq!(car.next_event(), None);
        }
    }
}
