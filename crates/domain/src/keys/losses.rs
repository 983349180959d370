//! Keys reported lost, and what the rules ask then. Whether a charge may be asked is a matter of local law.

use time::{Date, OffsetDateTime};

use crate::copies::decision::facts::Facts;
use crate::ids::{KeyId, LossId, PersonId, RegistrationId};
use crate::keys::ChargeState;
use crate::register::rules::{Charge, Rules};

words! {
    /// How a key came to be missing.
    pub enum LossKind {
        /// It cannot be found.
        Lost = "lost",
        /// It was taken.
        Stolen = "stolen",
    }
}

words! {
    /// What a named person decided after a loss.
    pub enum LossDecision {
        /// The locks stay as they are; the hold on the differ is lifted.
        Keep = "keep",
        /// The locks are rekeyed.
        Rekey = "rekey",
    }
}

/// The charge for a lost key of the differ that the facts describe; the first line that matches.
#[must_use]
pub fn charge<'a>(facts: &Facts, rules: &'a Rules) -> Option<&'a Charge> {
    rules.losses.charges.iter().find(|charge| facts.matches(&charge.when))
}

/// Whether the report of a loss still lacks the reference that the police give.
#[must_use]
pub fn lacks_crime_reference(rules: &Rules, kind: LossKind, reference: Option<&str>) -> bool {
    rules.losses.crime_reference && kind == LossKind::Stolen && reference.is_none()
}

record! {
    /// The report of a lost or stolen key.
    pub struct Loss {
        /// Its id.
        id: LossId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// The key.
        key_id: KeyId,
        /// Whether it was lost or stolen.
        kind: LossKind,
        /// The reference that the police gave.
        crime_reference: Option<String>,
        /// The day on which it happened, where that is known.
        happened_on: Option<Date>,
        /// Where it happened.
        place: Option<String>,
        /// When it was reported.
        #[serde(with = "time::serde::rfc3339")]
        reported_at: OffsetDateTime,
        /// When the key was found.
        #[serde(with = "time::serde::rfc3339::option")]
        found_at: Option<OffsetDateTime>,
        /// What was decided about the locks.
        decision: Option<LossDecision>,
        /// Why it was decided so.
        decision_reason: Option<String>,
        /// Who decided it.
        decided_by: Option<PersonId>,
        /// When it was decided.
        #[serde(with = "time::serde::rfc3339::option")]
        decided_at: Option<OffsetDateTime>,
        /// What became of the charge.
        charge: ChargeState,
        /// The post of whoever waived it.
        waived_by_post: Option<String>,
        /// In the smallest unit of the currency.
        charge_amount: Option<i32>,
        /// ISO 4217.
        charge_currency: Option<String>,
    }
}
