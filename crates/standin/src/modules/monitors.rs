//! The modules' own watch over the car: what makes a code mature, and what makes a readiness monitor complete.
//!
//! Limits and times are this invented car's own unless a source is named.

use super::codes::Codes;
use crate::physics::{FuelLoop, State};

/// Non-continuous monitors by bit of PID 01: catalyst 0, evap 2, oxygen sensor 5, its heater 6, valve timing 7.
const CATALYST: u8 = 1 << 0;
const EVAP: u8 = 1 << 2;
const OXYGEN: u8 = 1 << 5;
const HEATER: u8 = 1 << 6;
const TIMING: u8 = 1 << 7;

/// Watch of the engine module.
#[derive(Debug, Clone)]
pub(super) struct EngineMonitors {
    done_since_clear: u8,
    done_this_cycle: u8,
    /// Bits 0 to 2: misfire, fuel, components.
    continuous_since_clear: u8,
    continuous_this_cycle: u8,
    misfire: MisfireMonitor,
    lean_s: f64,
    rich_s: f64,
    meter_s: f64,
    pedal_s: f64,
    closed_s: f64,
    cruise_s: f64,
    coast_s: f64,
    modelled_coolant_c: Option<f64>,
    trim_pct: f64,
    catalyst_ratio: f64,
    /// Completions and conditions met: general, ignition cycles, catalyst, oxygen.
    trips: [u16; 4],
    trip_counted: bool,
}

#[derive(Debug, Clone, Default)]
struct MisfireMonitor {
    catalyst: Window,
    emission: Window,
    exceeded_emission: u32,
    exceeded_catalyst: u32,
    windows: u32,
    averages: [f64; 4],
    previous_cycle: [u32; 4],
    last_counts: [u32; 4],
}

#[derive(Debug, Clone, Copy, Default)]
struct Window {
    revolutions: f64,
    counts: [u32; 4],
}

impl Window {
    /// Counts since the window opened and its percentage, once it is `length` revolutions long; then opens the next.
    fn close(&mut self, state: &State, length: f64) -> Option<([u32; 4], f64)> {
        let revolutions = state.judged_revolutions - self.revolutions;
        if revolutions < length {
            return None;
        }
        let counts = std::array::from_fn(|idx| state.misfires[idx].saturating_sub(self.counts[idx]));
        *self = Self { revolutions: state.judged_revolutions, counts: state.misfires };
        // Two firings per revolution (reference page 6.1).
        Some((counts, 100.0 * f64::from(counts.iter().sum::<u32>()) / (revolutions * 2.0)))
    }
}

impl MisfireMonitor {
    /// Windows of 200 and 1000 revolutions (reference page 6.2).
    fn observe(&mut self, state: &State, codes: &mut Codes) -> bool {
        if let Some((counts, percent)) = self.catalyst.close(state, 200.0) {
            // Percentage that harms the catalyst: falls with speed and load, never below 5 %.
            let limit = (30.0 - state.engine_rpm / 300.0 - state.load_pct / 10.0).max(5.0);
            self.exceeded_catalyst += u32::from(percent >= limit);
            if percent >= limit && self.exceeded_catalyst >= 3 {
                report_misfire(&counts, state, codes);
            }
        }
        let Some((counts, percent)) = self.emission.close(state, 1000.0) else { return false };
        self.windows += 1;
        // One exceedance in the first thousand revolutions counts, four are needed later.
        self.exceeded_emission += u32::from(percent >= 1.0);
        if percent >= 1.0 && (self.windows == 1 || self.exceeded_emission >= 4) {
            report_misfire(&counts, state, codes);
        } else if percent < 1.0 {
            for code in 0x0300..=0x0304 {
                codes.report(code, false, state);
            }
        }
        true
    }
}

/// Which codes a window's counts amount to: one cylinder with more than 90 %, otherwise every cylinder with more than
/// 10 % and the code for several (reference page 6.2, rule on several cylinders).
fn report_misfire(counts: &[u32; 4], state: &State, codes: &mut Codes) {
    let total = f64::from(counts.iter().sum::<u32>().max(1));
    let involved: Vec<u16> =
        (1..).zip(counts).filter(|&(_, &n)| f64::from(n) / total > 0.1).map(|(cylinder, _)| cylinder).collect();
    let single = counts.iter().any(|&n| f64::from(n) / total > 0.9);
    if !single {
        codes.report(0x0300, true, state);
    }
    for cylinder in involved {
        codes.report(0x0300 + cylinder, true, state);
    }
}

impl EngineMonitors {
    /// Non-continuous monitors that this engine has.
    pub(super) const FITTED: u8 = CATALYST | EVAP | OXYGEN | HEATER | TIMING;

    pub(super) fn new(ready: bool) -> Self {
        Self {
            done_since_clear: if ready { Self::FITTED } else { 0 },
            done_this_cycle: 0,
            continuous_since_clear: if ready { 7 } else { 0 },
            continuous_this_cycle: 0,
            misfire: MisfireMonitor::default(),
            lean_s: 0.0,
            rich_s: 0.0,
            meter_s: 0.0,
            pedal_s: 0.0,
            closed_s: 0.0,
            cruise_s: 0.0,
            coast_s: 0.0,
            modelled_coolant_c: None,
            trim_pct: 0.0,
            catalyst_ratio: if ready { 0.12 } else { 0.0 },
            trips: [412, 977, 301, 318],
            trip_counted: false,
        }
    }

    /// Bits of incomplete continuous and other monitors, as in bytes B and D of PIDs 01 and 41.
    pub(super) fn incomplete(&self, this_cycle: bool) -> (u8, u8) {
        let (continuous, others) = if this_cycle {
            (self.continuous_this_cycle, self.done_this_cycle)
        } else {
            (self.continuous_since_clear, self.done_since_clear)
        };
        (!continuous & 7, !others & Self::FITTED)
    }

    pub(super) fn clear(&mut self) {
        *self = Self { trips: self.trips, trip_counted: self.trip_counted, ..Self::new(false) };
    }

    pub(super) fn new_cycle(&mut self) {
        let misfire = &mut self.misfire;
        for (average, &count) in misfire.averages.iter_mut().zip(&misfire.last_counts) {
            // Average over drive cycles: a tenth of the new count, nine tenths of the old average.
            *average = 0.9 * *average + 0.1 * f64::from(count);
        }
        let (averages, previous_cycle) = (misfire.averages, misfire.last_counts);
        *misfire = MisfireMonitor { averages, previous_cycle, ..MisfireMonitor::default() };
        self.done_this_cycle = 0;
        self.continuous_this_cycle = 0;
        self.modelled_coolant_c = None;
        (self.closed_s, self.cruise_s, self.coast_s) = (0.0, 0.0, 0.0);
        self.trips[1] = self.trips[1].saturating_add(1);
        self.trip_counted = false;
    }

    fn complete(&mut self, bits: u8) {
        self.done_this_cycle |= bits;
        self.done_since_clear |= bits;
    }

    fn complete_continuous(&mut self, bits: u8) {
        self.continuous_this_cycle |= bits;
        self.continuous_since_clear |= bits;
    }

    pub(super) fn observe(&mut self, state: &State, step_s: f64, codes: &mut Codes) {
        let apart = (state.pedal_tracks_pct[0] - 2.0 * state.pedal_tracks_pct[1]).abs() > 5.0;
        hold(&mut self.pedal_s, apart, step_s);
        codes.report(0x2138, self.pedal_s > 0.3, state);
        if !state.engine_running {
            return;
        }
        if self.misfire.observe(state, codes) {
            self.complete_continuous(1);
        }
        self.misfire.last_counts = state.misfires;
        self.fuel(state, step_s, codes);
        self.warm_up(state, step_s, codes);
        if state.run_time_s > 60.0 {
            self.complete_continuous(4);
            self.complete(HEATER);
        }
        // Steady warm driving lets the slow monitors run (reference page 5.2).
        let steady = (50.0..=110.0).contains(&state.true_speed_kmh) && state.fuel_loop == FuelLoop::Closed;
        if steady && state.coolant_c > 70.0 {
            self.cruise_s += step_s;
        }
        if state.fuel_loop == FuelLoop::OpenDrive && state.true_pedal_pct < 1.0 && state.true_speed_kmh > 40.0 {
            self.coast_s += step_s;
        }
        if self.cruise_s > 120.0 && self.coast_s > 3.0 && self.done_this_cycle & OXYGEN == 0 {
            self.complete(OXYGEN);
            self.trips[3] = self.trips[3].saturating_add(1);
        }
        if self.cruise_s > 60.0 && self.coast_s > 5.0 {
            self.complete(TIMING);
        }
        if self.cruise_s > 300.0 && self.done_this_cycle & CATALYST == 0 {
            self.complete(CATALYST);
            self.catalyst_ratio = 0.12;
            self.trips[2] = self.trips[2].saturating_add(1);
        }
        if state.run_time_s > 600.0 && !self.trip_counted {
            self.trip_counted = true;
            self.trips[0] = self.trips[0].saturating_add(1);
        }
    }

    fn fuel(&mut self, state: &State, step_s: f64, codes: &mut Codes) {
        let closed = state.fuel_loop == FuelLoop::Closed;
        hold(&mut self.closed_s, closed, step_s);
        if !closed || self.closed_s < 5.0 {
            return;
        }
        self.trim_pct += 0.02 * (state.short_trim_pct + state.long_trim_pct - self.trim_pct);
        hold(&mut self.lean_s, self.trim_pct > 20.0, step_s);
        hold(&mut self.rich_s, self.trim_pct < -20.0, step_s);
        // Air that this speed and manifold pressure should bring, by the displacement and a plain filling table.
        let density = state.manifold_kpa * 1000.0 / (287.0 * (state.intake_c + 273.15));
        let expected_g_s = 0.82 * density * crate::physics::DISPLACEMENT_M3 * state.engine_rpm / 120.0 * 1000.0;
        hold(&mut self.meter_s, state.air_flow_g_s < 0.72 * expected_g_s && expected_g_s > 8.0, step_s);
        if self.closed_s > 30.0 {
            codes.report(0x0171, self.lean_s > 30.0, state);
            codes.report(0x0172, self.rich_s > 30.0, state);
            codes.report(0x0101, self.meter_s > 10.0, state);
            self.complete_continuous(2);
        }
    }

    /// The module's own expectation of the warm-up, compared with the sensor.
    fn warm_up(&mut self, state: &State, step_s: f64, codes: &mut Codes) {
        let modelled = self.modelled_coolant_c.get_or_insert(state.coolant_c);
        // Slower than a healthy engine warms: heat in proportion to air, losses to outside.
        *modelled += step_s * (0.012 * state.true_air_g_s + 0.03 - 0.0008 * (*modelled - state.ambient_c));
        if *modelled >= 82.0 {
            *modelled = 82.0;
            codes.report(0x0128, state.coolant_c < 74.0, state);
        }
    }

    pub(super) fn performance(&self) -> Vec<u8> {
        let [general, ignition, catalyst, oxygen] = self.trips;
        let word = [
            general,
            ignition,
            catalyst,
            general,
            0,
            0,
            oxygen,
            general,
            0,
            0,
            catalyst,
            general,
            0,
            0,
            96,
            general / 3,
            0,
            0,
            0,
            0,
        ];
        let mut data = vec![word.len() as u8];
        data.extend(word.iter().flat_map(|w| w.to_be_bytes()));
        data
    }

    /// Results of service 06; all zero where the test has not run since clearing.
    pub(super) fn results(&self, mid: u8, state: &State) -> Vec<(u8, u8, u16, u16, u16)> {
        let ran = |bit: u8, result: (u8, u8, u16, u16, u16)| {
            if self.done_since_clear & bit != 0 { result } else { (result.0, result.1, 0, 0, 0) }
        };
        let counts = if state.engine_running { state.misfires } else { self.misfire.previous_cycle };
        let misfire = |counts: u32, average: f64| {
            vec![(0x0B, 0x24, average.round() as u16, 0, 0xFFFF), (0x0C, 0x24, counts.min(0xFFFF) as u16, 0, 0xFFFF)]
        };
        match mid {
            // Period and voltages of the sensors, in 10 ms and mV.
            0x01 => vec![ran(OXYGEN, (0x0A, 0x10, 640, 0, 2000))],
            0x02 => vec![ran(OXYGEN, (0x07, 0x0B, 85, 0, 450)), ran(OXYGEN, (0x08, 0x0B, 790, 550, 1275))],
            0x21 => vec![ran(CATALYST, (0x80, 0x20, (self.catalyst_ratio * 256.0) as u16, 0, 154))],
            0x35 => vec![ran(TIMING, (0x81, 0x9D, 3, 0xFFEC, 20))],
            0x3D => vec![ran(EVAP, (0x82, 0xA9, 96, 40, 400))],
            0x41 | 0x42 => vec![ran(HEATER, (0x83, 0x14, if mid == 0x41 { 4 } else { 9 }, 2, 20))],
            0x81 => {
                let steps = ((self.trim_pct + 100.0) * 100.0).clamp(0.0, 65_535.0) as u16;
                vec![(0x84, 0x2F, steps, 8000, 12_000)]
            }
            0xA1 => {
                let average: f64 = self.misfire.averages.iter().sum();
                misfire(counts.iter().sum(), average)
            }
            0xA2..=0xA5 => {
                let idx = usize::from(mid - 0xA2);
                misfire(counts[idx], self.misfire.averages[idx])
            }
            _ => Vec::new(),
        }
    }
}

/// Seconds for which something has been so without a break.
fn hold(seconds: &mut f64, active: bool, step_s: f64) {
    *seconds = if active { *seconds + step_s } else { 0.0 };
}

/// Watch of the brake module over its four wheels.
#[derive(Debug, Clone, Default)]
pub(super) struct WheelMonitors {
    previous: Option<[f64; 4]>,
    lost: [u32; 4],
    rough: [f64; 4],
}

impl WheelMonitors {
    pub(super) fn observe(&mut self, state: &State, step_s: f64, codes: &mut Codes) {
        let now = state.wheels_kmh;
        let before = self.previous.replace(now).unwrap_or(now);
        let mut sorted = now;
        sorted.sort_by(f64::total_cmp);
        // The third fastest: neither the odd one nor the fastest of a turn.
        let reference = sorted[1];
        for (idx, (sensor, ring)) in
            [(0x4031, 0x4030), (0x4034, 0x4033), (0x4037, 0x4036), (0x403A, 0x4039)].into_iter().enumerate()
        {
            if reference < 15.0 {
                continue;
            }
            // A fall by half within one look is no motion (reference page 7, dropout test).
            if before[idx] > 15.0 && now[idx] < 0.5 * before[idx] && now[idx] < 0.5 * reference {
                self.lost[idx] += 1;
            }
            codes.report(sensor, self.lost[idx] >= 3, state);
            let jump = ((now[idx] - reference) / reference).abs();
            self.rough[idx] += (jump - self.rough[idx]) * step_s / 20.0;
            codes.report(ring, self.rough[idx] > 0.08, state);
        }
    }
}
