//! Entering again what a restored backup had lost, from what entries say.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::{Result, StorageError};
use domain::ids::{ActorId, CopyRequestId, CounterId, CutId, DecisionId, EntryId, PersonId, RegistrationId};
use domain::standing::SaidRow;

/// Does something that constraints may not allow: nothing of it has happened then, and what they say is given back.
async fn attempt<T>(
    db: &mut PgConnection,
    what: impl AsyncFnOnce(&mut PgConnection) -> Result<T>,
) -> Result<std::result::Result<T, String>> {
    crate::savepoint(db).await?;
    match what(db).await {
        Ok(done) => {
            crate::release_savepoint(db).await?;
            Ok(Ok(done))
        }
        Err(StorageError::Database(sqlx::Error::Database(error)))
            if error.code().is_some_and(|code| code.starts_with("23")) =>
        {
            crate::roll_back_to_savepoint(db).await?;
            Ok(Err(error.constraint().unwrap_or_else(|| error.message()).to_owned()))
        }
        Err(error) => Err(error),
    }
}

/// Writes a change that only its entry tells of, as one by the service itself.
pub async fn change(
    db: &mut PgConnection,
    entry: EntryId,
    (kind, subject): (&str, Uuid),
    registration: Option<RegistrationId>,
    at: OffsetDateTime,
) -> Result<std::result::Result<(), String>> {
    attempt(db, async |db| {
        sqlx::query!(
            "INSERT INTO changes (id, kind, registration_id, subject_id, by_actor, at, entry_id)
             VALUES ($1, $2, $3, $4, $5, $6, $1) ON CONFLICT (entry_id) DO NOTHING",
            entry.0,
            kind,
            registration.map(|id| id.0),
            subject,
            ActorId::SYSTEM.0,
            at
        )
        .execute(db)
        .await?;
        Ok(())
    })
    .await
}

/// Writes a decision that only its entry tells of, as one by the service itself. Its id is that of the entry.
pub async fn decision(
    db: &mut PgConnection,
    entry: EntryId,
    (step, outcome, reasons, rules_version): (&str, &str, &Value, i32),
    (registration, request): (RegistrationId, CopyRequestId),
    at: OffsetDateTime,
) -> Result<std::result::Result<DecisionId, String>> {
    attempt(db, async |db| {
        sqlx::query!(
            "INSERT INTO decisions
                 (id, registration_id, request_id, step, outcome, reasons, rules_version, by_actor, at, entry_id)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $1)",
            entry.0,
            registration.0,
            request.0,
            step,
            outcome,
            reasons,
            rules_version,
            ActorId::SYSTEM.0,
            at
        )
        .execute(db)
        .await?;
        Ok(DecisionId(entry.0))
    })
    .await
}

/// Writes a cut that only its entry tells of.
pub async fn cut(
    db: &mut PgConnection,
    id: CutId,
    (request, counter, quantity): (CopyRequestId, CounterId, i32),
    decision: DecisionId,
    at: OffsetDateTime,
) -> Result<std::result::Result<(), String>> {
    attempt(db, async |db| {
        sqlx::query!(
            "INSERT INTO cuts (id, request_id, counter_id, quantity, decision_id, at)
             VALUES ($1, $2, $3, $4, $5, $6)",
            id.0,
            request.0,
            counter.0,
            quantity,
            decision.0,
            at
        )
        .execute(db)
        .await?;
        Ok(())
    })
    .await
}

/// Writes a row as an entry says it: over the one that is there, else as a new one.
pub async fn row(
    db: &mut PgConnection,
    row: &SaidRow,
    columns: &[&str],
    at: OffsetDateTime,
) -> Result<std::result::Result<(), String>> {
    let (table, list) = (row.table.name, columns.join(", "));
    let content = Value::Object(row.plain.clone());
    let from = format!("jsonb_populate_record(NULL::{table}, $1)");
    attempt(db, async |db| {
        let update = format!(
            "UPDATE {table} SET ({list}, changed_at) = (SELECT {list}, $2 FROM {from}) WHERE id = $3"
        );
        let update = sqlx::query(sqlx::AssertSqlSafe(update)).bind(&content).bind(at).bind(row.id);
        if update.execute(&mut *db).await?.rows_affected() == 0 {
            let insert =
                format!("INSERT INTO {table} (id, {list}, changed_at) SELECT $3, {list}, $2 FROM {from}");
            let insert = sqlx::query(sqlx::AssertSqlSafe(insert)).bind(&content).bind(at).bind(row.id);
            insert.execute(db).await?;
        }
        Ok(())
    })
    .await
}

/// The people whom the rows with these ids are about: memberships, resets of accounts.
pub async fn people(db: &mut PgConnection, ids: &[Uuid]) -> Result<Vec<PersonId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT person_id AS "id!: PersonId" FROM memberships WHERE id = ANY ($1)
           UNION SELECT person_id FROM account_resets WHERE id = ANY ($1)
           ORDER BY 1"#,
        ids
    )
    .fetch_all(db)
    .await?)
}

/// Where somebody has or had a right, their own or through an organisation.
pub async fn registrations_of(db: &mut PgConnection, person: PersonId) -> Result<Vec<RegistrationId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT DISTINCT registration_id AS "id!: RegistrationId" FROM authorities
           WHERE person_id = $1 OR organisation_id IN (
               SELECT organisation_id FROM memberships WHERE memberships.person_id = $1)
           ORDER BY 1"#,
        person.0
    )
    .fetch_all(db)
    .await?)
}

/// Those of these registrations that the register has.
pub async fn known(db: &mut PgConnection, registrations: &[Uuid]) -> Result<Vec<RegistrationId>> {
    Ok(sqlx::query_scalar!("SELECT id FROM registrations WHERE id = ANY ($1) ORDER BY id", registrations)
        .fetch_all(db)
        .await?)
}

/// Whether a recovery holds a registration already, for everybody or for one person.
pub async fn is_held(
    db: &mut PgConnection,
    registration: RegistrationId,
    person: Option<PersonId>,
) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT FROM holds WHERE registration_id = $1 AND kind = 'recovery' AND lifted_at IS NULL
                          AND barred_person_id IS NOT DISTINCT FROM $2) AS "held!""#,
        registration.0,
        person.map(|id| id.0)
    )
    .fetch_one(db)
    .await?)
}
