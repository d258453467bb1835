//! What the visit refuses to write, though another device's record of it would be kept.

use gravelbar_ledger::RecordId;

use super::{ActError, Visit};
use crate::names::PersonName;
use crate::record::Fact;
use crate::view::{Held, Standings, has_field, may_be_joined, may_be_undone, may_be_voided};

impl Visit {
    fn known(&self, ids: &[RecordId]) -> Result<(), ActError> {
        ids.iter()
            .find(|id| !self.knows(**id))
            .map_or(Ok(()), |id| Err(ActError::UnknownRecord(*id)))
    }

    /// Refuses an act on records of which one is unknown or isn't of a kind it can be done to.
    fn fitting(
        &self,
        act: &Fact,
        ids: &[RecordId],
        fits: impl Fn(&Fact) -> bool,
    ) -> Result<(), ActError> {
        self.known(ids)?;
        for id in ids {
            let of = self.entry(*id).map(|s| &s.entry.what);
            if !of.is_some_and(&fits) {
                return Err(ActError::NotOfThisKind {
                    act: act.kind(),
                    of: of.map_or("record that can't be read", Fact::kind),
                    record: *id,
                });
            }
        }
        Ok(())
    }

    /// Refuses who isn't crew lead or safety lead now.
    fn entitled(&self, by: &PersonName) -> bool {
        let held = Held::read(self.records(), self);
        Standings::read(self.records(), self, &held).may_clear(by, None)
    }

    fn on_crew(&self, by: &PersonName) -> bool {
        let held = Held::read(self.records(), self);
        Standings::read(self.records(), self, &held).on_crew(by, None)
    }

    /// Refuses what could only ever be without effect, so that a person learns it at once.
    pub(super) fn allow(&self, by: &PersonName, what: &Fact) -> Result<(), ActError> {
        match what {
            Fact::Undo(undo) => self.fitting(what, &[undo.of], may_be_undone),
            Fact::Amend(amend) => {
                let field = amend.set.name();
                self.known(&amend.replaces)?;
                self.fitting(what, &amend.of, |of| has_field(of, field))
            }
            Fact::Void(void) => {
                self.known(&void.seen)?;
                self.fitting(what, &[void.of], may_be_voided)
            }
            Fact::Restore(restore) => {
                self.fitting(what, &restore.voids, |of| matches!(of, Fact::Void(_)))
            }
            Fact::SameThing(same) => {
                let first = same.records.first().and_then(|id| self.entry(*id));
                let kind = first.map(|s| s.entry.what.kind());
                self.fitting(what, &same.records, |of| {
                    may_be_joined(of) && Some(of.kind()) == kind
                })
            }
            Fact::Counter(counter) => self.known(&counter.replaces),
            Fact::ReachLength(length) => self.known(&length.replaces),
            Fact::Death(death) => self.known(death.fish.as_slice()),
            Fact::Left(left) => {
                self.known(&left.seen)?;
                if left.person == *by || self.entitled(by) {
                    Ok(())
                } else {
                    Err(ActError::LeavingOfSomeoneElse(left.person.clone()))
                }
            }
            Fact::EnergiserOff(off) => self.known(&off.stops),
            Fact::AcceptLate(accept) => self.known(&accept.records),
            Fact::Reopen(reopen) => self.fitting(what, &[reopen.signature], |of| {
                matches!(of, Fact::Signature(_))
            }),
            Fact::Untick(untick) => {
                if self.line(&untick.item)? == untick.person.is_some() {
                    Ok(())
                } else {
                    Err(ActError::WhoseLine(untick.item.clone()))
                }
            }
            Fact::Tick(tick) => {
                self.known(&tick.clears)?;
                self.known(&tick.round)?;
                match (self.line(&tick.item)?, &tick.person) {
                    (true, Some(person)) if person == by => Ok(()),
                    (true, Some(person)) => Err(ActError::TickForSomeoneElse(person.to_string())),
                    (true, None) | (false, Some(_)) => {
                        Err(ActError::TickForSomeoneElse("that person".to_owned()))
                    }
                    (false, None) if self.on_crew(by) => Ok(()),
                    (false, None) => Err(ActError::NotOnCrew(by.clone())),
                }
            }
            Fact::Clear(clear) => {
                self.known(&clear.stops)?;
                if self.entitled(by) {
                    Ok(())
                } else {
                    Err(ActError::NotEntitled(by.clone()))
                }
            }
            Fact::Join(join) if join.visit <= self.id() => Err(ActError::JoinsUpward {
                into: join.visit,
                from: self.id(),
            }),
            Fact::Join(join) if self.joined_as(join.visit) == Some(&join.names) => {
                Err(ActError::JoinedAlready(join.visit))
            }
            Fact::Unjoin(unjoin) => {
                self.fitting(what, &unjoin.joins, |of| matches!(of, Fact::Join(_)))
            }
            Fact::Brought(_) => Err(ActError::BroughtByHand),
            Fact::DeviceLost(_) if !self.entitled(by) => {
                Err(ActError::NotEntitledToCut(by.clone()))
            }
            Fact::AcceptHeld(accept) => {
                self.fitting(what, &accept.lost, |of| matches!(of, Fact::DeviceLost(_)))?;
                if self.entitled(by) {
                    Ok(())
                } else {
                    Err(ActError::NotEntitledToCut(by.clone()))
                }
            }
            _ => Ok(()),
        }
    }

    /// Whether each person ticks this line alone.
    fn line(&self, item: &str) -> Result<bool, ActError> {
        self.reading()
            .map_or(&self.plan, |reading| &reading.plan)
            .checklist
            .iter()
            .find(|line| line.item == item)
            .map(|line| line.each_person)
            .ok_or_else(|| ActError::UnknownItem(item.chars().take(60).collect()))
    }
}
