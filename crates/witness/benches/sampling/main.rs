//! How near sampler and survey come to the bound that wire, module and adapter set, and what grouping gains over one parameter
//! at a time.
//!
//! Runs against the invented car on a virtual clock with exact frame times, directly on its CAN bus and behind its
//! AT-command face: what is measured is what is asked, when, and how long is waited, not the speed of this machine. The
//! answer times of the modules are constant and known.

mod bound;
mod can;
mod k_line;
mod survey;

use definition::Definitions;
use link::Settings;
use signal::SignalId;
use vehicle::Vehicle;

type Failure = Box<dyn std::error::Error>;

/// One parameter of two bytes, and parameters of 1, 1, 2, 1, 1, 2 bytes.
const ONE: [(&str, usize); 1] = [("engine.speed", 2)];
const SIX: [(&str, usize); 6] = [
    ("engine.load", 1),
    ("vehicle.speed", 1),
    ("engine.speed", 2),
    ("pedal.position_1", 1),
    ("pedal.position_2", 1),
    ("intake.air_flow", 2),
];
const SMALL: [(&str, usize); 6] = [
    ("engine.load", 1),
    ("vehicle.speed", 1),
    ("throttle.position_1", 1),
    ("pedal.position_1", 1),
    ("pedal.position_2", 1),
    ("intake.manifold_pressure", 1),
];
/// Identifiers of the brake module: signals and size of each. Of the body module: the same.
const BRAKE: [(&[&str], usize); 3] = [
    (&["wheel.speed.front_left", "wheel.speed.front_right", "wheel.speed.rear_left", "wheel.speed.rear_right"], 8),
    (&["yaw.rate"], 2),
    (&["steering.angle"], 2),
];
const BODY: [(&[&str], usize); 2] = [(&["ac.clutch"], 1), (&["fan.command"], 1)];
/// Answer time of the engine module behind the AT-command face, ms.
const TAU_MS: f64 = 5.0;
/// From a flow control to the next frame, ms: the stand-in's own.
const FLOW_MS: f64 = 0.2;
/// Length of a run, seconds of car time.
const RUN_S: f64 = 20.0;

/// Samples per second of each signal.
fn achieved(spec: &str, signals: &[&str]) -> Result<Vec<f64>, Failure> {
    let link = standin::open(spec, Settings { bus: None, need_vehicle: true })?;
    let mut vehicle = Vehicle::find(link)?;
    let mut definitions = Definitions::standard();
    definitions.load_toml(standin::definitions(spec)?, "tarnwick")?;
    let ids = signals.iter().map(|id| SignalId::new(id)).collect::<Result<Vec<_>, _>>()?;
    let mut plan = vehicle.plan(&ids, &definitions)?;
    let rates = vehicle.measure(&mut plan, RUN_S).map_err(|error| format!("{error}"))?;
    Ok(rates.iter().map(|rate| rate.per_second).collect())
}

fn on_can(tau_ms: f64, more: &str) -> String {
    format!(
        "fell?face=can&script=cruise&warm=1&jitter=0&flow_ms={FLOW_MS}&engine_ms={tau_ms}&gearbox_ms={tau_ms}\
         &brake_ms={tau_ms}&body_ms={tau_ms}{more}"
    )
}

fn names<'s>(signals: &[(&'s str, usize)]) -> Vec<&'s str> {
    signals.iter().map(|(name, _)| *name).collect()
}

fn can_rows() -> Result<(), Failure> {
    println!("\nCAN 500 kbit/s, 11-bit, nothing between; bound without stuff bits; gain over one parameter at a time");
    println!("{:>7}  {:24}  {:>10}  {:>10}  ratio  gain", "tau ms", "reads", "bound 1/s", "achieved");
    for tau_ms in [1.0, 5.0, 10.0, 25.0] {
        let bus = can::Bus { frame_s: can::FRAME_S, tau_s: tau_ms / 1000.0, flow_s: FLOW_MS / 1000.0 };
        let row = |what: &str, bound: f64, achieved: f64, alone: f64| {
            println!(
                "{tau_ms:>7}  {what:24}  {bound:>10.1}  {achieved:>10.1}  {:.3}  {:.1}",
                achieved / bound,
                achieved / alone
            );
        };
        for (what, signals) in
            [("one of 2 bytes", ONE.as_slice()), ("six, 8 bytes in all", &SIX), ("six of 1 byte", &SMALL)]
        {
            let sizes: Vec<usize> = signals.iter().map(|(_, size)| *size).collect();
            let bound = can::reads_per_second(&bus, &sizes, 1);
            let together: f64 = achieved(&on_can(tau_ms, ""), &names(signals))?.iter().sum();
            let alone: f64 = achieved(&on_can(tau_ms, "&pids=1"), &names(signals))?.iter().sum();
            row(what, bound, together, alone);
        }
        // Three modules at once: each as fast as it answers, as long as the bus has room.
        let first = |reads: &[(&[&'static str], usize)]| -> Vec<&'static str> {
            reads.iter().filter_map(|(signals, _)| signals.first().copied()).collect()
        };
        let sizes = |reads: &[(&[&str], usize)]| -> Vec<usize> { reads.iter().map(|(_, size)| *size).collect() };
        let six: Vec<usize> = SIX.iter().map(|(_, size)| *size).collect();
        let bound_with = |frame_s: f64| {
            let bus = can::Bus { frame_s, ..bus };
            let modules = [
                can::reads_per_second(&bus, &six, 1),
                can::reads_per_second(&bus, &sizes(&BRAKE), 2),
                can::reads_per_second(&bus, &sizes(&BODY), 2),
            ];
            // Frames on the wire in one exchange of each: 1 + 3 + 1, 1 + 3 + 1, 1 + 1.
            let load = modules[0] / 6.0 * 5.0 + modules[1] / 3.0 * 5.0 + modules[2] / 2.0 * 2.0;
            (modules.iter().sum::<f64>() / (load * frame_s).max(1.0), load * frame_s)
        };
        let (bound, load) = bound_with(can::FRAME_S);
        let wanted = [names(&SIX), first(&BRAKE), first(&BODY)].concat();
        let together: f64 = achieved(&on_can(tau_ms, ""), &wanted)?.iter().sum();
        let alone = wanted.iter().map(|name| {
            let rate = achieved(&on_can(tau_ms, ""), &[name])?;
            Ok(1.0 / rate.first().copied().unwrap_or(f64::NAN))
        });
        let turn_s: f64 = alone.collect::<Result<Vec<f64>, Failure>>()?.iter().sum();
        row("11 reads of 3 modules", bound, together, wanted.len() as f64 / turn_s);
        if load > 1.0 {
            // Where the bus is full every stuff bit costs, and the bound without them cannot be reached.
            let (stuffed, _) = bound_with(can::STUFFED_S);
            println!(
                "{:>7}  {:24}  {stuffed:>10.1}  {together:>10.1}  {:.3}",
                "",
                "  with mean stuff bits",
                together / stuffed
            );
        }
    }
    Ok(())
}

fn at_rows() -> Result<(), Failure> {
    println!("\nAT-command adapter, CAN 500 kbit/s, 11-bit, tau {TAU_MS} ms, headers on, spaces off");
    println!("{:>7}  {:24}  {:>10}  {:>10}  ratio  gain", "baud", "reads", "bound 1/s", "achieved");
    for baud in [38_400, 115_200, 500_000] {
        let spec = format!("fell?script=cruise&warm=1&baud={baud}&engine_ms={TAU_MS}&jitter=0");
        for (what, signals) in [("one of 2 bytes", ONE.as_slice()), ("six, 8 bytes in all", &SIX)] {
            let sizes: Vec<usize> = signals.iter().map(|(_, size)| *size).collect();
            let link = bound::Link { baud: f64::from(baud), tau_s: TAU_MS / 1000.0 };
            let bound = bound::samples_per_second(&link, &sizes);
            let together: f64 = achieved(&spec, &names(signals))?.iter().sum();
            let alone: f64 = achieved(&format!("{spec}&pids=1"), &names(signals))?.iter().sum();
            let (ratio, gain) = (together / bound, together / alone);
            println!("{baud:>7}  {what:24}  {bound:>10.1}  {together:>10.1}  {ratio:.3}  {gain:.1}");
        }
    }
    Ok(())
}

fn k_line_rows() -> Result<(), Failure> {
    println!(
        "\nK-line behind an AT-command adapter at 115200 baud; pauses as quick as is allowed without an agreement"
    );
    println!("{:>10}  {:24}  {:>10}  {:>10}  ratio", "start", "reads", "bound 1/s", "achieved");
    for (bus, what, signal, n_data) in [
        ("iso9141", "one of 1 byte", "engine.load", 1),
        ("kwp-fast", "one of 1 byte", "engine.load", 1),
        ("kwp-5baud", "one of 1 byte", "engine.load", 1),
        ("kwp-fast", "a block of 12 bytes", "engine.speed", 12),
    ] {
        let spec = format!("fen?script=cruise&warm=1&engine_ms=0&jitter=0&bus={bus}");
        let bound = k_line::exchanges_per_second(&k_line::QUICKEST, n_data);
        let rate = achieved(&spec, &[signal])?.first().copied().unwrap_or_default();
        println!("{bus:>10}  {what:24}  {bound:>10.2}  {rate:>10.2}  {:.3}", rate / bound);
    }
    Ok(())
}

fn main() -> Result<(), Failure> {
    bound::check();
    can::check();
    k_line::check();
    can_rows()?;
    at_rows()?;
    k_line_rows()?;
    survey::rows()
}
