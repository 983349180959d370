//! What people are told.

use time::OffsetDateTime;

use crate::ids::{NoticeId, RegistrationId};

words! {
    /// What a person is told.
    pub enum NoticeKind {
        /// Locks are being rekeyed to which the person has a key.
        RekeyBegun = "rekey_begun",
        /// A key that the person has opens nothing any more.
        KeyDead = "key_dead",
        /// The person is asked which keys they have.
        AuditOpened = "audit_opened",
        /// The register was asked to open a way into the person's account.
        AccountResetAsked = "account_reset_asked",
        /// The register opened a way into the person's account.
        AccountReset = "account_reset",
        /// The register named the head of an organisation: the person's own, or one that acts for the person.
        HeadNamed = "head_named",
        /// Somebody offers the person an authority.
        AuthorityOffered = "authority_offered",
    }
}

record! {
    /// Something that a person is told.
    pub struct Notice {
        /// Its id.
        id: NoticeId,
        /// What it is about.
        kind: NoticeKind,
        /// The registration, where it is about one.
        registration_id: Option<RegistrationId>,
        /// The key, the rekey, the audit, the reset of an account, the membership or the offered authority that it is
        /// about.
        subject_id: uuid::Uuid,
        /// When it was written.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// When it was read.
        #[serde(with = "time::serde::rfc3339::option")]
        read_at: Option<OffsetDateTime>,
    }
}
