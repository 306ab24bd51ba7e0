//! `witness plan`: the rate that each signal gets, and the odds of catching a short event.

use crate::cli::PlanArgs;
use crate::failure::{Exit, Failure};
use crate::output::{Aloud, print_json, print_text, wrapped};

pub(crate) fn run(args: &PlanArgs, json: bool) -> Result<Exit, Failure> {
    if !(args.event_ms > 0.0 && args.event_ms.is_finite()) {
        return Err(Failure::input("--event-ms takes a number above 0"));
    }
    let workshop = super::workshop()?;
    let wanted = super::chosen(&workshop, &args.choice)?;
    let mut car = super::connect(&workshop, &args.adapter)?;
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
