//! Who can open what: locks, the keys that open them, and who has those.

use serde::Serialize;
use sqlx::PgConnection;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::Result;
use crate::count::Count;
use domain::differs::Level;
use domain::ids::{DifferId, LockId, PersonId, RegistrationId};
use domain::register::registrations::{Hand, LockKind};

/// A lock and the keys that open it: those of every differ to which it answers.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LockKeys {
    /// The lock.
    pub lock_id: LockId,
    /// Its registration.
    pub registration_id: RegistrationId,
    /// Its line in the schedule.
    pub label: String,
    /// The class of the room behind it.
    pub room_class: Option<String>,
    /// Keys that open it and are neither destroyed nor dead.
    pub keys: u32,
    /// The number of them that are missing.
    pub missing: u32,
}

/// Somebody with live keys.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PersonWithKeys {
    /// The person who has keys.
    pub person_id: PersonId,
    /// How many keys the person has.
    pub keys: u32,
}

/// The locks that answer to a differ now, wherever they are registered.
pub async fn locks(db: &mut PgConnection, differ: DifferId) -> Result<Vec<LockKeys>> {
    let rows = sqlx::query!(
        r#"SELECT locks.id AS lock_id, locks.registration_id, label, room_class,
                  count(keys.id) FILTER (WHERE key_opens(keys.state)) AS "keys!: Count",
                  count(keys.id) FILTER (WHERE key_is_missing(keys.state)) AS "missing!: Count"
           FROM answers exposed JOIN locks ON locks.id = exposed.lock_id
           JOIN answers opening ON opening.lock_id = locks.id AND opening.until IS NULL
           LEFT JOIN keys ON keys.differ_id = opening.differ_id
           WHERE exposed.differ_id = $1 AND exposed.until IS NULL
           GROUP BY locks.id ORDER BY locks.id"#,
        differ.0
    )
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| LockKeys {
            lock_id: row.lock_id,
            registration_id: row.registration_id,
            label: row.label,
            room_class: row.room_class,
            keys: row.keys.into(),
            missing: row.missing.into(),
        })
        .collect())
}

/// Who has live keys of a differ, and how many.
pub async fn people(db: &mut PgConnection, differ: DifferId) -> Result<Vec<PersonWithKeys>> {
    let rows = sqlx::query!(
        r#"SELECT holder_id AS "person_id!", count(*) AS "keys!: Count" FROM keys
           WHERE differ_id = $1 AND state = 'with_person' GROUP BY holder_id ORDER BY holder_id"#,
        differ.0
    )
    .fetch_all(db)
    .await?;
    let with_keys = |person_id, keys: Count| PersonWithKeys { person_id, keys: keys.into() };
    Ok(rows.into_iter().map(|row| with_keys(row.person_id, row.keys)).collect())
}

/// Live keys of a differ that are in store.
pub async fn in_store(db: &mut PgConnection, differ: DifferId) -> Result<u32> {
    let found = sqlx::query_scalar!(
        r#"SELECT count(*) AS "count!: Count" FROM keys WHERE differ_id = $1 AND state IN ('in_store', 'returned')"#,
        differ.0
    );
    Ok(found.fetch_one(db).await?.into())
}

/// Who has, or had and lost, a key of a differ that is not dead.
pub async fn holders(db: &mut PgConnection, differ: DifferId) -> Result<Vec<PersonId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT DISTINCT holder_id AS "person!" FROM keys
           WHERE differ_id = $1 AND holder_id IS NOT NULL AND (state = 'with_person' OR key_is_missing(state))
           ORDER BY 1"#,
        differ.0
    )
    .fetch_all(db)
    .await?)
}

/// A lock that a differ opens.
pub struct OpenedLock {
    /// The lock.
    pub lock: LockId,
    /// Its line in the schedule.
    pub label: String,
    /// The differ that opens it.
    pub differ: DifferId,
}

/// Which differs open which locks of some registrations now.
pub async fn opened(db: &mut PgConnection, registrations: &[Uuid]) -> Result<Vec<OpenedLock>> {
    Ok(sqlx::query_as!(
        OpenedLock,
        "SELECT lock_id AS lock, label, differ_id AS differ FROM answers JOIN locks ON locks.id = lock_id
         WHERE locks.registration_id = ANY ($1) AND until IS NULL ORDER BY label, lock_id, differ_id",
        registrations
    )
    .fetch_all(db)
    .await?)
}

/// Live keys of a differ that are with a person.
pub struct KeysWithPerson {
    /// Who has them.
    pub person: PersonId,
    /// Their name.
    pub name: String,
    /// The differ.
    pub differ: DifferId,
    /// How many keys the person has.
    pub keys: u32,
}

/// Who has live keys of some differs.
pub async fn with_people(db: &mut PgConnection, differs: &[Uuid]) -> Result<Vec<KeysWithPerson>> {
    let rows = sqlx::query!(
        r#"SELECT holder_id AS "person!", name, differ_id AS differ, count(*) AS "keys!: Count"
           FROM keys JOIN people ON people.id = holder_id
           WHERE differ_id = ANY ($1) AND state = 'with_person'
           GROUP BY holder_id, name, differ_id ORDER BY name, holder_id, differ_id"#,
        differs
    )
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| KeysWithPerson {
            person: row.person,
            name: row.name,
            differ: row.differ,
            keys: row.keys.into(),
        })
        .collect())
}

/// A lock and a differ to which it answers, as the schedule has them.
pub struct ScheduleRow {
    /// The plot, on a site.
    pub plot: Option<String>,
    /// The lock.
    pub label: String,
    /// What kind of lock.
    pub kind: LockKind,
    /// On which side the door hangs.
    pub hand: Option<Hand>,
    /// The standard that it was made to.
    pub standard: Option<String>,
    /// The door is on an escape route.
    pub escape_route: bool,
    /// The differ's number; none, where the lock answers to nothing.
    pub differ: Option<String>,
    /// What it opens.
    pub level: Option<Level>,
    /// Locks of these registrations that answer to it.
    pub locks_alike: u32,
    /// Its live keys.
    pub keys: u32,
    /// The number of the differ that the lock of a plot gets in the end.
    pub final_differ: Option<String>,
}

/// The locks of some registrations and the differs to which they answer, in the order of the plan.
pub async fn schedule(db: &mut PgConnection, registrations: &[Uuid]) -> Result<Vec<ScheduleRow>> {
    Ok(sqlx::query_as!(
        ScheduleRow,
        r#"SELECT plots.label AS "plot?", locks.label, locks.kind, hand, standard, escape_route,
                  differs.number AS "differ?", differs.level AS "level?", finals.number AS "final_differ?",
                  CASE WHEN differs.id IS NULL THEN 0
                       ELSE count(*) OVER (PARTITION BY differs.id) END AS "locks_alike!: Count",
                  (SELECT count(*) FROM keys WHERE keys.differ_id = differs.id
                   AND key_exists(keys.state)) AS "keys!: Count"
           FROM locks
           LEFT JOIN answers ON answers.lock_id = locks.id AND until IS NULL
           LEFT JOIN differs ON differs.id = answers.differ_id
           LEFT JOIN plot_locks ON plot_locks.lock_id = locks.id
           LEFT JOIN plots ON plots.id = plot_id
           LEFT JOIN differs finals ON finals.id = final_differ_id
           WHERE locks.registration_id = ANY ($1)
           ORDER BY plots.sequence, plot_locks.sequence, locks.label, locks.id, differs.number"#,
        registrations
    )
    .fetch_all(db)
    .await?)
}
