//! Price lists, rekeys, and the locks in them.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::count::{Count, MaybeCount, stored};
use crate::{Portion, Result, wrote};
use domain::ids::{ActorId, DifferId, LeverPackId, LockId, PersonId, RegistrationId, RekeyId, SectionId};
use domain::rekeys::{Rekey, RekeyDiffer, RekeyLock, RekeyState};

/// The newest prices of a section, and their version.
pub async fn prices(db: &mut PgConnection, section: SectionId) -> Result<Option<(i32, Value)>> {
    let row = sqlx::query!(
        "SELECT version, prices FROM price_lists WHERE section_id = $1 ORDER BY version DESC LIMIT 1",
        section.0
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(|row| (row.version, row.prices)))
}

/// Adds a version of the prices of a section.
pub async fn add_prices(
    db: &mut PgConnection,
    section: SectionId,
    version: i32,
    prices: &Value,
    by: ActorId,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO price_lists (section_id, version, prices, made_by, made_at) VALUES ($1, $2, $3, $4, $5)",
        section.0,
        version,
        prices,
        by.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

macro_rules! select_rekeys {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Rekey,
            "SELECT id, registration_id, loss_id, reason, state, plan, begun_at, ended_at
             FROM rekeys " + $rest
            $(, $argument)*
        )
    };
}

/// Adds a rekey with its differs and locks.
pub async fn add(
    db: &mut PgConnection,
    rekey: &Rekey,
    differs: &[RekeyDiffer],
    locks: &[(uuid::Uuid, RekeyLock)],
    by: ActorId,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO rekeys (id, registration_id, loss_id, reason, state, plan, begun_by, begun_at, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $8)",
        rekey.id.0,
        rekey.registration_id.0,
        rekey.loss_id.map(|id| id.0),
        rekey.reason,
        rekey.state.as_str(),
        rekey.plan,
        by.0,
        rekey.begun_at
    )
    .execute(&mut *db)
    .await?;
    for differ in differs {
        sqlx::query!(
            "INSERT INTO rekey_differs (rekey_id, registration_id, old_differ_id, new_differ_id)
             VALUES ($1, $2, $3, $4)",
            rekey.id.0,
            rekey.registration_id.0,
            differ.old_differ_id.0,
            differ.new_differ_id.0
        )
        .execute(&mut *db)
        .await?;
    }
    for (id, lock) in locks {
        sqlx::query!(
            "INSERT INTO rekey_locks (id, rekey_id, registration_id, lock_id, keys_for, changed_at)
             VALUES ($1, $2, $3, $4, $5, $6)",
            id,
            rekey.id.0,
            rekey.registration_id.0,
            lock.lock_id.0,
            lock.keys_for.map(|id| id.0),
            rekey.begun_at
        )
        .execute(&mut *db)
        .await?;
    }
    Ok(())
}

/// A rekey.
pub async fn rekey(db: &mut PgConnection, id: RekeyId) -> Result<Option<Rekey>> {
    Ok(select_rekeys!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// The rekeys of a registration.
pub async fn of_registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Rekey>> {
    Ok(select_rekeys!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Which differ takes the place of which.
pub async fn differs(db: &mut PgConnection, id: RekeyId) -> Result<Vec<RekeyDiffer>> {
    Ok(sqlx::query_as!(
        RekeyDiffer,
        "SELECT old_differ_id, new_differ_id FROM rekey_differs
         WHERE rekey_id = $1 ORDER BY old_differ_id",
        id.0
    )
    .fetch_all(db)
    .await?)
}

/// The locks in a rekey.
pub async fn locks(db: &mut PgConnection, id: RekeyId) -> Result<Vec<RekeyLock>> {
    Ok(sqlx::query_as!(
        RekeyLock,
        r#"SELECT lock_id, keys_for, fitted_at, fitted_by, lever_pack_id,
                  old_keys_collected AS "old_keys_collected!: MaybeCount"
           FROM rekey_locks WHERE rekey_id = $1 ORDER BY lock_id"#,
        id.0
    )
    .fetch_all(db)
    .await?)
}

/// A lock that was fitted.
pub struct Fitting {
    /// In which rekey.
    pub rekey: RekeyId,
    /// The lock.
    pub lock: LockId,
    /// Who fitted it.
    pub by: PersonId,
    /// With which pack.
    pub pack: LeverPackId,
    /// Old keys that were collected.
    pub old_keys: u32,
}

/// Writes that a lock was fitted.
pub async fn fit(db: &mut PgConnection, fitting: &Fitting, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE rekey_locks SET fitted_at = $3, fitted_by = $4, lever_pack_id = $5, old_keys_collected = $6,
             changed_at = $3
         WHERE rekey_id = $1 AND lock_id = $2 AND fitted_at IS NULL",
        fitting.rekey.0,
        fitting.lock.0,
        now,
        fitting.by.0,
        fitting.pack.0,
        stored(fitting.old_keys)?
    )
    .execute(db)
    .await?;
    wrote("rekey_locks", 1, &done)
}

/// Ends a rekey.
pub async fn end(db: &mut PgConnection, id: RekeyId, state: RekeyState, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE rekeys SET state = $2, ended_at = $3, changed_at = $3 WHERE id = $1 AND state = 'under_way'",
        id.0,
        state.as_str(),
        now
    )
    .execute(db)
    .await?;
    wrote("rekeys", 1, &done)
}

/// Whether a rekey under way has one of these differs, or a lock that answers to one of them.
pub async fn is_under_way(
    db: &mut PgConnection,
    registration: RegistrationId,
    differs: &[DifferId],
) -> Result<bool> {
    let ids: Vec<uuid::Uuid> = differs.iter().map(|id| id.0).collect();
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (
               SELECT 1 FROM rekeys JOIN rekey_locks ON rekey_id = rekeys.id
               JOIN answers ON answers.lock_id = rekey_locks.lock_id AND until IS NULL
               WHERE rekeys.registration_id = $1 AND state = 'under_way'
                 AND fitted_at IS NULL AND differ_id = ANY ($2)
           ) AS "under_way!""#,
        registration.0,
        &ids
    )
    .fetch_one(db)
    .await?)
}

/// Who has old keys of a rekey, dead ones too, and how many new ones they have: person, old, new.
pub async fn holders(db: &mut PgConnection, id: RekeyId) -> Result<Vec<(PersonId, u32, u32)>> {
    let rows = sqlx::query!(
        r#"SELECT holder_id AS "person!", count(*) FILTER (WHERE differ_id = old_differ_id) AS "old!: Count",
                  count(*) FILTER (WHERE differ_id = new_differ_id) AS "new!: Count"
           FROM rekey_differs JOIN keys ON differ_id IN (old_differ_id, new_differ_id)
           WHERE rekey_id = $1 AND holder_id IS NOT NULL AND state IN ('with_person', 'dead')
             -- One that was lost before it died is not with whoever lost it.
             AND NOT EXISTS (SELECT 1 FROM losses WHERE key_id = keys.id AND found_at IS NULL)
           GROUP BY holder_id ORDER BY holder_id"#,
        id.0
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.person, row.old.into(), row.new.into())).collect())
}
