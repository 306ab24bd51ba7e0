//! Pages of the workbench, as far as a soak needs them.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tungstenite::client::IntoClientRequest;
use tungstenite::{Message, WebSocket};

use crate::Fault;

/// Longest wait for anything but the end of the drive.
const PATIENCE: Duration = Duration::from_secs(300);
/// How seldom the slow page takes a message.
const SLOW: Duration = Duration::from_secs(2);

/// A page with its stream.
pub(crate) struct Page {
    address: SocketAddr,
    cookie: String,
    stream: WebSocket<TcpStream>,
    state: Value,
}

impl Page {
    pub(crate) fn open(url: &str) -> Result<Self, Fault> {
        let address: SocketAddr = url.trim_start_matches("http://").trim_end_matches('/').parse()?;
        let (_, cookie) = ask(address, "GET", "/session", "", &Value::Null)?;
        let stream = stream(address, &cookie)?;
        Ok(Self { address, cookie, stream, state: Value::Null })
    }

    pub(crate) fn post(&self, path: &str, body: &Value) -> Result<Value, Fault> {
        Ok(ask(self.address, "POST", path, &self.cookie, body)?.0)
    }

    pub(crate) fn get(&self, path: &str) -> Result<Value, Fault> {
        Ok(ask(self.address, "GET", path, &self.cookie, &Value::Null)?.0)
    }

    /// Listens until the car is as wanted.
    pub(crate) fn until(&mut self, what: &str, wanted: impl Fn(&Value) -> bool) -> Result<Value, Fault> {
        let began = Instant::now();
        while !wanted(&self.state["car"]) {
            if began.elapsed() > PATIENCE {
                return Err(format!("not {what} after {PATIENCE:?}: {}", self.state["car"]).into());
            }
            if let Some(failure) = self.state["car"]["failure"].as_object() {
                return Err(format!("not {what}: {failure:?}").into());
            }
            self.hear(Duration::from_millis(500))?;
        }
        Ok(self.state["car"].clone())
    }

    /// Listens for so long; the car as it was last told.
    pub(crate) fn hear(&mut self, time: Duration) -> Result<&Value, Fault> {
        let until = Instant::now() + time;
        while Instant::now() < until {
            self.stream.get_ref().set_read_timeout(Some(time))?;
            match self.stream.read() {
                Ok(Message::Text(text)) => {
                    let said: Value = serde_json::from_str(&text)?;
                    if said["type"] == "state" {
                        self.state = said;
                    }
                }
                Ok(_) => {}
                Err(tungstenite::Error::Io(error))
                    if matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => {}
                Err(error) => return Err(error.into()),
            }
        }
        Ok(&self.state["car"])
    }

    /// Another page of the same person that wants everything and hardly reads.
    pub(crate) fn slow(&self) -> Result<Slow, Fault> {
        let mut stream = stream(self.address, &self.cookie)?;
        let wish = json!({"type": "watch", "signals": null, "every_ms": 0});
        stream.send(Message::text(wish.to_string()))?;
        stream.get_ref().set_read_timeout(Some(Duration::from_millis(100)))?;
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let reader = std::thread::spawn(move || {
            let mut n_read = 0;
            while !stopped.load(Ordering::Relaxed) {
                n_read += usize::from(stream.read().is_ok());
                std::thread::sleep(SLOW);
            }
            n_read
        });
        Ok(Slow { stop, reader })
    }
}

/// A page that hardly reads.
pub(crate) struct Slow {
    stop: Arc<AtomicBool>,
    reader: JoinHandle<usize>,
}

impl Slow {
    /// Ends it; how many messages it took.
    pub(crate) fn end(self) -> usize {
        self.stop.store(true, Ordering::Relaxed);
        self.reader.join().unwrap_or(0)
    }
}

fn stream(address: SocketAddr, cookie: &str) -> Result<WebSocket<TcpStream>, Fault> {
    let mut request = format!("ws://{address}/api/stream").into_client_request()?;
    request.headers_mut().insert("origin", format!("http://{address}").parse()?);
    request.headers_mut().insert("cookie", cookie.parse()?);
    let tcp = TcpStream::connect(address)?;
    tcp.set_read_timeout(Some(PATIENCE))?;
    Ok(tungstenite::client(request, tcp).map_err(|error| error.to_string())?.0)
}

/// Asks in the name of the page with this cookie; the answer, and the cookie that was set.
fn ask(address: SocketAddr, method: &str, path: &str, cookie: &str, body: &Value) -> Result<(Value, String), Fault> {
    let mut stream = TcpStream::connect(address)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    let body = body.to_string();
    let head = format!(
        "{method} /api{path} HTTP/1.1\r\nHost: {address}\r\nOrigin: http://{address}\r\nCookie: {cookie}\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    );
    stream.write_all(head.as_bytes())?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer)?;
    let (head, body) = answer.split_once("\r\n\r\n").ok_or("no answer")?;
    let status = head.split(' ').nth(1).unwrap_or_default();
    if status != "200" {
        return Err(format!("{path} was answered {status}: {body}").into());
    }
    let set = head.lines().find_map(|line| line.strip_prefix("set-cookie: "));
    let cookie = set.and_then(|line| line.split(';').next()).unwrap_or(cookie).to_owned();
    Ok((serde_json::from_str(body).unwrap_or(Value::Null), cookie))
}
