//! What somebody who joined, or who is only near, may make of what is open to them.

use std::io::Write;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::bench::{Bench, PATIENCE};

const TABLE: &[u8] = b"time_s,engine.speed [rpm]\n0,800\n1,810\n2,805\n";

#[test]
fn a_page_from_elsewhere_names_no_adapter_of_its_own() {
    let bench = Bench::new();
    let sits = bench.sits();
    let phone = bench.joins(&bench.invites(&sits, true).0);
    bench.ask("POST", "/car/take", &phone, &Value::Null);
    let connect = |cookie: &str, adapter: &str| bench.ask("POST", "/car/connect", cookie, &json!({"adapter": adapter}));
    // A library that would be loaded, such as a file that is just being sent; files that would be read; a device; and what
    // only this machine reaches.
    for adapter in [
        "passthru:/proc/self/fd/9",
        "doip+tls://127.0.0.1:1?ca=/etc/passwd",
        "at+serial:/dev/tty",
        "at+tcp://127.0.0.1:1",
        "standin:fell?script=/etc/hosts.road",
        "standin:fell?start=1e18",
    ] {
        let (status, said, _) = connect(&phone, adapter);
        assert_eq!(status, 403, "{adapter}: {said}");
    }
    let adapters = bench.ask("GET", "/adapters", &phone, &Value::Null).1;
    let listed = adapters[0]["address"].as_str().unwrap();
    assert_eq!(connect(&phone, listed).0, 200);
    // What the bench connected to, a phone may connect to again.
    bench.ask("POST", "/car/hand-over", &phone, &json!({"to": null}));
    bench.ask("POST", "/car/take", &sits, &Value::Null);
    let until_sent = |cookie: &str, adapter: &str| {
        // The car is busy for as long as the connection before comes about.
        let began = Instant::now();
        while connect(cookie, adapter).0 != 200 {
            assert!(began.elapsed() < PATIENCE);
            std::thread::sleep(Duration::from_millis(20));
        }
    };
    until_sent(&sits, "standin:fell?script=idle");
    bench.ask("POST", "/car/hand-over", &sits, &json!({"to": null}));
    bench.ask("POST", "/car/take", &phone, &Value::Null);
    until_sent(&phone, "standin:fell?script=idle");
    let long = format!("at+tcp://{}:1", "a".repeat(1 << 12));
    bench.ask("POST", "/car/hand-over", &phone, &json!({"to": null}));
    bench.ask("POST", "/car/take", &sits, &Value::Null);
    assert_eq!(connect(&sits, &long).0, 422, "pages are told of it again and again");
}

#[test]
fn a_stretch_of_a_drive_is_sent_once_however_often_it_is_asked_for() {
    let bench = Bench::new();
    let cookie = bench.sits();
    assert_eq!(bench.asks("POST", "/api/uploads?name=own.csv", &cookie, TABLE).status, 200);
    let trace = |signals: &str| {
        let path = format!("/api/drives/own/trace?from_s=0&to_s=2&columns=9&signals={signals}");
        bench.asks("GET", &path, &cookie, b"").body
    };
    let once = trace("0");
    assert!(once.len() > 50);
    assert_eq!(trace(&"0,".repeat(2000)), once);
}

#[test]
fn whoever_takes_nothing_of_an_answer_loses_the_connection() {
    let bench = Bench::impatient(Duration::from_millis(300));
    let cookie = bench.sits();
    let mut stream = bench.connect();
    stream.set_write_timeout(Some(Duration::from_millis(50))).unwrap();
    // More answers than the lines to us can hold.
    let asks = format!("GET /api/signals HTTP/1.1\r\nHost: {}\r\nCookie: {cookie}\r\n\r\n", bench.address).repeat(20);
    let began = Instant::now();
    let lost = std::iter::repeat_with(|| {
        std::thread::sleep(Duration::from_millis(10));
        stream.write(asks.as_bytes())
    });
    let lost = lost.take_while(|_| began.elapsed() < PATIENCE / 2).any(|sent| {
        use std::io::ErrorKind::{BrokenPipe, ConnectionAborted, ConnectionReset};
        sent.is_err_and(|error| matches!(error.kind(), BrokenPipe | ConnectionAborted | ConnectionReset))
    });
    assert!(lost, "it keeps its place for good");
}

#[test]
fn a_planted_cookie_keeps_nobody_out() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let name = cookie.split('=').next().unwrap();
    // What a page of another port of this machine can set: a longer path goes first (RFC 6265, 5.4).
    let both = format!("{name}=planted; {name}={}; {cookie}", "0".repeat(64));
    let (status, said, set) = bench.ask("GET", "/session", &both, &Value::Null);
    assert_eq!((status, set), (200, both.clone()), "{said}: nobody is admitted anew");
    assert_eq!(bench.ask("GET", "/drives", &both, &Value::Null).0, 200);
}

#[test]
fn what_is_brought_in_leaves_room_for_recordings() {
    // More than any disk has: as if it were full.
    let bench = Bench::with(server::Options { reserve: u64::MAX, ..Default::default() });
    let cookie = bench.sits();
    for path in ["/api/uploads?name=own.csv", "/api/case/photo?text=x"] {
        let answer = bench.asks("POST", path, &cookie, TABLE);
        assert_eq!(answer.status, 507, "{path}: {}", answer.json());
    }
    for path in ["/api/settings/backup", "/api/cases/1/file"] {
        assert_eq!(bench.asks("GET", path, &cookie, b"").status, 507, "{path}");
    }
    assert_eq!(std::fs::read_dir(bench.home().join("data/incoming")).unwrap().count(), 0);
}

/// As much as a case takes must be there beside what recordings need.
#[test]
fn a_case_goes_out_only_where_it_leaves_room_for_recordings() {
    const GB: u64 = 1 << 30;
    let here = tempfile::tempdir().unwrap();
    let left = workshop::Places::at(here.path()).unwrap().disk_left().unwrap();
    let bench = Bench::with(server::Options { reserve: left.saturating_sub(4 * GB), ..Default::default() });
    let cookie = bench.sits();
    let new = json!({"complaint": "jolts", "conditions": {}, "vehicle": {"number": 0}, "mileage_km": null});
    assert_eq!(bench.ask("POST", "/cases", &cookie, &new).0, 200);
    assert_eq!(bench.asks("GET", "/api/cases/1/file", &cookie, b"").status, 200);
    // A drive of many hours, all of it a hole in its file.
    let places = workshop::Places::at(&bench.home().join("data")).unwrap();
    let drive = std::fs::File::create(places.sub("drives").unwrap().join("long.mcap")).unwrap();
    drive.set_len(64 * GB).unwrap();
    let file = wire::FileRef { path: "drives/long.mcap".into(), sha256: "0".repeat(64), bytes: 64 * GB };
    let content = wire::Content::Drive { file, summary: wire::DriveSummary::default(), problems: Vec::new() };
    workshop::Workshop::new(places, "test").add_entry(&content).unwrap();
    let (status, said, _) = bench.ask("GET", "/cases/1/file", &cookie, &Value::Null);
    assert_eq!(status, 507, "{said}");
    assert!(said["message"].as_str().unwrap().contains("65536 MB"), "{said}");
    assert_eq!(std::fs::read_dir(bench.home().join("data/incoming")).unwrap().count(), 0);
}

#[test]
fn every_text_of_the_ledger_has_an_end() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let long = "x".repeat(20_001);
    let case = |complaint: &str, plate: &str, weather: &str| {
        let vehicle = json!({"number": 0, "plate": plate});
        let new =
            json!({"complaint": complaint, "conditions": {"weather": weather}, "vehicle": vehicle, "mileage_km": null});
        bench.ask("POST", "/cases", &cookie, &new).0
    };
    assert_eq!(
        [case(&long, "", ""), case("", &long, ""), case("", "", &long), case("x", "", "")],
        [422, 422, 422, 200]
    );
    for (entry, text) in [
        (json!({"kind": "note"}), "text"),
        (json!({"kind": "decision", "reason": ""}), "text"),
        (json!({"kind": "decision", "text": ""}), "reason"),
        (json!({"kind": "correction", "of": 1}), "reason"),
        (json!({"kind": "replaced", "part": "coil", "at": 1}), "text"),
        (json!({"kind": "closed"}), "outcome"),
    ] {
        let with = |value: &str| {
            let mut entry = entry.clone();
            entry[text] = json!(value);
            bench.ask("POST", "/case", &cookie, &entry)
        };
        let (status, said, _) = with(&long);
        assert_eq!(status, 422, "{entry}: {said}");
        assert!(said["message"].as_str().unwrap().contains("at most 20000 bytes"), "{entry}: {said}");
        assert_eq!(with("y").0, 200, "{entry}");
    }
}

#[test]
fn times_and_numbers_without_sense_end_nothing() {
    let bench = Bench::new();
    let mut page = bench.page();
    page.does("/car/take", &Value::Null);
    page.does("/car/connect", &json!({"adapter": "standin:fell?script=idle"}));
    page.until(|car| car["stage"] == "ready");
    let pulses = |on_s: f64, off_s: f64, count: u32| json!({"kind": "pulses", "level": null, "on_s": on_s, "off_s": off_s, "count": count});
    let hows = [
        pulses(1e308, 1e308, u32::MAX),
        pulses(1e-300, 1e-300, u32::MAX),
        pulses(-1.0, 0.0, 0),
        json!({"kind": "hold", "level": -1e308}),
        json!({"kind": "routine", "parameters": vec![("x", 1e308); 1000]}),
    ];
    for how in hows {
        let wish = json!({"id": "ac.clutch", "how": how, "signals": [], "cautions_read": true});
        // The one before may not be over yet.
        let began = Instant::now();
        let given = std::iter::repeat_with(|| bench.ask("POST", "/car/command", &page.cookie, &wish));
        let given = given.take_while(|_| began.elapsed() < PATIENCE).find(|said| said.0 != 409);
        assert_eq!(given.map(|said| said.0), Some(200), "{how}");
    }
    let car = page.until(|car| car["stage"] == "ready" && !car["failure"].is_null());
    // Whoever talks to the car is still there. A survey may be over before the page is told that it began.
    page.does("/car/survey", &Value::Null);
    page.until(|now| now["stage"] == "ready" && now["failure"].is_null() && now["n_done"] != car["n_done"]);
}

#[test]
fn whoever_looks_on_leaves_marks_for_others() {
    let bench = Bench::fast(1.0);
    let mut page = bench.page();
    let guest = bench.joins(&bench.invites(&page.cookie, false).0);
    page.does("/car/take", &Value::Null);
    page.does("/car/connect", &json!({"adapter": "standin:fell?script=idle"}));
    page.until(|car| car["stage"] == "ready");
    page.does("/car/record", &json!({"signals": ["engine.speed"], "seconds": null}));
    page.until(|car| car["stage"] == "recording" && !car["recording"].is_null());
    let mark = |cookie: &str| bench.ask("POST", "/car/mark", cookie, &json!({"text": "x"})).0;
    // What is set counts once the recording has taken it.
    let began = Instant::now();
    let refused = std::iter::repeat_with(|| mark(&guest)).take_while(|_| began.elapsed() < PATIENCE);
    assert_eq!(refused.take(900).find(|status| *status != 200), Some(409));
    assert_eq!(mark(&page.cookie), 200);
    page.does("/car/stop", &Value::Null);
    page.until(|car| car["stage"] == "ready");
}

/// RFC 9112, 6.3 and 11.2: a request whose length can be read in two ways is no request.
#[test]
fn a_request_has_one_meaning() {
    let bench = Bench::impatient(Duration::from_millis(300));
    let cookie = bench.sits();
    let own = format!("Host: {0}\r\nOrigin: http://{0}\r\nCookie: {cookie}", bench.address);
    let head = format!("POST /api/people/me HTTP/1.1\r\n{own}\r\nContent-Type: application/json");
    let body = r#"{"name":"once"}"#;
    let n = body.len();
    let smuggled = format!("POST /api/car/take HTTP/1.1\r\n{own}\r\nContent-Length: 0\r\n\r\n");
    for length in [
        format!("Content-Length: {n}\r\nContent-Length: {}", n + 5),
        format!("Content-Length: {n}, {}", n + 5),
        format!("Content-Length: +{n}"),
        format!("Content-Length: 0x{n:x}"),
        format!("Content-Length: {}", "9".repeat(30)),
        "Transfer-Encoding: xchunked".to_owned(),
        "Transfer-Encoding: chunked, identity".to_owned(),
        "Transfer-Encoding : chunked".to_owned(),
        format!("X: a\r\n b\r\nContent-Length: {n}"),
    ] {
        assert_eq!(bench.says(&format!("{head}\r\n{length}\r\n\r\n{body}{smuggled}")), [400], "{length}");
    }
    // Both kinds of length: the pieces count, and the connection ends behind them (6.1).
    let pieces = format!("{n:x}\r\n{body}\r\n0\r\n\r\n");
    let both = format!("{head}\r\nContent-Length: {}\r\nTransfer-Encoding: chunked\r\n\r\n{pieces}{smuggled}", n + 9);
    assert_eq!(bench.says(&both), [200]);
    // A second name of the host or of the page it came from (3.2), or another one in the first line (3.2.2).
    let take = format!("POST /api/car/take HTTP/1.1\r\n{own}\r\nContent-Length: 0");
    for (more, expected) in [
        ("", 200),
        ("\r\nHost: evil.example", 400),
        ("\r\nOrigin: http://evil.example", 400),
        ("\r\nSec-Fetch-Site: same-origin\r\nSec-Fetch-Site: cross-site", 400),
        ("\r\nSec-Fetch-Site: \u{FF}", 400),
    ] {
        assert_eq!(bench.says(&format!("{take}{more}\r\n\r\n")), [expected], "{more:?}");
    }
    let elsewhere = take.replace("POST /api", "POST http://evil.example/api");
    assert_eq!(bench.says(&format!("{elsewhere}\r\n\r\n")), [403]);
}
