//! The field summary as a file to keep or print.

use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use gravelbar_sheet::Paper;
use gravelbar_visit::DocumentId;
use serde::Deserialize;

use super::Desk;
use super::answer::words_page;
use crate::pages::summary::{Reader, sheet};

/// What is asked for behind the question mark.
#[derive(Deserialize, Default)]
pub(super) struct Asked {
    /// `landowner` for the landowner's page.
    #[serde(default, rename = "for")]
    reader: Option<String>,
    /// `letter` for letter paper.
    #[serde(default)]
    paper: Option<String>,
}

/// One page of PDF. Its file name is made of ASCII letters, digits, hyphens and the like, so it can
/// stand in the header as it is.
pub(super) async fn summary(
    State(desk): State<Desk>,
    Path(visit): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    let picture = match visit.parse::<DocumentId>() {
        Ok(id) => desk.node.picture(id).await,
        Err(_) => None,
    };
    let Some(picture) = picture else {
        return StatusCode::NOT_FOUND.into_response();
    };
    let reader = match asked.reader.as_deref() {
        Some("landowner") => Reader::Landowner,
        _ => Reader::Crew,
    };
    let paper = match asked.paper.as_deref() {
        Some("letter") => Paper::Letter,
        _ => Paper::A4,
    };
    let sheet = sheet(&picture, reader);
    match sheet.print(paper) {
        Ok(printed) => {
            let named = format!("attachment; filename=\"{}\"", sheet.file_name("pdf"));
            let headers = [
                (header::CONTENT_TYPE, "application/pdf".to_owned()),
                (header::CONTENT_DISPOSITION, named),
            ];
            (headers, printed.pdf().to_vec()).into_response()
        }
        Err(error) => {
            let page = words_page("No page", &error.to_string());
            (StatusCode::INTERNAL_SERVER_ERROR, page).into_response()
        }
    }
}
