//! The standard definitions: names, units, choices between sources, and values.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeSet;

use definition::{Definitions, Read, SignalDefinition, ValueError};
use protocol::obd::{OxygenLayout, Pid, Supported};
use signal::{Catalogue, SignalId, Unit};

fn id(text: &str) -> SignalId {
    SignalId::new(text).unwrap()
}

fn offered<'d>(definitions: &'d Definitions, pids: &[u8], monitors: &[u8], name: &str) -> Option<&'d SignalDefinition> {
    let signals = definitions.obd_signals(&pids.iter().copied().collect(), &monitors.iter().copied().collect());
    signals.into_iter().find(|signal| signal.id.as_str() == name)
}

#[test]
fn units_are_those_of_the_catalogue() {
    let definitions = Definitions::standard();
    assert!(definitions.iter().count() > 250);
    for definition in definitions.iter() {
        match Catalogue::standard().get(&definition.id) {
            Some(known) => {
                assert_eq!(definition.unit, known.unit, "{}", definition.id);
                assert_eq!(definition.limits, Some((known.min, known.max)), "{}", definition.id);
            }
            None => assert!(definition.id.is_custom(), "{} is in no catalogue", definition.id),
        }
        assert!(definition.unit.is_known(), "{}: `{}` converts to nothing", definition.id, definition.unit);
    }
    for field in Pid::all().flat_map(|pid| pid.fields) {
        assert_eq!(
            Unit::named(field.unit).symbol(),
            field.unit,
            "{}: spell the unit as the catalogue does",
            field.name
        );
    }
}

/// Everything of the signal catalogue that OBD can serve, as the machine contract lists it.
#[test]
fn the_catalogue_is_served_as_far_as_obd_goes() {
    let definitions = Definitions::standard();
    let served: BTreeSet<&str> = definitions.iter().map(|definition| definition.id.as_str()).collect();
    let missing: Vec<&str> =
        Catalogue::standard().iter().map(|known| known.id.as_str()).filter(|id| !served.contains(id)).collect();
    assert_eq!(
        missing,
        [
            "ac.clutch",
            "ac.pressure",
            "adapter.voltage",
            "fan.command",
            "steering.angle",
            "wheel.speed.front_left",
            "wheel.speed.front_right",
            "wheel.speed.rear_left",
            "wheel.speed.rear_right",
            "yaw.rate"
        ],
        "what OBD has no PID for"
    );
}

#[test]
fn every_number_of_every_pid_can_be_recorded() {
    let definitions = Definitions::standard();
    for pid in Pid::all() {
        for field in pid.fields.iter().filter(|field| field.is_recordable()) {
            let alone: Supported = std::iter::once(pid.id).collect();
            let signals = definitions.obd_signals(&alone, &Supported::default());
            let data = vec![0xFF; pid.least_length()];
            let n_values = pid.fields.iter().filter(|field| field.is_recordable()).count();
            let ids: BTreeSet<_> = signals.iter().map(|signal| &signal.id).collect();
            // A source that gives a catalogue signal keeps its own name as well, unless it is the first choice.
            assert!(ids.len() >= n_values, "{:02X}: {ids:?}", pid.id);
            let mine =
                signals.iter().filter(|s| s.id.as_str() == format!("custom.{}", field.name) || !s.id.is_custom());
            assert!(mine.clone().count() >= 1, "{:02X} {}", pid.id, field.name);
            for signal in mine {
                match signal.value(&data) {
                    Ok(value) => assert!(value.is_finite()),
                    Err(error) => {
                        let is_honest = matches!(error, ValueError::NotThere(_) | ValueError::Implausible { .. });
                        assert!(is_honest, "{error}");
                    }
                }
            }
        }
    }
}

#[test]
fn the_best_source_is_taken_and_the_others_keep_their_own_name() {
    let definitions = Definitions::standard();
    let read = |pids: &[u8], name: &str| offered(&definitions, pids, &[], name).map(|signal| signal.read);
    assert_eq!(read(&[0x05, 0x67], "coolant.temperature"), Some(Read::Pid(0x05)));
    assert_eq!(read(&[0x67], "coolant.temperature"), Some(Read::Pid(0x67)));
    assert_eq!(read(&[0x05, 0x67], "custom.coolant_temperature_sensor_1"), Some(Read::Pid(0x67)));
    for (pids, chosen) in [
        (&[0x0A, 0x22, 0x23, 0x59, 0x6D][..], 0x0A),
        (&[0x22, 0x23, 0x59, 0x6D], 0x23),
        (&[0x22, 0x59, 0x6D], 0x22),
        (&[0x59, 0x6D], 0x59),
        (&[0x6D], 0x6D),
    ] {
        assert_eq!(read(pids, "fuel.pressure"), Some(Read::Pid(chosen)), "{pids:02X?}");
    }
    assert_eq!(read(&[0x0A, 0x23], "custom.rail_pressure_gauge"), Some(Read::Pid(0x23)));
    assert_eq!(read(&[0x0D], "engine.speed"), None);
    assert_eq!(definitions.of(&id("fuel.pressure")).count(), 5);
}

/// PID 16 is bank 1 sensor 3 beside PID 13, and bank 2 sensor 1 beside PID 1D (SAE J1979; the order under 1D from memory).
#[test]
fn oxygen_sensors_are_labelled_by_13_or_1d() {
    let definitions = Definitions::standard();
    let read = |pids: &[u8], name: &str| offered(&definitions, pids, &[], name).map(|signal| signal.read);
    assert_eq!(read(&[0x13, 0x16], "oxygen.voltage.bank_1_sensor_3"), Some(Read::Pid(0x16)));
    assert_eq!(read(&[0x13, 0x16], "oxygen.voltage.bank_2_sensor_1"), None);
    assert_eq!(read(&[0x1D, 0x16], "oxygen.voltage.bank_2_sensor_1"), Some(Read::Pid(0x16)));
    assert_eq!(read(&[0x1D, 0x16], "oxygen.voltage.bank_1_sensor_3"), None);
    assert_eq!(read(&[0x1D, 0x2B], "lambda.bank_4_sensor_2"), Some(Read::Pid(0x2B)));
    assert_eq!(read(&[0x13, 0x34], "lambda.bank_1_sensor_1"), Some(Read::Pid(0x34)));
    assert_eq!(read(&[0x13, 0x24, 0x34], "lambda.bank_1_sensor_1"), Some(Read::Pid(0x24)));
    // The switching sensor's voltage before the wide-range one's.
    assert_eq!(read(&[0x13, 0x14, 0x24], "oxygen.voltage.bank_1_sensor_1"), Some(Read::Pid(0x14)));
    let layouts: BTreeSet<_> =
        definitions.of(&id("lambda.bank_1_sensor_1")).map(|definition| definition.oxygen_layout).collect();
    assert_eq!(layouts, BTreeSet::from([Some(OxygenLayout::TwoBanks), Some(OxygenLayout::FourBanks)]));
}

#[test]
fn no_module_offers_one_signal_twice() {
    let definitions = Definitions::standard();
    let everything: Supported = (0..=0xFF).collect();
    let signals = definitions.obd_signals(&everything, &everything);
    let ids: BTreeSet<_> = signals.iter().map(|signal| &signal.id).collect();
    assert_eq!(ids.len(), signals.len());
}

/// Worked values of the published tables, read through a signal's definition.
#[test]
fn values() {
    let definitions = Definitions::standard();
    for (name, data, value) in [
        ("engine.speed", &[0x1A, 0xF8][..], 1726.0),
        ("vehicle.speed", &[0x3C], 60.0),
        ("battery.voltage", &[0x37, 0x14], 14.1),
        ("fuel.trim.short.bank_1", &[0x8A], 7.8125),
        ("lambda.bank_1_sensor_1", &[0x80, 0x00, 0x80, 0x00], 1.0),
        ("oxygen.voltage.bank_1_sensor_1", &[0x5A, 0xFF], 0.45),
        ("pedal.position_1", &[0xFF], 100.0),
        ("throttle.position_1", &[0x00], 0.0),
        ("custom.engine_oil_temperature", &[0x5A], 50.0),
        ("custom.odometer", &[0x00, 0x12, 0xD6, 0x87], 123_456.7),
        ("custom.fuel_system_1_status", &[0x02, 0x00], 2.0),
    ] {
        let definition = definitions.of(&id(name)).next().unwrap();
        assert!((definition.value(data).unwrap() - value).abs() < 1e-9, "{name}");
        let short = definition.value(&[]);
        assert!(matches!(short, Err(ValueError::Short { have: 0, .. })), "{name}: {short:?}");
    }
    let status = definitions.of(&id("custom.fuel_system_1_status")).next().unwrap();
    assert_eq!(status.text(&[0x02, 0x00]), Some("closed loop"));
}

#[test]
fn a_value_that_is_marked_as_absent_is_said_to_be() {
    let definitions = Definitions::standard();
    let trim = definitions.of(&id("custom.oxygen_sensor_1_trim")).next().unwrap();
    assert_eq!(trim.value(&[0x5A, 0xFF]), Err(ValueError::NotThere(trim.id.clone())));
    let second = definitions.of(&id("custom.coolant_temperature_sensor_2")).next().unwrap();
    assert_eq!(second.value(&[0x01, 0x7B, 0x7C]), Err(ValueError::NotThere(second.id.clone())));
    assert_eq!(second.value(&[0x02, 0x7B, 0x7C]), Ok(84.0));
}

/// SAE J1979 service 06: MID A1 plus cylinder, TID 0C, unit-and-scaling id 24.
#[test]
fn misfire_counts_come_from_the_monitors() {
    let definitions = Definitions::standard();
    for cylinder in 1..=12u8 {
        let name = format!("misfire.cylinder_{cylinder}");
        let definition = offered(&definitions, &[], &[0xA1 + cylinder], &name).unwrap();
        assert_eq!(definition.read, Read::MonitorResult { mid: 0xA1 + cylinder, tid: 0x0C });
        assert_eq!(definition.read.request(), [0x06, 0xA1 + cylinder]);
        assert_eq!(definition.value(&[0x24, 0x00, 0x2B, 0x00, 0x00, 0xFF, 0xFF]), Ok(43.0));
        let volts = definition.value(&[0x0B, 0x00, 0x2B, 0x00, 0x00, 0xFF, 0xFF]);
        assert!(matches!(volts, Err(ValueError::Scaling { scaling: 0x0B, .. })), "{volts:?}");
    }
    assert!(offered(&definitions, &[], &[0xA1], "misfire.cylinder_1").is_none());
}

proptest::proptest! {
    #[test]
    fn any_data_is_a_value_or_an_error(data in proptest::collection::vec(proptest::num::u8::ANY, 0..48)) {
        for definition in Definitions::standard().iter() {
            if let Ok(value) = definition.value(&data) {
                proptest::prop_assert!(value.is_finite());
            }
            let _ = definition.text(&data);
        }
    }
}
