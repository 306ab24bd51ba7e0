//! A report of a case with three one-hour drives of thirty signals at 50 Hz (16.2 million samples): wall time against
//! one pass over the samples in memory, measured in the same run. The goal is 2 s. With `--features pdf` the print too.

use std::time::Instant;

use report::{Case, Drive, Moment, Settings, html};
use signal::{Recording, Series, SignalId, Unit};

const SECONDS: usize = 3600;
const RATE_HZ: usize = 50;

/// Plain made-up motion; what is measured is how long it takes to show that much.
fn drive() -> Recording {
    let mut names = vec!["misfire.cylinder_1".to_owned(), "engine.speed".to_owned(), "engine.load".to_owned()];
    names.extend((0..27).map(|k| format!("custom.channel_{k}")));
    let mut recording = Recording::default();
    for (k, name) in names.iter().enumerate() {
        let mut series = Series::new(SignalId::new(name).expect("a name"), Unit::named("rpm"));
        for n in 0..SECONDS * RATE_HZ {
            let t = n as f64 / RATE_HZ as f64;
            let value = match k {
                0 => (t / 40.0).floor(),
                1 => 2400.0 + 900.0 * (t / 23.0).sin(),
                _ => 45.0 + 40.0 * (t / 17.0).sin(),
            };
            series.push_value((t * 1e9) as i64, value);
        }
        recording.series.push(series);
    }
    recording
}

fn main() {
    let recordings = [drive(), drive(), drive()];
    let finding = wire::Finding {
        kind: "misfire".into(),
        subject: vec!["misfire.cylinder_1".into()],
        verdict: "faulty".into(),
        log10_odds: 5.0,
        statement: "Cylinder 1 misfires.".into(),
        spans: vec![wire::Span { from_s: 1800.0, to_s: 1900.0 }],
        ..wire::Finding::default()
    };
    let entry = |moment| Drive {
        moment,
        examined: wire::Examined { findings: vec![finding.clone()], ..wire::Examined::default() },
        ..Drive::default()
    };
    let case = Case { drives: [Moment::Before, Moment::Between, Moment::After].map(entry).to_vec(), ..Case::default() };
    let shown: Vec<Option<&Recording>> = recordings.iter().map(Some).collect();

    let start = Instant::now();
    let sum: f64 = recordings.iter().flat_map(|it| &it.series).flat_map(|series| &series.value).sum();
    let pass_s = start.elapsed().as_secs_f64();
    assert!(sum.is_finite());
    let tell = |what: &str, bytes: usize, seconds: f64| {
        println!(
            "report, three hours: {what} {:.0} ms for {:.0} kB; one pass over the samples {:.0} ms ({:.1} times); goal 2000 ms",
            1e3 * seconds,
            bytes as f64 / 1e3,
            1e3 * pass_s,
            seconds / pass_s
        );
    };
    let (start, used_ns) = (Instant::now(), processor_ns());
    let page = html(&case, &shown, &Settings::default());
    tell("HTML", page.len(), start.elapsed().as_secs_f64());
    if let Some((now_ns, used_ns)) = processor_ns().zip(used_ns) {
        println!("report, three hours: HTML {:.0} ms of processor time", (now_ns - used_ns) as f64 / 1e6);
    }
    #[cfg(feature = "pdf")]
    for turn in ["PDF (first)", "PDF (again)"] {
        let start = Instant::now();
        let bytes = report::pdf(&case, &shown, &Settings::default()).expect("a page that can be set");
        tell(turn, bytes.len(), start.elapsed().as_secs_f64());
    }
}

/// Time that this thread has had a processor; `None` where the system does not tell (proc(5), schedstat).
fn processor_ns() -> Option<u64> {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    told.split(' ').next()?.parse().ok()
}
