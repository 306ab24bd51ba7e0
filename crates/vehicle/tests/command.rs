//! Commands on the invented car, on a virtual clock: what is driven, what stops it, and that control always goes back.
//!
//! The car's modules act on their own rules (sessions of ISO 14229-1 that time out after 5 s without a request) and know
//! nothing of the code under test; whether control is back is read from the car itself.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

mod common;

use std::path::PathBuf;

use common::{Clock, Keep, S, definitions, sample, vehicle};
use link::{Exchange, Link, LinkError, LinkInfo, Reply, Request, Settings};
use protocol::Address;
use signal::{Gap, Sample, SignalId};
use vehicle::{
    CommandError, Conduct, Ended, Grant, Hand, Order, Pattern, Plan, Purpose, RawExchange, Returned, Sink, Vehicle,
    Wish,
};

/// The car whose definitions are used.
const CAR: &str = "fell";
/// Asks for the active session (identifier F186 of ISO 14229-1).
const ACTIVE_SESSION: [u8; 3] = [0x22, 0xF1, 0x86];
const BODY: Address = Address::from_reply11(0x7EB);

fn wish(name: &str) -> Wish {
    Wish::from(SignalId::new(name).unwrap())
}

/// The state of the clutch's relay, read by hand.
fn relay(vehicle: &mut Vehicle) -> f64 {
    let (_, keep) = sample(vehicle, &definitions(CAR), &["ac.clutch"], 1);
    keep.samples.last().unwrap().1.value
}

type Outcome = Result<Conduct, CommandError<&'static str>>;

struct Run {
    vehicle: Vehicle,
    plan: Plan,
    keep: Keep,
    outcome: Outcome,
    took_s: f64,
}

fn clutch(vehicle: Vehicle, pattern: Pattern, grant: &Grant, mut held: impl FnMut() -> bool) -> Run {
    by_hand(vehicle, pattern, grant, || Hand::from(held()))
}

fn by_hand(vehicle: Vehicle, pattern: Pattern, grant: &Grant, hand: impl FnMut() -> Hand) -> Run {
    by_hand_at(vehicle, pattern, grant, &Clock::default(), hand)
}

fn by_hand_at(
    mut vehicle: Vehicle,
    pattern: Pattern,
    grant: &Grant,
    clock: &Clock,
    mut hand: impl FnMut() -> Hand,
) -> Run {
    let definitions = definitions(CAR);
    let output = definitions.outputs(Some(standin::VIN)).find(|output| output.id.as_str() == "ac.clutch").unwrap();
    let order = Order::Output { output, pattern };
    let mut plan = vehicle.plan_beside(&order, &[wish("ac.pressure")], &definitions).unwrap();
    let mut keep = Keep { clock: Clock::clone(clock), ..Keep::default() };
    let from = vehicle.now();
    let outcome = vehicle.command(&order, grant, &mut plan, &mut keep, &mut hand);
    let took_s = (vehicle.now() - from) as f64 / 1e9;
    Run { vehicle, plan, keep, outcome, took_s }
}

fn granted(vehicle: &Vehicle, seconds: i64) -> Grant {
    let purpose = Purpose::Output(SignalId::new("ac.clutch").unwrap());
    Grant::new(BODY, purpose, vehicle.now() + seconds * S)
}

const HOLD: Pattern = Pattern::Hold { level: 1.0, seconds: 20.0 };

fn hold(spec: &str) -> Run {
    let vehicle = vehicle(spec);
    let grant = granted(&vehicle, 600);
    clutch(vehicle, HOLD, &grant, || true)
}

/// A road script of its own.
fn road(name: &str, text: &str) -> String {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR"));
    let path = folder.join(format!("{name}.road"));
    std::fs::write(&path, text).unwrap();
    path.display().to_string()
}

#[test]
fn a_pulse_train_moves_the_pressure_and_is_marked() {
    let vehicle = vehicle("fell?script=idle");
    let grant = granted(&vehicle, 600);
    let pattern = Pattern::Pulses { level: 1.0, on_s: 6.0, off_s: 6.0, count: 3, even: false };
    let mut run = clutch(vehicle, pattern, &grant, || true);
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::Complete, Returned::Confirmed));
    let levels: Vec<f64> = conduct.driven.iter().map(|driven| driven.level).collect();
    assert_eq!(levels, [1.0, 0.0, 1.0, 0.0, 1.0]);
    assert!(conduct.driven.iter().all(|driven| driven.asked_ns < driven.confirmed_ns));
    let marks: Vec<&str> = run.keep.marks.iter().map(|mark| mark.text.as_str()).collect();
    assert_eq!(marks, ["ac.clutch on", "ac.clutch off"].repeat(3));
    let lengths: Vec<f64> = run.keep.marks.windows(2).map(|pair| (pair[1].t_ns - pair[0].t_ns) as f64 / 1e9).collect();
    assert!(lengths.iter().all(|length| (3.5..=8.5).contains(length)), "{lengths:?}");
    assert!(lengths.iter().any(|length| (length - lengths[0]).abs() > 1.0), "uneven: {lengths:?}");
    let pressure = run.keep.values(&run.plan, "ac.pressure");
    let near = |t_s: f64| pressure.iter().min_by(|a, b| (a.0 - t_s).abs().total_cmp(&(b.0 - t_s).abs())).unwrap().1;
    let (on_s, off_s) = (run.keep.marks[0].t_ns as f64 / 1e9, run.keep.marks[1].t_ns as f64 / 1e9);
    assert!(near(off_s) > near(on_s) + 200.0, "{} to {} kPa", near(on_s), near(off_s));
    // Some seconds before the first and after the last are on record.
    assert!(on_s > 4.9 && run.took_s > run.keep.marks[5].t_ns as f64 / 1e9 + 4.9);
    // The session is kept open all the while, and left at the end.
    assert!(run.keep.times_s(&ACTIVE_SESSION).len() > 10);
    assert_eq!(run.keep.times_s(&[0x10, 0x01]).len(), 1);
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

#[test]
fn nothing_is_sent_without_a_grant() {
    let vehicle = vehicle("fell?script=idle");
    let other = Grant::new(BODY, Purpose::ClearCodes, i64::MAX);
    let late = Grant::new(BODY, Purpose::Output(SignalId::new("ac.clutch").unwrap()), vehicle.now());
    let mut vehicle = vehicle;
    for grant in [Grant::default(), other, late] {
        let run = clutch(vehicle, HOLD, &grant, || true);
        assert!(matches!(run.outcome, Err(CommandError::Grant(_))));
        assert!(run.keep.exchanges.is_empty());
        vehicle = run.vehicle;
    }
}

/// What must hold and does not, or cannot be known: no request of service 10 or 2F leaves.
#[test]
fn nothing_is_driven_unless_the_conditions_hold() {
    let off = road("off", "ambient 20\nengine warm\n90 speed 0 off\n");
    for (spec, expected) in [
        (format!("fell?script={off}&start=5"), "the engine must be running: engine.speed is 0"),
        ("fell?script=cruise&start=60".to_owned(), "the vehicle must stand still: vehicle.speed is"),
        ("fell?script=idle&silent=engine:6:200".to_owned(), "is not known"),
    ] {
        let mut car = vehicle(&spec);
        while car.now() < 7 * S {
            relay(&mut car);
        }
        let grant = granted(&car, 600);
        let mut run = clutch(car, HOLD, &grant, || true);
        let conduct = run.outcome.unwrap();
        assert!(matches!(&conduct.ended, Ended::Unmet(what) if what.contains(expected)), "{spec}: {:?}", conduct.ended);
        assert_eq!((conduct.returned, conduct.driven.len()), (Returned::NotDriven, 0));
        assert!(run.keep.times_s(&[0x2F]).is_empty() && run.keep.times_s(&[0x10]).is_empty(), "{spec}");
        assert_eq!(relay(&mut run.vehicle), 0.0);
    }
}

#[test]
fn a_car_that_begins_to_move_gets_its_output_back() {
    let leaves = road("leaves", "ambient 20\nengine warm\n20 speed 0\n60 speed 40\n");
    let mut run = hold(&format!("fell?script={leaves}"));
    let conduct = run.outcome.unwrap();
    assert!(matches!(&conduct.ended, Ended::Unmet(what) if what.contains("vehicle.speed is")), "{:?}", conduct.ended);
    assert_eq!(conduct.returned, Returned::Confirmed);
    let speed = run.keep.values(&run.plan, "vehicle.speed");
    let moved_s = speed.iter().find(|(_, value)| *value > 0.0).unwrap().0;
    let returned_s = run.keep.times_s(&[0x2F, 0xD1, 0x01, 0x00])[0];
    assert!((0.0..0.3).contains(&(returned_s - moved_s)), "moved at {moved_s} s, given back at {returned_s} s");
    assert_eq!(run.keep.marks.last().unwrap().text, "ac.clutch off");
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

#[test]
fn an_engine_module_that_falls_silent_ends_it() {
    let mut run = hold("fell?script=idle&silent=engine:12:200");
    let conduct = run.outcome.unwrap();
    assert!(matches!(&conduct.ended, Ended::Unmet(what) if what.contains("is not known")), "{:?}", conduct.ended);
    assert_eq!(conduct.returned, Returned::Confirmed);
    assert!(run.took_s < 20.0, "{}", run.took_s);
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

#[test]
fn let_go_expired_and_too_long() {
    let car = vehicle("fell?script=idle");
    let grant = granted(&car, 600);
    let mut calls = 0;
    let mut run = clutch(car, HOLD, &grant, || {
        calls += 1;
        calls < 300
    });
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned, conduct.driven.len()), (Ended::Released, Returned::Confirmed, 1));
    assert_eq!(relay(&mut run.vehicle), 0.0);

    let car = vehicle("fell?script=idle");
    let grant = granted(&car, 12);
    let run = clutch(car, HOLD, &grant, || true);
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::Expired, Returned::Confirmed));
    assert!((12.0..14.0).contains(&run.took_s), "{}", run.took_s);

    let car = vehicle("fell?script=idle");
    let grant = granted(&car, 600);
    let run = clutch(car, Pattern::Hold { level: 1.0, seconds: 300.0 }, &grant, || true);
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::Longest, Returned::Confirmed), "the definition allows 120 s");
    assert!((125.0..128.0).contains(&run.took_s), "{}", run.took_s);
}

/// Pressed at 3 s for 2 s and at 8 s for 3 s; the one who presses goes away at 14 s.
#[test]
fn pressed_twice_by_hand() {
    let car = vehicle("fell?script=idle");
    let grant = granted(&car, 600);
    let clock = Clock::default();
    let now = Clock::clone(&clock);
    let mut run = by_hand_at(car, HOLD, &grant, &clock, move || match now.get() {
        t if t > 14.0 => Hand::Away,
        t if (3.0..5.0).contains(&t) || (8.0..11.0).contains(&t) => Hand::Pressed,
        _ => Hand::Near,
    });
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::Released, Returned::Confirmed));
    assert_eq!(conduct.driven.len(), 2);
    // The request goes out with the press (service 2F, control parameter 3), and control is asked back when it is let go.
    for (request, at_s) in [(&[0x2F, 0xD1, 0x01, 0x03][..], [3.0, 8.0]), (&[0x2F, 0xD1, 0x01, 0x00][..], [5.0, 11.0])] {
        let times_s = run.keep.times_s(request);
        assert_eq!(times_s.len(), 2, "{times_s:?}");
        for (found, wanted) in times_s.iter().zip(at_s) {
            assert!((0.0..0.4).contains(&(found - wanted)), "{request:02X?}: {times_s:?}");
        }
    }
    let edges: Vec<&str> = run.keep.marks.iter().map(|mark| mark.text.as_str()).collect();
    assert_eq!(edges, ["ac.clutch on", "ac.clutch off", "ac.clutch on", "ac.clutch off"]);
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

/// Nobody presses for two minutes: it ends, and nothing was driven.
#[test]
fn nobody_presses() {
    let car = vehicle("fell?script=idle");
    let grant = granted(&car, 600);
    let run = by_hand(car, HOLD, &grant, || Hand::Near);
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned, conduct.driven.len()), (Ended::Released, Returned::NotDriven, 0));
    assert!((119.0..122.0).contains(&run.took_s), "{}", run.took_s);
}

/// Unplugged for a moment: control is asked back as soon as the adapter is there again. Unplugged for long: the module has
/// taken it back by itself meanwhile, which is read from the car afterwards.
#[test]
fn a_lost_adapter() {
    let mut run = hold("fell?script=idle&gone=14:1");
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::LinkLost, Returned::Confirmed));
    assert_eq!(run.keep.gaps.len(), 1);
    assert_eq!(relay(&mut run.vehicle), 0.0);

    let mut run = hold("fell?script=idle&gone=14:12");
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::LinkLost, Returned::BySession));
    assert!(run.took_s < 24.0, "does not wait for ever: {}", run.took_s);
    while relay_is_silent(&mut run.vehicle) {}
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

#[test]
fn a_module_that_falls_silent_takes_back_by_itself() {
    let mut run = hold("fell?script=idle&silent=body:14:30");
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::Silent, Returned::BySession));
    while relay_is_silent(&mut run.vehicle) {}
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

/// Away for half a second, shorter than between two keep-alives: nothing that is asked goes unanswered, but the relay has
/// fallen off.
#[test]
fn a_module_that_starts_anew_in_mid_hold_is_noticed() {
    let mut run = hold("fell?script=idle&restart=body:14.2:0.5");
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::SessionOver, Returned::Confirmed));
    assert!(run.took_s < 18.5, "{}", run.took_s);
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

/// 31 (hex): request out of range (ISO 14229-1). The session is kept open by the service for that.
#[test]
fn a_module_that_does_not_tell_its_session_is_driven_as_well() {
    let mut run = hold_spoiled(|request, _, replies| {
        if request == ACTIVE_SESSION {
            replies.iter_mut().for_each(|reply| reply.bytes = vec![0x7F, 0x22, 0x31]);
        }
    });
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::Complete, Returned::Confirmed));
    assert_eq!(run.keep.times_s(&ACTIVE_SESSION).len(), 1);
    assert!(run.keep.times_s(&[0x3E]).len() > 5);
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

/// What is done to the answer to a request, given how many like it came before.
type Spoil = fn(&[u8], usize, &mut Vec<Reply>);

/// The invented car behind a line that spoils answers to service 2F, and to what asks for the session.
struct Spoiled {
    car: Box<dyn Link>,
    asked: Vec<Vec<u8>>,
    spoil: Spoil,
}

impl Link for Spoiled {
    fn info(&self) -> &LinkInfo {
        self.car.info()
    }

    fn now(&self) -> i64 {
        self.car.now()
    }

    fn pause(&mut self, nanos: i64) {
        self.car.pause(nanos);
    }

    fn exchange(&mut self, request: &Request) -> Result<Exchange, LinkError> {
        let mut exchange = self.car.exchange(request)?;
        if request.bytes.first() == Some(&0x2F) || request.bytes == ACTIVE_SESSION {
            let n_before = self.asked.iter().filter(|asked| **asked == request.bytes).count();
            (self.spoil)(&request.bytes, n_before, &mut exchange.replies);
            self.asked.push(request.bytes.clone());
        }
        Ok(exchange)
    }

    fn supply_volts(&mut self) -> Result<Option<f64>, LinkError> {
        self.car.supply_volts()
    }

    fn reopen(&mut self) -> Result<(), LinkError> {
        self.car.reopen()
    }
}

fn hold_spoiled(spoil: Spoil) -> Run {
    let car = standin::open("fell?script=idle", Settings { bus: None, need_vehicle: true }).unwrap();
    let car = Vehicle::find(Box::new(Spoiled { car, asked: Vec::new(), spoil })).unwrap();
    let grant = granted(&car, 600);
    clutch(car, HOLD, &grant, || true)
}

/// 24 (hex): request sequence error (ISO 14229-1), as of what is under way already. The first request has done it.
#[test]
fn what_was_driven_by_a_request_without_answer_goes_back_when_the_next_is_refused() {
    let mut run = hold_spoiled(|request, n_before, replies| match (request, n_before) {
        ([0x2F, 0xD1, 0x01, 0x03, ..], 0) => replies.clear(),
        ([0x2F, 0xD1, 0x01, 0x03, ..], _) => replies.iter_mut().for_each(|reply| reply.bytes = vec![0x7F, 0x2F, 0x24]),
        _ => {}
    });
    let conduct = run.outcome.unwrap();
    assert!(matches!(conduct.ended, Ended::Refused(_)), "{:?}", conduct.ended);
    assert_eq!((conduct.returned, conduct.driven.len()), (Returned::Confirmed, 0));
    assert_eq!(run.keep.times_s(&[0x2F, 0xD1, 0x01, 0x00]).len(), 1);
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

/// 21 (hex): busy, repeat request (ISO 14229-1), four times; then one answer is lost. That is one try in vain, not five.
#[test]
fn a_busy_module_is_asked_for_control_until_it_answers() {
    let mut run = hold_spoiled(|request, n_before, replies| match (request, n_before) {
        ([0x2F, 0xD1, 0x01, 0x00], 0..4) => replies.iter_mut().for_each(|reply| reply.bytes = vec![0x7F, 0x2F, 0x21]),
        ([0x2F, 0xD1, 0x01, 0x00], 4) => replies.clear(),
        _ => {}
    });
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::Complete, Returned::Confirmed));
    assert_eq!(run.keep.times_s(&[0x2F, 0xD1, 0x01, 0x00]).len(), 6);
    assert_eq!(relay(&mut run.vehicle), 0.0);
}

fn relay_is_silent(vehicle: &mut Vehicle) -> bool {
    let mut plan = vehicle.plan(&[SignalId::new("ac.clutch").unwrap()], &definitions(CAR)).unwrap();
    let mut keep = Keep { until_ns: Some(S), ..Keep::default() };
    vehicle.sample(&mut plan, &mut keep).unwrap();
    keep.samples.is_empty()
}

/// A module that is busy or asks for more time is waited for; answers that are late hold nothing up.
#[test]
fn busy_and_pending_modules() {
    let run = hold("fell?script=idle&busy=body:0.3&pending=body:0.2:400");
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::Complete, Returned::Confirmed));
}

#[test]
fn a_level_and_a_level_that_is_not_there() {
    let definitions = definitions(CAR);
    let fan = definitions.outputs(Some(standin::VIN)).find(|output| output.id.as_str() == "fan.command").unwrap();
    let mut car = vehicle("fell?script=idle");
    let purpose = Purpose::Output(fan.id.clone());
    let grant = Grant::new(BODY, purpose, i64::MAX);
    for (level, is_fine) in [(60.0, true), (101.0, false)] {
        let order = Order::Output { output: fan, pattern: Pattern::Hold { level, seconds: 5.0 } };
        let mut plan = car.plan_beside(&order, &[wish("fan.command")], &definitions).unwrap();
        let mut keep = Keep::default();
        let outcome = car.command(&order, &grant, &mut plan, &mut keep, &mut || Hand::Pressed);
        assert_eq!(outcome.is_ok(), is_fine, "{outcome:?}");
        if is_fine {
            let most = keep.values(&plan, "fan.command").iter().map(|(_, value)| *value).fold(0.0, f64::max);
            assert!((59.0..=60.0).contains(&most), "{most}");
        } else {
            assert!(keep.exchanges.is_empty());
        }
    }
}

#[test]
fn a_routine_with_its_result() {
    let definitions = definitions(CAR);
    let ramp = definitions.routines(Some(standin::VIN)).next().unwrap();
    for (seconds, outcome) in [(10.0, "passed"), (4.0, "stopped")] {
        let mut car = vehicle("fell?script=idle");
        let grant = Grant::new(BODY, Purpose::Routine(ramp.id.clone()), i64::MAX);
        let order = Order::Routine { routine: ramp, parameters: vec![("step".to_owned(), 2.0)], seconds };
        let mut plan = car.plan_beside(&order, &[wish("fan.command")], &definitions).unwrap();
        let mut keep = Keep::default();
        let conduct = car.command(&order, &grant, &mut plan, &mut keep, &mut || Hand::Pressed).unwrap();
        assert_eq!((conduct.ended, conduct.returned), (Ended::Complete, Returned::Confirmed));
        let results = conduct.results.unwrap();
        assert_eq!(ramp.results[0].text(&results), Some(outcome));
        assert_eq!(keep.marks[0].text, "custom.fan_ramp on");
        let most = keep.values(&plan, "fan.command").iter().map(|(_, value)| *value).fold(0.0, f64::max);
        assert_eq!(most > 95.0, outcome == "passed", "{most}");
    }
}

/// The vent valve of the tank, closed by service 08 with the engine off, for some seconds.
fn vent(name: &str, faults: &str, seconds: f64) -> (Run, Vec<f64>) {
    let off = road(name, "ambient 20\nengine warm\n120 speed 0 off\n");
    let definitions = definitions(CAR);
    let vent = definitions.outputs(Some(standin::VIN)).find(|output| output.id.as_str() == "custom.tank_vent").unwrap();
    let mut car = vehicle(&format!("fell?script={off}&start=5{faults}"));
    let grant = Grant::new(vent.module, Purpose::Output(vent.id.clone()), i64::MAX);
    let order = Order::Output { output: vent, pattern: Pattern::Hold { level: 1.0, seconds } };
    let mut plan = car.plan_beside(&order, &[wish("custom.tank_vent_closed")], &definitions).unwrap();
    let (mut keep, from) = (Keep::default(), car.now());
    let outcome = car.command(&order, &grant, &mut plan, &mut keep, &mut || Hand::Pressed);
    let took_s = (car.now() - from) as f64 / 1e9;
    let closed = keep.values(&plan, "custom.tank_vent_closed").iter().map(|(_, value)| *value).collect();
    (Run { vehicle: car, plan, keep, outcome, took_s }, closed)
}

/// Service 08 knows no session and no return: the safe level is sent instead.
#[test]
fn a_test_of_service_08() {
    let (run, closed) = vent("vent", "", 3.0);
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::Complete, Returned::Confirmed));
    assert!(closed.contains(&1.0));
    assert_eq!(closed.last(), Some(&0.0));
    assert_eq!(run.keep.times_s(&[0x10]).len() + run.keep.times_s(&[0x3E]).len(), 0);
}

/// Nothing but our own request ends it, so it is sent as soon as the adapter is back, and nothing says "off" before.
#[test]
fn a_lost_adapter_where_no_session_times_out() {
    for gone_s in [1, 12] {
        let (run, _) = vent("vent-gone", &format!("&gone=14:{gone_s}"), 30.0);
        let conduct = run.outcome.unwrap();
        assert_eq!((conduct.ended, conduct.returned), (Ended::LinkLost, Returned::Confirmed));
        let marks: Vec<(i64, &str)> = run.keep.marks.iter().map(|mark| (mark.t_ns, mark.text.as_str())).collect();
        let [(_, "custom.tank_vent on"), (off_ns, "custom.tank_vent off")] = marks[..] else { panic!("{marks:?}") };
        assert!(off_ns >= run.keep.gaps[0].to_ns, "{marks:?}, {:?}", run.keep.gaps);
        let mut vehicle = run.vehicle;
        let (_, after) = sample(&mut vehicle, &definitions(CAR), &["custom.tank_vent_closed"], 1);
        assert_eq!(after.samples.last().unwrap().1.value, 0.0);
    }

    let (run, _) = vent("vent-lost", "&gone=14:100", 30.0);
    let conduct = run.outcome.unwrap();
    assert_eq!((conduct.ended, conduct.returned), (Ended::LinkLost, Returned::Unknown));
    assert!((60.0..90.0).contains(&run.took_s), "does not wait for ever: {}", run.took_s);
    let marks: Vec<&str> = run.keep.marks.iter().map(|mark| mark.text.as_str()).collect();
    assert_eq!(marks, ["custom.tank_vent on"]);
    assert!(run.keep.notes.iter().any(|note| note.contains("may still be driven")), "{:?}", run.keep.notes);
}

/// A recorder that breaks ends the samples; the output is given back before anyone hears of it.
#[test]
fn a_sink_that_breaks() {
    struct Breaks(Keep);
    impl Sink for Breaks {
        type Error = &'static str;

        fn sample(&mut self, _: usize, sample: Sample) -> Result<(), Self::Error> {
            if sample.t_ns > 9 * S { Err("full") } else { Ok(()) }
        }

        fn exchange(&mut self, _: u32, raw: RawExchange) -> Result<(), Self::Error> {
            self.0.exchanges.push((0, raw));
            Ok(())
        }

        fn gap(&mut self, _: Gap) -> Result<(), Self::Error> {
            Ok(())
        }

        fn note(&mut self, _: i64, _: &str) {}

        fn go_on(&mut self, _: i64) -> Result<bool, Self::Error> {
            Ok(true)
        }
    }
    let definitions = definitions(CAR);
    let output = definitions.outputs(Some(standin::VIN)).find(|output| output.id.as_str() == "ac.clutch").unwrap();
    let mut car = vehicle("fell?script=idle");
    let grant = granted(&car, 600);
    let order = Order::Output { output, pattern: HOLD };
    let mut plan = car.plan_beside(&order, &[], &definitions).unwrap();
    let mut sink = Breaks(Keep::default());
    let outcome = car.command(&order, &grant, &mut plan, &mut sink, &mut || Hand::Pressed);
    assert!(matches!(outcome, Err(CommandError::Sample(_))));
    assert_eq!(sink.0.times_s(&[0x2F, 0xD1, 0x01, 0x00]).len(), 1);
    assert_eq!(relay(&mut car), 0.0);
}
