//! Outputs and routines of the car: who may drive what, what moves then, and when the module takes it back.
//!
//! Message layouts and negative codes: ISO 14229-1 as public tables give them; the session's time-out of 5 s, and that
//! leaving the session returns control of all outputs, from memory.

mod common;

use common::{S, Tester};

fn wait(tester: &mut Tester, seconds: i64) {
    let until = tester.port.now() + seconds * S;
    let mut buffer = [0; 64];
    while tester.port.now() < until {
        assert_eq!(tester.port.read_until(&mut buffer, until).expect("the adapter is there"), 0);
    }
}

fn kpa(tester: &mut Tester) -> u32 {
    u32::from_str_radix(&tester.bytes("7E3", "22D102")[6..10], 16).expect("two bytes")
}

/// Holds the session for some seconds.
fn hold(tester: &mut Tester, seconds: i64) {
    for _ in 0..seconds {
        assert_eq!(&tester.bytes("7E3", "3E00")[..4], "7E00");
        wait(tester, 1);
    }
}

#[test]
fn the_clutch_moves_the_pressure_and_comes_back_with_the_session() {
    let mut t = Tester::plain("fell?script=idle");
    assert_eq!(&t.bytes("7E3", "2FD1010301")[..6], "7F2F7F", "not in the first session");
    assert_eq!(&t.bytes("7E3", "1003")[..12], "5003003201F4");
    let before = kpa(&mut t);
    assert_eq!(&t.bytes("7E3", "2FD1010301")[..10], "6FD1010301");
    hold(&mut t, 12);
    assert_eq!(&t.bytes("7E3", "22D101")[..8], "62D10101");
    let with = kpa(&mut t);
    assert!(with > before + 300, "{before} then {with} kPa");
    // Given back.
    assert_eq!(&t.bytes("7E3", "2FD10100")[..8], "6FD10100");
    hold(&mut t, 1);
    assert_eq!(&t.bytes("7E3", "22D101")[..8], "62D10100");
    // Driven again, and then nobody says anything any more.
    t.bytes("7E3", "2FD1010301");
    wait(&mut t, 6);
    assert_eq!(&t.bytes("7E3", "22D101")[..8], "62D10100", "the module took it back");
    assert_eq!(&t.bytes("7E3", "2FD1010301")[..6], "7F2F7F");
    // What is not there, and a level that is not.
    t.bytes("7E3", "1003");
    assert_eq!(&t.bytes("7E3", "2FD1FF0301")[..6], "7F2F31");
    assert_eq!(&t.bytes("7E3", "2FD1030365")[..6], "7F2F31");
}

#[test]
fn a_moving_car_refuses() {
    let mut t = Tester::plain("fell?script=cruise&start=60");
    t.bytes("7E3", "1003");
    assert_eq!(&t.bytes("7E3", "2FD1010301")[..6], "7F2F88");
    assert_eq!(&t.bytes("7E3", "3101020302")[..6], "7F3188");
}

#[test]
fn a_clutch_with_a_fault_pulls_in_late_or_never() {
    let rise = |fault: &str, seconds| {
        let mut t = Tester::plain(&format!("fell?script=idle&fault={fault}"));
        t.bytes("7E3", "1003");
        let before = kpa(&mut t);
        t.bytes("7E3", "2FD1010301");
        hold(&mut t, seconds);
        assert_eq!(&t.bytes("7E3", "22D101")[..8], "62D10101", "the relay is on all the same");
        i64::from(kpa(&mut t)) - i64::from(before)
    };
    assert!(rise("clutch-open:1", 10) < 20);
    let (healthy, slow) = (rise("clutch-open:0", 3), rise("clutch-slow:1", 3));
    assert!(healthy > 150 && slow < 20, "{healthy} and {slow} kPa in 3 s");
    assert!(rise("clutch-slow:1", 10) > 150);
}

#[test]
fn the_fan_and_its_routine() {
    let mut t = Tester::plain("fell?script=idle");
    t.bytes("7E3", "1003");
    let fan = |t: &mut Tester| u8::from_str_radix(&t.bytes("7E3", "22D103")[6..8], 16).expect("a byte");
    t.bytes("7E3", "2FD1030350");
    hold(&mut t, 5);
    assert_eq!(fan(&mut t), 80);
    t.bytes("7E3", "2FD10300");
    hold(&mut t, 6);
    assert_eq!(fan(&mut t), 0);
    assert_eq!(&t.bytes("7E3", "31030203")[..6], "7F3124", "never started");
    assert_eq!(&t.bytes("7E3", "3101020302")[..8], "71010203");
    hold(&mut t, 4);
    assert_eq!(&t.bytes("7E3", "31030203")[..10], "7103020300", "running");
    assert!((40..=75).contains(&fan(&mut t)));
    hold(&mut t, 5);
    assert_eq!(&t.bytes("7E3", "31030203")[..10], "7103020301", "passed");
    t.bytes("7E3", "3101020302");
    assert_eq!(&t.bytes("7E3", "31020203")[..8], "71020203");
    assert_eq!(&t.bytes("7E3", "31030203")[..10], "7103020302", "stopped");
    assert_eq!(&t.bytes("7E3", "8502")[..4], "C502");
}

/// Service 08 (SAE J1979): test 01 is the leak test of the tank.
#[test]
fn the_tank_vent_needs_the_engine_off() {
    let mut t = Tester::plain("fell?script=idle");
    assert_eq!(&t.bytes("7E0", "0800")[..12], "480080000000");
    assert_eq!(&t.bytes("7E0", "080101")[..6], "7F0822");
    assert_eq!(&t.bytes("7E1", "0800")[..6], "7F0811");
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("off.road");
    std::fs::write(&path, "ambient 20\nengine warm\n60 speed 0 off\n").expect("written");
    let mut t = Tester::plain(&format!("fell?script={}&start=5", path.display()));
    assert_eq!(&t.bytes("7E0", "080101")[..6], "480101");
    assert_eq!(&t.bytes("7E0", "22D202")[..8], "62D20201");
    assert_eq!(&t.bytes("7E0", "080100")[..6], "480100");
    assert_eq!(&t.bytes("7E0", "22D202")[..8], "62D20200");
}

/// Service 2C (ISO 14229-1): layouts as a general-purpose UDS library builds them.
#[test]
fn identifiers_that_a_tester_defines() {
    let mut t = Tester::plain("fell?script=cruise&warm=1&start=60");
    assert_eq!(&t.bytes("7E2", "22F301")[..6], "7F2231");
    // One frame holds a definition with nothing in it, which is refused; forgetting works at any time.
    assert_eq!(&t.bytes("7E2", "2C01F301")[..6], "7F2C13");
    assert_eq!(&t.bytes("7E2", "2C03F301")[..8], "6C03F301");
    assert_eq!(&t.bytes("7E2", "2C03")[..4], "6C03");
    assert_eq!(&t.bytes("7E2", "2C02F301")[..6], "7F2C12");
}
