//! Data keys, and what is sealed under them.

use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::{Result, wrote};
use crypto::vault::WrappedKey;
use domain::ids::{DifferId, PersonId, SectionId};

/// What was sealed, and under which data key.
pub struct SealedSecret {
    /// The data key.
    pub key: Uuid,
    /// Nonce, ciphertext and tag.
    pub bytes: Vec<u8>,
}

/// The data key under which is sealed now.
pub async fn current_key(db: &mut PgConnection) -> Result<Option<WrappedKey>> {
    Ok(sqlx::query_as!(WrappedKey, "SELECT id, master_key, wrapped FROM data_keys WHERE current")
        .fetch_optional(db)
        .await?)
}

/// A data key.
pub async fn key(db: &mut PgConnection, id: Uuid) -> Result<Option<WrappedKey>> {
    Ok(sqlx::query_as!(WrappedKey, "SELECT id, master_key, wrapped FROM data_keys WHERE id = $1", id)
        .fetch_optional(db)
        .await?)
}

/// Every data key.
pub async fn keys(db: &mut PgConnection) -> Result<Vec<WrappedKey>> {
    Ok(sqlx::query_as!(WrappedKey, "SELECT id, master_key, wrapped FROM data_keys ORDER BY id")
        .fetch_all(db)
        .await?)
}

/// Every data key, taken for update.
pub async fn keys_for_update(db: &mut PgConnection) -> Result<Vec<WrappedKey>> {
    Ok(sqlx::query_as!(WrappedKey, "SELECT id, master_key, wrapped FROM data_keys ORDER BY id FOR UPDATE")
        .fetch_all(db)
        .await?)
}

/// Adds a current data key, unless there is one.
pub async fn add_key(db: &mut PgConnection, key: &WrappedKey, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO data_keys (id, master_key, wrapped, current, made_at) VALUES ($1, $2, $3, true, $4)
         ON CONFLICT DO NOTHING",
        key.id,
        key.master_key,
        key.wrapped,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Writes a data key that was wrapped again.
pub async fn rewrap_key(db: &mut PgConnection, key: &WrappedKey) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE data_keys SET master_key = $2, wrapped = $3 WHERE id = $1",
        key.id,
        key.master_key,
        key.wrapped
    )
    .execute(db)
    .await?;
    wrote("data_keys", 1, &done)
}

/// Nothing more is sealed under the current data key.
pub async fn retire_keys(db: &mut PgConnection) -> Result<()> {
    sqlx::query!("UPDATE data_keys SET current = false WHERE current").execute(db).await?;
    Ok(())
}

/// Deletes retired data keys under which nothing is sealed any more; how many.
pub async fn delete_unused_keys(db: &mut PgConnection) -> Result<u64> {
    let done = sqlx::query!(
        "DELETE FROM data_keys WHERE NOT current
         AND NOT EXISTS (SELECT FROM bittings WHERE data_key_id = data_keys.id)
         AND NOT EXISTS (SELECT FROM accounts WHERE totp_key_id = data_keys.id)"
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected())
}

/// Bitting that was sealed, with what tells that its combination is taken.
pub struct SealedBitting {
    /// The differ.
    pub differ: DifferId,
    /// The key section that it belongs to.
    pub section: SectionId,
    /// The heights.
    pub sealed: SealedSecret,
    /// Under the same data key.
    pub fingerprint: Vec<u8>,
}

/// Adds the bitting of a differ. `false` when it has one.
pub async fn add_bitting(db: &mut PgConnection, bitting: &SealedBitting) -> Result<bool> {
    let done = sqlx::query!(
        "INSERT INTO bittings (differ_id, section_id, data_key_id, sealed, fingerprint)
         VALUES ($1, $2, $3, $4, $5) ON CONFLICT (differ_id) DO NOTHING",
        bitting.differ.0,
        bitting.section.0,
        bitting.sealed.key,
        bitting.sealed.bytes,
        bitting.fingerprint
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The bitting of a differ.
pub async fn bitting(db: &mut PgConnection, differ: DifferId) -> Result<Option<SealedSecret>> {
    Ok(sqlx::query_as!(
        SealedSecret,
        "SELECT data_key_id AS key, sealed AS bytes FROM bittings WHERE differ_id = $1",
        differ.0
    )
    .fetch_optional(db)
    .await?)
}

/// Bittings that are sealed under another key than the current one, taken for update; so many at most.
pub async fn old_bittings(
    db: &mut PgConnection,
    most: i64,
) -> Result<Vec<(DifferId, SectionId, SealedSecret)>> {
    let rows = sqlx::query!(
        "SELECT differ_id AS differ, section_id AS section, data_key_id, sealed
         FROM bittings
         WHERE data_key_id IN (SELECT id FROM data_keys WHERE NOT current)
         ORDER BY differ_id LIMIT $1 FOR UPDATE",
        most
    )
    .fetch_all(db)
    .await?;
    let sealed = |key, bytes| SealedSecret { key, bytes };
    Ok(rows.into_iter().map(|row| (row.differ, row.section, sealed(row.data_key_id, row.sealed))).collect())
}

/// Writes a bitting that was sealed again.
pub async fn reseal_bitting(db: &mut PgConnection, bitting: &SealedBitting) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE bittings SET data_key_id = $2, sealed = $3, fingerprint = $4 WHERE differ_id = $1",
        bitting.differ.0,
        bitting.sealed.key,
        bitting.sealed.bytes,
        bitting.fingerprint
    )
    .execute(db)
    .await?;
    wrote("bittings", 1, &done)
}

/// Second factors that are sealed under another key than the current one, taken for update; so many at most.
pub async fn old_second_factors(db: &mut PgConnection, most: i64) -> Result<Vec<(PersonId, SealedSecret)>> {
    let rows = sqlx::query!(
        r#"SELECT person_id AS person, totp_key_id AS "key!", totp_secret AS "bytes!" FROM accounts
           WHERE totp_key_id IN (SELECT id FROM data_keys WHERE NOT current)
           ORDER BY person_id LIMIT $1 FOR UPDATE"#,
        most
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.person, SealedSecret { key: row.key, bytes: row.bytes })).collect())
}

/// Writes a second factor that was sealed again.
pub async fn reseal_second_factor(
    db: &mut PgConnection,
    person: PersonId,
    sealed: &SealedSecret,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE accounts SET totp_key_id = $2, totp_secret = $3 WHERE person_id = $1",
        person.0,
        sealed.key,
        sealed.bytes
    )
    .execute(db)
    .await?;
    wrote("accounts", 1, &done)
}
