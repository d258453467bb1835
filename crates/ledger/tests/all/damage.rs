//! Ways to damage an honest change so that its checksum is still right.

use crate::craft::{Crafted, DAY_S, Dice, bytes_of, content, hand_over, ledger, seal};

/// A history with shards opened and filled, concurrent work and several records in one change.
pub(crate) fn honest_history() -> Vec<Vec<u8>> {
    let mut crew: Vec<_> = (1..=3).map(|device| ledger(device, 1)).collect();
    for round in 0..4_i64 {
        for (at, member) in crew.iter_mut().enumerate() {
            let records = if at == 0 { 100 } else { 1 + at };
            let bodies: Vec<_> = (0..records).map(|n| format!("{round}{n}")).collect();
            member.append(&bodies, DAY_S + round).unwrap();
        }
        let (first, rest) = crew.split_first_mut().unwrap();
        for other in rest {
            hand_over(other, first);
            hand_over(first, other);
        }
    }
    bytes_of(crew[0].log())
}

/// A change damaged in a few places, sealed again.
pub(crate) fn mutated(change: &[u8], donor: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut body = content(change).to_vec();
    for _ in 0..=dice.below(3) {
        let at = dice.below(body.len());
        match dice.below(8) {
            0 | 1 => body[at] ^= 1 << dice.below(8),
            2 => body[at] = u8::try_from(dice.below(256)).unwrap(),
            3 => body[at] = [0, 1, 0x7f, 0x80, 0xff][dice.below(5)],
            4 => drop(body.remove(at)),
            5 => body.insert(at, u8::try_from(dice.below(256)).unwrap()),
            6 => {
                let donor = content(donor);
                let from = dice.below(donor.len());
                let length = dice.below(40).min(donor.len() - from).min(body.len() - at);
                body[at..at + length].copy_from_slice(&donor[from..from + length]);
            }
            _ => {
                let length = dice.below(20).min(body.len() - at);
                let piece = body[at..at + length].to_vec();
                body.splice(at..at, piece);
            }
        }
        if body.is_empty() {
            return vec![];
        }
    }
    seal(1, &body)
}

/// A change with a few of its fields and columns damaged, sealed again.
pub(crate) fn misshapen(change: &[u8], donor: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut crafted = Crafted::from(change);
    let donor = Crafted::from(donor);
    for _ in 0..=dice.below(2) {
        match dice.below(9) {
            0 => crafted.deps = donor.deps.clone(),
            1 => crafted.actor = donor.actor.clone(),
            2 => crafted.seq = (crafted.seq + dice.roll() % 4).saturating_sub(1),
            3 => crafted.start_op = (crafted.start_op + dice.roll() % 4).saturating_sub(1),
            4 => crafted.time = i64::try_from(dice.roll() >> dice.below(64).max(1)).unwrap(),
            5 => crafted.others = donor.others.clone(),
            6 => crafted.columns = donor.columns.clone(),
            7 => {
                let at = dice.below(crafted.columns.len());
                crafted.columns[at].1 = donor.columns[dice.below(donor.columns.len())].1.clone();
            }
            _ => {
                let at = dice.below(crafted.columns.len());
                let column = &mut crafted.columns[at].1;
                let byte = dice.below(column.len());
                column[byte] = column[byte].wrapping_add(u8::try_from(dice.below(5)).unwrap());
            }
        }
    }
    crafted.bytes()
}
