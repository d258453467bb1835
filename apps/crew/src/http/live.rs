//! Tells an open page that there is something new to show; the page then asks for itself again.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use tokio_stream::Stream;
use tokio_stream::wrappers::ReceiverStream;

use super::Desk;

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
