//! What is known and under way about one document on one connection.

use std::collections::VecDeque;

use gravelbar_ledger::Vector;

use crate::shelf::{covers, raise, risen};

/// A batch without an answer, ours or the peer's.
#[derive(Debug)]
struct Batch {
    number: u64,
    reach: Vector,
}

/// One document's part of the conversation.
#[derive(Debug, Default)]
pub(crate) struct Talk {
    /// We owe the peer an offer.
    pub(crate) offer_due: bool,
    /// The document is over a limit and can't be offered.
    pub(crate) unofferable: bool,
    /// The peer has our offer.
    pub(crate) offered: bool,
    /// We have the peer's.
    pub(crate) wanted: bool,
    /// There may be something on the shelf that the peer lacks.
    pub(crate) push_due: bool,
    /// What we told the peer that we hold.
    told: Vector,
    /// What we hold now, where the peer waits to hear of it.
    to_tell: Option<Vector>,
    /// What the peer says it has stored.
    holds: Vector,
    /// What needs no sending on this connection: the peer holds it, sent it, or was sent it. So
    /// every change goes out at most once per connection, whatever the peer answers, and one that
    /// got lost or was refused goes again on the next, where vectors are compared afresh.
    settled: Vector,
    /// Sent batches without an answer.
    sent: VecDeque<Batch>,
    /// Arrived batches that the owner has neither stored nor refused.
    arrived: VecDeque<Batch>,
    /// Refusals the peer hasn't been told of.
    refusals: VecDeque<(u64, String)>,
}

impl Talk {
    /// The peer said that it has stored this much. Returns how many writers are new to us.
    pub(crate) fn peer_holds(&mut self, vector: &Vector) -> usize {
        let before = self.holds.len() + self.settled.len();
        raise(&mut self.holds, vector);
        raise(&mut self.settled, vector);
        let holds = &self.holds;
        self.sent.retain(|batch| !covers(holds, &batch.reach));
        self.holds.len() + self.settled.len() - before
    }

    /// What the peer says it has stored.
    pub(crate) fn holds(&self) -> &Vector {
        &self.holds
    }

    /// What needs no sending.
    pub(crate) fn settled(&self) -> &Vector {
        &self.settled
    }

    /// Whether another batch may be sent before one is answered.
    pub(crate) fn window_open(&self, window: usize) -> bool {
        self.sent.len() < window
    }

    /// A batch goes out.
    pub(crate) fn send(&mut self, number: u64, reach: Vector) {
        raise(&mut self.settled, &reach);
        self.sent.push_back(Batch { number, reach });
    }

    /// The peer refused a batch of ours. Returns what it reached to, if it was under way.
    pub(crate) fn refused_by_peer(&mut self, number: u64) -> Option<Vector> {
        let at = self.sent.iter().position(|batch| batch.number == number)?;
        self.sent.remove(at).map(|batch| batch.reach)
    }

    /// A batch arrived. Whether anything of it may be new here, and how many writers are new to us.
    ///
    /// What the peer has been told is stored (it came another way meanwhile) is not new: the peer
    /// counts such a batch as answered by what it was told, and so must we.
    pub(crate) fn arrive(&mut self, number: u64, reach: Vector) -> (bool, usize) {
        let before = self.settled.len();
        // The peer holds what it sends, so it needn't be sent back. That a peer might name more
        // than it sent harms only itself, until the next connection.
        raise(&mut self.settled, &reach);
        let new_writers = self.settled.len() - before;
        let waiting = self.to_tell.as_ref();
        if covers(&self.told, &reach) || waiting.is_some_and(|held| covers(held, &reach)) {
            return (false, new_writers);
        }
        self.arrived.push_back(Batch { number, reach });
        (true, new_writers)
    }

    /// Batches the peer waits to hear of.
    pub(crate) fn unanswered(&self) -> usize {
        self.arrived.len() + self.refusals.len()
    }

    /// The owner has stored this much.
    ///
    /// This is the only way by which `to_tell` is filled, and an offer (whose vector is the
    /// shelf's) is the only other way to tell the peer what is held: so nothing is acknowledged
    /// before the owner has said that it is stored.
    pub(crate) fn stored(&mut self, vector: &Vector) {
        let held = self.to_tell.get_or_insert_default();
        raise(held, vector);
        self.arrived.retain(|batch| !covers(held, &batch.reach));
    }

    /// The owner won't have some of this batch.
    pub(crate) fn refuse(&mut self, number: u64, why: String) {
        if let Some(at) = self.arrived.iter().position(|b| b.number == number) {
            self.arrived.remove(at);
            self.refusals.push_back((number, why));
        }
    }

    /// The next refusal to tell.
    pub(crate) fn next_refusal(&mut self) -> Option<(u64, String)> {
        self.refusals.pop_front()
    }

    /// What has risen since the peer was last told, if it waits to hear; at most `most` writers,
    /// the others next time.
    pub(crate) fn next_stored(&mut self, most: usize) -> Option<Vector> {
        let now = self.to_tell.take()?;
        let mut more = risen(&now, &self.told);
        if let Some((first_left, _)) = more.iter().nth(most) {
            let first_left = *first_left;
            more.split_off(&first_left);
            self.to_tell = Some(now);
        }
        if more.is_empty() {
            // Whatever batch this would have answered, the peer knew before that we hold it.
            return None;
        }
        raise(&mut self.told, &more);
        Some(more)
    }

    /// Our offer goes out with this vector.
    pub(crate) fn offer(&mut self, vector: &Vector) {
        self.offer_due = false;
        self.offered = true;
        self.push_due = true;
        raise(&mut self.told, vector);
    }
}
