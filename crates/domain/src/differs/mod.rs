//! The differs of a key section: which combinations of lever heights there can be, how many, one
//! drawn at random, and how far two of them are apart.
//!
//! [`geometry`] is what a section is made to, as data; [`space`] counts and numbers its differs
//! without listing them; [`standards`] says what published standards ask of it.

#[cfg(test)]
mod tests;

pub mod bitting;
pub mod geometry;
pub mod space;
pub mod standards;

use time::OffsetDateTime;

use crate::ids::{AnsweringId, DifferId, LockId, RegistrationId};

words! {
    /// What a differ opens; the order is that of width.
    pub enum Level {
        /// One lock, or one keyed-alike pair.
        Lock = "lock",
        /// A suite of rooms, or a door that many use.
        Suite = "suite",
        /// A building.
        Building = "building",
        /// Everything.
        Everything = "everything",
    }
}

words! {
    /// Where a differ stands.
    pub enum DifferState {
        /// For a site: nobody orders keys of it yet.
        Reserved = "reserved",
        /// An owner's.
        GivenOut = "given_out",
        /// No lock answers to it any more.
        Dead = "dead",
        /// Never cut, and its combination is free again.
        Released = "released",
    }
}

record! {
    /// A differ, by its number.
    pub struct Differ {
        /// Its id.
        id: DifferId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// Its number, which reveals no height.
        number: String,
        /// What it opens.
        level: Level,
        /// Its state.
        state: DifferState,
    }

    /// The stretch of time in which a lock answers to a differ.
    pub struct Answering {
        /// Its id.
        id: AnsweringId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// The lock.
        lock_id: LockId,
        /// The differ.
        differ_id: DifferId,
        /// When it began to answer.
        #[serde(with = "time::serde::rfc3339")]
        since: OffsetDateTime,
        /// When it stopped; it answers still, when absent.
        #[serde(with = "time::serde::rfc3339::option")]
        until: Option<OffsetDateTime>,
    }
}
