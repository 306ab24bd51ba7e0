//! `/api/cases` and `/api/case`: cases, and the ledger of the open one.
//!
//! Whoever may work writes under the name of their page. Everything here is an addition: a ledger is never edited.

use axum::Json;
use axum::body::Body;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use wire::Content;
use workshop::{CaseChoice, CompareWish, MAX_PHOTO_BYTES, NewCase, When, Workshop, WorkshopError};

use super::gate::{Gate, Routes};
use crate::access::Who;
use crate::api::drives::file_of;
use crate::api::uploads::receive;
use crate::app::App;
use crate::failure::Failure;

/// Most cases of a list.
const LISTED: usize = 200;
/// Longest text of an entry, bytes.
const MAX_TEXT: usize = 20_000;

#[derive(Debug, Deserialize)]
pub(crate) struct CasesQuery {
    /// Words that all occur in the case.
    #[serde(default)]
    search: String,
}

#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct NewCaseJson {
    complaint: String,
    conditions: wire::Conditions,
    vehicle: wire::CaseVehicle,
    mileage_km: Option<u32>,
}

/// What is to be written into the ledger of a case.
#[derive(Debug, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub(crate) enum EntryJson {
    /// Something that somebody noticed.
    Note { text: String },
    /// A stretch of a drive that matters.
    Pin {
        /// What the drive is asked for by.
        drive: String,
        t_s: f64,
        /// Null for a moment.
        to_s: Option<f64>,
        text: String,
    },
    /// A drive is that of a healthy car: later ones of its model can be laid over it.
    Healthy {
        /// What the drive is asked for by.
        drive: String,
        model: String,
        text: String,
    },
    /// Something was decided.
    Decision { text: String, reason: String },
    /// The answer of a test that was made by hand.
    Tested { area: String, test: String, is_yes: bool },
    /// A suspect was repaired.
    Repaired { area: String, suspect: String, helped: bool },
    /// Two parts of one kind changed places.
    Swap { part: String, from: u32, to: u32 },
    /// The last swap: put back, or it never happened.
    SwapUndone { mistaken: bool },
    /// A part from outside came in.
    Replaced { part: String, at: Option<u32>, text: String },
    /// An entry was wrong.
    Correction {
        #[cfg_attr(test, ts(type = "number"))]
        of: u64,
        reason: String,
    },
    /// The case is over.
    Closed { outcome: String },
}

impl EntryJson {
    /// Everything in it that is written down as it came.
    fn texts(&self) -> Vec<&str> {
        match self {
            Self::Note { text } => vec![text],
            Self::Pin { drive, text, .. } => vec![drive, text],
            Self::Healthy { drive, model, text } => vec![drive, model, text],
            Self::Decision { text, reason } => vec![text, reason],
            Self::Tested { area, test, .. } => vec![area, test],
            Self::Repaired { area, suspect, .. } => vec![area, suspect],
            Self::Swap { part, .. } => vec![part],
            Self::SwapUndone { .. } => Vec::new(),
            Self::Replaced { part, text, .. } => vec![part, text],
            Self::Correction { reason, .. } => vec![reason],
            Self::Closed { outcome } => vec![outcome],
        }
    }
}

pub(crate) fn routes() -> Routes {
    Routes::default()
        .get(Gate::Joined, "/cases", list)
        .post(Gate::Worker, "/cases", open)
        .get(Gate::Joined, "/cases/{number}", show)
        .post(Gate::Worker, "/cases/{number}/take-up", take_up)
        .get(Gate::Joined, "/case", show_open)
        .post(Gate::Worker, "/case", add)
        .post(Gate::Worker, "/case/suspects", suspects)
        .post(Gate::Worker, "/case/swap-verdict", judge_swap)
        .post(Gate::Worker, "/case/proof", proof)
        .get(Gate::Joined, "/case/verify", verify)
        .get(Gate::Joined, "/case/compared", compared)
        .post(Gate::Worker, "/case/photo", add_photo)
        .get(Gate::Joined, "/case/photo/{name}", photo)
}

/// The case that something is meant for.
#[derive(Debug, Clone, Copy, Default, Deserialize)]
struct Meant {
    /// Its number: of what was begun in a page while that case was open, as another may be by now. Without it, the open one.
    case: Option<i64>,
}

impl App {
    /// Does something that changes a case, off the threads of the pages, and tells all pages.
    async fn in_case<T: Send + 'static>(
        &self,
        who: Who,
        meant: Meant,
        work: impl FnOnce(&Workshop) -> Result<T, WorkshopError> + Send + 'static,
    ) -> Result<Json<T>, Failure> {
        let workshop = self.workshop_of(who);
        let workshop = match meant.case {
            Some(number) => workshop.in_case(CaseChoice::Number(number)),
            None => workshop,
        };
        let done = self.off_thread(move |_| Ok(Json(work(&workshop)?))).await;
        self.case_changed();
        done
    }
}

async fn list(State(app): State<App>, Query(wanted): Query<CasesQuery>) -> Result<Json<wire::Cases>, Failure> {
    app.off_thread(move |app| Ok(Json(app.workshop().find_cases(&wanted.search, LISTED)?))).await
}

async fn open(
    State(app): State<App>,
    who: Who,
    Json(new): Json<NewCaseJson>,
) -> Result<Json<wire::CaseEntry>, Failure> {
    let NewCaseJson { complaint, conditions, vehicle, mileage_km } = new;
    let wire::Conditions { engine, speed, weather, often } = &conditions;
    let wire::CaseVehicle { vin, plate, model, engine: motor, .. } = &vehicle;
    let others = [engine, speed, weather, often, vin, plate, model, motor].into_iter().flatten().map(String::as_str);
    must_be_short(others.chain([complaint.as_str()]))?;
    app.in_case(who, Meant::default(), move |workshop| {
        workshop.new_case(&NewCase { vehicle, complaint, conditions, mileage_km })
    })
    .await
}

async fn show(State(app): State<App>, Path(number): Path<i64>) -> Result<Json<wire::CaseShown>, Failure> {
    app.off_thread(move |app| Ok(Json(app.workshop().clone().in_case(CaseChoice::Number(number)).show_case()?))).await
}

async fn take_up(State(app): State<App>, who: Who, Path(number): Path<i64>) -> Result<Json<wire::Case>, Failure> {
    app.in_case(who, Meant { case: Some(number) }, Workshop::take_up_case).await
}

/// The open case; null when none is open.
async fn show_open(State(app): State<App>) -> Result<Json<Option<wire::CaseShown>>, Failure> {
    app.off_thread(|app| match app.workshop().show_case() {
        Ok(shown) => Ok(Json(Some(shown))),
        Err(WorkshopError::NoOpenCase) => Ok(Json(None)),
        Err(error) => Err(error.into()),
    })
    .await
}

async fn add(
    State(app): State<App>,
    who: Who,
    Query(meant): Query<Meant>,
    Json(entry): Json<EntryJson>,
) -> Result<Json<wire::CaseEntry>, Failure> {
    must_be_short(entry.texts())?;
    let content = match entry {
        EntryJson::Swap { part, from, to } => {
            return app.in_case(who, meant, move |workshop| workshop.add_swap(&part, from, to, When::Now)).await;
        }
        EntryJson::SwapUndone { mistaken } => {
            return app.in_case(who, meant, move |workshop| workshop.undo_swap(mistaken)).await;
        }
        EntryJson::Replaced { part, at, text } => {
            return app
                .in_case(who, meant, move |workshop| workshop.add_replacement(&part, at, &text, When::Now))
                .await;
        }
        EntryJson::Healthy { drive, model, text } => {
            if model.trim().is_empty() {
                return Err(Failure::input("a healthy drive is of some model").hint("say which one"));
            }
            let file = app.off_thread(move |app| file_of(app, &drive)).await?;
            return app.in_case(who, meant, move |workshop| workshop.mark_reference(&file, Some(&model), &text)).await;
        }
        EntryJson::Note { text } => Content::Note { text },
        EntryJson::Decision { text, reason } => Content::Decision { text, reason },
        EntryJson::Tested { area, test, is_yes } => Content::Tested { area, test, is_yes },
        EntryJson::Repaired { area, suspect, helped } => Content::Repaired { area, suspect, helped },
        EntryJson::Correction { of, reason } => Content::Correction { of, reason, content: None },
        EntryJson::Closed { outcome } => Content::Closed { outcome },
        EntryJson::Pin { drive, t_s, to_s, text } => {
            if !t_s.is_finite() || to_s.is_some_and(|to_s| !to_s.is_finite() || to_s < t_s) {
                return Err(Failure::input("a stretch of a drive ends after it begins"));
            }
            let sha256 = app.off_thread(move |app| app.sha256_of_drive(&drive)).await?;
            Content::Mark { drive: sha256, t_s, to_s, text }
        }
    };
    app.in_case(who, meant, move |workshop| workshop.add_entry(&content)).await
}

/// Weighs everything that the open case knows; how the suspects stand is written down when it changed.
async fn suspects(State(app): State<App>, who: Who) -> Result<Json<wire::Suspects>, Failure> {
    // Pages ask whenever the ledger grew: that their question may add an entry is no news to them.
    let workshop = app.workshop_of(who);
    app.off_thread(move |app| {
        let _turn = app.weighing();
        Ok(Json(workshop.suspects_of_case(None)?))
    })
    .await
}

async fn judge_swap(State(app): State<App>, who: Who) -> Result<Json<wire::SwapJudged>, Failure> {
    app.in_case(who, Meant::default(), Workshop::judge_case).await
}

async fn proof(State(app): State<App>, who: Who) -> Result<Json<wire::Proof>, Failure> {
    app.in_case(who, Meant::default(), Workshop::proof_of_case).await
}

async fn verify(State(app): State<App>) -> Result<Json<wire::Verified>, Failure> {
    app.at_length(|app| Ok(Json(app.workshop().verify_case()?))).await
}

/// The first and the last survey and drive of the open case side by side; null when there are not two of either.
async fn compared(State(app): State<App>) -> Result<Json<Option<wire::Compared>>, Failure> {
    app.at_length(|app| match app.workshop().compare(&CompareWish::default()) {
        Ok(compared) => Ok(Json(Some(compared))),
        Err(WorkshopError::Lacking { .. }) => Ok(Json(None)),
        Err(error) => Err(error.into()),
    })
    .await
}

#[derive(Debug, Deserialize)]
pub(crate) struct PhotoQuery {
    /// What it shows.
    text: String,
    /// As [`Meant::case`].
    case: Option<i64>,
}

/// A picture for the ledger, as the camera made it; what is kept is drawn anew from its pixels.
async fn add_photo(
    State(app): State<App>,
    who: Who,
    Query(PhotoQuery { text, case }): Query<PhotoQuery>,
    body: Body,
) -> Result<Json<wire::CaseEntry>, Failure> {
    must_be_short([text.as_str()])?;
    let draft = receive(&app, body, MAX_PHOTO_BYTES).await?;
    app.in_case(who, Meant { case }, move |workshop| workshop.add_photo(draft.path(), &text)).await
}

/// A picture of the open case.
async fn photo(State(app): State<App>, Path(sha256): Path<String>) -> Result<Response, Failure> {
    let image = app.off_thread(move |app| Ok(app.workshop().photo(&sha256)?)).await?;
    let kind = HeaderValue::from_static(image.media_type());
    Ok(([(header::CONTENT_TYPE, kind)], image.bytes().to_vec()).into_response())
}

fn must_be_short<'t>(texts: impl IntoIterator<Item = &'t str>) -> Result<(), Failure> {
    if texts.into_iter().all(|text| text.len() <= MAX_TEXT) {
        return Ok(());
    }
    Err(Failure::input(format!("a text of the ledger has at most {MAX_TEXT} bytes")))
}
