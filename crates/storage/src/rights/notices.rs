//! What people are told.

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::{Portion, Result};
use domain::ids::{NoticeId, PersonId};
use domain::rights::notices::Notice;

/// Tells a person something.
pub async fn add(db: &mut PgConnection, person: PersonId, notice: &Notice) -> Result<()> {
    sqlx::query!(
        "INSERT INTO notices (id, person_id, kind, registration_id, subject_id, made_at)
         VALUES ($1, $2, $3, $4, $5, $6)",
        notice.id.0,
        person.0,
        notice.kind.as_str(),
        notice.registration_id.map(|id| id.0),
        notice.subject_id,
        notice.made_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// What a person was told, the oldest first.
pub async fn all(db: &mut PgConnection, person: PersonId, portion: Portion) -> Result<Vec<Notice>> {
    Ok(sqlx::query_as!(
        Notice,
        "SELECT id, kind, registration_id, subject_id, made_at, read_at
         FROM notices WHERE person_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        person.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// A person read a notice. `false` when there is none of theirs.
pub async fn read(
    db: &mut PgConnection,
    person: PersonId,
    id: NoticeId,
    now: OffsetDateTime,
) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE notices SET read_at = coalesce(read_at, $3) WHERE id = $1 AND person_id = $2",
        id.0,
        person.0,
        now
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}
