//! The engine module: 7E0 / 7E8.

use super::codes::{Codes, Kind};
use super::monitors::EngineMonitors;
use super::obd::{self, Emissions};
use super::pack::{byte, celsius, percent, signed_percent, word};
use super::uds::{self, Diagnostics, Identity, Session};
use super::{Module, Reply, Start};
use crate::physics::{Commands, FuelLoop, State};

/// Codes that this module can set; numbers from the reference page 2.4.
const KINDS: [Kind; 10] = [
    kind(0x0101, 0x64),
    kind(0x0128, 0x00),
    kind(0x0171, 0x00),
    kind(0x0172, 0x00),
    kind(0x0300, 0x00),
    kind(0x0301, 0x00),
    kind(0x0302, 0x00),
    kind(0x0303, 0x00),
    kind(0x0304, 0x00),
    Kind { code: 0x2138, failure_type: 0x62, two_trips: false, lamp: true },
];

const fn kind(code: u16, failure_type: u8) -> Kind {
    Kind { code, failure_type, two_trips: true, lamp: true }
}

const PIDS: [u8; 49] = [
    0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x21, 0x2E,
    0x2F, 0x30, 0x31, 0x33, 0x34, 0x3C, 0x41, 0x42, 0x43, 0x44, 0x45, 0x46, 0x47, 0x49, 0x4A, 0x4C, 0x4D, 0x4E, 0x51,
    0x5A, 0x5C, 0x5E, 0x61, 0x62, 0x63, 0x67, 0x68, 0x8E, 0x9D, 0xA6,
];

/// Torque at which PIDs 61 and 62 read 100 %, Nm.
const REFERENCE_NM: f64 = 155.0;

/// What is counted since the codes were cleared.
#[derive(Debug, Clone, Copy)]
struct SinceClear {
    odometer_km: f64,
    time_s: f64,
    warm_ups: u8,
    lamp_km: f64,
    lamp_s: f64,
}

#[derive(Debug)]
pub(super) struct Engine {
    vin: &'static str,
    codes: Codes,
    session: Session,
    monitors: EngineMonitors,
    since: SinceClear,
    previous_km: Option<f64>,
    cold_start: Option<f64>,
    vent_closed: bool,
}

impl Engine {
    pub(super) fn new(start: &Start, vin: &'static str) -> Self {
        let odometer_km = State::default().odometer_km;
        let since = if start.cleared {
            SinceClear { odometer_km, time_s: 0.0, warm_ups: 0, lamp_km: 0.0, lamp_s: 0.0 }
        } else {
            SinceClear {
                odometer_km: odometer_km - 1210.0,
                time_s: -187_000.0,
                warm_ups: 34,
                lamp_km: 0.0,
                lamp_s: 0.0,
            }
        };
        let mut engine = Self {
            vin,
            codes: Codes::new(&KINDS),
            session: Session::default(),
            monitors: EngineMonitors::new(!start.cleared),
            since,
            previous_km: None,
            cold_start: None,
            vent_closed: false,
        };
        if start.cleared {
            engine.codes.clear();
        }
        engine
    }

    fn readiness(&self, this_cycle: bool) -> Vec<u8> {
        let (continuous, others) = self.monitors.incomplete(this_cycle);
        let lamp =
            if this_cycle { 0 } else { u8::from(self.codes.lamp()) << 7 | self.codes.stored().len() as u8 & 0x7F };
        vec![lamp, 0x07 | continuous << 4, EngineMonitors::FITTED, others]
    }
}

impl Emissions for Engine {
    fn pids(&self) -> &'static [u8] {
        &PIDS
    }

    fn pid(&self, pid: u8, s: &State) -> Vec<u8> {
        let lambda = |value: f64| word(value * 32_768.0);
        let since = &self.since;
        match pid {
            0x01 => self.readiness(false),
            0x03 => {
                let bank = match s.fuel_loop {
                    FuelLoop::Off => 0,
                    FuelLoop::OpenCold => 1,
                    FuelLoop::Closed => 2,
                    FuelLoop::OpenDrive => 4,
                };
                vec![bank, 0]
            }
            0x04 => vec![percent(s.load_pct)],
            0x05 => vec![celsius(s.coolant_c)],
            0x06 => vec![signed_percent(s.short_trim_pct)],
            0x07 => vec![signed_percent(s.long_trim_pct)],
            0x0B => vec![byte(s.manifold_kpa)],
            0x0C => word(s.engine_rpm * 4.0).to_vec(),
            0x0D => vec![byte(s.speed_kmh)],
            0x0E => vec![byte((s.ignition_deg + 64.0) * 2.0)],
            0x0F => vec![celsius(s.intake_c)],
            0x10 => word(s.air_flow_g_s * 100.0).to_vec(),
            0x11 => vec![percent(s.throttle_tracks_pct[0])],
            // Bank 1: sensor 1 (wide range) and 2.
            0x13 => vec![0x03],
            0x15 => vec![byte(s.oxygen_rear_v * 200.0), 0xFF],
            0x1C => vec![6],
            0x1F => word(s.run_time_s).to_vec(),
            0x21 => word(since.lamp_km).to_vec(),
            0x2E => vec![percent(if s.fuel_loop == FuelLoop::Closed && s.engine_rpm > 1200.0 { 22.0 } else { 0.0 })],
            0x2F => vec![percent(s.fuel_level_pct)],
            0x30 => vec![since.warm_ups],
            0x31 => word(s.odometer_km - since.odometer_km).to_vec(),
            0x33 => vec![byte(s.barometric_kpa)],
            // The pump current of a wide-range sensor is about proportional to the excess or lack of oxygen.
            0x34 => [lambda(s.lambda), word((128.0 + (s.lambda - 1.0) * 12.0) * 256.0)].concat(),
            0x3C => word((s.catalyst_c + 40.0) * 10.0).to_vec(),
            0x41 => self.readiness(true),
            0x42 => word(s.battery_v * 1000.0).to_vec(),
            0x43 => word(s.absolute_load_pct * 255.0 / 100.0).to_vec(),
            0x44 => lambda(s.lambda_command).to_vec(),
            0x45 => vec![percent(s.throttle_command_pct - 8.0)],
            0x46 => vec![celsius(s.ambient_c)],
            0x47 => vec![percent(s.throttle_tracks_pct[1])],
            0x49 => vec![percent(s.pedal_tracks_pct[0])],
            0x4A => vec![percent(s.pedal_tracks_pct[1])],
            0x4C => vec![percent(s.throttle_command_pct)],
            0x4D => word(since.lamp_s / 60.0).to_vec(),
            0x4E => word((s.time_s - since.time_s) / 60.0).to_vec(),
            0x51 => vec![1],
            0x5A => vec![percent((s.pedal_tracks_pct[0] - 15.7) / 0.65)],
            0x5C => vec![celsius(s.oil_c)],
            0x5E => word(s.fuel_l_h * 20.0).to_vec(),
            0x61 => vec![byte(s.true_pedal_pct + 125.0)],
            0x62 => vec![byte(s.torque_nm / REFERENCE_NM * 100.0 + 125.0)],
            0x63 => word(REFERENCE_NM).to_vec(),
            0x67 => vec![0x01, celsius(s.coolant_c), 0],
            0x68 => vec![0x01, celsius(s.intake_c), 0, 0, 0, 0, 0],
            0x8E => vec![byte(125.0 + 12.0 + s.engine_rpm / 400.0)],
            // Petrol of 745 g/L; the car's rate is the engine's.
            0x9D => [word(s.fuel_l_h * 745.0 / 3600.0 * 50.0), word(s.fuel_l_h * 745.0 / 3600.0 * 50.0)].concat(),
            0xA6 => ((s.odometer_km * 10.0) as u32).to_be_bytes().to_vec(),
            _ => Vec::new(),
        }
    }

    fn codes(&mut self) -> &mut Codes {
        &mut self.codes
    }

    fn mids(&self) -> &'static [u8] {
        &[0x01, 0x02, 0x21, 0x35, 0x3D, 0x41, 0x42, 0x81, 0xA1, 0xA2, 0xA3, 0xA4, 0xA5]
    }

    fn monitor(&self, mid: u8, state: &State) -> Vec<(u8, u8, u16, u16, u16)> {
        self.monitors.results(mid, state)
    }

    fn infos(&self) -> &'static [u8] {
        &[0x02, 0x04, 0x06, 0x08, 0x0A]
    }

    fn info(&self, info: u8) -> Vec<u8> {
        match info {
            0x02 => [&[1], self.vin.as_bytes()].concat(),
            0x04 => [&[1], &b"TWK16F2018-04A1\0"[..]].concat(),
            0x06 => vec![1, 0x5B, 0x19, 0xC3, 0x7E],
            0x08 => self.monitors.performance(),
            _ => [&[1], &b"ECM\0-EngineControl\0\0"[..]].concat(),
        }
    }

    fn tids(&self) -> &'static [u8] {
        &[0x01]
    }

    /// Test 01 closes the tank's vent valve for a leak test, with the engine off; the first data byte, an addition of this
    /// maker's, opens it again with 0. Starting the engine opens it too.
    fn control(&mut self, tid: u8, data: &[u8], state: &State) -> Result<Vec<u8>, u8> {
        match (tid, data.first()) {
            (0x01, _) if state.engine_running => Err(obd::CONDITIONS_NOT_CORRECT),
            (0x01, on @ (None | Some(0 | 1))) => {
                self.vent_closed = on != Some(&0);
                Ok(data.to_vec())
            }
            _ => Err(obd::OUT_OF_RANGE),
        }
    }

    fn clear(&mut self, state: &State) {
        self.codes.clear();
        self.monitors.clear();
        let (odometer_km, time_s) = (state.odometer_km, state.time_s);
        self.since = SinceClear { odometer_km, time_s, warm_ups: 0, lamp_km: 0.0, lamp_s: 0.0 };
    }
}

impl Diagnostics for Engine {
    fn services(&self) -> &'static [u8] {
        &[0x19, 0x22, 0x2C, 0x3E]
    }

    fn identity(&self) -> Identity {
        Identity { name: "Engine control", software: "04A1" }
    }

    fn vin(&self) -> &'static str {
        self.vin
    }

    fn session(&mut self) -> &mut Session {
        &mut self.session
    }

    fn data(&self, did: u16, state: &State) -> Option<Vec<u8>> {
        Some(match did {
            0xD202 => vec![u8::from(state.commands.vent_closed)],
            0xD201 => state.misfires.iter().flat_map(|&n| word(f64::from(n))).collect(),
            _ => return None,
        })
    }

    fn codes(&mut self) -> &mut Codes {
        &mut self.codes
    }

    fn clear(&mut self, state: &State) {
        Emissions::clear(self, state);
    }
}

impl Module for Engine {
    fn answer(&mut self, request: &[u8], functional: bool, state: &State) -> Reply {
        obd::answer(self, request, functional, state).unwrap_or_else(|| uds::answer(self, request, functional, state))
    }

    fn observe(&mut self, state: &State, step_s: f64) {
        self.monitors.observe(state, step_s, &mut self.codes);
        let km = self.previous_km.replace(state.odometer_km).map_or(0.0, |before| state.odometer_km - before);
        if self.codes.lamp() {
            self.since.lamp_km += km;
            self.since.lamp_s += step_s;
        }
        // A warm-up: coolant rises by at least 22 K and reaches 71 degC (reference page 5.4).
        let cold = *self.cold_start.get_or_insert(state.coolant_c);
        if state.coolant_c >= 71.0 && state.coolant_c >= cold + 22.0 {
            self.since.warm_ups = self.since.warm_ups.saturating_add(1);
            self.cold_start = Some(f64::INFINITY);
        }
    }

    fn commands(&self) -> Commands {
        Commands { vent_closed: self.vent_closed, ..Commands::default() }
    }

    fn restart(&mut self) {
        self.session = Session::default();
        self.vent_closed = false;
    }

    fn new_cycle(&mut self, state: &State) {
        self.vent_closed = false;
        self.codes.new_cycle();
        self.monitors.new_cycle();
        self.cold_start = Some(state.coolant_c);
    }
}
