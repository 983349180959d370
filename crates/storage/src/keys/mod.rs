//! Keys and lever packs.

pub mod audits;
pub mod losses;
pub mod statements;

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};

use crate::count::{Count, stored};
use crate::{Portion, Result, wrote};
use domain::ids::{CutId, DifferId, KeyId, LeverPackId, PersonId, RegistrationId};
use domain::keys::{Key, KeyState, LeverPack};

macro_rules! select_keys {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Key,
            "SELECT keys.id, keys.registration_id, keys.differ_id, copy_number, keys.state, holder_id,
                    keys.due_back_on, overdue_since, keys.version
             FROM keys " + $rest
            $(, $argument)*
        )
    };
}

/// Adds a lever pack.
pub async fn add_pack(db: &mut PgConnection, pack: &LeverPack) -> Result<()> {
    sqlx::query!(
        "INSERT INTO lever_packs (id, registration_id, differ_id, number, recorded_at)
         VALUES ($1, $2, $3, $4, $5)",
        pack.id.0,
        pack.registration_id.0,
        pack.differ_id.0,
        pack.number,
        pack.recorded_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Lever packs of a registration.
pub async fn packs(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<LeverPack>> {
    Ok(sqlx::query_as!(
        LeverPack,
        "SELECT id, registration_id, differ_id, number, recorded_at
         FROM lever_packs WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// The lever pack of a registration with a number, and its differ.
pub async fn pack_numbered(
    db: &mut PgConnection,
    registration: RegistrationId,
    number: &str,
) -> Result<Option<(LeverPackId, DifferId)>> {
    let found = sqlx::query!(
        "SELECT id, differ_id FROM lever_packs
         WHERE registration_id = $1 AND number = $2",
        registration.0,
        number
    )
    .fetch_optional(db)
    .await?;
    Ok(found.map(|pack| (pack.id, pack.differ_id)))
}

/// Keys of a registration, but for those that were no more before an id, with the number of their lever pack where
/// they came from one.
pub async fn with_packs(
    db: &mut PgConnection,
    registration: RegistrationId,
    before: uuid::Uuid,
) -> Result<Vec<(Key, Option<String>)>> {
    let packs = sqlx::query!(
        "SELECT keys.id, number FROM keys JOIN lever_packs ON lever_packs.id = lever_pack_id
         WHERE keys.registration_id = $1",
        registration.0
    )
    .fetch_all(&mut *db)
    .await?;
    let keys = of_registration(db, registration, None, None, None, before, Portion::ALL).await?;
    let number = |id: KeyId| packs.iter().find(|pack| pack.id == id).map(|pack| pack.number.clone());
    Ok(keys.into_iter().map(|key| (number(key.id), key)).map(|(pack, key)| (key, pack)).collect())
}

/// Where keys come from.
#[derive(Debug, Clone, Copy)]
pub enum Origin {
    /// A lever pack.
    Pack(LeverPackId),
    /// A cut.
    Cut(CutId),
}

/// The highest copy number of a differ so far.
pub async fn last_copy_number(db: &mut PgConnection, differ: DifferId) -> Result<u32> {
    let last = sqlx::query_scalar!(
        r#"SELECT coalesce(max(copy_number), 0) AS "last!: Count" FROM keys WHERE differ_id = $1"#,
        differ.0
    );
    Ok(last.fetch_one(db).await?.into())
}

/// Adds a key.
pub async fn add(db: &mut PgConnection, key: &Key, origin: Origin, now: OffsetDateTime) -> Result<()> {
    let (pack, cut) = match origin {
        Origin::Pack(pack) => (Some(pack.0), None),
        Origin::Cut(cut) => (None, Some(cut.0)),
    };
    sqlx::query!(
        "INSERT INTO keys
             (id, registration_id, differ_id, copy_number, cut_id, lever_pack_id, state, holder_id, due_back_on,
              version, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
        key.id.0,
        key.registration_id.0,
        key.differ_id.0,
        stored(key.copy_number)?,
        cut,
        pack,
        key.state.as_str(),
        key.holder_id.map(|id| id.0),
        key.due_back_on,
        key.version,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A key.
pub async fn key(db: &mut PgConnection, id: KeyId) -> Result<Option<Key>> {
    Ok(select_keys!("WHERE keys.id = $1", id.0).fetch_optional(db).await?)
}

/// Writes where a key is; its version is the one that it gets.
pub async fn change(db: &mut PgConnection, key: &Key, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE keys SET state = $2, holder_id = $3, due_back_on = $4, overdue_since = $5, version = $6,
             changed_at = $7
         WHERE id = $1 AND version = $6 - 1",
        key.id.0,
        key.state.as_str(),
        key.holder_id.map(|id| id.0),
        key.due_back_on,
        key.overdue_since,
        key.version,
        now
    )
    .execute(db)
    .await?;
    wrote("keys", 1, &done)
}

/// Keys of a registration, of these differs only, and of one differ or state if asked for.
pub async fn of_registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    only: Option<&[uuid::Uuid]>,
    differ: Option<DifferId>,
    state: Option<KeyState>,
    before: uuid::Uuid,
    portion: Portion,
) -> Result<Vec<Key>> {
    Ok(select_keys!(
        "WHERE keys.registration_id = $1 AND keys.id > $2 AND (key_exists(keys.state) OR keys.id > $7)
         AND ($3::uuid IS NULL OR keys.differ_id = $3) AND ($4::text IS NULL OR keys.state = $4)
         AND ($5::uuid[] IS NULL OR keys.differ_id = ANY ($5))
         ORDER BY keys.id LIMIT $6",
        registration.0,
        portion.after,
        differ.map(|id| id.0),
        state.map(KeyState::as_str),
        only,
        portion.limit,
        before
    )
    .fetch_all(db)
    .await?)
}

/// Keys of a differ that are not dead or destroyed.
pub async fn live_of_differ(db: &mut PgConnection, differ: DifferId) -> Result<Vec<Key>> {
    Ok(select_keys!("WHERE keys.differ_id = $1 AND key_opens(keys.state) ORDER BY keys.id", differ.0)
        .fetch_all(db)
        .await?)
}

/// Keys that were cut for a request and wait to be handed over, lowest copy number first.
pub async fn to_hand_over(db: &mut PgConnection, request: domain::ids::CopyRequestId) -> Result<Vec<Key>> {
    Ok(select_keys!(
        "JOIN cuts ON cuts.id = cut_id WHERE request_id = $1 AND keys.state = 'in_store' ORDER BY copy_number",
        request.0
    )
    .fetch_all(db)
    .await?)
}

/// The keys of a cut.
pub async fn of_cut(db: &mut PgConnection, cut: domain::ids::CutId) -> Result<Vec<Key>> {
    Ok(select_keys!("WHERE cut_id = $1 ORDER BY copy_number", cut.0).fetch_all(db).await?)
}

/// Keys that were cut at a counter, are still there, and whose request is over.
pub async fn uncollected(db: &mut PgConnection, counter: domain::ids::CounterId) -> Result<Vec<Key>> {
    Ok(select_keys!(
        "JOIN cuts ON cuts.id = cut_id JOIN copy_requests ON copy_requests.id = cuts.request_id
         WHERE cuts.counter_id = $1 AND keys.state = 'in_store'
           AND NOT request_is_open(copy_requests.state)
         ORDER BY keys.id LIMIT 500",
        counter.0
    )
    .fetch_all(db)
    .await?)
}

/// Keys that came of a request and are with a person.
pub async fn out_of_request(
    db: &mut PgConnection,
    request: domain::ids::CopyRequestId,
    holder: PersonId,
) -> Result<Vec<Key>> {
    Ok(select_keys!(
        "JOIN cuts ON cuts.id = cut_id WHERE request_id = $1 AND keys.state = 'with_person' AND holder_id = $2
         ORDER BY copy_number",
        request.0,
        holder.0
    )
    .fetch_all(db)
    .await?)
}

/// Keys whose due-back day is past and that are not marked yet, with their registrations.
pub async fn due(db: &mut PgConnection, today: Date, most: i64) -> Result<Vec<(KeyId, RegistrationId)>> {
    let rows = sqlx::query!(
        "SELECT id, registration_id FROM keys
         WHERE state = 'with_person' AND due_back_on < $1 AND overdue_since IS NULL
         ORDER BY due_back_on LIMIT $2",
        today,
        most
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.id, row.registration_id)).collect())
}

/// Whether a key waits at a counter to be handed over for an open request.
pub async fn is_promised(db: &mut PgConnection, key: KeyId) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (
               SELECT 1 FROM keys JOIN cuts ON cuts.id = cut_id JOIN copy_requests ON copy_requests.id = request_id
               WHERE keys.id = $1 AND keys.state = 'in_store' AND copy_requests.state = 'authorised'
           ) AS "promised!""#,
        key.0
    )
    .fetch_one(db)
    .await?)
}
