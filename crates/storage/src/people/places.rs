//! From where it was tried to sign in, and how often.

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::Result;

/// Whether somebody has signed in from a place.
pub async fn is_known(db: &mut PgConnection, place: &[u8; 32], now: OffsetDateTime) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT FROM sign_in_places WHERE place = $1 AND known_until > $2) AS "known!""#,
        place.as_slice(),
        now
    )
    .fetch_one(db)
    .await?)
}

/// Counts an attempt before it is looked at, so that attempts at the same time all count. Where no attempt is looked
/// at, until when.
pub async fn count(
    db: &mut PgConnection,
    place: &[u8; 32],
    now: OffsetDateTime,
    free: i32,
) -> Result<std::result::Result<(), OffsetDateTime>> {
    // With free = 5: the fifth failure blocks for a minute, those after it for 2, 4, … minutes, an hour at most.
    let counted = sqlx::query_scalar!(
        "INSERT INTO sign_in_places AS known (place, failures, changed_at) VALUES ($1, 1, $2)
         ON CONFLICT (place) DO UPDATE
         SET failures = known.failures + 1,
             changed_at = $2,
             blocked_until = CASE WHEN known.failures + 1 < $3 THEN NULL
                 ELSE $2::timestamptz + least(power(2, least(known.failures + 1 - $3, 10)), 60) * interval '1 minute' END
         WHERE known.blocked_until IS NULL OR known.blocked_until <= $2
         RETURNING failures",
        place.as_slice(),
        now,
        free
    )
    .fetch_optional(&mut *db)
    .await?;
    if counted.is_some() {
        return Ok(Ok(()));
    }
    let until =
        sqlx::query_scalar!("SELECT blocked_until FROM sign_in_places WHERE place = $1", place.as_slice())
            .fetch_one(db)
            .await?;
    Ok(Err(until.unwrap_or(now)))
}

/// Somebody signed in from a place: it is known until an instant, and what failed there and from anywhere is
/// forgotten.
pub async fn accept(
    db: &mut PgConnection,
    (place, anywhere): (&[u8; 32], &[u8; 32]),
    now: OffsetDateTime,
    known_until: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "UPDATE sign_in_places
         SET failures = 0, blocked_until = NULL, changed_at = $3,
             known_until = CASE WHEN place = $1 THEN $4::timestamptz END
         WHERE place = $1 OR place = $2",
        place.as_slice(),
        anywhere.as_slice(),
        now,
        known_until
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Sweeps away places that are not known and where nothing was tried since an instant; so many at a time.
pub async fn sweep(
    db: &mut PgConnection,
    before: OffsetDateTime,
    now: OffsetDateTime,
    most: i64,
) -> Result<u64> {
    let done = sqlx::query!(
        "DELETE FROM sign_in_places WHERE place = ANY (ARRAY(
             SELECT place FROM sign_in_places
             WHERE changed_at < $1 AND (known_until IS NULL OR known_until < $2) LIMIT $3))",
        before,
        now,
        most
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected())
}
