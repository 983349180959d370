//! Which lock answers to which differ, and when.

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::{Portion, Result};
use domain::differs::Answering;
use domain::ids::{DifferId, LockId, RegistrationId};

macro_rules! select_answers {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Answering,
            "SELECT id, registration_id, lock_id, differ_id, since, until
             FROM answers " + $rest
            $(, $argument)*
        )
    };
}

/// A lock begins to answer to a differ.
pub async fn begin(db: &mut PgConnection, answering: &Answering, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO answers
             (id, registration_id, lock_id, differ_id, differ_registration_id, since, changed_at)
         SELECT $1, $2, $3, id, registration_id, $5, $6 FROM differs WHERE id = $4",
        answering.id.0,
        answering.registration_id.0,
        answering.lock_id.0,
        answering.differ_id.0,
        answering.since,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A lock stops answering to a differ. `false` when it did not.
pub async fn end(db: &mut PgConnection, lock: LockId, differ: DifferId, now: OffsetDateTime) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE answers SET until = $3, changed_at = $3
         WHERE lock_id = $1 AND differ_id = $2 AND until IS NULL AND since < $3",
        lock.0,
        differ.0,
        now
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Whether any lock answers to a differ now.
pub async fn is_answered(db: &mut PgConnection, differ: DifferId) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT 1 FROM answers WHERE differ_id = $1 AND until IS NULL) AS "answered!""#,
        differ.0
    )
    .fetch_one(db)
    .await?)
}

/// The differs to which a lock answers now.
pub async fn answered_by(db: &mut PgConnection, lock: LockId) -> Result<Vec<DifferId>> {
    Ok(sqlx::query_scalar!(
        "SELECT differ_id AS differ FROM answers WHERE lock_id = $1 AND until IS NULL ORDER BY differ_id",
        lock.0
    )
    .fetch_all(db)
    .await?)
}

/// Locks of a registration that answer to a differ of another one: that of the site whose plot it is.
pub async fn elsewhere(
    db: &mut PgConnection,
    registration: RegistrationId,
) -> Result<Vec<(LockId, DifferId)>> {
    let rows = sqlx::query!(
        "SELECT lock_id AS lock, differ_id AS differ FROM answers
         WHERE registration_id = $1 AND until IS NULL AND site_registration_id IS NOT NULL ORDER BY lock_id",
        registration.0
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.lock, row.differ)).collect())
}

/// Which lock answered to which differ and when, on a registration.
pub async fn of_registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    since: Option<OffsetDateTime>,
    portion: Portion,
) -> Result<Vec<Answering>> {
    Ok(select_answers!(
        "WHERE registration_id = $1 AND id > $2 AND ($4::timestamptz IS NULL OR until IS NULL OR until > $4)
         ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit,
        since
    )
    .fetch_all(db)
    .await?)
}
