//! Lever packs, keys and losses.

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};

use super::{Portion, Result, wrote};
use crate::domain::ids::{ActorId, CutId, DifferId, KeyId, LeverPackId, LossId, PersonId, RegistrationId};
use crate::domain::key::{Key, KeyState, LeverPack};
use crate::domain::losses::Loss;
use crate::domain::register::LossDecision;

macro_rules! select_keys {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Key,
            r#"SELECT keys.id AS "id: _", keys.registration_id AS "registration_id: _",
                      keys.differ_id AS "differ_id: _", copy_number, keys.state AS "state: _",
                      holder_id AS "holder_id: _", keys.due_back_on, overdue_since, keys.version
               FROM keys "# + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_losses {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Loss,
            r#"SELECT id AS "id: _", registration_id AS "registration_id: _", key_id AS "key_id: _",
                      kind AS "kind: _", crime_reference, happened_on, place, reported_at, found_at, decision AS "decision: _",
                      decision_reason, decided_by AS "decided_by: _", decided_at, charge AS "charge: _", waived_by_post, charge_amount,
                      charge_currency
               FROM losses "# + $rest
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
        r#"SELECT id AS "id: _", registration_id AS "registration_id: _", differ_id AS "differ_id: _", number,
                  recorded_at
           FROM lever_packs WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3"#,
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
        r#"SELECT id AS "id: LeverPackId", differ_id AS "differ_id: DifferId" FROM lever_packs
           WHERE registration_id = $1 AND number = $2"#,
        registration.0,
        number
    )
    .fetch_optional(db)
    .await?;
    Ok(found.map(|pack| (pack.id, pack.differ_id)))
}

/// Every key of a registration with the number of its lever pack, where it came from one.
pub async fn with_packs(
    db: &mut PgConnection,
    registration: RegistrationId,
) -> Result<Vec<(Key, Option<String>)>> {
    let packs = sqlx::query!(
        r#"SELECT keys.id AS "id: KeyId", number FROM keys JOIN lever_packs ON lever_packs.id = lever_pack_id
           WHERE keys.registration_id = $1"#,
        registration.0
    )
    .fetch_all(&mut *db)
    .await?;
    let keys = of_registration(db, registration, None, None, None, Portion::ALL).await?;
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
pub async fn last_copy_number(db: &mut PgConnection, differ: DifferId) -> Result<i32> {
    Ok(sqlx::query_scalar!("SELECT max(copy_number) FROM keys WHERE differ_id = $1", differ.0)
        .fetch_one(db)
        .await?
        .unwrap_or(0))
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
        key.copy_number,
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
    portion: Portion,
) -> Result<Vec<Key>> {
    Ok(select_keys!(
        "WHERE keys.registration_id = $1 AND keys.id > $2
         AND ($3::uuid IS NULL OR keys.differ_id = $3) AND ($4::text IS NULL OR keys.state = $4)
         AND ($5::uuid[] IS NULL OR keys.differ_id = ANY ($5))
         ORDER BY keys.id LIMIT $6",
        registration.0,
        portion.after,
        differ.map(|id| id.0),
        state.map(KeyState::as_str),
        only,
        portion.limit
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
pub async fn to_hand_over(
    db: &mut PgConnection,
    request: crate::domain::ids::CopyRequestId,
) -> Result<Vec<Key>> {
    Ok(select_keys!(
        "JOIN cuts ON cuts.id = cut_id WHERE request_id = $1 AND keys.state = 'in_store' ORDER BY copy_number",
        request.0
    )
    .fetch_all(db)
    .await?)
}

/// The keys of a cut.
pub async fn of_cut(db: &mut PgConnection, cut: crate::domain::ids::CutId) -> Result<Vec<Key>> {
    Ok(select_keys!("WHERE cut_id = $1 ORDER BY copy_number", cut.0).fetch_all(db).await?)
}

/// Keys that were cut at a counter, are still there, and whose request is over.
pub async fn uncollected(db: &mut PgConnection, counter: crate::domain::ids::CounterId) -> Result<Vec<Key>> {
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
    request: crate::domain::ids::CopyRequestId,
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
        r#"SELECT id AS "id: KeyId", registration_id AS "registration_id: RegistrationId" FROM keys
           WHERE state = 'with_person' AND due_back_on < $1 AND overdue_since IS NULL
           ORDER BY due_back_on LIMIT $2"#,
        today,
        most
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.id, row.registration_id)).collect())
}

/// Adds the report of a loss.
pub async fn add_loss(db: &mut PgConnection, loss: &Loss, by: ActorId) -> Result<()> {
    sqlx::query!(
        "INSERT INTO losses
             (id, registration_id, key_id, kind, crime_reference, reported_by, reported_at, charge,
              charge_amount, charge_currency, changed_at, happened_on, place)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $7, $11, $12)",
        loss.id.0,
        loss.registration_id.0,
        loss.key_id.0,
        loss.kind.as_str(),
        loss.crime_reference,
        by.0,
        loss.reported_at,
        loss.charge.as_str(),
        loss.charge_amount,
        loss.charge_currency,
        loss.happened_on,
        loss.place
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The open loss of a key: it was reported and the key has not been found.
pub async fn loss_of(db: &mut PgConnection, key: KeyId) -> Result<Option<Loss>> {
    Ok(select_losses!("WHERE key_id = $1 AND found_at IS NULL", key.0).fetch_optional(db).await?)
}

/// Closes the open loss of a key that was found.
pub async fn close_loss(db: &mut PgConnection, key: KeyId, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "UPDATE losses SET found_at = $2, changed_at = $2 WHERE key_id = $1 AND found_at IS NULL",
        key.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Whether another request that was authorised replaces a key.
pub async fn is_replaced(
    db: &mut PgConnection,
    key: KeyId,
    but_for: crate::domain::ids::CopyRequestId,
) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT 1 FROM copy_requests WHERE replaces_key_id = $1 AND id <> $2
               AND state IN ('authorised', 'completed')) AS "replaced!""#,
        key.0,
        but_for.0
    )
    .fetch_one(db)
    .await?)
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

/// A loss.
pub async fn loss(db: &mut PgConnection, id: LossId) -> Result<Option<Loss>> {
    Ok(select_losses!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Losses of a registration.
pub async fn losses(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Loss>> {
    Ok(select_losses!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Writes what became of the charge for a loss, its crime reference, and what was decided.
pub async fn change_loss(db: &mut PgConnection, loss: &Loss, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE losses SET charge = $2, crime_reference = $3, waived_by_post = $4, changed_at = $5,
             decision = $6, decision_reason = $7, decided_by = $8, decided_at = $9
         WHERE id = $1",
        loss.id.0,
        loss.charge.as_str(),
        loss.crime_reference,
        loss.waived_by_post,
        now,
        loss.decision.map(LossDecision::as_str),
        loss.decision_reason,
        loss.decided_by.map(|id| id.0),
        loss.decided_at
    )
    .execute(db)
    .await?;
    wrote("losses", 1, &done)
}

/// Keys of a differ: how many were ever issued and still exist, and how many of them are missing.
pub async fn loss_share(db: &mut PgConnection, differ: DifferId) -> Result<(u32, u32)> {
    let row = sqlx::query!(
        r#"SELECT count(*) FILTER (WHERE key_opens(state)) AS "issued!",
                  count(*) FILTER (WHERE key_is_missing(state)) AS "missing!"
           FROM keys WHERE differ_id = $1"#,
        differ.0
    )
    .fetch_one(db)
    .await?;
    let count = |number: i64| u32::try_from(number).unwrap_or(u32::MAX);
    Ok((count(row.issued), count(row.missing)))
}
