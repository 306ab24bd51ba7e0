//! `/api/settings`: the shop, definitions of makers' modules, storage, and a copy of the casebook. Whoever joined may
//! look; only a page at the machine itself changes anything.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Path, State};
use axum::handler::Handler;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use workshop::LogoChange;

use super::gate::{Gate, Routes};
use super::uploads::hand_out;
use crate::app::App;
use crate::failure::Failure;

/// Most bytes of a picture of the shop.
const MAX_LOGO: usize = 4 << 20;
/// Most bytes of a file of definitions.
const MAX_DEFINITIONS: usize = 64 << 20;
/// Longest name or line of a shop, and how many lines.
const MAX_LINE: usize = 200;
const MAX_LINES: usize = 12;

/// The shop as it stands above a report.
#[derive(Debug, Serialize, Deserialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct ShopJson {
    name: String,
    /// Address and telephone.
    lines: Vec<String>,
    /// Whether there is a picture; `false` on saving takes it away.
    has_logo: bool,
}

/// What is kept, and where.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct StorageJson {
    folder: String,
    /// How many drives there are, and how large they are together.
    n_drives: u32,
    #[cfg_attr(test, ts(type = "number"))]
    drive_bytes: u64,
    /// Everything that is kept.
    #[cfg_attr(test, ts(type = "number"))]
    all_bytes: u64,
    /// Space left; null where the system does not say.
    #[cfg_attr(test, ts(type = "number | null"))]
    disk_left: Option<u64>,
}

/// A file of definitions that is kept.
#[derive(Debug, Serialize)]
#[cfg_attr(test, derive(ts_rs::TS))]
pub(crate) struct DefinitionJson {
    /// Its name in the folder.
    name: String,
    /// What it offers; null when it cannot be read any more.
    offers: Option<wire::DefinitionsChecked>,
    /// Why it cannot be read.
    problem: Option<String>,
}

pub(crate) fn routes() -> Routes {
    let save_logo = save_logo.layer(DefaultBodyLimit::max(MAX_LOGO));
    let add_definition = add_definition.layer(DefaultBodyLimit::max(MAX_DEFINITIONS));
    Routes::default()
        .get(Gate::Joined, "/settings/shop", shop)
        .put(Gate::Bench, "/settings/shop", save_shop)
        .get(Gate::Joined, "/settings/shop/logo", logo)
        .put(Gate::Bench, "/settings/shop/logo", save_logo)
        .get(Gate::Joined, "/settings/definitions", definitions)
        .put(Gate::Bench, "/settings/definitions/{name}", add_definition)
        .delete(Gate::Bench, "/settings/definitions/{name}", remove_definition)
        .get(Gate::Joined, "/settings/storage", storage)
        .get(Gate::Bench, "/settings/backup", backup)
}

async fn shop(State(app): State<App>) -> Result<Json<ShopJson>, Failure> {
    app.off_thread(|app| {
        let shop = app.workshop().shop(None)?;
        Ok(Json(ShopJson { name: shop.name, lines: shop.lines, has_logo: shop.logo.is_some() }))
    })
    .await
}

async fn save_shop(State(app): State<App>, Json(shop): Json<ShopJson>) -> Result<(), Failure> {
    let lines: Vec<String> = shop.lines.into_iter().filter(|line| !line.trim().is_empty()).collect();
    let is_short = |line: &String| line.len() <= MAX_LINE;
    if !is_short(&shop.name) || lines.len() > MAX_LINES || !lines.iter().all(is_short) {
        return Err(Failure::input(format!("a shop has at most {MAX_LINES} lines of {MAX_LINE} bytes")));
    }
    let logo = if shop.has_logo { LogoChange::Keep } else { LogoChange::Remove };
    app.off_thread(move |app| Ok(app.workshop().save_shop(&shop.name, &lines, logo)?)).await
}

async fn logo(State(app): State<App>) -> Result<Response, Failure> {
    let shop = app.off_thread(|app| Ok(app.workshop().shop(None)?)).await?;
    let image = shop.logo.ok_or_else(|| Failure::missing("the shop has no picture"))?;
    let kind = HeaderValue::from_static(image.media_type());
    Ok(([(header::CONTENT_TYPE, kind)], image.bytes().to_vec()).into_response())
}

async fn save_logo(State(app): State<App>, picture: Bytes) -> Result<(), Failure> {
    app.off_thread(move |app| {
        let shop = app.workshop().shop(None)?;
        Ok(app.workshop().save_shop(&shop.name, &shop.lines, LogoChange::To(&picture))?)
    })
    .await
}

async fn definitions(State(app): State<App>) -> Result<Json<Vec<DefinitionJson>>, Failure> {
    app.off_thread(|app| {
        let _turn = app.describing();
        let files = app.workshop().definition_files().into_iter().map(|file| {
            let name = file.file_name().unwrap_or_default().to_string_lossy().into_owned();
            match workshop::check_definitions(&file, None) {
                Ok(offers) => DefinitionJson { name, offers: Some(offers), problem: None },
                Err(error) => DefinitionJson { name, offers: None, problem: Some(error.to_string()) },
            }
        });
        Ok(Json(files.collect()))
    })
    .await
}

async fn add_definition(
    State(app): State<App>,
    Path(name): Path<String>,
    file: Bytes,
) -> Result<Json<wire::DefinitionsChecked>, Failure> {
    app.off_thread(move |app| Ok(Json(app.workshop().add_definitions(&name, &file)?))).await
}

async fn remove_definition(State(app): State<App>, Path(name): Path<String>) -> Result<(), Failure> {
    app.off_thread(move |app| Ok(app.workshop().remove_definitions(&name)?)).await
}

async fn storage(State(app): State<App>) -> Result<Json<StorageJson>, Failure> {
    app.off_thread(|app| {
        let folder = app.workshop().places().folder();
        let (mut n_drives, mut drive_bytes, mut all_bytes) = (0, 0, 0);
        // Folders that are still to be looked into; links are not followed, so it ends.
        let mut folders = vec![folder.to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
                let Ok(about) = entry.metadata() else { continue };
                if about.is_dir() {
                    folders.push(entry.path());
                    continue;
                }
                all_bytes += about.len();
                if entry.path().extension().is_some_and(|ending| ending == "mcap") {
                    n_drives += 1;
                    drive_bytes += about.len();
                }
            }
        }
        let folder = folder.display().to_string();
        Ok(Json(StorageJson { folder, n_drives, drive_bytes, all_bytes, disk_left: app.disk_left() }))
    })
    .await
}

/// A copy of the whole casebook, as one file.
async fn backup(State(app): State<App>) -> Result<Response, Failure> {
    let draft = app
        .at_length(|app| {
            app.must_have_room(app.workshop().size_of_casebook())?;
            let draft = app.incoming()?;
            app.workshop().back_up(draft.path())?;
            Ok(draft)
        })
        .await?;
    hand_out(draft, "application/octet-stream", "casebook.sqlite")
}
