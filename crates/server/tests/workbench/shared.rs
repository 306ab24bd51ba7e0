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

/// A case by its number, and the kinds of its entries.
fn kinds_of(bench: &Bench, cookie: &str, case: &Value) -> Vec<String> {
    let (status, shown, _) = bench.ask("GET", &format!("/cases/{case}"), cookie, &Value::Null);
    assert_eq!(status, 200, "{shown}");
    let entries = shown["entries"].as_array().unwrap();
    entries.iter().map(|entry| entry["content"]["kind"].as_str().unwrap().to_owned()).collect()
}

/// The next customer's case is opened at the bench while somebody still writes for this one.
#[test]
fn what_was_begun_in_a_case_goes_there_whatever_is_opened_meanwhile() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let open = |complaint: &str| {
        let new = json!({"complaint": complaint, "conditions": {}, "vehicle": {"number": 0}, "mileage_km": null});
        bench.ask("POST", "/cases", &cookie, &new).1["case"]["number"].clone()
    };
    let (first, second) = (open("it stumbles"), open("it pulls to the left"));
    let note = json!({"kind": "note", "text": "hose torn"});
    let (status, kept, _) = bench.ask("POST", &format!("/case?case={first}"), &cookie, &note);
    assert_eq!((status, &kept["case"]["number"]), (200, &first), "{kept}");
    let picture = include_bytes!("../../../../web/public/mark-192.png");
    let path = format!("/api/case/photo?text=hose&case={first}");
    assert_eq!(bench.asks("POST", &path, &cookie, picture).status, 200);
    assert_eq!(kinds_of(&bench, &cookie, &first), ["opened", "note", "photo"]);
    assert_eq!(kinds_of(&bench, &cookie, &second), ["opened"]);
    // Without a case it is the open one.
    assert_eq!(bench.ask("POST", "/case", &cookie, &note).1["case"]["number"], second);
    assert_eq!(kinds_of(&bench, &cookie, &second), ["opened", "note"]);
}

#[test]
fn a_case_that_is_not_there_is_missing_and_what_to_do_is_said() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let note = json!({"kind": "note", "text": "hose torn"});
    for (method, path, body) in [
        ("GET", "/cases/7", &Value::Null),
        ("POST", "/cases/7/take-up", &Value::Null),
        ("POST", "/case?case=7", &note),
        ("GET", "/cases/7/file", &Value::Null),
    ] {
        let (status, said, _) = bench.ask(method, path, &cookie, body);
        assert_eq!((status, said["message"].as_str()), (404, Some("there is no case 7")), "{path}");
        assert_eq!(said["hints"], json!(["look for it among the cases, under Start"]), "{path}");
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
