//! PIDs 40 to 64.

use super::words::letters::{A, B, C, D, E};
use super::words::*;
use crate::obd::pid::Pid;
use crate::obd::readiness::Period;

/// Numbers from memory, as public tables list them.
const FUEL: &[(u8, &str)] = &[
    (0, "not available"),
    (1, "petrol"),
    (2, "methanol"),
    (3, "ethanol"),
    (4, "diesel"),
    (5, "LPG"),
    (6, "CNG"),
    (7, "propane"),
    (8, "electric"),
    (9, "bi-fuel, running on petrol"),
    (10, "bi-fuel, running on methanol"),
    (11, "bi-fuel, running on ethanol"),
    (12, "bi-fuel, running on LPG"),
    (13, "bi-fuel, running on CNG"),
    (14, "bi-fuel, running on propane"),
    (15, "bi-fuel, running on electricity"),
    (16, "bi-fuel, running on electricity and combustion"),
    (17, "hybrid, petrol"),
    (18, "hybrid, ethanol"),
    (19, "hybrid, diesel"),
    (20, "hybrid, electric"),
    (21, "hybrid, running on electricity and combustion"),
    (22, "hybrid, regenerative"),
    (23, "bi-fuel, running on diesel"),
];

const EMISSION_CLASS: &[(u8, &str)] =
    &[(0x0E, "heavy duty, Euro IV B1"), (0x0F, "heavy duty, Euro V B2"), (0x10, "heavy duty, Euro EEV C")];

pub(super) const TABLE: &[Pid] = &[
    bitmap(0x40),
    pid(
        0x41,
        4,
        "monitor status in this drive cycle",
        &[readiness("monitor_status_this_cycle", Period::ThisDriveCycle)],
    ),
    pid(0x42, 2, "control module voltage", &[word("module_voltage", A, "V").over(1000.0)]),
    pid(0x43, 2, "absolute engine load", &[word("absolute_load", A, "%").times(100.0).over(255.0)]),
    pid(0x44, 2, "commanded lambda", &[lambda("commanded_lambda", A)]),
    pid(0x45, 1, "relative throttle position", &[percent("relative_throttle_position", A)]),
    pid(0x46, 1, "ambient air temperature", &[celsius("ambient_air_temperature", A)]),
    pid(0x47, 1, "throttle position B, absolute", &[percent("throttle_position_b", A)]),
    pid(0x48, 1, "throttle position C, absolute", &[percent("throttle_position_c", A)]),
    pid(0x49, 1, "accelerator pedal position D", &[percent("pedal_position_d", A)]),
    pid(0x4A, 1, "accelerator pedal position E", &[percent("pedal_position_e", A)]),
    pid(0x4B, 1, "accelerator pedal position F", &[percent("pedal_position_f", A)]),
    pid(0x4C, 1, "commanded throttle actuator", &[percent("commanded_throttle", A)]),
    pid(0x4D, 2, "run time with the warning lamp on", &[word("run_time_with_lamp", A, "min")]),
    pid(0x4E, 2, "time since codes were cleared", &[word("time_since_clear", A, "min")]),
    // From memory, and not applied: where one of these is not 0, the PIDs they speak of may be scaled to it.
    pid(
        0x4F,
        4,
        "greatest values that PIDs 24 to 2B, 34 to 3B and 0B can take",
        &[
            byte("maximum_lambda", A, "1"),
            byte("maximum_oxygen_voltage", B, "V"),
            byte("maximum_oxygen_current", C, "mA"),
            byte("maximum_manifold_pressure", D, "kPa").times(10.0),
        ],
    ),
    pid(0x50, 4, "greatest value that PID 10 can take", &[byte("maximum_mass_air_flow", A, "g/s").times(10.0)]),
    pid(0x51, 1, "fuel in use", &[choice("fuel_type", A, FUEL)]),
    pid(0x52, 1, "share of ethanol in the fuel", &[percent("ethanol_share", A)]),
    pid(0x53, 2, "evaporative system pressure, absolute", &[word("evap_pressure_absolute", A, "kPa").over(200.0)]),
    pid(0x54, 2, "evaporative system vapour pressure, wide", &[word("evap_vapour_pressure_wide", A, "Pa").signed()]),
    pid(
        0x55,
        2,
        "short-term trim of the second oxygen sensor, banks 1 and 3",
        &[trim("secondary_short_trim_bank_1", A), trim("secondary_short_trim_bank_3", B)],
    ),
    pid(
        0x56,
        2,
        "long-term trim of the second oxygen sensor, banks 1 and 3",
        &[trim("secondary_long_trim_bank_1", A), trim("secondary_long_trim_bank_3", B)],
    ),
    pid(
        0x57,
        2,
        "short-term trim of the second oxygen sensor, banks 2 and 4",
        &[trim("secondary_short_trim_bank_2", A), trim("secondary_short_trim_bank_4", B)],
    ),
    pid(
        0x58,
        2,
        "long-term trim of the second oxygen sensor, banks 2 and 4",
        &[trim("secondary_long_trim_bank_2", A), trim("secondary_long_trim_bank_4", B)],
    ),
    pid(0x59, 2, "fuel rail pressure, absolute", &[word("rail_pressure_absolute", A, "kPa").times(10.0)]),
    pid(0x5A, 1, "relative accelerator pedal position", &[percent("relative_pedal_position", A)]),
    pid(0x5B, 1, "hybrid battery pack remaining", &[percent("hybrid_battery_remaining", A)]),
    pid(0x5C, 1, "engine oil temperature", &[celsius("engine_oil_temperature", A)]),
    pid(0x5D, 2, "fuel injection timing", &[word("injection_timing", A, "deg").over(128.0).plus(-210.0)]),
    pid(0x5E, 2, "engine fuel rate", &[word("fuel_rate", A, "L/h").over(20.0)]),
    pid(0x5F, 1, "emission requirement the vehicle is designed for", &[choice("emission_class", A, EMISSION_CLASS)]),
    bitmap(0x60),
    pid(0x61, 1, "torque the driver demands", &[torque("demanded_torque", A)]),
    pid(0x62, 1, "actual engine torque", &[torque("actual_torque", A)]),
    pid(0x63, 2, "engine reference torque", &[word("reference_torque", A, "Nm")]),
    pid(
        0x64,
        5,
        "engine torque at idle and at points 1 to 4",
        &[
            torque("torque_at_idle", A),
            torque("torque_at_point_1", B),
            torque("torque_at_point_2", C),
            torque("torque_at_point_3", D),
            torque("torque_at_point_4", E),
        ],
    ),
];
