//! Pages that stall, dawdle or vanish while a drive is recorded.
//!
//! The invented car lives on a clock of its own, so one and the same drive can be recorded with such pages and without.

use std::time::Duration;

use serde_json::{Value, json};
use tungstenite::Message;

use crate::bench::Bench;
use crate::page::Page;

const SIGNALS: [&str; 4] = ["engine.speed", "vehicle.speed", "pedal.position_1", "wheel.speed.front_left"];
/// Length of the drive, and how many seconds of it pass in one of the wall's.
const LENGTH_S: f64 = 60.0;
const PACE: f64 = 20.0;

/// A page that wants everything as often as possible.
fn greedy(bench: &Bench) -> Page<'_> {
    let mut page = bench.page();
    let wish = json!({"type": "watch", "signals": null, "every_ms": 0});
    page.stream.send(Message::text(wish.to_string())).unwrap();
    page
}

/// Records while `disturb` is called again and again.
fn record(page: &mut Page<'_>, mut disturb: impl FnMut()) {
    page.does("/car/take", &Value::Null);
    page.does("/car/connect", &json!({"adapter": "standin:fell?script=mixed"}));
    page.until(|car| car["stage"] == "ready");
    page.does("/car/record", &json!({"signals": SIGNALS, "seconds": LENGTH_S}));
    page.until(|car| {
        disturb();
        is_over(car)
    });
}

fn is_over(car: &Value) -> bool {
    car["stage"] == "ready" && !car["recording"]["drive"].is_null()
}

#[test]
fn pages_that_stall_dawdle_or_vanish_cost_a_drive_nothing() {
    let bench = Bench::fast(PACE);
    record(&mut bench.page(), || {});
    let alone = bench.drive();

    let bench = Bench::fast(PACE);
    let mut stalled: Vec<Page<'_>> = (0..3).map(|_| greedy(&bench)).collect();
    let mut dawdling = greedy(&bench);
    dawdling.stream.get_mut().set_read_timeout(Some(Duration::from_millis(1))).unwrap();
    let mut vanishing: Vec<Page<'_>> = (0..3).map(|_| greedy(&bench)).collect();
    let mut page = bench.page();
    let cookie = page.cookie.clone();
    // Every page is told of all marks whenever something changes: soon more than the lines to those that stall can hold.
    let mark = json!({"text": "x".repeat(2000)});
    let mut n_marks = 0;
    record(&mut page, || {
        n_marks += (0..10).filter(|_| bench.ask("POST", "/car/mark", &cookie, &mark).0 == 200).count();
        if n_marks > 0 {
            let _ = dawdling.stream.read();
            if let Some(mut gone) = vanishing.pop() {
                gone.stream.get_mut().shutdown(std::net::Shutdown::Both).unwrap();
            }
        }
    });
    assert!(n_marks > 100 && vanishing.is_empty(), "{n_marks} marks: nothing was disturbed");
    // Whoever goes on reading learns what has become of it.
    for mut page in stalled.drain(..) {
        page.is_pressing = false;
        page.until(is_over);
    }
    drop((dawdling, page));
    let beside = bench.drive();
    assert!(alone.series.len() == SIGNALS.len() && alone.series.iter().all(|series| series.len() > 100));
    assert_eq!((beside.gaps.len(), beside.series == alone.series), (0, true));
}

#[test]
fn a_page_hears_that_the_workbench_is_there_while_nothing_happens() {
    let bench = Bench::new();
    let mut page = bench.page();
    page.until(|car| car["stage"] == "empty");
    // Pings are answered by the browser, and no page hears of them.
    let said = loop {
        if let Message::Text(said) = page.stream.read().unwrap() {
            break said;
        }
    };
    let said: Value = serde_json::from_str(&said).unwrap();
    assert_eq!(said["type"], "beat");
}
