//! Two pages at once: what one begins, the other looks at, or asks for at the same moment.

use std::time::Duration;

use serde_json::{Value, json};
use tungstenite::Message;

use crate::bench::Bench;

#[test]
fn a_drive_is_no_drive_before_it_is_over() {
    let bench = Bench::fast(20.0);
    let mut page = bench.page();
    let looking_on = bench.sits();
    let ask = |path: &str| bench.ask("GET", path, &looking_on, &Value::Null);
    let drives = || ask("/drives").1.as_array().unwrap().len();
    page.does("/car/take", &Value::Null);
    page.does("/car/connect", &json!({"adapter": "standin:fell?script=town"}));
    page.until(|car| car["stage"] == "ready");
    page.does("/car/record", &json!({"signals": ["engine.speed"], "seconds": null}));
    page.until(|car| car["recording"]["n_samples"].as_u64() > Some(20));
    let file = std::fs::read_dir(bench.home().join("data/drives")).unwrap().next().unwrap().unwrap().path();
    let id = file.file_stem().unwrap().to_str().unwrap().to_owned();
    assert_eq!(drives(), 0);
    for what in ["", "/examined", "/pictures", "/trace?from_s=0&to_s=1&columns=9&signals=0"] {
        let (status, said, _) = ask(&format!("/drives/{id}{what}"));
        assert_eq!((status, said["message"].as_str()), (409, Some("this drive is still being recorded")), "{what}");
    }
    page.does("/car/stop", &Value::Null);
    page.until(|car| !car["recording"]["drive"].is_null());
    // The page that hears of it finds it.
    assert_eq!(drives(), 1);
    assert_eq!(ask(&format!("/drives/{id}/examined")).0, 200);
    let case = ask("/case").1;
    let kinds: Vec<&str> =
        case["entries"].as_array().unwrap().iter().filter_map(|it| it["content"]["kind"].as_str()).collect();
    assert_eq!(kinds.iter().filter(|kind| **kind == "drive").count(), 1, "{kinds:?}");
    assert_eq!(ask("/case/verify").1["problems"], json!([]));
}

/// Every open page asks for the suspects as soon as the ledger grew.
#[test]
fn pages_that_ask_for_the_suspects_at_once_write_them_down_once() {
    let bench = Bench::new();
    let cookies: Vec<String> = (0..4).map(|_| bench.sits()).collect();
    let new =
        json!({"complaint": "it stumbles when warm", "conditions": {}, "vehicle": {"number": 0}, "mileage_km": null});
    assert_eq!(bench.ask("POST", "/cases", &cookies[0], &new).0, 200);
    for (n_weighed, test) in ["compression-low", "injector-electrical", "coil-feed"].into_iter().enumerate() {
        let entry = json!({"kind": "tested", "area": "misfire.1", "test": test, "is_yes": false});
        let (status, said, _) = bench.ask("POST", "/case", &cookies[0], &entry);
        assert_eq!(status, 200, "{said}");
        std::thread::scope(|scope| {
            for cookie in &cookies {
                scope.spawn(|| assert_eq!(bench.ask("POST", "/case/suspects", cookie, &Value::Null).0, 200));
            }
        });
        let case = bench.ask("GET", "/case", &cookies[0], &Value::Null).1;
        let entries = case["entries"].as_array().unwrap();
        let n_kept = entries.iter().filter(|entry| entry["content"]["kind"] == "suspects").count();
        assert_eq!(n_kept, n_weighed + 1);
    }
}

/// A phone that leaves the radio says nothing any more, and its connection stays open. Whoever reads a stream answers pings
/// (RFC 6455, 5.5.2), as browsers do.
#[test]
fn a_page_that_answers_no_ping_is_not_here() {
    let bench = Bench::impatient(Duration::from_millis(500));
    let _silent = bench.stream(&bench.sits());
    let mut page = bench.page();
    let mut here = Vec::new();
    while here.last() != Some(&1) || !here.contains(&2) {
        let Message::Text(text) = page.stream.read().unwrap() else { continue };
        let said: Value = serde_json::from_str(&text).unwrap();
        here.extend(said["people"]["clients"].as_array().map(Vec::len));
    }
}

#[test]
fn a_survey_that_is_not_in_the_ledger_is_told() {
    let bench = Bench::new();
    let mut page = bench.page();
    page.does("/car/take", &Value::Null);
    page.does("/car/connect", &json!({"adapter": "standin:fell"}));
    page.until(|car| car["stage"] == "ready");
    // As a disk that dies leaves it.
    std::fs::write(bench.home().join("data/casebook.sqlite"), vec![7; 9000]).unwrap();
    page.does("/car/survey", &Value::Null);
    let car = page.until(|car| car["n_done"] == 1 && car["stage"] == "ready");
    let failure = &car["failure"];
    assert!(failure["message"].as_str().unwrap().starts_with("not written into the casebook: "), "{failure}");
    let kept = std::fs::read_dir(bench.home().join("data/surveys")).unwrap().next().unwrap().unwrap().path();
    assert!(failure["hints"][0].as_str().unwrap().contains(&kept.display().to_string()), "{failure}");
}
