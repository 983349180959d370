//! Key audits, their lines, and counts of the keys in store.

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};

use crate::count::{Count, stored};
use crate::{Portion, Result, wrote};
use domain::differs::Level;
use domain::ids::{ActorId, AuditId, AuditLineId, DifferId, KeyId, PersonId, RegistrationId};
use domain::keys::audits::{Audit, AuditAnswer, AuditLine, StockCount};

macro_rules! select_audits {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Audit,
            r#"SELECT id, registration_id, person_id,
                      level, silence, opened_at, due_on, closed_at,
                      (SELECT count(*) FROM audit_lines WHERE audit_id = audits.id) AS "keys!: Count",
                      (SELECT count(*) FROM audit_lines WHERE audit_id = audits.id AND answer = 'open') AS "open!: Count",
                      (SELECT count(*) FROM audit_lines WHERE audit_id = audits.id AND answer = 'missing')
                          AS "missing!: Count"
               FROM audits "# + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_lines {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            AuditLine,
            r#"SELECT audit_lines.id, audit_id, key_id, holder_id, answer, answered_at,
                      (answer = 'open' AND silence = 'chase' AND due_on < $1) AS "overdue!"
               FROM audit_lines JOIN audits ON audits.id = audit_id "# + $rest
            $(, $argument)*
        )
    };
}

/// Opens an audit; its lines come with [`add_line`].
pub async fn open(db: &mut PgConnection, audit: &Audit, by: ActorId) -> Result<()> {
    sqlx::query!(
        "INSERT INTO audits
             (id, registration_id, person_id, level, silence, opened_by, opened_at, due_on, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $7)",
        audit.id.0,
        audit.registration_id.0,
        audit.person_id.map(|id| id.0),
        audit.level.map(Level::as_str),
        audit.silence.as_str(),
        by.0,
        audit.opened_at,
        audit.due_on
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The keys that an audit asks for: those with people, of one person or one level where it says so.
pub async fn keys_for(db: &mut PgConnection, audit: &Audit) -> Result<Vec<(KeyId, PersonId)>> {
    let rows = sqlx::query!(
        r#"SELECT keys.id AS key, holder_id AS "holder!"
           FROM keys JOIN differs ON differs.id = differ_id
           WHERE keys.registration_id = $1 AND keys.state = 'with_person'
             AND ($2::uuid IS NULL OR holder_id = $2) AND ($3::text IS NULL OR level = $3)
           ORDER BY holder_id, keys.id"#,
        audit.registration_id.0,
        audit.person_id.map(|id| id.0),
        audit.level.map(Level::as_str)
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.key, row.holder)).collect())
}

/// Adds a line to an audit.
pub async fn add_line(
    db: &mut PgConnection,
    id: AuditLineId,
    audit: AuditId,
    key: KeyId,
    holder: PersonId,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO audit_lines (id, audit_id, key_id, holder_id, answer) VALUES ($1, $2, $3, $4, 'open')",
        id.0,
        audit.0,
        key.0,
        holder.0
    )
    .execute(db)
    .await?;
    Ok(())
}

/// An audit.
pub async fn audit(db: &mut PgConnection, id: AuditId) -> Result<Option<Audit>> {
    Ok(select_audits!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// The audits of a registration.
pub async fn of_registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Audit>> {
    Ok(select_audits!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// The lines of an audit, all or those with one answer.
pub async fn lines(
    db: &mut PgConnection,
    audit: AuditId,
    answer: Option<AuditAnswer>,
    today: Date,
    portion: Portion,
) -> Result<Vec<AuditLine>> {
    Ok(select_lines!(
        "WHERE audit_id = $2 AND ($3::text IS NULL OR answer = $3) AND audit_lines.id > $4
         ORDER BY audit_lines.id LIMIT $5",
        today,
        audit.0,
        answer.map(AuditAnswer::as_str),
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// A line.
pub async fn line(db: &mut PgConnection, id: AuditLineId, today: Date) -> Result<Option<AuditLine>> {
    Ok(select_lines!("WHERE audit_lines.id = $2", today, id.0).fetch_optional(db).await?)
}

/// What a person is still to answer.
pub async fn open_lines_of(
    db: &mut PgConnection,
    person: PersonId,
    today: Date,
    portion: Portion,
) -> Result<Vec<AuditLine>> {
    Ok(select_lines!(
        "WHERE holder_id = $2 AND answer = 'open' AND closed_at IS NULL AND audit_lines.id > $3
         ORDER BY audit_lines.id LIMIT $4",
        today,
        person.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Writes the answer of a line that is open.
pub async fn answer(
    db: &mut PgConnection,
    id: AuditLineId,
    answer: AuditAnswer,
    by: ActorId,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE audit_lines SET answer = $2, answered_by = $3, answered_at = $4 WHERE id = $1 AND answer = 'open'",
        id.0,
        answer.as_str(),
        by.0,
        now
    )
    .execute(db)
    .await?;
    wrote("audit_lines", 1, &done)
}

/// Closes an audit; where silence means that the register is right, what is open is taken as right.
pub async fn close(db: &mut PgConnection, id: AuditId, by: ActorId, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "UPDATE audit_lines SET answer = 'taken_as_right', answered_by = $2, answered_at = $3
         FROM audits WHERE audits.id = audit_id AND audit_id = $1 AND answer = 'open' AND silence = 'right'",
        id.0,
        by.0,
        now
    )
    .execute(&mut *db)
    .await?;
    let done = sqlx::query!(
        "UPDATE audits SET closed_at = $2, changed_at = $2 WHERE id = $1 AND closed_at IS NULL",
        id.0,
        now
    )
    .execute(db)
    .await?;
    wrote("audits", 1, &done)
}

/// The day of the newest audit of all keys of a registration.
pub async fn last(db: &mut PgConnection, registration: RegistrationId) -> Result<Option<OffsetDateTime>> {
    Ok(sqlx::query_scalar!(
        "SELECT max(opened_at) FROM audits WHERE registration_id = $1 AND person_id IS NULL AND level IS NULL",
        registration.0
    )
    .fetch_one(db)
    .await?)
}

/// Writes when the next audit of a registration is due.
pub async fn set_next(
    db: &mut PgConnection,
    registration: RegistrationId,
    next: Option<Date>,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "UPDATE registrations SET next_audit_on = $2, changed_at = $3
         WHERE id = $1 AND next_audit_on IS DISTINCT FROM $2",
        registration.0,
        next,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// When the next audit of a registration is due.
pub async fn next(db: &mut PgConnection, registration: RegistrationId) -> Result<Option<Date>> {
    Ok(sqlx::query_scalar!("SELECT next_audit_on FROM registrations WHERE id = $1", registration.0)
        .fetch_optional(db)
        .await?
        .flatten())
}

/// Registrations whose next audit is due.
pub async fn due(db: &mut PgConnection, today: Date, most: i64) -> Result<Vec<RegistrationId>> {
    Ok(sqlx::query_scalar!(
        "SELECT id FROM registrations
         WHERE next_audit_on <= $1 AND ended_at IS NULL ORDER BY next_audit_on LIMIT $2",
        today,
        most
    )
    .fetch_all(db)
    .await?)
}

/// Audits whose time is over and where silence means that the register is right.
pub async fn to_close(
    db: &mut PgConnection,
    today: Date,
    most: i64,
) -> Result<Vec<(AuditId, RegistrationId)>> {
    let rows = sqlx::query!(
        "SELECT id, registration_id FROM audits
         WHERE closed_at IS NULL AND silence = 'right' AND due_on < $1 ORDER BY due_on LIMIT $2",
        today,
        most
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.id, row.registration_id)).collect())
}

/// Keys of a differ that should be in the owner's store: what was cut and waits at a counter is there.
pub async fn in_store(db: &mut PgConnection, registration: RegistrationId, differ: DifferId) -> Result<u32> {
    let book = sqlx::query_scalar!(
        r#"SELECT count(*) AS "count!: Count" FROM keys
           WHERE registration_id = $1 AND differ_id = $2
             AND (state = 'returned' OR (state = 'in_store' AND cut_id IS NULL))"#,
        registration.0,
        differ.0
    )
    .fetch_one(db)
    .await?;
    Ok(book.into())
}

/// Adds a count of the keys in store.
pub async fn add_count(db: &mut PgConnection, count: &StockCount) -> Result<()> {
    sqlx::query!(
        "INSERT INTO stock_counts (id, registration_id, differ_id, book, counted, remark, made_by, made_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
        count.id.0,
        count.registration_id.0,
        count.differ_id.0,
        stored(count.book)?,
        stored(count.counted)?,
        count.remark,
        count.made_by.0,
        count.made_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The counts of the keys in store of a registration.
pub async fn counts(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<StockCount>> {
    Ok(sqlx::query_as!(
        StockCount,
        "SELECT id, registration_id, differ_id, book, counted, remark, made_by, made_at
         FROM stock_counts WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}
