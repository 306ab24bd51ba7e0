//! `/api/car`: connecting, surveying and recording; only the holder of the car may.

use axum::extract::State;
use axum::routing::post;
use axum::{Json, Router};
use serde::Deserialize;

use crate::access::Who;
use crate::app::App;
use crate::bay::Order;
use crate::failure::Failure;

/// Longest text of a mark.
const MAX_TEXT: usize = 2000;

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

pub(crate) fn routes() -> Router<App> {
    Router::new()
        .route("/car/connect", post(connect))
        .route("/car/disconnect", post(disconnect))
        .route("/car/survey", post(survey))
        .route("/car/record", post(record))
        .route("/car/signals", post(change))
        .route("/car/stop", post(stop))
        .route("/car/mark", post(mark))
}

async fn connect(State(app): State<App>, who: Who, Json(wanted): Json<ConnectJson>) -> Result<(), Failure> {
    app.access().must_hold(who)?;
    app.order(who, Order::Connect { adapter: wanted.adapter.trim().to_owned() })
}

async fn disconnect(State(app): State<App>, who: Who) -> Result<(), Failure> {
    app.access().must_hold(who)?;
    app.order(who, Order::Disconnect)
}

async fn survey(State(app): State<App>, who: Who) -> Result<(), Failure> {
    app.access().must_hold(who)?;
    app.must_be_connected()?;
    app.order(who, Order::Survey)
}

async fn record(State(app): State<App>, who: Who, Json(wanted): Json<RecordJson>) -> Result<(), Failure> {
    app.access().must_hold(who)?;
    app.must_be_connected()?;
    let signals = workshop::signal_ids(&wanted.signals)?;
    app.order(who, Order::Record { signals, seconds: wanted.seconds })
}

/// Records other signals from now on, in the same drive.
async fn change(State(app): State<App>, who: Who, Json(wanted): Json<ChangeJson>) -> Result<(), Failure> {
    app.access().must_hold(who)?;
    let signals = workshop::signal_ids(&wanted.signals)?;
    if signals.is_empty() {
        return Err(Failure::input("no signal was named"));
    }
    app.bay().change_signals(signals)
}

/// Ends a recording.
async fn stop(State(app): State<App>, who: Who) -> Result<(), Failure> {
    app.access().must_hold(who)?;
    app.bay().stop();
    Ok(())
}

/// A mark harms nothing: whoever looks on may set one.
async fn mark(State(app): State<App>, _: Who, Json(wanted): Json<MarkJson>) -> Result<(), Failure> {
    if wanted.text.len() > MAX_TEXT {
        return Err(Failure::input(format!("the text of a mark has at most {MAX_TEXT} bytes")));
    }
    app.bay().mark(&wanted.text)
}
