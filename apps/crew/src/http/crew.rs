//! The crew's book over HTTP: its pages, and what its forms send. Every refusal is in words for the
//! person who tapped.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use gravelbar_book::{
    Checklist, DeviceKey, Fact, Grant, Limits, ListedSpecies, Named, Permit, Person, PlanDropped,
    PlannedVisit, Site, Validity,
};
use gravelbar_visit::{DocumentId, PersonName, RecordId, Role};
use serde::{Deserialize, Serialize};

use super::Desk;
use super::answer::{Refused, words_page};
use super::api::{Body, Next, person, read, reason, tap_id};
use super::plan_lines::{LimitLines, Lines, checklist, lines, species};
use crate::node::{BookPicture, CrewAct, CrewDoing};
use crate::pages::{crew, crew_lists};

/// A form that founds a crew.
#[derive(Deserialize)]
struct SentCrew {
    crew: String,
    person: String,
}

pub(super) async fn found(State(desk): State<Desk>, body: Body) -> Result<Json<Next>, Refused> {
    let sent: SentCrew = read(body)?;
    let book = (desk.node)
        .start_crew(sent.crew, person(&sent.person)?)
        .await?;
    Ok(Next::at(format!("/crew/{book}")))
}

async fn picture(desk: &Desk, book: &str) -> Option<(DocumentId, Arc<BookPicture>)> {
    let id = book.parse().ok()?;
    Some((id, desk.node.book(id).await?))
}

fn no_book() -> Response {
    let page = words_page(
        "No such crew",
        "this crew's book isn't on this device: join the crew by a code or an invitation from its lead's device",
    );
    (StatusCode::NOT_FOUND, page).into_response()
}

/// People and devices.
pub(super) async fn page(State(desk): State<Desk>, Path(book): Path<String>) -> Response {
    match picture(&desk, &book).await {
        Some((_, picture)) => crew::page(&picture).into_response(),
        None => no_book(),
    }
}

/// Plans, sites, lists, limits, permits.
pub(super) async fn lists(State(desk): State<Desk>, Path(book): Path<String>) -> Response {
    match picture(&desk, &book).await {
        Some((_, picture)) => crew_lists::page(&picture).into_response(),
        None => no_book(),
    }
}

/// The code and the invitation by which a device is let into the crew.
pub(super) async fn let_in(State(desk): State<Desk>, Path(book): Path<String>) -> Response {
    let Some((id, picture)) = picture(&desk, &book).await else {
        return no_book();
    };
    let shown = desk.node.let_in(id).await;
    crew::let_in(&picture, &shown).into_response()
}

#[derive(Deserialize)]
struct SentPerson {
    person: String,
}

/// Who holds this device.
pub(super) async fn be(
    State(desk): State<Desk>,
    Path(book): Path<String>,
    body: Body,
) -> Result<Json<Next>, Refused> {
    let id = book_of(&book)?;
    let sent: SentPerson = read(body)?;
    desk.node.be(id, person(&sent.person)?).await?;
    Ok(Next::at(format!("/crew/{id}")))
}

#[derive(Deserialize)]
struct SentVisit {
    visit: DocumentId,
}

/// A planned visit is opened.
pub(super) async fn open(
    State(desk): State<Desk>,
    Path(book): Path<String>,
    body: Body,
) -> Result<Json<Next>, Refused> {
    let id = book_of(&book)?;
    let sent: SentVisit = read(body)?;
    let visit = desk.node.open_planned(id, sent.visit).await?;
    Ok(Next::at(format!("/v/{visit}")))
}

/// Opens a code; the page shows it.
pub(super) async fn open_code(
    State(desk): State<Desk>,
    Path(book): Path<String>,
) -> Result<Json<Next>, Refused> {
    let id = book_of(&book)?;
    desk.node.open_code(id).await?;
    Ok(Next::at(format!("/crew/{id}/let-in")))
}

fn book_of(text: &str) -> Result<DocumentId, Refused> {
    text.parse()
        .map_err(|_| Refused::because("this address names no crew: go back to the list of visits"))
}

/// What a form does in the book.
#[derive(Deserialize)]
struct SentAct {
    tap_id: String,
    #[serde(default)]
    why: Option<String>,
    /// Where the page is to go on.
    #[serde(default)]
    then: Then,
    #[serde(flatten)]
    doing: Doing,
}

#[derive(Deserialize, Serialize, Default, Clone, Copy)]
#[serde(rename_all = "snake_case")]
enum Then {
    #[default]
    Crew,
    Lists,
}

/// A form's kind, and its fields as they were typed.
#[derive(Deserialize)]
#[serde(tag = "doing", rename_all = "snake_case")]
enum Doing {
    Admit {
        key: DeviceKey,
        person: String,
        /// Lets it change the roster.
        #[serde(default)]
        lead: String,
        #[serde(default)]
        season: String,
        #[serde(default)]
        until: String,
    },
    LetGo {
        key: DeviceKey,
    },
    Lost {
        key: DeviceKey,
    },
    AcceptHeld {
        key: DeviceKey,
    },
    HandOver {
        key: DeviceKey,
        person: String,
    },
    Settle {
        grant: RecordId,
        stands: String,
    },
    /// Whoever uses this device takes a usual role over.
    TakeOver {
        from: String,
        role: String,
    },
    Person {
        name: String,
        #[serde(default)]
        roles: String,
        #[serde(default)]
        words: String,
    },
    PersonGone {
        name: String,
    },
    Site {
        code: String,
        place: String,
        #[serde(default)]
        reach_m: String,
        #[serde(default)]
        reach: String,
        #[serde(default)]
        method: String,
        #[serde(default)]
        passes: String,
        #[serde(default)]
        purpose: String,
    },
    Species {
        species: String,
    },
    Checklist {
        name: String,
        checklist: String,
    },
    Limits {
        name: String,
        #[serde(flatten)]
        limits: LimitLines,
    },
    Permit {
        name: String,
        from: String,
        until: String,
        species: String,
        #[serde(default)]
        words: String,
    },
    Plan {
        #[serde(flatten)]
        lines: Box<Lines>,
    },
    PlanGone {
        record: RecordId,
    },
}

pub(super) async fn act(
    State(desk): State<Desk>,
    Path(book): Path<String>,
    body: Body,
) -> Result<Json<Next>, Refused> {
    let id = book_of(&book)?;
    let sent: SentAct = read(body)?;
    let picture = (desk.node.book(id).await)
        .ok_or_else(|| Refused::because("this crew's book isn't on this device"))?;
    let by = picture
        .me
        .clone()
        .ok_or_else(|| Refused::because("say first who holds this device"))?;
    let doing = sent.doing.in_words(&picture)?;
    let act = CrewAct {
        tap_id: tap_id(sent.tap_id)?,
        by,
        why: reason(sent.why),
        doing,
    };
    desk.node.crew_act(id, act).await?;
    Ok(Next::at(match sent.then {
        Then::Crew => format!("/crew/{id}"),
        Then::Lists => format!("/crew/{id}/lists"),
    }))
}

fn tidy(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn day(text: &str) -> Result<NaiveDate, Refused> {
    (text.trim().parse()).map_err(|_| {
        let shown = tidy(text);
        Refused::because(format!(
            "“{shown}” is no day: write year-month-day, such as 2026-08-18"
        ))
    })
}

fn day_if(text: &str) -> Result<Option<NaiveDate>, Refused> {
    let blank = text.trim().is_empty();
    if blank { Ok(None) } else { day(text).map(Some) }
}

fn number<T: std::str::FromStr>(text: &str) -> Result<Option<T>, Refused> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    (text.replace(',', ".").parse().map(Some))
        .map_err(|_| Refused::because(format!("“{}” is no number that fits here", tidy(text))))
}

fn roles(text: &str) -> Result<Vec<Role>, Refused> {
    let names = text.split(',').map(tidy).filter(|name| !name.is_empty());
    names
        .map(|name| {
            let role = Role::ALL.into_iter().find(|role| role.words() == name);
            role.ok_or_else(|| {
                let known: Vec<&str> = Role::ALL.iter().map(|r| r.words()).collect();
                Refused::because(format!(
                    "“{name}” is no role: there are {}",
                    known.join(", ")
                ))
            })
        })
        .collect()
}

/// The records that a new value of this name takes the place of: those the person had before them.
fn before<T>(known: Option<&Named<T>>) -> Vec<RecordId> {
    known.map(Named::all).unwrap_or_default()
}

impl Doing {
    /// What was typed, read; past this no value is raw.
    fn in_words(self, picture: &BookPicture) -> Result<CrewDoing, Refused> {
        let view = &picture.view;
        let same = |a: &str, b: &str| a.eq_ignore_ascii_case(b);
        let write = |fact: Fact| Ok(CrewDoing::Write(vec![fact]));
        match self {
            Self::Admit {
                key,
                person: whose,
                lead,
                season,
                until,
            } => Ok(CrewDoing::Admit(Grant {
                key,
                person: person(&whose)?,
                roles: if lead.is_empty() {
                    Vec::new()
                } else {
                    vec![Role::Lead]
                },
                office: false,
                valid: Validity {
                    visits: Vec::new(),
                    season: number(&season)?,
                    until: day_if(&until)?,
                },
            })),
            Self::LetGo { key } => Ok(CrewDoing::LetGo(key)),
            Self::Lost { key } => Ok(CrewDoing::Lost(key)),
            Self::AcceptHeld { key } => Ok(CrewDoing::AcceptHeld(key)),
            Self::HandOver { key, person: whose } => Ok(CrewDoing::HandOver(key, person(&whose)?)),
            Self::Settle { grant, stands } => {
                let (keep, withdraw) = match stands.as_str() {
                    "yes" => (vec![grant], Vec::new()),
                    _ => (Vec::new(), vec![grant]),
                };
                Ok(CrewDoing::Settle { keep, withdraw })
            }
            Self::TakeOver { from, role } => {
                let me = (picture.me.as_ref())
                    .ok_or_else(|| Refused::because("say first who holds this device"))?;
                let from = person(&from)?;
                let role = roles(&role)?;
                let people = [(&from, false), (me, true)].map(|(name, takes)| {
                    let known = view.people.iter().find(|p| p.value.name == *name);
                    let mut usual = known.map(|p| p.value.roles.clone()).unwrap_or_default();
                    usual.retain(|r| !role.contains(r));
                    if takes {
                        usual.extend(&role);
                    }
                    Fact::from(Person {
                        name: name.clone(),
                        roles: usual,
                        words: known.map(|p| p.value.words.clone()).unwrap_or_default(),
                        dropped: false,
                        replaces: before(known),
                    })
                });
                Ok(CrewDoing::Write(people.into()))
            }
            Self::Person {
                name,
                roles: usual,
                words,
            } => {
                let name = person(&name)?;
                let known = view.people.iter().find(|p| p.value.name == name);
                write(
                    Person {
                        roles: roles(&usual)?,
                        words: tidy(&words),
                        dropped: false,
                        replaces: before(known),
                        name,
                    }
                    .into(),
                )
            }
            Self::PersonGone { name } => {
                let name = person(&name)?;
                let known = view.people.iter().find(|p| p.value.name == name);
                write(gone(name, before(known)).into())
            }
            Self::Site {
                code,
                place,
                reach_m,
                reach,
                method,
                passes,
                purpose,
            } => {
                let code = tidy(&code);
                let known = view.site(&code).and_then(|s| s.site.as_ref());
                write(
                    Site {
                        replaces: before(known),
                        code,
                        place: tidy(&place),
                        reach_m: number(&reach_m)?,
                        reach: tidy(&reach),
                        method: tidy(&method),
                        passes: number(&passes)?,
                        purpose: tidy(&purpose),
                        dropped: false,
                    }
                    .into(),
                )
            }
            Self::Species { species: text } => {
                let facts: Result<Vec<Fact>, Refused> = lines(&text)
                    .map(|line| {
                        let typed = species(line).map_err(Refused::because)?;
                        let known = view.species.iter().find(|s| s.value.name == typed.name);
                        Ok(ListedSpecies {
                            name: typed.name,
                            scientific_name: typed.scientific_name,
                            size_cuts_mm: typed.size_cuts_mm,
                            tallied_as: typed.tallied_as,
                            measure_first: typed.measure_first,
                            dropped: false,
                            replaces: before(known),
                        })
                    })
                    // What says the same as before needs no record.
                    .filter(|typed| {
                        !typed.as_ref().is_ok_and(|t| {
                            view.species.iter().any(|s| {
                                s.rivals.is_empty()
                                    && ListedSpecies {
                                        replaces: s.value.replaces.clone(),
                                        ..t.clone()
                                    } == s.value
                            })
                        })
                    })
                    .map(|typed| typed.map(Fact::from))
                    .collect();
                let facts = facts?;
                if facts.is_empty() {
                    return Err(Refused::because("nothing on the list is new or changed"));
                }
                Ok(CrewDoing::Write(facts))
            }
            Self::Checklist {
                name,
                checklist: text,
            } => {
                let name = tidy(&name);
                let known = view.checklists.iter().find(|c| same(&c.value.name, &name));
                write(
                    Checklist {
                        replaces: before(known),
                        name,
                        items: checklist(&text),
                        dropped: false,
                    }
                    .into(),
                )
            }
            Self::Limits { name, limits } => {
                let name = tidy(&name);
                let known = view.limits.iter().find(|l| same(&l.value.name, &name));
                write(
                    Limits {
                        replaces: before(known),
                        name,
                        profiles: limits.profiles().map_err(Refused::because)?,
                        water_limit_c: limits.water_limit_c().map_err(Refused::because)?,
                        target_relative_half_width: limits
                            .target_relative_half_width()
                            .map_err(Refused::because)?,
                        known_good: limits.known_good().map_err(Refused::because)?,
                        dropped: false,
                    }
                    .into(),
                )
            }
            Self::Permit {
                name,
                from,
                until,
                species: text,
                words,
            } => {
                let name = tidy(&name);
                let permits = view.permits.iter().map(|p| &p.permit);
                let known = { permits }.find(|p| same(&p.value.name, &name));
                let allowed: Result<Vec<_>, Refused> = lines(&text).map(allowed).collect();
                write(
                    Permit {
                        replaces: before(known),
                        name,
                        from: day(&from)?,
                        until: day(&until)?,
                        species: allowed?,
                        words: tidy(&words),
                        dropped: false,
                    }
                    .into(),
                )
            }
            Self::Plan { lines } => {
                let plan = lines.planned().map_err(Refused::because)?;
                plan.check().map_err(Refused::because)?;
                let planned = view.planned.iter();
                // One site has one plan for a day: the new one takes the place of the old.
                let replaces = planned
                    .filter(|p| {
                        (p.plan.as_ref())
                            .is_some_and(|q| q.date == plan.date && same(&q.site, &plan.site))
                    })
                    .map(|p| p.from)
                    .collect();
                write(
                    PlannedVisit {
                        plan: plan.about(),
                        replaces,
                    }
                    .into(),
                )
            }
            Self::PlanGone { record } => write(PlanDropped { of: vec![record] }.into()),
        }
    }
}

fn gone(name: PersonName, replaces: Vec<RecordId>) -> Person {
    Person {
        name,
        roles: Vec::new(),
        words: String::new(),
        dropped: true,
        replaces,
    }
}

/// `american brook lamprey, 20 caught 1 dead, before 9 caught 0 dead`: a species line's permit.
fn allowed(line: &str) -> Result<gravelbar_book::Allowed, Refused> {
    let (name, rest) = line.split_once(',').unwrap_or((line, ""));
    let line = format!("{name}, permit {}", rest.trim());
    let species = species(&line).map_err(Refused::because)?;
    let permit = species.permit.ok_or_else(|| {
        Refused::because(format!(
            "say how many {} may be caught and die, such as 20 caught 1 dead",
            species.name
        ))
    })?;
    Ok(gravelbar_book::Allowed {
        species: species.name,
        caught: permit.caught,
        dead: permit.dead,
        caught_before: permit.caught_before,
        dead_before: permit.dead_before,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_permit_line_is_read_as_a_species_line_is() {
        let read = allowed("American brook lamprey, 20 caught 1 dead, before 9 caught 0 dead");
        let Ok(read) = read else {
            panic!("a permit line");
        };
        assert_eq!(read.species.as_str(), "american brook lamprey");
        assert_eq!((read.caught, read.dead), (20, 1));
        assert_eq!((read.caught_before, read.dead_before), (9, 0));
        assert!(allowed("dace").is_err());
    }

    #[test]
    fn a_role_that_nobody_has_is_refused() {
        assert_eq!(
            roles("crew lead, netter").ok(),
            Some(vec![Role::Lead, Role::Netter])
        );
        assert!(roles("captain").is_err());
    }
}
