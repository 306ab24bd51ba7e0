//! `witness adapters`: what is plugged in or reachable, and what to try when it does not answer.

use crate::cli::AdaptersArgs;
use crate::failure::{Exit, Failure};
use crate::output::{Aloud, clean, print_json, print_text, width, wrapped};

pub(crate) fn run(args: &AdaptersArgs, json: bool) -> Result<Exit, Failure> {
    let found = super::workshop()?.adapters(args.adapter.as_deref(), !args.no_ask, &mut Aloud)?;
    if json {
        print_json(&found)?;
    } else {
        print_text(&page(&found));
    }
    let is_silent = args.adapter.is_some() && !args.no_ask && found.adapters.iter().all(|adapter| !adapter.answers);
    Ok(if is_silent { Exit::NoAnswer } else { Exit::Done })
}

fn page(found: &wire::Adapters) -> String {
    let mut page = String::new();
    for adapter in &found.adapters {
        page += &format!("{}\n", clean(&adapter.address));
        let mut line = |name: &str, text: &str| {
            page += &format!("  {name:9}{}", wrapped(&clean(text), &" ".repeat(11), width()).trim_start());
        };
        line("is", &format!("{}, {}", adapter.kind, adapter.what));
        line("can", &adapter.abilities.join(", "));
        if let Some(says) = &adapter.adapter {
            line("says", says);
        }
        if let Some(network) = &adapter.network {
            line("network", network);
        }
        let trips = [("adapter", adapter.round_trip_ms), ("first module", adapter.vehicle_round_trip_ms)];
        let trips: Vec<String> =
            trips.iter().filter_map(|(name, ms)| ms.map(|ms| format!("{name} {ms:.1} ms"))).collect();
        if !trips.is_empty() {
            line("answers", &trips.join(", "));
        }
        if let Some(volts) = adapter.supply_volts {
            line("supply", &format!("{volts:.1} V"));
        }
        for note in &adapter.notes {
            line("note", note);
        }
        if let Some(problem) = &adapter.problem {
            line("problem", problem);
        }
        for hint in &adapter.hints {
            line("try", hint);
        }
        page.push('\n');
    }
    for note in &found.notes {
        page += &wrapped(note, "", width());
    }
    page
}
