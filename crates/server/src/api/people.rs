//! `/api/people`: inviting, sending away, and who holds the car.

use axum::Json;
use axum::extract::{Path, State};
use qrcodegen::{QrCode, QrCodeEcc};
use serde::{Deserialize, Serialize};

use super::gate::{Gate, Routes};
use crate::access::{CODE_LASTS, Who};
use crate::app::App;
use crate::failure::Failure;
use crate::network;

#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct InviteJson {
    /// Whether whoever joins may hold the car.
    may_hold: bool,
}

/// A pairing code, as text and as a picture.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct InvitationJson {
    pub(crate) code: String,
    /// What the picture says: the workbench's address with the code behind it.
    pub(crate) url: String,
    /// The QR code row by row, `1` for a dark square.
    pub(crate) qr: Vec<String>,
    pub(crate) lasts_s: u32,
}

#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct HandOverJson {
    /// Who gets the car; null for nobody.
    to: Option<u32>,
}

#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct RenameJson {
    name: String,
}

/// Whether the car was taken, or its holder was asked for it.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct TakenJson {
    pub(crate) taken: bool,
}

pub(crate) fn routes() -> Routes {
    Routes::default()
        .post(Gate::Bench, "/people/invite", invite)
        .post(Gate::Bench, "/people/close", close)
        .post(Gate::Joined, "/people/me", rename)
        .delete(Gate::Bench, "/people/{id}", dismiss)
        .post(Gate::Worker, "/car/take", take)
        .post(Gate::Holder, "/car/hand-over", hand_over)
        .post(Gate::Holder, "/car/keep", keep)
}

/// Opens the shop's network if it is closed, or was opened where this machine is not any more, and makes a pairing code.
async fn invite(State(app): State<App>, Json(wanted): Json<InviteJson>) -> Result<Json<InvitationJson>, Failure> {
    let address = match app.network_address().filter(|address| network::is_own(*address)) {
        Some(address) => address,
        None => network::open(&app).await?,
    };
    let now = app.now();
    let code = app.access().invite(wanted.may_hold, now);
    // Behind `#` the code stays in the browser and in no log.
    let url = format!("http://{address}/join#{code}");
    Ok(Json(InvitationJson { qr: qr(&url)?, code, url, lasts_s: CODE_LASTS.as_secs() as u32 }))
}

async fn close(State(app): State<App>) -> Result<(), Failure> {
    app.close_network();
    Ok(())
}

async fn dismiss(State(app): State<App>, Path(id): Path<u32>) -> Result<(), Failure> {
    app.access().dismiss(id);
    app.changed();
    Ok(())
}

async fn rename(State(app): State<App>, who: Who, Json(wanted): Json<RenameJson>) {
    app.access().rename(who.id, &wanted.name);
    app.changed();
}

async fn take(State(app): State<App>, who: Who) -> Result<Json<TakenJson>, Failure> {
    let now = app.now();
    let taken = app.access().take(who, now)?;
    app.changed();
    Ok(Json(TakenJson { taken }))
}

async fn hand_over(State(app): State<App>, who: Who, Json(wanted): Json<HandOverJson>) -> Result<(), Failure> {
    app.access().hand_over(who, wanted.to)?;
    app.changed();
    Ok(())
}

async fn keep(State(app): State<App>, who: Who) -> Result<(), Failure> {
    app.access().keep(who)?;
    app.changed();
    Ok(())
}

fn qr(text: &str) -> Result<Vec<String>, Failure> {
    let code = QrCode::encode_text(text, QrCodeEcc::Medium).map_err(Failure::own)?;
    let row = |y| (0..code.size()).map(|x| if code.get_module(x, y) { '1' } else { '0' }).collect();
    Ok((0..code.size()).map(row).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_invited_to_an_address_that_this_machine_had() {
        let (_folder, app) = App::alone();
        let runtime = tokio::runtime::Runtime::new().unwrap();
        let invited = runtime.block_on(async {
            // An address of the block for documentation (RFC 5737).
            let before = tokio::spawn(std::future::pending::<()>());
            app.network_opened("192.0.2.9:4715".parse().unwrap(), before.abort_handle());
            let invited = invite(State(app.clone()), Json(InviteJson { may_hold: false })).await;
            assert!(before.await.unwrap_err().is_cancelled());
            invited.unwrap().0.url
        });
        assert!(!invited.contains("192.0.2.9"), "{invited}");
    }
}
