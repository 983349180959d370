//! Accounts, sign-ins, refresh tokens, invitations and the secrets of client programs.

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::people::Seat;
use crate::secrets::SealedSecret;
use crate::{Result, wrote};
use domain::ids::{ClientProgramId, OrganisationId, PersonId, SessionId};
use domain::people::{OrganisationKind, Scope};

/// What a sign-in is checked against.
pub struct Account {
    /// The person whose account it is.
    pub person_id: PersonId,
    /// Argon2id, in the PHC string format.
    pub password_hash: String,
    /// The shared secret of the second factor, sealed.
    pub totp_secret: Option<Vec<u8>>,
    /// The data key under which it is.
    pub totp_key_id: Option<Uuid>,
    /// When the second factor was confirmed.
    pub totp_confirmed_at: Option<OffsetDateTime>,
    /// The newest time step that was accepted.
    pub totp_last_step: Option<i64>,
    /// Wrong attempts since the last right one.
    pub failures: i32,
    /// Until when no attempt is looked at.
    pub blocked_until: Option<OffsetDateTime>,
}

impl Account {
    /// The shared secret of the second factor, sealed, where one is set up.
    #[must_use]
    pub fn second_factor(&self) -> Option<SealedSecret> {
        self.totp_key_id.zip(self.totp_secret.clone()).map(|(key, bytes)| SealedSecret { key, bytes })
    }
}

macro_rules! select_accounts {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Account,
            "SELECT person_id, password_hash, totp_secret, totp_key_id, totp_confirmed_at, totp_last_step,
                    failures, blocked_until
             FROM accounts " + $rest
            $(, $argument)*
        )
    };
}

/// The account with an address.
pub async fn account_by_email(db: &mut PgConnection, email: &str) -> Result<Option<Account>> {
    Ok(select_accounts!("JOIN people ON people.id = person_id WHERE email = $1", email)
        .fetch_optional(db)
        .await?)
}

/// The account of a person, taken for update.
pub async fn account(db: &mut PgConnection, person: PersonId) -> Result<Option<Account>> {
    Ok(select_accounts!("WHERE person_id = $1 FOR UPDATE", person.0).fetch_optional(db).await?)
}

/// Counts an attempt before it is looked at, so that attempts at the same time all count.
/// `None` when the account is blocked.
pub async fn count_attempt(
    db: &mut PgConnection,
    person: PersonId,
    now: OffsetDateTime,
    free: i32,
) -> Result<Option<i32>> {
    // With free = 5: the fifth failure blocks for a minute, those after it for 2, 4, … minutes, an hour at most.
    Ok(sqlx::query_scalar!(
        "UPDATE accounts
         SET failures = failures + 1,
             changed_at = $2,
             blocked_until = CASE WHEN failures + 1 < $3 THEN NULL
                 ELSE $2::timestamptz + least(power(2, least(failures + 1 - $3, 10)), 60) * interval '1 minute' END
         WHERE person_id = $1 AND (blocked_until IS NULL OR blocked_until <= $2)
         RETURNING failures",
        person.0,
        now,
        free
    )
    .fetch_optional(db)
    .await?)
}

/// Forgets wrong attempts after a right one, and remembers the time step of its code. `false` when a
/// code of that step or a later one was accepted before, or the password was changed meanwhile.
pub async fn accept(
    db: &mut PgConnection,
    person: PersonId,
    password_hash: &str,
    totp_step: Option<i64>,
    now: OffsetDateTime,
) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE accounts
         SET failures = 0, blocked_until = NULL, totp_last_step = coalesce($2, totp_last_step), changed_at = $3
         WHERE person_id = $1 AND password_hash = $4
           AND ($2::bigint IS NULL OR totp_last_step IS NULL OR totp_last_step < $2)",
        person.0,
        totp_step,
        now,
        password_hash
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Sets a password, and makes the account where there is none.
pub async fn set_password(
    db: &mut PgConnection,
    person: PersonId,
    password_hash: &str,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO accounts (person_id, password_hash, changed_at) VALUES ($1, $2, $3)
         ON CONFLICT (person_id) DO UPDATE
         SET password_hash = excluded.password_hash, changed_at = excluded.changed_at",
        person.0,
        password_hash,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Sets a second factor that is still to be confirmed.
pub async fn propose_totp(
    db: &mut PgConnection,
    person: PersonId,
    secret: &SealedSecret,
    now: OffsetDateTime,
) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE accounts SET totp_secret = $2, totp_key_id = $4, changed_at = $3
         WHERE person_id = $1 AND totp_confirmed_at IS NULL",
        person.0,
        secret.bytes,
        now,
        secret.key
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Confirms the second factor.
pub async fn confirm_totp(
    db: &mut PgConnection,
    person: PersonId,
    step: i64,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE accounts SET totp_confirmed_at = $3, totp_last_step = $2, changed_at = $3
         WHERE person_id = $1 AND totp_confirmed_at IS NULL",
        person.0,
        step,
        now
    )
    .execute(db)
    .await?;
    wrote("accounts", 1, &done)
}

/// Voids every invitation of a person that was not used.
async fn void_invitations(db: &mut PgConnection, person: PersonId, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "UPDATE invitations SET used_at = $2 WHERE person_id = $1 AND used_at IS NULL",
        person.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Adds an invitation to set a password, and voids the earlier ones.
pub async fn invite(
    db: &mut PgConnection,
    token_hash: &[u8],
    person: PersonId,
    now: OffsetDateTime,
    expires_at: OffsetDateTime,
) -> Result<()> {
    void_invitations(db, person, now).await?;
    sqlx::query!(
        "INSERT INTO invitations (token_hash, person_id, expires_at) VALUES ($1, $2, $3)",
        token_hash,
        person.0,
        expires_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Uses an invitation; a second use, or one too late, finds nothing.
pub async fn use_invitation(
    db: &mut PgConnection,
    token_hash: &[u8],
    now: OffsetDateTime,
) -> Result<Option<PersonId>> {
    let person: Option<PersonId> = sqlx::query_scalar!(
        "UPDATE invitations SET used_at = $2
           WHERE token_hash = $1 AND used_at IS NULL AND expires_at > $2
           RETURNING person_id",
        token_hash,
        now
    )
    .fetch_optional(&mut *db)
    .await?;
    if let Some(person) = person {
        void_invitations(db, person, now).await?;
    }
    Ok(person)
}

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

/// A refresh token with its session.
pub struct RefreshToken {
    /// Of which session.
    pub session_id: SessionId,
    /// The person whose session it is.
    pub person_id: PersonId,
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
        "SELECT session_id, person_id, used_at, expires_at, ended_at
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

/// Sweeps away sessions and invitations that ended before an instant, and their tokens.
pub async fn sweep(db: &mut PgConnection, before: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "DELETE FROM refresh_tokens USING sessions
         WHERE sessions.id = session_id AND (sessions.expires_at < $1 OR sessions.ended_at < $1)",
        before
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!(
        "DELETE FROM sessions WHERE (expires_at < $1 OR ended_at < $1)
         AND NOT EXISTS (SELECT 1 FROM refresh_tokens WHERE session_id = sessions.id)",
        before
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!("DELETE FROM invitations WHERE expires_at < $1", before).execute(db).await?;
    Ok(())
}
