//! PIDs 80 to C0. Byte A is usually a bitmap of which of the values that follow are there.

use super::words::letters::{A, B, C, D, E, F, G, H, I};
use super::words::*;
use crate::obd::pid::Pid;

/// Run times of an auxiliary emission control device: two per device, 4 bytes each. Layout from memory.
macro_rules! device_times {
    ($id:literal, $($first:literal, $second:literal, $bit:literal);+) => {
        pid(
            $id,
            41,
            "run time with auxiliary emission control devices active",
            &[$(
                long($first, 1 + 8 * $bit, "s").if_bit($bit),
                long($second, 5 + 8 * $bit, "s").if_bit($bit)
            ),+],
        )
    };
}

pub(super) const TABLE: &[Pid] = &[
    bitmap(0x80),
    device_times!(
        0x81,
        "device_1_time_1", "device_1_time_2", 0;
        "device_2_time_1", "device_2_time_2", 1;
        "device_3_time_1", "device_3_time_2", 2;
        "device_4_time_1", "device_4_time_2", 3;
        "device_5_time_1", "device_5_time_2", 4
    ),
    device_times!(
        0x82,
        "device_6_time_1", "device_6_time_2", 0;
        "device_7_time_1", "device_7_time_2", 1;
        "device_8_time_1", "device_8_time_2", 2;
        "device_9_time_1", "device_9_time_2", 3;
        "device_10_time_1", "device_10_time_2", 4
    ),
    growing(
        0x83,
        5,
        "NOx sensors",
        &behind_bits([word("nox_bank_1_sensor_1", B, "ppm"), word("nox_bank_2_sensor_1", D, "ppm")]),
    ),
    // Formulas from here on from memory, lengths from the packet library.
    pid(0x84, 1, "manifold surface temperature", &[celsius("manifold_surface_temperature", A)]),
    pid(
        0x85,
        10,
        "NOx reagent system",
        &behind_bits([
            word("reagent_consumption", B, "L/h").over(200.0),
            word("reagent_demand", D, "L/h").over(200.0),
            percent("reagent_level", F),
            long("nox_warning_time", G, "s"),
        ]),
    ),
    pid(0x86, 5, "particulate matter sensors", &[]),
    pid(
        0x87,
        5,
        "intake manifold pressure, sensors A and B, absolute",
        &behind_bits([
            word("manifold_pressure_sensor_a", B, "kPa").over(32.0),
            word("manifold_pressure_sensor_b", D, "kPa").over(32.0),
        ]),
    ),
    pid(0x88, 13, "SCR inducement", &[]),
    device_times!(
        0x89,
        "device_11_time_1", "device_11_time_2", 0;
        "device_12_time_1", "device_12_time_2", 1;
        "device_13_time_1", "device_13_time_2", 2;
        "device_14_time_1", "device_14_time_2", 3;
        "device_15_time_1", "device_15_time_2", 4
    ),
    device_times!(
        0x8A,
        "device_16_time_1", "device_16_time_2", 0;
        "device_17_time_1", "device_17_time_2", 1;
        "device_18_time_1", "device_18_time_2", 2;
        "device_19_time_1", "device_19_time_2", 3;
        "device_20_time_1", "device_20_time_2", 4
    ),
    pid(0x8B, 7, "diesel aftertreatment", &[]),
    growing(0x8C, 16, "oxygen sensors, wide range", &[]),
    pid(0x8D, 1, "throttle position G", &[percent("throttle_position_g", A)]),
    pid(0x8E, 1, "engine friction torque", &[torque("friction_torque", A)]),
    pid(0x8F, 5, "particulate matter sensors, banks 1 and 2", &[]),
    pid(0x90, 3, "WWH OBD vehicle information", &[]),
    pid(0x91, 5, "WWH OBD module information", &[]),
    pid(0x92, 2, "fuel system control", &[]),
    pid(0x93, 3, "WWH OBD counters", &[]),
    pid(0x94, 12, "NOx warning and inducement", &[]),
    pid(
        0x98,
        9,
        "exhaust gas temperature, bank 1, further sensors",
        &behind_bits([
            celsius_wide("exhaust_temperature_bank_1_sensor_5", B),
            celsius_wide("exhaust_temperature_bank_1_sensor_6", D),
            celsius_wide("exhaust_temperature_bank_1_sensor_7", F),
            celsius_wide("exhaust_temperature_bank_1_sensor_8", H),
        ]),
    ),
    pid(
        0x99,
        9,
        "exhaust gas temperature, bank 2, further sensors",
        &behind_bits([
            celsius_wide("exhaust_temperature_bank_2_sensor_5", B),
            celsius_wide("exhaust_temperature_bank_2_sensor_6", D),
            celsius_wide("exhaust_temperature_bank_2_sensor_7", F),
            celsius_wide("exhaust_temperature_bank_2_sensor_8", H),
        ]),
    ),
    pid(0x9A, 6, "hybrid or electric drive battery", &[]),
    pid(0x9B, 4, "diesel exhaust fluid sensor", &[]),
    growing(0x9C, 17, "oxygen sensors, further", &[]),
    pid(
        0x9D,
        4,
        "engine and vehicle fuel rate",
        &[word("engine_fuel_rate", A, "g/s").over(50.0), word("vehicle_fuel_rate", C, "g/s").over(50.0)],
    ),
    pid(0x9E, 2, "engine exhaust flow rate", &[word("exhaust_flow", A, "kg/h").over(5.0)]),
    pid(
        0x9F,
        9,
        "use of the fuel systems",
        &behind_bits([
            percent("fuel_system_use_1", B),
            percent("fuel_system_use_2", C),
            percent("fuel_system_use_3", D),
            percent("fuel_system_use_4", E),
            percent("fuel_system_use_5", F),
            percent("fuel_system_use_6", G),
            percent("fuel_system_use_7", H),
            percent("fuel_system_use_8", I),
        ]),
    ),
    bitmap(0xA0),
    pid(
        0xA1,
        9,
        "NOx sensors, corrected",
        &behind_bits([
            word("nox_corrected_bank_1_sensor_1", B, "ppm"),
            word("nox_corrected_bank_1_sensor_2", D, "ppm"),
            word("nox_corrected_bank_2_sensor_1", F, "ppm"),
            word("nox_corrected_bank_2_sensor_2", H, "ppm"),
        ]),
    ),
    pid(0xA2, 2, "cylinder fuel rate", &[word("cylinder_fuel_rate", A, "mg/stroke").over(32.0)]),
    pid(0xA3, 9, "evaporative system vapour pressure, further", &[]),
    pid(0xA4, 4, "transmission actual gear, ratio", &[word("gear_ratio", C, "1").over(1000.0).if_bit(1)]),
    pid(0xA5, 4, "diesel exhaust fluid dosing", &[]),
    pid(0xA6, 4, "odometer", &[long("odometer", A, "km").over(10.0)]),
    bitmap(0xC0),
];
