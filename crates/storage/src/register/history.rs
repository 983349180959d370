//! Rows as they stood at an instant.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::Result;
use domain::ids::RegistrationId;

/// A record that belongs to no registration (a section, a counter, an appointment, a membership) as it
/// stood at an instant.
pub async fn record_as_of(
    db: &mut PgConnection,
    id: uuid::Uuid,
    at: OffsetDateTime,
) -> Result<Option<(String, Value)>> {
    let row = sqlx::query!(
        "SELECT subject, content FROM history
         WHERE subject_id = $1 AND registration_id IS NULL AND at <= $2 ORDER BY position DESC LIMIT 1",
        id,
        at
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(|row| (row.subject, row.content)))
}

/// The rows of a registration as they stood at an instant: the table, and the row.
pub async fn as_of(
    db: &mut PgConnection,
    registration: RegistrationId,
    at: OffsetDateTime,
) -> Result<Vec<(String, Value)>> {
    let rows = sqlx::query!(
        "SELECT DISTINCT ON (subject, subject_id) subject, content FROM history
         WHERE registration_id = $1 AND at <= $2 ORDER BY subject, subject_id, position DESC",
        registration.0,
        at
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.subject, row.content)).collect())
}
