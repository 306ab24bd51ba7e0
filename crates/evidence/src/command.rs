//! `command`: did a commanded output do what it should, how fast, and how sure is that?
//!
//! At every switching edge the change of each other signal is taken, counted positive in the direction of "on" (lock-in over
//! repeated cycles: slow drifts cancel because edges alternate). Repeatability over the edges gives the significance
//! (Student's t, divided among all signals looked at); the same command at other times, shuffled and shifted, tells whether the
//! signal moves like that by itself (permutation test). A significant response is the answer "it works". No response is a fault only where a
//! recorded signal must respond: the pressure of an air conditioning whose clutch is on.

mod alone;
mod edges;
mod response;
#[cfg(test)]
mod tests;
mod watched;

use signal::Recording;

use crate::answer::{answer, figures, lacking};
use crate::charging::RUNNING_RPM;
use crate::examination::Examination;
use crate::stats::rows::Rows;
use crate::{Check, Finding, Kind, Span, Verdict};
use edges::Command;
use response::Response;
use watched::Watched;

/// The check's entry in the registry.
pub(crate) const CHECK: Check = Check { kind: Kind::Command, run };

/// Outputs whose command is recorded as a signal.
const OUTPUTS: [&str; 2] = ["ac.clutch", "fan.command"];
/// What must respond to an output that works, and by how much at least: a compressor at work raises the high side from 5-8 to
/// 10-18 bar (common practice, no source); a quarter of the least of that.
const PARTNERS: [(&str, &str, f64); 1] = [("ac.clutch", "ac.pressure", 50.0)];
/// Chance of a false response over all signals that still counts as an answer.
const SIGNIFICANT: f64 = 0.01;
/// Share of other times of the command that may do as well; few, because every signal gets its chance.
const ALONE: f64 = 0.003;
/// The same, and the chance of a false response, for a repetition that is next to perfect. Few cycles, or evenly spaced
/// ones, fit well at many other times too, since little but their phase is random.
const PERFECT: (f64, f64) = (0.1, 1e-6);
/// Edges that a verdict needs: three on/off cycles; five are asked for.
const FEWEST: usize = 6;
/// Evidence of one recording is bounded.
const MOST: f64 = 3.0;
/// Window around an edge when the output is switched as [`ask`] says, every 10 s and more (see [`Command::window_s`]).
const ASKED_WINDOW_S: f64 = 4.5;

fn run(recording: &Examination<'_>) -> Vec<Finding> {
    let mut commands = edges::of_marks(&recording.marks);
    // Marks of a command are the finer record of the same switching.
    let is_marked = |id: &str| commands.iter().any(|command| command.name == id);
    let outputs = OUTPUTS.iter().filter(|id| !is_marked(id)).filter_map(|id| recording.series(id));
    let of_series: Vec<Command> = outputs.filter(|series| series.len() >= 2).map(edges::of_series).collect();
    commands.extend(of_series);
    let responses = responses(recording, &commands);
    commands.iter().zip(responses).map(|(command, responses)| examine(recording, command, responses)).collect()
}

/// How every other signal moves with each command; each signal is read once.
fn responses(recording: &Recording, commands: &[Command]) -> Vec<Vec<Response>> {
    let mut all: Vec<Vec<Response>> = commands.iter().map(|_| Vec::new()).collect();
    if commands.is_empty() {
        return all;
    }
    for series in &recording.series {
        let Some(watched) = Watched::new(series) else { continue };
        for (command, responses) in commands.iter().zip(&mut all) {
            let window_s = command.window_s();
            if series.id.as_str() != command.name && command.edges.len() >= 2 && watched.fills(window_s) {
                responses.extend(response::measure(&watched, command, window_s));
            }
        }
    }
    all
}

fn ask(n_more: usize) -> String {
    format!(
        "Switch it on and off {n_more} more times at uneven intervals of 10 to 20 s, standing with a steady engine."
    )
}

fn examine(recording: &Recording, command: &Command, mut responses: Vec<Response>) -> Finding {
    let n_edges = command.edges.len();
    if n_edges < 2 {
        let statement = format!("{} was not switched on and off in the recording.", command.name);
        return lacking(Kind::Command, &command.name, statement, ask(5));
    }
    if responses.is_empty() {
        let statement = format!(
            "{} switched {n_edges} times, most of them at least {:.1} s apart, but no other signal was sampled often enough around it.",
            command.name,
            command.usual_half_s()
        );
        let next = format!(
            "{} Record a signal that must respond at least every {:.1} s beside it.",
            ask(5),
            ASKED_WINDOW_S / 4.0
        );
        return lacking(Kind::Command, &command.name, statement, next);
    }
    // Two windows were tried per signal.
    let n_tests = 2.0 * responses.len() as f64;
    responses.sort_by(|a, b| a.p.total_cmp(&b.p));
    let watched = |response: &Response| Watched::new(recording.series(&response.id)?);
    for response in responses.iter_mut().filter(|response| response.p * n_tests < SIGNIFICANT) {
        let enough = alone_limit(command, response.p * n_tests);
        response.p_alone = watched(response).map_or(1.0, |watched| alone::chance(&watched, response, command, enough));
    }
    judge(recording, command, &responses, n_tests)
}

/// Decades against a response of at least `least`: how unlikely the measured mean would be with it.
fn silent_decades(response: &Response, least: f64) -> f64 {
    let p = response::student_tail((least - response.late_mean) / response.late_error, response.n - 1);
    -p.max(1e-12).log10() - 1.0
}

/// Chance at other times that still counts as an answer, given the chance of a false response; none where that is too high.
fn alone_limit(command: &Command, adjusted: f64) -> f64 {
    match adjusted {
        _ if adjusted < PERFECT.1 => PERFECT.0,
        _ if adjusted < SIGNIFICANT && !command.is_even() => ALONE,
        _ => 0.0,
    }
}

fn judge(recording: &Recording, command: &Command, responses: &[Response], n_tests: f64) -> Finding {
    let (n_edges, window_s) = (command.edges.len(), command.window_s());
    let mut delay = None;
    let mut on_its_way = false;
    let engine_ran = running_share(recording, command);
    let is_moving = moving_share(recording, command) > 0.2;
    let adjusted = |response: &Response| (response.p * n_tests).min(1.0);
    let is_found = |r: &&Response| r.p_alone <= alone_limit(command, adjusted(r)) && r.n >= FEWEST;
    let found: Vec<&Response> = responses.iter().filter(is_found).collect();
    let partner = PARTNERS.iter().find(|partner| partner.0 == command.name);
    let partner = partner.and_then(|p| Some((responses.iter().find(|r| r.id == p.1)?, p.2)));
    let mut odds = 0.0;
    let mut next = Vec::new();
    let mut story = format!("{} switched {n_edges} times", command.name);
    // What must respond answers for the output; anything else only where nothing must.
    let answering = match partner {
        Some((must, least)) => found.iter().find(|r| r.id == must.id && r.mean >= least).copied(),
        None => found.first().copied(),
    };
    let shown = answering.or(partner.map(|p| p.0)).or(responses.first());
    if let Some(response) = answering {
        odds = adjusted(response).max(1e-6).log10().max(-MOST);
        let watched = recording.series(&response.id).and_then(Watched::new);
        on_its_way = watched.as_ref().is_some_and(|w| response::is_on_its_way(w, command, response, window_s));
        let (at_least, within) = match on_its_way {
            true => ("at least ", format!(" within {window_s:.1} s, still on its way then")),
            false => ("", String::new()),
        };
        story += &format!(
            ": {} changes by {at_least}{:+.3} +- {:.3} {} with \"on\"{within}, {:.0} % of {} edges in that direction",
            response.id,
            response.mean,
            response.error,
            response.unit,
            100.0 * response.share_alike,
            response.n
        );
        delay = watched.and_then(|watched| response::delay_s(&watched, command, response.windows, window_s));
        if let Some((delay_s, by_s)) = delay {
            let half = if on_its_way { "half of that" } else { "half of it" };
            story += &format!(", {half} {delay_s:.2} +- {by_s:.2} s after the command");
        }
        story += &format!("; chance of that by accident {:.1e}", adjusted(response));
        let also: Vec<&str> = found.iter().filter(|r| r.id != response.id).map(|r| r.id.as_str()).take(3).collect();
        if !also.is_empty() {
            story += &format!("; also {}", also.join(", "));
        }
    } else if let Some((must, least)) = partner {
        story += &format!(
            ": {} changes by {:+.0} +- {:.0} {} with \"on\"; a compressor at work moves it by hundreds",
            must.id, must.late_mean, must.late_error, must.unit
        );
        let is_judged = must.n >= FEWEST && engine_ran > 0.9;
        let silent = silent_decades(must, least);
        odds = if silent > 0.0 { silent.min(if is_judged { MOST } else { 1.5 }) } else { 0.0 };
        next.push(
            "Follow the chain in this order: request, relay command, voltage at the clutch, clutch current, pressure."
                .to_owned(),
        );
        if engine_ran <= 0.9 {
            next.push("Repeat with the engine running all the time, and record engine.speed.".to_owned());
        }
    } else if let Some(best) = responses.first() {
        story += &format!(
            ": no signal responds beyond chance; nearest is {} with {:+.3} +- {:.3} {} (chance of that by accident {:.2})",
            best.id,
            best.mean,
            best.error,
            best.unit,
            adjusted(best)
        );
        if adjusted(best) < SIGNIFICANT && best.p_alone > alone_limit(command, adjusted(best)) {
            story += "; it moves like that at other times too";
        }
        next.push("Record what the output drives (its current, speed or pressure) at least every 0.5 s.".to_owned());
    }
    if is_moving {
        story += "; the vehicle was moving";
    }
    let mut finding = answer(Kind::Command, &command.name, odds, story + ".");
    if finding.verdict != Verdict::Healthy {
        // Before five cycles any estimate of what is needed is a guess itself.
        let done = n_edges / 2;
        let needed = if done < 5 { 5 } else { shown.map_or(5, |r| r.cycles_needed(n_tests, SIGNIFICANT)) };
        next.insert(0, ask(needed.saturating_sub(done).max(2)));
        finding.next = next;
    }
    if finding.verdict == Verdict::Faulty {
        finding.alternatives.push("an empty refrigerant circuit, or a compressor held at zero stroke".into());
    } else if finding.verdict == Verdict::Healthy {
        finding.alternatives.push("something else that was switched at the same moments".into());
    }
    if let Some(response) = shown {
        finding.figures = figures([
            ("edges", n_edges as f64),
            ("signals_looked_at", n_tests / 2.0),
            ("size", response.mean),
            ("size_error", response.error),
            ("delay_s", delay.map_or(f64::NAN, |d| d.0)),
            ("delay_error_s", delay.map_or(f64::NAN, |d| d.1)),
            ("share_alike", response.share_alike),
            ("still_on_its_way", f64::from(u8::from(on_its_way))),
            ("p_adjusted", adjusted(response)),
            ("p_by_itself", response.p_alone),
        ]);
    }
    finding.spans = command.on_spans().into_iter().map(|(from_s, to_s)| Span { from_s, to_s }).collect();
    finding
}

/// Share of the edges' rows, among those known, in which a column of `id` is above `limit`; NaN when it is not recorded.
fn share_above(recording: &Recording, command: &Command, id: &str, limit: f64) -> f64 {
    let Some(series) = recording.series(id).filter(|series| !series.is_empty()) else { return f64::NAN };
    let rows = Rows::new(series, &[], 1.0);
    let (from, to) = command.span_s();
    let inside: Vec<f64> =
        (0..rows.len()).filter(|&k| rows.t_s[k] >= from && rows.t_s[k] <= to).map(|k| rows.columns[0][k]).collect();
    inside.iter().filter(|value| **value > limit).count() as f64 / inside.len() as f64
}

fn running_share(recording: &Recording, command: &Command) -> f64 {
    let share = share_above(recording, command, "engine.speed", RUNNING_RPM);
    if share.is_finite() { share } else { 0.0 }
}

fn moving_share(recording: &Recording, command: &Command) -> f64 {
    let share = share_above(recording, command, "vehicle.speed", 3.0);
    if share.is_finite() { share } else { 0.0 }
}
