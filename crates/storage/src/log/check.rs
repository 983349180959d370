//! What is read to compare the register with the log.

use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use crate::Result;
use domain::ids::{EntryId, RegistrationId};
use domain::standing::{SaidRow, SaidTable, TABLES};

/// An entry with everything that belongs to it.
#[derive(Debug, Clone)]
pub struct EntryWithRows {
    /// Its index; absent while it waits for one.
    pub index: Option<u64>,
    /// Its id.
    pub id: EntryId,
    /// Whether it is that of a decision.
    pub kind: String,
    /// The registration under which it is found.
    pub registration: Option<RegistrationId>,
    /// Its bytes.
    pub body: Vec<u8>,
    /// The decision or the change that it is of.
    pub row: Option<Value>,
    /// What shows the fields that it commits to, under the names by which it is found.
    pub disclosures: Vec<(String, String)>,
    /// Commitments whose disclosures went with a person.
    pub erased: Vec<String>,
    /// It came back from a mirror.
    pub recovered: bool,
}

macro_rules! select_entries {
    ($from:tt $(, $argument:expr)*) => {
        sqlx::query!(
            r#"SELECT placed.index AS "index?", e.id, e.kind, e.registration_id, e.body,
                      coalesce((SELECT to_jsonb(d) FROM decisions d WHERE d.entry_id = e.id),
                               (SELECT to_jsonb(c) FROM changes c WHERE c.entry_id = e.id)) AS "row?",
                      ARRAY(SELECT name FROM disclosures s WHERE s.entry_id = e.id ORDER BY name) AS "names!",
                      ARRAY(SELECT disclosure FROM disclosures s WHERE s.entry_id = e.id ORDER BY name) AS "shown!",
                      ARRAY(SELECT commitment FROM erased_disclosures s WHERE s.entry_id = e.id) AS "erased!",
                      EXISTS (SELECT FROM log_recovered r WHERE r.entry_id = e.id) AS "recovered!"
               FROM "# + $from + r#" AS placed JOIN log_entries e ON e.id = placed.entry_id
               ORDER BY placed.index, placed.position"#
            $(, $argument)*
        )
    };
}

macro_rules! entries {
    ($rows:expr) => {
        $rows
            .into_iter()
            .map(|row| EntryWithRows {
                index: row.index.map(i64::unsigned_abs),
                id: EntryId(row.id),
                kind: row.kind,
                registration: row.registration_id.map(RegistrationId),
                body: row.body,
                row: row.row,
                disclosures: row.names.into_iter().zip(row.shown).collect(),
                erased: row.erased,
                recovered: row.recovered,
            })
            .collect()
    };
}

/// Entries of a log from an index on, so many at most.
pub async fn entries(db: &mut PgConnection, log: i16, first: u64, most: i64) -> Result<Vec<EntryWithRows>> {
    let rows = select_entries!(
        "(SELECT index, entry_id, index AS position FROM log_leaves WHERE log = $1 AND index >= $2
          ORDER BY index LIMIT $3)",
        log,
        super::signed(first)?,
        most
    );
    Ok(entries!(rows.fetch_all(db).await?))
}

/// Entries that wait for an index.
pub async fn waiting(db: &mut PgConnection) -> Result<Vec<EntryWithRows>> {
    let rows = select_entries!("(SELECT NULL::bigint AS index, entry_id, position FROM log_pending)");
    Ok(entries!(rows.fetch_all(db).await?))
}

/// Entries that neither have an index nor wait for one.
pub async fn lost(db: &mut PgConnection) -> Result<Vec<EntryId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT id AS "id: EntryId" FROM log_entries e
           WHERE NOT EXISTS (SELECT FROM log_leaves l WHERE l.entry_id = e.id)
             AND NOT EXISTS (SELECT FROM log_pending p WHERE p.entry_id = e.id)
           ORDER BY id"#
    )
    .fetch_all(db)
    .await?)
}

/// How many commitments have lost what shows them, with people, and how many entries came back from a mirror.
pub async fn counts(db: &mut PgConnection) -> Result<(u64, u64)> {
    let row = sqlx::query!(
        r#"SELECT (SELECT count(*) FROM erased_disclosures) AS "erased!",
                  (SELECT count(*) FROM log_recovered) AS "recovered!""#
    );
    let row = row.fetch_one(db).await?;
    Ok((row.erased.unsigned_abs(), row.recovered.unsigned_abs()))
}

/// A log as it stood at one instant.
#[derive(Debug, Clone)]
pub struct LogThen {
    /// Which.
    pub number: i16,
    /// How many entries it had.
    pub size: u64,
    /// The root over them.
    pub root: Vec<u8>,
}

/// The logs.
pub async fn logs(db: &mut PgConnection) -> Result<Vec<LogThen>> {
    let rows = sqlx::query!("SELECT number, size, root FROM logs ORDER BY number").fetch_all(db).await?;
    let log = |number, size: i64, root| LogThen { number, size: size.unsigned_abs(), root };
    Ok(rows.into_iter().map(|row| log(row.number, row.size, row.root)).collect())
}

/// Which of these entries came back from a mirror.
pub async fn recovered(db: &mut PgConnection, entries: &[Uuid]) -> Result<Vec<Uuid>> {
    let found = sqlx::query_scalar!("SELECT entry_id FROM log_recovered WHERE entry_id = ANY ($1)", entries);
    Ok(found.fetch_all(db).await?)
}

/// The names of the logs.
pub async fn origins(db: &mut PgConnection) -> Result<Vec<String>> {
    Ok(sqlx::query_scalar!("SELECT origin FROM logs ORDER BY number").fetch_all(db).await?)
}

/// From here on this transaction sees one state of everything, and changes nothing.
pub async fn see_one_state(db: &mut PgConnection) -> Result<()> {
    sqlx::query!("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY").execute(db).await?;
    Ok(())
}

/// Registrations after one, so many at most.
pub async fn registrations(db: &mut PgConnection, after: Uuid, most: i64) -> Result<Vec<RegistrationId>> {
    Ok(sqlx::query_scalar!("SELECT id FROM registrations WHERE id > $1 ORDER BY id LIMIT $2", after, most)
        .fetch_all(db)
        .await?)
}

/// Registrations that entries name and the register has not got.
pub async fn unknown_registrations(db: &mut PgConnection) -> Result<Vec<RegistrationId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT DISTINCT registration_id AS "id!: RegistrationId" FROM log_entries e
           WHERE registration_id IS NOT NULL
             AND NOT EXISTS (SELECT FROM registrations WHERE registrations.id = e.registration_id)
           ORDER BY 1"#
    )
    .fetch_all(db)
    .await?)
}

/// An entry as it is read for how things stand.
pub struct SayingEntry {
    /// Its id.
    pub id: EntryId,
    /// Its bytes.
    pub body: Vec<u8>,
    /// What shows the fields that it commits to.
    pub disclosures: Vec<String>,
}

/// The entries of a registration, or those of none, in the order of the log.
pub async fn saying(db: &mut PgConnection, registration: Option<RegistrationId>) -> Result<Vec<SayingEntry>> {
    let rows = sqlx::query!(
        r#"SELECT e.id, e.body,
                  ARRAY(SELECT disclosure FROM disclosures s WHERE s.entry_id = e.id) AS "disclosures!"
           FROM log_entries e
           LEFT JOIN log_leaves l ON l.entry_id = e.id LEFT JOIN log_pending p ON p.entry_id = e.id
           WHERE (e.registration_id = $1 OR $1::uuid IS NULL AND e.registration_id IS NULL)
             AND position('"rows":'::bytea IN e.body) > 0
           ORDER BY l.log, l.index, p.position, e.recorded_at, e.id"#,
        registration.map(|id| id.0)
    )
    .fetch_all(db)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| SayingEntry { id: EntryId(row.id), body: row.body, disclosures: row.disclosures })
        .collect())
}

/// The rows of a registration, or those that belong to none, as they stand.
pub async fn rows(db: &mut PgConnection, registration: Option<RegistrationId>) -> Result<Vec<SaidRow>> {
    let fitting = TABLES.iter().filter(|table| table.is_of_registration() == registration.is_some());
    let each: Vec<String> = fitting.map(|table| rows_of(table, registration.is_some())).collect();
    let sql = sqlx::AssertSqlSafe(each.join(" UNION ALL "));
    let found: Vec<(String, Value)> =
        sqlx::query_as(sql).bind(registration.map(|id| id.0)).fetch_all(db).await?;
    Ok(found.iter().filter_map(|(table, content)| SaidRow::new(table, content)).collect())
}

fn rows_of(table: &SaidTable, of_one: bool) -> String {
    let name = table.name;
    let column = if name == "registrations" { "id" } else { "registration_id" };
    let which = if of_one { format!("t.{column} = $1") } else { "$1::uuid IS NULL".to_owned() };
    format!("SELECT '{name}', to_jsonb(t) FROM {name} t WHERE {which}")
}
