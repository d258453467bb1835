//! Tells an open page that there is something new to show; the page then asks for itself again. And
//! tells a newcomer's page which devices are open for joining, as long as it looks.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use tokio_stream::Stream;
use tokio_stream::wrappers::ReceiverStream;

use super::Desk;
use crate::node::Node;

/// A burst of taps is shown as one change.
const SETTLE: Duration = Duration::from_millis(50);
/// How often a silent connection is proved alive, so that a page learns that its program is gone.
const BEAT: Duration = Duration::from_secs(10);

pub(super) async fn live(
    State(desk): State<Desk>,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let mut pulse = desk.node.pulse();
    let (events, stream) = tokio::sync::mpsc::channel(1);
    tokio::spawn(async move {
        // The first event tells the page that it is connected, and what it may have missed.
        loop {
            let number = *pulse.borrow_and_update();
            let event = Event::default().event("changed").data(number.to_string());
            if events.send(Ok(event)).await.is_err() {
                return;
            }
            tokio::select! {
                changed = pulse.changed() => if changed.is_err() { return },
                () = events.closed() => return,
            }
            tokio::time::sleep(SETTLE).await;
        }
    });
    Sse::new(ReceiverStream::new(stream)).keep_alive(KeepAlive::new().interval(BEAT))
}

/// A page that looks for devices to join; the network is listened to while one does.
struct Looking(Node);

impl Looking {
    fn begin(node: &Node) -> Self {
        node.look(true);
        Self(node.clone())
    }
}

impl Drop for Looking {
    fn drop(&mut self) {
        self.0.look(false);
    }
}

/// The labels of the devices open for joining, each time they change.
pub(super) async fn joinable(
    State(desk): State<Desk>,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let mut pulse = desk.node.pulse();
    let (events, stream) = tokio::sync::mpsc::channel(1);
    tokio::spawn(async move {
        let looking = Looking::begin(&desk.node);
        let mut told = None;
        loop {
            pulse.borrow_and_update();
            let open = looking.0.joinable().await;
            let labels: Vec<String> = open.into_iter().map(|line| line.label).collect();
            if told.as_ref() != Some(&labels) {
                let text = serde_json::json!(labels).to_string();
                let event = Event::default().event("joinable").data(text);
                if events.send(Ok(event)).await.is_err() {
                    return;
                }
                told = Some(labels);
            }
            tokio::select! {
                changed = pulse.changed() => if changed.is_err() { return },
                () = events.closed() => return,
            }
        }
    });
    Sse::new(ReceiverStream::new(stream)).keep_alive(KeepAlive::new().interval(BEAT))
}
