//! Cases that somebody made to do harm: everything in the zip is theirs, the hash chain included.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use wire::{Content, FileRef};
use workshop::{Places, Workshop};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

const UID: &str = "0123456789abcdef0123456789abcdef";

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn checksum(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// A ledger with a chain that holds, made after the description in `docs/casebook.md` alone.
fn ledger(contents: &[Value]) -> (String, String) {
    let mut previous = "0".repeat(64);
    let mut lines = String::new();
    for (number, content) in (1..).zip(contents) {
        let hashed = format!("{previous}\n{UID}\n{number}\n1700000000000\n\"eve\"\n\"theirs\"\n{content}\n");
        previous = checksum(hashed.as_bytes());
        let line = json!({"number": number, "time_unix_ms": 1_700_000_000_000_i64, "who": "eve", "software": "theirs",
            "hash": previous, "content": content});
        lines += &format!("{line}\n");
    }
    (lines, previous)
}

fn opened() -> Value {
    json!({"kind": "opened", "complaint": "x", "conditions": {}, "vehicle": {"number": 0}, "mileage_km": null})
}

fn drive(path: &str, bytes: u64, sha256: &str) -> Value {
    let summary = json!({"file": path, "duration_s": 1.0, "signals": []});
    json!({"kind": "drive", "file": {"path": path, "bytes": bytes, "sha256": sha256}, "summary": summary})
}

struct Here {
    folder: tempfile::TempDir,
    workshop: Workshop,
}

impl Here {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(&folder.path().join("data")).unwrap(), "test");
        Self { folder, workshop }
    }

    /// A zip with these members, each packed as tightly as it gets.
    fn zip(&self, members: &[(&str, &[u8])]) -> PathBuf {
        let path = self.folder.path().join("case.zip");
        let mut zip = ZipWriter::new(std::fs::File::create(&path).unwrap());
        let packed = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated);
        for (name, bytes) in members {
            zip.start_file(*name, packed).unwrap();
            zip.write_all(bytes).unwrap();
        }
        zip.finish().unwrap();
        path
    }

    /// A case whose ledger says this after its opening, with these members besides.
    fn case(&self, contents: &[Value], members: &[(&str, &[u8])]) -> PathBuf {
        let all: Vec<Value> = std::iter::once(opened()).chain(contents.iter().cloned()).collect();
        let (lines, head) = ledger(&all);
        let manifest = json!({"format": 1, "uid": UID, "head": head}).to_string();
        let mut everything = vec![("case.json", manifest.as_bytes()), ("ledger.jsonl", lines.as_bytes())];
        everything.extend(members);
        self.zip(&everything)
    }

    fn files(&self) -> BTreeSet<PathBuf> {
        fn list(folder: &Path, found: &mut BTreeSet<PathBuf>) {
            for entry in std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
                if entry.is_dir() {
                    list(&entry, found);
                } else {
                    found.insert(entry);
                }
            }
        }
        let mut found = BTreeSet::new();
        list(self.folder.path(), &mut found);
        found
    }
}

/// What the casebook of this program writes is read back: the ledgers here are no straw men.
#[test]
fn a_case_that_is_sound_comes_in() {
    let here = Here::new();
    let bytes = b"a drive, in a way";
    let sum = checksum(bytes);
    let zip = here.case(&[drive("drives/a.mcap", bytes.len() as u64, &sum)], &[(&format!("files/{sum}"), bytes)]);
    let moved = here.workshop.import_case(&zip).unwrap();
    assert_eq!((moved.n_files, moved.problems.len()), (1, 0), "{:?}", moved.problems);
}

#[test]
fn no_name_in_a_case_leads_out_of_its_folder() {
    let here = Here::new();
    let secret = b"what another customer said";
    let outside = here.folder.path().join("secret.mcap");
    std::fs::write(&outside, secret).unwrap();
    let own = here.workshop.places().sub("drives").unwrap().join("own.mcap");
    std::fs::write(&own, secret).unwrap();
    let (sum, size) = (checksum(secret), secret.len() as u64);
    let absolute = outside.display().to_string();
    let entries = [
        drive(&absolute, size, &sum),
        drive("../secret.mcap", size, &sum),
        drive("..\\secret.mcap", size, &"a".repeat(64)),
        drive("drives/own.mcap", size, &"b".repeat(64)),
        drive("drives/../../secret.mcap", size, "../../../../secret.mcap"),
        drive("x.mcap", size, "../../../drives/own"),
        drive("x/../../../../planted", size, &"c".repeat(64)),
    ];
    let before = here.files();
    let members: [(&str, &[u8]); 8] = [
        ("../planted", b"slip"),
        ("../../planted", b"slip"),
        ("/tmp/witness-planted", b"slip"),
        ("files/../../planted", b"slip"),
        ("..\\planted", b"slip"),
        ("C:\\planted", b"slip"),
        ("files/planted\0.mcap", b"slip"),
        ("drives/own.mcap", b"slip"),
    ];
    let zip = here.case(&entries, &members);
    let moved = here.workshop.import_case(&zip).unwrap();
    assert_eq!((moved.n_files, moved.problems.len()), (0, 6), "one checksum is named twice: {:?}", moved.problems);
    let new: Vec<PathBuf> = here.files().difference(&before).cloned().collect();
    let data = here.folder.path().join("data");
    let is_ours =
        |path: &PathBuf| path.starts_with(data.join("cases").join(UID)) || path.starts_with(data.join("casebook"));
    let names = |path: &PathBuf| path.file_name().unwrap().to_string_lossy().into_owned();
    let ours = |path: &&PathBuf| !is_ours(path) && **path != zip && !names(path).starts_with("casebook.sqlite");
    assert_eq!(new.iter().find(ours), None);
    assert!(!Path::new("/tmp/witness-planted").exists());
    assert_eq!(std::fs::read(&own).unwrap(), secret);
    // And nothing that the ledger names is looked at later, as a drive of this case.
    let kept = data.join("cases").join(UID).join("files");
    for entry in entries {
        let file: FileRef = serde_json::from_value(entry["file"].clone()).unwrap();
        let path = here.workshop.path_of(UID, &file);
        assert_eq!(path.parent(), Some(kept.as_path()), "{}", path.display());
        assert!(!path.exists());
    }
}

#[test]
fn a_case_does_not_fill_the_disk_or_the_memory() {
    let here = Here::new();
    // 64 MB of zeros pack to some 64 kB.
    let zeros = vec![0; 64 << 20];
    let sum = checksum(&zeros);
    let name = format!("files/{sum}");
    let before = here.files();
    let honest = here.case(&[drive("a.mcap", zeros.len() as u64, &sum)], &[(&name, &zeros)]);
    assert!(honest.metadata().unwrap().len() < 1 << 20);
    let moved = here.workshop.import_case(&honest).unwrap();
    assert!(moved.n_files == 0 && moved.problems[0].contains("200 times"), "{:?}", moved.problems);
    let largest = here.files().difference(&before).filter_map(|file| Some(file.metadata().ok()?.len())).max();
    assert!(largest.unwrap() < 1 << 20);

    let here = Here::new();
    // The ledger says 5 bytes, the zip holds 500 kB: no more than 6 are unpacked, and they are not kept.
    let long = vec![7; 500_000];
    let moved = here
        .workshop
        .import_case(
            &here.case(&[drive("a.mcap", 5, &checksum(&long))], &[(&format!("files/{}", checksum(&long)), &long)]),
        )
        .unwrap();
    assert!(moved.n_files == 0 && moved.problems[0].contains("damaged"), "{:?}", moved.problems);

    let here = Here::new();
    let sums: Vec<String> = (0..3_u8).map(|n| checksum(&[n])).collect();
    let claims: Vec<Value> = sums.iter().map(|sum| drive("a.mcap", 9 << 30, sum)).collect();
    let moved = here.workshop.import_case(&here.case(&claims, &[])).unwrap();
    assert!(moved.problems.iter().any(|problem| problem.contains("more than 16 GB")), "{:?}", moved.problems);

    let here = Here::new();
    let blanks = vec![b' '; 32 << 20];
    let refused = |members: &[(&str, &[u8])]| here.workshop.import_case(&here.zip(members)).unwrap_err().to_string();
    let manifest = json!({"format": 1, "uid": UID, "head": ""}).to_string();
    assert!(refused(&[("case.json", &blanks)]).contains("200 times"));
    assert!(refused(&[("case.json", manifest.as_bytes()), ("ledger.jsonl", &blanks)]).contains("200 times"));
    let names: Vec<String> = (0..10_001).map(|n| n.to_string()).collect();
    let many: Vec<(&str, &[u8])> = names.iter().map(|name| (name.as_str(), &b""[..])).collect();
    assert!(refused(&many).contains("too many members"));
}

#[test]
fn a_zip_in_a_zip_is_not_opened() {
    let here = Here::new();
    let inner = std::fs::read(here.case(&[], &[])).unwrap();
    let zip = here.zip(&[("case.json", b"{}"), ("case.zip", &inner)]);
    assert!(here.workshop.import_case(&zip).is_err());
    assert!(here.workshop.find_cases("", 9).unwrap().cases.is_empty());
}

#[test]
fn a_forged_ledger_is_refused_and_texts_stay_texts() {
    let here = Here::new();
    let evil = "'); DROP TABLE entries; -- \u{1b}[2J<script>alert(1)</script>\u{0}";
    let note = json!({"kind": "note", "text": evil});
    let (lines, head) = ledger(&[opened(), note.clone()]);
    let manifest = |uid: &str, head: &str| json!({"format": 1, "uid": uid, "head": head}).to_string();
    for (uid, lines, head) in [
        (UID, lines.replace("eve", "bob"), head.clone()),
        (UID, lines.lines().next().unwrap().to_owned(), head.clone()),
        (UID, lines.clone(), "0".repeat(64)),
        ("../../planted", lines.clone(), head.clone()),
        ("fedcba9876543210fedcba9876543210", lines.clone(), head.clone()),
    ] {
        let zip = here.zip(&[("case.json", manifest(uid, &head).as_bytes()), ("ledger.jsonl", lines.as_bytes())]);
        assert!(here.workshop.import_case(&zip).is_err(), "{uid}");
    }
    here.workshop.import_case(&here.case(&[note], &[])).unwrap();
    let case = here.workshop.find_cases("", 9).unwrap().cases.remove(0);
    let shown = here.workshop.clone().in_case(workshop::CaseChoice::Number(case.number)).show_case().unwrap();
    let kept = shown.entries.iter().any(|entry| matches!(&entry.content, Content::Note { text } if text == evil));
    assert!(kept, "to the letter, and the table is still there");
}
