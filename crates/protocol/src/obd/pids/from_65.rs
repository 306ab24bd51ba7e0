//! PIDs 65 to C0. Byte A is usually a bitmap of which of the values that follow are there.

use crate::obd::pid::letters::{A, B, C, D, E, F, G, H, I};
use crate::obd::pid::*;

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

/// Four exhaust gas temperatures.
macro_rules! exhaust_temperatures {
    ($id:literal, $title:literal, $($name:literal at $at:ident bit $bit:literal),+) => {
        pid($id, 9, $title, &[$(celsius_wide($name, $at).if_bit($bit)),+])
    };
}

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
        &[word("nox_bank_1_sensor_1", B, "ppm").if_bit(0), word("nox_bank_2_sensor_1", D, "ppm").if_bit(1)],
    ),
    // Formulas from here on from memory, lengths from the packet library.
    pid(0x84, 1, "manifold surface temperature", &[celsius("manifold_surface_temperature", A)]),
    pid(
        0x85,
        10,
        "NOx reagent system",
        &[
            word("reagent_consumption", B, "L/h").over(200.0).if_bit(0),
            word("reagent_demand", D, "L/h").over(200.0).if_bit(1),
            percent("reagent_level", F).if_bit(2),
            long("nox_warning_time", G, "s").if_bit(3),
        ],
    ),
    pid(0x86, 5, "particulate matter sensors", &[]),
    pid(
        0x87,
        5,
        "intake manifold pressure, sensors A and B, absolute",
        &[
            word("manifold_pressure_sensor_a", B, "kPa").over(32.0).if_bit(0),
            word("manifold_pressure_sensor_b", D, "kPa").over(32.0).if_bit(1),
        ],
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
    exhaust_temperatures!(
        0x98,
        "exhaust gas temperature, bank 1, further sensors",
        "exhaust_temperature_bank_1_sensor_5" at B bit 0,
        "exhaust_temperature_bank_1_sensor_6" at D bit 1,
        "exhaust_temperature_bank_1_sensor_7" at F bit 2,
        "exhaust_temperature_bank_1_sensor_8" at H bit 3
    ),
    exhaust_temperatures!(
        0x99,
        "exhaust gas temperature, bank 2, further sensors",
        "exhaust_temperature_bank_2_sensor_5" at B bit 0,
        "exhaust_temperature_bank_2_sensor_6" at D bit 1,
        "exhaust_temperature_bank_2_sensor_7" at F bit 2,
        "exhaust_temperature_bank_2_sensor_8" at H bit 3
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
        &[
            percent("fuel_system_use_1", B).if_bit(0),
            percent("fuel_system_use_2", C).if_bit(1),
            percent("fuel_system_use_3", D).if_bit(2),
            percent("fuel_system_use_4", E).if_bit(3),
            percent("fuel_system_use_5", F).if_bit(4),
            percent("fuel_system_use_6", G).if_bit(5),
            percent("fuel_system_use_7", H).if_bit(6),
            percent("fuel_system_use_8", I).if_bit(7),
        ],
    ),
    bitmap(0xA0),
    pid(
        0xA1,
        9,
        "NOx sensors, corrected",
        &[
            word("nox_corrected_bank_1_sensor_1", B, "ppm").if_bit(0),
            word("nox_corrected_bank_1_sensor_2", D, "ppm").if_bit(1),
            word("nox_corrected_bank_2_sensor_1", F, "ppm").if_bit(2),
            word("nox_corrected_bank_2_sensor_2", H, "ppm").if_bit(3),
        ],
    ),
    pid(0xA2, 2, "cylinder fuel rate", &[word("cylinder_fuel_rate", A, "mg/stroke").over(32.0)]),
    pid(0xA3, 9, "evaporative system vapour pressure, further", &[]),
    pid(0xA4, 4, "transmission actual gear", &[word("gear_ratio", C, "1").over(1000.0).if_bit(1)]),
    pid(0xA5, 4, "diesel exhaust fluid dosing", &[]),
    pid(0xA6, 4, "odometer", &[long("odometer", A, "km").over(10.0)]),
    bitmap(0xC0),
];
