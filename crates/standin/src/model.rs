//! The cars of the invented maker: which modules each has, and where they answer.

use crate::bus::{BusKind, CanId};
use crate::car::{Manner, Seat};
use crate::modules::{self, Dialect, Module, Start, UnitKind};

/// A car of the invented maker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) enum Model {
    /// Tarnwick Fell 1.6, 2018: four modules.
    #[default]
    Fell,
    /// Tarnwick Crag 2.0, 2021: 25 modules behind a gateway, in several dialects.
    Crag,
    /// Tarnwick Beck 1.2, 2026: OBD on UDS.
    Beck,
    /// Tarnwick Fen 1.4, 2001: a K-line, and no VIN.
    Fen,
}

/// Names, what each car is, and the names of its modules.
pub(crate) const MODELS: [(&str, Model, &str); 4] = [
    ("fell", Model::Fell, "Tarnwick Fell 1.6, 2018: engine, gearbox, brake and body module"),
    ("crag", Model::Crag, "Tarnwick Crag 2.0, 2021: 25 modules behind a gateway, UDS and KWP2000, one of them missing"),
    ("beck", Model::Beck, "Tarnwick Beck 1.2, 2026: engine and gearbox with OBD on UDS, brake and body module"),
    ("fen", Model::Fen, "Tarnwick Fen 1.4, 2001: five modules on a K-line (ISO 14230 or ISO 9141), no VIN"),
];

/// Base answer times of the first four modules, ms.
const FIRST_MS: [f64; 4] = [4.0, 8.0, 6.0, 12.0];
const FIRST: [&str; 4] = ["engine", "gearbox", "brake", "body"];
/// The modules of the Fen with their addresses on the K-line and base answer times, ms.
const FEN: [(&str, u8, f64); 5] = [
    ("engine", 0x10, 5.0),
    ("gearbox", 0x18, 8.0),
    ("brake", 0x28, 6.0),
    ("airbag", 0x58, 10.0),
    ("climate", 0x98, 15.0),
];

/// Where the further modules of the Crag answer, how fast, and whether they listen to functional requests. They are behind
/// the gateway, with identifiers as makers distribute them: some at the legislated distance, most at another one.
const CRAG: [Place; 21] = [
    Place::new("gateway", 0x710, 0x77A, 5.0),
    Place::new("steering", 0x712, 0x77C, 7.0),
    Place::new("cluster", 0x714, 0x77E, 9.0),
    Place::new("airbag", 0x715, 0x77F, 9.0),
    Place::new("camera", 0x74F, 0x7B9, 11.0),
    Place::new("radar", 0x757, 0x7C1, 8.0),
    Place::new("door_left", 0x74A, 0x7B4, 14.0),
    Place::new("door_right", 0x74B, 0x7B5, 14.0),
    Place::new("seat", 0x74C, 0x7B6, 15.0),
    Place::new("tyres", 0x72B, 0x795, 13.0),
    Place::new("tailgate", 0x72E, 0x798, 12.0),
    Place::new("trailer", 0x720, 0x78A, 12.0),
    Place::new("telephone", 0x767, 0x7D1, 18.0),
    Place::new("radio", 0x773, 0x7DD, 20.0).deaf(),
    Place::new("climate", 0x746, 0x7B0, 16.0),
    Place::new("heater", 0x730, 0x738, 10.0),
    Place::new("lights", 0x740, 0x748, 10.0),
    Place::new("key", 0x732, 0x73A, 8.0),
    Place::new("pump", 0x750, 0x758, 6.0).deaf(),
    Place::new("park_brake", 0x752, 0x75A, 9.0),
    Place::new("damper", 0x754, 0x75C, 7.0),
];

struct Place {
    name: &'static str,
    request: u16,
    reply: u16,
    base_ms: f64,
    hears_all: bool,
}

impl Place {
    const fn new(name: &'static str, request: u16, reply: u16, base_ms: f64) -> Self {
        Self { name, request, reply, base_ms, hears_all: true }
    }

    const fn deaf(self) -> Self {
        Self { hears_all: false, ..self }
    }
}

impl Model {
    /// The names of its modules, in the order of [`Model::seats`].
    pub(crate) fn modules(self) -> Vec<&'static str> {
        if self == Self::Fen {
            return FEN.iter().map(|(name, ..)| *name).collect();
        }
        let more = if self == Self::Crag { CRAG.as_slice() } else { &[] };
        FIRST.into_iter().chain(more.iter().map(|place| place.name)).collect()
    }

    /// How each of them behaves if nothing else is said.
    pub(crate) fn manners(self) -> Vec<Manner> {
        if self == Self::Fen {
            return FEN.iter().map(|(.., base_ms)| Manner::new(*base_ms, 0.2 * base_ms)).collect();
        }
        let more = if self == Self::Crag { CRAG.as_slice() } else { &[] };
        let all = FIRST_MS.into_iter().chain(more.iter().map(|place| place.base_ms));
        let mut manners: Vec<Manner> = all.map(|base_ms| Manner::new(base_ms, 0.2 * base_ms)).collect();
        for (manner, name) in manners.iter_mut().zip(self.modules()) {
            match name {
                "telephone" => manner.busy = 0.3,
                "camera" => manner.pending = 0.2,
                _ => {}
            }
        }
        manners
    }

    /// Its number; empty where its modules tell none.
    pub(crate) fn vin(self) -> &'static str {
        match self {
            Self::Fell => modules::VIN,
            Self::Crag => modules::CRAG_VIN,
            Self::Beck => modules::BECK_VIN,
            Self::Fen => "",
        }
    }

    /// Addresses of its modules on a K-line; none where it has CAN.
    pub(crate) fn nodes(self) -> Vec<u8> {
        if self == Self::Fen { FEN.iter().map(|(_, node, _)| *node).collect() } else { Vec::new() }
    }

    /// The modules at their places.
    pub(crate) fn seats(self, kind: BusKind, manners: &[Manner], memory: &Start) -> Vec<Seat> {
        let modules: Vec<Box<dyn Module>> = match self {
            Self::Fell => modules::fell(memory),
            Self::Beck => modules::beck(memory),
            Self::Fen => modules::fen(memory),
            Self::Crag => {
                let units = CRAG.iter().map(|place| modules::unit(unit(place.name), modules::CRAG_VIN));
                modules::crag(memory).into_iter().chain(units).collect()
            }
        };
        let seat = |(index, (module, manner)): (usize, (Box<dyn Module>, &Manner))| {
            let place = index.checked_sub(FIRST.len()).and_then(|index| CRAG.get(index));
            Seat { module, ids: ids(kind, index, place), manner: *manner }
        };
        modules.into_iter().zip(manners).enumerate().map(seat).collect()
    }
}

/// Functional, request and reply identifier (ISO 15765-4 for the first ones).
fn ids(kind: BusKind, index: usize, place: Option<&Place>) -> [CanId; 3] {
    let functional = kind.functional();
    if kind.wide {
        let node = [0x10, 0x18, 0x28, 0x40].get(index).copied().unwrap_or(0x50 + index as u32);
        return [functional, CanId::Extended(0x18DA_00F1 | node << 8), CanId::Extended(0x18DA_F100 | node)];
    }
    match place {
        Some(place) => {
            // Nobody sends to identifier 0 here.
            let functional = if place.hears_all { functional } else { CanId::Standard(0) };
            [functional, CanId::Standard(place.request), CanId::Standard(place.reply)]
        }
        None => {
            let index = index as u16 % 8;
            [functional, CanId::Standard(0x7E0 + index), CanId::Standard(0x7E8 + index)]
        }
    }
}

/// What each further module of the Crag is. The parking module is not there: those who need its messages say so.
fn unit(name: &str) -> UnitKind {
    const LOST_PARKING: (u16, u8) = (0xC159, 0x87);
    let uds = |title, now: &'static [(u16, u8)], before: &'static [(u16, u8)]| UnitKind {
        title,
        dialect: Dialect::Uds,
        now,
        before,
    };
    let kwp = |title, now: &'static [(u16, u8)], before: &'static [(u16, u8)]| UnitKind {
        title,
        dialect: Dialect::Kwp,
        now,
        before,
    };
    match name {
        "gateway" => uds("Gateway", &[LOST_PARKING], &[(0xC140, 0x87)]),
        "steering" => uds("Power steering", &[], &[]),
        "cluster" => uds("Instrument cluster", &[LOST_PARKING], &[]),
        "airbag" => uds("Restraint system", &[], &[(0x9B05, 0x1B)]),
        "camera" => uds("Front camera", &[], &[]),
        "radar" => uds("Front radar", &[], &[(0x4A10, 0x78)]),
        "door_left" => uds("Door left", &[(0x9C11, 0x13)], &[]),
        "door_right" => uds("Door right", &[], &[]),
        "seat" => uds("Seat driver", &[], &[]),
        "tyres" => uds("Tyre pressure", &[], &[(0x4B62, 0x31)]),
        "tailgate" => uds("Tailgate", &[], &[]),
        "trailer" => uds("Trailer", &[LOST_PARKING], &[]),
        "telephone" => uds("Telephone", &[], &[(0x9D40, 0x11)]),
        "radio" => kwp("Radio", &[], &[(0x9E01, 0x00)]),
        "climate" => kwp("Climate control", &[(0x9E20, 0x00)], &[]),
        "heater" => kwp("Auxiliary heater", &[], &[]),
        "lights" => uds("Front lighting", &[(0x9F03, 0x12)], &[]),
        "key" => uds("Access and start", &[], &[]),
        "pump" => uds("Fuel pump", &[], &[]),
        "park_brake" => uds("Parking brake", &[], &[(0x4C30, 0x64)]),
        _ => uds("Dampers", &[], &[]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_module_has_an_address_of_its_own() {
        for wide in [false, true] {
            let kind = BusKind { wide, kbit_s: 500 };
            let seats = Model::Crag.seats(kind, &Model::Crag.manners(), &Start::default());
            let mut ids: Vec<CanId> = seats.iter().flat_map(|seat| [seat.ids[1], seat.ids[2]]).collect();
            assert_eq!((seats.len(), ids.len()), (25, 50));
            ids.sort_by_key(|id| id.arbitration());
            ids.dedup();
            assert_eq!(ids.len(), 50);
        }
    }
}
