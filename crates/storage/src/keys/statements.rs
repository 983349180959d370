//! Statements that were made.

use serde::Serialize;
use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use crate::{Portion, Result};
use domain::ids::{ActorId, EntryId, RegistrationId, StatementId};
use domain::keys::statements::Statement;

/// Adds a statement.
pub async fn add(
    db: &mut PgConnection,
    statement: &Statement,
    on: Date,
    by: ActorId,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO statements (id, registration_id, on_day, content, hash, made_by, made_at, entry_id)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
        statement.id.0,
        statement.registration_id.0,
        on,
        statement.content,
        statement.hash,
        by.0,
        now,
        statement.entry_id.0
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A statement.
pub async fn statement(db: &mut PgConnection, id: StatementId) -> Result<Option<Statement>> {
    Ok(sqlx::query_as!(
        Statement,
        "SELECT id, registration_id, content, hash, entry_id
         FROM statements WHERE id = $1",
        id.0
    )
    .fetch_optional(db)
    .await?)
}

/// A statement in a list.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StatementSummary {
    /// Its id.
    pub id: StatementId,
    /// The day that it is about.
    pub on: Date,
    /// When it was made.
    #[serde(with = "time::serde::rfc3339")]
    pub made_at: OffsetDateTime,
    /// The entry of the log that commits to its hash.
    pub entry_id: EntryId,
}

/// The statements of a registration.
pub async fn all(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<StatementSummary>> {
    Ok(sqlx::query_as!(
        StatementSummary,
        "SELECT id, on_day AS on, made_at, entry_id FROM statements
         WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}
