//! The locks of a registration.

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::{Portion, Result, wrote};
use domain::ids::{LockId, RegistrationId};
use domain::register::registrations::Lock;

macro_rules! select_locks {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Lock,
            "SELECT id, registration_id, label, kind, hand, standard, escape_route, room_class, version
             FROM locks " + $rest
            $(, $argument)*
        )
    };
}

/// Adds a lock.
pub async fn add(db: &mut PgConnection, lock: &Lock, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO locks
             (id, registration_id, label, kind, hand, standard, escape_route, room_class, version, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
        lock.id.0,
        lock.registration_id.0,
        lock.label,
        lock.kind.as_str(),
        lock.hand.map(domain::register::registrations::Hand::as_str),
        lock.standard,
        lock.escape_route,
        lock.room_class,
        lock.version,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Changes a lock; its version is the one that it gets.
pub async fn change(db: &mut PgConnection, lock: &Lock, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE locks SET label = $2, kind = $3, hand = $4, standard = $5, escape_route = $6, room_class = $7,
             version = $8, changed_at = $9
         WHERE id = $1 AND version = $8 - 1",
        lock.id.0,
        lock.label,
        lock.kind.as_str(),
        lock.hand.map(domain::register::registrations::Hand::as_str),
        lock.standard,
        lock.escape_route,
        lock.room_class,
        lock.version,
        now
    )
    .execute(db)
    .await?;
    wrote("locks", 1, &done)
}

/// A lock.
pub async fn lock(db: &mut PgConnection, id: LockId) -> Result<Option<Lock>> {
    Ok(select_locks!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// The lock of a registration with a label.
pub async fn labelled(
    db: &mut PgConnection,
    registration: RegistrationId,
    label: &str,
) -> Result<Option<LockId>> {
    Ok(sqlx::query_scalar!(
        "SELECT id FROM locks WHERE registration_id = $1 AND label = $2",
        registration.0,
        label
    )
    .fetch_optional(db)
    .await?)
}

/// Locks of a registration.
pub async fn of_registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Lock>> {
    Ok(select_locks!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}
