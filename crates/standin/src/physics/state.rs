//! What the car's sensors and control modules know at one moment.

/// Fuel control, as service 01 PID 03 distinguishes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FuelLoop {
    /// Engine stopped.
    Off,
    /// Too cold for the oxygen sensor.
    OpenCold,
    /// Feedback from the oxygen sensor.
    Closed,
    /// High load, or fuel cut on the overrun.
    OpenDrive,
}

/// What a tester has taken out of the modules' hands.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Commands {
    /// Relay of the compressor clutch.
    pub ac_clutch: Option<bool>,
    /// Cooling fan, %.
    pub fan_pct: Option<f64>,
    /// Vent valve of the fuel tank, closed for a leak test.
    pub vent_closed: bool,
}

impl Commands {
    /// Both together.
    pub(crate) fn and(self, other: Self) -> Self {
        Self {
            ac_clutch: self.ac_clutch.or(other.ac_clutch),
            fan_pct: self.fan_pct.or(other.fan_pct),
            vent_closed: self.vent_closed || other.vent_closed,
        }
    }
}

/// One moment of the car. Sensor values as the modules hold them, before they are packed into messages; `true_` values
/// are the physical ones, which no module knows.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct State {
    /// Since the start of the road script, s.
    pub time_s: f64,
    /// Speed over ground, km/h.
    pub true_speed_kmh: f64,
    /// Accelerator pedal, % of its travel.
    pub true_pedal_pct: f64,
    /// Air into the cylinders, g/s.
    pub true_air_g_s: f64,
    /// Curvature of the path of the rear axle's middle, 1/m, left positive.
    pub true_curvature_per_m: f64,
    /// The ignition is on: modules answer.
    pub engine_running: bool,
    /// Since the engine was started, s.
    pub run_time_s: f64,
    /// Crankshaft, rpm.
    pub engine_rpm: f64,
    /// Calculated load, %.
    pub load_pct: f64,
    /// Absolute load, %.
    pub absolute_load_pct: f64,
    /// Both pedal tracks, % of supply.
    pub pedal_tracks_pct: [f64; 2],
    /// Both throttle tracks, % of supply.
    pub throttle_tracks_pct: [f64; 2],
    /// Throttle as commanded, %.
    pub throttle_command_pct: f64,
    /// Metered air, g/s.
    pub air_flow_g_s: f64,
    /// Intake manifold, kPa absolute.
    pub manifold_kpa: f64,
    /// Outside pressure, kPa.
    pub barometric_kpa: f64,
    /// Intake air, degC.
    pub intake_c: f64,
    /// Coolant, degC.
    pub coolant_c: f64,
    /// Oil, degC.
    pub oil_c: f64,
    /// Outside air, degC.
    pub ambient_c: f64,
    /// Catalyst, degC.
    pub catalyst_c: f64,
    /// Fuel control.
    pub fuel_loop: FuelLoop,
    /// Short trim, %.
    pub short_trim_pct: f64,
    /// Long trim, %.
    pub long_trim_pct: f64,
    /// Measured lambda before the catalyst.
    pub lambda: f64,
    /// Commanded lambda.
    pub lambda_command: f64,
    /// Sensor behind the catalyst, V.
    pub oxygen_rear_v: f64,
    /// Ignition, degrees before top dead centre.
    pub ignition_deg: f64,
    /// Fuel, L/h.
    pub fuel_l_h: f64,
    /// Torque at the crankshaft, Nm.
    pub torque_nm: f64,
    /// Engaged gear, 1 to 5; 0 in neutral.
    pub gear: u8,
    /// A gear is being changed.
    pub shifting: bool,
    /// Wheel speeds FL, FR, RL, RR as the brake module holds them, km/h.
    pub wheels_kmh: [f64; 4],
    /// Vehicle speed as the brake module tells the others: the mean of the two middle wheels, so that one lost or
    /// spinning wheel does not count, km/h.
    pub speed_kmh: f64,
    /// Yaw rate, deg/s, left positive.
    pub yaw_deg_s: f64,
    /// Steering wheel, deg, left positive.
    pub steering_deg: f64,
    /// Supply voltage, V.
    pub battery_v: f64,
    /// Relay of the compressor clutch.
    pub ac_relay: bool,
    /// The compressor clutch has pulled in.
    pub ac_clutch: bool,
    /// Refrigerant, high side, kPa.
    pub ac_pressure_kpa: f64,
    /// Cooling fan, %.
    pub fan_pct: f64,
    /// Fuel in the tank, %.
    pub fuel_level_pct: f64,
    /// Detected misfires per cylinder since engine start.
    pub misfires: [u32; 4],
    /// Revolutions since engine start in which misfire was judged.
    pub judged_revolutions: f64,
    /// Odometer, km.
    pub odometer_km: f64,
    /// What a tester commands.
    pub commands: Commands,
}

impl Default for State {
    fn default() -> Self {
        Self {
            time_s: 0.0,
            true_speed_kmh: 0.0,
            true_pedal_pct: 0.0,
            true_air_g_s: 2.6,
            true_curvature_per_m: 0.0,
            engine_running: true,
            run_time_s: 0.0,
            engine_rpm: 750.0,
            load_pct: 22.0,
            absolute_load_pct: 18.0,
            pedal_tracks_pct: [15.7, 7.85],
            throttle_tracks_pct: [13.0, 87.0],
            throttle_command_pct: 13.0,
            air_flow_g_s: 2.6,
            manifold_kpa: 34.0,
            barometric_kpa: 100.6,
            intake_c: 20.0,
            coolant_c: 88.0,
            oil_c: 88.0,
            ambient_c: 18.0,
            catalyst_c: 420.0,
            fuel_loop: FuelLoop::Closed,
            short_trim_pct: 0.0,
            long_trim_pct: 0.0,
            lambda: 1.0,
            lambda_command: 1.0,
            oxygen_rear_v: 0.65,
            ignition_deg: 10.0,
            fuel_l_h: 0.9,
            torque_nm: 10.0,
            gear: 1,
            shifting: false,
            wheels_kmh: [0.0; 4],
            speed_kmh: 0.0,
            yaw_deg_s: 0.0,
            steering_deg: 0.0,
            battery_v: 14.1,
            ac_relay: false,
            ac_clutch: false,
            ac_pressure_kpa: 600.0,
            fan_pct: 0.0,
            fuel_level_pct: 62.0,
            misfires: [0; 4],
            judged_revolutions: 0.0,
            odometer_km: 61_408.3,
            commands: Commands::default(),
        }
    }
}
