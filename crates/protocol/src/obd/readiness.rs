//! Monitor status: which self-tests a car has, and which have run (PID 01 and 41).

/// What a monitor status speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Period {
    /// PID 01: everything since codes were cleared.
    SinceClear,
    /// PID 41: this drive cycle; "fitted" then means enabled in this cycle.
    ThisDriveCycle,
}

/// How the engine ignites its fuel; decides what the monitors are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ignition {
    /// Petrol and gas engines.
    Spark,
    /// Diesel engines.
    Compression,
}

/// A monitor status as a module reports it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Readiness {
    /// What it speaks of.
    pub period: Period,
    /// The warning lamp is commanded on. Means nothing in PID 41.
    pub lamp: bool,
    /// Number of confirmed codes. Means nothing in PID 41.
    pub n_codes: u8,
    /// Kind of engine.
    pub ignition: Ignition,
    /// Every monitor of this kind of engine, fitted or not, in the order of the bits.
    pub monitors: Vec<MonitorStatus>,
}

/// One monitor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MonitorStatus {
    /// Its name.
    pub name: &'static str,
    /// Whether it runs all the time; programmes often do not count those.
    pub is_continuous: bool,
    /// Its state.
    pub state: MonitorState,
}

/// How far a monitor is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MonitorState {
    /// The car does not have it (PID 41: it is not enabled in this cycle). Never counts as ready.
    NotFitted,
    /// It has run to its end.
    Complete,
    /// It has not.
    Incomplete,
}

const CONTINUOUS: [(u8, &str); 3] = [(0, "misfire"), (1, "fuel system"), (2, "components")];

/// Bits of bytes C and D. C4: A/C refrigerant in older editions, petrol particulate filter in newer ones (from memory),
/// and no byte tells which.
const SPARK: [(u8, &str); 8] = [
    (0, "catalyst"),
    (1, "heated catalyst"),
    (2, "evaporative system"),
    (3, "secondary air"),
    (4, "A/C refrigerant or petrol particulate filter"),
    (5, "oxygen sensor"),
    (6, "oxygen sensor heater"),
    (7, "EGR or variable valve timing"),
];

const COMPRESSION: [(u8, &str); 6] = [
    (0, "NMHC catalyst"),
    (1, "NOx aftertreatment"),
    (3, "boost pressure"),
    (5, "exhaust gas sensor"),
    (6, "particulate filter"),
    (7, "EGR or variable valve timing"),
];

impl Readiness {
    /// Reads the four bytes of PID 01 or 41.
    ///
    /// Source: SAE J1979 as the public table of PID 01 gives it, byte by byte.
    #[must_use]
    pub fn from_bytes([a, b, c, d]: [u8; 4], period: Period) -> Self {
        let bit = |byte: u8, bit: u8| byte >> bit & 1 == 1;
        let status = |name, is_continuous, fitted: bool, incomplete: bool| {
            let state = match (fitted, incomplete) {
                (false, _) => MonitorState::NotFitted,
                (true, false) => MonitorState::Complete,
                (true, true) => MonitorState::Incomplete,
            };
            MonitorStatus { name, is_continuous, state }
        };
        let ignition = if bit(b, 3) { Ignition::Compression } else { Ignition::Spark };
        let others: &[(u8, &'static str)] = match ignition {
            Ignition::Spark => &SPARK,
            Ignition::Compression => &COMPRESSION,
        };
        let continuous = CONTINUOUS.iter().map(|(n, name)| status(name, true, bit(b, *n), bit(b, n + 4)));
        let others = others.iter().map(|(n, name)| status(name, false, bit(c, *n), bit(d, *n)));
        Self { period, lamp: bit(a, 7), n_codes: a & 0x7F, ignition, monitors: continuous.chain(others).collect() }
    }

    /// The monitors that the car has.
    pub fn fitted(&self) -> impl Iterator<Item = &MonitorStatus> {
        self.monitors.iter().filter(|monitor| monitor.state != MonitorState::NotFitted)
    }

    /// The monitors that the car has and that have not run to their end.
    pub fn incomplete(&self) -> impl Iterator<Item = &MonitorStatus> {
        self.monitors.iter().filter(|monitor| monitor.state == MonitorState::Incomplete)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named<'a>(monitors: impl Iterator<Item = &'a MonitorStatus>) -> Vec<&'static str> {
        monitors.map(|monitor| monitor.name).collect()
    }

    // Both worked examples follow the public bit table of SAE J1979 PID 01.

    #[test]
    fn worked_spark_ignition() {
        let readiness = Readiness::from_bytes([0x83, 0x07, 0x65, 0x04], Period::SinceClear);
        assert!(readiness.lamp);
        assert_eq!((readiness.n_codes, readiness.ignition), (3, Ignition::Spark));
        assert_eq!(
            named(readiness.fitted()),
            [
                "misfire",
                "fuel system",
                "components",
                "catalyst",
                "evaporative system",
                "oxygen sensor",
                "oxygen sensor heater"
            ]
        );
        assert_eq!(named(readiness.incomplete()), ["evaporative system"]);
    }

    #[test]
    fn worked_compression_ignition() {
        let readiness = Readiness::from_bytes([0x00, 0x0F, 0x69, 0x61], Period::SinceClear);
        assert!(!readiness.lamp);
        assert_eq!((readiness.n_codes, readiness.ignition), (0, Ignition::Compression));
        assert_eq!(
            named(readiness.fitted().filter(|monitor| !monitor.is_continuous)),
            ["NMHC catalyst", "boost pressure", "exhaust gas sensor", "particulate filter"]
        );
        assert_eq!(named(readiness.incomplete()), ["NMHC catalyst", "exhaust gas sensor", "particulate filter"]);
    }

    #[test]
    fn a_monitor_that_is_not_fitted_never_looks_ready() {
        for b in [0x00, 0x08, 0x70, 0x78] {
            for d in [0x00, 0xFF] {
                let readiness = Readiness::from_bytes([0, b, 0, d], Period::SinceClear);
                assert!(readiness.monitors.iter().all(|monitor| monitor.state == MonitorState::NotFitted));
            }
        }
    }

    #[test]
    fn continuous_monitors_have_their_own_status_bits() {
        let readiness = Readiness::from_bytes([0, 0x57, 0, 0], Period::ThisDriveCycle);
        assert_eq!(named(readiness.incomplete()), ["misfire", "components"]);
    }
}
