//! A page of the workbench, as far as its streams and requests go.

use std::net::TcpStream;
use std::time::Instant;

use serde_json::{Value, json};
use tungstenite::{Message, WebSocket};

use crate::bench::{Bench, PATIENCE};

impl Bench {
    /// A page at the machine itself, with its stream.
    pub(crate) fn page(&self) -> Page<'_> {
        let cookie = self.sits();
        Page { bench: self, stream: self.stream(&cookie), cookie, state: Value::Null, is_pressing: true }
    }
}

pub(crate) struct Page<'b> {
    pub(crate) bench: &'b Bench,
    pub(crate) stream: WebSocket<TcpStream>,
    pub(crate) cookie: String,
    pub(crate) state: Value,
    /// Whether it answers beats.
    pub(crate) is_pressing: bool,
}

impl Page<'_> {
    pub(crate) fn does(&self, path: &str, body: &Value) -> Value {
        let (status, said, _) = self.bench.ask("POST", path, &self.cookie, body);
        assert_eq!(status, 200, "{path}: {said}");
        said
    }

    /// Hears what the workbench says, and answers its beats, until the car is as wanted.
    pub(crate) fn until(&mut self, mut wanted: impl FnMut(&Value) -> bool) -> Value {
        let began = Instant::now();
        while !wanted(&self.state["car"]) {
            assert!(began.elapsed() < PATIENCE, "{}", self.state);
            let Message::Text(text) = self.stream.read().unwrap() else { continue };
            let said: Value = serde_json::from_str(&text).unwrap();
            if said["type"] == "state" {
                self.state = said;
            } else if self.is_pressing {
                let held = json!({"type": "hold", "press": 1, "beat": said["beat"]});
                self.stream.send(Message::text(held.to_string())).unwrap();
            }
        }
        self.state["car"].clone()
    }
}
