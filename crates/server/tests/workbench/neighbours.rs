//! What a page in another tab and a neighbour on the network may try.

use std::io::{Read, Write};
use std::time::Duration;

use tungstenite::Message;

use crate::bench::Bench;

#[test]
fn a_name_that_somebody_points_at_us_is_no_host_of_ours() {
    let bench = Bench::new();
    let port = bench.address.port();
    let cookie = bench.sits();
    for host in
        [format!("evil.example:{port}"), "evil.example".into(), format!("127.0.0.1.evil.example:{port}"), String::new()]
    {
        for path in ["/", "/api/session", "/api/cases", "/api/stream"] {
            let answer = bench.raw(&format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}"), b"");
            assert_eq!(answer.status, 403, "{host}{path}");
            assert_eq!(answer.header("set-cookie"), None);
        }
    }
    assert_eq!(bench.raw("GET / HTTP/1.1\r\nHost: HERE", b"").status, 200);
}

#[test]
fn a_page_from_elsewhere_cannot_act() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let post = |more: &str| {
        let head = format!("POST /api/car/take HTTP/1.1\r\nHost: HERE\r\nCookie: {cookie}{more}");
        bench.raw(&head, b"").status
    };
    for more in [
        "",
        "\r\nOrigin: null",
        "\r\nOrigin: http://evil.example",
        "\r\nOrigin: https://HERE",
        "\r\nOrigin: http://localhost:9",
        "\r\nOrigin: http://HERE.evil.example",
        "\r\nOrigin: http://HERE\r\nSec-Fetch-Site: cross-site",
        "\r\nOrigin: http://HERE\r\nSec-Fetch-Site: same-site",
    ] {
        assert_eq!(post(more), 403, "{more:?}");
    }
    assert_eq!(post("\r\nOrigin: http://HERE\r\nSec-Fetch-Site: same-origin"), 200);
}

#[test]
fn a_form_of_another_page_is_no_json() {
    let bench = Bench::new();
    let cookie = bench.sits();
    // What a form can send without being asked first (Fetch standard, "CORS-safelisted request-header").
    for kind in ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"] {
        let head = format!(
            "POST /api/people/me HTTP/1.1\r\nHost: HERE\r\nOrigin: http://HERE\r\nCookie: {cookie}\r\nContent-Type: {kind}"
        );
        assert_eq!(bench.raw(&head, br#"{"name":"x"}"#).status, 415, "{kind}");
    }
}

#[test]
fn a_page_from_elsewhere_cannot_read_either() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let get = |path: &str, more: &str| {
        bench.raw(&format!("GET {path} HTTP/1.1\r\nHost: HERE\r\nCookie: {cookie}\r\n{more}"), b"")
    };
    for (path, more) in [
        ("/api/cases", "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: no-cors"),
        ("/api/settings/backup", "Sec-Fetch-Site: same-site\r\nSec-Fetch-Mode: navigate"),
        ("/api/session", "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate"),
        ("/api/cases", "Origin: http://evil.example"),
        ("/", "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: no-cors"),
    ] {
        assert_eq!(get(path, more).status, 403, "{path} {more}");
    }
    // A link may open the page.
    let page = get("/", "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate");
    assert_eq!(page.status, 200);
    for (name, value) in [
        ("x-content-type-options", "nosniff"),
        ("x-frame-options", "SAMEORIGIN"),
        ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("referrer-policy", "no-referrer"),
    ] {
        assert_eq!(page.header(name), Some(value));
    }
    let policy = page.header("content-security-policy").unwrap();
    assert!(policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'self'"), "{policy}");
    assert!(page.header("access-control-allow-origin").is_none());
}

#[test]
fn a_stream_opens_for_our_own_page_alone() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let own = format!("http://{}", bench.address);
    for origin in [None, Some("null"), Some("http://evil.example"), Some("https://127.0.0.1")] {
        assert_eq!(bench.try_stream(&cookie, origin).err(), Some(403), "{origin:?}");
    }
    let name = cookie.split('=').next().unwrap();
    for wrong in [String::new(), format!("{name}="), format!("{name}={}", "0".repeat(64)), format!("other_{cookie}")] {
        assert_eq!(bench.try_stream(&wrong, Some(&own)).err(), Some(401), "{wrong}");
    }
    assert!(bench.try_stream(&cookie, Some(&own)).is_ok());
}

#[test]
fn what_is_too_long_is_refused() {
    let bench = Bench::new();
    let cookie = bench.sits();
    let kib = |n: usize| vec![b' '; n << 10];
    assert_eq!(bench.asks("POST", "/api/cases", &cookie, &kib(1100)).status, 413);
    assert_eq!(bench.asks("PUT", "/api/settings/shop/logo", &cookie, &kib(4200)).status, 413);
    // RFC 6585, 5: 431 is for heads that are too large.
    let long = bench.raw(&format!("GET / HTTP/1.1\r\nHost: HERE\r\nX: {}", "a".repeat(1 << 20)), b"");
    assert!(matches!(long.status, 431 | 0), "{}", long.status);
    let many = bench.raw(&format!("GET / HTTP/1.1\r\nHost: HERE\r\n{}Y: 1", "X: 1\r\n".repeat(1000)), b"");
    assert!(matches!(many.status, 431 | 0), "{}", many.status);
    let mut stream = bench.stream(&cookie);
    let said = stream.send(Message::text("x".repeat(100 << 10)));
    assert!(said.is_err() || (0..1000).any(|_| matches!(stream.read(), Ok(Message::Close(_)) | Err(_))));
    assert_eq!(bench.asks("GET", "/api/cases", &cookie, b"").status, 200, "the workbench goes on");
}

#[test]
fn a_connection_that_dawdles_is_closed() {
    let bench = Bench::impatient(Duration::from_millis(300));
    let cookie = bench.sits();
    let head = format!("Host: {0}\r\nOrigin: http://{0}\r\nCookie: {cookie}\r\n", bench.address);
    for begun in [
        String::new(),
        "GET / HT".to_owned(),
        format!("GET / HTTP/1.1\r\n{head}"),
        format!("POST /api/cases HTTP/1.1\r\n{head}Content-Type: application/json\r\nContent-Length: 50\r\n\r\n{{"),
        format!("POST /api/uploads?name=a HTTP/1.1\r\n{head}Transfer-Encoding: chunked\r\n\r\n5\r\nabcde\r\n"),
    ] {
        let mut stream = bench.connect();
        stream.write_all(begun.as_bytes()).unwrap();
        let mut said = Vec::new();
        // It ends within the patience of the test, whatever is said before.
        let _ = stream.read_to_end(&mut said);
        assert!(!said.starts_with(b"HTTP/1.1 2"), "{begun}: {}", String::from_utf8_lossy(&said));
    }
    let left = std::fs::read_dir(bench.home().join("data/incoming")).unwrap().count();
    assert_eq!(left, 0, "nothing is left of what did not arrive");
    // A stream that says nothing by itself is no dawdler: what reads it answers pings, as browsers do.
    let mut stream = bench.stream(&cookie);
    stream.get_mut().set_read_timeout(Some(Duration::from_millis(20))).unwrap();
    let began = std::time::Instant::now();
    while began.elapsed() < Duration::from_millis(900) {
        let _ = stream.read();
    }
    stream.get_mut().set_read_timeout(Some(crate::bench::PATIENCE)).unwrap();
    bench.ask("POST", "/people/me", &cookie, &serde_json::json!({"name": "still here"}));
    let heard = (0..100).any(|_| stream.read().unwrap().to_text().is_ok_and(|text| text.contains("still here")));
    assert!(heard);
}

#[test]
fn more_connections_than_places_are_closed_at_once() {
    let bench = Bench::new();
    let mut open: Vec<_> = (0..200).map(|_| bench.connect()).collect();
    let mut last = open.pop().unwrap();
    assert_eq!(last.read(&mut [0]).unwrap_or(0), 0, "it is closed without a word");
    drop(open);
    // The places come back as soon as the workbench has seen the others go.
    let again = (0..100).any(|_| {
        std::thread::sleep(Duration::from_millis(20));
        bench.raw("GET / HTTP/1.1\r\nHost: HERE", b"").status == 200
    });
    assert!(again);
}
