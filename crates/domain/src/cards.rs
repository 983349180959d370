//! Owner's cards.

use time::Date;

use crate::ids::{CardId, PersonId, RegistrationId};
use crate::numbers::TypedNumber;

words! {
    /// Where a card stands.
    pub enum CardState {
        /// Good until its last day.
        Valid = "valid",
        /// Not good for now.
        Suspended = "suspended",
        /// Never good again.
        Revoked = "revoked",
    }
}

record! {
    /// An owner's card, without its PIN.
    pub struct Card {
        /// Its id.
        id: CardId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Whose.
        person_id: PersonId,
        /// Its number, as people type it.
        number: TypedNumber,
        /// Where it stands.
        state: CardState,
        /// Its last day.
        expires_on: Date,
        /// A PIN was set.
        pin_set: bool,
        /// The status list that says whether it counts.
        status_list: i32,
        /// Its place there.
        status_index: i32,
        /// The card that it replaced.
        replaces_id: Option<CardId>,
    }
}
