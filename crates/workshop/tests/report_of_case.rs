//! A whole case from the complaint to its report, on the invented car.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use wire::{CaseVehicle, Content};
use workshop::{
    CaseChoice, Control, Language, NewCase, Paper, Places, ReportWish, Scope, Settings, Silent, Units, When, Wish,
    Workshop,
};

const SIGNALS: [&str; 8] = [
    "engine.speed",
    "engine.load",
    "vehicle.speed",
    "fuel.trim.long.bank_1",
    "misfire.cylinder_1",
    "misfire.cylinder_2",
    "misfire.cylinder_3",
    "misfire.cylinder_4",
];

/// The words of a page, without its marks.
fn words(html: &str) -> String {
    let mut inside = false;
    let text: String = html
        .chars()
        .map(|c| {
            inside = c == '<' || (inside && c != '>');
            if inside || c == '>' { ' ' } else { c }
        })
        .collect();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_case_is_told_from_its_ledger() {
    let folder = tempfile::tempdir().unwrap();
    let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test 1").by("Ada");
    let vehicle = CaseVehicle { model: Some("Tarnwick Fell 1.6".into()), ..CaseVehicle::default() };
    let complaint = "El motor vibra cuesta arriba".to_owned();
    workshop.new_case(&NewCase { vehicle, complaint, ..NewCase::default() }).unwrap();
    let record = |name: &str, seconds: f64, extra: &str| {
        let car = format!("standin:fell?script=mixed&warm=1{extra}");
        let mut car = workshop.connect(&car, &[], &mut Silent).unwrap();
        let names: Vec<String> = SIGNALS.iter().map(|name| (*name).to_owned()).collect();
        let out = folder.path().join(name);
        let wish =
            Wish { seconds: Some(seconds), out: Some(out.clone()), ..Wish::of(workshop::signal_ids(&names).unwrap()) };
        workshop.record(&mut car, &wish, &Control::default(), &mut Silent).unwrap();
        out
    };
    let drive = |name: &str, extra: &str| workshop.examine(&record(name, 400.0, extra)).unwrap();
    drive("first.mcap", "&fault=misfire-coil:1:0.8");
    let mut car = workshop
        .connect("standin:fell?script=mixed&warm=1&start=600&fault=misfire-coil:1:0.8", &[], &mut Silent)
        .unwrap();
    workshop.survey(&mut car, Scope::Emissions, None, &mut Silent).unwrap();
    workshop.add_swap("coil", 1, 4, When::Now).unwrap();
    drive("second.mcap", "&fault=misfire-coil:1:0.8&coils=4,2,3,1&seed=2");
    assert!(workshop.judge_case().unwrap().decided);
    workshop.add_replacement("coil", Some(4), "TF-4711", When::Now).unwrap();
    drive("third.mcap", "&coils=4,2,3,1&seed=3");
    workshop.proof_of_case().unwrap();
    let tested = Content::Tested { area: "misfire.1".into(), test: "look".into(), is_yes: false };
    workshop.add_entry(&tested).unwrap();
    workshop.add_entry(&Content::Repaired { area: "misfire.1".into(), suspect: "coil".into(), helped: true }).unwrap();

    let page = |language: Language, units: Units| {
        let out = folder.path().join("report.html");
        let settings = Settings { language, units, paper: Paper::A4, ..Settings::default() };
        let wish = ReportWish { out: out.clone(), settings, replace: true, ..ReportWish::default() };
        let reported = workshop.report_of_case(&wish).unwrap();
        assert!(reported.problems.is_empty(), "{:?}", reported.problems);
        words(&std::fs::read_to_string(out).unwrap())
    };
    let english = page(Language::English, Units::Metric);
    for sentence in [
        "El motor vibra cuesta arriba",
        "Replaced: coil on cylinder 4 (TF-4711)",
        "Repaired: ignition coil of cylinder 1. The fault was gone afterwards.",
        "Exchanged: the coil of cylinder 1 and of cylinder 4.",
        "the fault followed coil 1",
        "ignition coil of cylinder 1, which is out of the car",
        "plug, boot and connector look sound",
        "First and last drive, in the same conditions",
        "fuel.trim.long.bank_1",
        "All intervals hold together at 95 %",
    ] {
        assert!(english.contains(sentence), "{sentence:?} is not in {english}");
    }
    // What is told after a proof as it showed it takes nothing of its word.
    assert!(!english.contains("has not judged"), "{english}");
    // Only one part is accused: cylinder 4 misfired because of the coil that stood there.
    assert!(!english.contains("Misfire on cylinder 4"), "{english}");
    let spanish = page(Language::Spanish, Units::Us);
    assert!(spanish.contains("Pieza sustituida: bobina en el cilindro 4"), "{spanish}");
    assert!(!spanish.contains("km/h"), "{spanish}");

    // Another shop, which keeps the files under their checksums, reads of the drives by the names they had.
    let zip = folder.path().join("case.zip");
    workshop.export_case(&zip).unwrap();
    let elsewhere = tempfile::tempdir().unwrap();
    let other = Workshop::new(Places::at(elsewhere.path()).unwrap(), "witness test").by("nobody");
    let taken = other.import_case(&zip).unwrap();
    let other = other.in_case(CaseChoice::Number(taken.case.unwrap().number));
    let out = elsewhere.path().join("report.html");
    other.report_of_case(&ReportWish { out: out.clone(), ..ReportWish::default() }).unwrap();
    let told = words(&std::fs::read_to_string(out).unwrap());
    assert!(told.contains("first.mcap: coil on cylinder"), "{told}");
    assert_eq!(other.judge_case().unwrap().drives[0].file, "first.mcap");

    // A drive behind the proof that nobody looked at yet, and then one that the proof has seen.
    record("fourth.mcap", 20.0, "&coils=4,2,3,1&seed=4");
    let english = page(Language::English, Units::Metric);
    assert!(english.contains("has not judged") && english.contains("not examined yet: 1;"), "{english}");
    workshop.proof_of_case().unwrap();
    let english = page(Language::English, Units::Metric);
    assert!(!english.contains("has not judged") && !english.contains("not examined yet"), "{english}");
}
