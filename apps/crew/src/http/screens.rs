//! Which page is shown at which address, and to whom.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use gravelbar_visit::{DocumentId, PassKey, RecordId};
use serde::Deserialize;

use super::Desk;
use super::answer::words_page;
use crate::node::Picture;
use crate::pages::{self, Page, Seat};

/// What an address may say behind its question mark.
#[derive(Deserialize, Default)]
pub(super) struct Asked {
    /// The pass a page is about, where the person has chosen one.
    #[serde(default)]
    pass: Option<String>,
    /// Whether long lists are shown whole.
    #[serde(default)]
    all: Option<String>,
}

/// What the list of visits may be asked for.
#[derive(Deserialize, Default)]
pub(super) struct Chosen {
    /// The site at which a visit is to start.
    #[serde(default)]
    site: Option<String>,
}

/// The list of visits.
pub(super) async fn visits(State(desk): State<Desk>, Query(chosen): Query<Chosen>) -> Response {
    let Some(device) = desk.node.device().await else {
        return closing();
    };
    let visits = desk.node.visits().await;
    let books = desk.node.books().await;
    let own = match books.first() {
        Some(book) => desk.node.book(book.document).await,
        None => None,
    };
    let crews = pages::start::Crews {
        books: &books,
        own: own.as_deref(),
        site: chosen.site.as_deref(),
    };
    pages::start::page(&device, &visits, &crews).into_response()
}

/// A visit opens where its holder works.
pub(super) async fn visit(State(desk): State<Desk>, Path(visit): Path<String>) -> Response {
    let Some((id, picture)) = picture(&desk, &visit).await else {
        return no_visit();
    };
    let me = desk.node.me(id).await;
    let page = me.map_or(Page::Me, |me| {
        pages::home_of(picture.view.people.iter().find(|p| p.name == me))
    });
    Redirect::to(&format!("/v/{id}/{}", page.path())).into_response()
}

/// One page of a visit.
pub(super) async fn page(
    State(desk): State<Desk>,
    Path((visit, name)): Path<(String, String)>,
    Query(asked): Query<Asked>,
) -> Response {
    let Some(page) = Page::named(&name) else {
        return nothing_here().await;
    };
    let Some((id, picture)) = picture(&desk, &visit).await else {
        return no_visit();
    };
    let me = desk.node.me(id).await;
    if me.is_none() && page != Page::Me {
        return Redirect::to(&format!("/v/{id}/me")).into_response();
    }
    let chosen: Option<PassKey> = asked.pass.and_then(|text| text.parse().ok());
    pages::show(
        &Seat::new(&picture, me.as_ref(), chosen, asked.all.is_some()),
        page,
    )
    .into_response()
}

/// Where another device is let in.
pub(super) async fn let_in(State(desk): State<Desk>, Path(visit): Path<String>) -> Response {
    let Some((id, picture)) = picture(&desk, &visit).await else {
        return no_visit();
    };
    let me = desk.node.me(id).await;
    let shown = desk.node.let_in(id).await;
    let seat = Seat::new(&picture, me.as_ref(), None, false);
    pages::let_in::page(&seat, &shown).into_response()
}

/// Two visits side by side.
pub(super) async fn join_visits(
    State(desk): State<Desk>,
    Path((visit, other)): Path<(String, String)>,
) -> Response {
    let (Ok(visit), Ok(other)) = (visit.parse::<DocumentId>(), other.parse()) else {
        return nothing_here().await;
    };
    if other < visit {
        return Redirect::to(&format!("/v/{other}/join/{visit}")).into_response();
    }
    let joinable = desk.node.joinable_visits(visit, other).await;
    let (Some(joinable), Some(picture)) = (joinable, desk.node.picture(visit).await) else {
        return no_visit();
    };
    // Whoever holds this device in either visit.
    let me = match desk.node.me(visit).await {
        Some(me) => Some(me),
        None => desk.node.me(other).await,
    };
    let seat = Seat::new(&picture, me.as_ref(), None, false);
    pages::join_visits::page(&seat, &joinable).into_response()
}

/// The life of one record.
pub(super) async fn history(
    State(desk): State<Desk>,
    Path((visit, record)): Path<(String, String)>,
) -> Response {
    let Some((id, picture)) = picture(&desk, &visit).await else {
        return no_visit();
    };
    let Ok(record) = record.parse::<RecordId>() else {
        return nothing_here().await;
    };
    let lines = desk.node.history(id, record).await;
    let me = desk.node.me(id).await;
    let seat = Seat::new(&picture, me.as_ref(), None, true);
    pages::history::page(&seat, record, &lines).into_response()
}

/// An address nobody made.
pub(super) async fn nothing_here() -> Response {
    let page = words_page(
        "Nothing here",
        "this address names no page: go back to the list of visits",
    );
    (StatusCode::NOT_FOUND, page).into_response()
}

async fn picture(desk: &Desk, visit: &str) -> Option<(DocumentId, Arc<Picture>)> {
    let id = visit.parse().ok()?;
    Some((id, desk.node.picture(id).await?))
}

fn no_visit() -> Response {
    let page = words_page(
        "No such visit",
        "this visit isn't on this device: join it by an invitation from a device that has it",
    );
    (StatusCode::NOT_FOUND, page).into_response()
}

fn closing() -> Response {
    let page = words_page(
        "Closing",
        "the program is closing: open it again, nothing that was shown as saved is lost",
    );
    (StatusCode::SERVICE_UNAVAILABLE, page).into_response()
}
