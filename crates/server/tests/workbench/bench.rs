//! A workbench as it runs, on a port and in a folder of its own, and plain clients of it.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use serde_json::{Value, json};
use tungstenite::WebSocket;
use tungstenite::client::IntoClientRequest;

/// Longest time that anything here may take.
pub(crate) const PATIENCE: Duration = Duration::from_secs(30);

pub(crate) struct Bench {
    home: tempfile::TempDir,
    pub(crate) address: SocketAddr,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// What came back.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: Vec<u8>,
}

impl Answer {
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(": "))
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or(Value::Null)
    }
}

impl Bench {
    pub(crate) fn new() -> Self {
        Self::with(server::Options::default())
    }

    /// One that waits no longer than this for what a connection is about to say.
    pub(crate) fn impatient(patience: Duration) -> Self {
        Self::with(server::Options { patience, ..Default::default() })
    }

    /// One whose invented car lives so many times as fast as the wall's clock.
    pub(crate) fn fast(pace: f64) -> Self {
        Self::with(server::Options { pace, ..Default::default() })
    }

    pub(crate) fn with(options: server::Options) -> Self {
        let home = tempfile::tempdir().unwrap();
        let workshop = workshop::Workshop::new(workshop::Places::at(&home.path().join("data")).unwrap(), "test");
        let options = server::Options { listen: SocketAddr::from(([127, 0, 0, 1], 0)), ..options };
        let workbench = server::Workbench::open(&options, workshop).unwrap();
        let address = workbench.url()["http://".len()..].trim_end_matches('/').parse().unwrap();
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = std::thread::spawn(move || workbench.run(&stopped).unwrap());
        Self { home, address, stop, thread: Some(thread) }
    }

    /// The folder around the one that the workbench keeps its files in.
    pub(crate) fn home(&self) -> &Path {
        self.home.path()
    }

    /// Ends the workbench, and gives the only drive that was recorded.
    pub(crate) fn drive(mut self) -> signal::Recording {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take().unwrap().join().unwrap();
        let mut files = std::fs::read_dir(self.home().join("data/drives")).unwrap();
        let file = files.next().unwrap().unwrap().path();
        assert!(files.next().is_none());
        drive::read(&file).unwrap().recording
    }

    pub(crate) fn connect(&self) -> TcpStream {
        connect(self.address)
    }

    /// Sends a request to the letter; the address stands where it says `HERE`.
    pub(crate) fn raw(&self, head: &str, body: &[u8]) -> Answer {
        let mut stream = self.connect();
        let head = head.replace("HERE", &self.address.to_string());
        let length = body.len();
        let head = format!("{head}\r\nAccept-Encoding: gzip\r\nContent-Length: {length}\r\nConnection: close\r\n\r\n");
        // A workbench that has heard enough may close before all is said.
        let _ = stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(body));
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        let end = answer.windows(4).position(|four| four == b"\r\n\r\n").unwrap_or(answer.len());
        let head = String::from_utf8_lossy(&answer[..end]).into_owned();
        let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
        Answer { status, head, body: answer.get(end + 4..).unwrap_or_default().to_owned() }
    }

    /// Says this to the letter and nothing more until the workbench closes; the status of each answer.
    pub(crate) fn says(&self, all: &str) -> Vec<u16> {
        let mut stream = self.connect();
        let _ = stream.write_all(all.as_bytes());
        let mut answers = Vec::new();
        let _ = stream.read_to_end(&mut answers);
        let answers = String::from_utf8_lossy(&answers);
        let statuses = answers.split("HTTP/1.1 ").skip(1).filter_map(|answer| answer.get(..3)?.parse().ok());
        statuses.collect()
    }

    /// Asks as our own page does, in the name of the one with this cookie.
    pub(crate) fn asks(&self, method: &str, path: &str, cookie: &str, body: &[u8]) -> Answer {
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: HERE\r\nOrigin: http://HERE\r\nCookie: {cookie}\r\n\
             Content-Type: application/json"
        );
        self.raw(&head, body)
    }

    /// Asks for a resource of the interface; answers status, body and the cookie that was set.
    pub(crate) fn ask(&self, method: &str, path: &str, cookie: &str, body: &Value) -> (u16, Value, String) {
        let answer = self.asks(method, &format!("/api{path}"), cookie, body.to_string().as_bytes());
        let set = answer.header("set-cookie").and_then(|line| line.split(';').next());
        (answer.status, answer.json(), set.unwrap_or(cookie).to_owned())
    }

    /// The cookie of a page at the machine itself.
    pub(crate) fn sits(&self) -> String {
        let (status, _, cookie) = self.ask("GET", "/session", "", &Value::Null);
        assert_eq!(status, 200);
        cookie
    }

    /// Invites somebody in the name of the page with this cookie, which sits at the bench; the code, and where it joins.
    pub(crate) fn invites(&self, cookie: &str, may_hold: bool) -> (String, SocketAddr) {
        let (status, said, _) = self.ask("POST", "/people/invite", cookie, &json!({"may_hold": may_hold}));
        assert_eq!(status, 200, "{said}");
        let url = said["url"].as_str().unwrap();
        let address = url["http://".len()..].split('/').next().unwrap().parse().unwrap();
        (said["code"].as_str().unwrap().to_owned(), address)
    }

    /// The cookie of somebody who joined with a code.
    pub(crate) fn joins(&self, code: &str) -> String {
        let (status, said, cookie) = self.ask("POST", "/session/join", "", &json!({"code": code, "name": "phone"}));
        assert_eq!(status, 200, "{said}");
        cookie
    }

    pub(crate) fn stream(&self, cookie: &str) -> WebSocket<TcpStream> {
        self.try_stream(cookie, Some(&format!("http://{}", self.address))).unwrap()
    }

    /// Opens a stream at another address of the workbench.
    pub(crate) fn stream_at(address: SocketAddr, cookie: &str) -> WebSocket<TcpStream> {
        open_stream(address, cookie, Some(&format!("http://{address}"))).unwrap()
    }

    /// Opens a stream as a page of this origin would; the status when it is refused.
    pub(crate) fn try_stream(&self, cookie: &str, origin: Option<&str>) -> Result<WebSocket<TcpStream>, u16> {
        open_stream(self.address, cookie, origin)
    }
}

fn connect(address: SocketAddr) -> TcpStream {
    let stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream
}

fn open_stream(address: SocketAddr, cookie: &str, origin: Option<&str>) -> Result<WebSocket<TcpStream>, u16> {
    let mut request = format!("ws://{address}/api/stream").into_client_request().unwrap();
    if let Some(origin) = origin {
        request.headers_mut().insert("origin", origin.parse().unwrap());
    }
    request.headers_mut().insert("cookie", cookie.parse().unwrap());
    match tungstenite::client(request, connect(address)) {
        Ok((stream, _)) => Ok(stream),
        Err(tungstenite::HandshakeError::Failure(tungstenite::Error::Http(answer))) => Err(answer.status().as_u16()),
        Err(other) => panic!("{other}"),
    }
}
