//! Registrations.

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};

use crate::{Portion, Result, wrote};
use domain::ids::{PersonId, RegistrationId};
use domain::numbers::TypedNumber;
use domain::register::registrations::Registration;

macro_rules! select_registrations {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Registration,
            "SELECT registrations.id, number, section_id, owner_id, premises, rules_version, version,
                    created_at, owner_since, ended_at
             FROM registrations " + $rest
            $(, $argument)*
        )
    };
}

/// Adds a registration; its rules come with [`rules::add`](super::rules::add) in the same transaction.
pub async fn add(db: &mut PgConnection, registration: &Registration) -> Result<()> {
    sqlx::query!(
        "INSERT INTO registrations
             (id, number, section_id, owner_id, premises, rules_version, version, created_at, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $8)",
        registration.id.0,
        registration.number.as_str(),
        registration.section_id.0,
        registration.owner_id.0,
        registration.premises,
        registration.rules_version,
        registration.version,
        registration.created_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Writes what can change of a registration; its version is the one that it gets.
pub async fn change(db: &mut PgConnection, registration: &Registration, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE registrations
         SET premises = $2, rules_version = $3, version = $4, ended_at = $5, changed_at = $6
         WHERE id = $1 AND version = $4 - 1",
        registration.id.0,
        registration.premises,
        registration.rules_version,
        registration.version,
        registration.ended_at,
        now
    )
    .execute(db)
    .await?;
    wrote("registrations", 1, &done)
}

/// A registration.
pub async fn registration(db: &mut PgConnection, id: RegistrationId) -> Result<Option<Registration>> {
    Ok(select_registrations!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Writes whose a registration is from now on; its version is the one that it gets.
pub async fn change_owner(
    db: &mut PgConnection,
    registration: &Registration,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE registrations SET owner_id = $2, owner_since = $4, version = $3, changed_at = $4
         WHERE id = $1 AND version = $3 - 1",
        registration.id.0,
        registration.owner_id.0,
        registration.version,
        now
    )
    .execute(db)
    .await?;
    wrote("registrations", 1, &done)
}

/// A registration, taken for update: the first row that every act on it takes.
pub async fn registration_for_update(
    db: &mut PgConnection,
    id: RegistrationId,
) -> Result<Option<Registration>> {
    Ok(select_registrations!("WHERE id = $1 FOR UPDATE", id.0).fetch_optional(db).await?)
}

/// A registration on which a person, or one of these organisations, has an authority in force, taken for update.
/// Nobody else waits for it.
pub async fn of_party_for_update(
    db: &mut PgConnection,
    id: RegistrationId,
    person: Option<PersonId>,
    organisations: &[uuid::Uuid],
    today: Date,
) -> Result<Option<Registration>> {
    Ok(select_registrations!(
        "WHERE id = $1 AND EXISTS (
             SELECT FROM authorities WHERE registration_id = $1 AND (person_id = $2 OR organisation_id = ANY ($3))
             AND in_force(first_day, last_day, revoked_at, $4))
         FOR UPDATE OF registrations",
        id.0,
        person.map(|id| id.0),
        organisations,
        today
    )
    .fetch_optional(db)
    .await?)
}

/// The registration with a number.
pub async fn by_number(db: &mut PgConnection, number: &TypedNumber) -> Result<Option<Registration>> {
    Ok(select_registrations!("WHERE number = $1", number.as_str()).fetch_optional(db).await?)
}

/// Every registration.
pub async fn all(db: &mut PgConnection, portion: Portion) -> Result<Vec<Registration>> {
    Ok(select_registrations!("WHERE id > $1 ORDER BY id LIMIT $2", portion.after, portion.limit)
        .fetch_all(db)
        .await?)
}

/// Registrations on which a person, or one of these organisations, has an authority in force.
pub async fn of_parties(
    db: &mut PgConnection,
    person: Option<PersonId>,
    organisations: &[uuid::Uuid],
    today: Date,
    portion: Portion,
) -> Result<Vec<Registration>> {
    Ok(select_registrations!(
        "WHERE registrations.id > $1 AND registrations.id IN (
             SELECT registration_id FROM authorities
             WHERE (person_id = $2 OR organisation_id = ANY ($3)) AND in_force(first_day, last_day, revoked_at, $4))
         ORDER BY registrations.id LIMIT $5",
        portion.after,
        person.map(|id| id.0),
        organisations,
        today,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}
