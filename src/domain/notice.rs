//! What people are told.

use super::ids::{NoticeId, RegistrationId};
use super::register::NoticeKind;
use time::OffsetDateTime;

record! {
    /// Something that a person is told.
    pub struct Notice {
        /// Its id.
        id: NoticeId,
        /// What.
        kind: NoticeKind,
        /// On which registration.
        registration_id: RegistrationId,
        /// The key, the rekey or the audit that it is about.
        subject_id: uuid::Uuid,
        /// When it was written.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// When it was read.
        #[serde(with = "time::serde::rfc3339::option")]
        read_at: Option<OffsetDateTime>,
    }
}
