//! Cases from elsewhere: the zip as it comes, and ledgers with anything in them.

use std::path::Path;

use wire::Content;
use workshop::{NewCase, Places, Workshop};

use crate::scratch;
use crate::{Seeds, Target};

pub(super) const ZIP: Target = Target {
    name: "case_zip",
    max_len: 16 << 10,
    words: &[
        "PK\u{3}\u{4}",
        "PK\u{1}\u{2}",
        "PK\u{5}\u{6}",
        "case.json",
        "ledger.jsonl",
        "files/",
        "../",
        "\"format\":1",
        "\"head\":\"",
    ],
    seeds: zip_seeds,
    run: take_in,
};

pub(super) const LEDGER: Target = Target {
    name: "ledger",
    max_len: 4096,
    words: &[
        "{\"kind\":\"note\",\"text\":\"",
        "{\"kind\":\"swap\"",
        "{\"kind\":\"replaced\"",
        "{\"kind\":\"withdrawn\"",
        "{\"kind\":\"closed\"",
        "\"entry\":",
        "\"part\":\"coil\"",
        "\"from\":1",
        "\"to\":2",
        "\"path\":\"",
        "\"sha256\":\"",
        "\"bytes\":",
        "\n{",
    ],
    seeds: ledger_seeds,
    run: ledger,
};

pub(super) fn shop(name: &str) -> Workshop {
    Workshop::new(Places::at(&scratch::path(name)).expect("a folder"), "fuzz")
}

/// A zip is taken in whole or not at all; nothing is written outside the folder, and no draft is left in it.
fn take_in(input: &[u8]) {
    let file = scratch::file("case.zip", input);
    let shop = shop("home");
    if let Ok(moved) = shop.import_case(&file) {
        let number = moved.case.expect("the case that was taken in").number;
        let problems = shop.casebook().unwrap().verify(number).unwrap();
        assert!(problems.is_empty(), "{problems:?}");
    }
    let beside: Vec<_> =
        std::fs::read_dir(scratch::path("")).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert!(beside.iter().all(|name| name == "home" || name == "case.zip"), "{beside:?}");
    assert!(!has_draft(&scratch::path("home")), "a draft is left behind");
}

fn has_draft(folder: &Path) -> bool {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .any(|path| path.extension().is_some_and(|ending| ending == "part") || (path.is_dir() && has_draft(&path)))
}

/// One entry per line: a ledger of any entries holds, goes out and comes in as it was.
fn ledger(input: &[u8]) {
    scratch::folder();
    let here = shop("here");
    here.new_case(&NewCase { complaint: "it stumbles".into(), ..NewCase::default() }).unwrap();
    let contents = input.split(|byte| *byte == b'\n').filter_map(|line| serde_json::from_slice::<Content>(line).ok());
    let mut n_added = 0;
    for content in contents.take(20) {
        n_added += usize::from(here.add_entry(&content).is_ok());
    }
    if n_added == 0 {
        return;
    }
    let mut casebook = here.casebook().unwrap();
    let case = casebook.list(1).unwrap().remove(0);
    assert!(casebook.verify(case.number).unwrap().is_empty());
    let before = casebook.raw_entries(case.number).unwrap();
    let file = casebook.case(case.number).unwrap();
    let _ = (casebook::effective(&file.entries), workshop::current_placement(&file));
    let here = here.in_case(workshop::CaseChoice::Number(case.number));
    let zip = scratch::path("out.zip");
    here.export_case(&zip).expect("a case that holds goes out");
    let there = shop("there");
    let moved = there.import_case(&zip).expect("what went out comes in");
    let after = there.casebook().unwrap().raw_entries(moved.case.unwrap().number).unwrap();
    assert_eq!(before, after);
}

/// The smallest picture: PNG, one grey pixel.
pub(super) const ONE_PIXEL: &[u8] = b"\x89PNG\x0d\x0a\x1a\x0a\x00\x00\x00\x0dIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x00\x00\x00\x00:~\x9bU\x00\x00\x00\x0aIDATx\xdach\x00\x00\x00\x82\x00\x81\xdaE\x08;\x00\x00\x00\x00IEND\xaeB`\x82";

fn zip_seeds(seeds: &mut Seeds) {
    scratch::folder();
    let here = shop("seed");
    here.new_case(&NewCase { complaint: "it stumbles".into(), ..NewCase::default() }).unwrap();
    let photo = scratch::path("photo.png");
    std::fs::write(&photo, ONE_PIXEL).unwrap();
    here.add_photo(&photo, "the coil").unwrap();
    here.add_entry(&Content::Note { text: "coil 1 looks cracked".into() }).unwrap();
    let zip = scratch::path("seed.zip");
    here.export_case(&zip).unwrap();
    seeds.add(std::fs::read(zip).unwrap());
}

fn ledger_seeds(seeds: &mut Seeds) {
    scratch::folder();
    let here = shop("seed");
    here.new_case(&NewCase { complaint: "it stumbles".into(), ..NewCase::default() }).unwrap();
    here.add_entry(&Content::Note { text: "coil 1 looks cracked".into() }).unwrap();
    here.add_swap("coil", 1, 4, workshop::When::default()).unwrap();
    here.undo_swap(true).unwrap();
    here.add_replacement("plug", Some(2), "", workshop::When::default()).unwrap();
    let mut casebook = here.casebook().unwrap();
    let case = casebook.list(1).unwrap().remove(0);
    let lines: Vec<String> =
        casebook.raw_entries(case.number).unwrap().into_iter().map(|entry| entry.content).collect();
    seeds.add(lines.join("\n"));
    lines.iter().for_each(|line| seeds.add(line));
}
