//! What channels, passes and checklist lines of one document are called in another.

use std::collections::BTreeMap;

use crate::names::{Channel, PassKey};
use crate::record::{Fact, FieldValue};

/// Names that stand for other names.
#[derive(Default)]
pub(super) struct Calling {
    pub(super) channels: BTreeMap<Channel, Channel>,
    pub(super) passes: BTreeMap<PassKey, PassKey>,
    /// Lines of the checklist, by name and whether each person ticks alone.
    pub(super) items: BTreeMap<(String, bool), String>,
}

impl Calling {
    pub(super) fn changes_nothing(&self) -> bool {
        self.channels.is_empty() && self.passes.is_empty() && self.items.is_empty()
    }

    fn channel(&self, channel: &mut Channel) {
        if let Some(called) = self.channels.get(channel) {
            channel.clone_from(called);
        }
    }

    pub(super) fn pass(&self, pass: &mut PassKey) {
        match self.passes.get(pass) {
            Some(called) => pass.clone_from(called),
            None => self.channel(&mut pass.channel),
        }
    }

    fn item(&self, item: &mut String, each: bool) {
        if let Some(called) = self.items.get(&(item.clone(), each)) {
            item.clone_from(called);
        }
    }

    /// Gives a fact the names it has from now on.
    pub(super) fn call(&self, fact: &mut Fact) {
        match fact {
            Fact::ReachLength(f) => self.channel(&mut f.channel),
            Fact::Width(f) => self.channel(&mut f.channel),
            Fact::NetEvent(f) => self.channel(&mut f.channel),
            Fact::PassOpened(f) => self.pass(&mut f.pass),
            Fact::PassClosed(f) => self.pass(&mut f.pass),
            Fact::Counter(f) => self.pass(&mut f.pass),
            Fact::Tally(f) => self.pass(&mut f.pass),
            Fact::Escape(f) => self.pass(&mut f.pass),
            Fact::Bucket(f) => self.pass(&mut f.pass),
            Fact::Fish(f) => self.pass(&mut f.pass),
            Fact::Batch(f) => self.pass(&mut f.pass),
            Fact::Death(f) => self.pass(&mut f.pass),
            Fact::Amend(f) => {
                if let FieldValue::Pass(pass) = &mut f.set {
                    self.pass(pass);
                }
                if let Some(pass) = f.scope.as_mut().and_then(|scope| scope.pass.as_mut()) {
                    self.pass(pass);
                }
            }
            Fact::Note(f) => f.pass.iter_mut().for_each(|pass| self.pass(pass)),
            Fact::Tick(f) => self.item(&mut f.item, f.person.is_some()),
            Fact::Untick(f) => self.item(&mut f.item, f.person.is_some()),
            Fact::Joined(_)
            | Fact::Left(_)
            | Fact::RoleTaken(_)
            | Fact::RoleLeft(_)
            | Fact::Device(_)
            | Fact::DeviceHeld(_)
            | Fact::ClockOffset(_)
            | Fact::Water(_)
            | Fact::Setting(_)
            | Fact::Trial(_)
            | Fact::GearEvent(_)
            | Fact::Undo(_)
            | Fact::Void(_)
            | Fact::Restore(_)
            | Fact::SameThing(_)
            | Fact::Stop(_)
            | Fact::EnergiserOff(_)
            | Fact::Clear(_)
            | Fact::Incident(_)
            | Fact::Decision(_)
            | Fact::Signature(_)
            | Fact::Reopen(_)
            | Fact::AcceptLate(_)
            | Fact::Join(_)
            | Fact::Brought(_)
            | Fact::Unjoin(_)
            | Fact::DeviceLost(_)
            | Fact::AcceptHeld(_) => {}
        }
    }
}
