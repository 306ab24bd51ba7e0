//! `/api/uploads`: a drive, a case or a table from elsewhere is brought in; `/api/cases/{number}/file` takes a case out.
//!
//! A file comes in pieces straight onto the disk, never larger than is said here, and is nowhere but in a draft until
//! what is in it has been checked.

use std::io::Write;

use axum::Json;
use axum::body::Body;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use http_body_util::BodyExt;
use serde::Deserialize;
use workshop::CaseChoice;

use super::gate::{Gate, Routes};
use crate::access::Who;
use crate::app::{App, Draft};
use crate::failure::Failure;

/// Most bytes of a file from elsewhere: a case with some long drives.
const MAX_UPLOAD: u64 = 4 << 30;

#[derive(Debug, Deserialize)]
pub(crate) struct UploadQuery {
    /// What it was called where it comes from; only ever a hint.
    name: String,
}

pub(crate) fn routes() -> Routes {
    Routes::default().post(Gate::Worker, "/uploads", take_in).get(Gate::Worker, "/cases/{number}/file", take_out)
}

async fn take_in(
    State(app): State<App>,
    who: Who,
    Query(wanted): Query<UploadQuery>,
    body: Body,
) -> Result<Json<wire::TakenIn>, Failure> {
    let draft = app.off_thread(|app| app.incoming()).await?;
    receive(body, &draft, MAX_UPLOAD).await?;
    let workshop = app.workshop_of(who);
    let taken = app.off_thread(move |_| Ok(Json(workshop.take_in(draft.path(), &wanted.name)?))).await;
    app.case_changed();
    taken
}

/// Takes a file in pieces into a draft, and no more of it than `most` bytes.
pub(crate) async fn receive(mut body: Body, draft: &Draft, most: u64) -> Result<(), Failure> {
    let mut file = std::fs::File::create(draft.path()).map_err(Failure::own)?;
    let mut n_bytes = 0;
    while let Some(frame) = body.frame().await {
        let frame = frame.map_err(|error| Failure::input(format!("the file did not arrive whole: {error}")))?;
        let Ok(piece) = frame.into_data() else { continue };
        n_bytes += piece.len() as u64;
        if n_bytes > most {
            let most = format!("this file has at most {} MB", most >> 20);
            return Err(Failure::new(StatusCode::PAYLOAD_TOO_LARGE, most));
        }
        // Not a thread of the pages' own: a slow disk keeps only this upload waiting.
        tokio::task::block_in_place(|| file.write_all(&piece)).map_err(Failure::own)?;
    }
    Ok(())
}

/// A case with its files, for another shop.
async fn take_out(State(app): State<App>, Path(number): Path<i64>) -> Result<Response, Failure> {
    let bytes = app
        .off_thread(move |app| {
            let draft = app.incoming()?;
            app.workshop().clone().in_case(CaseChoice::Number(number)).export_case(draft.path())?;
            std::fs::read(draft.path()).map_err(Failure::own)
        })
        .await?;
    let name = format!("attachment; filename=\"case-{number}.zip\"");
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("application/zip")),
        (header::CONTENT_DISPOSITION, HeaderValue::from_str(&name).map_err(Failure::own)?),
    ];
    Ok((headers, bytes).into_response())
}
