//! Holds.

use time::{Date, OffsetDateTime};

use crate::ids::{DifferId, HoldId, LossId, PersonId, RegistrationId};

words! {
    /// Why nothing may be copied.
    pub enum HoldKind {
        /// A key is lost.
        Loss = "loss",
        /// A key was stolen.
        Theft = "theft",
        /// The parties disagree.
        Dispute = "dispute",
        /// A court said so; it may bar one person only.
        CourtOrder = "court_order",
        /// A restored backup had lost what the log says; until the register has looked, and entered it again.
        Recovery = "recovery",
    }
}

record! {
    /// A hold: nothing may be copied until it is lifted.
    pub struct Hold {
        /// Its id.
        id: HoldId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// What the hold is for.
        kind: HoldKind,
        /// The one person who is barred, by a court or after a recovery; everybody is stopped, when absent.
        barred_person_id: Option<PersonId>,
        /// The one differ of which nothing is copied; all of the registration, when absent.
        differ_id: Option<DifferId>,
        /// The loss that it was placed for.
        loss_id: Option<LossId>,
        /// The court.
        court: Option<String>,
        /// What stands on the paper of the order.
        order_reference: Option<String>,
        /// The day of the order.
        ordered_on: Option<Date>,
        /// The day on which the order ends.
        ends_on: Option<Date>,
        /// When it was placed.
        #[serde(with = "time::serde::rfc3339")]
        placed_at: OffsetDateTime,
        /// When it was lifted.
        #[serde(with = "time::serde::rfc3339::option")]
        lifted_at: Option<OffsetDateTime>,
    }
}

impl Hold {
    /// One on a whole registration, which nobody has lifted.
    #[must_use]
    pub fn new(
        id: HoldId,
        registration_id: RegistrationId,
        kind: HoldKind,
        placed_at: OffsetDateTime,
    ) -> Self {
        Self {
            id,
            registration_id,
            kind,
            barred_person_id: None,
            differ_id: None,
            loss_id: None,
            court: None,
            order_reference: None,
            ordered_on: None,
            ends_on: None,
            placed_at,
            lifted_at: None,
        }
    }
}
