//! The workbench as a program next to the browser reaches it: requests with any path, query and body, and what a page says
//! over its stream.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::OnceLock;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "workbench",
    max_len: 2048,
    words: &[
        "GET /api/",
        "POST /api/",
        "PUT /api/",
        "DELETE /api/",
        "STREAM\n",
        "session/join",
        "signals",
        "adapters",
        "watchlists/",
        "cases",
        "case",
        "case/suspects",
        "car/mark",
        "car/record",
        "car/signals",
        "car/command",
        "drives/",
        "/trace?",
        "/pictures",
        "report?",
        "settings/shop",
        "settings/shop/logo",
        "settings/definitions/",
        "people/invite",
        "people/me",
        "car/hand-over",
        "uploads?name=",
        "../",
        "%2e%2e%2f",
        "%00",
        "{\"kind\":\"note\",\"text\":\"",
        "{\"type\":\"watch\",\"signals\":[",
        "null",
        "{\"type\":\"seen\",\"frame\":",
        "{\"type\":\"hold\",\"press\":1,\"beat\":",
        "1e999",
        "-1",
        "18446744073709551616",
    ],
    seeds,
    run,
};

/// Longest time that an answer may take.
const PATIENCE: Duration = Duration::from_secs(5);

/// The first line is method and path, what follows it is the body; after `STREAM` each line is a message of a page.
///
/// Every answer is one of ours, with the headers that keep it to our own pages, and never says that the workbench failed.
fn run(input: &[u8]) {
    let mut lines = input.splitn(2, |byte| *byte == b'\n');
    let (Some(first), body) = (lines.next(), lines.next().unwrap_or_default()) else { return };
    let bench = Bench::get();
    if first == b"STREAM" {
        bench.stream(body);
        return;
    }
    let Some((method, path)) = std::str::from_utf8(first).ok().and_then(|first| first.split_once(' ')) else { return };
    // What hyper itself would refuse is not ours; opening adapters and networks reaches beyond this program.
    let is_plain = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_graphic());
    let reaches_out = ["connect", "adapters", "people/invite"].iter().any(|word| path.contains(word));
    if !is_plain(method) || !is_plain(path) || !path.starts_with('/') || reaches_out {
        return;
    }
    let answer = bench.ask(method, path, body);
    let Some((head, _)) = answer.split_once("\r\n\r\n") else { panic!("no answer to {method} {path}") };
    let status: u16 = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
    assert!((200..500).contains(&status), "{method} {path}: {answer}");
    let is_ours = head.contains("content-security-policy: default-src 'none'") && head.contains("nosniff");
    // A request that hyper refuses never reaches us.
    assert!(is_ours || matches!(status, 400 | 414 | 431), "{method} {path}: {head}");
}

struct Bench {
    address: SocketAddr,
    cookie: String,
}

impl Bench {
    /// The workbench of this process, started when it is first asked for.
    fn get() -> &'static Self {
        static BENCH: OnceLock<Bench> = OnceLock::new();
        BENCH.get_or_init(|| {
            let home = std::env::temp_dir().join(format!("witness-fuzz-bench-{}", std::process::id()));
            let workshop = workshop::Workshop::new(workshop::Places::at(&home).expect("a folder"), "fuzz");
            let options = server::Options { listen: SocketAddr::from(([127, 0, 0, 1], 0)), ..Default::default() };
            let workbench = server::Workbench::open(&options, workshop).expect("a workbench");
            let address = workbench.url()["http://".len()..].trim_end_matches('/').parse().expect("an address");
            std::thread::spawn(move || workbench.run(&AtomicBool::new(false)));
            let mut bench = Self { address, cookie: String::new() };
            let session = bench.ask("GET", "/api/session", b"");
            let cookie = session.lines().find_map(|line| line.strip_prefix("set-cookie: ")).expect("a cookie");
            bench.cookie = cookie.split(';').next().unwrap_or_default().to_owned();
            bench.ask("POST", "/api/car/take", b"null");
            bench
        })
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address).expect("a connection");
        stream.set_read_timeout(Some(PATIENCE)).expect("a time-out");
        stream
    }

    fn head(&self, method: &str, path: &str) -> String {
        let Self { address, cookie } = self;
        format!("{method} {path} HTTP/1.1\r\nHost: {address}\r\nOrigin: http://{address}\r\nCookie: {cookie}\r\n")
    }

    fn ask(&self, method: &str, path: &str, body: &[u8]) -> String {
        let mut stream = self.connect();
        let head = self.head(method, path);
        let n = body.len();
        let head = format!("{head}Content-Type: application/json\r\nContent-Length: {n}\r\nConnection: close\r\n\r\n");
        // An answer may come before the whole body was read.
        let _ = stream.write_all(&[head.as_bytes(), body].concat());
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).into_owned()
    }

    /// Opens the stream, says every line, and hears that the workbench still answers.
    fn stream(&self, lines: &[u8]) {
        let mut stream = self.connect();
        let head = self.head("GET", "/api/stream");
        let head = format!(
            "{head}Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: \
             AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n"
        );
        stream.write_all(head.as_bytes()).expect("the head is taken");
        let mut first = [0; 12];
        stream.read_exact(&mut first).expect("an answer");
        assert_eq!(&first, b"HTTP/1.1 101");
        for line in lines.split(|byte| *byte == b'\n') {
            if stream.write_all(&text_frame(line)).is_err() {
                break;
            }
        }
        let _ = stream.write_all(&[0x88, 0x80, 0, 0, 0, 0]);
        let _ = stream.read_to_end(&mut Vec::new());
        assert!(self.ask("GET", "/api/session", b"").starts_with("HTTP/1.1 200"));
    }
}

/// A masked text frame of RFC 6455, with a mask of zeros.
fn text_frame(text: &[u8]) -> Vec<u8> {
    let length = u16::try_from(text.len()).expect("an input is short");
    let head = match u8::try_from(length) {
        Ok(short @ 0..=125) => vec![0x81, 0x80 | short],
        _ => [&[0x81, 0x80 | 126][..], &length.to_be_bytes()].concat(),
    };
    [&head, &[0; 4][..], text].concat()
}

fn seeds(seeds: &mut Seeds) {
    for text in [
        "GET /api/session\n",
        "POST /api/session/join\n{\"code\":\"123456\",\"name\":\"Ada\"}",
        "GET /api/signals\n",
        "PUT /api/watchlists/a\n[\"vehicle.speed\"]",
        "DELETE /api/watchlists/a\n",
        "GET /api/cases?text=a&limit=3\n",
        "POST /api/cases\n{\"complaint\":\"it stumbles\",\"vehicle\":{\"vin\":\"1M8GDM9AXKP042788\"}}",
        "POST /api/case\n{\"kind\":\"note\",\"text\":\"x\"}",
        "GET /api/case\n",
        "POST /api/case/suspects\n{}",
        "POST /api/case/proof\n{}",
        "GET /api/case/verify\n",
        "GET /api/drives\n",
        "GET /api/drives/a/trace?signals=vehicle.speed&from=0&to=1&points=100\n",
        "GET /api/drives/a/pictures\n",
        "GET /api/report?language=en&paper=a4\n",
        "PUT /api/settings/shop\n{\"name\":\"x\"}",
        "PUT /api/settings/shop/logo\n\u{89}PNG",
        "PUT /api/settings/definitions/a.toml\n[[modules]]\n",
        "GET /api/settings/storage\n",
        "POST /api/people/me\n{\"name\":\"Ada\"}",
        "POST /api/car/mark\n{\"text\":\"here\"}",
        "POST /api/car/record\n{\"signals\":[\"engine.speed\"]}",
        "POST /api/car/command\n{\"id\":\"ac.clutch\",\"how\":{\"kind\":\"hold\",\"level\":null},\"signals\":[],\"cautions_read\":true}",
        "POST /api/uploads?name=a.csv\ntime_s,vehicle.speed\n0,1\n",
        "GET /\n",
        "GET /assets/../x\n",
        "STREAM\n{\"type\":\"watch\",\"signals\":null,\"every_ms\":0}\n{\"type\":\"seen\",\"frame\":1}",
        "STREAM\n{\"type\":\"hold\",\"press\":1,\"beat\":0}\n{\"type\":\"let_go\"}",
    ] {
        seeds.add(text);
    }
}
