//! `witness command`: lists what the modules can be told to do, and does one of it.

use std::io::IsTerminal;

use signal::SignalId;
use workshop::{CommandWish, Control, Hand, How};

use crate::cli::CommandArgs;
use crate::commands::drive::Lines;
use crate::failure::{Exit, Failure};
use crate::hold::HeldKey;
use crate::output::{clean, print_json, print_text, progress, width, wrapped};

/// How long an output is held when nobody says and nobody sits at a terminal, seconds.
const HOLD_S: f64 = 5.0;
/// How long it may be held by hand, seconds; the definition's own limit is often shorter.
const MOST_HOLD_S: f64 = 600.0;

pub(crate) fn run(args: &CommandArgs, json: bool) -> Result<Exit, Failure> {
    let workshop = super::workshop()?;
    workshop.expect_room(args.file.out.as_deref(), args.file.force, &args.adapter.definitions)?;
    let mut car = super::connect(&workshop, &args.adapter)?;
    let Some(name) = args.output.as_ref().or(args.routine.as_ref()) else {
        let list = workshop.commands(&mut car)?;
        if json {
            print_json(&list)?;
        } else {
            print_text(&list_page(&list));
        }
        return Ok(Exit::Done);
    };
    let id = SignalId::new(name).map_err(Failure::input)?;
    let by_hand = args.hold.is_none() && args.pulse.is_none() && !json && std::io::stdin().is_terminal();
    let seconds = args.hold.unwrap_or(if by_hand { MOST_HOLD_S } else { HOLD_S });
    let how = match (&args.pulse, &args.routine) {
        (Some(pulse), _) => {
            How::Pulses { level: args.level, on_s: pulse.on_s, off_s: pulse.off_s, count: pulse.count, even: args.even }
        }
        (None, Some(_)) => How::Routine { parameters: args.set.clone(), seconds },
        (None, None) if args.on || args.level.is_some() => How::Hold { level: args.level, seconds },
        (None, None) => {
            return Err(Failure::input("say how to drive it").hint("one of --on, --level X and --pulse ON:OFF:N"));
        }
    };
    let signals = if args.choice.signals.is_empty() && args.choice.watchlist.is_none() {
        Vec::new()
    } else {
        super::chosen(&workshop, &args.choice)?
    };
    let cautions = workshop.cautions(&mut car, &id)?;
    for caution in &cautions {
        progress(&format!("caution: {}", clean(caution)));
    }
    if !super::is_read(args.i_have_read, "read") {
        let refused = Failure::new(Exit::Refused, format!("`{id}` was left alone: nobody has read its cautions"));
        let refused = cautions.iter().fold(refused, |refused, caution| refused.hint(format!("caution: {caution}")));
        return Err(refused.hint("--i-have-read says that you have"));
    }
    let control = Control::default();
    let stop = control.stop_flag();
    crate::stop::on_signals(&stop)?;
    let (out, replace) = (args.file.out.clone(), args.file.force);
    let wish = CommandWish { id, how, signals, out, replace, cautions_read: true, pauses_s: 0.0 };
    let mut key = if by_hand { Some(HeldKey::take(&stop)?) } else { None };
    let mut hand = || Hand::from(key.as_mut().is_none_or(HeldKey::is_held));
    let commanded = workshop.command(&mut car, &wish, &control, &mut Lines::new(), &mut hand)?;
    drop(key);
    if json {
        print_json(&commanded)?;
    } else {
        print_text(&page(&commanded));
    }
    Ok(exit_of(&commanded))
}

/// Nothing is called done that ended because nobody answered, nor what may still be driven.
fn exit_of(commanded: &wire::Commanded) -> Exit {
    let is_complete = commanded.recorded.problems.is_empty() && commanded.recorded.drive.gaps.is_empty();
    match (commanded.ended.as_str(), commanded.returned.as_str()) {
        ("unmet" | "refused", _) => Exit::Refused,
        ("silent", _) => Exit::NoAnswer,
        ("link-lost" | "session-over", _) => Exit::Lost,
        _ if !is_complete => Exit::Lost,
        (_, "unknown") => Exit::Failed,
        _ => Exit::Done,
    }
}

fn care_lines(care: &wire::Care) -> String {
    let mut lines = String::new();
    for condition in &care.conditions {
        lines += &format!("      {}\n", clean(condition));
    }
    for caution in &care.cautions {
        lines += &wrapped(&format!("caution: {}", clean(caution)), "      ", width());
    }
    if let Some(longest_s) = care.longest_s {
        lines += &format!("      at most {longest_s} s in one go\n");
    }
    lines
}

fn list_page(list: &wire::Commands) -> String {
    let mut page = String::new();
    if list.outputs.is_empty() && list.routines.is_empty() {
        page += "The definitions of this car have no outputs or routines.\n";
        page += "A file of its maker's modules goes with --definitions FILE.\n";
    }
    for output in &list.outputs {
        let takes = if output.is_switch {
            "on or off".to_owned()
        } else {
            format!("{} to {} {}", output.min, output.max, clean(&output.unit))
        };
        page += &format!("{:28} {} ({takes}), module {}\n", output.id, clean(&output.title), output.module);
        page += &care_lines(&output.care);
    }
    for routine in &list.routines {
        page += &format!("{:28} {}, module {}\n", routine.id, clean(&routine.title), routine.module);
        for parameter in &routine.parameters {
            let default =
                parameter.default.map_or_else(|| "must be given".to_owned(), |value| format!("default {value}"));
            let (name, unit) = (clean(&parameter.name), clean(&parameter.unit));
            page += &format!("      --set {name}={}..{} {unit}, {default}\n", parameter.min, parameter.max);
        }
        page += &care_lines(&routine.care);
    }
    page
}

fn page(commanded: &wire::Commanded) -> String {
    let mut page = format!("{} at {}: {}\n", commanded.id, commanded.module, clean(&commanded.ended_text));
    page += &format!("control: {}\n", commanded.returned_text);
    for driven in &commanded.driven {
        page += &format!("  {:8.3} s  {}\n", driven.asked_s, driven.level);
    }
    for result in &commanded.results {
        let value =
            result.value.map_or_else(|| "not told".to_owned(), |value| format!("{value} {}", clean(&result.unit)));
        let text = result.text.as_ref().map_or_else(String::new, |text| format!(" ({})", clean(text)));
        page += &format!("  {}: {value}{text}\n", clean(&result.name));
    }
    for finding in &commanded.findings {
        page += "\n";
        page += &wrapped(&format!("{}: {}", finding.verdict, clean(&finding.statement)), "", width());
        for next in &finding.next {
            page += &wrapped(&format!("next: {}", clean(next)), "  ", width());
        }
    }
    for problem in &commanded.recorded.problems {
        page += &format!("lost: {}\n", clean(problem));
    }
    page += &format!("\nnext: witness examine {}\n", commanded.recorded.drive.file);
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_was_done_and_given_back_is_done() {
        let ended = |ended: &str, returned: &str, problems: &[&str]| {
            let recorded = wire::Recorded {
                problems: problems.iter().map(|&problem| problem.to_owned()).collect(),
                ..wire::Recorded::default()
            };
            exit_of(&wire::Commanded {
                ended: ended.to_owned(),
                returned: returned.to_owned(),
                recorded,
                ..wire::Commanded::default()
            })
        };
        for (why, returned, problems, exit) in [
            ("complete", "confirmed", &[][..], Exit::Done),
            ("released", "by-session", &[], Exit::Done),
            ("complete", "unknown", &[], Exit::Failed),
            ("released", "unknown", &["the disk is full"], Exit::Lost),
            ("silent", "by-session", &[], Exit::NoAnswer),
            ("silent", "not-driven", &[], Exit::NoAnswer),
            ("link-lost", "unknown", &[], Exit::Lost),
            ("session-over", "confirmed", &[], Exit::Lost),
            ("unmet", "not-driven", &[], Exit::Refused),
            ("refused", "not-driven", &["lost"], Exit::Refused),
        ] {
            assert_eq!(ended(why, returned, problems), exit, "{why}, {returned}");
        }
    }
}
