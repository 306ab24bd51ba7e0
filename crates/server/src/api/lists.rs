//! `/api/signals`, `/api/watchlists` and `/api/adapters`: what can be chosen from.

use axum::Json;
use axum::extract::{Path, State};
use serde::Serialize;

use super::gate::{Gate, Routes};
use crate::app::App;
use crate::failure::Failure;
use crate::shown::Stage;

/// An adapter that can be tried.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct AdapterJson {
    pub(crate) address: String,
    /// Whether it is the invented car.
    pub(crate) is_invented: bool,
}

pub(crate) fn routes() -> Routes {
    Routes::default()
        .get(Gate::Joined, "/signals", signals)
        .get(Gate::Joined, "/adapters", adapters)
        .post(Gate::Worker, "/adapters/look", look)
        .get(Gate::Joined, "/watchlists", watchlists)
        .put(Gate::Worker, "/watchlists/{name}", save)
        .delete(Gate::Worker, "/watchlists/{name}", remove)
}

async fn signals(State(app): State<App>) -> Result<Json<Vec<wire::Signal>>, Failure> {
    app.off_thread(|app| {
        let definitions = workshop::definitions(&app.workshop().definition_files())?;
        Ok(Json(workshop::known_signals(&definitions)))
    })
    .await
}

async fn adapters(State(app): State<App>) -> Json<Vec<AdapterJson>> {
    let mut addresses = app.options().adapters.clone();
    addresses.push("standin:fell".to_owned());
    addresses.dedup();
    let adapter = |address: String| AdapterJson { is_invented: address.starts_with("standin:"), address };
    Json(addresses.into_iter().map(adapter).collect())
}

/// Looks for everything that is plugged in or in reach, which takes some seconds, and asks each who it is. While a car is
/// connected nothing is asked: an adapter takes one connection.
async fn look(State(app): State<App>) -> Result<Json<wire::Adapters>, Failure> {
    app.off_thread(|app| {
        let is_free = app.bay().car().stage == Stage::Empty;
        Ok(Json(app.workshop().adapters(None, is_free, &mut workshop::Silent)?))
    })
    .await
}

async fn watchlists(State(app): State<App>) -> Result<Json<Vec<wire::Watchlist>>, Failure> {
    app.off_thread(|app| Ok(Json(app.workshop().watchlists()?))).await
}

async fn save(
    State(app): State<App>,
    Path(name): Path<String>,
    Json(signals): Json<Vec<String>>,
) -> Result<(), Failure> {
    app.off_thread(move |app| Ok(app.workshop().save_watchlist(&name, &signals)?)).await
}

async fn remove(State(app): State<App>, Path(name): Path<String>) -> Result<(), Failure> {
    app.off_thread(move |app| Ok(app.workshop().remove_watchlist(&name)?)).await
}
