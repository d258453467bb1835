//! What the screens send: acts, signatures, names, invitations. Every refusal is in words for the
//! person who tapped.

use axum::Json;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{DocumentId, Fact, Joined, PersonName};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::answer::Refused;
use super::plan_lines::PlanLines;
use super::tidy::tidy;
use super::{BODY_MAX_BYTES, Desk};
use crate::node::{Act, Saved, Sign};

/// A body read whole, or words about why not.
pub(super) type Body = Result<Bytes, BytesRejection>;

/// Reads a JSON body.
pub(super) fn read<T: DeserializeOwned>(body: Body) -> Result<T, Refused> {
    let bytes = body.map_err(|_| {
        Refused::because(format!(
            "this is more than {} KiB at once: record it in smaller parts",
            BODY_MAX_BYTES / 1024
        ))
    })?;
    serde_json::from_slice(&bytes)
        .map_err(|e| Refused::because(format!("this can't be read: {}", plainly(&e))))
}

/// A parser's message without its place in a text the person never saw.
fn plainly(error: &serde_json::Error) -> String {
    let text = error.to_string();
    match text.rfind(" at line ") {
        Some(end) => text[..end].to_owned(),
        None => text,
    }
}

fn visit_of(text: &str) -> Result<DocumentId, Refused> {
    text.parse()
        .map_err(|_| Refused::because("this address names no visit: go back to the list of visits"))
}

pub(super) fn person(text: &str) -> Result<PersonName, Refused> {
    PersonName::new(text).map_err(Refused::because)
}

/// One act as a screen sends it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SentAct {
    tap_id: String,
    by: String,
    #[serde(default)]
    at: Option<DateTime<FixedOffset>>,
    #[serde(default)]
    why: Option<String>,
    facts: Vec<Fact>,
}

/// The screen's name for an act: long enough to be its own, short enough to be kept.
pub(super) fn tap_id(text: String) -> Result<String, Refused> {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b == b'-' || b == b'.';
    if (8..=80).contains(&text.len()) && text.bytes().all(plain) {
        Ok(text)
    } else {
        Err(Refused::because(
            "an act needs a name of its own, 8 to 80 letters or digits",
        ))
    }
}

/// Blank reasons are none.
pub(super) fn reason(why: Option<String>) -> Option<String> {
    why.map(|w| w.split_whitespace().collect::<Vec<_>>().join(" "))
        .filter(|w| !w.is_empty())
}

pub(super) async fn act(
    State(desk): State<Desk>,
    Path(visit): Path<String>,
    body: Body,
) -> Result<Json<Saved>, Refused> {
    let visit = visit_of(&visit)?;
    let sent: SentAct = read(body)?;
    let facts: Result<Vec<Fact>, Refused> = (sent.facts.into_iter())
        .map(|fact| tidy(fact).map_err(Refused::because))
        .collect();
    let act = Act {
        tap_id: tap_id(sent.tap_id)?,
        by: person(&sent.by)?,
        at: sent.at,
        why: reason(sent.why),
        facts: facts?,
    };
    Ok(Json(desk.node.act(visit, act).await?))
}

/// A signature as a screen sends it.
#[derive(Deserialize)]
struct SentSign {
    tap_id: String,
    by: String,
    #[serde(default)]
    at: Option<DateTime<FixedOffset>>,
    #[serde(default)]
    why: Option<String>,
}

pub(super) async fn sign(
    State(desk): State<Desk>,
    Path(visit): Path<String>,
    body: Body,
) -> Result<Json<Saved>, Refused> {
    let visit = visit_of(&visit)?;
    let sent: SentSign = read(body)?;
    let sign = Sign {
        tap_id: tap_id(sent.tap_id)?,
        by: person(&sent.by)?,
        at: sent.at,
        why: reason(sent.why),
    };
    Ok(Json(desk.node.sign(visit, sign).await?))
}

#[derive(Deserialize)]
struct SentPerson {
    tap_id: String,
    person: String,
}

/// Where a screen goes next.
#[derive(Serialize)]
pub(super) struct Next {
    next: String,
}

impl Next {
    pub(super) fn at(next: String) -> Json<Self> {
        Json(Self { next })
    }
}

/// Someone takes the device; whoever isn't on the crew yet is added to it.
pub(super) async fn be(
    State(desk): State<Desk>,
    Path(visit): Path<String>,
    body: Body,
) -> Result<Json<Next>, Refused> {
    let visit = visit_of(&visit)?;
    let sent: SentPerson = read(body)?;
    let person = person(&sent.person)?;
    let known = (desk.node.picture(visit).await)
        .is_some_and(|p| p.view.people.iter().any(|q| q.name == person && !q.left));
    if !known {
        let joined = Joined {
            person: person.clone(),
        };
        let act = Act {
            tap_id: tap_id(sent.tap_id)?,
            by: person.clone(),
            at: None,
            why: None,
            facts: vec![joined.into()],
        };
        desk.node.act(visit, act).await?;
    }
    desk.node.be(visit, person).await?;
    Ok(Json(Next {
        next: format!("/v/{visit}/me"),
    }))
}

/// An invitation's text.
#[derive(Serialize)]
pub(super) struct Invitation {
    invitation: String,
}

pub(super) async fn invite(
    State(desk): State<Desk>,
    Path(visit): Path<String>,
) -> Result<Json<Invitation>, Refused> {
    let visit = visit_of(&visit)?;
    let invitation = desk.node.invite(visit).await?;
    Ok(Json(Invitation { invitation }))
}

pub(super) async fn start(State(desk): State<Desk>, body: Body) -> Result<Json<Next>, Refused> {
    let lines: PlanLines = read(body)?;
    let plan = lines.plan().map_err(Refused::because)?;
    let visit = desk.node.start(plan).await?;
    Ok(Json(Next {
        next: format!("/v/{visit}/me"),
    }))
}

/// Where a newcomer goes: into the visit, or to the crew's page.
async fn place_of(desk: &Desk, document: DocumentId) -> Json<Next> {
    let books = desk.node.books().await;
    if books.iter().any(|book| book.document == document) {
        Next::at(format!("/crew/{document}"))
    } else {
        Next::at(format!("/v/{document}/me"))
    }
}

#[derive(Deserialize)]
struct SentInvitation {
    invitation: String,
}

pub(super) async fn join(State(desk): State<Desk>, body: Body) -> Result<Json<Next>, Refused> {
    let sent: SentInvitation = read(body)?;
    let document = desk.node.join(sent.invitation.trim().to_owned()).await?;
    Ok(place_of(&desk, document).await)
}

/// Opens a code; the page shows it.
pub(super) async fn open_code(
    State(desk): State<Desk>,
    Path(visit): Path<String>,
) -> Result<Json<serde_json::Value>, Refused> {
    let visit = visit_of(&visit)?;
    desk.node.open_code(visit).await?;
    Ok(Json(serde_json::json!({})))
}

/// A code as a newcomer types it: with the label of the device that shows it, or its address.
#[derive(Deserialize)]
struct SentCode {
    code: String,
    #[serde(default)]
    label: String,
    #[serde(default)]
    address: String,
}

pub(super) async fn join_code(State(desk): State<Desk>, body: Body) -> Result<Json<Next>, Refused> {
    let sent: SentCode = read(body)?;
    let place = if sent.address.trim().is_empty() {
        sent.label
    } else {
        sent.address
    };
    let document = desk.node.enter(sent.code, place).await?;
    Ok(place_of(&desk, document).await)
}

#[derive(Deserialize)]
struct SentName {
    name: String,
}

pub(super) async fn device_name(
    State(desk): State<Desk>,
    body: Body,
) -> Result<Json<Next>, Refused> {
    let sent: SentName = read(body)?;
    desk.node.name_device(sent.name).await?;
    Ok(Json(Next {
        next: "/".to_owned(),
    }))
}

/// All numbers of the visit, as the reducer gives them.
pub(super) async fn summary(State(desk): State<Desk>, Path(visit): Path<String>) -> Response {
    let Ok(visit) = visit.parse() else {
        return StatusCode::NOT_FOUND.into_response();
    };
    match desk.node.picture(visit).await {
        Some(picture) => Json(&picture.summary).into_response(),
        None => StatusCode::NOT_FOUND.into_response(),
    }
}
