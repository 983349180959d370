//! Free functions over SQL that is checked when the program is compiled.
//!
//! Writes take the connection of an open transaction. Rows are taken for update in the order that
//! DEVELOPERS.md has, and in no other: the registration first.

pub mod cards;
pub mod copies;
mod count;
pub mod counters;
pub mod differs;
pub mod idempotency;
pub mod keys;
pub mod log;
pub mod people;
pub mod register;
pub mod rekeys;
pub mod rights;
pub mod secrets;
pub mod sites;

use thiserror::Error;

/// What can go wrong below the application.
#[derive(Debug, Error)]
pub enum StorageError {
    /// The database said no, or could not be reached.
    #[error("database: {0}")]
    Database(#[from] sqlx::Error),
    /// A row was not as it has to be.
    #[error("{table}: {problem}")]
    Corrupt {
        /// The table.
        table: &'static str,
        /// What is wrong.
        problem: String,
    },
    /// More than a column can have.
    #[error("{0} is more than a column can have")]
    TooMany(u32),
    /// A write touched another number of rows than it has to.
    #[error("{table}: {found} rows written, not {expected}")]
    Rows {
        /// The table.
        table: &'static str,
        /// How many it was to be.
        expected: u64,
        /// How many it was.
        found: u64,
    },
}

/// What the database can answer.
pub type Result<T> = std::result::Result<T, StorageError>;

impl StorageError {
    /// The name of the constraint that a write violated.
    #[must_use]
    pub fn violated(&self) -> Option<&str> {
        match self {
            Self::Database(sqlx::Error::Database(error)) => error.constraint(),
            _ => None,
        }
    }

    /// Whether it passes by itself, so that the same may be asked again.
    #[must_use]
    pub fn passes(&self) -> bool {
        use sqlx::Error;
        match self {
            Self::Database(Error::PoolTimedOut | Error::PoolClosed | Error::Io(_) | Error::WorkerCrashed) => {
                true
            }
            Self::Database(Error::Database(error)) => {
                error.code().is_some_and(|code| PASSING.iter().any(|start| code.starts_with(start)))
            }
            _ => false,
        }
    }
}

/// The beginnings of the codes of what passes (`PostgreSQL`, appendix A): connections, two acts that wait for each
/// other, a lock or a statement that takes too long, too many connections, a server that stops, starts or stands
/// back behind another one.
const PASSING: [&str; 8] = ["08", "40", "53", "55P03", "57", "58", "25006", "25P0"];

/// Whether the database answers.
pub async fn ping(pool: &sqlx::PgPool) -> Result<()> {
    sqlx::query_scalar!("SELECT 1").fetch_one(pool).await?;
    Ok(())
}

/// Begins a transaction: in a task that nobody ends, since a connection whose BEGIN was dropped half-way goes
/// back to the pool inside of a transaction.
#[expect(clippy::disallowed_methods, reason = "the one place that begins")]
pub async fn begin(pool: &sqlx::PgPool) -> Result<sqlx::Transaction<'static, sqlx::Postgres>> {
    Ok(pool.begin().await?)
}

/// A point inside the transaction to which it can go back.
pub async fn savepoint(db: &mut sqlx::PgConnection) -> Result<()> {
    sqlx::query!("SAVEPOINT line").execute(db).await?;
    Ok(())
}

/// Goes back to the newest such point, and forgets it.
pub async fn roll_back_to_savepoint(db: &mut sqlx::PgConnection) -> Result<()> {
    sqlx::query!("ROLLBACK TO SAVEPOINT line").execute(&mut *db).await?;
    release_savepoint(db).await
}

/// Forgets the newest such point: each that is kept takes a place among the locks of the server.
pub async fn release_savepoint(db: &mut sqlx::PgConnection) -> Result<()> {
    sqlx::query!("RELEASE SAVEPOINT line").execute(db).await?;
    Ok(())
}

/// A portion of a list: so many rows after an id.
#[derive(Debug, Clone, Copy)]
pub struct Portion {
    /// The last id of the portion before; nil for the first.
    pub after: uuid::Uuid,
    /// The most rows.
    pub limit: i64,
}

impl Portion {
    /// Everything at once, for what is known to be few.
    pub const ALL: Self = Self { after: uuid::Uuid::nil(), limit: i64::MAX };

    /// The portion of a list that is held whole.
    #[must_use]
    pub fn of<T>(self, mut whole: Vec<T>, id: impl Fn(&T) -> uuid::Uuid) -> Vec<T> {
        whole.sort_unstable_by_key(&id);
        whole.retain(|item| id(item) > self.after);
        whole.truncate(usize::try_from(self.limit).unwrap_or(usize::MAX));
        whole
    }
}

fn wrote(table: &'static str, expected: u64, done: &sqlx::postgres::PgQueryResult) -> Result<()> {
    let found = done.rows_affected();
    if found == expected { Ok(()) } else { Err(StorageError::Rows { table, expected, found }) }
}
