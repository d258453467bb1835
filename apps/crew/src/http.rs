//! The device's own web server, for its own screen: loopback only, one secret, JSON in, pages out.

mod answer;
mod api;
mod assets;
mod crew;
mod door;
mod entrance;
mod live;
pub(crate) mod plan_lines;
mod printed;
mod screens;
mod tidy;

use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::routing::{get, post};

use crate::node::Node;
use door::Door;
pub(crate) use entrance::Entrance;

/// The largest body a screen may send. An act of 400 named records stays well below it.
const BODY_MAX_BYTES: usize = 64 * 1024;

/// What every handler may use.
#[derive(Clone)]
struct Desk {
    node: Node,
    door: Arc<Door>,
}

/// Serves the screens of `node` on `listener`, which must be bound to loopback, to whoever shows
/// `token` at `/enter?token=…` once. Ends only with an error or when dropped.
///
/// # Errors
///
/// What the listener reports.
pub async fn serve(
    node: Node,
    listener: tokio::net::TcpListener,
    token: String,
) -> std::io::Result<()> {
    let address = listener.local_addr()?;
    if !address.ip().is_loopback() {
        return Err(std::io::Error::new(
            std::io::ErrorKind::InvalidInput,
            format!("screens are served on loopback only, not on {address}"),
        ));
    }
    let desk = Desk {
        node,
        door: Arc::new(Door::new(address.port(), &token)),
    };
    axum::serve(listener, router(desk)).await
}

fn router(desk: Desk) -> Router {
    Router::new()
        .route("/", get(screens::visits))
        .route("/enter", get(door::enter))
        .route("/assets/{name}", get(assets::asset))
        .route("/start", post(api::start))
        .route("/join", post(api::join))
        .route("/join-code", post(api::join_code))
        .route("/joinable", get(live::joinable))
        .route("/device-name", post(api::device_name))
        .route("/crew", post(crew::found))
        .route("/crew/{book}", get(crew::page))
        .route("/crew/{book}/lists", get(crew::lists))
        .route("/crew/{book}/let-in", get(crew::let_in))
        .route("/crew/{book}/be", post(crew::be))
        .route("/crew/{book}/act", post(crew::act))
        .route("/crew/{book}/open", post(crew::open))
        .route("/crew/{book}/code", post(crew::open_code))
        .route("/v/{visit}", get(screens::visit))
        .route("/v/{visit}/live", get(live::live))
        .route("/v/{visit}/summary.json", get(api::summary))
        .route("/v/{visit}/summary.pdf", get(printed::summary))
        .route("/v/{visit}/act", post(api::act))
        .route("/v/{visit}/signature", post(api::sign))
        .route("/v/{visit}/be", post(api::be))
        .route("/v/{visit}/invite", post(api::invite))
        .route("/v/{visit}/code", post(api::open_code))
        .route("/v/{visit}/let-in", get(screens::let_in))
        .route("/v/{visit}/join/{other}", get(screens::join_visits))
        .route("/v/{visit}/record/{record}", get(screens::history))
        .route("/v/{visit}/{page}", get(screens::page))
        .fallback(screens::nothing_here)
        .layer(DefaultBodyLimit::max(BODY_MAX_BYTES))
        .layer(axum::middleware::from_fn_with_state(
            desk.clone(),
            door::guard,
        ))
        .with_state(desk)
}
