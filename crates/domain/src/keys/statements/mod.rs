//! Statements of the premises: what the register held on a day, and how that is counted.

#[cfg(test)]
mod tests;

use std::collections::{HashMap, HashSet};

use serde::{Deserialize, Serialize};
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use crate::calendar::Period;
use crate::count::number_of;
use crate::ids::{DifferId, EntryId, KeyId, LockId, OrganisationId, PersonId, RegistrationId, StatementId};
use crate::keys::KeyState;
use crate::keys::losses::{LossDecision, LossKind};
use crate::numbers::TypedNumber;
use crate::register::registrations::LockKind;
use crate::rekeys::RekeyState;
use crate::rights::authorities::AuthorityClass;

record! {
    /// A statement of what the register held on some premises on a day.
    pub struct Statement {
        /// Its id.
        id: StatementId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// The bytes that were hashed.
        content: String,
        /// Their hash.
        hash: String,
        /// The entry of the log that commits to the hash.
        entry_id: EntryId,
    }
}

/// A lock in a statement.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StatedLock {
    /// Its line in the schedule.
    pub label: String,
    /// What kind of lock.
    pub kind: LockKind,
    /// The standard that it was made to, as it was recorded.
    pub standard: Option<String>,
    /// Its door was marked as an escape route.
    pub escape_route: bool,
    /// The day of its last change of levers, or of its first.
    pub keyed_on: Option<Date>,
    /// Other locks that one of its keys opens as well.
    pub alike_with: u32,
    /// Keys in existence that open it.
    pub keys: u32,
    /// Keys that open it and are lost or stolen.
    pub missing: u32,
}

/// How many keys there were.
#[derive(Debug, Clone, Default, Serialize, ToSchema)]
pub struct StatedKeys {
    /// In existence: in store, with people, returned.
    pub in_existence: u32,
    /// Of them, with people.
    pub with_people: u32,
    /// Of them, in store.
    pub in_store: u32,
    /// Lost or stolen, and not dead.
    pub missing: u32,
}

/// Somebody who may order keys.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StatedAuthority {
    /// The person, where it is one.
    pub person_id: Option<PersonId>,
    /// The name of the person or organisation.
    pub name: String,
    /// What the authority is.
    pub class: AuthorityClass,
    /// It is for every key; else for some.
    pub every_key: bool,
    /// May approve what others ask for.
    pub may_approve: bool,
}

/// A loss that was open.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StatedLoss {
    /// Whether it was lost or stolen.
    pub kind: LossKind,
    /// The day of the report.
    pub reported_on: Date,
    /// The reference that the police gave.
    pub crime_reference: Option<String>,
    /// What was decided about the locks.
    pub decision: Option<LossDecision>,
}

/// What the register held on some premises on a day.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StatementContent {
    /// The statement.
    pub statement_id: StatementId,
    /// The registration's number.
    pub registration: TypedNumber,
    /// Where the locks are.
    pub premises: String,
    /// The owner.
    pub owner: String,
    /// The key section.
    pub section: String,
    /// The end of this day (UTC), or the instant of its making, is what it is about.
    pub on: Date,
    /// When it was made.
    #[serde(with = "time::serde::rfc3339")]
    pub made_at: OffsetDateTime,
    /// The locks and their standards.
    pub locks: Vec<StatedLock>,
    /// The keys.
    pub keys: StatedKeys,
    /// Who may order keys.
    pub may_order: Vec<StatedAuthority>,
    /// The day of the last rekey, if there ever was one.
    pub last_rekey_on: Option<Date>,
    /// Losses that were open.
    pub open_losses: Vec<StatedLoss>,
    /// What it does not say.
    pub remarks: Vec<&'static str>,
}

/// The registration, as it stood.
#[derive(Debug, Clone, Deserialize)]
pub struct PastRegistration {
    /// Where the locks are.
    pub premises: String,
    /// The owner.
    pub owner_id: OrganisationId,
}

/// A lock, as it stood.
#[derive(Debug, Clone, Deserialize)]
pub struct PastLock {
    /// Its id.
    pub id: LockId,
    /// Its line in the schedule.
    pub label: String,
    /// What kind of lock.
    pub kind: LockKind,
    /// The standard that it was made to.
    pub standard: Option<String>,
    /// Its door was marked as an escape route.
    pub escape_route: bool,
}

/// A differ to which a lock answered.
#[derive(Debug, Clone, Deserialize)]
pub struct PastAnswer {
    /// The lock.
    pub lock_id: LockId,
    /// The differ.
    pub differ_id: DifferId,
    /// From when.
    #[serde(with = "time::serde::rfc3339")]
    pub since: OffsetDateTime,
    /// Until when; absent while it answered.
    #[serde(with = "time::serde::rfc3339::option")]
    pub until: Option<OffsetDateTime>,
}

/// A key, as it stood.
#[derive(Debug, Clone, Deserialize)]
pub struct PastKey {
    /// Its id.
    pub id: KeyId,
    /// The differ.
    pub differ_id: DifferId,
    /// Where it was.
    pub state: KeyState,
}

/// An authority, as it stood.
#[derive(Debug, Clone, Deserialize)]
pub struct PastAuthority {
    /// The person, where it was one's.
    pub person_id: Option<PersonId>,
    /// The organisation, where it was one's.
    pub organisation_id: Option<OrganisationId>,
    /// What the authority was.
    pub class: AuthorityClass,
    /// It was for every key.
    pub every_differ: bool,
    /// It let its holder order.
    pub may_order: bool,
    /// It let its holder approve.
    pub may_approve: bool,
    /// Its days.
    #[serde(flatten)]
    pub period: Period,
    /// When it was revoked.
    #[serde(with = "time::serde::rfc3339::option")]
    pub revoked_at: Option<OffsetDateTime>,
}

impl PastAuthority {
    /// As it is stated, with the name of whoever had it.
    #[must_use]
    pub fn stated(&self, name: String) -> StatedAuthority {
        StatedAuthority {
            person_id: self.person_id,
            name,
            class: self.class,
            every_key: self.every_differ,
            may_approve: self.may_approve,
        }
    }
}

/// A loss, as it stood.
#[derive(Debug, Clone, Deserialize)]
pub struct PastLoss {
    /// Of which key.
    pub key_id: KeyId,
    /// Whether it was lost or stolen.
    pub kind: LossKind,
    /// When it was reported.
    #[serde(with = "time::serde::rfc3339")]
    pub reported_at: OffsetDateTime,
    /// When the key was found.
    #[serde(with = "time::serde::rfc3339::option")]
    pub found_at: Option<OffsetDateTime>,
    /// The reference that the police gave.
    pub crime_reference: Option<String>,
    /// What was decided about the locks.
    pub decision: Option<LossDecision>,
}

/// A rekey, as it stood.
#[derive(Debug, Clone, Deserialize)]
pub struct PastRekey {
    /// When it ended.
    #[serde(with = "time::serde::rfc3339::option")]
    pub ended_at: Option<OffsetDateTime>,
    /// Where it stood.
    pub state: RekeyState,
}

/// A registration as it stood at an instant: what a statement is made from.
#[derive(Debug, Clone, Default)]
pub struct PastState {
    /// The registration.
    pub registration: Option<PastRegistration>,
    /// Its locks.
    pub locks: Vec<PastLock>,
    /// The differs to which its locks answer, or answered before.
    pub answers: Vec<PastAnswer>,
    /// Its keys.
    pub keys: Vec<PastKey>,
    /// Its authorities.
    pub authorities: Vec<PastAuthority>,
    /// Its losses.
    pub losses: Vec<PastLoss>,
    /// Its rekeys.
    pub rekeys: Vec<PastRekey>,
}

impl PastState {
    /// Keys and losses of another registration, as far as locks of this one answer to their differs.
    pub fn take_in(&mut self, other: Self) {
        let answered: HashSet<DifferId> = self.standing().map(|answer| answer.differ_id).collect();
        let keys: Vec<PastKey> =
            other.keys.into_iter().filter(|key| answered.contains(&key.differ_id)).collect();
        let theirs: HashSet<KeyId> = keys.iter().map(|key| key.id).collect();
        self.losses.extend(other.losses.into_iter().filter(|loss| theirs.contains(&loss.key_id)));
        self.keys.extend(keys);
    }

    fn standing(&self) -> impl Iterator<Item = &PastAnswer> {
        self.answers.iter().filter(|answer| answer.until.is_none())
    }

    /// The locks, by their labels.
    #[must_use]
    pub fn locks(&self) -> Vec<StatedLock> {
        let mut differs_of: HashMap<LockId, Vec<DifferId>> = HashMap::new();
        let mut locks_of: HashMap<DifferId, Vec<LockId>> = HashMap::new();
        for answer in self.standing() {
            differs_of.entry(answer.lock_id).or_default().push(answer.differ_id);
            locks_of.entry(answer.differ_id).or_default().push(answer.lock_id);
        }
        let mut keyed_on: HashMap<LockId, Date> = HashMap::new();
        for answer in &self.answers {
            let day = keyed_on.entry(answer.lock_id).or_insert(answer.since.date());
            *day = (*day).max(answer.since.date());
        }
        let mut keys_of: HashMap<DifferId, (u32, u32)> = HashMap::new();
        for key in &self.keys {
            let (live, missing) = keys_of.entry(key.differ_id).or_default();
            *live += u32::from(key.state.exists());
            *missing += u32::from(key.state.is_missing());
        }
        let stated = |lock: &PastLock| {
            let own: &[DifferId] = differs_of.get(&lock.id).map_or(&[], Vec::as_slice);
            let alike: HashSet<&LockId> =
                own.iter().filter_map(|differ| locks_of.get(differ)).flatten().collect();
            let counts = || own.iter().filter_map(|differ| keys_of.get(differ));
            StatedLock {
                label: lock.label.clone(),
                kind: lock.kind,
                standard: lock.standard.clone(),
                escape_route: lock.escape_route,
                keyed_on: keyed_on.get(&lock.id).copied(),
                alike_with: number_of(alike.len().saturating_sub(1)),
                keys: counts().map(|(live, _)| live).sum(),
                missing: counts().map(|(_, missing)| missing).sum(),
            }
        };
        let mut locks: Vec<&PastLock> = self.locks.iter().collect();
        locks.sort_by(|one, other| (&one.label, one.id).cmp(&(&other.label, other.id)));
        locks.into_iter().map(stated).collect()
    }

    /// How many keys there were.
    #[must_use]
    pub fn keys(&self) -> StatedKeys {
        let mut counted = StatedKeys::default();
        for key in &self.keys {
            counted.in_existence += u32::from(key.state.exists());
            counted.with_people += u32::from(key.state == KeyState::WithPerson);
            counted.in_store += u32::from(matches!(key.state, KeyState::InStore | KeyState::Returned));
            counted.missing += u32::from(key.state.is_missing());
        }
        counted
    }

    /// Losses that were open, by the day of their report.
    #[must_use]
    pub fn open_losses(&self) -> Vec<StatedLoss> {
        let missing: HashSet<KeyId> =
            self.keys.iter().filter(|key| key.state.is_missing()).map(|key| key.id).collect();
        let open =
            self.losses.iter().filter(|loss| loss.found_at.is_none() && missing.contains(&loss.key_id));
        let stated = |loss: &PastLoss| StatedLoss {
            kind: loss.kind,
            reported_on: loss.reported_at.date(),
            crime_reference: loss.crime_reference.clone(),
            decision: loss.decision,
        };
        let mut losses: Vec<StatedLoss> = open.map(stated).collect();
        losses.sort_by_key(|loss| loss.reported_on);
        losses
    }

    /// The day of the last rekey that was done.
    #[must_use]
    pub fn last_rekey(&self) -> Option<Date> {
        let done = self.rekeys.iter().filter(|rekey| rekey.state == RekeyState::Done);
        done.filter_map(|rekey| rekey.ended_at).map(OffsetDateTime::date).max()
    }

    /// The authorities that let somebody order keys on a day.
    pub fn may_order(&self, on: Date) -> impl Iterator<Item = &PastAuthority> {
        let counts = move |given: &&PastAuthority| {
            given.may_order && given.revoked_at.is_none() && given.period.covers(on)
        };
        self.authorities.iter().filter(counts)
    }
}
