//! Answers in plain words: to scripts as JSON, to people as a page.

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use serde::{Deserialize, Serialize};

use crate::node::NotSaved;

/// Why something wasn't done, for the place where it was typed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Refused {
    /// What happened and what can be done.
    words: String,
    /// Whether sending the same again later may work.
    try_again: bool,
}

impl Refused {
    /// Refused for what it says.
    pub(super) fn because(words: impl ToString) -> Self {
        Self {
            words: words.to_string(),
            try_again: false,
        }
    }
}

impl From<NotSaved> for Refused {
    fn from(not_saved: NotSaved) -> Self {
        Self {
            words: not_saved.words,
            try_again: not_saved.try_again,
        }
    }
}

impl IntoResponse for Refused {
    fn into_response(self) -> Response {
        let status = if self.try_again {
            StatusCode::SERVICE_UNAVAILABLE
        } else {
            StatusCode::UNPROCESSABLE_ENTITY
        };
        (status, Json(self)).into_response()
    }
}

/// A page that says one thing, without style or script, as it is also shown to those outside.
pub(super) fn words_page(title: &str, words: &str) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) " - Gravelbar" }
            }
            body {
                h1 { (title) }
                p { (words) }
            }
        }
    }
}
