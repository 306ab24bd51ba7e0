//! How a page becomes known, and how it is forgotten.

use std::io::{Read, Write};
use std::net::TcpStream;

use serde_json::{Value, json};
use tungstenite::{Message, WebSocket};

use crate::bench::Bench;

/// Reads until the workbench ends the stream.
fn ends(stream: &mut WebSocket<TcpStream>) -> bool {
    (0..1000).any(|_| matches!(stream.read(), Ok(Message::Close(_)) | Err(_)))
}

#[test]
fn a_cookie_is_out_of_reach_of_scripts_and_of_other_sites() {
    let bench = Bench::new();
    let answer = bench.asks("GET", "/api/session", "", b"");
    let set = answer.header("set-cookie").unwrap();
    // RFC 6265bis, 4.1.2; not `Secure`, as the workbench speaks plain HTTP.
    for attribute in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(set.split("; ").any(|one| one == attribute), "{set}");
    }
    assert!(!set.to_ascii_lowercase().contains("domain"), "{set}");
    let token = set.split(';').next().unwrap().split_once('=').unwrap().1;
    assert_eq!(token.len(), 64, "32 random bytes as hex");
}

#[test]
fn a_token_that_somebody_planted_is_never_taken_over() {
    let bench = Bench::new();
    let sits = bench.sits();
    let (code, _) = bench.invites(&sits, true);
    let planted = format!("{}={}", sits.split('=').next().unwrap(), "a".repeat(64));
    let body = json!({"code": code, "name": "phone"});
    let (status, _, given) = bench.ask("POST", "/session/join", &planted, &body);
    assert_eq!(status, 200);
    assert_ne!(given, planted);
    assert_eq!(bench.ask("GET", "/drives", &planted, &Value::Null).0, 401);
    assert_eq!(bench.ask("GET", "/drives", &given, &Value::Null).0, 200);
}

#[test]
fn guessing_over_the_network_is_soon_over() {
    let bench = Bench::new();
    let sits = bench.sits();
    let (code, _) = bench.invites(&sits, true);
    let tries = |code: &str| bench.ask("POST", "/session/join", "", &json!({"code": code, "name": ""})).0;
    assert!((0..8).all(|_| tries("ZZZZZZZZ") == 403));
    assert_eq!(tries(&code), 403, "the right code came too late");
}

#[test]
fn whoever_is_sent_away_is_out_at_once() {
    let bench = Bench::new();
    let sits = bench.sits();
    let phone = bench.joins(&bench.invites(&sits, true).0);
    let mut stream = bench.stream(&phone);
    let id = bench.ask("GET", "/session", &phone, &Value::Null).1["id"].as_u64().unwrap();
    assert_eq!(bench.ask("DELETE", &format!("/people/{id}"), &sits, &Value::Null).0, 200);
    assert!(ends(&mut stream));
    assert_eq!(bench.ask("GET", "/drives", &phone, &Value::Null).0, 401);
    assert_eq!(bench.try_stream(&phone, Some(&format!("http://{}", bench.address))).err(), Some(401));
}

#[test]
fn what_was_admitted_at_the_machine_is_worth_nothing_on_the_network_and_closing_it_ends_everything_there() {
    let bench = Bench::new();
    let sits = bench.sits();
    let (code, address) = bench.invites(&sits, true);
    let phone = bench.joins(&code);
    let mut from_network = TcpStream::connect(address).unwrap();
    let mut asks = |cookie: &str| {
        let head = format!("GET /api/drives HTTP/1.1\r\nHost: {address}\r\nCookie: {cookie}\r\n\r\n");
        let mut some = [0; 4096];
        let n = from_network.write_all(head.as_bytes()).and_then(|()| from_network.read(&mut some)).unwrap_or(0);
        String::from_utf8_lossy(&some[..n]).split(' ').nth(1).map(str::to_owned)
    };
    assert_eq!(asks(&sits).as_deref(), Some("401"));
    assert_eq!(asks(&phone).as_deref(), Some("200"));
    let mut there = Bench::stream_at(address, &phone);
    assert_eq!(bench.ask("POST", "/people/close", &sits, &Value::Null).0, 200);
    assert!(ends(&mut there), "its stream ends");
    let still = asks(&phone);
    assert!(still.as_deref().is_none_or(|status| status == "403"), "a connection that was kept open: {still:?}");
    assert!(TcpStream::connect(address).is_err(), "and no new one is taken");
    assert_eq!(
        bench.ask("GET", "/drives", &phone, &Value::Null).0,
        401,
        "its cookie is worth nothing when it opens again"
    );
    assert_eq!(bench.ask("GET", "/drives", &sits, &Value::Null).0, 200);
}
