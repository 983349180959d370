//! Rows as they stood at an instant.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;

use super::Result;
use crate::domain::ids::RegistrationId;

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
