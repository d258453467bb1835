//! What is known and under way about one document on one connection.

use std::collections::VecDeque;

use gravelbar_ledger::Vector;

use crate::limits::{HOLD_MOST_MS, TELL_AFTER_MS};
use crate::shelf::{covers, raise, risen};

/// A batch without an answer, ours or the peer's.
#[derive(Debug)]
struct Batch {
    number: u64,
    reach: Vector,
}

/// One of ours on its way.
#[derive(Debug)]
struct Sent {
    batch: Batch,
    bytes: usize,
    at_ms: i64,
}

/// A batch of ours that the peer answered.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Answered {
    pub(crate) bytes: usize,
    pub(crate) took_ms: i64,
}

/// What came of the peer's word about what it holds.
#[derive(Debug)]
pub(crate) struct Heard {
    /// Writers new to us.
    pub(crate) new_writers: usize,
    /// Our batches that this answers.
    pub(crate) answered: Vec<Answered>,
}

/// Changes that others wrote, kept back from the peer for a while.
#[derive(Debug)]
struct Hold {
    /// All that was on the shelf when the hold began.
    reach: Vector,
    until_ms: i64,
    /// However busy the road is.
    latest_ms: i64,
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
    /// There may be something on the shelf that the peer lacks and should have now.
    pub(crate) push_due: bool,
    /// There may be something urgent on the shelf.
    pub(crate) urgent_due: bool,
    /// Urgent messages that the peer sent or was sent, each writer's up to this number.
    pub(crate) urgent: Vector,
    /// There may be something on the shelf that the peer lacks, and soon has from elsewhere.
    hold: Option<Hold>,
    /// What is on the shelf since.
    held_since: Option<Vector>,
    /// What we told the peer that we hold.
    told: Vector,
    /// What we hold now, where the peer is to hear of it.
    to_tell: Option<Vector>,
    /// Nothing of that is an answer to the peer, so it can wait until then.
    tell_from_ms: Option<i64>,
    /// What the peer says it has stored.
    holds: Vector,
    /// What needs no sending on this connection: the peer holds it, sent it, or was sent it. So
    /// every change goes out at most once per connection, whatever the peer answers, and one that
    /// got lost or was refused goes again on the next, where vectors are compared afresh.
    settled: Vector,
    /// Sent batches without an answer.
    sent: VecDeque<Sent>,
    /// Arrived batches that the owner has neither stored nor refused.
    arrived: VecDeque<Batch>,
    /// Refusals the peer hasn't been told of.
    refusals: VecDeque<(u64, String)>,
}

impl Talk {
    /// The peer said that it has stored this much.
    ///
    /// Once the last of our batches is answered, what is held back waits `hold_ms` anew: the road to
    /// the peer was busy until now, from others too.
    pub(crate) fn peer_holds(&mut self, vector: &Vector, now_ms: i64, hold_ms: i64) -> Heard {
        let before = self.holds.len() + self.settled.len();
        raise(&mut self.holds, vector);
        raise(&mut self.settled, vector);
        let (holds, waiting) = (&self.holds, self.sent.len());
        let mut answered = Vec::new();
        self.sent.retain(|sent| {
            let open = !covers(holds, &sent.batch.reach);
            if !open {
                answered.push(Answered {
                    bytes: sent.bytes,
                    took_ms: now_ms.saturating_sub(sent.at_ms),
                });
            }
            open
        });
        if waiting > 0
            && self.sent.is_empty()
            && let Some(hold) = &mut self.hold
        {
            let anew = now_ms.saturating_add(hold_ms);
            hold.until_ms = hold.until_ms.max(anew).min(hold.latest_ms);
        }
        Heard {
            new_writers: self.holds.len() + self.settled.len() - before,
            answered,
        }
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

    /// A batch goes out. Who sends a change says by it that it is stored.
    pub(crate) fn send(&mut self, number: u64, reach: Vector, bytes: usize, at_ms: i64) {
        raise(&mut self.settled, &reach);
        raise(&mut self.told, &reach);
        let batch = Batch { number, reach };
        self.sent.push_back(Sent {
            batch,
            bytes,
            at_ms,
        });
    }

    /// The peer refused a batch of ours. Returns what it reached to, if it was under way.
    pub(crate) fn refused_by_peer(&mut self, number: u64) -> Option<Vector> {
        let at = (self.sent.iter()).position(|sent| sent.batch.number == number)?;
        self.sent.remove(at).map(|sent| sent.batch.reach)
    }

    /// A batch arrived that reaches so far. Whether anything of it may be new here.
    ///
    /// What the peer has been told is stored (it came another way meanwhile) is not new: the peer
    /// counts such a batch as answered by what it was told, and so must we.
    ///
    /// The peer holds what it sends ([`Self::peer_holds`]), so it needn't be sent back. That a peer
    /// might name more than it sent harms only itself, until the next connection.
    pub(crate) fn arrive(&mut self, number: u64, reach: Vector) -> bool {
        let waiting = self.to_tell.as_ref();
        if covers(&self.told, &reach) || waiting.is_some_and(|held| covers(held, &reach)) {
            return false;
        }
        self.arrived.push_back(Batch { number, reach });
        true
    }

    /// Batches the peer waits to hear of.
    pub(crate) fn unanswered(&self) -> usize {
        self.arrived.len() + self.refusals.len()
    }

    /// The owner has stored this much.
    ///
    /// This and [`Self::relayed`], which calls it, are the only ways by which `to_tell` is filled,
    /// and an offer or a batch (which come from the shelf) are the only other ways to tell the peer
    /// what is held: so nothing is acknowledged before the owner has said that it is stored.
    pub(crate) fn stored(&mut self, vector: &Vector) {
        let held = self.to_tell.get_or_insert_default();
        raise(held, vector);
        self.arrived.retain(|batch| !covers(held, &batch.reach));
        self.tell_from_ms = None;
    }

    /// The owner has stored this much, of what others wrote and sent: the peer is told before long,
    /// and sent what it lacks a little later, by when it may have told that it lacks nothing.
    pub(crate) fn relayed(&mut self, vector: &Vector, now_ms: i64, hold_ms: i64) {
        let tell_from_ms = match self.to_tell {
            Some(_) => self.tell_from_ms,
            None => Some(now_ms.saturating_add(TELL_AFTER_MS)),
        };
        self.stored(vector);
        self.tell_from_ms = tell_from_ms;
        self.urgent_due = true;
        if self.hold.is_some() {
            self.held_since = Some(vector.clone());
        } else {
            self.hold(vector.clone(), now_ms, hold_ms);
        }
    }

    fn hold(&mut self, reach: Vector, now_ms: i64, hold_ms: i64) {
        self.hold = Some(Hold {
            reach,
            until_ms: now_ms.saturating_add(hold_ms),
            latest_ms: now_ms.saturating_add(HOLD_MOST_MS),
        });
    }

    /// Both have offered the document: changes go both ways.
    pub(crate) fn shared(&self) -> bool {
        self.offered && self.wanted
    }

    /// When what waits for a moment is due, the earliest of it.
    pub(crate) fn due_ms(&self) -> Option<i64> {
        if !self.shared() {
            return None;
        }
        let hold = self.hold.as_ref().map(|hold| match self.sent.len() {
            0 => hold.until_ms,
            _ => hold.latest_ms,
        });
        hold.into_iter().chain(self.tell_from_ms).min()
    }

    /// Our clock was set back: nothing waits for a moment that may be years away.
    pub(crate) fn hurry(&mut self) {
        self.push_due |= self.hold.take().is_some();
        self.tell_from_ms = None;
    }

    /// Whether the peer is to be sent what it lacks.
    ///
    /// While a batch of ours is under way the road to the peer is busy, from others as likely as
    /// from us, and others' changes wait: else a crowd that meets on a slow network would fill it
    /// with everyone's copies of everything.
    pub(crate) fn push_now(&mut self, now_ms: i64, hold_ms: i64) -> bool {
        let quiet = self.sent.is_empty();
        let over = self
            .hold
            .take_if(|hold| now_ms >= hold.latest_ms || (now_ms >= hold.until_ms && quiet));
        if let Some(hold) = over {
            if !covers(&self.settled, &hold.reach) {
                self.push_due = true;
            } else if let Some(reach) = self.held_since.take() {
                // It has all that was held back; what came in the meantime gets its own time.
                self.hold(reach, now_ms, hold_ms);
            }
        }
        self.push_due
    }

    /// The shelf has nothing more for the peer.
    pub(crate) fn pushed_all(&mut self) {
        self.push_due = false;
        self.hold = None;
        self.held_since = None;
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
    pub(crate) fn next_stored(&mut self, now_ms: i64, most: usize) -> Option<Vector> {
        if let Some(from_ms) = self.tell_from_ms
            && (now_ms < from_ms || !self.wanted)
        {
            return None;
        }
        self.tell_from_ms = None;
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
        self.urgent_due = true;
        raise(&mut self.told, vector);
    }
}
