//! How long a casebook takes to open a long case and to search a full shelf, beside what it may take: medians by the clock,
//! and of the processor time, which on a busy machine tells more.

use std::time::{Duration, Instant};

use casebook::{Author, Casebook, CasebookError, NewCase};
use wire::{CaseVehicle, Content};

/// Entries of the long case, and the time in which it must be read.
const LONG_CASE: (usize, Duration) = (10_000, Duration::from_millis(50));
/// Cases on the full shelf, and the time in which one search must be done.
const FULL_SHELF: (usize, Duration) = (100_000, Duration::from_millis(100));

const WORDS: [&str; 12] =
    ["stumbles", "warm", "cold", "lamp", "idle", "motorway", "noise", "brake", "starts", "smell", "rain", "hill"];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = tempfile::tempdir()?;
    let me = Author { who: "bench".into(), software: "bench 1".into() };

    let path = folder.path().join("long.sqlite");
    let case = long_case(&path, &me)?;
    let took = median(9, || {
        let mut casebook = Casebook::open_file(&path)?;
        let read = casebook.case(case)?;
        assert_eq!(read.entries.len(), LONG_CASE.0 + 1);
        Ok(())
    })?;
    tell(&format!("open a casebook and read a case of {} entries", LONG_CASE.0), &took, LONG_CASE.1);

    let path = folder.path().join("full.sqlite");
    full_shelf(&path, &me)?;
    println!("{} cases, {:.1} MB", FULL_SHELF.0, path.metadata()?.len() as f64 / 1e6);
    let mut casebook = Casebook::open_file(&path)?;
    for text in ["stumbles", "warm lamp", "st", "p0301 warm", "plate77777", "coil hill rain"] {
        let took = median(9, || casebook.search(text, 50).map(|_| ()))?;
        tell(&format!("search `{text}`"), &took, FULL_SHELF.1);
    }
    let took = median(5, || Casebook::open_file(&path).map(|_| ()))?;
    println!("open the full shelf: {:.1} ms", took.wall.as_secs_f64() * 1e3);
    Ok(())
}

/// By the clock and on the processor.
struct Took {
    wall: Duration,
    processor: Option<Duration>,
}

fn tell(what: &str, took: &Took, bound: Duration) {
    let ratio = took.wall.as_secs_f64() / bound.as_secs_f64();
    let ms = |time: Duration| format!("{:.1} ms", time.as_secs_f64() * 1e3);
    let processor = took.processor.map_or_else(String::new, |time| format!(" ({} of processor time)", ms(time)));
    println!("{what}: {}{processor}, {ratio:.2} of the {} ms that it may take", ms(took.wall), bound.as_millis());
}

fn median(n: usize, mut work: impl FnMut() -> Result<(), CasebookError>) -> Result<Took, CasebookError> {
    let (mut walls, mut processors) = (Vec::new(), Vec::new());
    for _ in 0..n {
        let (begun, used) = (Instant::now(), processor_time());
        work()?;
        walls.push(begun.elapsed());
        processors.extend(processor_time().zip(used).map(|(now, used)| now.saturating_sub(used)));
    }
    walls.sort();
    processors.sort();
    Ok(Took { wall: walls[n / 2], processor: processors.get(n / 2).copied() })
}

/// Time that this thread has had a processor; `None` where the system does not tell (proc(5), schedstat).
fn processor_time() -> Option<Duration> {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    told.split(' ').next()?.parse().ok().map(Duration::from_nanos)
}

/// Marks, notes and findings in turn.
fn long_case(path: &std::path::Path, me: &Author) -> Result<i64, CasebookError> {
    let mut casebook = Casebook::open_file(path)?;
    let case = casebook.open_case(me, &NewCase { complaint: "it stumbles".into(), ..NewCase::default() })?.number;
    let contents: Vec<Content> = (0..LONG_CASE.0)
        .map(|k| match k % 3 {
            0 => {
                Content::Mark { drive: String::new(), t_s: k as f64, to_s: None, text: format!("felt it, number {k}") }
            }
            1 => {
                Content::Note { text: format!("note {k}: the connector of coil 1 was loose when the engine was warm") }
            }
            _ => Content::Replaced { part: "coil".into(), at: Some(1), text: format!("part {k}") },
        })
        .collect();
    casebook.append_all(me, case, &contents)?;
    Ok(case)
}

fn full_shelf(path: &std::path::Path, me: &Author) -> Result<(), CasebookError> {
    let mut casebook = Casebook::open_file(path)?;
    // A plain linear congruential sequence: the words of the cases only have to differ.
    let mut state = 7usize;
    let mut next = |n: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % n
    };
    let cases: Vec<NewCase> = (0..FULL_SHELF.0)
        .map(|k| NewCase {
            vehicle: CaseVehicle { plate: Some(format!("plate{}", k % 60_000 + 30_000)), ..CaseVehicle::default() },
            complaint: format!(
                "{} when {}, {} P030{} coil since {k} km",
                WORDS[next(12)],
                WORDS[next(12)],
                WORDS[next(12)],
                next(5)
            ),
            ..NewCase::default()
        })
        .collect();
    casebook.open_cases(me, &cases)
}
