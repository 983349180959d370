//! Keys reported lost, and what came of it.

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::count::Count;
use crate::{Portion, Result, wrote};
use domain::ids::{ActorId, DifferId, KeyId, LossId, RegistrationId};
use domain::keys::losses::{Loss, LossDecision};

macro_rules! select_losses {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Loss,
            "SELECT id, registration_id, key_id, kind, crime_reference, happened_on, place, reported_at,
                    found_at, decision, decision_reason, decided_by, decided_at, charge, waived_by_post,
                    charge_amount, charge_currency
             FROM losses " + $rest
            $(, $argument)*
        )
    };
}

/// Adds the report of a loss.
pub async fn add(db: &mut PgConnection, loss: &Loss, by: ActorId) -> Result<()> {
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
pub async fn of_key(db: &mut PgConnection, key: KeyId) -> Result<Option<Loss>> {
    Ok(select_losses!("WHERE key_id = $1 AND found_at IS NULL", key.0).fetch_optional(db).await?)
}

/// Closes the open loss of a key that was found.
pub async fn close(db: &mut PgConnection, key: KeyId, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "UPDATE losses SET found_at = $2, changed_at = $2 WHERE key_id = $1 AND found_at IS NULL",
        key.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A loss.
pub async fn loss(db: &mut PgConnection, id: LossId) -> Result<Option<Loss>> {
    Ok(select_losses!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Losses of a registration.
pub async fn of_registration(
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
pub async fn change(db: &mut PgConnection, loss: &Loss, now: OffsetDateTime) -> Result<()> {
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
pub async fn share(db: &mut PgConnection, differ: DifferId) -> Result<(u32, u32)> {
    let row = sqlx::query!(
        r#"SELECT count(*) FILTER (WHERE key_opens(state)) AS "issued!: Count",
                  count(*) FILTER (WHERE key_is_missing(state)) AS "missing!: Count"
           FROM keys WHERE differ_id = $1"#,
        differ.0
    )
    .fetch_one(db)
    .await?;
    Ok((row.issued.into(), row.missing.into()))
}
