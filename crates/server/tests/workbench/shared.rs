//! Two pages at once: what one begins, the other looks at, or asks for at the same moment.

use serde_json::{Value, json};

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
