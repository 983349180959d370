//! Rekeys, building sites, key audits, and what people are told.

use serde::Serialize;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use crate::domain::audit::{AuditAnswer, Silence};
use crate::domain::ids::{
    ActorId, AuditId, AuditLineId, DifferId, EntryId, KeyId, LeverPackId, LockId, LossId, NoticeId,
    OrganisationId, PersonId, PlotHandOverId, PlotId, ProjectId, RegistrationId, RekeyId, StatementId,
    StockCountId,
};
use crate::domain::register::{DocumentKind, Level, NoticeKind, RekeyState};

record! {
    /// A rekey that was begun.
    pub struct Rekey {
        /// Its id.
        id: RekeyId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// The loss that led to it.
        loss_id: Option<LossId>,
        /// Why.
        reason: String,
        /// Where it stands.
        state: RekeyState,
        /// The plan as it was when it was begun.
        plan: serde_json::Value,
        /// When it was begun.
        #[serde(with = "time::serde::rfc3339")]
        begun_at: OffsetDateTime,
        /// When it was done, or stopped.
        #[serde(with = "time::serde::rfc3339::option")]
        ended_at: Option<OffsetDateTime>,
    }

    /// Which differ takes the place of which.
    pub struct RekeyDiffer {
        /// The old one.
        old_differ_id: DifferId,
        /// The new one.
        new_differ_id: DifferId,
    }

    /// A lock in a rekey.
    pub struct RekeyLock {
        /// Which lock.
        lock_id: LockId,
        /// The differ that the keys of its pack are cut to; levers without keys, when absent.
        keys_for: Option<DifferId>,
        /// When the levers were fitted.
        #[serde(with = "time::serde::rfc3339::option")]
        fitted_at: Option<OffsetDateTime>,
        /// By whom.
        fitted_by: Option<PersonId>,
        /// The pack.
        lever_pack_id: Option<LeverPackId>,
        /// Old keys that were collected there.
        old_keys_collected: Option<i32>,
    }

    /// A project of a builder.
    pub struct Project {
        /// Its id.
        id: ProjectId,
        /// The registration of the site, to which the temporary differ belongs.
        registration_id: RegistrationId,
        /// The builder.
        builder_id: OrganisationId,
        /// Its name.
        name: String,
        /// The differ of the site's key.
        temporary_differ_id: DifferId,
        /// When it was begun.
        #[serde(with = "time::serde::rfc3339")]
        created_at: OffsetDateTime,
    }

    /// One house of a site.
    pub struct Plot {
        /// Its id.
        id: PlotId,
        /// Of which project.
        project_id: ProjectId,
        /// The registration of the site.
        site_registration_id: RegistrationId,
        /// Its number on the plan.
        label: String,
        /// Its own registration, which becomes the buyer's.
        registration_id: RegistrationId,
        /// When it was handed over.
        #[serde(with = "time::serde::rfc3339::option")]
        handed_over_at: Option<OffsetDateTime>,
    }

    /// A lock of a plot, from the site key to the buyer's own.
    pub struct PlotLock {
        /// Which lock.
        lock_id: LockId,
        /// Its line in the schedule.
        label: String,
        /// The differ that it gets.
        final_differ_id: DifferId,
        /// It answers to the site's key now.
        on_site_key: bool,
        /// When its final pack was fitted.
        #[serde(with = "time::serde::rfc3339::option")]
        fitted_at: Option<OffsetDateTime>,
        /// By whom.
        fitted_by: Option<PersonId>,
        /// When the final key was tried in it, and worked.
        #[serde(with = "time::serde::rfc3339::option")]
        final_key_works_at: Option<OffsetDateTime>,
        /// When the site key was tried in it, and was dead.
        #[serde(with = "time::serde::rfc3339::option")]
        site_key_dead_at: Option<OffsetDateTime>,
        /// Who tried them.
        tried_by: Option<PersonId>,
    }

    /// The hand-over of a plot to its buyer.
    pub struct PlotHandOver {
        /// Its id.
        id: PlotHandOverId,
        /// Which plot.
        plot_id: PlotId,
        /// The builder until then.
        builder_id: OrganisationId,
        /// The buyer from then on.
        buyer_id: OrganisationId,
        /// Who collected the keys and signed.
        collected_by: PersonId,
        /// Which kind of document was seen.
        document_seen: DocumentKind,
        /// How many keys were handed over.
        keys_handed: i32,
        /// When.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
    }

    /// A key audit.
    pub struct Audit {
        /// Its id.
        id: AuditId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Of the keys of one person.
        person_id: Option<PersonId>,
        /// Of the keys of one level.
        level: Option<Level>,
        /// What silence means.
        silence: Silence,
        /// When it was opened.
        #[serde(with = "time::serde::rfc3339")]
        opened_at: OffsetDateTime,
        /// The last day on which holders answer in time.
        due_on: Date,
        /// When it was closed.
        #[serde(with = "time::serde::rfc3339::option")]
        closed_at: Option<OffsetDateTime>,
        /// Keys in it.
        keys: i64,
        /// Of them, without an answer.
        open: i64,
        /// Of them, missing.
        missing: i64,
    }

    /// One key in a key audit.
    pub struct AuditLine {
        /// Its id.
        id: AuditLineId,
        /// In which audit.
        audit_id: AuditId,
        /// Which key.
        key_id: KeyId,
        /// Who had it when the audit was opened.
        holder_id: PersonId,
        /// What is known of it.
        answer: AuditAnswer,
        /// Since when.
        #[serde(with = "time::serde::rfc3339::option")]
        answered_at: Option<OffsetDateTime>,
        /// Its holder is to be chased: the time for an answer is over.
        overdue: bool,
    }

    /// A count of the keys of a differ in store.
    pub struct StockCount {
        /// Its id.
        id: StockCountId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Of which differ.
        differ_id: DifferId,
        /// How many the register has.
        book: i32,
        /// How many there were.
        counted: i32,
        /// What there was to say.
        remark: Option<String>,
        /// Who counted.
        made_by: ActorId,
        /// When.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
    }

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
        /// When.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// When it was read.
        #[serde(with = "time::serde::rfc3339::option")]
        read_at: Option<OffsetDateTime>,
    }
}
