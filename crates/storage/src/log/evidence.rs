//! The evidence: entries with what they commit to, and the decisions and changes that they are of.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::Result;
use domain::disclosures::commitment;
use domain::entry::{EntryKind, SealedEntry};
use domain::ids::{ActorId, CopyRequestId, DecisionId, EntryId, RegistrationId};

/// An entry to write.
pub struct NewEntry {
    /// Its id.
    pub id: EntryId,
    /// A decision or a change.
    pub kind: EntryKind,
    /// The registration.
    pub registration: Option<RegistrationId>,
    /// When it happened.
    pub at: OffsetDateTime,
    /// Its bytes, and what it commits to.
    pub sealed: SealedEntry,
}

/// Writes entries in their order, with their disclosures. The database queues them for the log by itself.
pub async fn write_entries(db: &mut PgConnection, entries: Vec<NewEntry>) -> Result<()> {
    let (mut ids, mut kinds, mut registrations) = (vec![], vec![], vec![]);
    let (mut bodies, mut instants) = (vec![], vec![]);
    let (mut of, mut names, mut disclosures, mut about) = (vec![], vec![], vec![], vec![]);
    for entry in entries {
        for disclosure in entry.sealed.disclosures {
            of.push(entry.id.0);
            names.push(disclosure.name);
            disclosures.push(disclosure.text);
            about.push(disclosure.about);
        }
        ids.push(entry.id.0);
        kinds.push(entry.kind.to_string());
        registrations.push(entry.registration.map(|id| id.0));
        bodies.push(entry.sealed.body);
        instants.push(entry.at);
    }
    sqlx::query!(
        "INSERT INTO log_entries (id, kind, registration_id, body, recorded_at)
         SELECT id, kind, registration_id, body, at
         FROM unnest($1::uuid[], $2::text[], $3::uuid[], $4::bytea[], $5::timestamptz[]) WITH ORDINALITY
             AS given (id, kind, registration_id, body, at, place)
         ORDER BY place",
        &ids,
        &kinds,
        &registrations as &[Option<Uuid>],
        &bodies,
        &instants
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!(
        "INSERT INTO disclosures (entry_id, name, disclosure, about)
         SELECT * FROM unnest($1::uuid[], $2::text[], $3::text[], $4::uuid[])",
        &of,
        &names,
        &disclosures,
        &about as &[Option<Uuid>]
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The rows of tables with versions that this transaction wrote, as they stand.
pub async fn rows_written(db: &mut PgConnection) -> Result<Vec<(String, Value)>> {
    let rows = sqlx::query!(
        "SELECT DISTINCT ON (subject, subject_id) subject, content FROM history
         WHERE position >= nullif(current_setting('wardbook.first_version', true), '')::bigint
           AND act = pg_current_xact_id()
         ORDER BY subject, subject_id, position DESC"
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.subject, row.content)).collect())
}

/// Notes which commitments have lost what shows them, with a person.
pub async fn note_erased(db: &mut PgConnection, erased: &[(EntryId, String)]) -> Result<()> {
    let entries: Vec<Uuid> = erased.iter().map(|(entry, _)| entry.0).collect();
    let commitments: Vec<String> = erased.iter().map(|(_, disclosure)| commitment(disclosure)).collect();
    sqlx::query!(
        "INSERT INTO erased_disclosures (entry_id, commitment) SELECT * FROM unnest($1::uuid[], $2::text[])",
        &entries,
        &commitments
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
