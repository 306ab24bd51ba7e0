//! One suite for both kinds of database. The one on a server runs where `WITNESS_POSTGRES` names a server on which
//! databases may be made, as `cargo xtask test` starts one.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeSet;

use casebook::{Author, Casebook, CasebookError, NewCase};
use wire::{CaseVehicle, Content};

/// A casebook of its own, opened as often as wanted.
struct Shelf {
    address: String,
    _folder: Option<tempfile::TempDir>,
}

impl Shelf {
    fn file() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let address = folder.path().join("casebook.sqlite").display().to_string();
        Self { address, _folder: Some(folder) }
    }

    #[cfg(feature = "postgres")]
    fn server(test: &str) -> Option<Self> {
        let Ok(server) = std::env::var("WITNESS_POSTGRES") else {
            eprintln!("skipped: WITNESS_POSTGRES is not set, nothing was tried on a server");
            return None;
        };
        let mut client = postgres::Client::connect(&format!("{server}/postgres"), postgres::NoTls).unwrap();
        client.batch_execute(&format!("DROP DATABASE IF EXISTS {test}")).unwrap();
        client.batch_execute(&format!("CREATE DATABASE {test}")).unwrap();
        Some(Self { address: format!("{server}/{test}"), _folder: None })
    }

    fn open(&self) -> Casebook {
        Casebook::open(&self.address).unwrap()
    }
}

/// Each test as one of the embedded database and one of the server.
macro_rules! on_both {
    ($($name:ident)*) => {
        mod embedded {
            $(#[test]
            fn $name() {
                super::$name(&super::Shelf::file());
            })*
        }
        #[cfg(feature = "postgres")]
        mod server {
            $(#[test]
            fn $name() {
                if let Some(shelf) = super::Shelf::server(stringify!($name)) {
                    super::$name(&shelf);
                }
            })*
        }
    };
}

on_both! {
    a_case_keeps_what_it_was_told
    two_benches_lose_nothing
    a_ledger_that_grows_verifies_meanwhile
    a_vehicle_is_known_again
    a_case_from_elsewhere_takes_no_other_vehicle_s_place
    what_is_known_of_a_vehicle_stays_when_a_case_comes_in
    cases_are_found_by_their_words
    a_closed_case_takes_notes_only
    a_case_moves_to_another_casebook
    a_backup_is_a_casebook
    an_entry_is_never_changed
}

fn me() -> Author {
    Author { who: "Ada\nL.".into(), software: "test 1".into() }
}

fn note(text: &str) -> Content {
    Content::Note { text: text.into() }
}

fn complaint(text: &str) -> NewCase {
    NewCase { complaint: text.into(), mileage_km: Some(81_000), ..NewCase::default() }
}

fn a_case_keeps_what_it_was_told(shelf: &Shelf) {
    let case = shelf.open().open_case(&me(), &complaint("ruckelt \u{1F698} beim 'Überholen'")).unwrap();
    shelf.open().append(&me(), case.number, &note("first; \"quoted\" \\ and\nbroken")).unwrap();
    let mut casebook = shelf.open();
    casebook.append(&me(), case.number, &Content::Swap { part: "coil".into(), from: 1, to: 4 }).unwrap();
    let read = casebook.case(case.number).unwrap();
    assert_eq!((read.case.n_entries, read.case.mileage_km), (3, Some(81_000)));
    assert_eq!(read.entries[1].content, note("first; \"quoted\" \\ and\nbroken"));
    assert_eq!(read.entries[2].content, Content::Swap { part: "coil".into(), from: 1, to: 4 });
    assert_eq!((read.entries[0].who.as_str(), read.entries[2].number), ("Ada\nL.", 3));
    assert_eq!(read.case.head, read.entries[2].hash);
    assert_eq!(casebook.verify(case.number).unwrap(), [] as [String; 0]);
    assert!(matches!(casebook.case(99), Err(CasebookError::NoCase(99))));
    let of = Content::Correction { of: 7, reason: "typo".into(), content: None };
    assert!(matches!(casebook.append(&me(), case.number, &of), Err(CasebookError::NoEntry { entry: 7, .. })));
}

fn two_benches_lose_nothing(shelf: &Shelf) {
    const EACH: usize = 100;
    let case = shelf.open().open_case(&me(), &complaint("shared")).unwrap();
    let write = |bench: usize| {
        let mut casebook = shelf.open();
        for k in 0..EACH {
            casebook.append(&me(), case.number, &note(&format!("{bench}-{k}"))).unwrap();
        }
    };
    std::thread::scope(|scope| {
        for bench in 0..2 {
            scope.spawn(move || write(bench));
        }
    });
    let mut casebook = shelf.open();
    let entries = casebook.case(case.number).unwrap().entries;
    let texts: BTreeSet<String> = entries
        .iter()
        .filter_map(|entry| match &entry.content {
            Content::Note { text } => Some(text.clone()),
            _ => None,
        })
        .collect();
    assert_eq!((entries.len(), texts.len()), (2 * EACH + 1, 2 * EACH));
    assert!(entries.windows(2).all(|pair| pair[0].time_unix_ms <= pair[1].time_unix_ms));
    assert_eq!(casebook.verify(case.number).unwrap(), [] as [String; 0]);
}

/// Whoever verifies or takes out a case while another bench writes to it sees it as it was at one moment.
fn a_ledger_that_grows_verifies_meanwhile(shelf: &Shelf) {
    let case = shelf.open().open_case(&me(), &complaint("shared")).unwrap().number;
    let is_written = std::sync::atomic::AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut casebook = shelf.open();
            (0..200).for_each(|k| drop(casebook.append(&me(), case, &note(&k.to_string())).unwrap()));
            is_written.store(true, std::sync::atomic::Ordering::SeqCst);
        });
        let mut casebook = shelf.open();
        while !is_written.load(std::sync::atomic::Ordering::SeqCst) {
            assert_eq!(casebook.verify(case).unwrap(), [] as [String; 0]);
            let (case, entries) = casebook.raw_case(case).unwrap();
            assert_eq!(entries.last().map(|entry| (entry.number, &entry.hash)), Some((case.n_entries, &case.head)));
        }
    });
}

fn a_vehicle_is_known_again(shelf: &Shelf) {
    let mut casebook = shelf.open();
    let by_hand = CaseVehicle { plate: Some("TF 16".into()), model: Some("Fell 1.6".into()), ..CaseVehicle::default() };
    let first = casebook.open_case(&me(), &NewCase { vehicle: by_hand, ..complaint("one") }).unwrap();
    // The survey then tells its VIN, which no other vehicle has: the vehicle described by hand gets it.
    let vin = Some("1M8GDM9AXKP042788".to_owned());
    let vehicle = CaseVehicle { vin: vin.clone(), ..first.vehicle.clone() };
    casebook.append(&me(), first.number, &Content::Vehicle { vehicle, mileage_km: Some(82_000) }).unwrap();
    let visit = NewCase { vehicle: CaseVehicle { vin: vin.clone(), ..CaseVehicle::default() }, ..complaint("two") };
    let second = casebook.open_case(&me(), &visit).unwrap();
    assert_eq!(second.vehicle.number, first.vehicle.number);
    assert_eq!((second.vehicle.plate.as_deref(), &second.vehicle.vin), (Some("TF 16"), &vin));
    let visits = casebook.cases_of_vehicle(first.vehicle.number).unwrap();
    assert_eq!(visits.iter().map(|case| case.mileage_km).collect::<Vec<_>>(), [Some(81_000), Some(82_000)]);
    // And the other way round: a third car, described by hand, turns out to be the same.
    let third = casebook.open_case(&me(), &complaint("three")).unwrap();
    let vehicle = CaseVehicle { vin: second.vehicle.vin.clone(), ..CaseVehicle::default() };
    casebook.append(&me(), third.number, &Content::Vehicle { vehicle, mileage_km: None }).unwrap();
    assert_eq!(casebook.summary(third.number).unwrap().vehicle.number, first.vehicle.number);
    assert_eq!(casebook.vehicle_by_plate("TF 16").unwrap().map(|vehicle| vehicle.number), Some(first.vehicle.number));
}

/// Numbers of vehicles mean something in their own casebook alone.
fn a_case_from_elsewhere_takes_no_other_vehicle_s_place(shelf: &Shelf) {
    let vin = |vin: &str| Some(vin.to_owned());
    let by_plate = |plate: &str| CaseVehicle { plate: Some(plate.into()), ..CaseVehicle::default() };
    let other = Shelf::file();
    let mut theirs = other.open();
    let case = theirs.open_case(&me(), &NewCase { vehicle: by_plate("EL 1"), ..complaint("theirs") }).unwrap();
    // As a survey writes it that reads the VIN.
    let known = CaseVehicle { vin: vin("1M8GDM9AXKP042788"), ..case.vehicle.clone() };
    theirs.append(&me(), case.number, &Content::Vehicle { vehicle: known, mileage_km: None }).unwrap();

    let mut casebook = shelf.open();
    let ours = CaseVehicle { vin: vin("11111111111111111"), ..by_plate("TF 16") };
    let own = casebook.open_case(&me(), &NewCase { vehicle: ours, ..complaint("ours") }).unwrap();
    assert_eq!(own.vehicle.number, case.vehicle.number, "the same number means another vehicle here");
    let (adopted, differs) = casebook.adopt(&case.uid, &theirs.raw_entries(case.number).unwrap()).unwrap();
    assert_eq!(differs, [] as [String; 0]);
    assert_eq!(casebook.summary(own.number).unwrap().vehicle, own.vehicle);
    assert_eq!(casebook.cases_of_vehicle(own.vehicle.number).unwrap().len(), 1);
    assert_eq!((adopted.vehicle.vin.clone(), adopted.vehicle.plate), (vin("1M8GDM9AXKP042788"), Some("EL 1".into())));
    // Nor does a correction of the opening that names none: the case keeps the one that it has.
    let content = Content::Opened {
        complaint: "ours, in other words".into(),
        conditions: wire::Conditions::default(),
        vehicle: CaseVehicle::default(),
        mileage_km: None,
    };
    let correction = Content::Correction { of: 1, reason: "heard wrong".into(), content: Some(Box::new(content)) };
    casebook.append(&me(), own.number, &correction).unwrap();
    let corrected = casebook.summary(own.number).unwrap();
    assert_eq!((corrected.complaint.as_str(), corrected.vehicle), ("ours, in other words", own.vehicle));
}

/// The vehicle was here before, and is known by its VIN; the other shop writes other things of it.
fn what_is_known_of_a_vehicle_stays_when_a_case_comes_in(shelf: &Shelf) {
    let text = |text: &str| Some(text.to_owned());
    let vin = text("1M8GDM9AXKP042788");
    let other = Shelf::file();
    let mut theirs = other.open();
    let vehicle = CaseVehicle { vin: vin.clone(), plate: text("EL 9"), ..CaseVehicle::default() };
    let case = theirs.open_case(&me(), &NewCase { vehicle, ..complaint("theirs") }).unwrap();
    let later = CaseVehicle { plate: text("EL 1"), model: text("Fell"), engine: text("1.6"), ..CaseVehicle::default() };
    theirs.append(&me(), case.number, &Content::Vehicle { vehicle: later, mileage_km: Some(90_000) }).unwrap();

    let mut casebook = shelf.open();
    let ours = CaseVehicle { vin, plate: text("TF 16"), engine: text("1.6"), ..CaseVehicle::default() };
    let own = casebook.open_case(&me(), &NewCase { vehicle: ours.clone(), ..complaint("ours") }).unwrap();
    let (adopted, differs) = casebook.adopt(&case.uid, &theirs.raw_entries(case.number).unwrap()).unwrap();
    let completed = CaseVehicle { number: own.vehicle.number, model: text("Fell"), ..ours };
    assert_eq!((&adopted.vehicle, adopted.mileage_km), (&completed, Some(90_000)));
    assert_eq!(casebook.summary(own.number).unwrap().vehicle, completed);
    assert_eq!(differs, ["the number plate of the vehicle stays `TF 16`, as it is known here; this case says `EL 1`"]);
    // What they wrote stays in their ledger, which holds.
    assert_eq!(casebook.verify(adopted.number).unwrap(), [] as [String; 0]);
    // Who works here goes on saying what is so.
    let said = CaseVehicle { plate: text("TF 17"), ..CaseVehicle::default() };
    casebook.append(&me(), adopted.number, &Content::Vehicle { vehicle: said, mileage_km: None }).unwrap();
    assert_eq!(casebook.summary(own.number).unwrap().vehicle.plate, text("TF 17"));
}

fn cases_are_found_by_their_words(shelf: &Shelf) {
    let mut casebook = shelf.open();
    let stumble = casebook.open_case(&me(), &complaint("It stumbles when warm")).unwrap().number;
    let lamp = casebook.open_case(&me(), &complaint("ABS lamp when warm")).unwrap().number;
    casebook
        .append(&me(), stumble, &Content::Replaced { part: "coil".into(), at: Some(1), text: "TF-4711".into() })
        .unwrap();
    let code = wire::Code { code: "P0301".into(), ..wire::Code::default() };
    let module = wire::Module { codes: vec![code], ..wire::Module::default() };
    let survey = Box::new(wire::Survey { modules: vec![module], ..wire::Survey::default() });
    casebook.append(&me(), stumble, &Content::Survey { file: wire::FileRef::default(), survey }).unwrap();
    for (text, expected) in [
        ("warm", vec![lamp, stumble]),
        ("WARM stumb", vec![stumble]),
        ("p0301", vec![stumble]),
        ("coil 4711", vec![stumble]),
        ("warm nothing", vec![]),
        ("", vec![lamp, stumble]),
        ("100% _", vec![]),
    ] {
        let found: Vec<i64> = casebook.search(text, 10).unwrap().iter().map(|case| case.number).collect();
        assert_eq!(found, expected, "{text}");
    }
    assert_eq!(casebook.search("warm", 1).unwrap().len(), 1);
}

fn a_closed_case_takes_notes_only(shelf: &Shelf) {
    let mut casebook = shelf.open();
    let case = casebook.open_case(&me(), &complaint("one")).unwrap().number;
    casebook.append(&me(), case, &Content::Closed { outcome: "coil 1".into() }).unwrap();
    assert!(casebook.summary(case).unwrap().closed_unix_ms.is_some());
    let swap = Content::Swap { part: "coil".into(), from: 1, to: 2 };
    assert!(matches!(casebook.append(&me(), case, &swap), Err(CasebookError::Closed(_))));
    casebook.append(&me(), case, &note("came back")).unwrap();
    casebook.append(&me(), case, &Content::Reopened { reason: "came back".into() }).unwrap();
    casebook.append(&me(), case, &swap).unwrap();
    assert!(casebook.summary(case).unwrap().closed_unix_ms.is_none());
}

fn a_case_moves_to_another_casebook(shelf: &Shelf) {
    let mut casebook = shelf.open();
    let case = casebook.open_case(&me(), &complaint("one")).unwrap();
    for text in ["a", "b"] {
        casebook.append(&me(), case.number, &note(text)).unwrap();
    }
    let entries = casebook.raw_entries(case.number).unwrap();
    assert!(matches!(casebook.adopt(&case.uid, &entries), Err(CasebookError::Known(_))));
    let other = Shelf::file();
    let mut elsewhere = other.open();
    elsewhere.open_case(&me(), &complaint("theirs")).unwrap();
    let mut forged = entries.clone();
    forged[1].content = forged[1].content.replace('a', "z");
    assert!(matches!(elsewhere.adopt(&case.uid, &forged), Err(CasebookError::Unsound(_))));
    assert!(matches!(elsewhere.adopt(&case.uid, &entries[1..]), Err(CasebookError::Unsound(_))));
    let (adopted, _) = elsewhere.adopt(&case.uid, &entries).unwrap();
    assert_eq!((adopted.number, adopted.n_entries), (2, 3));
    assert_eq!(elsewhere.verify(adopted.number).unwrap(), [] as [String; 0]);
    assert_eq!(elsewhere.case(adopted.number).unwrap().entries, casebook.case(case.number).unwrap().entries);
}

fn a_backup_is_a_casebook(shelf: &Shelf) {
    let mut casebook = shelf.open();
    let case = casebook.open_case(&me(), &complaint("one")).unwrap();
    casebook.append(&me(), case.number, &note("a")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("copy.sqlite");
    casebook.back_up(&copy).unwrap();
    assert!(matches!(casebook.back_up(&copy), Err(CasebookError::Io { .. })), "a backup is never replaced");
    let nowhere = copy.with_file_name("missing").join("copy.sqlite");
    let error = casebook.back_up(&nowhere).unwrap_err();
    assert!(
        matches!(&error, CasebookError::Io { source, .. } if source.kind() == std::io::ErrorKind::NotFound),
        "{error}"
    );
    casebook.append(&me(), case.number, &note("later")).unwrap();
    let mut restored = Casebook::open_file(&copy).unwrap();
    assert_eq!(restored.case(case.number).unwrap().entries.len(), 2);
    assert_eq!(restored.verify(case.number).unwrap(), [] as [String; 0]);
    assert_eq!(restored.search("one", 5).unwrap().len(), 1);
    restored.open_case(&me(), &complaint("goes on")).unwrap();
}

/// Not even by who speaks to the database directly; and who gets around that is found out.
fn an_entry_is_never_changed(shelf: &Shelf) {
    let mut casebook = shelf.open();
    let case = casebook.open_case(&me(), &complaint("one")).unwrap().number;
    casebook.append(&me(), case, &note("the truth")).unwrap();
    let change = "UPDATE entries SET content = '{\"kind\":\"note\",\"text\":\"a lie\"}' WHERE number = 2";
    let forget = "DELETE FROM entries WHERE number = 2";
    if shelf.address.starts_with("postgres") {
        #[cfg(feature = "postgres")]
        {
            let mut client = postgres::Client::connect(&shelf.address, postgres::NoTls).unwrap();
            assert!(client.batch_execute(change).is_err() && client.batch_execute(forget).is_err());
            client.batch_execute("ALTER TABLE entries DISABLE TRIGGER entries_stay").unwrap();
            client.batch_execute(change).unwrap();
        }
    } else {
        let connection = rusqlite::Connection::open(&shelf.address).unwrap();
        assert!(connection.execute_batch(change).is_err() && connection.execute_batch(forget).is_err());
        connection.execute_batch("DROP TRIGGER entries_stay").unwrap();
        connection.execute_batch(change).unwrap();
    }
    assert!(casebook.verify(case).unwrap()[0].contains("entry 2 was changed"));
}

#[test]
fn a_damaged_file_is_named_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("casebook.sqlite");
    std::fs::write(&path, vec![7; 9000]).unwrap();
    assert!(Casebook::open_file(&path).is_err());
    assert_eq!(std::fs::read(&path).unwrap(), vec![7; 9000]);
}

#[test]
fn a_newer_format_is_refused() {
    let shelf = Shelf::file();
    drop(shelf.open());
    rusqlite::Connection::open(&shelf.address).unwrap().pragma_update(None, "user_version", 99).unwrap();
    assert!(matches!(Casebook::open(&shelf.address), Err(CasebookError::Newer { found: 99, .. })));
}
