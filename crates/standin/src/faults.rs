//! What can be wrong with the car, how badly, and where.

use crate::StandinError;
use std::str::FromStr;

/// A wheel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wheel {
    /// Front left.
    FrontLeft,
    /// Front right.
    FrontRight,
    /// Rear left.
    RearLeft,
    /// Rear right.
    RearRight,
}

/// What a misfire belongs to. A part moves with its swaps; the cylinder itself stays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum MisfirePart {
    /// Ignition coil: fails at high load and middle speed.
    Coil,
    /// Spark plug: fails at high load and high speed.
    Plug,
    /// Injector: too little fuel at idle and low load.
    Injector,
    /// The cylinder itself (valve, ring): low compression, felt at low speed.
    Cylinder,
}

/// A fault, without its severity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum FaultKind {
    /// Misfire of the part with this number (1 to 4: where it sat at first); in bursts, as a bad contact makes them, or
    /// evenly.
    Misfire {
        /// What is bad.
        part: MisfirePart,
        /// Its number, by the cylinder on which it sat at first.
        number: usize,
        /// In bursts.
        clustered: bool,
    },
    /// The signal of a wheel is lost for 60 to 300 ms now and then.
    WheelDropout(Wheel),
    /// The signal of a wheel is rough: the gap to the tone ring is too wide.
    WheelRough(Wheel),
    /// The tone ring of a wheel is cracked: one gap per turn is too long.
    ToneRing(Wheel),
    /// The tyre of a wheel is too small: up to 5 % faster.
    TyreSize(Wheel),
    /// A pedal track is worn at one place: reads low there.
    PedalWear {
        /// 1 or 2.
        track: usize,
        /// Middle of the worn place, % of travel.
        place_pct: f64,
        /// Its width, % of travel.
        width_pct: f64,
    },
    /// The thermostat opens too early and does not close.
    Thermostat,
    /// Air that the meter does not see gets into the manifold.
    AirLeak,
    /// The air meter reads low: up to 25 %.
    AirMeter,
    /// The generator charges too little: up to 2 V.
    Generator,
    /// The coil of the compressor clutch has a bad contact: the severity is the share of pull-ins that fail.
    ClutchOpen,
    /// The gap of the compressor clutch is too wide: it pulls in up to 4 s late.
    ClutchSlow,
}

/// A fault with its severity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Fault {
    /// What and where.
    pub kind: FaultKind,
    /// 0 (nothing) to 1 (as bad as this car gets).
    pub severity: f64,
}

/// How each fault is written, for error messages and help.
pub const FAULT_FORMS: [&str; 15] = [
    "misfire-coil:NUMBER:SEVERITY[:clustered]",
    "misfire-plug:NUMBER:SEVERITY[:clustered]",
    "misfire-injector:NUMBER:SEVERITY[:clustered]",
    "misfire-cylinder:NUMBER:SEVERITY[:clustered]",
    "wheel-dropout:WHEEL:SEVERITY",
    "wheel-rough:WHEEL:SEVERITY",
    "tone-ring:WHEEL:SEVERITY",
    "tyre-size:WHEEL:SEVERITY",
    "pedal-wear:TRACK:SEVERITY[:PLACE_PERCENT[:WIDTH_PERCENT]]",
    "thermostat:SEVERITY",
    "air-leak:SEVERITY",
    "air-meter:SEVERITY",
    "generator:SEVERITY",
    "clutch-open:SEVERITY",
    "clutch-slow:SEVERITY",
];

impl FromStr for Fault {
    type Err = StandinError;

    /// `NAME[:PLACE]:SEVERITY[:MORE]`, as in [`FAULT_FORMS`].
    fn from_str(text: &str) -> Result<Self, StandinError> {
        let wrong = |what: &str| StandinError::Fault {
            fault: text.escape_debug().to_string(),
            what: what.to_owned(),
            known: FAULT_FORMS.join(", "),
        };
        let parts: Vec<&str> = text.split(':').collect();
        let number = |idx: usize, low: f64, high: f64, what: &str| -> Result<f64, StandinError> {
            let value = parts.get(idx).and_then(|t| t.parse::<f64>().ok()).filter(|v| (low..=high).contains(v));
            value.ok_or_else(|| wrong(&format!("{what} must be a number from {low} to {high}")))
        };
        let wheel = || match parts.get(1).copied() {
            Some("front_left") => Ok(Wheel::FrontLeft),
            Some("front_right") => Ok(Wheel::FrontRight),
            Some("rear_left") => Ok(Wheel::RearLeft),
            Some("rear_right") => Ok(Wheel::RearRight),
            _ => Err(wrong("the wheel must be front_left, front_right, rear_left or rear_right")),
        };
        let misfire = |part| {
            let clustered = match parts.get(3).copied() {
                None => false,
                Some("clustered") => true,
                Some(_) => return Err(wrong("after the severity only `clustered` may follow")),
            };
            let place = number(1, 1.0, 4.0, "the number of the part")?;
            if place.fract() != 0.0 {
                return Err(wrong("the number of the part must be 1, 2, 3 or 4"));
            }
            Ok((FaultKind::Misfire { part, number: place as usize, clustered }, 4, 2))
        };
        // Kind, most fields, field of the severity.
        let (kind, most, at) = match parts.first().copied().unwrap_or("") {
            "misfire-coil" => misfire(MisfirePart::Coil)?,
            "misfire-plug" => misfire(MisfirePart::Plug)?,
            "misfire-injector" => misfire(MisfirePart::Injector)?,
            "misfire-cylinder" => misfire(MisfirePart::Cylinder)?,
            "wheel-dropout" => (FaultKind::WheelDropout(wheel()?), 3, 2),
            "wheel-rough" => (FaultKind::WheelRough(wheel()?), 3, 2),
            "tone-ring" => (FaultKind::ToneRing(wheel()?), 3, 2),
            "tyre-size" => (FaultKind::TyreSize(wheel()?), 3, 2),
            "pedal-wear" => {
                let track = number(1, 1.0, 2.0, "the track")?;
                let place_pct = if parts.len() > 3 { number(3, 0.0, 100.0, "the place")? } else { 30.0 };
                let width_pct = if parts.len() > 4 { number(4, 0.5, 50.0, "the width")? } else { 10.0 };
                (FaultKind::PedalWear { track: track as usize, place_pct, width_pct }, 5, 2)
            }
            "thermostat" => (FaultKind::Thermostat, 2, 1),
            "air-leak" => (FaultKind::AirLeak, 2, 1),
            "air-meter" => (FaultKind::AirMeter, 2, 1),
            "generator" => (FaultKind::Generator, 2, 1),
            "clutch-open" => (FaultKind::ClutchOpen, 2, 1),
            "clutch-slow" => (FaultKind::ClutchSlow, 2, 1),
            _ => return Err(wrong("there is no fault of that name")),
        };
        if parts.len() > most {
            return Err(wrong("too many fields"));
        }
        Ok(Self { kind, severity: number(at, 0.0, 1.0, "the severity")? })
    }
}

/// Which part (numbered by where it sat at first) sits on cylinders 1 to 4 now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Placement {
    /// Ignition coils.
    pub coils: [usize; 4],
    /// Spark plugs.
    pub plugs: [usize; 4],
    /// Injectors.
    pub injectors: [usize; 4],
}

impl Default for Placement {
    fn default() -> Self {
        Self { coils: [1, 2, 3, 4], plugs: [1, 2, 3, 4], injectors: [1, 2, 3, 4] }
    }
}

impl Placement {
    /// Cylinder (0 to 3) on which this part works now.
    #[must_use]
    pub(crate) fn cylinder(&self, part: MisfirePart, number: usize) -> Option<usize> {
        let order = match part {
            MisfirePart::Coil => self.coils,
            MisfirePart::Plug => self.plugs,
            MisfirePart::Injector => self.injectors,
            MisfirePart::Cylinder => [1, 2, 3, 4],
        };
        order.iter().position(|&n| n == number)
    }
}
