//! The geometry of sections, and which combinations are taken.

pub mod answers;
pub mod exposure;

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::count::Count;
use crate::secrets::SealedSecret;
use crate::{Portion, Result, wrote};
use domain::differs::{Differ, DifferState};
use domain::ids::{DifferId, RegistrationId, SectionId};

/// The geometry of a section, and the section's version.
pub async fn geometry(db: &mut PgConnection, section: SectionId) -> Result<Option<(Option<Value>, i32)>> {
    let row = sqlx::query!("SELECT geometry, version FROM sections WHERE id = $1", section.0)
        .fetch_optional(db)
        .await?;
    Ok(row.map(|row| (row.geometry, row.version)))
}

/// Sets the geometry of a section; its version is the one that it gets.
pub async fn set_geometry(
    db: &mut PgConnection,
    section: SectionId,
    geometry: &Value,
    version: i32,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE sections SET geometry = $2, version = $3, changed_at = $4 WHERE id = $1 AND version = $3 - 1",
        section.0,
        geometry,
        version,
        now
    )
    .execute(db)
    .await?;
    wrote("sections", 1, &done)
}

/// How many combinations of a section are taken; nobody else gives one out until the transaction ends.
pub async fn space_for_update(db: &mut PgConnection, section: SectionId) -> Result<u32> {
    sqlx::query!(
        "INSERT INTO differ_spaces (section_id, taken) VALUES ($1, 0) ON CONFLICT (section_id) DO NOTHING",
        section.0
    )
    .execute(&mut *db)
    .await?;
    let taken =
        sqlx::query_scalar!("SELECT taken FROM differ_spaces WHERE section_id = $1 FOR UPDATE", section.0);
    Ok(taken.fetch_one(db).await?.into())
}

/// How many combinations of a section are taken.
pub async fn taken(db: &mut PgConnection, section: SectionId) -> Result<u32> {
    let taken = sqlx::query_scalar!("SELECT taken FROM differ_spaces WHERE section_id = $1", section.0);
    Ok(taken.fetch_optional(db).await?.map_or(0, u32::from))
}

/// So many combinations more are taken, or fewer.
pub async fn add_taken(db: &mut PgConnection, section: SectionId, more: i64) -> Result<()> {
    let done =
        sqlx::query!("UPDATE differ_spaces SET taken = taken + $2 WHERE section_id = $1", section.0, more)
            .execute(db)
            .await?;
    wrote("differ_spaces", 1, &done)
}

/// Which of these fingerprints are those of combinations that are taken.
pub async fn which_are_taken(
    db: &mut PgConnection,
    section: SectionId,
    fingerprints: &[Vec<u8>],
) -> Result<Vec<Vec<u8>>> {
    Ok(sqlx::query_scalar!(
        "SELECT fingerprint FROM bittings WHERE section_id = $1 AND fingerprint = ANY ($2)",
        section.0,
        fingerprints
    )
    .fetch_all(db)
    .await?)
}

/// The bitting of every differ of some registrations in a section.
pub async fn bittings_of(
    db: &mut PgConnection,
    registrations: &[Uuid],
    section: SectionId,
) -> Result<Vec<(DifferId, SealedSecret)>> {
    let rows = sqlx::query!(
        "SELECT differs.id AS differ, data_key_id, sealed
         FROM differs JOIN bittings ON differ_id = differs.id
         WHERE registration_id = ANY ($1) AND differs.section_id = $2",
        registrations,
        section.0
    )
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| (row.differ, SealedSecret { key: row.data_key_id, bytes: row.sealed }))
        .collect())
}

/// Whether a number is given out in a section.
pub async fn is_number_taken(db: &mut PgConnection, section: SectionId, number: &str) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT 1 FROM differs WHERE section_id = $1 AND number = $2) AS "taken!""#,
        section.0,
        number
    )
    .fetch_one(db)
    .await?)
}

/// How many differs of a section were drawn since an instant.
pub async fn allotted_since(db: &mut PgConnection, section: SectionId, since: OffsetDateTime) -> Result<u32> {
    let drawn = sqlx::query_scalar!(
        r#"SELECT count(*) AS "count!: Count" FROM differs WHERE section_id = $1 AND allotted_at >= $2"#,
        section.0,
        since
    );
    Ok(drawn.fetch_one(db).await?.into())
}

/// How many differs of a section are on record, those apart that were released.
pub async fn on_record(db: &mut PgConnection, section: SectionId) -> Result<u32> {
    let found = sqlx::query_scalar!(
        r#"SELECT count(*) AS "count!: Count" FROM differs WHERE section_id = $1 AND state <> 'released'"#,
        section.0
    );
    Ok(found.fetch_one(db).await?.into())
}

/// Writes where a differ stands.
pub async fn set_state(
    db: &mut PgConnection,
    differ: DifferId,
    state: DifferState,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE differs SET state = $2, changed_at = $3 WHERE id = $1",
        differ.0,
        state.as_str(),
        now
    )
    .execute(db)
    .await?;
    wrote("differs", 1, &done)
}

/// Whether anything was ever made or promised to a differ: a key, a lever pack, a lock that answered, a
/// copy that was asked for, a plot, a site, a rekey.
pub async fn was_used(db: &mut PgConnection, differ: DifferId) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT 1 FROM keys WHERE differ_id = $1)
               OR EXISTS (SELECT 1 FROM lever_packs WHERE differ_id = $1)
               OR EXISTS (SELECT 1 FROM answers WHERE differ_id = $1)
               OR EXISTS (SELECT 1 FROM copy_requests
                          WHERE registration_id = (SELECT registration_id FROM differs WHERE id = $1)
                            AND differ_id = $1)
               OR EXISTS (SELECT 1 FROM plot_locks WHERE final_differ_id = $1)
               OR EXISTS (SELECT 1 FROM sites WHERE temporary_differ_id = $1)
               OR EXISTS (SELECT 1 FROM rekey_differs JOIN rekeys ON rekeys.id = rekey_id
                          WHERE new_differ_id = $1 AND state <> 'stopped') AS "used!""#,
        differ.0
    )
    .fetch_one(db)
    .await?)
}

/// Deletes the bitting of a differ that was never cut. `false` when it has none.
pub async fn delete_bitting(db: &mut PgConnection, differ: DifferId) -> Result<bool> {
    let done = sqlx::query!("DELETE FROM bittings WHERE differ_id = $1", differ.0).execute(db).await?;
    Ok(done.rows_affected() == 1)
}

macro_rules! select_differs {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Differ,
            "SELECT id, registration_id, number, level, state
             FROM differs " + $rest
            $(, $argument)*
        )
    };
}

/// The differ of a registration with a number.
pub async fn numbered(
    db: &mut PgConnection,
    registration: RegistrationId,
    number: &str,
) -> Result<Option<DifferId>> {
    Ok(sqlx::query_scalar!(
        "SELECT id FROM differs WHERE registration_id = $1 AND number = $2",
        registration.0,
        number
    )
    .fetch_optional(db)
    .await?)
}

/// Adds a differ; the register drew it, or it was recorded from elsewhere.
pub async fn add(
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
pub async fn of_registration(
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
pub async fn in_scope(
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
pub async fn own(
    db: &mut PgConnection,
    registration: RegistrationId,
    differs: &[DifferId],
) -> Result<Vec<DifferId>> {
    let ids: Vec<uuid::Uuid> = differs.iter().map(|id| id.0).collect();
    Ok(sqlx::query_scalar!(
        "SELECT id FROM differs WHERE registration_id = $1 AND id = ANY ($2)",
        registration.0,
        &ids
    )
    .fetch_all(db)
    .await?)
}
