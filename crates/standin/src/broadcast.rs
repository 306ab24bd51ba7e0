//! What the modules send to each other without being asked, where the connector carries it.

use crate::bus::{CanBus, CanFrame, CanId, Sender};
use crate::physics::State;
use protocol::Nanos;

/// The messages; the file [`crate::BROADCASTS`] describes them.
const MESSAGES: [Message; 2] = [
    Message { id: 160, every_ns: 10_000_000, first_ns: 1_000_000, data: wheels },
    Message { id: 176, every_ns: 20_000_000, first_ns: 3_500_000, data: drive },
];

struct Message {
    id: u16,
    every_ns: Nanos,
    first_ns: Nanos,
    data: fn(&State) -> Vec<u8>,
}

fn wheels(state: &State) -> Vec<u8> {
    state.wheels_kmh.iter().flat_map(|kmh| ((kmh * 100.0).round() as u16).to_be_bytes()).collect()
}

fn drive(state: &State) -> Vec<u8> {
    let [low, high] = ((state.engine_rpm * 4.0).round() as u16).to_le_bytes();
    vec![low, high, (state.coolant_c + 40.0).round() as u8, (state.battery_v * 10.0).round() as u8]
}

/// When each message goes out next.
#[derive(Debug)]
pub(crate) struct Broadcaster {
    due_ns: [Nanos; MESSAGES.len()],
    /// From here on nothing is sent any more.
    until_ns: Nanos,
}

impl Broadcaster {
    /// Sends until `until_ns`.
    pub(crate) fn new(until_ns: Nanos) -> Self {
        Self { due_ns: MESSAGES.each_ref().map(|message| message.first_ns), until_ns }
    }

    /// When a message goes out next.
    pub(crate) fn due(&self) -> Option<Nanos> {
        self.due_ns.iter().copied().min().filter(|due| *due < self.until_ns)
    }

    /// Sends what is due by `now`.
    pub(crate) fn send_due(&mut self, now: Nanos, state: &State, bus: &mut CanBus) {
        for (message, due_ns) in MESSAGES.iter().zip(&mut self.due_ns) {
            if *due_ns <= now && *due_ns < self.until_ns {
                bus.send(
                    *due_ns,
                    Sender::Broadcast,
                    CanFrame::new(CanId::Standard(message.id), &(message.data)(state)),
                );
                *due_ns += message.every_ns;
            }
        }
    }
}
