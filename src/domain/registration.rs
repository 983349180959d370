//! Registrations, their locks and differs, and which lock answers to which differ.

use super::ids::{AnsweringId, DifferId, LockId, OrganisationId, RegistrationId, SectionId};
use super::number::TypedNumber;
use super::register::{DifferState, Hand, Level, LockKind};
use time::OffsetDateTime;

record! {
    /// The record that locks and differs belong to an owner at some premises.
    pub struct Registration {
        /// Its id.
        id: RegistrationId,
        /// Its number, as people type it.
        number: TypedNumber,
        /// The key section.
        section_id: SectionId,
        /// The owner.
        owner_id: OrganisationId,
        /// Where the locks are.
        premises: String,
        /// The version of the rules in force.
        rules_version: i32,
        /// Counts its changes.
        version: i32,
        /// Since when.
        #[serde(with = "time::serde::rfc3339")]
        created_at: OffsetDateTime,
        /// When it ended.
        #[serde(with = "time::serde::rfc3339::option")]
        ended_at: Option<OffsetDateTime>,
    }

    /// A lock.
    pub struct Lock {
        /// Its id.
        id: LockId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// What is written on its line in the schedule.
        label: String,
        /// What kind of lock.
        kind: LockKind,
        /// On which side the door hangs.
        hand: Option<Hand>,
        /// The standard that it was made to.
        standard: Option<String>,
        /// The door is on an escape route.
        escape_route: bool,
        /// The class of the room behind it.
        room_class: Option<String>,
        /// Counts its changes.
        version: i32,
    }

    /// A differ, by its number.
    pub struct Differ {
        /// Its id.
        id: DifferId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Its number, which reveals no height.
        number: String,
        /// What it opens.
        level: Level,
        /// Where it stands.
        state: DifferState,
    }

    /// The stretch of time in which a lock answers to a differ.
    pub struct Answering {
        /// Its id.
        id: AnsweringId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Which lock.
        lock_id: LockId,
        /// To which differ.
        differ_id: DifferId,
        /// From when.
        #[serde(with = "time::serde::rfc3339")]
        since: OffsetDateTime,
        /// Until when.
        #[serde(with = "time::serde::rfc3339::option")]
        until: Option<OffsetDateTime>,
    }
}
