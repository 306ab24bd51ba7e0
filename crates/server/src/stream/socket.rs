//! One WebSocket per client.

use std::time::Duration;

use axum::extract::State;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::response::Response;
use serde::{Deserialize, Serialize};
use tokio::time::MissedTickBehavior;

use crate::access::Who;
use crate::app::{App, StateJson};
use crate::stream::feed::Cursor;

/// Most bytes of a message from a page: names of watched signals, nothing more.
const MAX_MESSAGE: usize = 64 << 10;
/// Frames that may be on their way unconfirmed.
const MAX_UNSEEN: u32 = 4;
/// Most samples of one signal in a frame; more are thinned. Twice the columns that a live trace of a phone has.
const MOST_SAMPLES: usize = 800;
/// Shortest pause between two frames: half of what a screen takes for one, so that a sample seldom misses the next.
const FASTEST: Duration = Duration::from_millis(8);
/// Shortest pause between two states.
const STATES_EVERY: Duration = Duration::from_millis(50);

/// What a page says.
#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
#[serde(tag = "type", rename_all = "snake_case")]
pub(crate) enum FromPage {
    /// From now on it wants these signals of the feed (null: all), and a frame no sooner than after this time.
    Watch { signals: Option<Vec<u16>>, every_ms: u32 },
    /// It has drawn the frame with this number and all before it.
    Seen { frame: u32 },
}

/// What a page is told besides samples.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
#[serde(tag = "type", rename_all = "snake_case")]
pub(crate) enum ToPage {
    /// Everything that may have changed.
    State(Box<StateJson>),
}

pub(crate) async fn open(State(app): State<App>, who: Who, upgrade: WebSocketUpgrade) -> Response {
    upgrade.max_message_size(MAX_MESSAGE).max_frame_size(MAX_MESSAGE).on_upgrade(move |socket| run(app, who, socket))
}

async fn run(app: App, who: Who, mut socket: WebSocket) {
    app.access().arrive(who.id);
    app.changed();
    // Whatever ends the stream, what depends on it ends too.
    let _end = Leaving { app: app.clone(), who };
    serve(&app, who, &mut socket).await;
}

struct Leaving {
    app: App,
    who: Who,
}

impl Drop for Leaving {
    fn drop(&mut self) {
        let now = self.app.now();
        self.app.access().leave(self.who.id, now);
        self.app.changed();
    }
}

/// What one page watches, and how far it is.
struct Watching {
    wanted: Option<Vec<u16>>,
    cursor: Cursor,
    sent: u32,
    seen: u32,
}

async fn serve(app: &App, who: Who, socket: &mut WebSocket) {
    let mut changes = app.changes();
    changes.mark_changed();
    let mut watching = Watching { wanted: Some(Vec::new()), cursor: Cursor::default(), sent: 0, seen: 0 };
    let mut frames = ticks(FASTEST);
    let mut states = ticks(STATES_EVERY);
    loop {
        let is_watching = watching.wanted.as_ref().is_none_or(|wanted| !wanted.is_empty());
        let message = tokio::select! {
            received = socket.recv() => match received {
                Some(Ok(Message::Text(text))) => {
                    match serde_json::from_str(&text) {
                        Ok(said) => hear(said, &mut watching, &mut frames),
                        // A page that says what we do not know is not ours, or of another version.
                        Err(_) => return,
                    }
                    continue;
                }
                Some(Ok(Message::Close(_)) | Err(_)) | None => return,
                Some(Ok(_)) => continue,
            },
            changed = async { states.tick().await; changes.changed().await } => {
                if changed.is_err() || !app.access().is_known(who.id) {
                    return;
                }
                let state = ToPage::State(Box::new(app.state(who.id)));
                let Ok(text) = serde_json::to_string(&state) else { return };
                Message::Text(text.into())
            },
            _ = frames.tick(), if is_watching && watching.sent - watching.seen < MAX_UNSEEN => {
                let number = watching.sent.wrapping_add(1);
                let wanted = watching.wanted.as_deref();
                let wants = |signal: usize| wanted.is_none_or(|wanted| wanted.iter().any(|one| usize::from(*one) == signal));
                match app.feed().news(&mut watching.cursor, wants, MOST_SAMPLES, number) {
                    None => continue,
                    Some(bytes) => {
                        watching.sent = number;
                        Message::Binary(bytes.into())
                    }
                }
            },
        };
        if socket.send(message).await.is_err() {
            return;
        }
    }
}

fn hear(said: FromPage, watching: &mut Watching, frames: &mut tokio::time::Interval) {
    match said {
        FromPage::Watch { signals, every_ms } => {
            watching.wanted = signals;
            *frames = ticks(Duration::from_millis(u64::from(every_ms.min(2000))).max(FASTEST));
        }
        FromPage::Seen { frame } => watching.seen = watching.seen.max(frame.min(watching.sent)),
    }
}

fn ticks(every: Duration) -> tokio::time::Interval {
    let mut ticks = tokio::time::interval(every);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    ticks
}
