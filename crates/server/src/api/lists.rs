//! `/api/signals`, `/api/watchlists` and `/api/adapters`: what can be chosen from.

use axum::Json;
use axum::extract::{Path, State};
use serde::Serialize;

use super::gate::{Gate, Routes};
use crate::app::App;
use crate::failure::Failure;
use crate::shown::Stage;

/// Address of the invented car.
const INVENTED: &str = "standin:fell";

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
        let _turn = app.describing();
        let definitions = workshop::definitions(&app.workshop().definition_files())?;
        Ok(Json(workshop::known_signals(&definitions)))
    })
    .await
}

impl App {
    /// Adapters that were named at the start of the program or answered the bench before, and the invented car.
    fn listed_adapters(&self) -> Vec<String> {
        let named = self.options().adapters.iter().cloned();
        let answered = self.workshop().adapters_that_answered().into_iter();
        let mut listed = Vec::new();
        for address in named.chain(answered).chain([INVENTED.to_owned()]) {
            if !listed.contains(&address) {
                listed.push(address);
            }
        }
        listed
    }

    /// Whether an adapter is listed, was found when somebody looked, or is the one of the last connection.
    pub(crate) fn knows_adapter(&self, address: &str) -> bool {
        let is_last = self.bay().car().adapter.is_some_and(|last| last == address);
        is_last || self.has_found(address) || self.listed_adapters().iter().any(|listed| listed == address)
    }
}

async fn adapters(State(app): State<App>) -> Json<Vec<AdapterJson>> {
    let adapter = |address: String| AdapterJson { is_invented: address.starts_with("standin:"), address };
    Json(app.listed_adapters().into_iter().map(adapter).collect())
}

/// Looks for everything that is plugged in or in reach, which takes some seconds, and asks each who it is. While a car is
/// connected nothing is asked: an adapter takes one connection.
async fn look(State(app): State<App>) -> Result<Json<wire::Adapters>, Failure> {
    app.off_thread(|app| {
        let is_free = app.bay().car().stage == Stage::Empty;
        let found = app.workshop().adapters(None, is_free, &mut workshop::Silent)?;
        app.found_adapters(found.adapters.iter().map(|adapter| adapter.address.clone()));
        Ok(Json(found))
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
