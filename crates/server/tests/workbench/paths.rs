//! Names that want to lead out of the folder.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use crate::bench::Bench;

/// Ways to say "beside the folder" of `secret`, as they stand in an address (RFC 3986, 2.1).
fn climbs(secret: &Path) -> Vec<String> {
    let absolute = secret.display().to_string().replace('/', "%2F");
    let mut ways: Vec<String> = [
        "..%2F..%2Fsecret",
        "..%2f..%2fsecret",
        "%2e%2e%2f%2e%2e%2fsecret",
        "..%5C..%5Csecret",
        "....%2F%2F....%2F%2Fsecret",
        "..%252F..%252Fsecret",
        "..%c0%af..%c0%afsecret",
        "%00..%2F..%2Fsecret",
        "..%2F..%2Fsecret%00",
        ".%2F..%2F..%2Fsecret",
        "drives%2F..%2F..%2F..%2Fsecret",
        "C%3A%5Csecret",
        "%5C%5Chost%5Cshare%5Csecret",
        "secret%3A%24DATA",
        "..",
        ".",
        "",
    ]
    .map(str::to_owned)
    .to_vec();
    ways.extend([absolute.clone(), absolute.trim_end_matches(".mcap").to_owned()]);
    ways
}

/// Everything under a folder.
fn files(folder: &Path) -> BTreeSet<PathBuf> {
    let mut found = BTreeSet::new();
    for entry in std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
        if entry.is_dir() {
            found.append(&mut files(&entry));
        } else {
            found.insert(entry);
        }
    }
    found
}

const TABLE: &[u8] = b"time_s,engine.speed [rpm]\n0,800\n1,810\n";

#[test]
fn a_drive_is_read_from_its_folder_alone() {
    let bench = Bench::new();
    let cookie = bench.sits();
    assert_eq!(bench.asks("POST", "/api/uploads?name=own.csv", &cookie, TABLE).status, 200);
    assert_eq!(bench.asks("GET", "/api/drives/own", &cookie, b"").status, 200);
    let secret = bench.home().join("secret.mcap");
    std::fs::copy(bench.home().join("data/drives/own.mcap"), &secret).unwrap();
    for name in climbs(&secret) {
        for what in ["", "/examined", "/pictures", "/trace?from_s=0&to_s=1&columns=9&signals=0"] {
            let answer = bench.asks("GET", &format!("/api/drives/{name}{what}"), &cookie, b"");
            let is_the_list = name.is_empty() && what.is_empty();
            assert!(matches!(answer.status, 400 | 404 | 405) || is_the_list, "{name}{what}: {}", answer.status);
        }
    }
}

#[test]
fn the_pages_are_read_from_the_program_alone() {
    let bench = Bench::new();
    let secret = bench.home().join("secret.mcap");
    std::fs::write(&secret, "a secret").unwrap();
    for name in climbs(&secret) {
        for place in ["/", "/assets/", "/review/", "/api/"] {
            let answer = bench.raw(&format!("GET {place}{name} HTTP/1.1\r\nHost: HERE"), b"");
            let said = String::from_utf8_lossy(&answer.body);
            assert!(!said.contains("a secret"), "{place}{name}");
            let is_page = answer.header("content-type") == Some("text/html; charset=utf-8");
            assert!(is_page || matches!(answer.status, 400 | 401 | 404), "{place}{name}: {}", answer.status);
        }
    }
    for target in ["/../../../../etc/passwd", "/assets/../../../../etc/passwd", "//etc/passwd", "file:///etc/passwd"] {
        let answer = bench.raw(&format!("GET {target} HTTP/1.1\r\nHost: HERE"), b"");
        assert!(!String::from_utf8_lossy(&answer.body).contains("root:"), "{target}");
    }
}

#[test]
fn what_is_brought_in_is_written_into_its_folder_alone() {
    let bench = Bench::new();
    let cookie = bench.sits();
    assert_eq!(bench.asks("POST", "/api/uploads?name=own.csv", &cookie, TABLE).status, 200);
    let data = bench.home().join("data");
    let before = files(bench.home());
    for name in climbs(&bench.home().join("planted")) {
        for ending in ["", ".toml", ".dbc"] {
            let file = format!("/api/settings/definitions/{name}{ending}");
            let put = bench.asks("PUT", &file, &cookie, b"title = \"none\"\n");
            assert!(!(200..300).contains(&put.status), "{file}: {}", put.status);
            assert!(!(200..300).contains(&bench.asks("DELETE", &file, &cookie, b"").status), "{file}");
        }
        let list = format!("/api/watchlists/{name}");
        assert!(!(200..300).contains(&bench.asks("PUT", &list, &cookie, br#"["engine.speed"]"#).status), "{list}");
        assert!(!(200..300).contains(&bench.asks("DELETE", &list, &cookie, b"").status), "{list}");
    }
    assert_eq!(files(bench.home()), before);
    // A drive gets a name of its own making, in its folder.
    for name in climbs(&bench.home().join("planted")) {
        let status = bench.asks("POST", &format!("/api/uploads?name={name}.csv"), &cookie, TABLE).status;
        assert!(matches!(status, 200 | 400), "{name}: {status}");
    }
    let new: Vec<PathBuf> = files(bench.home()).difference(&before).cloned().collect();
    assert!(new.len() > 5);
    assert!(new.iter().all(|file| file.parent() == Some(&data.join("drives"))), "{new:?}");
}

#[test]
fn a_case_and_the_casebook_go_out_whole_and_leave_nothing_behind() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let new = serde_json::json!({"complaint": "jolts", "conditions": {}, "vehicle": {"number": 0}, "mileage_km": null});
    assert_eq!(bench.ask("POST", "/cases", &cookie, &new).0, 200);
    // As much as does not go out in one piece.
    for k in 0..60 {
        let note = serde_json::json!({"kind": "note", "text": format!("{k}").repeat(700)});
        assert_eq!(bench.ask("POST", "/case", &cookie, &note).0, 200);
    }
    let before = files(bench.home());
    let out = |path: &str| {
        let answer = bench.asks("GET", path, &cookie, b"");
        assert_eq!(answer.status, 200, "{path}");
        assert_eq!(answer.header("content-length"), Some(answer.body.len().to_string().as_str()), "{path}");
        answer.body
    };
    let case = out("/api/cases/1/file");
    assert_eq!((&case[..4], &case[case.len() - 22..][..4]), (&b"PK\x03\x04"[..], &b"PK\x05\x06"[..]), "begin and end");
    let book = out("/api/settings/backup");
    assert!(book.starts_with(b"SQLite format 3\0") && book.len() > 1 << 16, "more than one piece: {}", book.len());
    // The head says how many pages of which size there are (SQLite file format, 1.3).
    let number =
        |at: usize, n: usize| book[at..at + n].iter().fold(0, |number, byte| number * 256 + usize::from(*byte));
    assert_eq!(number(16, 2) * number(28, 4), book.len());
    let began = std::time::Instant::now();
    while files(bench.home()) != before && began.elapsed().as_secs() < 10 {
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    assert_eq!(files(bench.home()), before);
}

#[test]
fn what_is_wrong_with_a_file_is_told_of_by_the_name_that_it_came_with() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let answer = bench.asks("POST", "/api/uploads?name=log.csv", &cookie, b"a,b\n1,2\n");
    let said = answer.json()["message"].as_str().unwrap().to_owned();
    assert_eq!(said, "`log.csv`, line 1: the first column must be `time_s`, it is `a`");
}
