//! `/api/drives/{id}/pictures`: what checks look at, as numbers that pages draw.

use axum::Json;
use axum::extract::{Path, Query, State};
use serde::Deserialize;
use workshop::PictureWish;

use super::drives::file_of;
use super::gate::{Gate, Routes};
use crate::app::App;
use crate::failure::Failure;

/// Which pictures are wanted.
#[derive(Debug, Deserialize)]
pub(crate) struct PicturesQuery {
    /// A signal over engine speed and load.
    map: Option<String>,
    /// Two signals with a comma between.
    pair: Option<String>,
    #[serde(default)]
    wheels: bool,
}

pub(crate) fn routes() -> Routes {
    Routes::default().get(Gate::Joined, "/drives/{id}/pictures", show)
}

async fn show(
    State(app): State<App>,
    Path(id): Path<String>,
    Query(wanted): Query<PicturesQuery>,
) -> Result<Json<wire::Pictures>, Failure> {
    let PicturesQuery { map, pair, wheels } = wanted;
    let pair = pair.map(|pair| {
        let two = pair.split_once(',').map(|(first, second)| [first.to_owned(), second.to_owned()]);
        two.ok_or_else(|| Failure::input("a pair is two signals with a comma between"))
    });
    let wish = PictureWish { map, pair: pair.transpose()?, wheels };
    app.at_length(move |app| {
        let opened = app.shelf().open(&file_of(app, &id)?)?;
        Ok(Json(workshop::pictures(&opened.recording, &wish)))
    })
    .await
}
