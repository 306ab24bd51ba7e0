//! PIDs 00 to 3F.

use super::words::letters::{A, B, C};
use super::words::*;
use crate::obd::pid::Pid;
use crate::obd::readiness::Period;

/// One-hot per fuel system. 00 and 01 from memory (the packet library gives 01's text to 00).
const FUEL_SYSTEM: &[(u8, &str)] = &[
    (0x00, "off"),
    (0x01, "open loop, not yet ready for closed loop"),
    (0x02, "closed loop"),
    (0x04, "open loop, because of load or deceleration"),
    (0x08, "open loop, because of a system fault"),
    (0x10, "closed loop, with a feedback sensor at fault"),
];

/// One-hot. From memory (the packet library gives 00 for upstream).
const SECONDARY_AIR: &[(u8, &str)] = &[
    (0x01, "upstream of the catalyst"),
    (0x02, "downstream of the catalyst"),
    (0x04, "to the atmosphere or off"),
    (0x08, "pump on for a test"),
];

const SENSORS_OF_2_BANKS: &[(u8, &str)] = &[
    (0, "bank 1 sensor 1"),
    (1, "bank 1 sensor 2"),
    (2, "bank 1 sensor 3"),
    (3, "bank 1 sensor 4"),
    (4, "bank 2 sensor 1"),
    (5, "bank 2 sensor 2"),
    (6, "bank 2 sensor 3"),
    (7, "bank 2 sensor 4"),
];

const SENSORS_OF_4_BANKS: &[(u8, &str)] = &[
    (0, "bank 1 sensor 1"),
    (1, "bank 1 sensor 2"),
    (2, "bank 2 sensor 1"),
    (3, "bank 2 sensor 2"),
    (4, "bank 3 sensor 1"),
    (5, "bank 3 sensor 2"),
    (6, "bank 4 sensor 1"),
    (7, "bank 4 sensor 2"),
];

const REQUIREMENT: &[(u8, &str)] = &[
    (1, "OBD II (California ARB)"),
    (2, "OBD (US federal EPA)"),
    (3, "OBD and OBD II"),
    (4, "OBD I"),
    (5, "not intended to meet any OBD requirement"),
    (6, "EOBD"),
    (7, "EOBD and OBD II"),
    (8, "EOBD and OBD"),
    (9, "EOBD, OBD and OBD II"),
    (10, "JOBD"),
    (11, "JOBD and OBD II"),
    (12, "JOBD and EOBD"),
    (13, "JOBD, EOBD and OBD II"),
    (17, "EMD, engine manufacturer diagnostics"),
    (18, "EMD+, enhanced engine manufacturer diagnostics"),
    (19, "HD OBD-C, heavy duty, partial"),
    (20, "HD OBD, heavy duty"),
    (21, "WWH OBD, world-wide harmonised"),
    (23, "HD EOBD I without NOx control"),
    (24, "HD EOBD I with NOx control"),
    (25, "HD EOBD II without NOx control"),
    (26, "HD EOBD II with NOx control"),
    (28, "OBDBr-1"),
    (29, "OBDBr-2"),
    (30, "KOBD"),
    (31, "IOBD I"),
    (32, "IOBD II"),
    (33, "HD EOBD VI"),
];

/// A sensor that switches: voltage and the trim made from it. Trim FF: the sensor is not used for trim.
macro_rules! switching_sensor {
    ($id:literal, $voltage:literal, $trim:literal) => {
        pid($id, 2, "oxygen sensor", &[byte($voltage, A, "V").over(200.0), trim($trim, B).unless(0xFF)])
    };
}

/// A wide-range sensor that reports its voltage.
macro_rules! voltage_sensor {
    ($id:literal, $lambda:literal, $voltage:literal) => {
        pid($id, 4, "wide-range oxygen sensor", &[lambda($lambda, A), word($voltage, C, "V").times(8.0).over(65536.0)])
    };
}

/// A wide-range sensor that reports its pump current. The offset of -128 mA is from memory.
macro_rules! current_sensor {
    ($id:literal, $lambda:literal, $current:literal) => {
        pid($id, 4, "wide-range oxygen sensor", &[lambda($lambda, A), word($current, C, "mA").over(256.0).plus(-128.0)])
    };
}

pub(super) const TABLE: &[Pid] = &[
    bitmap(0x00),
    pid(0x01, 4, "monitor status since codes were cleared", &[readiness("monitor_status", Period::SinceClear)]),
    pid(0x02, 2, "code that stored the freeze frame", &[code("freeze_frame_code")]),
    pid(
        0x03,
        2,
        "fuel system status",
        &[choice("fuel_system_1_status", A, FUEL_SYSTEM), choice("fuel_system_2_status", B, FUEL_SYSTEM)],
    ),
    pid(0x04, 1, "calculated engine load", &[percent("calculated_load", A)]),
    pid(0x05, 1, "engine coolant temperature", &[celsius("coolant_temperature", A)]),
    pid(0x06, 1, "short-term fuel trim, bank 1", &[trim("short_trim_bank_1", A)]),
    pid(0x07, 1, "long-term fuel trim, bank 1", &[trim("long_trim_bank_1", A)]),
    pid(0x08, 1, "short-term fuel trim, bank 2", &[trim("short_trim_bank_2", A)]),
    pid(0x09, 1, "long-term fuel trim, bank 2", &[trim("long_trim_bank_2", A)]),
    pid(0x0A, 1, "fuel pressure, gauge", &[byte("fuel_pressure", A, "kPa").times(3.0)]),
    pid(0x0B, 1, "intake manifold pressure, absolute", &[byte("manifold_pressure", A, "kPa")]),
    pid(0x0C, 2, "engine speed", &[word("engine_speed", A, "rpm").over(4.0)]),
    pid(0x0D, 1, "vehicle speed", &[byte("vehicle_speed", A, "km/h")]),
    pid(
        0x0E,
        1,
        "ignition advance, cylinder 1, before top dead centre",
        &[byte("ignition_advance", A, "deg").over(2.0).plus(-64.0)],
    ),
    pid(0x0F, 1, "intake air temperature", &[celsius("intake_air_temperature", A)]),
    pid(0x10, 2, "mass air flow", &[word("mass_air_flow", A, "g/s").over(100.0)]),
    pid(0x11, 1, "throttle position, absolute", &[percent("throttle_position_a", A)]),
    pid(0x12, 1, "commanded secondary air", &[choice("secondary_air_status", A, SECONDARY_AIR)]),
    pid(0x13, 1, "oxygen sensors present, two banks", &[flags("oxygen_sensors_of_2_banks", A, SENSORS_OF_2_BANKS)]),
    // Which bank and sensor these eight are depends on PID 13 or 1D, see `OxygenLayout`.
    switching_sensor!(0x14, "oxygen_sensor_1_voltage", "oxygen_sensor_1_trim"),
    switching_sensor!(0x15, "oxygen_sensor_2_voltage", "oxygen_sensor_2_trim"),
    switching_sensor!(0x16, "oxygen_sensor_3_voltage", "oxygen_sensor_3_trim"),
    switching_sensor!(0x17, "oxygen_sensor_4_voltage", "oxygen_sensor_4_trim"),
    switching_sensor!(0x18, "oxygen_sensor_5_voltage", "oxygen_sensor_5_trim"),
    switching_sensor!(0x19, "oxygen_sensor_6_voltage", "oxygen_sensor_6_trim"),
    switching_sensor!(0x1A, "oxygen_sensor_7_voltage", "oxygen_sensor_7_trim"),
    switching_sensor!(0x1B, "oxygen_sensor_8_voltage", "oxygen_sensor_8_trim"),
    pid(0x1C, 1, "OBD requirement the vehicle is designed for", &[choice("obd_requirement", A, REQUIREMENT)]),
    pid(0x1D, 1, "oxygen sensors present, four banks", &[flags("oxygen_sensors_of_4_banks", A, SENSORS_OF_4_BANKS)]),
    pid(0x1E, 1, "auxiliary input: power take-off", &[switch("power_take_off", A, 0)]),
    pid(0x1F, 2, "run time since engine start", &[word("run_time", A, "s")]),
    bitmap(0x20),
    pid(0x21, 2, "distance with the warning lamp on", &[word("distance_with_lamp", A, "km")]),
    pid(
        0x22,
        2,
        "fuel rail pressure, relative to manifold",
        &[word("rail_pressure_over_manifold", A, "kPa").times(79.0).over(1000.0)],
    ),
    pid(0x23, 2, "fuel rail pressure, gauge", &[word("rail_pressure_gauge", A, "kPa").times(10.0)]),
    voltage_sensor!(0x24, "wide_oxygen_sensor_1_lambda", "wide_oxygen_sensor_1_voltage"),
    voltage_sensor!(0x25, "wide_oxygen_sensor_2_lambda", "wide_oxygen_sensor_2_voltage"),
    voltage_sensor!(0x26, "wide_oxygen_sensor_3_lambda", "wide_oxygen_sensor_3_voltage"),
    voltage_sensor!(0x27, "wide_oxygen_sensor_4_lambda", "wide_oxygen_sensor_4_voltage"),
    voltage_sensor!(0x28, "wide_oxygen_sensor_5_lambda", "wide_oxygen_sensor_5_voltage"),
    voltage_sensor!(0x29, "wide_oxygen_sensor_6_lambda", "wide_oxygen_sensor_6_voltage"),
    voltage_sensor!(0x2A, "wide_oxygen_sensor_7_lambda", "wide_oxygen_sensor_7_voltage"),
    voltage_sensor!(0x2B, "wide_oxygen_sensor_8_lambda", "wide_oxygen_sensor_8_voltage"),
    pid(0x2C, 1, "commanded exhaust gas recirculation", &[percent("commanded_egr", A)]),
    pid(0x2D, 1, "exhaust gas recirculation error", &[trim("egr_error", A)]),
    pid(0x2E, 1, "commanded evaporative purge", &[percent("commanded_purge", A)]),
    pid(0x2F, 1, "fuel level", &[percent("fuel_level", A)]),
    pid(0x30, 1, "warm-ups since codes were cleared", &[byte("warm_ups_since_clear", A, "count")]),
    pid(0x31, 2, "distance since codes were cleared", &[word("distance_since_clear", A, "km")]),
    pid(0x32, 2, "evaporative system vapour pressure", &[word("evap_vapour_pressure", A, "Pa").signed().over(4.0)]),
    pid(0x33, 1, "barometric pressure", &[byte("barometric_pressure", A, "kPa")]),
    current_sensor!(0x34, "pump_oxygen_sensor_1_lambda", "pump_oxygen_sensor_1_current"),
    current_sensor!(0x35, "pump_oxygen_sensor_2_lambda", "pump_oxygen_sensor_2_current"),
    current_sensor!(0x36, "pump_oxygen_sensor_3_lambda", "pump_oxygen_sensor_3_current"),
    current_sensor!(0x37, "pump_oxygen_sensor_4_lambda", "pump_oxygen_sensor_4_current"),
    current_sensor!(0x38, "pump_oxygen_sensor_5_lambda", "pump_oxygen_sensor_5_current"),
    current_sensor!(0x39, "pump_oxygen_sensor_6_lambda", "pump_oxygen_sensor_6_current"),
    current_sensor!(0x3A, "pump_oxygen_sensor_7_lambda", "pump_oxygen_sensor_7_current"),
    current_sensor!(0x3B, "pump_oxygen_sensor_8_lambda", "pump_oxygen_sensor_8_current"),
    pid(0x3C, 2, "catalyst temperature, bank 1 sensor 1", &[celsius_wide("catalyst_temperature_bank_1_sensor_1", A)]),
    pid(0x3D, 2, "catalyst temperature, bank 2 sensor 1", &[celsius_wide("catalyst_temperature_bank_2_sensor_1", A)]),
    pid(0x3E, 2, "catalyst temperature, bank 1 sensor 2", &[celsius_wide("catalyst_temperature_bank_1_sensor_2", A)]),
    pid(0x3F, 2, "catalyst temperature, bank 2 sensor 2", &[celsius_wide("catalyst_temperature_bank_2_sensor_2", A)]),
];
