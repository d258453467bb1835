//! The style sheet and the scripts of the screens, carried inside the program.

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

const JAVASCRIPT: &str = "text/javascript; charset=utf-8";

macro_rules! assets {
    ($($name:literal $kind:expr),* $(,)?) => {
        fn find(name: &str) -> Option<(&'static str, &'static str)> {
            match name {
                $($name => Some(($kind, include_str!(concat!("../assets/", $name)))),)*
                _ => None,
            }
        }
    };
}

assets! {
    "style.css" "text/css; charset=utf-8",
    "page.js" JAVASCRIPT,
    "alarm.js" JAVASCRIPT,
    "crew.js" JAVASCRIPT,
    "entry.js" JAVASCRIPT,
    "form.js" JAVASCRIPT,
    "live.js" JAVASCRIPT,
    "netting.js" JAVASCRIPT,
    "press.js" JAVASCRIPT,
    "queue.js" JAVASCRIPT,
    "sound.js" JAVASCRIPT,
    "start.js" JAVASCRIPT,
}

pub(super) async fn asset(Path(name): Path<String>) -> Response {
    match find(&name) {
        Some((kind, text)) => ([(header::CONTENT_TYPE, kind)], text).into_response(),
        None => StatusCode::NOT_FOUND.into_response(),
    }
}
