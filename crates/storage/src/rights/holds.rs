//! What nothing may be copied under.

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::{Portion, Result, wrote};
use domain::ids::{ActorId, HoldId, LossId, RegistrationId};
use domain::rights::holds::Hold;

macro_rules! select_holds {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Hold,
            "SELECT id, registration_id, kind, barred_person_id, differ_id, loss_id, court, order_reference, ordered_on, ends_on,
                    placed_at, lifted_at
             FROM holds " + $rest
            $(, $argument)*
        )
    };
}

/// Places a hold.
pub async fn place(db: &mut PgConnection, hold: &Hold, by: ActorId) -> Result<()> {
    sqlx::query!(
        "INSERT INTO holds
             (id, registration_id, kind, barred_person_id, court, ordered_on, ends_on, placed_at, placed_by,
              changed_at, differ_id, loss_id, order_reference)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $8, $10, $11, $12)",
        hold.id.0,
        hold.registration_id.0,
        hold.kind.as_str(),
        hold.barred_person_id.map(|id| id.0),
        hold.court,
        hold.ordered_on,
        hold.ends_on,
        hold.placed_at,
        by.0,
        hold.differ_id.map(|id| id.0),
        hold.loss_id.map(|id| id.0),
        hold.order_reference
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A hold.
pub async fn hold(db: &mut PgConnection, id: HoldId) -> Result<Option<Hold>> {
    Ok(select_holds!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Holds of a registration, those that were lifted too.
pub async fn of_registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Hold>> {
    Ok(select_holds!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Holds in force that were placed for a loss.
pub async fn for_loss(db: &mut PgConnection, loss: LossId) -> Result<Vec<Hold>> {
    Ok(select_holds!("WHERE loss_id = $1 AND lifted_at IS NULL", loss.0).fetch_all(db).await?)
}

/// Lifts a hold.
pub async fn lift(db: &mut PgConnection, id: HoldId, by: ActorId, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE holds SET lifted_at = $2, lifted_by = $3, changed_at = $2 WHERE id = $1 AND lifted_at IS NULL",
        id.0,
        now,
        by.0
    )
    .execute(db)
    .await?;
    wrote("holds", 1, &done)
}
