//! `/api/drives`: what was recorded, what it proves, and its samples as fine as a screen can show them.

use std::collections::BTreeSet;
use std::path::{Path as FsPath, PathBuf};

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use signal::nanos_from_seconds;
use workshop::{CaseChoice, CompareWish, WorkshopError};

use super::gate::{Gate, Routes};
use crate::access::Who;
use crate::api::report::ReaderQuery;
use crate::app::App;
use crate::failure::Failure;
use crate::overview::About;
use crate::stream::frame::Frame;
use crate::thin;

/// Most columns of pixels that are served: four screens of 4000.
const MAX_COLUMNS: usize = 16_000;

/// A drive on the shelf.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct DriveJson {
    /// What it is asked for by.
    pub(crate) id: String,
    /// Size of its file.
    #[cfg_attr(test, ts(type = "number"))]
    pub(crate) bytes: u64,
    /// When its file was last written, seconds since 1970-01-01 UTC.
    #[cfg_attr(test, ts(type = "number"))]
    pub(crate) written_unix_s: u64,
}

/// What a drive proves, for a reader.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct ExaminedJson {
    #[serde(flatten)]
    #[cfg_attr(test, ts(flatten))]
    examined: wire::Examined,
    /// Each finding in plain words of the reader's language.
    plain: Vec<String>,
}

/// A stretch of a drive, as fine as it is drawn.
#[derive(Debug, Deserialize)]
pub(crate) struct TraceQuery {
    from_s: f64,
    to_s: f64,
    /// How many pixels wide.
    columns: usize,
    /// Places of the wanted signals in the drive's list, with commas between.
    signals: String,
}

/// Whose healthy drives are meant.
#[derive(Debug, Deserialize)]
pub(crate) struct HealthyQuery {
    model: String,
}

pub(crate) fn routes() -> Routes {
    Routes::default()
        .get(Gate::Joined, "/drives", list)
        .get(Gate::Joined, "/drives/{id}", show)
        .get(Gate::Joined, "/drives/{id}/examined", examined)
        .get(Gate::Joined, "/drives/{id}/healthy", healthy)
        .get(Gate::Joined, "/drives/{id}/trace", trace)
}

fn folder(app: &App) -> PathBuf {
    app.workshop().places().folder().join("drives")
}

/// The file of a drive. A name never leads out of the folder.
pub(crate) fn file_of(app: &App, id: &str) -> Result<PathBuf, Failure> {
    let is_plain = !id.is_empty() && !id.starts_with('.') && !id.contains(['/', '\\', '\0', ':']);
    let path = folder(app).join(format!("{id}.mcap"));
    if is_plain && path.is_file() {
        if app.bay().is_on_tape(&path) {
            return Err(
                Failure::busy("this drive is still being recorded").hint("look at it under Live until it is over")
            );
        }
        return Ok(path);
    }
    of_open_case(app, id).ok_or_else(|| Failure::missing("there is no such drive"))
}

/// A drive of the open case that is kept with it: the case came from another shop.
fn of_open_case(app: &App, id: &str) -> Option<PathBuf> {
    let shown = app.workshop().show_case().ok()?;
    let mut files = shown.entries.iter().filter_map(|entry| match &entry.content {
        wire::Content::Drive { file, .. } => Some(file),
        _ => None,
    });
    let file = files.find(|file| FsPath::new(&file.path).file_stem().is_some_and(|stem| stem == id))?;
    Some(app.workshop().path_of(&shown.case.uid, file)).filter(|path| path.is_file())
}

async fn list(State(app): State<App>) -> Result<Json<Vec<DriveJson>>, Failure> {
    let files = |app: &App| -> Vec<PathBuf> {
        std::fs::read_dir(folder(app)).into_iter().flatten().flatten().map(|entry| entry.path()).collect()
    };
    let listed = app.off_thread(move |app| {
        let mut drives: Vec<(DriveJson, PathBuf)> =
            files(app).into_iter().filter_map(|path| Some((shelved(app, &path)?, path))).collect();
        drives.sort_by(|(a, _), (b, _)| b.written_unix_s.cmp(&a.written_unix_s).then_with(|| b.id.cmp(&a.id)));
        Ok(drives)
    });
    let (drives, paths): (_, Vec<PathBuf>) = listed.await?.into_iter().unzip();
    app.prepare_overviews(paths);
    Ok(Json(drives))
}

impl App {
    /// The checksum that the ledger knows a drive by.
    pub(crate) fn sha256_of_drive(&self, id: &str) -> Result<String, Failure> {
        let path = file_of(self, id)?;
        let shown = self.workshop().show_case()?;
        let known = shown.entries.iter().find_map(|entry| match &entry.content {
            wire::Content::Drive { file, .. } if self.workshop().path_of(&shown.case.uid, file) == path => {
                Some(file.sha256.clone())
            }
            _ => None,
        });
        known.ok_or_else(|| {
            Failure::missing("this drive does not belong to the open case").hint("take up its case first")
        })
    }
}

fn shelved(app: &App, path: &FsPath) -> Option<DriveJson> {
    if path.extension()? != "mcap" || app.bay().is_on_tape(path) {
        return None;
    }
    let about = std::fs::metadata(path).ok()?;
    let written = about.modified().ok()?.duration_since(std::time::UNIX_EPOCH).ok()?;
    Some(DriveJson {
        id: path.file_stem()?.to_str()?.to_owned(),
        bytes: about.len(),
        written_unix_s: written.as_secs(),
    })
}

/// What is in it, without judging it.
async fn show(State(app): State<App>, Path(id): Path<String>) -> Result<Json<wire::DriveSummary>, Failure> {
    app.off_thread(move |app| Ok(Json(app.overview(&file_of(app, &id)?)?.about.drive.clone()))).await
}

/// What the ledger of the open case has of it: a drive that was examined by this version is not examined again for
/// every page that opens it.
fn kept_findings(app: &App, path: &FsPath) -> Result<Option<wire::Examined>, Failure> {
    let Ok(shown) = app.workshop().show_case() else { return Ok(None) };
    let own = shown.entries.iter().rev().filter(|entry| entry.software == app.workshop().software());
    let mut found = own.filter_map(|entry| match &entry.content {
        wire::Content::Finding { file, findings } if app.workshop().path_of(&shown.case.uid, file) == path => {
            Some(findings.clone())
        }
        _ => None,
    });
    let Some(findings) = found.next() else { return Ok(None) };
    let About { drive, problems } = app.overview(path)?.about.clone();
    Ok(Some(wire::Examined { drive, findings, problems, case: None }))
}

/// What every check makes of it; written into its case, unless whoever asks was invited only to look on.
async fn examined(
    State(app): State<App>,
    who: Who,
    Path(id): Path<String>,
    Query(reader): Query<ReaderQuery>,
) -> Result<Json<ExaminedJson>, Failure> {
    app.at_length(move |app| {
        let path = file_of(app, &id)?;
        let examined = match kept_findings(app, &path)? {
            Some(kept) => kept,
            None => examine(app, who, &path)?,
        };
        let plain = |finding| workshop::in_plain_words(finding, reader.language(), reader.units());
        let plain = examined.findings.iter().map(plain).collect();
        Ok(Json(ExaminedJson { examined, plain }))
    })
    .await
}

fn examine(app: &App, who: Who, path: &FsPath) -> Result<wire::Examined, Failure> {
    let opened = app.shelf().open(path)?;
    let workshop = app.workshop_of(who);
    if who.must_work().is_err() {
        return Ok(workshop.in_case(CaseChoice::None).examine_opened(path, &opened));
    }
    let examined = workshop.examine_opened(path, &opened);
    app.case_changed();
    Ok(examined)
}

/// The drive beside those of healthy cars of a model; null while no other drive of that model is marked as such.
async fn healthy(
    State(app): State<App>,
    Path(id): Path<String>,
    Query(HealthyQuery { model }): Query<HealthyQuery>,
) -> Result<Json<Option<wire::Compared>>, Failure> {
    app.at_length(move |app| {
        let over_reference = Some(file_of(app, &id)?);
        let wish = CompareWish { over_reference, model: Some(model), ..CompareWish::default() };
        match app.workshop().compare(&wish) {
            Ok(compared) => Ok(Json(Some(compared))),
            Err(WorkshopError::NoReference(_)) => Ok(Json(None)),
            Err(error) => Err(error.into()),
        }
    })
    .await
}

/// Samples as one binary frame; see [`crate::stream::frame`].
async fn trace(
    State(app): State<App>,
    Path(id): Path<String>,
    Query(wanted): Query<TraceQuery>,
) -> Result<Response, Failure> {
    let is_range = wanted.from_s.is_finite() && wanted.to_s.is_finite() && wanted.from_s <= wanted.to_s;
    if !is_range || wanted.columns == 0 || wanted.columns > MAX_COLUMNS {
        return Err(Failure::input(format!(
            "a stretch goes from one second to a later one, in 1 to {MAX_COLUMNS} columns"
        )));
    }
    app.off_thread(move |app| {
        let path = file_of(app, &id)?;
        let overview = app.overview(&path)?;
        let (from_ns, to_ns) = (nanos_from_seconds(wanted.from_s), nanos_from_seconds(wanted.to_s));
        let mut frame = Frame::new(0, 0);
        // Each once: what goes out is never more than what is in the drive.
        let places: BTreeSet<u16> = wanted.signals.split(',').filter_map(|place| place.parse().ok()).collect();
        let is_coarse = overview.suffices(wanted.from_s, wanted.to_s, wanted.columns);
        let opened = if is_coarse { None } else { Some(app.shelf().open(&path)?) };
        for place in places {
            let at = usize::from(place);
            let (t_ns, value, n_all) = match &opened {
                Some(opened) => match opened.recording.series.get(at) {
                    Some(series) => (&series.t_ns, &series.value, series.len()),
                    None => continue,
                },
                None => match (overview.tracks.get(at), overview.about.drive.signals.get(at)) {
                    (Some(track), Some(signal)) => (&track.t_ns, &track.value, signal.samples),
                    _ => continue,
                },
            };
            let points = thin::columns(t_ns, value, from_ns, to_ns, wanted.columns);
            let n_inside = t_ns.partition_point(|t| *t <= to_ns) - t_ns.partition_point(|t| *t < from_ns);
            frame.block(place, t_ns.len() < n_all || n_inside > points.t_s.len(), &points);
        }
        let kind = (header::CONTENT_TYPE, HeaderValue::from_static("application/octet-stream"));
        Ok(([kind], frame.into_bytes()).into_response())
    })
    .await
}
