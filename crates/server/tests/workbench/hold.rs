//! A command under a finger: whatever becomes of the page, control goes back to the module.
//!
//! The page here is a plain HTTP and WebSocket client against the workbench as it runs, in front of the invented car. That
//! control is back is read from the car: its module tells the state of the relay, and acts on rules of its own.

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::bench::Bench;
use crate::page::Page;

impl Page<'_> {
    /// Takes the car, connects it, and presses until the relay is driven.
    fn press(&mut self) {
        self.does("/car/take", &Value::Null);
        self.does("/car/connect", &json!({"adapter": "standin:fell?script=idle"}));
        self.until(|car| car["stage"] == "ready");
        let how = json!({"kind": "hold", "level": null});
        let wish =
            json!({"id": "ac.clutch", "how": how, "signals": ["ac.clutch", "ac.pressure"], "cautions_read": true});
        self.does("/car/command", &wish);
        let car = self.until(|car| marks(car) == ["ac.clutch on"]);
        let on_s = car["recording"]["marks"][0]["t_s"].as_f64().unwrap();
        // Long enough for the module to tell that it is driven.
        self.until(|car| car["recording"]["t_s"].as_f64().unwrap() > on_s + 1.0);
    }
}

#[test]
fn a_drive_takes_a_bounded_number_of_marks() {
    let bench = Bench::new();
    let mut page = bench.page();
    page.does("/car/take", &Value::Null);
    page.does("/car/connect", &json!({"adapter": "standin:fell?script=idle"}));
    page.until(|car| car["stage"] == "ready");
    page.does("/car/record", &json!({"signals": ["engine.speed"], "seconds": null}));
    page.until(|car| car["stage"] == "recording");
    let mark = json!({"text": "bump"});
    // Some more than 1000 may be on their way to the recording when it is full.
    let n_taken = (0..5000).take_while(|_| bench.ask("POST", "/car/mark", &page.cookie, &mark).0 == 200).count();
    assert!((1000..2000).contains(&n_taken), "{n_taken}");
}

/// Whoever stands at the car marks what they hear.
#[test]
fn a_mark_that_is_set_beside_a_command_is_in_its_drive() {
    let bench = Bench::new();
    let mut page = bench.page();
    page.press();
    page.does("/car/mark", &json!({"text": "it clicked"}));
    page.until(|car| marks(car).contains(&"it clicked"));
    page.does("/car/stop", &Value::Null);
    page.until(|car| !car["recording"]["drive"].is_null());
    drop(page);
    assert!(bench.drive().marks.iter().any(|mark| mark.text == "it clicked"));
}

fn marks(car: &Value) -> Vec<&str> {
    let marks = car["recording"]["marks"].as_array();
    marks.into_iter().flatten().filter_map(|mark| mark["text"].as_str()).collect()
}

/// What must be true of the car whatever became of the page.
fn is_back(bench: Bench, car: &Value, ended: &str) {
    let done = &car["command"]["done"];
    assert_eq!((done["returned"].as_str(), done["ended"].as_str()), (Some("confirmed"), Some(ended)), "{done}");
    assert_eq!(marks(car), ["ac.clutch on", "ac.clutch off"]);
    let recording = bench.drive();
    let relay = recording.series.iter().find(|series| series.id.as_str() == "ac.clutch").unwrap();
    assert!(relay.value.contains(&1.0), "the module never drove it");
    assert_eq!(relay.value.last(), Some(&0.0), "the module drives it still");
}

fn is_done(car: &Value) -> bool {
    !car["command"]["done"].is_null() && car["stage"] == "ready"
}

#[test]
fn a_page_that_is_cut_off_in_mid_hold_lets_go() {
    let bench = Bench::new();
    let mut page = bench.page();
    page.press();
    // Not even a farewell, as when a phone leaves the network or its page is killed.
    page.stream.get_mut().shutdown(std::net::Shutdown::Both).unwrap();
    page.stream = bench.stream(&page.cookie);
    page.is_pressing = false;
    page.state = Value::Null;
    page.until(|car| marks(car).len() == 2);
    // A page that is back before it was missed may press again, or leave it at that; the command may be over as well.
    bench.ask("POST", "/car/stop", &page.cookie, &Value::Null);
    let car = page.until(is_done);
    is_back(bench, &car, "released");
}

#[test]
fn a_page_that_stalls_in_mid_hold_lets_go_within_a_second() {
    let bench = Bench::new();
    let mut page = bench.page();
    page.press();
    page.is_pressing = false;
    let stalled = Instant::now();
    page.until(|car| marks(car).len() == 2);
    let took = stalled.elapsed();
    assert!(took < Duration::from_secs(2), "{took:?}");
    // It is still there, and may press again, or leave it at that.
    assert_eq!(page.state["car"]["stage"], "commanding");
    page.does("/car/stop", &Value::Null);
    let car = page.until(is_done);
    is_back(bench, &car, "released");
}

#[test]
fn whoever_loses_the_car_in_mid_hold_loses_the_command() {
    let bench = Bench::new();
    let mut page = bench.page();
    page.press();
    page.does("/car/hand-over", &json!({"to": null}));
    let car = page.until(is_done);
    is_back(bench, &car, "released");
}

#[test]
fn a_drive_that_follows_a_command_is_not_shown_as_its_recording() {
    let bench = Bench::new();
    let mut page = bench.page();
    page.press();
    page.does("/car/stop", &Value::Null);
    page.until(is_done);
    page.does("/car/record", &json!({"signals": ["engine.speed"], "seconds": null}));
    let car = page.until(|car| car["stage"] == "recording");
    assert!(car["command"].is_null(), "{car}");
}

#[test]
fn nothing_is_driven_without_the_car_a_stream_or_read_cautions() {
    let bench = Bench::new();
    let how = json!({"kind": "hold", "level": null});
    let wish = |read: bool| json!({"id": "ac.clutch", "how": how, "signals": [], "cautions_read": read});
    let (_, _, cookie) = bench.ask("GET", "/session", "", &Value::Null);
    assert_eq!(bench.ask("POST", "/car/command", &cookie, &wish(true)).0, 403, "nobody holds the car");
    assert_eq!(bench.ask("POST", "/car/take", &cookie, &Value::Null).0, 200);
    let (status, said, _) = bench.ask("POST", "/car/command", &cookie, &wish(true));
    assert!(status == 409 && said["message"].as_str().unwrap().contains("stays open"), "{said}");
    assert_eq!(bench.ask("POST", "/car/hand-over", &cookie, &json!({"to": null})).0, 200);

    let mut page = bench.page();
    page.does("/car/take", &Value::Null);
    page.does("/car/connect", &json!({"adapter": "standin:fell?script=idle"}));
    page.until(|car| car["stage"] == "ready");
    page.does("/car/command", &wish(false));
    let car = page.until(|car| !car["failure"].is_null() && car["stage"] == "ready");
    assert!(car["failure"]["message"].as_str().unwrap().contains("cautions"), "{car}");
    assert!(car["command"].is_null());
}
