//! Owns the reasons why an estimator has no answer, as a code and as words.

use serde::ser::{Serialize, SerializeStruct, Serializer};
use thiserror::Error;

/// Why a removal estimator gives no number for a catch.
///
/// One enum for all estimators: the reasons are facts about the catch, not about one formula.
/// Serialized as `{"code": "did_not_deplete", "text": "..."}`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum Refusal {
    /// No fish on any pass.
    #[error("no fish were caught in {passes} pass(es); zero caught does not mean zero present")]
    NothingCaught {
        /// Passes fished.
        passes: usize,
    },
    /// A single pass shows no fall.
    #[error(
        "one pass shows no fall in the catch; {minimum} fish is a minimum count; fish a second pass to estimate"
    )]
    OnePassOnly {
        /// Fish in hand.
        minimum: u64,
    },
    /// The catches don't fall on the whole.
    #[error(
        "the catch did not fall from pass to pass, so it sets no upper limit; \
         fish another pass or report the minimum count of {minimum}"
    )]
    DidNotDeplete {
        /// Fish in hand.
        minimum: u64,
    },
    /// Every fish the method believes in is in hand, so a spread of zero would be read as certainty.
    #[error(
        "all estimated fish were caught, so the spread comes out as zero whatever the truth; \
         report {caught} caught and leave the interval out"
    )]
    AllCaughtNotInformative {
        /// Fish in hand.
        caught: u64,
    },
    /// The closed two-pass form was asked of another number of passes.
    #[error("the two-pass formula is for two passes and there are {passes}")]
    OnlyForTwoPasses {
        /// Passes fished.
        passes: usize,
    },
    /// A test of equal catchability has nothing left over to test with.
    #[error("a test of equal catchability needs at least three passes and there are {passes}")]
    NeedsThreePasses {
        /// Passes fished.
        passes: usize,
    },
    /// A model that lets the first passes differ finds no fall in the later ones.
    #[error(
        "the passes after number {free_passes} did not fall, so they set no upper limit on what was left"
    )]
    LaterPassesDidNotDeplete {
        /// First passes that have a chance of capture of their own.
        free_passes: usize,
    },
    /// After joining passes with small expected catches nothing is left over to test with.
    #[error("too few fish are expected on the later passes to test equal catchability")]
    ExpectedTooSmall,
    /// The next catch may be larger than can be looked at one by one.
    #[error(
        "the next pass may take more than {most} fish, too many to weigh one by one; use the expected catch"
    )]
    NextCatchTooLarge {
        /// Largest next catch that is looked at.
        most: u32,
    },
    /// The likelihood rises for ever, or to a number no reach holds.
    #[error("the likelihood has no highest point below {MOST} fish; fish another pass or report the minimum count", MOST = crate::MOST_FISH)]
    NoFiniteMaximum,
}

impl Refusal {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::NothingCaught { .. } => "nothing_caught",
            Self::OnePassOnly { .. } => "one_pass_only",
            Self::DidNotDeplete { .. } => "did_not_deplete",
            Self::AllCaughtNotInformative { .. } => "all_caught_not_informative",
            Self::OnlyForTwoPasses { .. } => "only_for_two_passes",
            Self::NeedsThreePasses { .. } => "needs_three_passes",
            Self::LaterPassesDidNotDeplete { .. } => "later_passes_did_not_deplete",
            Self::ExpectedTooSmall => "expected_too_small",
            Self::NextCatchTooLarge { .. } => "next_catch_too_large",
            Self::NoFiniteMaximum => "no_finite_maximum",
        }
    }
}

impl Serialize for Refusal {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut refusal = serializer.serialize_struct("Refusal", 2)?;
        refusal.serialize_field("code", self.code())?;
        refusal.serialize_field("text", &self.to_string())?;
        refusal.end()
    }
}
