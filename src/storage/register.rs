//! Registrations, their rules, locks, differs, and which lock answers to which differ.

use serde_json::Value;
use sqlx::PgConnection;
use time::{Date, OffsetDateTime};

use super::{Portion, Result, wrote};
use crate::domain::ids::{ActorId, DifferId, LockId, PersonId, RegistrationId, SectionId};
use crate::domain::number::TypedNumber;
use crate::domain::registration::{Answering, Differ, Lock, Registration};

macro_rules! select_registrations {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Registration,
            r#"SELECT registrations.id AS "id: _", number AS "number: _", section_id AS "section_id: _",
                      owner_id AS "owner_id: _", premises, rules_version, version, created_at, ended_at
               FROM registrations "# + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_locks {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Lock,
            r#"SELECT id AS "id: _", registration_id AS "registration_id: _", label, kind AS "kind: _", hand AS "hand: _", standard, escape_route,
                      room_class, version FROM locks "# + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_differs {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Differ,
            r#"SELECT id AS "id: _", registration_id AS "registration_id: _", number, level AS "level: _",
                      state AS "state: _" FROM differs "# + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_answers {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Answering,
            r#"SELECT id AS "id: _", registration_id AS "registration_id: _", lock_id AS "lock_id: _", differ_id AS "differ_id: _", since, until
               FROM answers "# + $rest
            $(, $argument)*
        )
    };
}

/// Adds a registration; its rules come with [`add_rules`] in the same transaction.
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
        "UPDATE registrations SET owner_id = $2, version = $3, changed_at = $4 WHERE id = $1 AND version = $3 - 1",
        registration.id.0,
        registration.owner_id.0,
        registration.version,
        now
    )
    .execute(db)
    .await?;
    wrote("registrations", 1, &done)
}

/// A registration, locked: the first lock of every act on it.
pub async fn registration_for_update(
    db: &mut PgConnection,
    id: RegistrationId,
) -> Result<Option<Registration>> {
    Ok(select_registrations!("WHERE id = $1 FOR UPDATE", id.0).fetch_optional(db).await?)
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

/// Adds a version of the rules.
pub async fn add_rules(
    db: &mut PgConnection,
    registration: RegistrationId,
    version: i32,
    rules: &Value,
    by: ActorId,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO rule_versions (registration_id, version, rules, made_by, made_at)
         VALUES ($1, $2, $3, $4, $5)",
        registration.0,
        version,
        rules,
        by.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A version of the rules of a registration.
pub async fn rules(
    db: &mut PgConnection,
    registration: RegistrationId,
    version: i32,
) -> Result<Option<Value>> {
    Ok(sqlx::query_scalar!(
        "SELECT rules FROM rule_versions WHERE registration_id = $1 AND version = $2",
        registration.0,
        version
    )
    .fetch_optional(db)
    .await?)
}

/// The newest defaults of the supplier, and their version.
pub async fn default_rules(db: &mut PgConnection) -> Result<Option<(i32, Value)>> {
    let newest = sqlx::query!("SELECT version, rules FROM default_rules ORDER BY version DESC LIMIT 1")
        .fetch_optional(db)
        .await?;
    Ok(newest.map(|row| (row.version, row.rules)))
}

/// Adds a version of the supplier's defaults.
pub async fn add_default_rules(
    db: &mut PgConnection,
    version: i32,
    rules: &Value,
    by: ActorId,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO default_rules (version, rules, made_by, made_at) VALUES ($1, $2, $3, $4)",
        version,
        rules,
        by.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Adds a lock.
pub async fn add_lock(db: &mut PgConnection, lock: &Lock, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO locks
             (id, registration_id, label, kind, hand, standard, escape_route, room_class, version, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
        lock.id.0,
        lock.registration_id.0,
        lock.label,
        lock.kind.as_str(),
        lock.hand.map(super::super::domain::register::Hand::as_str),
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
pub async fn change_lock(db: &mut PgConnection, lock: &Lock, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE locks SET label = $2, kind = $3, hand = $4, standard = $5, escape_route = $6, room_class = $7,
             version = $8, changed_at = $9
         WHERE id = $1 AND version = $8 - 1",
        lock.id.0,
        lock.label,
        lock.kind.as_str(),
        lock.hand.map(super::super::domain::register::Hand::as_str),
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
pub async fn lock_by_id(db: &mut PgConnection, id: LockId) -> Result<Option<Lock>> {
    Ok(select_locks!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// The lock of a registration with a label.
pub async fn lock_labelled(
    db: &mut PgConnection,
    registration: RegistrationId,
    label: &str,
) -> Result<Option<LockId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT id AS "id: _" FROM locks WHERE registration_id = $1 AND label = $2"#,
        registration.0,
        label
    )
    .fetch_optional(db)
    .await?)
}

/// The differ of a registration with a number.
pub async fn differ_numbered(
    db: &mut PgConnection,
    registration: RegistrationId,
    number: &str,
) -> Result<Option<DifferId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT id AS "id: _" FROM differs WHERE registration_id = $1 AND number = $2"#,
        registration.0,
        number
    )
    .fetch_optional(db)
    .await?)
}

/// Locks of a registration.
pub async fn locks(
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

/// Adds a differ; the register drew it, or it was recorded from elsewhere.
pub async fn add_differ(
    db: &mut PgConnection,
    section: SectionId,
    differ: &Differ,
    drawn: bool,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO differs (id, registration_id, section_id, number, level, state, allotted_at, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, CASE WHEN $7 THEN $8::timestamptz END, $8)",
        differ.id.0,
        differ.registration_id.0,
        section.0,
        differ.number,
        differ.level.as_str(),
        differ.state.as_str(),
        drawn,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Differs of a registration.
pub async fn differs(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Differ>> {
    Ok(select_differs!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Differs of a registration that were given out, all or some, those first that were added first.
pub async fn differs_in_scope(
    db: &mut PgConnection,
    registration: RegistrationId,
    every: bool,
    some: &[uuid::Uuid],
    most: usize,
) -> Result<Vec<Differ>> {
    Ok(select_differs!(
        "WHERE registration_id = $1 AND ($2 OR id = ANY ($3)) AND state = 'given_out' ORDER BY id LIMIT $4",
        registration.0,
        every,
        some,
        i64::try_from(most).unwrap_or(i64::MAX)
    )
    .fetch_all(db)
    .await?)
}

/// A differ.
pub async fn differ(db: &mut PgConnection, id: DifferId) -> Result<Option<Differ>> {
    Ok(select_differs!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Which of these differs belong to a registration.
pub async fn own_differs(
    db: &mut PgConnection,
    registration: RegistrationId,
    differs: &[DifferId],
) -> Result<Vec<DifferId>> {
    let ids: Vec<uuid::Uuid> = differs.iter().map(|id| id.0).collect();
    Ok(sqlx::query_scalar!(
        r#"SELECT id AS "id: _" FROM differs WHERE registration_id = $1 AND id = ANY ($2)"#,
        registration.0,
        &ids
    )
    .fetch_all(db)
    .await?)
}

/// A lock begins to answer to a differ.
pub async fn begin_answering(
    db: &mut PgConnection,
    answering: &Answering,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO answers
             (id, registration_id, lock_id, differ_id, differ_registration_id, since, changed_at)
         SELECT $1, $2, $3, id, registration_id, $5, $6 FROM differs WHERE id = $4",
        answering.id.0,
        answering.registration_id.0,
        answering.lock_id.0,
        answering.differ_id.0,
        answering.since,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A lock stops answering to a differ. `false` when it did not.
pub async fn end_answering(
    db: &mut PgConnection,
    lock: LockId,
    differ: DifferId,
    now: OffsetDateTime,
) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE answers SET until = $3, changed_at = $3
         WHERE lock_id = $1 AND differ_id = $2 AND until IS NULL AND since < $3",
        lock.0,
        differ.0,
        now
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Whether any lock answers to a differ now.
pub async fn is_answered(db: &mut PgConnection, differ: DifferId) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT 1 FROM answers WHERE differ_id = $1 AND until IS NULL) AS "answered!""#,
        differ.0
    )
    .fetch_one(db)
    .await?)
}

/// The differs to which a lock answers now.
pub async fn answered_by(db: &mut PgConnection, lock: LockId) -> Result<Vec<DifferId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT differ_id AS "differ: _" FROM answers WHERE lock_id = $1 AND until IS NULL ORDER BY differ_id"#,
        lock.0
    )
    .fetch_all(db)
    .await?)
}

/// Locks of a registration that answer to a differ of another one: that of the site whose plot it is.
pub async fn answers_elsewhere(
    db: &mut PgConnection,
    registration: RegistrationId,
) -> Result<Vec<(LockId, DifferId)>> {
    let rows = sqlx::query!(
        r#"SELECT lock_id AS "lock: LockId", differ_id AS "differ: DifferId" FROM answers
           WHERE registration_id = $1 AND until IS NULL AND site_registration_id IS NOT NULL ORDER BY lock_id"#,
        registration.0
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.lock, row.differ)).collect())
}

/// Which lock answered to which differ and when, on a registration.
pub async fn answers(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Answering>> {
    Ok(select_answers!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}
