//! Monitor status: which self-tests a car has, and which have run (PID 01 and 41, or the readiness groups of OBD on UDS).

use crate::CodeStatus;

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
    /// Kind of engine; `None` where the status does not tell.
    pub ignition: Option<Ignition>,
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

/// Readiness groups by number, from 1. What each of them is we do not have from any source.
pub const GROUPS: [&str; 16] = [
    "readiness group 01",
    "readiness group 02",
    "readiness group 03",
    "readiness group 04",
    "readiness group 05",
    "readiness group 06",
    "readiness group 07",
    "readiness group 08",
    "readiness group 09",
    "readiness group 0A",
    "readiness group 0B",
    "readiness group 0C",
    "readiness group 0D",
    "readiness group 0E",
    "readiness group 0F",
    "readiness group 10",
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
        Self {
            period,
            lamp: bit(a, 7),
            n_codes: a & 0x7F,
            ignition: Some(ignition),
            monitors: continuous.chain(others).collect(),
        }
    }

    /// Puts a monitor status together from readiness groups (SAE J1979-2, from memory): a group is complete when the tests
    /// behind all of its codes have been, which bits 4 and 6 of their status bytes tell. `groups`: number, and the status of
    /// each of its codes; one without codes is not fitted. `None` without any group.
    #[must_use]
    pub fn from_groups(groups: &[(u8, Vec<CodeStatus>)], period: Period) -> Option<Self> {
        let is_open = |status: &CodeStatus| match period {
            Period::SinceClear => status.not_tested_since_clear(),
            Period::ThisDriveCycle => status.not_tested_this_cycle(),
        };
        let monitors: Vec<MonitorStatus> = groups
            .iter()
            .filter_map(|(group, codes)| {
                let state = match codes.iter().any(is_open) {
                    _ if codes.is_empty() => MonitorState::NotFitted,
                    true => MonitorState::Incomplete,
                    false => MonitorState::Complete,
                };
                let name = GROUPS.get(usize::from(*group).checked_sub(1)?)?;
                Some(MonitorStatus { name, is_continuous: false, state })
            })
            .collect();
        let codes = || groups.iter().flat_map(|(_, codes)| codes);
        let lamp = codes().any(|status| status.lamp());
        let n_codes = u8::try_from(codes().filter(|status| status.confirmed()).count()).unwrap_or(u8::MAX);
        (!monitors.is_empty()).then_some(Self { period, lamp, n_codes, ignition: None, monitors })
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
        assert_eq!((readiness.n_codes, readiness.ignition), (3, Some(Ignition::Spark)));
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
        assert_eq!((readiness.n_codes, readiness.ignition), (0, Some(Ignition::Compression)));
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

    /// Bits 4 and 6 of the status byte: ISO 14229-1.
    #[test]
    fn groups_are_complete_when_all_their_codes_were_tested() {
        let groups = [
            (1, vec![CodeStatus(0x00), CodeStatus(0x28)]),
            (3, vec![CodeStatus(0x50), CodeStatus(0x00)]),
            (4, vec![CodeStatus(0xAF), CodeStatus(0x40)]),
            (7, Vec::new()),
            (200, vec![CodeStatus(0x00)]),
        ];
        let of = |period| Readiness::from_groups(&groups, period).unwrap();
        let since = of(Period::SinceClear);
        assert_eq!(named(since.fitted()), ["readiness group 01", "readiness group 03", "readiness group 04"]);
        assert_eq!(named(since.incomplete()), ["readiness group 03"]);
        assert_eq!((since.lamp, since.n_codes, since.ignition), (true, 2, None));
        assert_eq!(named(of(Period::ThisDriveCycle).incomplete()), ["readiness group 03", "readiness group 04"]);
        assert_eq!(Readiness::from_groups(&[], Period::SinceClear), None);
    }
}
