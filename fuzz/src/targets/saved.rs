//! The JSON of saved surveys, ledger entries and of what the workbench is sent.

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "saved",
    max_len: 8192,
    words: &[
        "{\"",
        "\":",
        "null",
        "[]",
        "{}",
        "\"kind\":\"note\"",
        "\"text\":\"",
        "1e999",
        "\\u0000",
        "\"vehicle\":{\"vin\":",
    ],
    seeds,
    run,
};

/// What is read can be written, and then reads as the same.
fn run(input: &[u8]) {
    same::<wire::Survey>(input);
    same::<wire::Content>(input);
    same::<wire::Entry>(input);
    same::<wire::CaseFile>(input);
    same::<wire::Watchlist>(input);
    same::<wire::DriveSummary>(input);
    same::<wire::Examined>(input);
    same::<wire::Experiment>(input);
    if let Ok(survey) = serde_json::from_slice::<wire::Survey>(input) {
        let _ = workshop::compare_surveys(&survey, &survey);
    }
}

fn same<T: DeserializeOwned + Serialize>(input: &[u8]) {
    let Ok(value) = serde_json::from_slice::<T>(input) else { return };
    let text = serde_json::to_string(&value).expect("what was read can be written");
    let again: T = serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error}: {text}"));
    assert_eq!(serde_json::to_string(&again).expect("what was read can be written"), text);
}

fn seeds(seeds: &mut Seeds) {
    let folder = crate::scratch::folder();
    let workshop = workshop::Workshop::new(workshop::Places::at(folder).unwrap(), "fuzz");
    let mut car = workshop.connect("standin:fell?script=town", &[], &mut workshop::Silent).unwrap();
    let survey = workshop.survey(&mut car, workshop::Scope::Emissions, None, &mut workshop::Silent).unwrap();
    let text = serde_json::to_string(&survey).unwrap();
    seeds.add(&text[..text.len().min(7000)]);
    seeds.add(r#"{"vehicle": {"vin": "1M8GDM9AXKP042788"}, "modules": [{"codes": [{"code": "P0301"}]}]}"#);
    seeds.add(r#"{"kind":"note","text":"coil 1 looks cracked"}"#);
    seeds.add(
        r#"{"number":1,"time_unix_ms":5,"who":"a","software":"b","hash":"c","content":{"kind":"note","text":"x"}}"#,
    );
    seeds.add(r#"{"name":"a","signals":["vehicle.speed"]}"#);
}
