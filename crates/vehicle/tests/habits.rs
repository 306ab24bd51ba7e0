//! Modules with habits: what a car does that the invented one does not. A link of our own plays them on a virtual clock.
//!
//! Message layouts: SAE J1979 and ISO 14229-1; that modules ignore or refuse requests for several values is common
//! practice, no source.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::sync::{Arc, Mutex};

use definition::Definitions;
use link::{Exchange, Link, LinkError, LinkInfo, Reply, Request, Target};
use protocol::{Address, Bus, Nanos};
use signal::{Gap, Sample, SignalId};
use vehicle::{Clearing, Despite, Grant, Plan, Purpose, RawExchange, Sink, Speaks, Vehicle};

const ENGINE: Address = Address::from_reply11(0x7E8);
const GEARBOX: Address = Address::from_reply11(0x7E9);
/// Time of one exchange, and of one that nobody answers.
const EXCHANGE_NS: Nanos = 10_000_000;
const SILENCE_NS: Nanos = 100_000_000;

type Asked = Arc<Mutex<Vec<(Target, Vec<u8>)>>>;

/// What no module says: the answer came damaged.
const DAMAGED: &[u8] = &[0x00];
/// Nor this: the adapter could not open the line to it.
const NOT_OPENED: &[u8] = &[0xFF];

/// Answers by a function of target and request; a message without bytes says that the adapter cannot send the request, each
/// further one that it finds out in a second.
struct Played<F> {
    info: LinkInfo,
    now: Nanos,
    asked: Asked,
    answer: F,
}

impl<F: FnMut(Target, &[u8]) -> Vec<(Address, Vec<u8>)> + Send> Link for Played<F> {
    fn info(&self) -> &LinkInfo {
        &self.info
    }

    fn now(&self) -> Nanos {
        self.now
    }

    fn pause(&mut self, nanos: Nanos) {
        self.now += nanos;
    }

    fn exchange(&mut self, request: &Request) -> Result<Exchange, LinkError> {
        let asked_ns = self.now;
        self.asked.lock().unwrap().push((request.to, request.bytes.clone()));
        let answers = (self.answer)(request.to, &request.bytes);
        if answers.iter().any(|(_, bytes)| bytes.is_empty()) {
            self.now += 1_000_000_000 * (answers.len() as Nanos - 1);
            return Err(LinkError::Unsendable("it cannot be sent".to_owned()));
        }
        if answers.iter().any(|(_, bytes)| bytes == NOT_OPENED) {
            self.now += 300_000_000;
            let said = "BUS INIT: ...ERROR".to_owned();
            return Err(LinkError::NoVehicle { address: self.info.adapter.clone(), said });
        }
        self.now += if answers.is_empty() { SILENCE_NS } else { EXCHANGE_NS };
        let (damaged, answers): (Vec<_>, Vec<_>) = answers.into_iter().partition(|(_, bytes)| bytes == DAMAGED);
        let replies = answers.into_iter().map(|(from, bytes)| Reply { from, bytes, arrived_ns: self.now }).collect();
        let problems = damaged.iter().map(|_| "dropped `7E`: the line broke off".to_owned()).collect();
        Ok(Exchange { asked_ns, over_ns: self.now, replies, problems })
    }

    fn supply_volts(&mut self) -> Result<Option<f64>, LinkError> {
        self.now += EXCHANGE_NS;
        Ok(None)
    }

    fn reopen(&mut self) -> Result<(), LinkError> {
        Ok(())
    }
}

fn car(bus: Bus, answer: impl FnMut(Target, &[u8]) -> Vec<(Address, Vec<u8>)> + Send + 'static) -> (Vehicle, Asked) {
    let asked = Asked::default();
    let info = LinkInfo { adapter: "played".into(), bus: Some(bus), notes: Vec::new(), n_losses: 0 };
    let link = Played { info, now: 0, asked: Arc::clone(&asked), answer };
    (Vehicle::find(Box::new(link)).unwrap(), asked)
}

const CAN: Bus = Bus::Can { wide: false, kbit_s: 500 };

/// An engine module with load, coolant, trims, speed and engine speed, one value per request or several.
fn engine(request: &[u8], takes_several: bool) -> Option<Vec<u8>> {
    match request {
        [0x01, 0x00] => Some(vec![0x41, 0x00, 0x18, 0x18, 0x00, 0x00]),
        [0x01, pids @ ..] if pids.len() == 1 || takes_several => {
            let mut reply = vec![0x41];
            for pid in pids {
                match pid {
                    0x0C => reply.extend([0x0C, 0x1A, 0xF8]),
                    0x04 | 0x05 | 0x0D => reply.extend([*pid, 0x50]),
                    _ => return None,
                }
            }
            Some(reply)
        }
        _ => None,
    }
}

#[derive(Default)]
struct Keep {
    until_ns: Nanos,
    samples: Vec<(usize, Sample)>,
    gaps: Vec<Gap>,
    notes: Vec<String>,
}

impl Sink for Keep {
    type Error = std::convert::Infallible;

    fn sample(&mut self, signal: usize, sample: Sample) -> Result<(), Self::Error> {
        self.samples.push((signal, sample));
        Ok(())
    }

    fn exchange(&mut self, _: u32, _: RawExchange) -> Result<(), Self::Error> {
        Ok(())
    }

    fn gap(&mut self, gap: Gap) -> Result<(), Self::Error> {
        self.gaps.push(gap);
        Ok(())
    }

    fn note(&mut self, _: Nanos, text: &str) {
        self.notes.push(text.to_owned());
    }

    fn go_on(&mut self, t_ns: Nanos) -> Result<bool, Self::Error> {
        Ok(t_ns < self.until_ns)
    }
}

fn plan(vehicle: &mut Vehicle, names: &[&str]) -> Plan {
    let ids: Vec<SignalId> = names.iter().map(|name| SignalId::new(name).unwrap()).collect();
    let plan = vehicle.plan(&ids, &Definitions::standard()).unwrap();
    assert_eq!(plan.unavailable, []);
    plan
}

fn sample(vehicle: &mut Vehicle, plan: &mut Plan, seconds: i64) -> Keep {
    let mut keep = Keep { until_ns: seconds * 1_000_000_000, ..Keep::default() };
    vehicle.sample(plan, &mut keep).unwrap();
    assert_eq!(keep.gaps, [], "no gap was expected");
    keep
}

fn count(keep: &Keep, signal: usize) -> usize {
    keep.samples.iter().filter(|(of, _)| *of == signal).count()
}

const THREE: [&str; 3] = ["engine.speed", "vehicle.speed", "engine.load"];

#[test]
fn several_values_come_in_one_request_where_the_module_takes_it() {
    let (mut vehicle, asked) = car(CAN, |_, request| engine(request, true).map(|r| (ENGINE, r)).into_iter().collect());
    let mut plan = plan(&mut vehicle, &THREE);
    asked.lock().unwrap().clear();
    let keep = sample(&mut vehicle, &mut plan, 10);
    assert!(asked.lock().unwrap().iter().all(|(_, bytes)| bytes.len() == 4));
    // One exchange of 10 ms brings all three: a hundred of each per second.
    assert_eq!((count(&keep, 0), count(&keep, 1), count(&keep, 2)), (1000, 1000, 1000));
}

#[test]
fn a_module_that_ignores_several_values_is_asked_in_parts() {
    let (mut vehicle, _) = car(CAN, |_, request| engine(request, false).map(|r| (ENGINE, r)).into_iter().collect());
    let mut plan = plan(&mut vehicle, &THREE);
    let keep = sample(&mut vehicle, &mut plan, 20);
    for signal in 0..3 {
        assert!(count(&keep, signal) > 500, "{signal}: {} {:?}", count(&keep, signal), keep.notes);
    }
    let again = sample(&mut vehicle, &mut plan, 5);
    assert_eq!(again.notes, Vec::<String>::new(), "what was learnt is kept");
}

#[test]
fn a_module_that_refuses_several_values_is_asked_in_parts() {
    // 13 (hex): incorrect message length or invalid format, ISO 14229-1.
    let (mut vehicle, _) =
        car(CAN, |_, request| vec![(ENGINE, engine(request, false).unwrap_or_else(|| vec![0x7F, request[0], 0x13]))]);
    let mut plan = plan(&mut vehicle, &THREE);
    let keep = sample(&mut vehicle, &mut plan, 20);
    for signal in 0..3 {
        assert!(count(&keep, signal) > 500, "{signal}: {} {:?}", count(&keep, signal), keep.notes);
    }
}

#[test]
fn a_module_that_was_silent_for_a_while_is_asked_for_several_values_again() {
    let calls = Arc::new(Mutex::new(0usize));
    let counted = Arc::clone(&calls);
    let (mut vehicle, asked) = car(CAN, move |_, request| {
        let mut calls = counted.lock().unwrap();
        *calls += usize::from(request.len() == 4);
        // Silent from its 200th to its 207th request for three values.
        let is_silent = (200..208).contains(&*calls);
        engine(request, true).filter(|_| !is_silent).map(|reply| (ENGINE, reply)).into_iter().collect()
    });
    let mut plan = plan(&mut vehicle, &THREE);
    asked.lock().unwrap().clear();
    let keep = sample(&mut vehicle, &mut plan, 20);
    assert!(asked.lock().unwrap().iter().all(|(_, bytes)| bytes.len() == 4), "{:?}", keep.notes);
    // Eight silences of 100 ms, and pauses of 0.1, 0.2, 0.4, 0.8, 1.6, 2, 2 and 2 s: about ten seconds are left.
    assert!(count(&keep, 0) > 950, "{} {:?}", count(&keep, 0), keep.notes);
}

/// A link refuses at once what it cannot send: no time passes, and the adapter is none the worse.
#[test]
fn what_cannot_be_sent_is_neither_tried_nor_told_without_end() {
    let calls = Arc::new(Mutex::new(0usize));
    let counted = Arc::clone(&calls);
    let (mut vehicle, asked) = car(CAN, move |_, request| {
        let mut calls = counted.lock().unwrap();
        *calls += usize::from(request == [0x01, 0x0C]);
        assert!(*calls < 10_000, "tried without end");
        let reply = if (101..=120).contains(&*calls) { Some(Vec::new()) } else { engine(request, false) };
        reply.map(|reply| (ENGINE, reply)).into_iter().collect()
    });
    let mut plan = plan(&mut vehicle, &["engine.speed"]);
    asked.lock().unwrap().clear();
    *calls.lock().unwrap() = 0;
    let keep = sample(&mut vehicle, &mut plan, 60);
    let n_told = keep.notes.iter().filter(|note| note.contains("cannot be sent")).count();
    assert!((1..=2).contains(&n_told), "{:?}", keep.notes);
    // Pauses of 0.1, 0.2, 0.4, 0.8 and 1.6 s and fifteen of 2 s, then it goes on: a hundred a second for the rest.
    assert!((2400..2800).contains(&count(&keep, 0)), "{} {:?}", count(&keep, 0), keep.notes);
}

/// The ignition of a car with a K-line goes off and on again: the adapter is there all the while.
#[test]
fn a_vehicle_that_does_not_answer_is_told_once_and_no_adapter_is_back() {
    let mut n_asked = 0;
    let (mut vehicle, _) = car(Bus::Iso9141, move |_, request| {
        n_asked += 1;
        let reply = if (100..200).contains(&n_asked) { Some(NOT_OPENED.to_vec()) } else { engine(request, false) };
        reply.map(|reply| (Address::Node(0x10), reply)).into_iter().collect()
    });
    let mut plan = plan(&mut vehicle, &["engine.speed"]);
    let mut keep = Keep { until_ns: 120_000_000_000, ..Keep::default() };
    vehicle.sample(&mut plan, &mut keep).unwrap();
    assert!(keep.gaps.len() == 100 && count(&keep, 0) > 1000, "{}", keep.gaps.len());
    let [off, on] = keep.notes.as_slice() else { panic!("{:?}", keep.notes) };
    assert!(off.contains("BUS INIT: ...ERROR") && on == "the vehicle answers again", "{:?}", keep.notes);
}

#[test]
fn time_that_was_spent_on_what_cannot_be_sent_is_a_gap() {
    let calls = Arc::new(Mutex::new(0usize));
    let counted = Arc::clone(&calls);
    let (mut vehicle, _) = car(CAN, move |_, request| {
        let mut calls = counted.lock().unwrap();
        *calls += usize::from(request == [0x01, 0x0C]);
        if *calls == 101 {
            return vec![(ENGINE, Vec::new()); 6];
        }
        engine(request, false).map(|reply| (ENGINE, reply)).into_iter().collect()
    });
    let mut plan = plan(&mut vehicle, &["engine.speed"]);
    *calls.lock().unwrap() = 0;
    let mut keep = Keep { until_ns: 20_000_000_000, ..Keep::default() };
    vehicle.sample(&mut plan, &mut keep).unwrap();
    assert_eq!(keep.gaps.len(), 1, "{:?}", keep.gaps);
    let Gap { from_ns, to_ns, reason } = &keep.gaps[0];
    assert_eq!((from_ns + 5_000_000_000, reason.as_str()), (*to_ns, "it cannot be sent"));
}

#[test]
fn a_module_that_falls_silent_costs_the_others_little_and_is_welcome_back() {
    let calls = Arc::new(Mutex::new(0usize));
    let counted = Arc::clone(&calls);
    let (mut vehicle, _) = car(CAN, move |to, request| match (to, request) {
        (Target::Everyone, [0x01, 0x00]) => vec![
            (ENGINE, vec![0x41, 0x00, 0x00, 0x10, 0x00, 0x00]),
            (GEARBOX, vec![0x41, 0x00, 0x00, 0x08, 0x00, 0x00]),
        ],
        (Target::Module(GEARBOX), [0x01, 0x0D]) => {
            let mut calls = counted.lock().unwrap();
            *calls += 1;
            // Silent from its 20th to its 27th request.
            if (20..28).contains(&*calls) { Vec::new() } else { vec![(GEARBOX, vec![0x41, 0x0D, 0x50])] }
        }
        (Target::Module(ENGINE), [0x01, 0x0C]) => vec![(ENGINE, vec![0x41, 0x0C, 0x1A, 0xF8])],
        _ => Vec::new(),
    });
    let mut plan = plan(&mut vehicle, &["engine.speed", "vehicle.speed"]);
    let keep = sample(&mut vehicle, &mut plan, 60);
    assert!(count(&keep, 0) > 3_200, "{}", count(&keep, 0));
    assert!(count(&keep, 1) > 1_000, "{}", count(&keep, 1));
    assert!(keep.notes.iter().any(|note| note.contains("does not answer")), "{:?}", keep.notes);
    assert!(keep.notes.iter().any(|note| note.contains("answers again")), "{:?}", keep.notes);
}

#[test]
fn a_value_beyond_all_limits_is_recorded_as_it_came() {
    let (mut vehicle, _) = car(CAN, |_, request| match request {
        [0x01, 0x00] => vec![(ENGINE, vec![0x41, 0x00, 0x00, 0x00, 0x00, 0x01])],
        [0x01, 0x20] => vec![(ENGINE, vec![0x41, 0x20, 0x00, 0x00, 0x00, 0x01])],
        [0x01, 0x40] => vec![(ENGINE, vec![0x41, 0x40, 0x00, 0x00, 0x00, 0x01])],
        [0x01, 0x60] => vec![(ENGINE, vec![0x41, 0x60, 0x02, 0x00, 0x00, 0x00])],
        [0x01, 0x67] => vec![(ENGINE, vec![0x41, 0x67, 0x01, 0xFF, 0x00])],
        _ => Vec::new(),
    });
    let mut plan = plan(&mut vehicle, &["coolant.temperature"]);
    let keep = sample(&mut vehicle, &mut plan, 3);
    // FF is 215 degC, the end of the range: a sentinel that the checks must see.
    assert!(
        keep.samples.len() > 1 && keep.samples.iter().all(|(_, sample)| sample.value == 215.0),
        "{:?}",
        keep.samples
    );
}

#[test]
fn an_adapter_without_a_voltmeter_is_no_reason_to_stop() {
    let (mut vehicle, _) = car(CAN, |_, request| engine(request, true).map(|r| (ENGINE, r)).into_iter().collect());
    let mut plan = plan(&mut vehicle, &["engine.speed", "adapter.voltage"]);
    let keep = sample(&mut vehicle, &mut plan, 10);
    assert!(count(&keep, 0) > 900 && count(&keep, 1) == 0);
    assert_eq!(keep.notes.iter().filter(|note| note.contains("supply")).count(), 1, "{:?}", keep.notes);
}

#[test]
fn one_bad_module_does_not_cost_the_others() {
    let (mut vehicle, _) = car(CAN, |to, request| {
        let engine_says: &[u8] = match request {
            [0x01, 0x00] => &[0x41, 0x00, 0x80, 0x00, 0x00, 0x00],
            [0x01, 0x01] => &[0x41, 0x01, 0x83, 0x07, 0x65, 0x04],
            [0x03] => &[0x43, 0x02, 0x03, 0x01, 0x01, 0x71],
            [0x02, 0x02, 0x00] => &[0x42, 0x02, 0x00, 0x00, 0x00],
            _ => &[],
        };
        // The gearbox cuts every message short and announces more than it sends.
        let gearbox_says: &[u8] = match request {
            [0x01, 0x00] => &[0x41, 0x00, 0x80, 0x00, 0x00, 0x00],
            [0x01, 0x01] => &[0x41, 0x01, 0x83],
            [0x03] => &[0x43, 0x07, 0x03],
            [0x02, 0x02, 0x00] => &[0x42, 0x02, 0x00, 0x03],
            _ => &[],
        };
        let all = [(ENGINE, engine_says), (GEARBOX, gearbox_says)];
        let is_asked = |address: Address| matches!(to, Target::Everyone) || to == Target::Module(address);
        all.into_iter()
            .filter(|(a, said)| is_asked(*a) && !said.is_empty())
            .map(|(a, said)| (a, said.to_vec()))
            .collect()
    });
    let survey = vehicle.survey(|_| {});
    let [engine, gearbox] = survey.modules.as_slice() else { panic!("{:?}", survey.modules) };
    let codes: Vec<String> = engine.codes.iter().map(|found| found.code.to_string()).collect();
    assert_eq!(codes, ["P0301", "P0171"]);
    // The worked example of PID 01: lamp on, three codes, only the evaporative system incomplete (public table of PID 01).
    let incomplete: Vec<&str> = engine.readiness.as_ref().unwrap().incomplete().map(|monitor| monitor.name).collect();
    assert_eq!(incomplete, ["evaporative system"]);
    assert_eq!(engine.problems, Vec::<String>::new());
    assert!(gearbox.readiness.is_none() && gearbox.codes.is_empty());
    assert!(gearbox.problems.len() >= 3, "{:?}", gearbox.problems);
}

/// 21 (hex): busy, repeat request (ISO 14229-1). The answer to the question what there is must not be taken for "nothing".
#[test]
fn a_busy_module_is_asked_again_for_what_it_has() {
    let mut asked_for_monitors = 0;
    let (mut vehicle, _) = car(CAN, move |_, request| {
        let says: &[u8] = match request {
            [0x01, 0x00] => &[0x41, 0x00, 0x80, 0x00, 0x00, 0x00],
            [0x06, 0x00] => {
                asked_for_monitors += 1;
                if asked_for_monitors < 3 { &[0x7F, 0x06, 0x21] } else { &[0x46, 0x00, 0x80, 0x00, 0x00, 0x00] }
            }
            [0x06, 0x01] => &[0x46, 0x01, 0x05, 0x10, 0x00, 0x20, 0x00, 0x00, 0x00, 0x40],
            _ => &[],
        };
        if says.is_empty() { Vec::new() } else { vec![(ENGINE, says.to_vec())] }
    });
    let survey = vehicle.survey(|_| {});
    // Scaling 10 (hex): 1 ms per bit (SAE J1979 as a general-purpose packet library lists it).
    let results: Vec<_> = survey.modules[0].results.iter().map(|result| (result.mid, result.physical())).collect();
    assert_eq!(results, [(0x01, Some(32.0))]);
}

/// 21 (hex): busy, repeat request (ISO 14229-1), at the first question of each kind.
#[test]
fn a_busy_module_is_asked_again_for_its_parameters_its_frozen_values_and_to_clear() {
    let mut seen: Vec<Vec<u8>> = Vec::new();
    let (mut vehicle, _) = car(CAN, move |_, request| {
        let says: &[u8] = match request {
            [0x01, 0x00] => &[0x41, 0x00, 0x00, 0x18, 0x00, 0x01],
            [0x01, 0x20] => &[0x41, 0x20, 0x80, 0x00, 0x00, 0x00],
            [0x01, 0x0C] => &[0x41, 0x0C, 0x00, 0x00],
            [0x01, 0x0D] => &[0x41, 0x0D, 0x00],
            [0x02, 0x02, 0x00] => &[0x42, 0x02, 0x00, 0x03, 0x01],
            [0x02, 0x00, 0x00] => &[0x42, 0x00, 0x00, 0x00, 0x08, 0x00, 0x00],
            [0x02, 0x0D, 0x00] => &[0x42, 0x0D, 0x00, 0x50],
            [0x04] => &[0x44],
            _ => return Vec::new(),
        };
        let is_new = !seen.iter().any(|known| known == request);
        seen.push(request.to_vec());
        vec![(ENGINE, if is_new { vec![0x7F, request[0], 0x21] } else { says.to_vec() })]
    });
    assert_eq!(vehicle.modules()[0].pids.iter().collect::<Vec<u8>>(), [0x0C, 0x0D, 0x21]);
    let survey = vehicle.survey(|_| {});
    let frame = &survey.modules[0].freeze_frames[0];
    assert_eq!((frame.code.to_string().as_str(), frame.data[0].data.as_slice()), ("P0301", &[0x50][..]));
    let grant = Grant::new(ENGINE, Purpose::ClearCodes, i64::MAX);
    assert_eq!(vehicle.clear_codes(&[grant], Despite::default()).unwrap(), [(ENGINE, Clearing::Confirmed)]);
}

/// 22 (hex): conditions not correct (ISO 14229-1), as of a running engine; 11: service not supported.
#[test]
fn what_a_module_does_not_tell_now_is_told_as_missing() {
    let (mut vehicle, _) = car(CAN, |_, request| {
        let says = match request {
            [0x01, 0x00] => vec![0x41, 0x00, 0x00, 0x18, 0x00, 0x00],
            [0x03 | 0x07 | 0x0A] => vec![request[0] + 0x40, 0x00],
            [0x02 | 0x09, ..] => vec![0x7F, request[0], 0x22],
            _ => vec![0x7F, request[0], 0x11],
        };
        vec![(ENGINE, says)]
    });
    let problems = &vehicle.survey(|_| {}).modules[0].problems;
    let told = |asked: &str| problems.iter().any(|it| it.contains(asked) && it.contains("conditions not correct"));
    assert!(problems.len() == 2 && told("`02 02 00`") && told("`09 00`"), "{problems:?}");
}

/// A request to all asks nobody to say that he does not know the service (ISO 14229-1 has such answers held back), and some
/// say it all the same (common practice, no source).
#[test]
fn a_module_that_refuses_obd_is_none_that_speaks_it() {
    let (mut vehicle, _) = car(CAN, |to, request| {
        let is_asked = |address: Address| to == Target::Everyone || to == Target::Module(address);
        let mut says = Vec::new();
        if let Some(reply) = engine(request, true).filter(|_| is_asked(ENGINE)) {
            says.push((ENGINE, reply));
        }
        if is_asked(GEARBOX) {
            let reply = match request {
                [0x3E, 0x00] => vec![0x7E, 0x00],
                [0x19, 0x02, _] => vec![0x59, 0x02, 0xFF, 0x07, 0x15, 0x00, 0x09],
                _ => vec![0x7F, request[0], 0x11],
            };
            says.push((GEARBOX, reply));
        }
        says
    });
    let survey = vehicle.survey(|_| {});
    assert_eq!(survey.problems, Vec::<String>::new());
    let gearbox = &survey.modules[1];
    assert_eq!((gearbox.address, gearbox.speaks), (GEARBOX, Speaks::Uds));
    assert_eq!(gearbox.codes[0].code.to_string(), "P0715-00");
    assert_eq!(gearbox.problems, Vec::<String>::new());
}

/// 11 (hex): service not supported (ISO 14229-1). Service 0A is younger than CAN in cars (from memory).
#[test]
fn a_module_without_permanent_codes_lacks_nothing() {
    let (mut vehicle, _) = car(CAN, |_, request| {
        let says = match request {
            [0x01, 0x00] => vec![0x41, 0x00, 0x00, 0x18, 0x00, 0x00],
            [0x03 | 0x07] => vec![request[0] + 0x40, 0x00],
            _ => vec![0x7F, request[0], 0x11],
        };
        vec![(ENGINE, says)]
    });
    assert_eq!(vehicle.survey(|_| {}).modules[0].problems, Vec::<String>::new());
}

#[test]
fn a_list_that_was_announced_and_does_not_come_is_told() {
    let (mut vehicle, _) = car(CAN, |_, request| match request {
        [0x01, 0x00] => vec![(ENGINE, vec![0x41, 0x00, 0x00, 0x18, 0x00, 0x01])],
        [0x03] => vec![(ENGINE, vec![0x43, 0x00])],
        _ => Vec::new(),
    });
    assert_eq!(vehicle.survey(|_| {}).problems, ["7E8: no answer to `01 20`"]);
}

/// SAE J1979-2 asks for what services 01 to 09 told by identifiers: F8xx for information, F4xx for parameters, F6xx for
/// self-tests, each with lists of what there is (from memory).
#[test]
fn what_a_module_with_obd_on_uds_has_announced_and_does_not_tell_is_told() {
    let (mut vehicle, _) = car(CAN, |to, request| match (to, request) {
        (_, [0x22, 0xF8, 0x10]) => vec![(ENGINE, vec![0x62, 0xF8, 0x10, 0x01])],
        (Target::Module(ENGINE), [0x22, 0xF4, 0x00]) => vec![(ENGINE, vec![0x62, 0xF4, 0x00, 0x00, 0x18, 0x00, 0x00])],
        (Target::Module(ENGINE), [0x22, 0xF6, 0x00]) => vec![(ENGINE, vec![0x62, 0xF6, 0x00, 0x80, 0x00, 0x00, 0x01])],
        (Target::Module(ENGINE), [0x19, 0x42, ..]) => vec![(ENGINE, vec![0x59, 0x42, 0x33, 0xFF, 0xFF, 0x04])],
        _ => Vec::new(),
    });
    let survey = vehicle.survey(|_| {});
    let engine = &survey.modules[0];
    assert_eq!((engine.speaks, survey.problems.as_slice()), (Speaks::ObdOnUds, &[][..]));
    assert_eq!(engine.problems, ["no answer to `22 F6 20`", "no answer to `22 F6 01`"]);
}

/// The ignition goes off behind the stored codes: pending ones, the freeze frame, results and identity need no answer, and
/// would be missing without a word.
#[test]
fn a_module_that_falls_silent_while_it_is_read_is_told() {
    for (n_answers, is_told) in [(1, true), (usize::MAX, false)] {
        let mut n_codes = 0;
        let (mut vehicle, _) = car(CAN, move |_, request| match request {
            [0x01, 0x00] => vec![(ENGINE, vec![0x41, 0x00, 0x00, 0x18, 0x00, 0x00])],
            [0x03] => {
                n_codes += 1;
                if n_codes <= n_answers { vec![(ENGINE, vec![0x43, 0x01, 0x03, 0x01])] } else { Vec::new() }
            }
            _ => Vec::new(),
        });
        let survey = vehicle.survey(|_| {});
        let engine = &survey.modules[0];
        assert_eq!(engine.codes.len(), 1);
        let told = engine.problems.iter().filter(|problem| problem.starts_with("fell silent")).count();
        assert_eq!(told, usize::from(is_told), "{:?}", engine.problems);
        assert_eq!(engine.is_cut_short, is_told);
    }
}

/// On the older networks a module may say nothing when it has no codes (SAE J1979, from memory); how many it has is in PID 01.
#[test]
fn an_older_module_without_codes_may_say_nothing() {
    for (n_codes, is_cut_short) in [(0, false), (1, true)] {
        let engine = Address::Node(0x10);
        let (mut vehicle, _) = car(Bus::Iso9141, move |_, request| match request {
            [0x01, 0x00] => vec![(engine, vec![0x41, 0x00, 0x80, 0x00, 0x00, 0x00])],
            [0x01, 0x01] => vec![(engine, vec![0x41, 0x01, n_codes, 0x07, 0x65, 0x00])],
            _ => Vec::new(),
        });
        let survey = vehicle.survey(|_| {});
        let engine = &survey.modules[0];
        assert_eq!(engine.is_cut_short, is_cut_short, "{:?}", engine.problems);
        assert_eq!(engine.problems.is_empty(), !is_cut_short, "{:?}", engine.problems);
    }
}

/// A list of codes that ends before the number of codes that it begins with is reached (SAE J1979, service 03 on CAN), and
/// one that is whole beside results that are not.
#[test]
fn only_a_module_whose_codes_were_not_read_whole_is_cut_short() {
    for (codes, results, is_cut_short) in [
        (vec![0x43, 0x02, 0x03, 0x01], vec![0x46, 0x00, 0x80, 0x00, 0x00, 0x00], true),
        (vec![0x43, 0x01, 0x03, 0x01], vec![0x46, 0x00, 0x80, 0x00, 0x00, 0x00], false),
        (vec![0x43, 0x00], vec![0x7F, 0x06, 0x11], false),
    ] {
        let (mut vehicle, _) = car(CAN, move |_, request| match request {
            [0x01, 0x00] => vec![(ENGINE, vec![0x41, 0x00, 0x00, 0x18, 0x00, 0x00])],
            [0x03] => vec![(ENGINE, codes.clone())],
            [0x06, 0x00] => vec![(ENGINE, results.clone())],
            _ => Vec::new(),
        });
        let survey = vehicle.survey(|_| {});
        assert_eq!(survey.modules[0].is_cut_short, is_cut_short, "{:?}", survey.modules[0].problems);
    }
}

/// Identifier F190 (ISO 14229-1) of an instrument cluster that came out of another car; the emissions diagnostics tell whose
/// this one is. Check digits by the rule of 49 CFR 565.
#[test]
fn a_module_of_another_car_does_not_rename_this_one() {
    const FILE: &str = r#"
        title = "cluster"
        origin = "the test's own"

        [[module]]
        name = "cluster"
        request = "720"
        reply = "728"

        [[module.did]]
        did = "D001"
        n_bytes = 1

        [[module.did.signal]]
        id = "custom.miles"
        unit = "1"
        byte = 0
    "#;
    let cluster = Address::from_reply11(0x728);
    let (mut vehicle, _) = car(CAN, move |to, request| {
        let says = match (to, request) {
            (Target::Everyone, [0x01, 0x00]) => vec![0x41, 0x00, 0x00, 0x18, 0x00, 0x00],
            (Target::Module(ENGINE), [0x09, 0x00]) => vec![0x49, 0x00, 0x40, 0x00, 0x00, 0x00],
            (Target::Module(ENGINE), [0x09, 0x02]) => [&[0x49, 0x02, 0x01][..], b"1G4AH59H45G118341"].concat(),
            (Target::Module(module), [0x3E, 0x00]) if module == cluster => vec![0x7E, 0x00],
            (Target::Module(module), [0x22, 0xF1, 0x90]) if module == cluster => {
                [&[0x62, 0xF1, 0x90][..], b"1M8GDM9AXKP042788"].concat()
            }
            _ => return Vec::new(),
        };
        vec![(if to == Target::Module(cluster) { cluster } else { ENGINE }, says)]
    });
    let mut definitions = Definitions::standard();
    definitions.load_toml(FILE, "cluster.toml").unwrap();
    vehicle.find_defined(&mut definitions).unwrap();
    assert_eq!(vehicle.modules().len(), 2);
    assert_eq!(vehicle.vin().unwrap().unwrap().as_str(), "1G4AH59H45G118341");
    assert_eq!(vehicle.survey(|_| {}).vin.unwrap().as_str(), "1G4AH59H45G118341");
}

/// A module that was without supply stores a code for all that it missed.
#[test]
fn codes_whose_records_are_not_read_are_told() {
    for (n_codes, n_told) in [(20u8, 0), (21, 1)] {
        let (mut vehicle, _) = car(CAN, move |to, request| match (to, request) {
            (Target::Everyone, [0x01, 0x00]) => vec![(ENGINE, vec![0x41, 0x00, 0x00, 0x18, 0x00, 0x00])],
            (Target::Module(ENGINE), [0x03]) => vec![(ENGINE, vec![0x43, 0x00])],
            (Target::Module(GEARBOX), [0x3E, 0x00]) => vec![(GEARBOX, vec![0x7E, 0x00])],
            (Target::Module(GEARBOX), [0x19, 0x02, _]) => {
                let codes = (0..n_codes).flat_map(|n| [0xC1, n, 0x00, 0x08]);
                vec![(GEARBOX, [0x59, 0x02, 0xFF].into_iter().chain(codes).collect())]
            }
            (Target::Module(GEARBOX), _) => vec![(GEARBOX, vec![0x7F, request[0], 0x31])],
            _ => Vec::new(),
        });
        let survey = vehicle.survey_everything(&Definitions::standard(), |_| {});
        let gearbox = survey.modules.iter().find(|module| module.address == GEARBOX).unwrap();
        let told =
            gearbox.problems.iter().filter(|problem| problem.starts_with("of 21 codes only the first 20")).count();
        assert_eq!((gearbox.codes.len(), told), (usize::from(n_codes), n_told), "{:?}", gearbox.problems);
    }
}

/// A car without combustion engine tells no engine speed (PID 0C); here it tells no speed either.
#[test]
fn a_car_without_engine_can_be_cleared_by_whoever_sees_that_it_stands() {
    let (mut vehicle, _) = car(CAN, |_, request| match request {
        [0x01, 0x00] => vec![(ENGINE, vec![0x41, 0x00, 0x80, 0x00, 0x00, 0x00])],
        [0x04] => vec![(ENGINE, vec![0x44])],
        _ => Vec::new(),
    });
    let grant = Grant::new(ENGINE, Purpose::ClearCodes, i64::MAX);
    let stands = Despite { speed_unknown: true, ..Despite::default() };
    let refused = vehicle.clear_codes(std::slice::from_ref(&grant), stands).unwrap_err().to_string();
    assert!(refused.contains("whether the engine runs cannot be read"), "{refused}");
    let outcomes = vehicle.clear_codes(&[grant], Despite { engine_unknown: true, ..stands }).unwrap();
    assert_eq!(outcomes, [(ENGINE, Clearing::Confirmed)]);
}

/// One request of service 04 goes to all on an older network (SAE J1979); what one of them says counts for itself alone.
#[test]
fn of_two_modules_on_a_k_line_each_answers_for_itself() {
    const TWO: [Address; 2] = [Address::Node(0x10), Address::Node(0x18)];
    let (mut vehicle, asked) = car(Bus::Iso9141, |_, request| {
        let both = |reply: &[u8]| TWO.map(|node| (node, reply.to_vec())).to_vec();
        match request {
            [0x01, 0x00] => both(&[0x41, 0x00, 0x00, 0x18, 0x00, 0x00]),
            [0x01, 0x0C] => both(&[0x41, 0x0C, 0x00, 0x00]),
            [0x01, 0x0D] => both(&[0x41, 0x0D, 0x00]),
            [0x04] => vec![(TWO[0], vec![0x44]), (TWO[1], vec![0x7F, 0x04, 0x22])],
            _ => Vec::new(),
        }
    });
    let grants = TWO.map(|node| Grant::new(node, Purpose::ClearCodes, i64::MAX));
    let outcomes = vehicle.clear_codes(&grants, Despite::default()).unwrap();
    assert_eq!(outcomes[0], (TWO[0], Clearing::Confirmed));
    let refused =
        |outcome: &Clearing| matches!(outcome, Clearing::Refused(why) if why.contains("conditions not correct"));
    assert!(outcomes[1].0 == TWO[1] && refused(&outcomes[1].1), "{outcomes:?}");
    assert_eq!(asked.lock().unwrap().iter().filter(|(_, bytes)| bytes[..] == [0x04]).count(), 1);
}

#[test]
fn a_module_whose_answer_came_damaged_is_looked_for_again() {
    let well = Address::Can11 { request: 0x720, reply: 0x728 };
    let mut n_asked = 0;
    let (mut vehicle, _) = car(CAN, move |to, request| {
        let from = Address::from_reply11(0x728);
        match (to, request) {
            (Target::Everyone, [0x01, 0x00]) => vec![(ENGINE, vec![0x41, 0x00, 0x18, 0x18, 0x00, 0x00])],
            (Target::Anyone(Address::Can11 { request: 0x720, .. }), [0x3E, 0x00]) => {
                n_asked += 1;
                vec![(from, if n_asked == 1 { DAMAGED.to_vec() } else { vec![0x7E, 0x00] })]
            }
            (Target::Module(module), [0x3E, 0x00]) if module == well => vec![(well, vec![0x7E, 0x00])],
            (Target::Anyone(Address::Can11 { request: 0x730, .. }), _) => vec![(from, DAMAGED.to_vec())],
            _ => Vec::new(),
        }
    });
    vehicle.find_everyone(&mut |_| {}).unwrap();
    let found: Vec<Address> = vehicle.modules().iter().map(|module| module.address).collect();
    assert!(found.contains(&well), "{found:?}");
    let problems = vehicle.survey(|_| {}).problems;
    let unclear: Vec<&String> =
        problems.iter().filter(|problem| problem.starts_with("whether a module is at")).collect();
    assert!(unclear.len() == 1 && unclear[0].contains("730 is not known"), "{problems:?}");
}

/// ISO 9141-2: functional requests only, three codes per message padded with 0000 (from memory).
#[test]
fn an_old_car_without_vin_or_can_is_surveyed() {
    const NODE: Address = Address::Node(0x11);
    let (mut vehicle, asked) = car(Bus::Iso9141, |_, request| {
        let says: Vec<&[u8]> = match request {
            [0x01, 0x00] => vec![&[0x41, 0x00, 0x80, 0x10, 0x00, 0x00]],
            [0x01, 0x01] => vec![&[0x41, 0x01, 0x84, 0x07, 0x21, 0x20]],
            [0x01, 0x0C] => vec![&[0x41, 0x0C, 0x0B, 0xB8]],
            [0x03] => vec![&[0x43, 0x01, 0x33, 0x04, 0x20, 0x03, 0x00], &[0x43, 0x01, 0x71, 0x00, 0x00, 0x00, 0x00]],
            [0x02, 0x02, 0x00] => vec![&[0x42, 0x02, 0x00, 0x00, 0x00]],
            _ => Vec::new(),
        };
        says.into_iter().map(|said| (NODE, said.to_vec())).collect()
    });
    let survey = vehicle.survey(|_| {});
    let codes: Vec<String> = survey.modules[0].codes.iter().map(|found| found.code.to_string()).collect();
    assert_eq!(codes, ["P0133", "P0420", "P0300", "P0171"]);
    assert!(survey.vin.is_none());
    assert_eq!(survey.modules[0].readiness.as_ref().unwrap().n_codes, 4);
    assert!(asked.lock().unwrap().iter().all(|(to, _)| *to == Target::Everyone));
    let mut plan = plan(&mut vehicle, &["engine.speed"]);
    let keep = sample(&mut vehicle, &mut plan, 2);
    assert!(count(&keep, 0) > 100 && keep.samples.iter().all(|(_, sample)| sample.value == 750.0));
}

/// Extended addressing (ISO 15765-2: the first data byte belongs to the address), and a module that sits elsewhere in this
/// car: no survey would try these identifiers, but a file that fits the car names them.
#[test]
fn modules_are_found_where_a_file_says() {
    const FILE: &str = r#"
        title = "two modules"
        origin = "the test's own"

        [[module]]
        name = "gearbox"
        request = "6F1"
        request_byte = "18"
        reply = "618"
        reply_byte = "F1"

        [[module.did]]
        did = "D001"
        n_bytes = 1

        [[module.did.signal]]
        id = "custom.gear"
        unit = "1"
        byte = 0

        [[module]]
        name = "heater"
        request = "5F0"
        reply = "5F8"
        elsewhere = ["5FA", "1234"]

        [[module.did]]
        did = "D002"
        n_bytes = 1

        [[module.did.signal]]
        id = "custom.heat"
        unit = "1"
        byte = 0
    "#;
    let gearbox: Address = "6F1:18-618:F1".parse().unwrap();
    let heater = Address::from_reply11(0x5FA);
    let (mut vehicle, asked) = car(CAN, move |to, request| {
        let said = match (to, request) {
            (Target::Everyone, [0x01, 0x00]) => (ENGINE, vec![0x41, 0x00, 0x18, 0x18, 0x00, 0x00]),
            (Target::Module(module), [0x3E, 0x00]) if module == gearbox || module == heater => {
                (module, vec![0x7E, 0x00])
            }
            (Target::Module(module), [0x22, 0xD0, 0x01]) if module == gearbox => (module, vec![0x62, 0xD0, 0x01, 4]),
            (Target::Module(module), [0x22, 0xD0, 0x02]) if module == heater => (module, vec![0x62, 0xD0, 0x02, 9]),
            _ => return Vec::new(),
        };
        vec![said]
    });
    let mut definitions = Definitions::standard();
    definitions.load_toml(FILE, "two.toml").unwrap();
    assert_eq!(vehicle.find_defined(&mut definitions).unwrap(), Vec::<String>::new());
    let found: Vec<Address> = vehicle.modules().iter().map(|module| module.address).collect();
    assert!(found.len() == 3 && found.contains(&gearbox) && found.contains(&heater), "{found:?}");
    // What another network would carry is not asked for here.
    assert!(asked.lock().unwrap().iter().all(|(to, _)| *to != Target::Module(Address::Logical(0x1234))));
    let ids = ["custom.gear", "custom.heat"].map(|name| SignalId::new(name).unwrap());
    let mut plan = vehicle.plan(&ids, &definitions).unwrap();
    assert_eq!(plan.unavailable, []);
    let keep = sample(&mut vehicle, &mut plan, 1);
    assert!(keep.samples.iter().all(|(signal, sample)| sample.value == [4.0, 9.0][*signal]));
    assert!(count(&keep, 0) > 5 && count(&keep, 1) > 5);
    let survey = vehicle.survey_everything(&definitions, |_| {});
    let names: Vec<Option<&str>> = survey.modules.iter().map(|module| module.name.as_deref()).collect();
    assert!(names.contains(&Some("gearbox")) && names.contains(&Some("heater")), "{names:?}");
}
