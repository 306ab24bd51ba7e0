//! One WebSocket per client.

use std::collections::{BTreeSet, VecDeque};
use std::time::Duration;

use axum::body::Bytes;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::extract::{ConnectInfo, State};
use axum::response::Response;
use serde::{Deserialize, Serialize};
use tokio::time::MissedTickBehavior;

use crate::Peer;
use crate::access::{Now, Who};
use crate::app::{App, StateJson};
use crate::grip::{BEATS_EVERY, Press};
use crate::stream::feed::Cursor;

/// Most bytes of a message from a page: names of watched signals, nothing more.
const MAX_MESSAGE: usize = 64 << 10;
/// Frames that may be on their way unconfirmed.
const MAX_UNSEEN: u32 = 4;
/// Most samples of one signal in a frame; more are thinned. Twice the columns that a live trace of a phone has.
const MOST_SAMPLES: usize = 800;
/// Shortest pause between two frames: half of what a screen takes for one, so that a sample seldom misses the next.
const FASTEST: Duration = Duration::from_millis(8);
/// Pings without an answer after which a page is out of reach: a phone that leaves the radio says nothing, not even that it
/// goes. Browsers answer by themselves.
const MAX_UNANSWERED: u32 = 4;
/// Beats that a page for which no command waits goes without before it is told that the workbench is still there: a
/// machine that sleeps, or a network that ends without a word, would otherwise leave its last values standing.
const BEATS_UNHEARD: u32 = 20;
/// Shortest pause between two states.
const STATES_EVERY: Duration = Duration::from_millis(50);

/// What a page says.
#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
#[serde(tag = "type", rename_all = "snake_case")]
pub(crate) enum FromPage {
    /// From now on it wants these signals of the feed (null: all), and a frame no sooner than after this time.
    Watch {
        // A set: every sample asks whether it is wanted.
        #[cfg_attr(test, ts(type = "Array<number> | null"))]
        signals: Option<BTreeSet<u16>>,
        every_ms: u32,
    },
    /// It has drawn the frame with this number and all before it.
    Seen { frame: u32 },
    /// The button of a command is held, in its press with this number: the answer to a beat.
    Hold { press: u32, beat: u32 },
    /// The button was let go.
    LetGo,
}

/// What a page is told besides samples.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
#[serde(tag = "type", rename_all = "snake_case")]
pub(crate) enum ToPage {
    /// Everything that may have changed.
    State(Box<StateJson>),
    /// The workbench is there, and says so every two seconds at least. If a button of this page is held, it answers now.
    Beat { beat: u32 },
}

pub(crate) async fn open(
    State(app): State<App>,
    ConnectInfo(peer): ConnectInfo<Peer>,
    who: Who,
    upgrade: WebSocketUpgrade,
) -> Response {
    let upgrade = upgrade.max_message_size(MAX_MESSAGE).max_frame_size(MAX_MESSAGE);
    upgrade.on_upgrade(move |socket| run(app, peer, who, socket))
}

async fn run(app: App, peer: Peer, who: Who, mut socket: WebSocket) {
    let stream = app.new_number();
    if !app.access().arrive(who.id) {
        return;
    }
    app.changed();
    // Whatever ends the stream, what depends on it ends too.
    let _end = Leaving { app: app.clone(), who, stream };
    serve(&app, peer, who, stream, &mut socket).await;
}

struct Leaving {
    app: App,
    who: Who,
    stream: u64,
}

impl Drop for Leaving {
    fn drop(&mut self) {
        self.app.bay().let_go(self.stream);
        let now = self.app.now();
        self.app.access().leave(self.who.id, now);
        let is_here = self.app.access().is_here(self.who.id);
        if !is_here {
            self.app.bay().leave(self.who.id);
        }
        self.app.changed();
    }
}

/// What one page watches, and how far it is.
struct Watching {
    wanted: Option<BTreeSet<u16>>,
    cursor: Cursor,
    sent: u32,
    seen: u32,
    beats: Beats,
}

/// When the latest beats left; the first that is kept has the number `first`.
#[derive(Default)]
struct Beats {
    first: u32,
    left: VecDeque<Now>,
}

impl Beats {
    /// Most beats that are kept: two seconds, longer than an answer counts.
    const KEPT: usize = 20;

    /// A beat leaves; its number.
    fn leave(&mut self, now: Now) -> u32 {
        if self.left.len() >= Self::KEPT {
            self.left.pop_front();
            self.first += 1;
        }
        self.left.push_back(now);
        self.first + self.left.len() as u32 - 1
    }

    fn left_at(&self, beat: u32) -> Option<Now> {
        self.left.get(beat.checked_sub(self.first)? as usize).copied()
    }
}

async fn serve(app: &App, peer: Peer, who: Who, stream: u64, socket: &mut WebSocket) {
    let mut changes = app.changes();
    changes.mark_changed();
    let (wanted, cursor, beats) = (Some(BTreeSet::new()), Cursor::default(), Beats::default());
    let mut watching = Watching { wanted, cursor, sent: 0, seen: 0, beats };
    // Counted and not timed: while something that was sent is not taken, nothing is read either.
    let (mut pings, mut n_unanswered) = (ticks((app.options().patience / MAX_UNANSWERED).max(FASTEST)), 0);
    let mut pulse = ticks(BEATS_EVERY);
    let mut frames = ticks(FASTEST);
    let mut states = ticks(STATES_EVERY);
    let mut unheard = 0;
    loop {
        let is_watching = watching.wanted.as_ref().is_none_or(|wanted| !wanted.is_empty());
        let message = tokio::select! {
            received = socket.recv() => match received {
                Some(Ok(Message::Text(text))) => {
                    n_unanswered = 0;
                    match serde_json::from_str(&text) {
                        Ok(FromPage::Watch { signals, every_ms }) => {
                            watching.wanted = signals;
                            let every = Duration::from_millis(u64::from(every_ms.min(2000)));
                            frames = ticks(every.max(FASTEST));
                        }
                        Ok(FromPage::Seen { frame }) => {
                            watching.seen = watching.seen.max(frame.min(watching.sent));
                        }
                        Ok(FromPage::Hold { press, beat }) => {
                            if let Some(beat) = watching.beats.left_at(beat) {
                                app.bay().hold(who.id, Press { stream, number: press }, beat, app.now());
                            }
                        }
                        Ok(FromPage::LetGo) => app.bay().let_go(stream),
                        // A page that says what we do not know is not ours, or of another version.
                        Err(_) => return,
                    }
                    continue;
                }
                Some(Ok(Message::Close(_)) | Err(_)) | None => return,
                Some(Ok(_)) => {
                    n_unanswered = 0;
                    continue;
                }
            },
            _ = pings.tick() => {
                if n_unanswered >= MAX_UNANSWERED {
                    return;
                }
                n_unanswered += 1;
                Message::Ping(Bytes::new())
            }
            changed = async { states.tick().await; changes.changed().await } => {
                if changed.is_err() || !app.access().is_known(who.id) || !app.listens_at(peer.local) {
                    return;
                }
                let state = ToPage::State(Box::new(app.state(who.id)));
                let Ok(text) = serde_json::to_string(&state) else { return };
                Message::Text(text.into())
            },
            _ = pulse.tick() => {
                unheard += 1;
                if unheard < BEATS_UNHEARD && !app.bay().waits_for(who.id) {
                    continue;
                }
                unheard = 0;
                let beat = watching.beats.leave(app.now());
                let Ok(text) = serde_json::to_string(&ToPage::Beat { beat }) else { return };
                Message::Text(text.into())
            }
            _ = frames.tick(), if is_watching && watching.sent - watching.seen < MAX_UNSEEN => {
                let number = watching.sent.wrapping_add(1);
                let wanted = watching.wanted.as_ref();
                let wants = |signal: usize| wanted.is_none_or(|wanted| u16::try_from(signal).is_ok_and(|one| wanted.contains(&one)));
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

fn ticks(every: Duration) -> tokio::time::Interval {
    let mut ticks = tokio::time::interval(every);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    ticks
}
