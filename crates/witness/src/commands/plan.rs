//! `witness plan`: the rate that each signal gets, and the odds of catching a short event.

use crate::cli::PlanArgs;
use crate::connect;
use crate::failure::{Exit, Failure};
use crate::output::{print_json, print_text, wrapped};
use crate::to_wire;

/// How long the rates are measured, seconds.
const TRIAL_S: f64 = 4.0;

pub(crate) fn run(args: &PlanArgs, json: bool) -> Result<Exit, Failure> {
    if !(args.event_ms > 0.0 && args.event_ms.is_finite()) {
        return Err(Failure::input("--event-ms takes a number above 0"));
    }
    let wanted = super::watchlist::chosen(&args.choice)?;
    let mut car = connect::vehicle(&args.adapter)?;
    let mut plan = car.vehicle.plan(&wanted, &car.definitions)?;
    super::drive::tell_unavailable(&plan)?;
    let rates = car.vehicle.measure(&mut plan, TRIAL_S).map_err(|error| Failure::new(Exit::Failed, error))?;
    let planned = plan.signals.iter().zip(&rates).map(|(signal, rate)| {
        let odds = rate.odds(args.event_ms / 1000.0);
        wire::PlannedSignal {
            id: signal.id.to_string(),
            unit: signal.unit.to_string(),
            source: signal.source.clone(),
            per_second: rate.per_second,
            odds,
            events_for_95_percent: events_for_95_percent(odds),
        }
    });
    let result = wire::Planned {
        protocol: car.vehicle.link_info().bus.map(|bus| bus.to_string()),
        event_ms: args.event_ms,
        signals: planned.collect(),
        unavailable: plan.unavailable.iter().map(to_wire::unavailable).collect(),
    };
    if json {
        print_json(&result)?;
    } else {
        print_text(&page(&result));
    }
    Ok(Exit::Done)
}

/// Events after which at least one is caught with 95 %: ln 0.05 / ln(1 - p), rounded up. Source: derived from
/// independent events.
fn events_for_95_percent(odds: f64) -> Option<f64> {
    if odds <= 0.0 {
        None
    } else if odds >= 1.0 {
        Some(1.0)
    } else {
        Some((0.05f64.ln() / (1.0 - odds).ln()).ceil())
    }
}

fn page(result: &wire::Planned) -> String {
    let mut page =
        format!("{:34} {:>9}  {:>22}  {}\n", "signal", "rate", format!("catches {} ms", result.event_ms), "from");
    for signal in &result.signals {
        let events = match signal.events_for_95_percent {
            None => "never seen".to_owned(),
            Some(1.0) => format!("{:3.0} %", signal.odds * 100.0),
            Some(events) => format!("{:3.0} %, 95 % in {events}", signal.odds * 100.0),
        };
        page += &format!("{:34} {:7.1}/s  {events:>22}  {}\n", signal.id, signal.per_second, signal.source);
    }
    for missing in &result.unavailable {
        page += &format!("{:34} not available: {}\n", missing.id, missing.reason);
    }
    let worst = result.signals.iter().filter(|signal| signal.odds < 1.0).count();
    if worst > 0 {
        page += "\n";
        page += &wrapped(
            "Fewer signals give better odds: every signal left out makes the others faster. An event that was not seen at \
             these odds may still be there.",
            "",
            crate::output::width(),
        );
    }
    page
}

#[cfg(test)]
mod tests {
    use super::events_for_95_percent;

    #[test]
    fn events_until_one_is_caught() {
        // Rows computed independently: p = 0.25 -> 11, 0.40 -> 6, 0.60 -> 4, 0.04 -> 74.
        for (odds, events) in [(0.25, 11.0), (0.4, 6.0), (0.6, 4.0), (0.04, 74.0), (1.0, 1.0)] {
            assert_eq!(events_for_95_percent(odds), Some(events));
        }
        assert_eq!(events_for_95_percent(0.0), None);
    }
}
