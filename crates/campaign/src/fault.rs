//! What is done to a trial: one fault at one boundary each, or several at once.

use crate::dice::Dice;
use crate::line::{Flood, Harm};
use crate::scene::Face;

/// One second of the link's clock.
pub(crate) const S: i64 = 1_000_000_000;

/// What goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Fault {
    None,
    LostBytes,
    DoubledBytes,
    LateBytes,
    WrongBytes,
    SplitBytes,
    LostRequests,
    WrongRequests,
    WrongRate,
    Unplugged,
    AdapterRestarts,
    AdapterForgets,
    AdapterBabbles,
    AdapterFloods,
    ModuleSilent,
    ModuleRestarts,
    ModuleBusy,
    ModuleStalls,
    WallClock,
    DiskFull,
    DiskReadOnly,
    DiskSlow,
    Killed,
    Several,
}

/// Every fault with the name that it goes by and what it is.
pub(crate) const FAULTS: [(Fault, &str, &str); 24] = [
    (Fault::None, "none", "nothing goes wrong, for comparison"),
    (Fault::LostBytes, "lost-bytes", "bytes from the adapter are lost, up to one in twenty"),
    (Fault::DoubledBytes, "doubled-bytes", "bytes from the adapter come twice"),
    (Fault::LateBytes, "late-bytes", "bytes from the adapter come up to 4 s late"),
    (
        Fault::WrongBytes,
        "wrong-bytes",
        "bytes from the adapter are others, half of them one hexadecimal digit for another",
    ),
    (Fault::SplitBytes, "split-bytes", "answers come in pieces of any size"),
    (Fault::LostRequests, "lost-requests", "bytes to the adapter are lost"),
    (Fault::WrongRequests, "wrong-requests", "bytes to the adapter are others"),
    (Fault::WrongRate, "wrong-rate", "the line rates differ, from the start or for some seconds"),
    (Fault::Unplugged, "unplugged", "the adapter is unplugged and plugged in again, some ms to 40 s"),
    (
        Fault::AdapterRestarts,
        "adapter-restarts",
        "brown-out: the adapter starts anew, its banner in the middle of an answer",
    ),
    (Fault::AdapterForgets, "adapter-forgets", "brown-out: the adapter loses all settings without a word"),
    (Fault::AdapterBabbles, "adapter-babbles", "the adapter prints its own error texts, lost and damaged frames"),
    (
        Fault::AdapterFloods,
        "adapter-floods",
        "the adapter sends without end: noise, prompts, or what looks like answers",
    ),
    (Fault::ModuleSilent, "module-silent", "a module says nothing for up to 30 s"),
    (
        Fault::ModuleRestarts,
        "module-restarts",
        "a module starts anew: sessions, definitions and what was under way are gone",
    ),
    (Fault::ModuleBusy, "module-busy", "modules are busy, or ask for more time"),
    (Fault::ModuleStalls, "module-stalls", "a module asks for more time again and again, and never answers"),
    (Fault::WallClock, "wall-clock", "the wall clock jumps by up to a year, both ways"),
    (Fault::DiskFull, "disk-full", "the disk is full after some bytes"),
    (Fault::DiskReadOnly, "disk-read-only", "the disk can only be read from some moment on"),
    (Fault::DiskSlow, "disk-slow", "every sync takes up to 400 ms"),
    (Fault::Killed, "killed", "the process is killed (SIGKILL), or the power fails: what was not synced is gone"),
    (Fault::Several, "several", "two or three of the line's, the adapter's and the modules' at once"),
];

impl Fault {
    pub(crate) fn name(self) -> &'static str {
        FAULTS.iter().find(|(fault, ..)| *fault == self).map_or("", |(_, name, _)| name)
    }

    pub(crate) fn named(name: &str) -> Option<Self> {
        FAULTS.iter().find(|(_, known, _)| *known == name).map(|(fault, ..)| *fault)
    }

    /// Which adapters it can befall: what travels over IP is neither lost nor changed on the way.
    pub(crate) fn faces(self) -> &'static [Face] {
        match self {
            Self::AdapterRestarts | Self::AdapterForgets | Self::AdapterBabbles => &[Face::At, Face::KLine],
            Self::LostBytes
            | Self::DoubledBytes
            | Self::WrongBytes
            | Self::LostRequests
            | Self::WrongRequests
            | Self::WrongRate
            | Self::Several => &[Face::At, Face::At, Face::KLine, Face::Slcan],
            _ => &[Face::At, Face::At, Face::KLine, Face::Slcan, Face::Doip],
        }
    }
}

/// When the machine itself goes wrong, in seconds of the drive.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Blow {
    StepWallClock(i64),
    DiskLeft(i64),
    ReadOnly,
    SlowSyncs(u64),
}

/// What is arranged for one trial.
#[derive(Debug, Clone, Default)]
pub(crate) struct Arranged {
    /// Further options of the stand-in.
    pub(crate) spec: String,
    pub(crate) harm: Harm,
    /// What befalls the machine, and when, seconds since the operation began; below zero: before anything.
    pub(crate) blows: Vec<(f64, Blow)>,
    /// Whether anything can go wrong before the car is connected.
    pub(crate) from_start: bool,
}

/// Arranges a fault. `begin_s` is about when the operation begins on the link's clock, `start_s` how much of its road the
/// car has then driven.
pub(crate) fn arrange(fault: Fault, face: Face, start_s: f64, dice: &mut Dice) -> Arranged {
    let mut arranged = Arranged { from_start: dice.chance(0.2), ..Arranged::default() };
    // Connecting and measuring take some seconds of the link's clock.
    let from_s = if arranged.from_start { 0.0 } else { dice.between(4.0, 16.0) };
    let length_s = if dice.chance(0.5) { dice.magnitude(0.02, 30.0) } else { 1e6 };
    arranged.harm.from_ns = (from_s * S as f64) as i64;
    arranged.harm.to_ns = arranged.harm.from_ns + (length_s * S as f64) as i64;
    add(fault, face, (from_s, length_s.min(30.0)), start_s, &mut arranged, dice);
    arranged
}

fn add(
    fault: Fault,
    face: Face,
    (from_s, length_s): (f64, f64),
    start_s: f64,
    arranged: &mut Arranged,
    dice: &mut Dice,
) {
    let modules: &[&str] = face.modules();
    let harm = &mut arranged.harm;
    match fault {
        Fault::None | Fault::Killed => {}
        Fault::LostBytes => harm.lose = dice.magnitude(1e-4, 0.05),
        Fault::DoubledBytes => harm.double = dice.magnitude(1e-4, 0.05),
        Fault::LateBytes => {
            (harm.delay, harm.delay_ns) = (dice.magnitude(1e-4, 0.02), (dice.magnitude(2e6, 4e9)) as i64);
        }
        Fault::WrongBytes => harm.garble = dice.magnitude(1e-4, 0.05),
        Fault::SplitBytes => harm.split = true,
        Fault::LostRequests => harm.lose_to = dice.magnitude(1e-4, 0.05),
        Fault::WrongRequests => harm.garble_to = dice.magnitude(1e-4, 0.05),
        Fault::WrongRate if arranged.from_start => harm.n_wrong_rates = 1 + (dice.next() % 3) as usize,
        Fault::WrongRate => harm.wrong_rate = Some((harm.from_ns, harm.from_ns + (length_s * S as f64) as i64)),
        Fault::Unplugged => {
            let length_s = dice.magnitude(0.02, 40.0);
            arranged.spec += &format!("&gone={from_s:.3}:{length_s:.3}");
            if dice.chance(0.3) {
                arranged.spec += &format!("&gone={:.3}:{:.3}", from_s + length_s + 3.0, dice.magnitude(0.02, 3.0));
            }
        }
        Fault::AdapterRestarts => arranged.spec += &format!("&quirk=reset:{:.1}", dice.magnitude(2.0, 30.0)),
        Fault::AdapterForgets => arranged.spec += &format!("&quirk=forget:{:.1}", dice.magnitude(2.0, 30.0)),
        Fault::AdapterBabbles => {
            let text = dice.of(&[
                "CAN_ERROR",
                "BUFFER_FULL",
                "BUS_BUSY",
                "FB_ERROR",
                "LV_RESET",
                "ERR94",
                "ACT_ALERT",
                "DATA_ERROR",
            ]);
            arranged.spec += &format!("&quirk=say:{text}:{:.4}", dice.magnitude(0.002, 0.2));
            arranged.spec += &format!("&quirk=rxerror:{:.4}", dice.magnitude(0.002, 0.1));
        }
        Fault::AdapterFloods => {
            let lookalike: &[u8] = match face {
                Face::At => b"7E8 03 7F 01 78\r",
                Face::KLine => b"83 F1 10 7F 01 78 00\r",
                Face::Slcan => b"t7E88037F0178AAAAAAAA\r",
                // "Are you still there?" of ISO 13400-2.
                Face::Doip => &[0x02, 0xFD, 0x00, 0x07, 0, 0, 0, 0],
            };
            harm.flood = Some(dice.of(&[Flood::Noise, Flood::Over(b">\r"), Flood::Over(lookalike)]));
        }
        Fault::ModuleStalls => {
            let (module, ms) = (dice.of(modules), dice.magnitude(20.0, 4500.0));
            arranged.spec += &format!("&pending={module}:{:.3}:{ms:.0}:forever", dice.magnitude(0.01, 0.4));
        }
        Fault::ModuleSilent => {
            let (module, from) = (dice.of(modules), start_s + from_s);
            arranged.spec += &format!("&silent={module}:{from:.3}:{:.3}", from + dice.magnitude(0.05, 30.0));
        }
        Fault::ModuleRestarts => {
            let module = dice.of(modules);
            arranged.spec += &format!("&restart={module}:{:.3}:{:.3}", start_s + from_s, dice.magnitude(0.05, 5.0));
        }
        Fault::ModuleBusy => {
            for module in dice.some(modules, 2) {
                arranged.spec += &format!("&busy={module}:{:.3}", dice.magnitude(0.01, 0.4));
                arranged.spec +=
                    &format!("&pending={module}:{:.3}:{:.0}", dice.magnitude(0.01, 0.4), dice.magnitude(20.0, 4500.0));
            }
        }
        Fault::WallClock => {
            for _ in 0..2 {
                let step_s = dice.magnitude(0.5, 3.2e7) as i64 * if dice.chance(0.5) { 1 } else { -1 };
                arranged.blows.push((dice.between(-1.0, 12.0), Blow::StepWallClock(step_s)));
            }
        }
        Fault::DiskFull => {
            let bytes = dice.magnitude(1.0, 200_000.0) as i64;
            arranged.blows.push((dice.between(-2.0, 12.0), Blow::DiskLeft(bytes)));
        }
        Fault::DiskReadOnly => arranged.blows.push((dice.between(-2.0, 12.0), Blow::ReadOnly)),
        Fault::DiskSlow => arranged.blows.push((-1.0, Blow::SlowSyncs(dice.magnitude(2.0, 400.0) as u64))),
        Fault::Several => {
            let all = [
                Fault::LostBytes,
                Fault::DoubledBytes,
                Fault::LateBytes,
                Fault::WrongBytes,
                Fault::SplitBytes,
                Fault::LostRequests,
                Fault::Unplugged,
                Fault::ModuleSilent,
                Fault::ModuleRestarts,
                Fault::ModuleBusy,
                Fault::WallClock,
            ];
            let n = 2 + (dice.next() % 2) as usize;
            for one in dice.some(&all, n) {
                add(one, face, (from_s, length_s), start_s, arranged, dice);
            }
        }
    }
}
