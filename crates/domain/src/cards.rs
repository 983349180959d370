//! Owner's cards, and what may be a PIN.

use std::ops::RangeInclusive;

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
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// Its holder.
        person_id: PersonId,
        /// Its number, as people type it.
        number: TypedNumber,
        /// Its state.
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

/// Where a card stands on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CardStanding {
    /// It counts.
    Good,
    /// It does not count for now.
    Suspended,
    /// It is past its last day.
    Expired,
    /// It never counts again.
    Revoked,
}

impl CardState {
    /// Where a card in this state, with this last day, stands on a day. One that is past its last day is not
    /// reinstated but replaced.
    #[must_use]
    pub fn on(self, day: Date, expires_on: Date) -> CardStanding {
        match self {
            Self::Revoked => CardStanding::Revoked,
            _ if expires_on < day => CardStanding::Expired,
            Self::Suspended => CardStanding::Suspended,
            Self::Valid => CardStanding::Good,
        }
    }
}

/// How many digits a PIN has.
pub const PIN_DIGITS: RangeInclusive<usize> = 4..=8;

/// Whether this may be a PIN: four to eight digits, not all the same.
#[must_use]
pub fn is_pin(text: &str) -> bool {
    let digits = text.as_bytes();
    PIN_DIGITS.contains(&digits.len())
        && digits.iter().all(u8::is_ascii_digit)
        && digits.iter().any(|digit| Some(digit) != digits.first())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_card_counts_to_the_end_of_its_last_day() {
        use time::macros::date;
        let last_day = date!(2026 - 11 - 02);
        let on = |state: CardState, day| state.on(day, last_day);
        assert_eq!(on(CardState::Valid, last_day), CardStanding::Good);
        assert_eq!(on(CardState::Suspended, last_day), CardStanding::Suspended);
        assert_eq!(on(CardState::Revoked, last_day), CardStanding::Revoked);
        let after = date!(2026 - 11 - 03);
        assert_eq!(on(CardState::Valid, after), CardStanding::Expired);
        assert_eq!(on(CardState::Suspended, after), CardStanding::Expired);
        assert_eq!(on(CardState::Revoked, after), CardStanding::Revoked);
    }

    #[test]
    fn a_pin_is_four_to_eight_digits_that_are_not_all_the_same() {
        for good in ["4071", "40718", "11112", "21111", "12345678"] {
            assert!(is_pin(good), "{good}");
        }
        for bad in ["", "407", "123456789", "1111", "88888888", "407a", "40 71", "٤٠٧١"] {
            assert!(!is_pin(bad), "{bad}");
        }
    }
}
