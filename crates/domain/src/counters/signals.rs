//! What is out of pattern at counters and with holders: stated rules over what was recorded.
//!
//! A signal is a reason to look, and proves nothing.

use serde::Serialize;
use time::OffsetDateTime;
use utoipa::ToSchema;

use crate::ids::{CounterId, PersonId};

words! {
    /// Which rule gave a signal.
    pub enum SignalRule {
        /// Checks of cards that ended with a no.
        RefusedCards = "refused_cards",
        /// Spoiled blanks.
        SpoiledBlanks = "spoiled_blanks",
        /// Spoiled blanks that no witness confirmed.
        SpoilsWithoutWitness = "spoils_without_witness",
        /// Differences that nobody explained.
        OpenDifferences = "open_differences",
        /// Cuts outside of opening hours.
        CutsOutsideHours = "cuts_outside_hours",
        /// Cuts without a network that were decided no afterwards.
        FlaggedCuts = "flagged_cuts",
        /// Keys that nobody collected.
        UncollectedKeys = "uncollected_keys",
        /// One holder who asks at many counters.
        HolderAtManyCounters = "holder_at_many_counters",
    }
}

/// The bounds of a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bounds {
    /// How many days it looks back, or how many days old a thing has to be.
    pub days: i32,
    /// From how many on there is a signal.
    pub least: u32,
}

/// At least so many of a hundred blanks that were used have to be spoiled ones.
pub const SPOILED_PERCENT: i64 = 10;

impl SignalRule {
    /// Its bounds.
    #[must_use]
    pub fn bounds(self) -> Bounds {
        let of = |days, least| Bounds { days, least };
        match self {
            Self::RefusedCards => of(7, 5),
            Self::SpoiledBlanks => of(30, 5),
            Self::SpoilsWithoutWitness => of(3, 1),
            Self::OpenDifferences => of(7, 1),
            Self::FlaggedCuts => of(30, 1),
            Self::UncollectedKeys => of(14, 1),
            Self::CutsOutsideHours | Self::HolderAtManyCounters => of(30, 3),
        }
    }

    /// What the rule asks, in a sentence.
    #[must_use]
    pub fn explanation(self) -> String {
        let Bounds { days, least } = self.bounds();
        match self {
            Self::RefusedCards => {
                format!("{least} or more checks of cards or PINs ended with a no in the last {days} days.")
            }
            Self::SpoiledBlanks => format!(
                "{least} or more blanks were spoiled in the last {days} days, and {SPOILED_PERCENT} or more of \
                 a hundred that were used."
            ),
            Self::SpoilsWithoutWitness => {
                format!("Spoiled blanks were confirmed by no witness within {days} days.")
            }
            Self::OpenDifferences => format!("A difference of blanks is unexplained after {days} days."),
            Self::CutsOutsideHours => format!(
                "{least} or more cuts in the last {days} days were made outside of the counter's opening hours."
            ),
            Self::FlaggedCuts => format!(
                "A cut that was made without a network in the last {days} days was decided no when it was \
                 brought in."
            ),
            Self::UncollectedKeys => {
                format!("Keys of a request that was over more than {days} days ago are still at the counter.")
            }
            Self::HolderAtManyCounters => {
                format!("One person asked at {least} or more counters in the last {days} days.")
            }
        }
    }
}

/// Something out of pattern.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Signal {
    /// Which rule gave it.
    pub rule: SignalRule,
    /// What the rule asks.
    pub explanation: String,
    /// How many were found.
    pub found: u32,
    /// The counter.
    pub counter_id: Option<CounterId>,
    /// The holder.
    pub person_id: Option<PersonId>,
    /// The instant for which it is asked.
    #[serde(with = "time::serde::rfc3339")]
    pub at: OffsetDateTime,
}
