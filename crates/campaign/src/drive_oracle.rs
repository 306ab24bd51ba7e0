//! A recorded drive against what the car really did.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use drive::{Contents, Exchange};
use signal::{Sample, Series};
use standin::Answer;

use crate::fault::S;
use crate::line::Hit;
use crate::scene::Scene;
use crate::trial::Outcome;
use crate::watcher::Watcher;

/// What one step of a signal's message is, in its unit: SAE J1979-DA for the legislated ones, the invented maker's definitions
/// for the others.
fn quantum(signal: &str) -> f64 {
    match signal {
        "engine.speed" => 0.25,
        "intake.air_flow" | "yaw.rate" => 0.01,
        "engine.load" | "pedal.position_1" | "pedal.position_2" | "throttle.position_1" => 100.0 / 255.0,
        "fuel.trim.short.bank_1" => 100.0 / 128.0,
        "steering.angle" => 0.1,
        name if name.starts_with("wheel.speed") => 0.01,
        _ => 1.0,
    }
}

/// Least time without samples that has to be marked, seconds: a poll that nobody answered is asked again 2 s later at the
/// latest, and up to a second that it takes an adapter to send it is no gap of its own.
const LEAST_GAP_S: f64 = 3.0;

/// The same on a K-line, where every change from one module's own requests to the legislated ones opens the line anew.
const LEAST_K_LINE_GAP_S: f64 = 8.0;

/// Modules on a K-line have addresses of one byte.
fn is_k_line(source: &str) -> bool {
    source.split(' ').next().is_some_and(|address| address.len() == 2)
}

/// Checks a drive: `recorded` is what the program says of it.
pub(crate) fn check(
    path: &Path,
    recorded: Option<&wire::Recorded>,
    watcher: &Watcher,
    scene: &mut Scene,
    outcome: &mut Outcome,
) {
    let (contents, problems) = match Contents::read(path) {
        Ok(read) => read,
        // A disk that takes nothing leaves nothing, and that is told.
        Err(error) if outcome.told.is_some() => {
            if watcher.samples.is_empty() || !path.exists() || path.metadata().is_ok_and(|about| about.len() < 4096) {
                return;
            }
            return outcome.broken.push(format!("the drive does not open: {error}"));
        }
        Err(error) => return outcome.broken.push(format!("the drive does not open: {error}")),
    };
    let is_finished = problems.is_empty();
    if !is_finished && outcome.told.is_none() {
        outcome.broken.push(format!("the drive has {} and nobody told", problems[0]));
    }
    let hits = scene.hits();
    let answers = scene.answers();
    let drive = Drive {
        start_ns: watcher.start_ns,
        exchanges: contents.exchanges.iter().map(|exchange| (exchange.number, exchange)).collect(),
        answers,
        hits: &hits,
        is_finished,
    };
    let mut modules = BTreeMap::new();
    for series in &contents.recording.series {
        for sample in series.iter() {
            outcome.n_samples += 1;
            match drive.verdict(series, &sample, &mut modules) {
                Verdict::True => {}
                Verdict::Undetectable => outcome.n_undetectable += 1,
                Verdict::Wrong(what) => {
                    outcome.broken.push(format!("{} = {} at {:.4} s: {what}", series.id, sample.value, s(sample.t_ns)));
                }
            }
        }
    }
    kept(&contents, watcher, is_finished, recorded, outcome);
    if let Some(recorded) = recorded.filter(|_| is_finished) {
        gaps(&contents, recorded, watcher, outcome);
    }
}

fn s(nanos: i64) -> f64 {
    nanos as f64 / S as f64
}

enum Verdict {
    True,
    Undetectable,
    Wrong(String),
}

struct Drive<'a> {
    start_ns: i64,
    exchanges: BTreeMap<u32, &'a Exchange>,
    answers: &'a [Answer],
    hits: &'a [Hit],
    is_finished: bool,
}

impl Drive<'_> {
    fn verdict(&self, series: &Series, sample: &Sample, modules: &mut BTreeMap<String, usize>) -> Verdict {
        let wrong = |what: String| Verdict::Wrong(what);
        let Some(exchange) = self.exchanges.get(&sample.exchange) else {
            // The last exchange may be cut off behind its samples.
            return if self.is_finished { wrong("its exchange is not in the drive".to_owned()) } else { Verdict::True };
        };
        let Some(reply) = exchange.replies.iter().find(|reply| reply.arrived_ns == sample.t_ns) else {
            return wrong(format!("no reply of exchange {} came then", sample.exchange));
        };
        if !exchange.request.is_empty() && sample.asked_ns != exchange.asked_ns {
            return wrong(format!("exchange {} was not asked then", sample.exchange));
        }
        let (from, to) = (self.start_ns + sample.asked_ns, self.start_ns + sample.t_ns);
        let begin = self.answers.partition_point(|answer| answer.at_ns < from);
        let within = || self.answers[begin..].iter().take_while(|answer| answer.at_ns <= to);
        let fits = |answer: &&Answer| answer.request == exchange.request && answer.reply == reply.bytes;
        // What a module sends by itself comes again and again: the latest one it must be.
        let known = modules.get(&reply.from).copied();
        let fitting = || within().filter(fits);
        let own = fitting().filter(|answer| known.is_none_or(|known| answer.module == known)).last();
        // A request that was harmed on its way is another one, and the module's answer to that is true as well.
        let harmed = || self.hits.iter().filter(|hit| (from..=to).contains(&hit.at_ns));
        let is_harmed = harmed().any(|hit| hit.is_to);
        let otherwise = || within().filter(|answer| is_harmed && answer.reply == reply.bytes);
        let Some(answer) = own.or_else(|| fitting().last()).or_else(|| otherwise().last()) else {
            let n_digits = harmed().filter(|hit| hit.is_digit_for_digit()).count();
            let is_near = |answer: &Answer| differing_digits(&answer.reply, &reply.bytes) <= n_digits;
            let n_shifts = harmed().filter(|hit| hit.is_shift()).count();
            if (n_digits > 0 && within().any(is_near))
                || within().any(|answer| is_shifted(&answer.reply, &reply.bytes, n_shifts))
            {
                return Verdict::Undetectable;
            }
            let said: Vec<String> =
                within().map(|answer| format!("{:02X?} to {:02X?}", answer.reply, answer.request)).collect();
            return wrong(format!(
                "{:02X?} from {} to {:02X?} was never said between; but: {}",
                reply.bytes,
                reply.from,
                exchange.request,
                said.join("; ")
            ));
        };
        // A request that was harmed may have gone to all: several that said the same cannot be told apart.
        let is_clear = known.is_some() || fitting().all(|other| other.module == answer.module);
        if is_clear && *modules.entry(reply.from.clone()).or_insert(answer.module) != answer.module {
            return wrong(format!("{} is another module here than elsewhere", reply.from));
        }
        match answer.held(series.id.as_str()) {
            Some(held) if (held - sample.value).abs() > 1.01 * quantum(series.id.as_str()) => {
                wrong(format!("the module held {held}"))
            }
            _ => Verdict::True,
        }
    }
}

/// Whether a message is another one of which digits were lost, came twice or were put in, at most `n_shifts` and not a single
/// one, which shows: what was pushed out of the last frame is gone, and what became free there is padding.
pub(crate) fn is_shifted(whole: &[u8], said: &[u8], n_shifts: usize) -> bool {
    const PADDING: u8 = 0xA;
    let digits = |bytes: &[u8]| bytes.iter().flat_map(|byte| [byte >> 4, byte & 15]).collect::<Vec<u8>>();
    let (whole, said) = (digits(whole), digits(said));
    // Fewest shifts by which the first digits of the one become so many of the other.
    let mut fewest: BTreeMap<(usize, usize), usize> = BTreeMap::from([((0, 0), 0)]);
    let mut is_reached = false;
    while let Some(((at, to), n)) = fewest.pop_first() {
        let is_padding = at == whole.len() && said[to..].iter().all(|digit| *digit == PADDING);
        is_reached |= n > 0 && n_shifts > 1 && (to == said.len() || is_padding);
        let mut reach = |at: usize, to: usize, n: usize| {
            if n <= n_shifts && to <= said.len() {
                let known = fewest.entry((at, to)).or_insert(n);
                *known = n.min(*known);
            }
        };
        reach(at, to + 1, n + 1);
        let Some(digit) = whole.get(at) else { continue };
        reach(at + 1, to, n + 1);
        if said.get(to) == Some(digit) {
            reach(at + 1, to + 1, n);
        }
    }
    is_reached
}

/// How many hexadecimal digits differ, one of them in the length of the message where that differs, which lets padding in
/// or cuts the end off.
fn differing_digits(a: &[u8], b: &[u8]) -> usize {
    let differ = |(a, b): (&u8, &u8)| usize::from(a >> 4 != b >> 4) + usize::from(a & 15 != b & 15);
    usize::from(a.len() != b.len()) + a.iter().zip(b).map(differ).sum::<usize>()
}

/// Everything that was shown while it was recorded is in the file, and nothing else.
fn kept(
    contents: &Contents,
    watcher: &Watcher,
    is_finished: bool,
    recorded: Option<&wire::Recorded>,
    outcome: &mut Outcome,
) {
    let problems = recorded.map_or(&[][..], |recorded| &recorded.problems);
    // Told as `everything up to 12.345 s is saved`.
    let until_s = problems
        .iter()
        .find_map(|problem| problem.split("everything up to ").nth(1)?.split(' ').next()?.parse::<f64>().ok());
    for (number, planned) in watcher.signals.iter().enumerate() {
        let shown: Vec<&Sample> =
            watcher.samples.iter().filter(|(signal, _)| *signal == number).map(|(_, sample)| sample).collect();
        let filed: Vec<Sample> =
            contents.recording.series(&planned.id).map(|series| series.iter().collect()).unwrap_or_default();
        let is_same = shown.iter().zip(&filed).all(|(shown, filed)| **shown == *filed);
        if !is_same || filed.len() > shown.len() {
            outcome.broken.push(format!("{}: the drive holds other samples than were shown", planned.id));
        }
        let n_promised = match until_s {
            _ if is_finished => shown.len(),
            Some(until_s) => shown.iter().filter(|sample| s(sample.t_ns) < until_s - 0.0005).count(),
            None => 0,
        };
        if filed.len() < n_promised {
            outcome.broken.push(format!("{}: {} of {n_promised} promised samples are there", planned.id, filed.len()));
        }
    }
}

/// Who was to answer.
fn replying(exchange: &Exchange) -> &str {
    exchange.to.split('-').next_back().unwrap_or_default()
}

/// Whether a request belongs to a command: input and output control, and routines, of ISO 14229-1 and ISO 14230-3.
fn is_commanding(request: &[u8]) -> bool {
    matches!(request.first(), Some(0x2F..=0x33))
}

/// How much of a stretch lies within others that do not overlap.
fn shared_ns((from_ns, to_ns): (i64, i64), others: &[(i64, i64)]) -> i64 {
    others.iter().map(|(from, to)| (to_ns.min(*to) - from_ns.max(*from)).max(0)).sum()
}

/// Every stretch without samples is explained: by a gap of the drive, by requests that brought nothing, or by one that took as
/// long.
fn gaps(contents: &Contents, recorded: &wire::Recorded, watcher: &Watcher, outcome: &mut Outcome) {
    // When its time is over nothing more is asked: what comes behind that is only what was under way.
    let wanted_s = watcher.length_s.unwrap_or(f64::INFINITY);
    let mut end_ns = (recorded.drive.duration_s.min(wanted_s) * S as f64) as i64;
    // Nor when a command is over: an answer that takes long may still be waited for.
    let is_over = |exchange: &Exchange| exchange.over_ns >= end_ns && exchange.over_ns - exchange.asked_ns > S;
    if watcher.length_s.is_none() && contents.exchanges.iter().any(is_over) {
        end_ns = contents.exchanges.iter().map(|exchange| exchange.asked_ns).max().unwrap_or(end_ns);
    }
    let productive: BTreeSet<u32> =
        contents.recording.series.iter().flat_map(|series| series.exchange.iter().copied()).collect();
    let empty = BTreeSet::new();
    let mut fruitless: BTreeMap<&str, BTreeSet<(i64, i64)>> = BTreeMap::new();
    for exchange in contents.exchanges.iter().filter(|exchange| !productive.contains(&exchange.number)) {
        fruitless.entry(replying(exchange)).or_default().insert((exchange.asked_ns, exchange.over_ns));
    }
    // A module is asked one thing at a time: an answer that takes long keeps its other signals waiting, and those of all
    // modules where one request is under way at a time.
    let is_long = |exchange: &&Exchange| exchange.over_ns - exchange.asked_ns > S;
    let long: Vec<&Exchange> = contents.exchanges.iter().filter(is_long).collect();
    // One request at a time, each asked again after damage: the turn of the others comes later by that. What lies before the
    // last asking counts as far as it need not be a gap of its own.
    let damaged = contents.exchanges.windows(2).filter(|pair| watcher.is_serial && !pair[1].problems.is_empty());
    let damaged: Vec<(i64, i64)> =
        damaged.map(|pair| (pair[0].over_ns.max(pair[1].asked_ns - S), pair[1].over_ns)).collect();
    for planned in &watcher.signals {
        let rate = recorded.rates.iter().find(|rate| rate.id == planned.id).map_or(0.0, |rate| rate.per_second);
        let series = contents.recording.series(&planned.id);
        // The trial before a drive is a second long: what is slower than that is measured by the drive itself.
        let measured_s = series.and_then(signal::Series::median_interval_s).unwrap_or(0.0);
        let every_s = planned.every_s.unwrap_or(if rate > 0.0 { 1.0 / rate } else { 0.0 }).max(measured_s);
        let least_s = if is_k_line(&planned.source) { LEAST_K_LINE_GAP_S } else { LEAST_GAP_S };
        let longest_ns = ((5.0 * every_s).max(least_s) * S as f64) as i64;
        let samples = series.map(|series| series.iter().collect::<Vec<_>>()).unwrap_or_default();
        // From one end to the next begin of what is known: samples with the time that they took, gaps, and failed tries.
        let module = planned.source.split([' ', '-']).next().unwrap_or_default();
        let mut known: Vec<(i64, i64)> = samples.iter().map(|sample| (sample.asked_ns, sample.t_ns)).collect();
        known.extend(contents.recording.gaps.iter().map(|gap| (gap.from_ns, gap.to_ns)));
        let holds_up = |exchange: &Exchange| watcher.is_serial || replying(exchange) == module;
        known.extend(&damaged);
        known.extend(
            long.iter().filter(|exchange| holds_up(exchange)).map(|exchange| (exchange.asked_ns, exchange.over_ns)),
        );
        for to in [module, "everyone"] {
            known.extend(fruitless.get(to).unwrap_or(&empty));
        }
        // What a command asks goes before all values, as an output that is to be let go waits for nobody: the time that it
        // took does not count, and explains no more than itself.
        let asks = |exchange: &&Exchange| is_commanding(&exchange.request) && holds_up(exchange);
        let commanding: Vec<(i64, i64)> =
            contents.exchanges.iter().filter(asks).map(|exchange| (exchange.asked_ns, exchange.over_ns)).collect();
        known.push((end_ns, end_ns));
        known.sort_unstable();
        let mut until_ns = 0;
        for (from_ns, to_ns) in known {
            if from_ns - until_ns - shared_ns((until_ns, from_ns), &commanding) > longest_ns {
                outcome.broken.push(format!(
                    "{}: nothing between {:.2} and {:.2} s of {:.2} s at {rate:.1}/s, and nothing says why",
                    planned.id,
                    s(until_ns),
                    s(from_ns),
                    s(end_ns)
                ));
                break;
            }
            until_ns = until_ns.max(to_ns);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_time_of_the_others_that_lies_within_a_stretch_is_shared() {
        assert_eq!(shared_ns((10, 20), &[(0, 12), (13, 14), (19, 30), (40, 50)]), 2 + 1 + 1);
        assert_eq!(shared_ns((10, 20), &[]), 0);
    }

    #[test]
    fn digits_that_are_lost_or_come_twice_in_pairs_make_another_message() {
        let whole = [0x41, 0x41, 0x00, 0x77, 0xE5, 0xE5];
        // A 7 and a 5 came twice; the frame has a byte more, which looks like padding.
        assert!(is_shifted(&whole, &[0x41, 0x41, 0x00, 0x77, 0x7E, 0x5E], 2));
        // A 0 and an E are lost, and padding has come in their place.
        assert!(is_shifted(&whole, &[0x41, 0x41, 0x07, 0x7E, 0x55, 0xAA], 2));
        assert!(is_shifted(&whole, &[0x41, 0x41, 0x07, 0x75, 0xE5, 0xAA], 2));
        // One that came twice and one that is lost.
        assert!(is_shifted(&whole, &[0x44, 0x14, 0x10, 0x07, 0x7E, 0x5E], 2));
        // One shows, and more than happened it cannot be.
        assert!(!is_shifted(&whole, &[0x41, 0x41, 0x00, 0x77, 0x7E, 0x5E], 1));
        assert!(!is_shifted(&whole, &[0x41, 0x41, 0x00, 0x78, 0xE6, 0xE5], 2));
        assert!(!is_shifted(&whole, &[0x41, 0x7E, 0x5E, 0x5A, 0xAA, 0xAA], 2));
        // A 3 is lost, and the end of the line became a 6.
        assert!(is_shifted(&[0x7F, 0x19, 0x31], &[0x7F, 0x19, 0x16], 2));
    }
}
