//! `/api/report`: the open case as a page to hand over.

use axum::extract::{Query, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use workshop::{CaseChoice, Language, Paper, ReportWish, Settings, Units};

use super::gate::{Gate, Routes};
use crate::app::App;
use crate::failure::Failure;

/// A report carries its style and pictures in itself, and nothing in it may run or be fetched.
const POLICY: &str = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'self'; \
                      base-uri 'none'; form-action 'none'";

/// How a report is wanted.
#[derive(Debug, Deserialize)]
pub(crate) struct ReportQuery {
    /// The case; none: the open one.
    case: Option<i64>,
    format: FormatName,
    #[serde(flatten)]
    reader: ReaderQuery,
    /// `a4` or `letter`.
    paper: String,
    /// Places of pictures that are left out, from 0, with commas between.
    #[serde(default)]
    without: String,
    /// Whether it is to be kept as a file.
    #[serde(default)]
    download: bool,
}

/// Who reads what the program says in words.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct ReaderQuery {
    /// `en` or `es`.
    language: String,
    /// `metric` or `us`.
    units: String,
}

impl ReaderQuery {
    pub(crate) fn language(&self) -> Language {
        if self.language == "es" { Language::Spanish } else { Language::English }
    }

    pub(crate) fn units(&self) -> Units {
        if self.units == "us" { Units::Us } else { Units::Metric }
    }
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
enum FormatName {
    Html,
    Pdf,
}

pub(crate) fn routes() -> Routes {
    Routes::default().get(Gate::Joined, "/report", show)
}

async fn show(State(app): State<App>, Query(wanted): Query<ReportQuery>) -> Result<Response, Failure> {
    let (ending, kind) = match wanted.format {
        FormatName::Html => ("html", "text/html; charset=utf-8"),
        FormatName::Pdf => ("pdf", "application/pdf"),
    };
    let settings = Settings {
        language: wanted.reader.language(),
        units: wanted.reader.units(),
        paper: if wanted.paper == "letter" { Paper::Letter } else { Paper::A4 },
        without_pictures: wanted.without.split(',').filter_map(|place| place.parse().ok()).collect(),
    };
    let wish = ReportWish { out: format!("report.{ending}").into(), settings, ..ReportWish::default() };
    let (bytes, number) = app
        .at_length(move |app| {
            let choice = wanted.case.map_or(CaseChoice::Open, CaseChoice::Number);
            let workshop = app.workshop().clone().in_case(choice);
            Ok((workshop.report_of_case_in_memory(&wish)?, workshop.show_case()?.case.number))
        })
        .await?;
    let place = if wanted.download { "attachment" } else { "inline" };
    let name = format!("{place}; filename=\"report-{number}.{ending}\"");
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(kind)),
        (header::CONTENT_DISPOSITION, HeaderValue::from_str(&name).map_err(Failure::own)?),
        (header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY)),
    ];
    Ok((headers, bytes).into_response())
}
