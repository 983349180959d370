//! Blanks: their accounts, what moved them, and what was found to differ.

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::count::{MaybeCount, stored};
use crate::{Portion, Result, wrote};
use domain::counters::blanks::{BlankAccount, BlankDifference, BlankMovement, Explanation};
use domain::ids::{ActorId, BlankDifferenceId, BlankMovementId, CounterId, CutId, SectionId};

macro_rules! select_accounts {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            BlankAccount,
            r#"SELECT counter_id, section_id, received, cut, spoiled, returned, missing, on_hand, on_the_way,
                      most_blanks AS "most_blanks!: MaybeCount"
               FROM blank_accounts "# + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_movements {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            BlankMovement,
            r#"SELECT id, counter_id, section_id, kind, quantity, copy_request_id, remark, made_by, made_at,
                      confirmed_by, confirmed_at, confirmed_quantity AS "confirmed_quantity!: MaybeCount"
               FROM blank_movements "# + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_differences {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            BlankDifference,
            "SELECT id, counter_id, section_id, quantity, movement_id, cut_id, found_at, explanation, remark,
                    explained_at
             FROM blank_differences " + $rest
            $(, $argument)*
        )
    };
}

/// The account of a counter for a section, for update.
pub async fn account_for_update(
    db: &mut PgConnection,
    counter: CounterId,
    section: SectionId,
) -> Result<Option<BlankAccount>> {
    Ok(select_accounts!("WHERE counter_id = $1 AND section_id = $2 FOR UPDATE", counter.0, section.0)
        .fetch_optional(db)
        .await?)
}

/// The accounts of a counter.
pub async fn accounts(db: &mut PgConnection, counter: CounterId) -> Result<Vec<BlankAccount>> {
    Ok(select_accounts!("WHERE counter_id = $1 ORDER BY section_id", counter.0).fetch_all(db).await?)
}

/// Writes an account that was taken for update.
pub async fn save(db: &mut PgConnection, account: &BlankAccount) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE blank_accounts SET received = $3, cut = $4, spoiled = $5, returned = $6, missing = $7,
             on_hand = $8, on_the_way = $9, most_blanks = $10
         WHERE counter_id = $1 AND section_id = $2",
        account.counter_id.0,
        account.section_id.0,
        stored(account.received)?,
        stored(account.cut)?,
        stored(account.spoiled)?,
        stored(account.returned)?,
        stored(account.missing)?,
        stored(account.on_hand)?,
        stored(account.on_the_way)?,
        account.most_blanks.map(stored).transpose()?
    )
    .execute(db)
    .await?;
    wrote("blank_accounts", 1, &done)
}

/// Adds a movement.
pub async fn add_movement(db: &mut PgConnection, movement: &BlankMovement) -> Result<()> {
    sqlx::query!(
        "INSERT INTO blank_movements
             (id, counter_id, section_id, kind, quantity, copy_request_id, remark, made_by, made_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        movement.id.0,
        movement.counter_id.0,
        movement.section_id.0,
        movement.kind.as_str(),
        stored(movement.quantity)?,
        movement.copy_request_id.map(|id| id.0),
        movement.remark,
        movement.made_by.0,
        movement.made_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A movement.
pub async fn movement(db: &mut PgConnection, id: BlankMovementId) -> Result<Option<BlankMovement>> {
    Ok(select_movements!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Movements at a counter.
pub async fn movements(
    db: &mut PgConnection,
    counter: CounterId,
    portion: Portion,
) -> Result<Vec<BlankMovement>> {
    Ok(select_movements!(
        "WHERE counter_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        counter.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Confirms a movement, once.
pub async fn confirm(
    db: &mut PgConnection,
    id: BlankMovementId,
    by: ActorId,
    counted: u32,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE blank_movements SET confirmed_by = $2, confirmed_quantity = $3, confirmed_at = $4
         WHERE id = $1 AND confirmed_at IS NULL",
        id.0,
        by.0,
        stored(counted)?,
        now
    )
    .execute(db)
    .await?;
    wrote("blank_movements", 1, &done)
}

/// What was found to differ, new.
pub async fn add_difference(db: &mut PgConnection, difference: &BlankDifference) -> Result<()> {
    sqlx::query!(
        "INSERT INTO blank_differences
             (id, counter_id, section_id, quantity, movement_id, cut_id, found_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
        difference.id.0,
        difference.counter_id.0,
        difference.section_id.0,
        difference.quantity,
        difference.movement_id.map(|id| id.0),
        difference.cut_id.map(|id: CutId| id.0),
        difference.found_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A difference.
pub async fn difference(db: &mut PgConnection, id: BlankDifferenceId) -> Result<Option<BlankDifference>> {
    Ok(select_differences!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Differences at a counter; only those that are open, if asked for.
pub async fn differences(
    db: &mut PgConnection,
    counter: CounterId,
    only_open: bool,
    portion: Portion,
) -> Result<Vec<BlankDifference>> {
    Ok(select_differences!(
        "WHERE counter_id = $1 AND (NOT $2 OR explained_at IS NULL) AND id > $3 ORDER BY id LIMIT $4",
        counter.0,
        only_open,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// What counts found that is not explained yet, added up.
pub async fn open_counted(db: &mut PgConnection, counter: CounterId, section: SectionId) -> Result<i32> {
    let sum: i64 = sqlx::query_scalar!(
        r#"SELECT coalesce(sum(d.quantity), 0) AS "sum!" FROM blank_differences d
           JOIN blank_movements m ON m.id = d.movement_id
           WHERE d.counter_id = $1 AND d.section_id = $2 AND m.kind = 'count' AND d.explained_at IS NULL"#,
        counter.0,
        section.0
    )
    .fetch_one(db)
    .await?;
    i32::try_from(sum).map_err(|error| crate::StorageError::Corrupt {
        table: "blank_differences",
        problem: error.to_string(),
    })
}

/// Explains a difference, once.
pub async fn explain(
    db: &mut PgConnection,
    id: BlankDifferenceId,
    (explanation, remark): (Explanation, Option<&str>),
    by: ActorId,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE blank_differences SET explanation = $2, remark = $3, explained_by = $4, explained_at = $5
         WHERE id = $1 AND explained_at IS NULL",
        id.0,
        explanation.as_str(),
        remark,
        by.0,
        now
    )
    .execute(db)
    .await?;
    wrote("blank_differences", 1, &done)
}
