//! The evidence: entries with what they commit to, and the decisions and changes that they are of.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::Result;
use domain::entry::{EntryKind, SealedEntry};
use domain::ids::{ActorId, CopyRequestId, DecisionId, EntryId, RegistrationId};

/// Writes an entry and its disclosures. The database queues it for the log by itself.
pub async fn write_entry(
    db: &mut PgConnection,
    id: EntryId,
    kind: EntryKind,
    at: OffsetDateTime,
    sealed: &SealedEntry,
) -> Result<()> {
    let shown = &sealed.disclosures;
    let names: Vec<String> = shown.iter().map(|disclosure| disclosure.name.to_owned()).collect();
    let disclosures: Vec<String> = shown.iter().map(|disclosure| disclosure.text.clone()).collect();
    let about: Vec<Option<Uuid>> = shown.iter().map(|disclosure| disclosure.about).collect();
    sqlx::query!(
        "WITH entry AS (
             INSERT INTO log_entries (id, kind, body, recorded_at) VALUES ($1, $2, $3, $4) RETURNING id
         )
         INSERT INTO disclosures (entry_id, name, disclosure, about)
         SELECT entry.id, given.name, given.disclosure, given.about
         FROM entry, unnest($5::text[], $6::text[], $7::uuid[]) AS given (name, disclosure, about)",
        id.0,
        kind.as_str(),
        sealed.body,
        at,
        &names,
        &disclosures,
        &about as &[Option<Uuid>]
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A change of rights or of the register.
pub struct NewChange {
    /// Its id.
    pub id: Uuid,
    /// What happened.
    pub kind: &'static str,
    /// The registration.
    pub registration: Option<RegistrationId>,
    /// What it happened to.
    pub subject: Uuid,
    /// Who did it.
    pub by: ActorId,
    /// When it was made.
    pub at: OffsetDateTime,
    /// Its entry.
    pub entry: EntryId,
}

/// Writes a change.
pub async fn write_change(db: &mut PgConnection, change: &NewChange) -> Result<()> {
    sqlx::query!(
        "INSERT INTO changes (id, kind, registration_id, subject_id, by_actor, at, entry_id)
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
        change.id,
        change.kind,
        change.registration.map(|id| id.0),
        change.subject,
        change.by.0,
        change.at,
        change.entry.0
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A decision that was taken.
pub struct NewDecision<'a> {
    /// Its id.
    pub id: DecisionId,
    /// The registration.
    pub registration: RegistrationId,
    /// On which request.
    pub request: CopyRequestId,
    /// At which step.
    pub step: &'static str,
    /// What it came to.
    pub outcome: &'static str,
    /// Every reason that was given.
    pub reasons: &'a Value,
    /// Under which version of the rules.
    pub rules_version: i32,
    /// Who acted.
    pub by: ActorId,
    /// When it was taken.
    pub at: OffsetDateTime,
    /// Its entry.
    pub entry: EntryId,
}

/// Writes a decision.
pub async fn write_decision(db: &mut PgConnection, decision: &NewDecision<'_>) -> Result<()> {
    sqlx::query!(
        "INSERT INTO decisions
             (id, registration_id, request_id, step, outcome, reasons, rules_version, by_actor, at, entry_id)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
        decision.id.0,
        decision.registration.0,
        decision.request.0,
        decision.step,
        decision.outcome,
        decision.reasons,
        decision.rules_version,
        decision.by.0,
        decision.at,
        decision.entry.0
    )
    .execute(db)
    .await?;
    Ok(())
}

/// What an entry is about.
pub enum Subject {
    /// A decision on a request.
    Request(CopyRequestId),
    /// A change on a registration.
    Registration(RegistrationId),
    /// A change of the register as a whole.
    Other,
}

/// What an entry is about; nothing when there is no such entry, or its row was lost.
pub async fn subject(db: &mut PgConnection, entry: EntryId) -> Result<Option<Subject>> {
    let row = sqlx::query!(
        r#"SELECT request_id AS "request_id?", registration_id FROM decisions WHERE entry_id = $1
           UNION ALL SELECT NULL, registration_id FROM changes WHERE entry_id = $1"#,
        entry.0
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(|row| match (row.request_id, row.registration_id) {
        (Some(request), _) => Subject::Request(CopyRequestId(request)),
        (None, Some(registration)) => Subject::Registration(RegistrationId(registration)),
        (None, None) => Subject::Other,
    }))
}

/// The names and disclosures of an entry.
pub async fn disclosures(db: &mut PgConnection, entry: EntryId) -> Result<Vec<(String, String)>> {
    let rows =
        sqlx::query!("SELECT name, disclosure FROM disclosures WHERE entry_id = $1 ORDER BY name", entry.0)
            .fetch_all(db)
            .await?;
    Ok(rows.into_iter().map(|row| (row.name, row.disclosure)).collect())
}
