//! `witness plan`: the rate that each signal gets, and the odds of catching a short event.

use crate::cli::PlanArgs;
use crate::failure::{Exit, Failure};
use crate::output::{Aloud, print_json, print_text, wrapped};

pub(crate) fn run(args: &PlanArgs, json: bool) -> Result<Exit, Failure> {
    if !(args.event_ms > 0.0 && args.event_ms.is_finite()) {
        return Err(Failure::input("--event-ms takes a number above 0"));
    }
    let workshop = super::workshop()?;
    let wanted = super::paced(super::chosen(&workshop, &args.choice)?, &args.pace)?;
    let mut car = super::connect(&workshop, &args.adapter)?;
    car.vehicle.allow_sessions(args.pace.extended_session);
    let result = workshop.plan(&mut car, &wanted, args.event_ms, &mut Aloud)?;
    if json {
        print_json(&result)?;
    } else {
        print_text(&page(&result));
    }
    Ok(Exit::Done)
}

fn page(result: &wire::Planned) -> String {
    let mut page =
        format!("{:34} {:>9}  {:>22}  {}\n", "signal", "rate", format!("catches {} ms", result.event_ms), "from");
    for signal in &result.signals {
        let events = match (signal.every_s, signal.events_for_95_percent) {
            // Its odds are no fault of the plan.
            (Some(every_s), _) => format!("every {every_s} s on purpose"),
            (None, None) => "never seen".to_owned(),
            (None, Some(1.0)) => format!("{:3.0} %", signal.odds * 100.0),
            (None, Some(events)) => format!("{:3.0} %, 95 % in {events}", signal.odds * 100.0),
        };
        page += &format!("{:34} {:7.1}/s  {events:>22}  {}\n", signal.id, signal.per_second, signal.source);
    }
    for missing in &result.unavailable {
        page += &format!("{:34} not available: {}\n", missing.id, missing.reason);
    }
    let is_slow = |signal: &wire::PlannedSignal| signal.every_s.is_some();
    if result.signals.iter().any(|signal| signal.odds < 1.0 && !is_slow(signal)) {
        page += "\nAn event that was not seen at these odds may still be there.\n";
    }
    if !result.leave_out.is_empty() {
        page += "\nBetter odds, estimated from the times that were measured:\n";
        for proposal in &result.leave_out {
            page += &wrapped(&leave_out(proposal, &result.signals), "  ", crate::output::width());
        }
    }
    if result.signals.iter().any(is_slow) {
        page += "\nWhat changes slowly is asked slowly; `--every ID=0` asks as fast as possible.\n";
    }
    page
}

/// What leaving signals out gains, by the signal that has the worst odds now.
fn leave_out(proposal: &wire::LeaveOut, signals: &[wire::PlannedSignal]) -> String {
    let now = |gain: &wire::Gain| signals.iter().find(|signal| signal.id == gain.id);
    let worst = proposal.gains.iter().filter_map(|gain| Some((gain, now(gain)?)));
    let worst = worst.min_by(|a, b| a.1.odds.total_cmp(&b.1.odds));
    let gained = worst.map_or_else(String::new, |(gain, now)| {
        format!(
            ": {} from {:.1}/s to {:.1}/s, {:.0} % to {:.0} %",
            gain.id,
            now.per_second,
            gain.per_second,
            now.odds * 100.0,
            gain.odds * 100.0
        )
    });
    let others = match proposal.gains.len() {
        0 | 1 => String::new(),
        n => format!(", and {} more", n - 1),
    };
    format!("without {}{gained}{others}", proposal.ids.join(", "))
}
