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
            &[
                word($difference, B, "kPa").over(100.0).plus(-327.68).if_bit(0),
                word($inlet, D, "kPa").over(100.0).if_bit(1),
                word($outlet, F, "kPa").over(100.0).if_bit(2),
            ],
        )
    };
}

pub(super) const TABLE: &[Pid] = &[
    pid(
        0x65,
        2,
        "auxiliary inputs and outputs",
        &[
            switch("power_take_off_engaged", B, 0).if_bit(0),
            switch("automatic_transmission_in_gear", B, 1).if_bit(1),
            switch("manual_transmission_in_gear", B, 2).if_bit(2),
            switch("glow_plug_lamp", B, 3).if_bit(3),
        ],
    ),
    pid(
        0x66,
        5,
        "mass air flow, sensors A and B",
        &[
            word("mass_air_flow_sensor_a", B, "g/s").over(32.0).if_bit(0),
            word("mass_air_flow_sensor_b", D, "g/s").over(32.0).if_bit(1),
        ],
    ),
    pid(
        0x67,
        3,
        "coolant temperature, sensors 1 and 2",
        &[celsius("coolant_temperature_sensor_1", B).if_bit(0), celsius("coolant_temperature_sensor_2", C).if_bit(1)],
    ),
    pid(
        0x68,
        7,
        "intake air temperature, by bank and sensor",
        &[
            celsius("intake_air_temperature_bank_1_sensor_1", B).if_bit(0),
            celsius("intake_air_temperature_bank_1_sensor_2", C).if_bit(1),
            celsius("intake_air_temperature_bank_1_sensor_3", D).if_bit(2),
            celsius("intake_air_temperature_bank_2_sensor_1", E).if_bit(3),
            celsius("intake_air_temperature_bank_2_sensor_2", F).if_bit(4),
            celsius("intake_air_temperature_bank_2_sensor_3", G).if_bit(5),
        ],
    ),
    pid(
        0x69,
        7,
        "exhaust gas recirculation, commanded, actual and error",
        &[
            percent("commanded_egr_a", B).if_bit(0),
            percent("actual_egr_a", C).if_bit(1),
            trim("egr_a_error", D).if_bit(2),
            percent("commanded_egr_b", E).if_bit(3),
            percent("actual_egr_b", F).if_bit(4),
            trim("egr_b_error", G).if_bit(5),
        ],
    ),
    pid(
        0x6A,
        5,
        "diesel intake throttle, commanded and relative",
        &[
            percent("commanded_intake_throttle_a", B).if_bit(0),
            percent("relative_intake_throttle_a", C).if_bit(1),
            percent("commanded_intake_throttle_b", D).if_bit(2),
            percent("relative_intake_throttle_b", E).if_bit(3),
        ],
    ),
    pid(
        0x6B,
        5,
        "exhaust gas recirculation temperature",
        &[
            celsius("egr_temperature_bank_1_sensor_1", B).if_bit(0),
            celsius("egr_temperature_bank_1_sensor_2", C).if_bit(1),
            celsius("egr_temperature_bank_2_sensor_1", D).if_bit(2),
            celsius("egr_temperature_bank_2_sensor_2", E).if_bit(3),
        ],
    ),
    pid(
        0x6C,
        5,
        "throttle actuators, commanded and relative",
        &[
            percent("commanded_throttle_a", B).if_bit(0),
            percent("relative_throttle_a", C).if_bit(1),
            percent("commanded_throttle_b", D).if_bit(2),
            percent("relative_throttle_b", E).if_bit(3),
        ],
    ),
    growing(
        0x6D,
        6,
        "fuel pressure control",
        &[
            word("commanded_rail_pressure", B, "kPa").times(10.0).if_bit(0),
            word("rail_pressure", D, "kPa").times(10.0).if_bit(1),
            celsius("fuel_temperature", F).if_bit(2),
        ],
    ),
    growing(
        0x6E,
        5,
        "injection pressure control",
        &[
            word("commanded_injection_control_pressure", B, "kPa").times(10.0).if_bit(0),
            word("injection_control_pressure", D, "kPa").times(10.0).if_bit(1),
        ],
    ),
    pid(
        0x6F,
        3,
        "turbocharger inlet pressure",
        &[
            byte("turbocharger_a_inlet_pressure", B, "kPa").if_bit(0),
            byte("turbocharger_b_inlet_pressure", C, "kPa").if_bit(1),
        ],
    ),
    growing(
        0x70,
        9,
        "boost pressure control",
        &[
            word("commanded_boost_pressure_a", B, "kPa").over(32.0).if_bit(0),
            word("boost_pressure_a", D, "kPa").over(32.0).if_bit(1),
            word("commanded_boost_pressure_b", F, "kPa").over(32.0).if_bit(2),
            word("boost_pressure_b", H, "kPa").over(32.0).if_bit(3),
        ],
    ),
    growing(
        0x71,
        5,
        "variable geometry turbocharger",
        &[
            percent("commanded_turbocharger_geometry_a", B).if_bit(0),
            percent("turbocharger_geometry_a", C).if_bit(1),
            percent("commanded_turbocharger_geometry_b", D).if_bit(2),
            percent("turbocharger_geometry_b", E).if_bit(3),
        ],
    ),
    pid(
        0x72,
        5,
        "wastegate",
        &[
            percent("commanded_wastegate_a", B).if_bit(0),
            percent("wastegate_a", C).if_bit(1),
            percent("commanded_wastegate_b", D).if_bit(2),
            percent("wastegate_b", E).if_bit(3),
        ],
    ),
    pid(
        0x73,
        5,
        "exhaust pressure",
        &[
            word("exhaust_pressure_bank_1", B, "kPa").over(100.0).if_bit(0),
            word("exhaust_pressure_bank_2", D, "kPa").over(100.0).if_bit(1),
        ],
    ),
    // Newer editions count in tens of rpm (from memory); no byte tells which edition the module follows.
    pid(
        0x74,
        5,
        "turbocharger speed",
        &[word("turbocharger_a_speed", B, "rpm").if_bit(0), word("turbocharger_b_speed", D, "rpm").if_bit(1)],
    ),
    pid(
        0x75,
        7,
        "turbocharger A temperatures",
        &[
            celsius("turbocharger_a_compressor_inlet_temperature", B).if_bit(0),
            celsius("turbocharger_a_compressor_outlet_temperature", C).if_bit(1),
            celsius_wide("turbocharger_a_turbine_inlet_temperature", D).if_bit(2),
            celsius_wide("turbocharger_a_turbine_outlet_temperature", F).if_bit(3),
        ],
    ),
    pid(
        0x76,
        7,
        "turbocharger B temperatures",
        &[
            celsius("turbocharger_b_compressor_inlet_temperature", B).if_bit(0),
            celsius("turbocharger_b_compressor_outlet_temperature", C).if_bit(1),
            celsius_wide("turbocharger_b_turbine_inlet_temperature", D).if_bit(2),
            celsius_wide("turbocharger_b_turbine_outlet_temperature", F).if_bit(3),
        ],
    ),
    pid(
        0x77,
        5,
        "charge air cooler temperature",
        &[
            celsius("charge_air_temperature_bank_1_sensor_1", B).if_bit(0),
            celsius("charge_air_temperature_bank_1_sensor_2", C).if_bit(1),
            celsius("charge_air_temperature_bank_2_sensor_1", D).if_bit(2),
            celsius("charge_air_temperature_bank_2_sensor_2", E).if_bit(3),
        ],
    ),
    exhaust_temperatures!(
        0x78,
        "exhaust gas temperature, bank 1",
        "exhaust_temperature_bank_1_sensor_1" at B bit 0,
        "exhaust_temperature_bank_1_sensor_2" at D bit 1,
        "exhaust_temperature_bank_1_sensor_3" at F bit 2,
        "exhaust_temperature_bank_1_sensor_4" at H bit 3
    ),
    exhaust_temperatures!(
        0x79,
        "exhaust gas temperature, bank 2",
        "exhaust_temperature_bank_2_sensor_1" at B bit 0,
        "exhaust_temperature_bank_2_sensor_2" at D bit 1,
        "exhaust_temperature_bank_2_sensor_3" at F bit 2,
        "exhaust_temperature_bank_2_sensor_4" at H bit 3
    ),
    filter_pressures!(0x7A, "filter_1_pressure_difference", "filter_1_inlet_pressure", "filter_1_outlet_pressure"),
    filter_pressures!(0x7B, "filter_2_pressure_difference", "filter_2_inlet_pressure", "filter_2_outlet_pressure"),
    exhaust_temperatures!(
        0x7C,
        "particulate filter temperatures",
        "filter_inlet_temperature_bank_1" at B bit 0,
        "filter_outlet_temperature_bank_1" at D bit 1,
        "filter_inlet_temperature_bank_2" at F bit 2,
        "filter_outlet_temperature_bank_2" at H bit 3
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
        &[
            long("engine_run_time_total", B, "s").if_bit(0),
            long("engine_run_time_idle", F, "s").if_bit(1),
            long("engine_run_time_power_take_off", 9, "s").if_bit(2),
        ],
    ),
];
