//! `/api/car`: connecting, surveying, recording, commanding and clearing codes.

use axum::Json;
use axum::extract::State;
use serde::Deserialize;
use workshop::{CommandWish, How};

use super::gate::{Gate, Routes};
use crate::access::Who;
use crate::app::App;
use crate::bay::Order;
use crate::clearing::Wanted;
use crate::failure::Failure;

/// Longest text of a mark.
const MAX_TEXT: usize = 2000;
/// Longest address of an adapter: pages are told it whenever something changes.
const MAX_ADDRESS: usize = 1000;

#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct ConnectJson {
    /// Address of the adapter.
    adapter: String,
}

#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct RecordJson {
    /// Signals by name.
    signals: Vec<String>,
    /// How long; null: until it is stopped.
    seconds: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct ChangeJson {
    /// Signals by name.
    signals: Vec<String>,
}

#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct MarkJson {
    /// May be empty.
    text: String,
}

/// What is to be prepared: it is driven once the page says that a button is held, see [`crate::grip`].
#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct CommandWishJson {
    /// The output or routine.
    id: String,
    how: HowJson,
    /// Signals recorded beside it; none: its own state and what ought to respond.
    signals: Vec<String>,
    /// Whether somebody has read the cautions.
    cautions_read: bool,
}

/// How something is to be done.
#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
#[serde(tag = "kind", rename_all = "snake_case")]
pub(crate) enum HowJson {
    /// To a level (null: the greatest, or on) for as long as it is held.
    Hold { level: Option<f64> },
    /// On and off in turn, unevenly, for as long as it is held.
    Pulses { level: Option<f64>, on_s: f64, off_s: f64, count: u32 },
    /// A routine with its parameters by name, for as long as it is held.
    Routine { parameters: Vec<(String, f64)> },
}

/// Which codes are to be cleared, of those that were just read for it.
#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct ClearJson {
    /// Modules by address.
    modules: Vec<String>,
    /// Whether somebody has read what will be lost.
    costs_read: bool,
    /// Whether somebody sees that the car stands still with its engine off, for a car that does not tell.
    stands: bool,
    /// Whether modules are meant too that may have codes which nobody has read.
    #[serde(default)]
    unread: bool,
}

/// Longest time in one go where the definition knows none, seconds.
const LONGEST_S: f64 = 600.0;
/// How long a prepared command lasts in all beyond one go, seconds.
const PAUSES_S: f64 = 900.0;

impl From<HowJson> for How {
    fn from(how: HowJson) -> Self {
        match how {
            HowJson::Hold { level } => Self::Hold { level, seconds: LONGEST_S },
            HowJson::Pulses { level, on_s, off_s, count } => Self::Pulses { level, on_s, off_s, count, even: false },
            HowJson::Routine { parameters } => Self::Routine { parameters, seconds: LONGEST_S },
        }
    }
}

pub(crate) fn routes() -> Routes {
    Routes::default()
        .post(Gate::Holder, "/car/connect", connect)
        .post(Gate::Holder, "/car/disconnect", disconnect)
        .post(Gate::Holder, "/car/survey", survey)
        .post(Gate::Holder, "/car/record", record)
        .post(Gate::Holder, "/car/signals", change)
        .get(Gate::Joined, "/car/commands", commands)
        .post(Gate::Holder, "/car/command", command)
        .post(Gate::Holder, "/car/clear/prepare", prepare_clearing)
        .post(Gate::Holder, "/car/clear", clear)
        .post(Gate::Holder, "/car/stop", stop)
        // A mark harms nothing: whoever looks on may set one.
        .post(Gate::Joined, "/car/mark", mark)
}

/// An address may name a file or a library of this machine, or whatever it reaches on its networks. So pages from
/// elsewhere choose among those that are known here, and only the bench names others.
async fn connect(State(app): State<App>, who: Who, Json(wanted): Json<ConnectJson>) -> Result<(), Failure> {
    let adapter = wanted.adapter.trim().to_owned();
    if adapter.len() > MAX_ADDRESS {
        return Err(Failure::input(format!("the address of an adapter has at most {MAX_ADDRESS} bytes")));
    }
    if !who.is_bench && !app.knows_adapter(&adapter) {
        return Err(Failure::forbidden("only a page at the machine itself may name an adapter that is not listed")
            .hint("connect to it once at the bench; from then on it is listed"));
    }
    app.order(who, Order::Connect { adapter })
}

async fn disconnect(State(app): State<App>, who: Who) -> Result<(), Failure> {
    app.order(who, Order::Disconnect)
}

async fn survey(State(app): State<App>, who: Who) -> Result<(), Failure> {
    app.must_be_connected()?;
    app.order(who, Order::Survey)
}

async fn record(State(app): State<App>, who: Who, Json(wanted): Json<RecordJson>) -> Result<(), Failure> {
    app.must_be_connected()?;
    let signals = workshop::signal_ids(&wanted.signals)?;
    app.order(who, Order::Record { signals, seconds: wanted.seconds })
}

/// Records other signals from now on, in the same drive.
async fn change(State(app): State<App>, Json(wanted): Json<ChangeJson>) -> Result<(), Failure> {
    let signals = workshop::signal_ids(&wanted.signals)?;
    if signals.is_empty() {
        return Err(Failure::input("no signal was named"));
    }
    app.bay().change_signals(signals)
}

/// What the modules of the connected car can be told to do.
async fn commands(State(app): State<App>) -> Json<wire::Commands> {
    Json(app.bay().commands())
}

async fn command(State(app): State<App>, who: Who, Json(wanted): Json<CommandWishJson>) -> Result<(), Failure> {
    if !app.access().is_here(who.id) {
        return Err(Failure::busy("a command takes a page that stays open: this one has no stream"));
    }
    app.must_be_connected()?;
    let [id] = &workshop::signal_ids(&[wanted.id])?[..] else {
        return Err(Failure::input("name one output or routine"));
    };
    let wish = CommandWish {
        id: id.clone(),
        how: wanted.how.into(),
        signals: workshop::signal_ids(&wanted.signals)?,
        out: None,
        replace: false,
        cautions_read: wanted.cautions_read,
        pauses_s: PAUSES_S,
    };
    app.order(who, Order::Command { wish: Box::new(wish), client: who.id })
}

/// Reads and saves everything that clearing codes would cost.
async fn prepare_clearing(State(app): State<App>, who: Who) -> Result<(), Failure> {
    app.must_be_connected()?;
    app.order(who, Order::PrepareClearing)
}

async fn clear(State(app): State<App>, who: Who, Json(wanted): Json<ClearJson>) -> Result<(), Failure> {
    app.must_be_connected()?;
    let ClearJson { modules, costs_read, stands, unread } = wanted;
    app.order(who, Order::Clear(Wanted { modules, costs_read, stands, unread }))
}

/// Ends a recording or a command.
async fn stop(State(app): State<App>) -> Result<(), Failure> {
    app.bay().stop();
    Ok(())
}

async fn mark(State(app): State<App>, who: Who, Json(wanted): Json<MarkJson>) -> Result<(), Failure> {
    if wanted.text.len() > MAX_TEXT {
        return Err(Failure::input(format!("the text of a mark has at most {MAX_TEXT} bytes")));
    }
    app.bay().mark(who, &wanted.text)
}
