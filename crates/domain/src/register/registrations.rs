//! Registrations and their locks.

use time::OffsetDateTime;

use crate::ids::{LockId, OrganisationId, RegistrationId, SectionId};
use crate::numbers::TypedNumber;

words! {
    /// What kind of lock it is.
    pub enum LockKind {
        /// A bolt alone, let into the door.
        MorticeDeadlock = "mortice_deadlock",
        /// A bolt and a latch with a handle, let into the door.
        MorticeSashlock = "mortice_sashlock",
        /// A cylinder.
        Cylinder = "cylinder",
        /// A padlock.
        Padlock = "padlock",
        /// Anything else.
        Other = "other",
    }
}

words! {
    /// On which side the door hangs.
    pub enum Hand {
        /// Left.
        Left = "left",
        /// Right.
        Right = "right",
    }
}

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
        /// When it was registered.
        #[serde(with = "time::serde::rfc3339")]
        created_at: OffsetDateTime,
        /// Since when it is its owner's, where it was another's before: what happened before is not theirs to read.
        #[serde(with = "time::serde::rfc3339::option")]
        owner_since: Option<OffsetDateTime>,
        /// When it ended.
        #[serde(with = "time::serde::rfc3339::option")]
        ended_at: Option<OffsetDateTime>,
    }

    /// A lock.
    pub struct Lock {
        /// Its id.
        id: LockId,
        /// The registration that it belongs to.
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
}
