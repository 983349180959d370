//! Where a key is: from the cut or the lever pack until it comes back, is lost, or is dead.

pub mod audits;
pub mod losses;
pub mod review;
pub mod statements;

use thiserror::Error;
use time::{Date, OffsetDateTime};

use crate::ids::{DifferId, KeyId, LeverPackId, PersonId, RegistrationId};

words! {
    /// Where a key is. It has exactly one state.
    pub enum KeyState {
        /// Cut, and not given to anybody yet.
        InStore = "in_store",
        /// With a person.
        WithPerson = "with_person",
        /// Given back.
        Returned = "returned",
        /// Reported lost.
        Lost = "lost",
        /// Reported stolen.
        Stolen = "stolen",
        /// Destroyed.
        Destroyed = "destroyed",
        /// No lock answers to its differ any more.
        Dead = "dead",
    }
}

words! {
    /// What can happen to a key.
    pub enum KeyAct {
        /// It is given to a person.
        Issue = "issue",
        /// It passes from one person to another.
        Transfer = "transfer",
        /// It is given back, or found.
        Return = "return",
        /// It cannot be found.
        Lose = "lose",
        /// It was taken.
        Steal = "steal",
        /// It is destroyed.
        Destroy = "destroy",
        /// The last lock that answered to it answers to another differ.
        Die = "die",
    }
}

words! {
    /// What became of the charge for a lost key.
    pub enum ChargeState {
        /// None is asked.
        None = "none",
        /// Asked and open.
        Due = "due",
        /// Paid.
        Paid = "paid",
        /// Waived by somebody who may.
        Waived = "waived",
    }
}

impl KeyAct {
    /// As it is said: "cannot be …".
    #[must_use]
    pub fn phrase(self) -> &'static str {
        match self {
            Self::Issue => "issued",
            Self::Transfer => "passed on",
            Self::Return => "taken back",
            Self::Lose => "reported lost",
            Self::Steal => "reported stolen",
            Self::Destroy => "destroyed",
            Self::Die => "dead once more",
        }
    }
}

/// Whether a key that is with somebody should be back by now.
#[must_use]
pub fn is_overdue(due_back_on: Option<Date>, today: Date) -> bool {
    due_back_on.is_some_and(|due| due < today)
}

/// Something that cannot happen to a key in its state.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("This key is {} and cannot be {}.", .state.phrase(), .act.phrase())]
pub struct WrongKeyState {
    /// Where it is.
    pub state: KeyState,
    /// What was tried.
    pub act: KeyAct,
}

impl KeyState {
    /// As it is said: "This key is …".
    #[must_use]
    pub fn phrase(self) -> &'static str {
        match self {
            Self::InStore => "in store",
            Self::WithPerson => "with somebody",
            Self::Returned => "returned",
            Self::Lost => "lost",
            Self::Stolen => "stolen",
            Self::Destroyed => "destroyed",
            Self::Dead => "dead",
        }
    }

    /// It is there: what counts towards the cap on keys in existence.
    #[must_use]
    pub fn exists(self) -> bool {
        matches!(self, Self::InStore | Self::WithPerson | Self::Returned)
    }

    /// It still opens the locks of its differ, wherever it is.
    #[must_use]
    pub fn opens(self) -> bool {
        self.exists() || self.is_missing()
    }

    /// Its whereabouts are unknown.
    #[must_use]
    pub fn is_missing(self) -> bool {
        matches!(self, Self::Lost | Self::Stolen)
    }

    /// Where it is afterwards.
    ///
    /// # Errors
    /// When it cannot happen to a key in this state.
    pub fn after(self, act: KeyAct) -> Result<Self, WrongKeyState> {
        use KeyState::{Dead, Destroyed, InStore, Lost, Returned, Stolen, WithPerson};
        match (self, act) {
            (InStore | Returned, KeyAct::Issue) | (WithPerson, KeyAct::Transfer) => Ok(WithPerson),
            (WithPerson | Lost | Stolen, KeyAct::Return) => Ok(Returned),
            (InStore | WithPerson | Returned, KeyAct::Lose) => Ok(Lost),
            (InStore | WithPerson | Returned, KeyAct::Steal) => Ok(Stolen),
            (InStore | WithPerson | Returned | Dead, KeyAct::Destroy) => Ok(Destroyed),
            (InStore | WithPerson | Returned | Lost | Stolen, KeyAct::Die) => Ok(Dead),
            (state, act) => Err(WrongKeyState { state, act }),
        }
    }
}

record! {
    /// One key.
    pub struct Key {
        /// Its id.
        id: KeyId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// The differ.
        differ_id: DifferId,
        /// The copy number stamped on it.
        copy_number: u32,
        /// Where it is.
        state: KeyState,
        /// Who has it, or had it when it went missing.
        holder_id: Option<PersonId>,
        /// The day by which it is to come back.
        due_back_on: Option<Date>,
        /// The instant from which it is overdue.
        #[serde(with = "time::serde::rfc3339::option")]
        overdue_since: Option<OffsetDateTime>,
        /// Counts its changes.
        version: i32,
    }

    /// The levers for one lock with the keys cut to them.
    pub struct LeverPack {
        /// Its id.
        id: LeverPackId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// The differ.
        differ_id: DifferId,
        /// The number on it.
        number: String,
        /// When it was recorded.
        #[serde(with = "time::serde::rfc3339")]
        recorded_at: OffsetDateTime,
    }
}

impl Key {
    /// The key after something has happened to it: with whom it is, and by when it comes back. Where a key
    /// dies it stays where it is, and overdue if it was.
    ///
    /// # Errors
    /// When it cannot happen to a key in its state.
    pub fn moved(
        self,
        act: KeyAct,
        holder_id: Option<PersonId>,
        due_back_on: Option<Date>,
    ) -> Result<Self, WrongKeyState> {
        let state = self.state.after(act)?;
        let version = self.version + 1;
        if act == KeyAct::Die {
            return Ok(Self { state, version, ..self });
        }
        Ok(Self { state, version, holder_id, due_back_on, overdue_since: None, ..self })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use time::macros::{date, datetime};
    use uuid::Uuid;

    #[test]
    fn a_key_that_moves_is_no_longer_overdue_and_one_that_dies_stays_as_it_was() {
        let (holder, other) = (PersonId(Uuid::from_u128(1)), PersonId(Uuid::from_u128(2)));
        let key = Key {
            id: KeyId(Uuid::from_u128(3)),
            registration_id: RegistrationId(Uuid::from_u128(4)),
            differ_id: DifferId(Uuid::from_u128(5)),
            copy_number: 3,
            state: KeyState::WithPerson,
            holder_id: Some(holder),
            due_back_on: Some(date!(2026 - 11 - 02)),
            overdue_since: Some(datetime!(2026-11-03 00:00 UTC)),
            version: 7,
        };
        let due = Some(date!(2026 - 12 - 24));
        let passed_on = key.clone().moved(KeyAct::Transfer, Some(other), due).unwrap();
        let expected =
            Key { holder_id: Some(other), due_back_on: due, overdue_since: None, version: 8, ..key.clone() };
        assert_eq!(passed_on, expected);
        let dead = key.clone().moved(KeyAct::Die, None, None).unwrap();
        assert_eq!(dead, Key { state: KeyState::Dead, version: 8, ..key.clone() });
        assert!(key.moved(KeyAct::Issue, Some(other), None).is_err());
    }

    #[test]
    fn a_destroyed_key_stays_destroyed_and_a_dead_one_can_only_be_destroyed() {
        for act in KeyAct::ALL {
            assert!(KeyState::Destroyed.after(*act).is_err());
            assert_eq!(KeyState::Dead.after(*act).is_ok(), *act == KeyAct::Destroy);
        }
    }

    #[test]
    fn only_a_key_that_is_with_nobody_is_issued() {
        for state in KeyState::ALL {
            let issued = state.after(KeyAct::Issue);
            assert_eq!(issued.is_ok(), matches!(state, KeyState::InStore | KeyState::Returned));
        }
    }
}
