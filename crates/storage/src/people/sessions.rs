//! Sessions, refresh tokens and the secrets of client programs.

use serde::Serialize;
use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use crate::people::memberships::Seat;
use crate::{Result, wrote};
use domain::ids::{ClientProgramId, OrganisationId, PersonId, SessionId};
use domain::people::{OrganisationKind, Scope};

/// Starts a session.
pub async fn start(
    db: &mut PgConnection,
    id: SessionId,
    person: PersonId,
    second_factor: bool,
    now: OffsetDateTime,
    expires_at: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO sessions (id, person_id, second_factor, started_at, expires_at)
         VALUES ($1, $2, $3, $4, $5)",
        id.0,
        person.0,
        second_factor,
        now,
        expires_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Adds a refresh token to a session.
pub async fn add_refresh_token(
    db: &mut PgConnection,
    token_hash: &[u8],
    session: SessionId,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO refresh_tokens (token_hash, session_id, issued_at) VALUES ($1, $2, $3)",
        token_hash,
        session.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A session that is running, as its owner sees it.
#[derive(Debug, Serialize, ToSchema)]
pub struct SessionSummary {
    /// Its id.
    pub id: SessionId,
    /// It was begun with a second factor.
    pub second_factor: bool,
    /// When it began.
    #[serde(with = "time::serde::rfc3339")]
    pub started_at: OffsetDateTime,
    /// When its newest tokens were given out.
    #[serde(with = "time::serde::rfc3339::option")]
    pub used_at: Option<OffsetDateTime>,
    /// When it ends by itself.
    #[serde(with = "time::serde::rfc3339")]
    pub expires_at: OffsetDateTime,
}

/// The sessions of a person that are running, the oldest first.
pub async fn of_person(
    db: &mut PgConnection,
    person: PersonId,
    now: OffsetDateTime,
) -> Result<Vec<SessionSummary>> {
    Ok(sqlx::query_as!(
        SessionSummary,
        r#"SELECT id AS "id: _", second_factor, started_at, expires_at,
                  (SELECT max(issued_at) FROM refresh_tokens WHERE session_id = sessions.id) AS used_at
           FROM sessions WHERE person_id = $1 AND ended_at IS NULL AND expires_at > $2 ORDER BY started_at, id"#,
        person.0,
        now
    )
    .fetch_all(db)
    .await?)
}

/// Ends a session of a person. `false` when there is none of theirs that is running.
pub async fn end_own(
    db: &mut PgConnection,
    person: PersonId,
    session: SessionId,
    now: OffsetDateTime,
) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE sessions SET ended_at = $3
         WHERE id = $2 AND person_id = $1 AND ended_at IS NULL AND expires_at > $3",
        person.0,
        session.0,
        now
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// A refresh token with its session.
pub struct RefreshToken {
    /// Of which session.
    pub session_id: SessionId,
    /// The person whose session it is.
    pub person_id: PersonId,
    /// When the session began.
    pub started_at: OffsetDateTime,
    /// When it was given out.
    pub issued_at: OffsetDateTime,
    /// When it was used.
    pub used_at: Option<OffsetDateTime>,
    /// When the session ends by itself.
    pub expires_at: OffsetDateTime,
    /// When the session was ended.
    pub ended_at: Option<OffsetDateTime>,
}

/// A refresh token, taken for update: of two uses at the same time one is the second.
pub async fn refresh_token(db: &mut PgConnection, token_hash: &[u8]) -> Result<Option<RefreshToken>> {
    Ok(sqlx::query_as!(
        RefreshToken,
        "SELECT session_id, person_id, started_at, issued_at, used_at, expires_at, ended_at
         FROM refresh_tokens JOIN sessions ON sessions.id = session_id
         WHERE token_hash = $1 FOR UPDATE",
        token_hash
    )
    .fetch_optional(db)
    .await?)
}

/// Marks a refresh token as used.
pub async fn spend_refresh_token(
    db: &mut PgConnection,
    token_hash: &[u8],
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE refresh_tokens SET used_at = $2 WHERE token_hash = $1 AND used_at IS NULL",
        token_hash,
        now
    )
    .execute(db)
    .await?;
    wrote("refresh_tokens", 1, &done)
}

/// Ends a session. Ending it twice changes nothing.
pub async fn end(db: &mut PgConnection, session: SessionId, now: OffsetDateTime) -> Result<()> {
    sqlx::query!("UPDATE sessions SET ended_at = $2 WHERE id = $1 AND ended_at IS NULL", session.0, now)
        .execute(db)
        .await?;
    Ok(())
}

/// Ends every session of a person.
pub async fn end_all(db: &mut PgConnection, person: PersonId, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "UPDATE sessions SET ended_at = $2 WHERE person_id = $1 AND ended_at IS NULL",
        person.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Ends every session.
pub async fn end_everybodys(db: &mut PgConnection, now: OffsetDateTime) -> Result<u64> {
    let done =
        sqlx::query!("UPDATE sessions SET ended_at = $1 WHERE ended_at IS NULL", now).execute(db).await?;
    Ok(done.rows_affected())
}

/// A session that is running, with the seats of its person.
pub struct RunningSession {
    /// The person who signed in.
    pub person: PersonId,
    /// It was begun with a second factor.
    pub second_factor: bool,
    /// Where the person sits today.
    pub seats: Vec<Seat>,
}

/// The session, if it is running: one query for every request that carries an access token.
pub async fn running(
    db: &mut PgConnection,
    session: SessionId,
    now: OffsetDateTime,
    today: Date,
) -> Result<Option<RunningSession>> {
    let rows = sqlx::query!(
        r#"SELECT sessions.person_id AS person, second_factor, organisations.id AS "organisation?",
                  organisations.kind AS "kind?", post AS "post?"
           FROM sessions
           LEFT JOIN memberships ON memberships.person_id = sessions.person_id
                AND in_force(first_day, last_day, memberships.ended_at, $3)
           LEFT JOIN organisations ON organisations.id = organisation_id
           WHERE sessions.id = $1 AND sessions.ended_at IS NULL AND expires_at > $2"#,
        session.0,
        now,
        today
    )
    .fetch_all(db)
    .await?;
    let Some(first) = rows.first() else { return Ok(None) };
    let (person, second_factor) = (first.person, first.second_factor);
    let seats = rows
        .into_iter()
        .filter_map(|row| Some(Seat { organisation_id: row.organisation?, kind: row.kind?, post: row.post? }))
        .collect();
    Ok(Some(RunningSession { person, second_factor, seats }))
}

/// A client program that was not shut out, and whose it is.
pub struct KnownProgram {
    /// Its organisation.
    pub organisation_id: OrganisationId,
    /// What that is.
    pub kind: OrganisationKind,
    /// What it may do.
    pub scopes: Vec<Scope>,
    /// The hash of its secret.
    pub secret_hash: Vec<u8>,
}

/// A client program that was not shut out.
pub async fn known_program(db: &mut PgConnection, program: ClientProgramId) -> Result<Option<KnownProgram>> {
    Ok(sqlx::query_as!(
        KnownProgram,
        r#"SELECT organisation_id, organisations.kind, scopes AS "scopes: _", secret_hash
           FROM client_programs JOIN organisations ON organisations.id = organisation_id
           WHERE client_programs.id = $1 AND revoked_at IS NULL"#,
        program.0
    )
    .fetch_optional(db)
    .await?)
}

/// Sweeps away refresh tokens that were used before an instant or whose session ended before it, then such sessions;
/// so many of each. Gives how many went.
pub async fn sweep(db: &mut PgConnection, before: OffsetDateTime, most: i64) -> Result<u64> {
    let tokens = sqlx::query!(
        "DELETE FROM refresh_tokens WHERE token_hash = ANY (ARRAY(
             SELECT token_hash FROM refresh_tokens JOIN sessions ON sessions.id = session_id
             WHERE sessions.expires_at < $1 OR sessions.ended_at < $1 OR used_at < $1 LIMIT $2))",
        before,
        most
    )
    .execute(&mut *db)
    .await?;
    let ended = sqlx::query!(
        "DELETE FROM sessions WHERE id = ANY (ARRAY(
             SELECT id FROM sessions WHERE (expires_at < $1 OR ended_at < $1)
             AND NOT EXISTS (SELECT 1 FROM refresh_tokens WHERE session_id = sessions.id) LIMIT $2))",
        before,
        most
    )
    .execute(db)
    .await?;
    Ok(tokens.rows_affected().max(ended.rows_affected()))
}
