//! `/api/session`: who a page is, and how it joins.

use axum::Json;
use axum::extract::{ConnectInfo, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};

use super::gate::{Gate, Routes};
use crate::Peer;
use crate::access::{Token, Who};
use crate::app::App;
use crate::failure::Failure;

/// What a page learns of itself.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct SessionJson {
    pub(crate) id: u32,
    /// Whether it is open at the machine itself, and may so invite others and change settings.
    pub(crate) is_bench: bool,
    pub(crate) may_hold: bool,
    /// Program and version.
    pub(crate) software: String,
    /// Whether it can write reports as PDF.
    pub(crate) has_pdf: bool,
}

#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct JoinJson {
    code: String,
    /// What others see it as.
    name: String,
}

pub(crate) fn routes() -> Routes {
    Routes::default().get(Gate::Anyone, "/session", show).post(Gate::Anyone, "/session/join", join)
}

/// Who the page is; a page at the machine itself is let in right here.
async fn show(
    State(app): State<App>,
    ConnectInfo(peer): ConnectInfo<Peer>,
    who: Result<Who, Failure>,
) -> Result<Response, Failure> {
    match who {
        Ok(who) => Ok(Json(session(&app, who)).into_response()),
        Err(_) if peer.remote.ip().to_canonical().is_loopback() => {
            let (who, token) = app.access().admit_bench(app.now());
            Ok(with_cookie(&app, who, &token))
        }
        Err(failure) => Err(failure),
    }
}

async fn join(
    State(app): State<App>,
    ConnectInfo(peer): ConnectInfo<Peer>,
    Json(wanted): Json<JoinJson>,
) -> Result<Response, Failure> {
    let pause = app.access().pause_before_join(app.now());
    tokio::time::sleep(pause).await;
    let now = app.now();
    let (who, token) = app.access().join(&wanted.code, &wanted.name, peer.remote.ip().to_canonical(), now)?;
    app.changed();
    Ok(with_cookie(&app, who, &token))
}

fn session(app: &App, who: Who) -> SessionJson {
    let software = app.workshop().software().to_owned();
    let has_pdf = workshop::HAS_PDF;
    SessionJson { id: who.id, is_bench: who.is_bench, may_hold: who.may_hold, software, has_pdf }
}

fn with_cookie(app: &App, who: Who, token: &Token) -> Response {
    let mut headers = HeaderMap::new();
    let cookie =
        format!("{}={}; Path=/; HttpOnly; SameSite=Strict; Max-Age=2592000", app.cookie_name(), token.as_str());
    if let Ok(value) = HeaderValue::from_str(&cookie) {
        headers.insert(header::SET_COOKIE, value);
    }
    (StatusCode::OK, headers, Json(session(app, who))).into_response()
}
