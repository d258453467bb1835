//! The roster against random histories: leads acting apart, revoked leads that go on writing,
//! forged histories, any order of meeting.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_book::{
    Accept, ActError, Book, DeviceNamed, DeviceStanding, DocumentIdText, Effect, GrantName,
    RecordStanding, Revoke, RosterEntry, TextDigest,
};
use gravelbar_ledger::RecordId;
use gravelbar_visit::Role;
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};

use crate::crew::{Crew, DEVICES, at, facts, founding, grant, key, name, steps, tag, writer};
use crate::naive::{MUTANTS, Outcome, Rule, Without};

type Facts = BTreeMap<RecordId, (TextDigest, RosterEntry)>;

fn rule(facts: &Facts, without: Without) -> Outcome {
    let founding = founding();
    Rule {
        without,
        founder: founding.founder,
        book: founding.document_id(),
        facts,
    }
    .run()
}

/// The outcome as the crate works it out.
fn worked_out(book: &Book) -> Outcome {
    let roster = book.roster();
    let lines = roster.lines.iter();
    Outcome {
        sound: (lines.clone())
            .filter(|l| matches!(l.effect, Effect::Counts | Effect::Void))
            .map(|l| l.record)
            .collect(),
        void: (lines.filter(|l| l.effect == Effect::Void))
            .map(|l| l.record)
            .collect(),
        in_effect: (roster.live())
            .flat_map(|d| d.grants.clone())
            .filter(|name| match name {
                GrantName::Founder => true,
                GrantName::Entry(id) => !roster.alarms.iter().any(|a| a.grant == *id),
            })
            .collect(),
        roles: (roster.live())
            .map(|d| (d.key, d.roles.iter().copied().collect()))
            .collect(),
        revoked: (0..DEVICES)
            .map(tag)
            .filter(|t| roster.is_revoked(*t))
            .collect(),
    }
}

fn cut_off(facts: &Facts, set: &BTreeSet<RecordId>, id: RecordId) -> bool {
    let book = founding().document_id();
    set.iter().any(|r| {
        facts[r].1.revoke.as_ref().is_some_and(|revoke| {
            revoke.key.tag() == id.writer.device && revoke.cut(book, id.writer) < id.n
        })
    })
}

/// Rights come from the founder by a chain of grants that let lead, none cut off or withdrawn
/// before it was used, and end at no revoked device. Said without epochs, history or what is void:
/// less than the rule, but all of it must hold.
fn rights_have_a_root(facts: &Facts, out: &Outcome) -> Result<(), String> {
    let mut leads: BTreeSet<_> = BTreeSet::from([founding().founder.tag()]);
    let mut given: BTreeSet<_> = BTreeSet::from([founding().founder.tag()]);
    loop {
        let before = (leads.len(), given.len());
        for (id, (_, entry)) in facts {
            if let Some(grant) = &entry.grant
                && leads.contains(&id.writer.device)
                && !cut_off(facts, &out.sound, *id)
            {
                given.insert(grant.key.tag());
                if grant.leads() {
                    leads.insert(grant.key.tag());
                }
            }
        }
        if before == (leads.len(), given.len()) {
            break;
        }
    }
    for (key, roles) in &out.roles {
        if !given.contains(&key.tag()) {
            return Err(format!("{key} has rights from nowhere"));
        }
        if roles.contains(&Role::Lead) && !leads.contains(&key.tag()) {
            return Err(format!("{key} leads from nowhere"));
        }
    }
    // Each grant's own root, from its author down.
    for name in &out.in_effect {
        if let GrantName::Entry(id) = name
            && (cut_off(facts, &out.sound, *id) || !leads.contains(&id.writer.device))
        {
            return Err(format!("{id} gives though its author is cut off"));
        }
    }
    Ok(())
}

/// What a sound entry takes away stays away.
fn taken_stays_taken(facts: &Facts, out: &Outcome) -> Result<(), String> {
    for id in &out.sound {
        let entry = &facts[id].1;
        if let Some(revoke) = &entry.revoke
            && out.roles.keys().any(|k| k.tag() == revoke.key.tag())
        {
            return Err(format!("{} is live though {id} shuts it out", revoke.key));
        }
        if let Some(name) = entry.withdraw.iter().find(|n| out.in_effect.contains(n)) {
            return Err(format!("{name} is in effect though {id} withdraws it"));
        }
    }
    Ok(())
}

/// Nothing made apart is in effect unless somebody entitled came after both and kept it.
fn apart_waits(facts: &Facts, out: &Outcome) -> Result<(), String> {
    let founding = founding();
    let sets = Rule {
        without: Without::Nothing,
        founder: founding.founder,
        book: founding.document_id(),
        facts,
    };
    for name in &out.in_effect {
        if let GrantName::Entry(id) = name {
            let rivals = sets.rivals(&out.sound, &out.void, *id);
            if let Some(rival) = rivals.first() {
                return Err(format!("{id} is in effect though {rival} was made apart"));
            }
        }
    }
    Ok(())
}

/// An earlier state of the entries: those of the first `n` in an order that causes go before.
fn earlier(facts: &Facts, order: &[RecordId], n: usize) -> Facts {
    let first: BTreeSet<_> = order[..n].iter().collect();
    (facts.iter())
        .filter(|(id, _)| first.contains(id))
        .map(|(id, fact)| (*id, fact.clone()))
        .collect()
}

/// What was sound stays sound, and what wasn't never becomes it, whatever comes later.
fn soundness_stays(before: &Facts, then: &Outcome, now: &Outcome) -> Result<(), String> {
    for id in before.keys() {
        if then.sound.contains(id) != now.sound.contains(id) {
            return Err(format!("{id} was judged anew because of what came later"));
        }
    }
    Ok(())
}

/// Whoever a void entry let in is void: no grant of theirs is in effect.
fn void_spreads(facts: &Facts, out: &Outcome) -> Result<(), String> {
    // A device all of whose lead grants are cut off gives nothing.
    for name in &out.in_effect {
        let GrantName::Entry(id) = name else { continue };
        let author = id.writer.device;
        let founder = founding().founder.tag() == author;
        let lead_grants = facts.iter().filter(|(g, (_, e))| {
            out.sound.contains(g)
                && (e.grant.as_ref()).is_some_and(|g| g.key.tag() == author && g.leads())
        });
        let good = { lead_grants }.any(|(g, _)| !cut_off(facts, &out.sound, *g));
        if !founder && !good {
            return Err(format!("{id} gives by a right that is cut off"));
        }
    }
    Ok(())
}

/// All laws on one history.
fn laws(facts: &Facts, order: &[RecordId], of: impl Fn(&Facts) -> Outcome) -> Result<(), String> {
    let out = of(facts);
    rights_have_a_root(facts, &out)?;
    taken_stays_taken(facts, &out)?;
    apart_waits(facts, &out)?;
    void_spreads(facts, &out)?;
    for n in 0..order.len() {
        let before = earlier(facts, order, n);
        soundness_stays(&before, &of(&before), &out)?;
    }
    // A forged history is none.
    for (id, (_, entry)) in facts {
        let forged = |link: &gravelbar_book::Link| {
            (facts.get(&link.record)).is_none_or(|(digest, _)| *digest != link.digest)
        };
        if entry.previous.iter().any(forged) && out.sound.contains(id) {
            return Err(format!("{id} counts on a forged history"));
        }
    }
    Ok(())
}

fn played(steps: &[crate::crew::Step]) -> Crew {
    let mut crew = Crew::set_up();
    for step in steps {
        crew.take(*step);
    }
    crew.meet_all();
    crew
}

fn order(book: &Book) -> Vec<RecordId> {
    crate::crew::entries(book)
        .iter()
        .map(|(id, _)| *id)
        .collect()
}

proptest! {
    #![proptest_config(Config { cases: 150, ..Config::default() })]

    #[test]
    fn the_rule_written_twice_says_the_same(steps in steps(32)) {
        let crew = played(&steps);
        let book = crew.book(0);
        prop_assert_eq!(worked_out(book), rule(&facts(book), Without::Nothing));
    }

    #[test]
    fn nobody_gains_a_right_that_no_sound_entry_gave(steps in steps(32)) {
        let crew = played(&steps);
        let book = crew.book(0);
        let facts = facts(book);
        prop_assert_eq!(laws(&facts, &order(book), |f| rule(f, Without::Nothing)), Ok(()));
        let out = worked_out(book);
        prop_assert_eq!(rights_have_a_root(&facts, &out), Ok(()));
        prop_assert_eq!(taken_stays_taken(&facts, &out), Ok(()));
        prop_assert_eq!(apart_waits(&facts, &out), Ok(()));
    }

    #[test]
    fn any_order_of_meeting_makes_one_roster(
        steps in steps(32),
        order in prop::collection::vec((0..DEVICES, 0..DEVICES), 0..20),
        seed in any::<u64>(),
    ) {
        let mut crew = played(&steps);
        for (from, to) in order {
            crew.meet(from, to);
        }
        crew.meet_all();
        let first = crew.book(0).view();
        for device in 1..DEVICES {
            prop_assert_eq!(&crew.book(device).view(), &first);
        }
        // From disk, in another order.
        let mut log: Vec<Vec<u8>> =
            crew.book(0).log().iter().map(|c| c.bytes.to_vec()).collect();
        let turn = usize::try_from(seed).unwrap_or(0) % log.len().max(1);
        log.rotate_left(turn);
        let (read, _) = Book::restore(&founding().about(), writer(3, 99), log).unwrap();
        prop_assert_eq!(&read.view(), &first);
    }

    /// With the one exception that is meant: grants of others that only the entries held up which
    /// the revocation makes void.
    #[test]
    fn one_more_revocation_never_lets_more_in(
        steps in steps(28),
        who in 0..DEVICES,
        whom in 0..DEVICES,
        earlier in any::<bool>(),
    ) {
        let mut crew = played(&steps);
        let before = worked_out(crew.book(who));
        let records = every_record(crew.book(who));
        let counted: Vec<RecordId> = records
            .iter()
            .copied()
            .filter(|id| counts(crew.book(who), *id))
            .collect();
        let mut entry = crew.book(who).roster().next();
        entry.revoke = Some(if earlier {
            Revoke { key: key(whom), cuts: BTreeMap::new() }
        } else {
            crew.book(who).revocation(key(whom), [])
        });
        crew.say(who, entry);
        let after = worked_out(crew.book(who));
        let facts = facts(crew.book(who));
        let founding = founding();
        let sets = Rule {
            without: Without::Nothing,
            founder: founding.founder,
            book: founding.document_id(),
            facts: &facts,
        };
        let mut freed = BTreeSet::new();
        for name in after.in_effect.difference(&before.in_effect) {
            let GrantName::Entry(id) = name else {
                return Err(TestCaseError::fail("the founder's grant came back"));
            };
            let held_up_by = sets.rivals(&before.sound, &before.void, *id);
            prop_assert!(!held_up_by.is_empty());
            prop_assert!(held_up_by.iter().all(|rival| after.void.contains(rival)));
            prop_assert!(id.writer.device != tag(whom));
            freed.insert(facts[id].1.grant.as_ref().unwrap().key.tag());
        }
        for id in records {
            let now = counts(crew.book(who), id);
            prop_assert!(!now || counted.contains(&id) || freed.contains(&id.writer.device));
        }
    }

    /// A device without the right to lead has no entries, so there the law holds without exception.
    #[test]
    fn shutting_out_a_netter_only_ever_takes_away(steps in steps(28), who in 0..DEVICES) {
        let mut crew = played(&steps);
        let before = worked_out(crew.book(who));
        let mut add = crew.book(who).roster().next();
        let stranger = gravelbar_book::DeviceKey([99; 32]);
        add.revoke = Some(Revoke { key: stranger, cuts: BTreeMap::new() });
        crew.say(who, add);
        let after = worked_out(crew.book(who));
        prop_assert!(after.in_effect.is_subset(&before.in_effect));
    }

    #[test]
    fn a_revoked_lead_that_goes_on_writing_gives_nothing(steps in steps(20), more in steps(20)) {
        let mut crew = played(&steps);
        let mut entry = crew.book(0).roster().next();
        entry.revoke = Some(crew.book(0).revocation(key(1), []));
        prop_assume!(crew.say(0, entry).is_some());
        let known: BTreeSet<RecordId> = facts(crew.book(0)).into_keys().collect();
        // It hears nothing of it, and writes what it likes.
        for step in more {
            if step.what != crate::crew::What::Meet {
                crew.take(crate::crew::Step { who: 1, ..step });
            }
        }
        crew.meet_all();
        let out = worked_out(crew.book(0));
        for name in &out.in_effect {
            if let GrantName::Entry(id) = name {
                prop_assert!(id.writer.device != tag(1) || known.contains(id));
            }
        }
        prop_assert!(!out.roles.contains_key(&key(1)));
    }
}

fn every_record(book: &Book) -> Vec<RecordId> {
    book.records().iter().map(|s| s.id).collect()
}

fn counts(book: &Book, id: RecordId) -> bool {
    book.roster().standing(book.id(), id) == RecordStanding::Counts
}

/// Leads 0 and 1 act apart, lead 1 settles it, and then turns out to have been shut out before.
fn settled_by_someone_shut_out() -> Crew {
    let mut crew = Crew::set_up();
    lead(&mut crew, 0, 2, vec![Role::Lead]);
    lead(&mut crew, 1, 3, vec![Role::Netter]);
    let upto = crew.book(1).reach_of(key(1));
    crew.meet_all();
    let mut entry = crew.book(1).roster().next();
    let alarms = crew.book(1).roster().alarms.iter();
    entry.keep = alarms.map(|a| GrantName::Entry(a.grant)).collect();
    assert_eq!(entry.keep.len(), 2);
    crew.say(1, entry).unwrap();
    crew.meet_all();
    let mut entry = crew.book(0).roster().next();
    let cuts = BTreeMap::from([(DocumentIdText(crew.book(0).id()), upto)]);
    entry.revoke = Some(Revoke { key: key(1), cuts });
    crew.say(0, entry).unwrap();
    crew.meet_all();
    crew
}

/// Each planted mistake breaks a law on some history.
#[test]
fn every_planted_mistake_is_noticed() {
    let breaks = |crew: &Crew, mutant| {
        let (facts, order) = (facts(crew.book(0)), order(crew.book(0)));
        laws(&facts, &order, |f| rule(f, mutant)).is_err()
    };
    let special = settled_by_someone_shut_out();
    assert!(!breaks(&special, Without::Nothing));
    for mutant in MUTANTS {
        let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &[7; 32]);
        let mut runner = TestRunner::new_with_rng(Config::default(), rng);
        let noticed = breaks(&special, mutant)
            || (0..3_000).any(|_| {
                let steps = steps(16).new_tree(&mut runner).unwrap().current();
                breaks(&played(&steps), mutant)
            });
        assert!(noticed, "{mutant:?} goes unnoticed");
    }
}

fn lead(crew: &mut Crew, who: u8, whom: u8, roles: Vec<Role>) -> RecordId {
    let mut entry = crew.book(who).roster().next();
    entry.grant = Some(grant(whom, roles));
    crew.say(who, entry).unwrap()
}

fn standing(crew: &Crew, device: u8) -> Option<DeviceStanding> {
    crew.book(0)
        .roster()
        .device(key(device))
        .map(|d| d.standing)
}

#[test]
fn two_leads_apart_raise_an_alarm_until_one_of_them_settles_it() {
    let mut crew = Crew::new();
    lead(&mut crew, 0, 1, vec![Role::Lead]);
    crew.meet_all();
    let one = lead(&mut crew, 0, 2, vec![Role::Netter]);
    let two = lead(&mut crew, 1, 3, vec![Role::Netter]);
    assert_eq!(standing(&crew, 2), Some(DeviceStanding::Live));
    crew.meet_all();
    let roster = crew.book(0).roster();
    assert_eq!(standing(&crew, 2), Some(DeviceStanding::Pending));
    assert_eq!(standing(&crew, 3), Some(DeviceStanding::Pending));
    let alarms: BTreeSet<RecordId> = roster.alarms.iter().map(|a| a.grant).collect();
    assert_eq!(alarms, BTreeSet::from([one, two]));

    let mut entry = roster.next();
    assert_eq!(entry.previous.len(), 2);
    entry.keep = vec![GrantName::Entry(two)];
    entry.withdraw = vec![GrantName::Entry(one)];
    crew.say(1, entry).unwrap();
    crew.meet_all();
    assert_eq!(standing(&crew, 3), Some(DeviceStanding::Live));
    assert_eq!(standing(&crew, 2), Some(DeviceStanding::Void));
    assert!(crew.book(0).roster().alarms.is_empty());
}

#[test]
fn two_leads_who_shut_each_other_out_are_both_out() {
    let mut crew = Crew::new();
    lead(&mut crew, 0, 1, vec![Role::Lead]);
    lead(&mut crew, 0, 2, vec![Role::Lead]);
    crew.meet_all();
    for (who, whom) in [(0, 1), (1, 0)] {
        let mut entry = crew.book(who).roster().next();
        entry.revoke = Some(crew.book(who).revocation(key(whom), []));
        crew.say(who, entry).unwrap();
    }
    crew.meet_all();
    assert_eq!(standing(&crew, 0), Some(DeviceStanding::Revoked));
    assert_eq!(standing(&crew, 1), Some(DeviceStanding::Revoked));
    assert_eq!(standing(&crew, 2), Some(DeviceStanding::Live));
    let entry = crew.book(0).roster().next();
    let refused = crew.books[0].record(&name("Ana"), at(), None, vec![entry.into()]);
    assert_eq!(refused, Err(ActError::NotEntitled));
    lead(&mut crew, 2, 3, vec![Role::Lead]);
}

#[test]
fn the_last_lead_stays() {
    let mut crew = Crew::new();
    let mut entry = crew.book(0).roster().next();
    entry.withdraw = vec![GrantName::Founder];
    let refused = crew.books[0].record(&name("Ana"), at(), None, vec![entry.into()]);
    assert_eq!(refused, Err(ActError::NoLeadLeft));
}

#[test]
fn an_entry_of_someone_without_the_right_is_shown_and_has_no_effect() {
    let mut crew = Crew::new();
    lead(&mut crew, 0, 1, vec![Role::Netter]);
    crew.meet_all();
    let mut entry = crew.book(1).roster().next();
    entry.grant = Some(grant(1, vec![Role::Lead]));
    crew.force(1, entry);
    crew.meet_all();
    let roster = crew.book(0).roster();
    assert_eq!(roster.lines.len(), 2);
    assert_eq!(roster.lines[1].effect, Effect::NotEntitled);
    assert!(!roster.may_change(tag(1)));
}

#[test]
fn what_a_lost_device_wrote_past_the_cut_is_held_until_a_lead_accepts_it() {
    let mut crew = Crew::new();
    lead(&mut crew, 0, 1, vec![Role::Netter]);
    crew.meet_all();
    let named = |text: &str| DeviceNamed {
        key: key(1),
        name: text.to_owned(),
    };
    let first = crew.say(1, named("before it was lost")).unwrap();
    crew.meet(1, 0);
    let late = crew.say(1, named("found in the river")).unwrap();
    let mut entry = crew.book(0).roster().next();
    entry.revoke = Some(crew.book(0).revocation(key(1), []));
    let revocation = crew.say(0, entry).unwrap();
    crew.meet_all();
    assert!(counts(crew.book(0), first));
    assert!(!counts(crew.book(0), late));
    assert_eq!(crew.book(0).view().aside.len(), 1);

    let mut entry = crew.book(0).roster().next();
    entry.accept = Some(Accept {
        of: vec![revocation],
        document: crew.book(0).id(),
        last: crew.book(0).reach_of(key(1)),
    });
    crew.say(0, entry).unwrap();
    crew.meet_all();
    assert!(counts(crew.book(0), late));
    assert_eq!(standing(&crew, 1), Some(DeviceStanding::Revoked));

    // A second revocation that the acceptance hadn't seen holds all the same.
    let mut entry = crew.book(0).roster().next();
    entry.revoke = Some(Revoke {
        key: key(1),
        cuts: BTreeMap::new(),
    });
    crew.say(0, entry).unwrap();
    assert!(!counts(crew.book(0), first));
}
