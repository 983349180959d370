//! The evidence log: its head, the entries that wait, leaves and tiles.

pub mod again;
pub mod check;
pub mod evidence;

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::{Result, StorageError, wrote};
use domain::entry::EntryKind;
use domain::ids::{ActorId, EntryId, RegistrationId};
use evidence_log::checkpoint::Checkpoint;
use evidence_log::hash::Hash;
use evidence_log::tile::Tile;

/// The advisory lock of whoever gives out indexes and publishes, until the end of the transaction.
const SEQUENCER: i64 = 0x7761_7264_6c6f_6700;

/// The head of the open log.
#[derive(Debug, Clone)]
pub struct Head {
    /// Which log.
    pub log: i16,
    /// Its name.
    pub origin: String,
    /// How many entries it has.
    pub size: u64,
    /// The root over them.
    pub root: Hash,
    /// The signed checkpoint.
    pub note: String,
}

impl Head {
    /// Its checkpoint, unsigned.
    #[must_use]
    pub fn checkpoint(&self) -> Checkpoint {
        Checkpoint { origin: self.origin.clone(), size: self.size, root: self.root }
    }
}

/// What is served of a log.
#[derive(Debug, Clone)]
pub struct PublishedLog {
    /// Which log.
    pub log: i16,
    /// How many entries are published.
    pub size: u64,
    /// The checkpoint, with its cosignatures.
    pub note: String,
}

/// An entry and where it is.
#[derive(Debug, Clone)]
pub struct Leaf {
    /// Which log.
    pub log: i16,
    /// Its index.
    pub index: u64,
}

fn signed(number: u64) -> Result<i64> {
    let corrupt = |_| StorageError::Corrupt { table: "logs", problem: format!("{number} is too large") };
    i64::try_from(number).map_err(corrupt)
}

fn hashes(bytes: &[u8]) -> Result<Vec<Hash>> {
    let corrupt = || StorageError::Corrupt { table: "log_tiles", problem: "half a hash".to_owned() };
    Hash::list(bytes).ok_or_else(corrupt)
}

/// Becomes the one that sequences, for this transaction; `false` when another process is.
pub async fn become_sequencer(db: &mut PgConnection) -> Result<bool> {
    // A process that stands still, or whose machine is gone, does not stay the sequencer.
    sqlx::query!("SET LOCAL idle_in_transaction_session_timeout = '10s'").execute(&mut *db).await?;
    let is_sequencer =
        sqlx::query_scalar!(r#"SELECT pg_try_advisory_xact_lock($1) AS "is_sequencer!""#, SEQUENCER)
            .fetch_one(db)
            .await?;
    Ok(is_sequencer)
}

struct HeadRow {
    number: i16,
    origin: String,
    size: i64,
    root: Vec<u8>,
    note: String,
}

impl TryFrom<HeadRow> for Head {
    type Error = StorageError;

    fn try_from(row: HeadRow) -> Result<Self> {
        let corrupt = || StorageError::Corrupt { table: "logs", problem: "its root is no hash".to_owned() };
        Ok(Self {
            log: row.number,
            origin: row.origin,
            size: row.size.unsigned_abs(),
            root: Hash::from_slice(&row.root).ok_or_else(corrupt)?,
            note: row.note,
        })
    }
}

/// The head of the open log.
pub async fn head(db: &mut PgConnection) -> Result<Option<Head>> {
    let row = sqlx::query_as!(HeadRow, "SELECT number, origin, size, root, note FROM logs WHERE NOT closed")
        .fetch_optional(db)
        .await?;
    row.map(Head::try_from).transpose()
}

/// The head of the open log, which nobody else changes until the transaction ends.
pub async fn head_for_update(db: &mut PgConnection) -> Result<Option<Head>> {
    let row = sqlx::query_as!(
        HeadRow,
        "SELECT number, origin, size, root, note FROM logs WHERE NOT closed FOR UPDATE"
    )
    .fetch_optional(db)
    .await?;
    row.map(Head::try_from).transpose()
}

/// Opens a log, whose number is one more than the newest.
pub async fn open(db: &mut PgConnection, origin: &str, root: Hash, note: &str) -> Result<i16> {
    let number = sqlx::query_scalar!(
        r#"INSERT INTO logs (number, origin, size, root, note, closed)
           SELECT coalesce(max(number), 0) + 1, $1, 0, $2, $3, false FROM logs
           RETURNING number"#,
        origin,
        &root.0[..],
        note
    )
    .fetch_one(&mut *db)
    .await?;
    sqlx::query!("INSERT INTO log_published (log, size, note) VALUES ($1, 0, $2)", number, note)
        .execute(db)
        .await?;
    Ok(number)
}

/// Moves the head on from the size that it was read with.
pub async fn advance(db: &mut PgConnection, from: u64, to: &Head) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE logs SET size = $3, root = $4, note = $5 WHERE number = $1 AND size = $2 AND NOT closed",
        to.log,
        signed(from)?,
        signed(to.size)?,
        &to.root.0[..],
        to.note
    )
    .execute(db)
    .await?;
    wrote("logs", 1, &done)
}

/// The entries that have waited longest, as they stand in the queue.
pub async fn pending(db: &mut PgConnection, most: i64) -> Result<Vec<(EntryId, Vec<u8>)>> {
    let rows = sqlx::query!(
        "SELECT p.entry_id, e.body FROM log_pending p JOIN log_entries e ON e.id = p.entry_id
         ORDER BY p.position LIMIT $1",
        most
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.entry_id, row.body)).collect())
}

/// Gives entries their indexes from `first` on, and takes them out of the queue.
pub async fn append(db: &mut PgConnection, log: i16, first: u64, entries: &[EntryId]) -> Result<()> {
    let ids: Vec<uuid::Uuid> = entries.iter().map(|id| id.0).collect();
    let done = sqlx::query!(
        "INSERT INTO log_leaves (log, index, entry_id)
         SELECT $1, $2 + place - 1, id FROM unnest($3::uuid[]) WITH ORDINALITY AS given (id, place)",
        log,
        signed(first)?,
        &ids
    )
    .execute(&mut *db)
    .await?;
    wrote("log_leaves", entries.len() as u64, &done)?;
    let done = sqlx::query!("DELETE FROM log_pending WHERE entry_id = ANY ($1)", &ids).execute(db).await?;
    wrote("log_pending", entries.len() as u64, &done)
}

/// Tiles by level and index; those that are not there are left out.
pub async fn tiles(db: &mut PgConnection, log: i16, wanted: &[(u8, u64)]) -> Result<Vec<Tile>> {
    let levels: Vec<i16> = wanted.iter().map(|(level, _)| i16::from(*level)).collect();
    let indexes: Vec<i64> = wanted.iter().map(|(_, index)| signed(*index)).collect::<Result<_>>()?;
    let rows = sqlx::query!(
        "SELECT level, index, hashes FROM log_tiles
         WHERE log = $1 AND (level, index) IN
             (SELECT level, index FROM unnest($2::smallint[], $3::bigint[]) AS wanted (level, index))",
        log,
        &levels,
        &indexes
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            Ok(Tile {
                level: u8::try_from(row.level).unwrap_or(u8::MAX),
                index: row.index.unsigned_abs(),
                hashes: hashes(&row.hashes)?,
            })
        })
        .collect()
}

/// Writes tiles that grew.
pub async fn write_tiles(db: &mut PgConnection, log: i16, tiles: &[Tile]) -> Result<()> {
    let levels: Vec<i16> = tiles.iter().map(|tile| i16::from(tile.level)).collect();
    let indexes: Vec<i64> = tiles.iter().map(|tile| signed(tile.index)).collect::<Result<_>>()?;
    let bytes: Vec<Vec<u8>> =
        tiles.iter().map(|tile| tile.hashes.iter().flat_map(|hash| hash.0).collect()).collect();
    let done = sqlx::query!(
        "INSERT INTO log_tiles (log, level, index, hashes)
         SELECT $1, level, index, hashes
         FROM unnest($2::smallint[], $3::bigint[], $4::bytea[]) AS given (level, index, hashes)
         ON CONFLICT (log, level, index) DO UPDATE SET hashes = excluded.hashes",
        log,
        &levels,
        &indexes,
        &bytes
    )
    .execute(db)
    .await?;
    wrote("log_tiles", tiles.len() as u64, &done)
}

/// What is served of a log; of the open one, when none is named.
pub async fn published(db: &mut PgConnection, log: Option<i16>) -> Result<Option<PublishedLog>> {
    let row = sqlx::query!(
        "SELECT p.log, p.size, p.note FROM log_published p JOIN logs l ON l.number = p.log
         WHERE l.number = $1 OR $1 IS NULL AND NOT l.closed",
        log
    )
    .fetch_optional(db)
    .await?;
    Ok(row.map(|row| PublishedLog { log: row.log, size: row.size.unsigned_abs(), note: row.note }))
}

/// Publishes a checkpoint, unless a larger one is published already. The same one with other
/// cosignatures takes the place of what was `read`, if that is still there. Whether it was published.
pub async fn publish(
    db: &mut PgConnection,
    log: i16,
    size: u64,
    note: &str,
    read: Option<&str>,
) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE log_published SET size = $2, note = $3
         WHERE log = $1 AND (size < $2 OR size = $2 AND note = $4)",
        log,
        signed(size)?,
        note,
        read
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// How many entries wait, counted up to a limit, and since when the first one does.
pub async fn backlog(db: &mut PgConnection, most: i64) -> Result<(u64, Option<OffsetDateTime>)> {
    let row = sqlx::query!(
        r#"SELECT count(*) AS "waiting!", min(recorded_at) AS oldest
           FROM (SELECT e.recorded_at FROM log_pending p JOIN log_entries e ON e.id = p.entry_id
                 ORDER BY p.position LIMIT $1) waiting"#,
        most
    )
    .fetch_one(db)
    .await?;
    Ok((row.waiting.unsigned_abs(), row.oldest))
}

/// The bodies of entries from one index up to another, which is not included.
pub async fn bodies(db: &mut PgConnection, log: i16, first: u64, beyond: u64) -> Result<Vec<Vec<u8>>> {
    let bodies = sqlx::query_scalar!(
        "SELECT e.body FROM log_leaves l JOIN log_entries e ON e.id = l.entry_id
         WHERE l.log = $1 AND l.index >= $2 AND l.index < $3 ORDER BY l.index",
        log,
        signed(first)?,
        signed(beyond)?
    )
    .fetch_all(db)
    .await?;
    Ok(bodies)
}

/// Where an entry is, if it has an index.
pub async fn leaf(db: &mut PgConnection, entry: EntryId) -> Result<Option<Leaf>> {
    let row = sqlx::query!("SELECT log, index FROM log_leaves WHERE entry_id = $1", entry.0)
        .fetch_optional(db)
        .await?;
    Ok(row.map(|row| Leaf { log: row.log, index: row.index.unsigned_abs() }))
}

/// The body of an entry.
pub async fn body(db: &mut PgConnection, entry: EntryId) -> Result<Option<Vec<u8>>> {
    Ok(sqlx::query_scalar!("SELECT body FROM log_entries WHERE id = $1", entry.0).fetch_optional(db).await?)
}

/// Stores an entry that came back from a mirror without its row.
pub async fn store_recovered(
    db: &mut PgConnection,
    id: EntryId,
    kind: EntryKind,
    registration: Option<RegistrationId>,
    body: &[u8],
    at: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO log_entries (id, kind, registration_id, body, recorded_at) VALUES ($1, $2, $3, $4, $5)",
        id.0,
        kind.as_str(),
        registration.map(|id| id.0),
        body,
        at
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!("INSERT INTO log_recovered (entry_id) VALUES ($1)", id.0).execute(db).await?;
    Ok(())
}

/// Closes a log: nothing is added to it any more.
pub async fn close(db: &mut PgConnection, log: i16) -> Result<()> {
    let done = sqlx::query!("UPDATE logs SET closed = true WHERE number = $1 AND NOT closed", log)
        .execute(db)
        .await?;
    wrote("logs", 1, &done)
}

/// Writes an entry about the log itself, as a change by the service.
pub async fn write_own(
    db: &mut PgConnection,
    kind: &str,
    id: EntryId,
    body: &[u8],
    at: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO log_entries (id, kind, body, recorded_at) VALUES ($1, 'change', $2, $3)",
        id.0,
        body,
        at
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!(
        "INSERT INTO changes (id, kind, registration_id, subject_id, by_actor, at, entry_id)
         VALUES ($1, $4, NULL, $1, $2, $3, $1)",
        id.0,
        ActorId::SYSTEM.0,
        at,
        kind
    )
    .execute(db)
    .await?;
    Ok(())
}

/// How many entries a log has, signed or not yet published.
pub async fn size(db: &mut PgConnection, log: i16) -> Result<u64> {
    let size = sqlx::query_scalar!("SELECT size FROM logs WHERE number = $1", log).fetch_one(db).await?;
    Ok(size.unsigned_abs())
}
