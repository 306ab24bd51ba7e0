//! PIDs 65 to 7F. Byte A is usually a bitmap of which of the values that follow are there.

use super::words::letters::{A, B, C, D, E, F, G, H};
use super::words::*;
use crate::obd::pid::Pid;

/// Pressures around a particulate filter. The difference is an offset word; signed hundredths is the other reading.
macro_rules! filter_pressures {
    ($id:literal, $difference:literal, $inlet:literal, $outlet:literal) => {
        pid(
            $id,
            7,
            "particulate filter pressures",
            &behind_bits([
                word($difference, B, "kPa").over(100.0).plus(-327.68),
                word($inlet, D, "kPa").over(100.0),
                word($outlet, F, "kPa").over(100.0),
            ]),
        )
    };
}

pub(super) const TABLE: &[Pid] = &[
    pid(
        0x65,
        2,
        "auxiliary inputs and outputs",
        &behind_bits([
            switch("power_take_off_engaged", B, 0),
            switch("automatic_transmission_in_gear", B, 1),
            switch("manual_transmission_in_gear", B, 2),
            switch("glow_plug_lamp", B, 3),
        ]),
    ),
    pid(
        0x66,
        5,
        "mass air flow, sensors A and B",
        &behind_bits([
            word("mass_air_flow_sensor_a", B, "g/s").over(32.0),
            word("mass_air_flow_sensor_b", D, "g/s").over(32.0),
        ]),
    ),
    pid(
        0x67,
        3,
        "coolant temperature, sensors 1 and 2",
        &behind_bits([celsius("coolant_temperature_sensor_1", B), celsius("coolant_temperature_sensor_2", C)]),
    ),
    pid(
        0x68,
        7,
        "intake air temperature, by bank and sensor",
        &behind_bits([
            celsius("intake_air_temperature_bank_1_sensor_1", B),
            celsius("intake_air_temperature_bank_1_sensor_2", C),
            celsius("intake_air_temperature_bank_1_sensor_3", D),
            celsius("intake_air_temperature_bank_2_sensor_1", E),
            celsius("intake_air_temperature_bank_2_sensor_2", F),
            celsius("intake_air_temperature_bank_2_sensor_3", G),
        ]),
    ),
    pid(
        0x69,
        7,
        "exhaust gas recirculation, commanded, actual and error",
        &behind_bits([
            percent("commanded_egr_a", B),
            percent("actual_egr_a", C),
            trim("egr_a_error", D),
            percent("commanded_egr_b", E),
            percent("actual_egr_b", F),
            trim("egr_b_error", G),
        ]),
    ),
    pid(
        0x6A,
        5,
        "diesel intake throttle, commanded and relative",
        &behind_bits([
            percent("commanded_intake_throttle_a", B),
            percent("relative_intake_throttle_a", C),
            percent("commanded_intake_throttle_b", D),
            percent("relative_intake_throttle_b", E),
        ]),
    ),
    pid(
        0x6B,
        5,
        "exhaust gas recirculation temperature",
        &behind_bits([
            celsius("egr_temperature_bank_1_sensor_1", B),
            celsius("egr_temperature_bank_1_sensor_2", C),
            celsius("egr_temperature_bank_2_sensor_1", D),
            celsius("egr_temperature_bank_2_sensor_2", E),
        ]),
    ),
    pid(
        0x6C,
        5,
        "throttle actuators, commanded and relative",
        &behind_bits([
            percent("commanded_throttle_a", B),
            percent("relative_throttle_a", C),
            percent("commanded_throttle_b", D),
            percent("relative_throttle_b", E),
        ]),
    ),
    growing(
        0x6D,
        6,
        "fuel pressure control",
        &behind_bits([
            word("commanded_rail_pressure", B, "kPa").times(10.0),
            word("rail_pressure", D, "kPa").times(10.0),
            celsius("fuel_temperature", F),
        ]),
    ),
    growing(
        0x6E,
        5,
        "injection pressure control",
        &behind_bits([
            word("commanded_injection_control_pressure", B, "kPa").times(10.0),
            word("injection_control_pressure", D, "kPa").times(10.0),
        ]),
    ),
    pid(
        0x6F,
        3,
        "turbocharger inlet pressure",
        &behind_bits([
            byte("turbocharger_a_inlet_pressure", B, "kPa"),
            byte("turbocharger_b_inlet_pressure", C, "kPa"),
        ]),
    ),
    growing(
        0x70,
        9,
        "boost pressure control",
        &behind_bits([
            word("commanded_boost_pressure_a", B, "kPa").over(32.0),
            word("boost_pressure_a", D, "kPa").over(32.0),
            word("commanded_boost_pressure_b", F, "kPa").over(32.0),
            word("boost_pressure_b", H, "kPa").over(32.0),
        ]),
    ),
    growing(
        0x71,
        5,
        "variable geometry turbocharger",
        &behind_bits([
            percent("commanded_turbocharger_geometry_a", B),
            percent("turbocharger_geometry_a", C),
            percent("commanded_turbocharger_geometry_b", D),
            percent("turbocharger_geometry_b", E),
        ]),
    ),
    pid(
        0x72,
        5,
        "wastegate",
        &behind_bits([
            percent("commanded_wastegate_a", B),
            percent("wastegate_a", C),
            percent("commanded_wastegate_b", D),
            percent("wastegate_b", E),
        ]),
    ),
    pid(
        0x73,
        5,
        "exhaust pressure",
        &behind_bits([
            word("exhaust_pressure_bank_1", B, "kPa").over(100.0),
            word("exhaust_pressure_bank_2", D, "kPa").over(100.0),
        ]),
    ),
    // Newer editions count in tens of rpm (from memory); no byte tells which edition the module follows.
    pid(
        0x74,
        5,
        "turbocharger speed",
        &behind_bits([word("turbocharger_a_speed", B, "rpm"), word("turbocharger_b_speed", D, "rpm")]),
    ),
    pid(
        0x75,
        7,
        "turbocharger A temperatures",
        &behind_bits([
            celsius("turbocharger_a_compressor_inlet_temperature", B),
            celsius("turbocharger_a_compressor_outlet_temperature", C),
            celsius_wide("turbocharger_a_turbine_inlet_temperature", D),
            celsius_wide("turbocharger_a_turbine_outlet_temperature", F),
        ]),
    ),
    pid(
        0x76,
        7,
        "turbocharger B temperatures",
        &behind_bits([
            celsius("turbocharger_b_compressor_inlet_temperature", B),
            celsius("turbocharger_b_compressor_outlet_temperature", C),
            celsius_wide("turbocharger_b_turbine_inlet_temperature", D),
            celsius_wide("turbocharger_b_turbine_outlet_temperature", F),
        ]),
    ),
    pid(
        0x77,
        5,
        "charge air cooler temperature",
        &behind_bits([
            celsius("charge_air_temperature_bank_1_sensor_1", B),
            celsius("charge_air_temperature_bank_1_sensor_2", C),
            celsius("charge_air_temperature_bank_2_sensor_1", D),
            celsius("charge_air_temperature_bank_2_sensor_2", E),
        ]),
    ),
    pid(
        0x78,
        9,
        "exhaust gas temperature, bank 1",
        &behind_bits([
            celsius_wide("exhaust_temperature_bank_1_sensor_1", B),
            celsius_wide("exhaust_temperature_bank_1_sensor_2", D),
            celsius_wide("exhaust_temperature_bank_1_sensor_3", F),
            celsius_wide("exhaust_temperature_bank_1_sensor_4", H),
        ]),
    ),
    pid(
        0x79,
        9,
        "exhaust gas temperature, bank 2",
        &behind_bits([
            celsius_wide("exhaust_temperature_bank_2_sensor_1", B),
            celsius_wide("exhaust_temperature_bank_2_sensor_2", D),
            celsius_wide("exhaust_temperature_bank_2_sensor_3", F),
            celsius_wide("exhaust_temperature_bank_2_sensor_4", H),
        ]),
    ),
    filter_pressures!(0x7A, "filter_1_pressure_difference", "filter_1_inlet_pressure", "filter_1_outlet_pressure"),
    filter_pressures!(0x7B, "filter_2_pressure_difference", "filter_2_inlet_pressure", "filter_2_outlet_pressure"),
    pid(
        0x7C,
        9,
        "particulate filter temperatures",
        &behind_bits([
            celsius_wide("filter_inlet_temperature_bank_1", B),
            celsius_wide("filter_outlet_temperature_bank_1", D),
            celsius_wide("filter_inlet_temperature_bank_2", F),
            celsius_wide("filter_outlet_temperature_bank_2", H),
        ]),
    ),
    pid(
        0x7D,
        1,
        "NOx not-to-exceed control area",
        &[
            switch("inside_nox_area", A, 0),
            switch("outside_nox_area", A, 1),
            switch("inside_nox_carve_out", A, 2),
            switch("nox_deficiency_active", A, 3),
        ],
    ),
    pid(
        0x7E,
        1,
        "particulate not-to-exceed control area",
        &[
            switch("inside_particulate_area", A, 0),
            switch("outside_particulate_area", A, 1),
            switch("inside_particulate_carve_out", A, 2),
            switch("particulate_deficiency_active", A, 3),
        ],
    ),
    // Four bytes each from memory; the packet library has eight, which contradicts the 13 bytes of the PID.
    pid(
        0x7F,
        13,
        "engine run time",
        &behind_bits([
            long("engine_run_time_total", B, "s"),
            long("engine_run_time_idle", F, "s"),
            long("engine_run_time_power_take_off", 9, "s"),
        ]),
    ),
];
