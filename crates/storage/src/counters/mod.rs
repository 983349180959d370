//! Counters, their hours, and their appointments to sections.

pub mod blanks;
pub mod signals;

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};

use crate::{Portion, Result, wrote};
use domain::counters::opening_hours::OpeningHours;
use domain::counters::{Appointment, Counter};
use domain::ids::{AppointmentId, CounterId, OrganisationId, SectionId};

macro_rules! select_counters {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Counter,
            "SELECT id, dealer_id, name, time_zone FROM counters " + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_appointments {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Appointment,
            "SELECT id, counter_id, section_id, first_day, last_day, revoked_at
             FROM appointments " + $rest
            $(, $argument)*
        )
    };
}

/// Adds a counter.
pub async fn add(db: &mut PgConnection, counter: &Counter, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO counters (id, dealer_id, name, changed_at) VALUES ($1, $2, $3, $4)",
        counter.id.0,
        counter.dealer_id.0,
        counter.name,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A counter.
pub async fn counter(db: &mut PgConnection, id: CounterId) -> Result<Option<Counter>> {
    Ok(select_counters!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Counters, of one section's appointments if one is named.
pub async fn all(
    db: &mut PgConnection,
    appointed_for: Option<SectionId>,
    today: Date,
    portion: Portion,
) -> Result<Vec<Counter>> {
    Ok(select_counters!(
        "WHERE id > $1 AND ($2::uuid IS NULL OR EXISTS (
             SELECT 1 FROM appointments WHERE counter_id = counters.id AND section_id = $2
             AND in_force(first_day, last_day, revoked_at, $3)))
         ORDER BY id LIMIT $4",
        portion.after,
        appointed_for.map(|id| id.0),
        today,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Appoints a counter, and opens its blank account for the section where there is none.
pub async fn appoint(db: &mut PgConnection, appointment: &Appointment, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO appointments (id, counter_id, section_id, first_day, last_day, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6)",
        appointment.id.0,
        appointment.counter_id.0,
        appointment.section_id.0,
        appointment.first_day,
        appointment.last_day,
        now
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!(
        "INSERT INTO blank_accounts (counter_id, section_id, received, cut, spoiled, returned, on_hand)
         VALUES ($1, $2, 0, 0, 0, 0, 0) ON CONFLICT DO NOTHING",
        appointment.counter_id.0,
        appointment.section_id.0
    )
    .execute(db)
    .await?;
    Ok(())
}

/// An appointment, taken for update.
pub async fn appointment_for_update(db: &mut PgConnection, id: AppointmentId) -> Result<Option<Appointment>> {
    Ok(select_appointments!("WHERE id = $1 FOR UPDATE", id.0).fetch_optional(db).await?)
}

/// Revokes an appointment.
pub async fn revoke_appointment(db: &mut PgConnection, id: AppointmentId, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE appointments SET revoked_at = $2, changed_at = $2 WHERE id = $1 AND revoked_at IS NULL",
        id.0,
        now
    )
    .execute(db)
    .await?;
    wrote("appointments", 1, &done)
}

/// Appointments of a counter, those that are over too.
pub async fn appointments(
    db: &mut PgConnection,
    counter: CounterId,
    portion: Portion,
) -> Result<Vec<Appointment>> {
    Ok(select_appointments!(
        "WHERE counter_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        counter.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Holds the appointments of a counter for a section until the transaction ends, so that no
/// revocation comes between. Waits for a revocation under way.
pub async fn appointments_for_share(
    db: &mut PgConnection,
    counter: CounterId,
    section: SectionId,
) -> Result<()> {
    sqlx::query!(
        "SELECT id FROM appointments WHERE counter_id = $1 AND section_id = $2 ORDER BY id FOR SHARE",
        counter.0,
        section.0
    )
    .fetch_all(db)
    .await?;
    Ok(())
}

/// The dealer whose counter it is.
pub async fn dealer_of(db: &mut PgConnection, counter: CounterId) -> Result<Option<OrganisationId>> {
    Ok(sqlx::query_scalar!("SELECT dealer_id FROM counters WHERE id = $1", counter.0)
        .fetch_optional(db)
        .await?)
}

/// Whether there is such a time zone.
pub async fn is_time_zone(db: &mut PgConnection, name: &str) -> Result<bool> {
    Ok(sqlx::query_scalar!(r#"SELECT EXISTS (SELECT FROM pg_timezone_names WHERE name = $1) AS "is!""#, name)
        .fetch_one(db)
        .await?)
}

/// Sets when a counter is open.
pub async fn set_opening_hours(
    db: &mut PgConnection,
    counter: CounterId,
    time_zone: &str,
    hours: &[OpeningHours],
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE counters SET time_zone = $2, changed_at = $3 WHERE id = $1",
        counter.0,
        time_zone,
        now
    )
    .execute(&mut *db)
    .await?;
    wrote("counters", 1, &done)?;
    sqlx::query!("DELETE FROM opening_hours WHERE counter_id = $1", counter.0).execute(&mut *db).await?;
    for stretch in hours {
        sqlx::query!(
            "INSERT INTO opening_hours (counter_id, weekday, opens, closes) VALUES ($1, $2, $3, $4)",
            counter.0,
            i32::from(stretch.weekday),
            stretch.opens,
            stretch.closes
        )
        .execute(&mut *db)
        .await?;
    }
    Ok(())
}

/// When a counter is open.
pub async fn opening_hours(db: &mut PgConnection, counter: CounterId) -> Result<Vec<OpeningHours>> {
    let rows = sqlx::query!(
        "SELECT weekday, opens, closes FROM opening_hours WHERE counter_id = $1 ORDER BY weekday, opens",
        counter.0
    )
    .fetch_all(db)
    .await?;
    let weekday = |day: i32| {
        u8::try_from(day).map_err(|error| crate::StorageError::Corrupt {
            table: "opening_hours",
            problem: error.to_string(),
        })
    };
    rows.into_iter()
        .map(|row| Ok(OpeningHours { weekday: weekday(row.weekday)?, opens: row.opens, closes: row.closes }))
        .collect()
}
