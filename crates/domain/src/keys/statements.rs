//! Statements of the premises.

use crate::ids::{EntryId, RegistrationId, StatementId};

record! {
    /// A statement of what the register held on some premises on a day.
    pub struct Statement {
        /// Its id.
        id: StatementId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// The bytes that were hashed.
        content: String,
        /// Their hash.
        hash: String,
        /// The entry of the log that commits to the hash.
        entry_id: EntryId,
    }
}
