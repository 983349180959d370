//! Requests that were sent before.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::{Result, wrote};
use domain::ids::ActorId;

/// What was found for a key.
pub enum IdempotencyClaim {
    /// Nobody used it: it is ours until the transaction ends.
    Ours,
    /// It was used: the hash of the request, and its reply.
    Used {
        /// Of the body and the address.
        request_hash: Vec<u8>,
        /// What was sent.
        reply: Value,
    },
}

/// Claims a key for a caller. A second claim at the same time waits for the first to end.
pub async fn claim(
    db: &mut PgConnection,
    actor: ActorId,
    key: &str,
    request_hash: &[u8],
    now: OffsetDateTime,
) -> Result<IdempotencyClaim> {
    let done = sqlx::query!(
        "INSERT INTO idempotency_keys (actor_id, key, request_hash, created_at)
         VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING",
        actor.0,
        key,
        request_hash,
        now
    )
    .execute(&mut *db)
    .await?;
    if done.rows_affected() == 1 {
        return Ok(IdempotencyClaim::Ours);
    }
    match used(db, actor, key).await? {
        Some((request_hash, reply)) => Ok(IdempotencyClaim::Used { request_hash, reply }),
        // Swept away since: the caller may try again.
        None => Err(super::StorageError::Database(sqlx::Error::RowNotFound)),
    }
}

/// The request hash and the reply of a key that was used.
pub async fn used(db: &mut PgConnection, actor: ActorId, key: &str) -> Result<Option<(Vec<u8>, Value)>> {
    let used = sqlx::query!(
        r#"SELECT request_hash, reply AS "reply!" FROM idempotency_keys
           WHERE actor_id = $1 AND key = $2 AND reply IS NOT NULL"#,
        actor.0,
        key
    )
    .fetch_optional(db)
    .await?;
    Ok(used.map(|row| (row.request_hash, row.reply)))
}

/// Keeps the reply with its key, in the transaction of the effect.
pub async fn keep_reply(db: &mut PgConnection, actor: ActorId, key: &str, reply: &Value) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE idempotency_keys SET reply = $3 WHERE actor_id = $1 AND key = $2",
        actor.0,
        key,
        reply
    )
    .execute(db)
    .await?;
    wrote("idempotency_keys", 1, &done)
}

/// Forgets replies older than an instant; so many at a time.
pub async fn forget(db: &mut PgConnection, before: OffsetDateTime, most: i64) -> Result<u64> {
    let done = sqlx::query!(
        "DELETE FROM idempotency_keys WHERE ctid = ANY (ARRAY(
             SELECT ctid FROM idempotency_keys WHERE created_at < $1 LIMIT $2 FOR UPDATE SKIP LOCKED))",
        before,
        most
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected())
}
