//! How near the sampler comes to the bound that wire, module and adapter set, for one and for six parameters per request.
//!
//! Runs against the invented car behind its AT-command face on a virtual clock: what is measured is what is asked, when,
//! and how long is waited, not the speed of this machine. The answer time of the module is constant and known.

mod bound;

use definition::Definitions;
use link::{AtLink, Settings};
use signal::SignalId;
use vehicle::Vehicle;

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
/// Answer time of the engine module, ms.
const TAU_MS: f64 = 5.0;
/// Length of a run, seconds of car time.
const RUN_S: f64 = 30.0;

fn achieved(baud: u32, signals: &[(&str, usize)]) -> Result<f64, Box<dyn std::error::Error>> {
    let spec = format!("fell?script=cruise&warm=1&baud={baud}&engine_ms={TAU_MS}&jitter=0");
    let link = AtLink::start(standin::dial(&spec)?, Settings { bus: None, need_vehicle: true })?;
    let mut vehicle = Vehicle::find(Box::new(link))?;
    let ids = signals.iter().map(|(id, _)| SignalId::new(id)).collect::<Result<Vec<_>, _>>()?;
    let mut plan = vehicle.plan(&ids, &Definitions::standard())?;
    let rates = vehicle.measure(&mut plan, RUN_S).map_err(|error| format!("{error}"))?;
    Ok(rates.iter().map(|rate| rate.per_second).sum())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    bound::check();
    println!("sampling behind an AT-command adapter, CAN 500 kbit/s, 11-bit, tau {TAU_MS} ms, headers on, spaces off");
    println!("{:>8}  {:>10}  {:>10}  {:>10}  ratio", "baud", "parameters", "bound 1/s", "achieved");
    for baud in [38_400, 115_200, 500_000] {
        for signals in [ONE.as_slice(), &SIX] {
            let sizes: Vec<usize> = signals.iter().map(|(_, size)| *size).collect();
            let link = bound::Link { baud: f64::from(baud), tau_s: TAU_MS / 1000.0 };
            let bound = bound::samples_per_second(&link, &sizes);
            let achieved = achieved(baud, signals)?;
            println!("{baud:>8}  {:>10}  {bound:>10.1}  {achieved:>10.1}  {:.3}", sizes.len(), achieved / bound);
        }
    }
    Ok(())
}
