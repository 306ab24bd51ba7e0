//! The name of a stand-in car: `fell?fault=wheel-dropout:rear_left:0.5&baud=115200`.

use crate::StandinError;
use crate::broadcast::Broadcaster;
use crate::bus::{BusKind, KLine};
use crate::car::{Car, Manner};
use crate::face::Face;
use crate::face::at::{AtFace, AtSettings, CountMode};
use crate::face::doip::DoipFace;
use crate::face::slcan::SlcanFace;
use crate::faults::{Fault, Placement};
use crate::model::{MODELS, Model};
use crate::modules::Start;
use crate::physics::{Physics, Setup};
use crate::rig::Rig;
use crate::road::Road;
use std::str::FromStr;

/// Options, their values and what they do; shown in errors and in help texts.
pub const OPTIONS: [(&str, &str); 33] = [
    ("fault", "a fault with its severity from 0 to 1, e.g. `wheel-dropout:rear_left:0.5`; may be repeated"),
    (
        "script",
        "road script: mixed, town, cruise, corners, pedal, warmup, idle, or a file that ends in .road; default mixed",
    ),
    ("seed", "whole number that all noise and chance follow from; default 1"),
    ("start", "seconds of the script already driven when the first byte is exchanged; default 0"),
    ("warm", "1: the engine is warm at the start, 0: it is at outside temperature; default: as the script says"),
    ("coils", "which coil sits on cylinders 1 to 4, e.g. `4,2,3,1`; numbered by where each sat at first"),
    ("plugs", "the same for spark plugs"),
    ("injectors", "the same for injectors"),
    ("cleared", "1: codes were cleared just before the start"),
    (
        "bus",
        "can11-500, can29-500, can11-250 or can29-250; default can11-500; of the fen: kwp-fast, kwp-5baud or iso9141, default kwp-fast",
    ),
    ("face", "adapter between car and tester: at, slcan, doip or can (frames, inside this process only); default at"),
    ("baud", "serial rate, 10 bits per character; default 115200"),
    ("overhead_ms", "adapter: from the end of a command to the start of what it does; default 0"),
    ("rtt_ms", "what converter or radio add to a round trip; default 0"),
    ("count", "digit after a request: lines, messages or refused; default lines"),
    (
        "quirk",
        "adapter habit: echo, spaces, noheaders, padding, unknown:TEXT, lose:P, garbage:P, rxerror:P, reset:SECONDS, forget:SECONDS, say:TEXT:P (instead of an answer, `_` for a space); may be repeated",
    ),
    ("gone", "FROM:LENGTH in seconds: the adapter is unplugged for that time (virtual clock only); may be repeated"),
    ("engine_ms", "base answer time of the engine module; default 4"),
    ("gearbox_ms", "the same for the gearbox module; default 8"),
    ("brake_ms", "the same for the brake module; default 6"),
    ("body_ms", "the same for the body module; default 12"),
    ("ms", "MODULE:MS, base answer time of any module; `all:MS` of every one"),
    ("jitter", "random part of every answer time as a share of its base; default 0.2"),
    ("flow_ms", "all modules: from a flow control to the next frame; default 0.2"),
    ("pids", "most parameters in one request of service 01; default 6"),
    ("dids", "most identifiers in one request of service 22; default 16"),
    ("periodic_ms", "all modules: how often they send by themselves (service 2A) at the fast rate; default 20"),
    ("broadcast", "SECONDS: what the modules broadcast reaches the connector, for so long; default 0"),
    ("busy", "MODULE:P, probability of the answer `busy, repeat` (21)"),
    (
        "pending",
        "MODULE:P[:MS[:forever]], probability of `response pending` (78), and for how long; default 300 ms; `forever`: it is \
         said again each time, and nothing else",
    ),
    (
        "session_ms",
        "MODULE:P2:P2STAR, the times that the module's session reply tells; in the extended session it takes nine tenths of them",
    ),
    ("silent", "MODULE:FROM:TO, seconds of the drive during which the module says nothing"),
    (
        "restart",
        "MODULE:AT[:LENGTH], second of the drive at which the module starts anew, and for how long it then says nothing; default 1 s",
    ),
];

/// What stands between the car and the tester.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FaceKind {
    /// An AT-command adapter.
    At,
    /// A serial-line CAN adapter.
    Slcan,
    /// A gateway for diagnostics over IP.
    Doip,
    /// Nothing: frames.
    Can,
}

/// Everything that a stand-in's name says.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Spec {
    setup: Setup,
    script: String,
    warm: Option<bool>,
    start_s: f64,
    memory: Start,
    bus: BusKind,
    /// For the car that has one.
    k_line: KLine,
    pub(crate) face: FaceKind,
    at: AtSettings,
    rtt_ms: f64,
    broadcast_s: f64,
    pub(crate) gone_s: Vec<(f64, f64)>,
    model: Model,
    manners: Vec<Manner>,
}

impl Default for Spec {
    fn default() -> Self {
        Self {
            setup: Setup { seed: 1, faults: Vec::new(), placement: Placement::default() },
            script: "mixed".to_owned(),
            warm: None,
            start_s: 0.0,
            memory: Start::default(),
            bus: BusKind { wide: false, kbit_s: 500 },
            k_line: KLine::KwpFast,
            face: FaceKind::At,
            at: AtSettings::default(),
            rtt_ms: 0.0,
            broadcast_s: 0.0,
            gone_s: Vec::new(),
            model: Model::default(),
            manners: Model::default().manners(),
        }
    }
}

impl FromStr for Spec {
    type Err = StandinError;

    fn from_str(text: &str) -> Result<Self, StandinError> {
        let (name, query) = text.split_once('?').unwrap_or((text, ""));
        let Some((_, model, _)) = MODELS.into_iter().find(|(known, ..)| *known == name) else {
            let names: Vec<&str> = MODELS.iter().map(|(name, ..)| *name).collect();
            return Err(StandinError::Car { car: name.escape_debug().to_string(), known: names.join(", ") });
        };
        let mut spec = Self { model, manners: model.manners(), ..Self::default() };
        let mut jitter = 0.2;
        for pair in query.split('&').filter(|pair| !pair.is_empty()) {
            let (key, value) = pair.split_once('=').unwrap_or((pair, ""));
            let option = Option_ { key, value };
            match key {
                "jitter" => jitter = option.number(0.0, 10.0)?,
                _ => spec.set(&option)?,
            }
        }
        for manner in &mut spec.manners {
            manner.timing.jitter_ms = jitter * manner.timing.base_ms;
        }
        Ok(spec)
    }
}

/// One `key=value` while it is read.
struct Option_<'a> {
    key: &'a str,
    value: &'a str,
}

impl Option_<'_> {
    fn wrong(&self, expected: impl Into<String>) -> StandinError {
        let [option, value] = [self.key, self.value].map(|t| t.escape_debug().to_string());
        StandinError::Value { option, value, expected: expected.into() }
    }

    fn parsed(&self, text: &str, low: f64, high: f64) -> Result<f64, StandinError> {
        let number = text.parse::<f64>().ok().filter(|n| (low..=high).contains(n));
        number.ok_or_else(|| self.wrong(format!("a number from {low} to {high}")))
    }

    fn number(&self, low: f64, high: f64) -> Result<f64, StandinError> {
        self.parsed(self.value, low, high)
    }

    fn flag(&self) -> Result<bool, StandinError> {
        match self.value {
            "0" => Ok(false),
            "1" => Ok(true),
            _ => Err(self.wrong("0 or 1")),
        }
    }

    fn order(&self) -> Result<[usize; 4], StandinError> {
        let numbers: Vec<usize> = self.value.split(',').filter_map(|n| n.trim().parse().ok()).collect();
        let mut sorted = numbers.clone();
        sorted.sort_unstable();
        let order = <[usize; 4]>::try_from(numbers).ok().filter(|_| sorted == [1, 2, 3, 4]);
        order.ok_or_else(|| self.wrong("the numbers 1 to 4 in any order, with commas, e.g. `4,2,3,1`"))
    }

    fn module(&self, model: Model) -> Result<(usize, Vec<&str>), StandinError> {
        let mut fields = self.value.split(':');
        let name = fields.next().unwrap_or("");
        let modules = model.modules();
        let index = modules.iter().position(|module| *module == name);
        let index = index.ok_or_else(|| self.wrong(format!("MODULE:..., MODULE one of {}", modules.join(", "))))?;
        Ok((index, fields.collect()))
    }
}

impl Spec {
    fn set(&mut self, option: &Option_<'_>) -> Result<(), StandinError> {
        match option.key {
            "fault" => self.setup.faults.push(option.value.parse::<Fault>()?),
            "script" => {
                Road::named(option.value)?;
                self.script = option.value.to_owned();
            }
            "seed" => {
                let seed = option.value.parse().ok();
                self.setup.seed = seed.ok_or_else(|| option.wrong("a whole number from 0"))?;
            }
            "start" => self.start_s = option.number(0.0, 86_400.0)?,
            "warm" => self.warm = Some(option.flag()?),
            "coils" => self.setup.placement.coils = option.order()?,
            "plugs" => self.setup.placement.plugs = option.order()?,
            "injectors" => self.setup.placement.injectors = option.order()?,
            "cleared" => self.memory.cleared = option.flag()?,
            "bus" if self.model == Model::Fen => {
                self.k_line = match option.value {
                    "kwp-fast" => KLine::KwpFast,
                    "kwp-5baud" => KLine::Kwp5Baud,
                    "iso9141" => KLine::Iso9141,
                    _ => return Err(option.wrong("kwp-fast, kwp-5baud or iso9141")),
                }
            }
            "bus" => {
                self.bus = match option.value {
                    "can11-500" => BusKind { wide: false, kbit_s: 500 },
                    "can29-500" => BusKind { wide: true, kbit_s: 500 },
                    "can11-250" => BusKind { wide: false, kbit_s: 250 },
                    "can29-250" => BusKind { wide: true, kbit_s: 250 },
                    _ => return Err(option.wrong("can11-500, can29-500, can11-250 or can29-250")),
                }
            }
            "face" => {
                self.face = match option.value {
                    "at" => FaceKind::At,
                    "slcan" => FaceKind::Slcan,
                    "doip" => FaceKind::Doip,
                    "can" => FaceKind::Can,
                    _ => return Err(option.wrong("at, slcan, doip or can")),
                }
            }
            "baud" => self.at.baud = option.number(1200.0, 10_000_000.0)? as u32,
            "overhead_ms" => self.at.overhead_ms = option.number(0.0, 1000.0)?,
            "rtt_ms" => self.rtt_ms = option.number(0.0, 5000.0)?,
            "count" => {
                self.at.count = match option.value {
                    "lines" => CountMode::Lines,
                    "messages" => CountMode::Messages,
                    "refused" => CountMode::Refused,
                    _ => return Err(option.wrong("lines, messages or refused")),
                }
            }
            "quirk" => self.quirk(option)?,
            "gone" => {
                let (from, length) = option.value.split_once(':').ok_or_else(|| option.wrong("FROM:LENGTH"))?;
                self.gone_s.push((option.parsed(from, 0.0, 1e6)?, option.parsed(length, 0.0, 1e6)?));
            }
            "engine_ms" => self.manners[0].timing.base_ms = option.number(0.0, 5000.0)?,
            "gearbox_ms" => self.manners[1].timing.base_ms = option.number(0.0, 5000.0)?,
            "brake_ms" => self.manners[2].timing.base_ms = option.number(0.0, 5000.0)?,
            "body_ms" => self.manners[3].timing.base_ms = option.number(0.0, 5000.0)?,
            "flow_ms" => {
                let flow_ms = option.number(0.0, 1000.0)?;
                self.manners.iter_mut().for_each(|manner| manner.timing.flow_ms = flow_ms);
            }
            "pids" => {
                let most = option.number(1.0, 6.0)? as usize;
                self.manners.iter_mut().for_each(|manner| manner.most_pids = most);
            }
            "periodic_ms" => {
                let fast_ms = option.number(1.0, 5000.0)?;
                self.manners.iter_mut().for_each(|manner| manner.fast_ms = fast_ms);
            }
            "broadcast" => self.broadcast_s = option.number(0.0, 1e6)?,
            "dids" => {
                let most = option.number(1.0, 100.0)? as usize;
                self.manners.iter_mut().for_each(|manner| manner.most_dids = most);
            }
            "busy" | "pending" | "silent" | "restart" | "ms" | "session_ms" => self.manner(option)?,
            _ => {
                let known: Vec<&str> = OPTIONS.iter().map(|(name, _)| *name).collect();
                let option = option.key.escape_debug().to_string();
                return Err(StandinError::Option { option, known: known.join(", ") });
            }
        }
        Ok(())
    }

    fn manner(&mut self, option: &Option_<'_>) -> Result<(), StandinError> {
        if let ("ms", Some(ms)) = (option.key, option.value.strip_prefix("all:")) {
            let base_ms = option.parsed(ms, 0.0, 5000.0)?;
            self.manners.iter_mut().for_each(|manner| manner.timing.base_ms = base_ms);
            return Ok(());
        }
        let (index, fields) = option.module(self.model)?;
        let manner = &mut self.manners[index];
        match (option.key, fields.as_slice()) {
            ("ms", [ms]) => manner.timing.base_ms = option.parsed(ms, 0.0, 5000.0)?,
            ("busy", [p]) => manner.busy = option.parsed(p, 0.0, 1.0)?,
            ("pending", [p]) => manner.pending = option.parsed(p, 0.0, 1.0)?,
            ("pending", [p, ms] | [p, ms, "forever"]) => {
                manner.pending = option.parsed(p, 0.0, 1.0)?;
                manner.pending_ms = option.parsed(ms, 0.0, 60_000.0)?;
                manner.pending_forever = fields.len() == 3;
            }
            ("session_ms", [p2, p2_star]) => {
                manner.session_ms = Some((option.parsed(p2, 0.0, 65_535.0)?, option.parsed(p2_star, 0.0, 655_350.0)?));
            }
            ("silent", [from, to]) => {
                manner.silent_s = Some((option.parsed(from, 0.0, 1e6)?, option.parsed(to, 0.0, 1e6)?));
            }
            ("restart", [at]) => manner.restart_s = Some((option.parsed(at, 0.0, 1e6)?, 1.0)),
            ("restart", [at, length]) => {
                manner.restart_s = Some((option.parsed(at, 0.0, 1e6)?, option.parsed(length, 0.0, 1e6)?));
            }
            _ => {
                return Err(option.wrong(
                    "MODULE:MS for ms, MODULE:P for busy, MODULE:P[:MS[:forever]] for pending, MODULE:P2:P2STAR for session_ms, \
                     MODULE:FROM:TO for silent, MODULE:AT[:LENGTH] for restart",
                ));
            }
        }
        Ok(())
    }

    fn quirk(&mut self, option: &Option_<'_>) -> Result<(), StandinError> {
        let quirks = &mut self.at.quirks;
        match option.value.split_once(':') {
            None => match option.value {
                "echo" => quirks.echo_stuck = true,
                "spaces" => quirks.spaces_stuck = true,
                "noheaders" => quirks.headers_refused = true,
                "padding" => quirks.padding_shown = true,
                _ => return Err(option.wrong("a habit from the list of options")),
            },
            Some(("unknown", text)) if !text.is_empty() => {
                let text = text.to_ascii_uppercase();
                quirks.unknown.push(text.strip_prefix("AT").filter(|t| !t.is_empty()).unwrap_or(&text).to_owned());
            }
            Some(("lose", p)) => quirks.lose = option.parsed(p, 0.0, 1.0)?,
            Some(("garbage", p)) => quirks.garbage = option.parsed(p, 0.0, 1.0)?,
            Some(("say", rest)) => {
                let (text, p) = rest.rsplit_once(':').ok_or_else(|| option.wrong("say:TEXT:P"))?;
                quirks.say = Some((text.replace('_', " "), option.parsed(p, 0.0, 1.0)?));
            }
            Some(("rxerror", p)) => quirks.rx_error = option.parsed(p, 0.0, 1.0)?,
            Some(("reset", s)) => quirks.reset_every_s = option.parsed(s, 0.0, 1e6)?,
            Some(("forget", s)) => quirks.forget_every_s = option.parsed(s, 0.0, 1e6)?,
            Some(_) => return Err(option.wrong("a habit from the list of options")),
        }
        Ok(())
    }

    /// The car's number; empty where it tells none.
    pub(crate) fn vin(&self) -> &'static str {
        self.model.vin()
    }

    /// Builds the car's mechanical part.
    pub(crate) fn physics(&self) -> Result<Physics, StandinError> {
        let mut road = Road::named(&self.script)?;
        if let Some(warm) = self.warm {
            road.warm = warm;
        }
        Ok(Physics::new(&self.setup, road))
    }

    /// Builds the car.
    pub(crate) fn car(&self) -> Result<Car, StandinError> {
        let physics = self.physics()?;
        let seats = self.model.seats(self.bus, &self.manners, &self.memory);
        let mut car = Car::new(physics, self.bus, seats, self.setup.seed, self.start_s);
        if self.broadcast_s > 0.0 {
            car.broadcast(Broadcaster::new((self.broadcast_s * 1e9) as protocol::Nanos));
        }
        let nodes = self.model.nodes();
        Ok(if nodes.is_empty() { car } else { car.with_k_line(self.k_line, nodes) })
    }

    /// One way, ns.
    pub(crate) fn latency_ns(&self) -> protocol::Nanos {
        (self.rtt_ms * 0.5e6) as protocol::Nanos
    }

    /// Builds the car and its adapter.
    pub(crate) fn rig(&self) -> Result<Rig, StandinError> {
        let car = self.car()?;
        let face: Box<dyn Face> = match self.face {
            FaceKind::At => Box::new(AtFace::new(self.at.clone(), self.setup.seed)),
            FaceKind::Slcan => Box::new(SlcanFace::new(self.at.char_ns())),
            FaceKind::Doip => Box::new(DoipFace::new(self.bus, self.vin(), &car.module_ids())),
            FaceKind::Can => return Err(StandinError::NoBytes),
        };
        Ok(Rig::new(car, face, self.latency_ns()))
    }
}
