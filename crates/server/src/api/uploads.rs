//! `/api/uploads`: a drive, a case or a table from elsewhere is brought in; `/api/cases/{number}/file` takes a case out.
//!
//! A file comes in pieces straight onto the disk, never larger than is said here, and is nowhere but in a draft until
//! what is in it has been checked. What goes out goes in pieces from the disk as well: no file is held in memory.

use std::io::{BufWriter, Read, Write};

use axum::Json;
use axum::body::{Body, Bytes};
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream::try_unfold;
use http_body_util::BodyExt;
use serde::Deserialize;
use workshop::CaseChoice;

use super::gate::{Gate, Routes};
use crate::access::Who;
use crate::app::{App, Draft};
use crate::failure::Failure;

/// Most bytes of a file from elsewhere: a case with some long drives.
const MAX_UPLOAD: u64 = 4 << 30;
/// After how many bytes it is looked again whether the disk has room.
const LOOKS_EVERY: u64 = 16 << 20;
/// Bytes that are read at once of a file that goes out.
const PIECE: usize = 1 << 16;

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
    let draft = receive(&app, body, MAX_UPLOAD).await?;
    let workshop = app.workshop_of(who);
    let taken = app.off_thread(move |_| {
        let called = |error| Failure::from(error).calling(draft.path(), &wanted.name);
        Ok(Json(workshop.take_in(draft.path(), &wanted.name).map_err(called)?))
    });
    let taken = taken.await;
    app.case_changed();
    taken
}

/// Takes a file in pieces into a draft, and no more of it than `most` bytes, or than the disk has room for.
pub(crate) async fn receive(app: &App, mut body: Body, most: u64) -> Result<Draft, Failure> {
    let draft = app.off_thread(|app| app.incoming()).await?;
    // A body may come in pieces of a byte.
    let mut file = BufWriter::new(std::fs::File::create(draft.path()).map_err(Failure::own)?);
    let (mut n_bytes, mut looks_at) = (0, 0);
    while let Some(frame) = body.frame().await {
        let frame = frame.map_err(|error| Failure::input(format!("the file did not arrive whole: {error}")))?;
        let Ok(piece) = frame.into_data() else { continue };
        n_bytes += piece.len() as u64;
        if n_bytes > most {
            let most = format!("this file has at most {} MB", most >> 20);
            return Err(Failure::new(StatusCode::PAYLOAD_TOO_LARGE, most));
        }
        if n_bytes > looks_at {
            app.must_have_room(LOOKS_EVERY)?;
            looks_at = n_bytes + LOOKS_EVERY;
        }
        // Not a thread of the pages' own: a slow disk keeps only this upload waiting.
        tokio::task::block_in_place(|| file.write_all(&piece)).map_err(Failure::own)?;
    }
    tokio::task::block_in_place(|| file.flush()).map_err(Failure::own)?;
    Ok(draft)
}

/// A case with its files, for another shop.
async fn take_out(State(app): State<App>, Path(number): Path<i64>) -> Result<Response, Failure> {
    let draft = app
        .at_length(move |app| {
            let workshop = app.workshop().clone().in_case(CaseChoice::Number(number));
            // That there is no such case is told below.
            app.must_have_room(workshop.size_of_case().unwrap_or(0))?;
            let draft = app.incoming()?;
            workshop.export_case(draft.path())?;
            Ok(draft)
        })
        .await?;
    hand_out(draft, "application/zip", &format!("case-{number}.zip"))
}

/// Sends a draft in pieces, as a file of this kind and name; the draft is gone when it went out, or when nobody takes it.
pub(crate) fn hand_out(draft: Draft, kind: &'static str, name: &str) -> Result<Response, Failure> {
    let file = std::fs::File::open(draft.path()).map_err(Failure::own)?;
    let n_bytes = file.metadata().map_err(Failure::own)?.len();
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(kind)),
        (header::CONTENT_LENGTH, HeaderValue::from(n_bytes)),
        (
            header::CONTENT_DISPOSITION,
            HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")).map_err(Failure::own)?,
        ),
    ];
    let pieces = try_unfold((file, draft), |(mut file, draft)| async move {
        let mut piece = vec![0; PIECE];
        let n_read = tokio::task::block_in_place(|| file.read(&mut piece))?;
        piece.truncate(n_read);
        Ok::<_, std::io::Error>((n_read > 0).then(|| (Bytes::from(piece), (file, draft))))
    });
    Ok((headers, Body::from_stream(pieces)).into_response())
}
