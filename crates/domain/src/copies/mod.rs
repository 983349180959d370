//! The life of a copy request.
//!
//! ```text
//! ask ──┬─ refused
//!       ├─ waiting ──┬─ declined            (an approver says no)
//!       │            ├─ withdrawn           (the asker thinks better of it)
//!       │            ├─ stopped             (the right it rests on was revoked)
//!       │            └─ authorised ─┐
//!       └─ authorised ──────────────┴──┬─ completed   (every key handed over)
//!                                      ├─ withdrawn
//!                                      ├─ stopped
//!                                      └─ lapsed      (its time ran out)
//! ```

pub mod decision;
pub mod signature;

use thiserror::Error;
use time::{Date, OffsetDateTime};

use crate::calendar::DayCount;
use crate::copies::decision::Outcome;
use crate::ids::{
    CopyRequestId, CounterId, CutClaimId, CutId, DestructionId, DifferId, EntryId, KeyId, PersonId,
    RegistrationId,
};

words! {
    /// Where a request stands.
    pub enum RequestState {
        /// Approvals are missing.
        Waiting = "waiting",
        /// It may be cut, in parts, until it lapses.
        Authorised = "authorised",
        /// Every key was handed over, or the extension was given.
        Completed = "completed",
        /// It was refused when it was asked for.
        Refused = "refused",
        /// An approver said no.
        Declined = "declined",
        /// The asker withdrew it.
        Withdrawn = "withdrawn",
        /// The authorisation lapsed.
        Lapsed = "lapsed",
        /// A right on which it rested was revoked.
        Stopped = "stopped",
    }
}

words! {
    /// Why a copy is asked for.
    pub enum Purpose {
        /// One more key.
        Additional = "additional",
        /// In place of a worn or broken key, against the old one.
        ReplaceWorn = "replace_worn",
        /// In place of a lost or stolen key.
        ReplaceLost = "replace_lost",
    }
}

words! {
    /// Which kind of identity document was seen; never a copy of it.
    pub enum DocumentKind {
        /// A passport.
        Passport = "passport",
        /// A driving licence.
        DrivingLicence = "driving_licence",
        /// A national or residence identity card.
        IdentityCard = "identity_card",
        /// A card of the employer or school.
        StaffCard = "staff_card",
        /// Another document with a photograph.
        OtherPhotoDocument = "other_photo_document",
    }
}

impl RequestState {
    /// Those in which something is still to come of it.
    const OPEN: [Self; 2] = [Self::Waiting, Self::Authorised];

    /// Something is still to come of it.
    #[must_use]
    pub fn is_open(self) -> bool {
        Self::OPEN.contains(&self)
    }
}

/// An act that the state of a request does not allow.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("This request is {state} and cannot be {act}.")]
pub struct WrongState {
    /// Its state.
    pub state: RequestState,
    /// What was tried.
    pub act: &'static str,
}

/// From when to when an authorisation holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Authorisation {
    /// When it was given.
    pub at: OffsetDateTime,
    /// When it lapses.
    pub lapses_at: OffsetDateTime,
}

impl Authorisation {
    fn given(now: OffsetDateTime, lapse: &DayCount) -> Self {
        Self { at: now, lapses_at: lapse.end(now) }
    }
}

/// The part of a request that changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RequestProgress {
    /// Its state.
    pub state: RequestState,
    /// Keys asked for.
    pub quantity: u32,
    /// Keys cut.
    pub cut: u32,
    /// Keys handed over.
    pub handed: u32,
    /// The authorisation, once given.
    pub authorisation: Option<Authorisation>,
}

impl RequestProgress {
    /// A new request, by the decision on it.
    #[must_use]
    pub fn asked(quantity: u32, outcome: Outcome, now: OffsetDateTime, lapse: &DayCount) -> Self {
        let waiting = Self { state: RequestState::Waiting, quantity, cut: 0, handed: 0, authorisation: None };
        match outcome {
            Outcome::Permitted => waiting.authorised(now, lapse),
            Outcome::NeedsApproval => waiting,
            Outcome::Refused => Self { state: RequestState::Refused, ..waiting },
        }
    }

    fn authorised(self, now: OffsetDateTime, lapse: &DayCount) -> Self {
        Self {
            state: RequestState::Authorised,
            authorisation: Some(Authorisation::given(now, lapse)),
            ..self
        }
    }

    fn when(self, allowed: &[RequestState], act: &'static str) -> Result<Self, WrongState> {
        if allowed.contains(&self.state) { Ok(self) } else { Err(WrongState { state: self.state, act }) }
    }

    /// After an approval, by the decision that was taken with it.
    ///
    /// # Errors
    /// When it does not wait for approvals.
    pub fn approved(
        self,
        outcome: Outcome,
        now: OffsetDateTime,
        lapse: &DayCount,
    ) -> Result<Self, WrongState> {
        let waiting = self.when(&[RequestState::Waiting], "approved")?;
        Ok(if outcome == Outcome::Permitted { waiting.authorised(now, lapse) } else { waiting })
    }

    /// After an approver said no.
    ///
    /// # Errors
    /// When it does not wait for approvals.
    pub fn declined(self) -> Result<Self, WrongState> {
        let waiting = self.when(&[RequestState::Waiting], "declined")?;
        Ok(Self { state: RequestState::Declined, ..waiting })
    }

    /// After the asker withdrew it.
    ///
    /// # Errors
    /// When it is over.
    pub fn withdrawn(self) -> Result<Self, WrongState> {
        let open = self.when(&RequestState::OPEN, "withdrawn")?;
        Ok(Self { state: RequestState::Withdrawn, ..open })
    }

    /// After a right on which it rested was revoked.
    ///
    /// # Errors
    /// When it is over.
    pub fn stopped(self) -> Result<Self, WrongState> {
        let open = self.when(&RequestState::OPEN, "stopped")?;
        Ok(Self { state: RequestState::Stopped, ..open })
    }

    /// Once its time has run out.
    ///
    /// # Errors
    /// When it is not authorised.
    pub fn lapsed(self) -> Result<Self, WrongState> {
        let authorised = self.when(&[RequestState::Authorised], "lapsed")?;
        Ok(Self { state: RequestState::Lapsed, ..authorised })
    }

    /// Whether keys may be cut, as far as the state goes; how many is a matter of the decision.
    ///
    /// # Errors
    /// When it is not authorised.
    pub fn ready_to_cut(self) -> Result<Self, WrongState> {
        self.when(&[RequestState::Authorised], "cut")
    }

    /// After so many keys were cut, which the decision has permitted.
    ///
    /// # Errors
    /// When it is not authorised.
    pub fn cut(self, keys: u32) -> Result<Self, WrongState> {
        let authorised = self.ready_to_cut()?;
        Ok(Self { cut: authorised.cut + keys, ..authorised })
    }

    /// Of keys that were cut whatever is decided now, how many were authorised once and not cut before.
    #[must_use]
    pub fn authorised_of(self, keys: u32) -> u32 {
        if self.authorisation.is_some() { keys.min(self.left_to_cut()) } else { 0 }
    }

    /// After keys were cut whatever was decided. The state stays: what is over stays over.
    #[must_use]
    pub fn cut_as_fact(self, keys: u32) -> Self {
        Self { cut: self.cut + self.authorised_of(keys), ..self }
    }

    /// Whether keys may be handed over, as far as the state goes.
    ///
    /// # Errors
    /// When it is not authorised.
    pub fn ready_to_hand_over(self) -> Result<Self, WrongState> {
        self.when(&[RequestState::Authorised], "handed over")
    }

    /// After so many keys were handed over, which the decision has permitted.
    ///
    /// # Errors
    /// When it is not authorised.
    pub fn handed_over(self, keys: u32) -> Result<Self, WrongState> {
        let authorised = self.ready_to_hand_over()?;
        let handed = authorised.handed + keys;
        let state =
            if handed == authorised.quantity { RequestState::Completed } else { RequestState::Authorised };
        Ok(Self { state, handed, ..authorised })
    }

    /// After the extension that it asked for was given.
    ///
    /// # Errors
    /// When it is not authorised.
    pub fn extended(self) -> Result<Self, WrongState> {
        let authorised = self.when(&[RequestState::Authorised], "extended")?;
        Ok(Self { state: RequestState::Completed, ..authorised })
    }

    /// Keys that may still be cut.
    #[must_use]
    pub fn left_to_cut(self) -> u32 {
        self.quantity.saturating_sub(self.cut)
    }

    /// Keys that were cut and wait to be handed over.
    #[must_use]
    pub fn left_to_hand_over(self) -> u32 {
        self.cut.saturating_sub(self.handed)
    }
}

record! {
    /// A copy request.
    pub struct CopyRequest {
        /// Its id.
        id: CopyRequestId,
        /// The registration.
        registration_id: RegistrationId,
        /// The differ of the key.
        differ_id: DifferId,
        /// The person who asked.
        asked_by: PersonId,
        /// The person who is to have the keys.
        recipient_id: PersonId,
        /// Where it is to be cut.
        counter_id: CounterId,
        /// The number of keys.
        quantity: u32,
        /// What the copy is for.
        purpose: Purpose,
        /// The key that it replaces.
        replaces_key_id: Option<KeyId>,
        /// The instant from which it is needed.
        #[serde(with = "time::serde::rfc3339::option")]
        needed_from: Option<OffsetDateTime>,
        /// The day by which it is to come back.
        due_back_on: Option<Date>,
        /// The request whose keys are to stay out longer.
        extends_request_id: Option<CopyRequestId>,
        /// Why the normal authority cannot act.
        emergency_reason: Option<String>,
        /// Its state.
        state: RequestState,
        /// When it was asked for.
        #[serde(with = "time::serde::rfc3339")]
        asked_at: OffsetDateTime,
        /// When it was authorised.
        #[serde(with = "time::serde::rfc3339::option")]
        authorised_at: Option<OffsetDateTime>,
        /// When the authorisation lapses.
        #[serde(with = "time::serde::rfc3339::option")]
        lapses_at: Option<OffsetDateTime>,
        /// Keys cut.
        cut_count: u32,
        /// Keys handed over.
        handed_count: u32,
        /// Counts its changes.
        version: i32,
    }

    /// A cut that was made without a network and decided no when it was brought in.
    pub struct FlaggedCut {
        /// Its id.
        id: CutId,
        /// The registration.
        registration_id: RegistrationId,
        /// The copy request.
        copy_request_id: CopyRequestId,
        /// The counter.
        counter_id: CounterId,
        /// The number of keys.
        quantity: u32,
        /// How many of them were beyond what was authorised.
        beyond: u32,
        /// When, by the counter's clock.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// When it was brought in.
        #[serde(with = "time::serde::rfc3339")]
        brought_in_at: OffsetDateTime,
        /// Why the decision was no.
        #[schema(value_type = Vec<crate::copies::decision::Reason>)]
        reasons: serde_json::Value,
        /// The entry of the decision in the log.
        entry_id: EntryId,
    }

    /// Keys that a counter says it cut beyond what was authorised. They are none until the register accepts them.
    pub struct CutClaim {
        /// Its id.
        id: CutClaimId,
        /// The registration.
        registration_id: RegistrationId,
        /// The copy request.
        copy_request_id: CopyRequestId,
        /// The counter.
        counter_id: CounterId,
        /// The number of keys.
        quantity: u32,
        /// When, by the counter's clock.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// When it was brought in.
        #[serde(with = "time::serde::rfc3339")]
        brought_in_at: OffsetDateTime,
        /// Why the decision was no.
        #[schema(value_type = Vec<crate::copies::decision::Reason>)]
        reasons: serde_json::Value,
        /// The entry of the decision in the log.
        entry_id: EntryId,
        /// When it was settled.
        #[serde(with = "time::serde::rfc3339::option")]
        settled_at: Option<OffsetDateTime>,
        /// Whether its keys are there since; absent until it is settled.
        accepted: Option<bool>,
    }

    /// Keys that nobody collected, destroyed by one and seen by another.
    pub struct Destruction {
        /// Its id.
        id: DestructionId,
        /// The copy request.
        copy_request_id: CopyRequestId,
        /// Who destroyed them.
        made_by: PersonId,
        /// When they were destroyed.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// Who saw it; nobody yet, when absent.
        witness_id: Option<PersonId>,
        /// When it was confirmed.
        #[serde(with = "time::serde::rfc3339::option")]
        witnessed_at: Option<OffsetDateTime>,
    }
}

impl CopyRequest {
    /// The part that changes, as the state machine has it.
    #[must_use]
    pub fn progress(&self) -> RequestProgress {
        RequestProgress {
            state: self.state,
            quantity: self.quantity,
            cut: self.cut_count,
            handed: self.handed_count,
            authorisation: self
                .authorised_at
                .zip(self.lapses_at)
                .map(|(at, lapses_at)| Authorisation { at, lapses_at }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calendar::DayKind;
    use time::macros::datetime;

    const NOW: OffsetDateTime = datetime!(2026-11-02 09:00 UTC);

    fn lapse() -> DayCount {
        DayCount { days: 30, kind: DayKind::Calendar, holidays: vec![] }
    }

    #[test]
    fn a_request_is_cut_and_handed_over_in_parts_until_it_is_complete() {
        let request = RequestProgress::asked(3, Outcome::Permitted, NOW, &lapse());
        assert_eq!(request.authorisation.unwrap().lapses_at, datetime!(2026-12-02 09:00 UTC));
        let request = request.cut(2).unwrap().handed_over(1).unwrap();
        assert_eq!((request.left_to_cut(), request.left_to_hand_over()), (1, 1));
        assert_eq!(request.state, RequestState::Authorised);
        let request = request.cut(1).unwrap().handed_over(2).unwrap();
        assert_eq!(request.state, RequestState::Completed);
        assert_eq!(request.cut(1), Err(WrongState { state: RequestState::Completed, act: "cut" }));
    }

    #[test]
    fn what_is_over_stays_over() {
        let waiting = RequestProgress::asked(1, Outcome::NeedsApproval, NOW, &lapse());
        let refused = RequestProgress::asked(1, Outcome::Refused, NOW, &lapse());
        for over in [
            refused,
            waiting.declined().unwrap(),
            waiting.withdrawn().unwrap(),
            waiting.stopped().unwrap(),
            waiting.approved(Outcome::Permitted, NOW, &lapse()).unwrap().lapsed().unwrap(),
        ] {
            assert!(over.approved(Outcome::Permitted, NOW, &lapse()).is_err());
            assert!(over.declined().is_err());
            assert!(over.withdrawn().is_err());
            assert!(over.stopped().is_err());
            assert!(over.lapsed().is_err());
            assert!(over.cut(1).is_err());
            assert!(over.handed_over(1).is_err());
        }
        assert!(waiting.cut(1).is_err());
        assert_eq!(waiting.approved(Outcome::NeedsApproval, NOW, &lapse()), Ok(waiting));
    }
}
