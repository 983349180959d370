//! Signing in and out; the second factor; refresh tokens; client programs.

use secrecy::{ExposeSecret, SecretString};
use sha2::{Digest, Sha256};
use time::{Duration, OffsetDateTime};
use totp_rs::{Algorithm, TOTP};

use crate::caller::{Caller, needs_second_factor};
use crate::secrets::Context;
use crate::{ActError, App, secrets};
use crypto::passwords::{HashingError, PASSWORD_LENGTHS};
use crypto::tokens::keys::KeyError;
use domain::ids::{ActorId, ClientProgramId, PersonId, SessionId};
use domain::people::{Post, Scope};
use storage::people;
use storage::people::{Seat, sessions};
use storage::secrets::SealedSecret;

/// Seconds for which an access token is good.
pub const ACCESS_SECONDS: i64 = 600;
/// Attempts before a pause is asked for.
pub const FREE_ATTEMPTS: i32 = 5;
/// Seconds of a time step of the second factor (RFC 6238 s. 5.2).
const STEP: u64 = 30;

impl From<HashingError> for ActError {
    fn from(error: HashingError) -> Self {
        Self::Internal(error.to_string())
    }
}

impl From<KeyError> for ActError {
    fn from(error: KeyError) -> Self {
        Self::Internal(error.to_string())
    }
}

/// What somebody gets who signed in.
pub struct SessionTokens {
    /// The access token.
    pub access_token: String,
    /// Seconds for which it is good.
    pub expires_in: i64,
    /// The refresh token, good once.
    pub refresh_token: SecretString,
    /// The session began with a second factor.
    pub second_factor: bool,
    /// A seat of the person asks for a second factor that was not set up yet.
    pub second_factor_missing: bool,
}

/// What came of a sign-in.
pub enum SignIn {
    /// It worked.
    Done(SessionTokens),
    /// The password is right; the code of the second factor is missing.
    CodeNeeded,
}

/// SHA-256 of a secret of 256 random bits: there is nothing to guess, so no slow hash.
#[must_use]
pub fn secret_hash(secret: &str) -> [u8; 32] {
    Sha256::digest(secret.as_bytes()).into()
}

/// Signs a person in.
///
/// # Errors
/// [`ActError::Unauthenticated`], which says no more than that.
pub async fn sign_in(
    app: &App,
    email: &str,
    password: SecretString,
    code: Option<&str>,
) -> Result<SignIn, ActError> {
    let now = app.outside.clock.now();
    let mut db = app.pool.acquire().await?;
    let account = sessions::account_by_email(&mut db, email).await?;
    let Some(account) = account else {
        drop(db);
        app.passwords.is_right(password, None).await?;
        return Err(ActError::Unauthenticated);
    };
    let person = account.person_id;
    if sessions::count_attempt(&mut db, person, now, FREE_ATTEMPTS).await?.is_none() {
        return Err(blocked(account.blocked_until, now));
    }
    drop(db);
    if !app.passwords.is_right(password, Some(account.password_hash.clone())).await? {
        return Err(ActError::Unauthenticated);
    }
    let second_factor = account.totp_confirmed_at.is_some();
    let step = match (account.second_factor().filter(|_| second_factor), code) {
        (None, _) => None,
        (Some(_), None) => return Ok(SignIn::CodeNeeded),
        (Some(sealed), Some(code)) => {
            let secret = second_factor_secret(app, person, &sealed).await?;
            Some(step_of_code(secret, code, now).ok_or(ActError::Unauthenticated)?)
        }
    };
    let mut tx = storage::begin(&app.pool).await?;
    if !sessions::accept(&mut tx, person, &account.password_hash, step, now).await? {
        return Err(ActError::Unauthenticated);
    }
    let seats = people::seats(&mut tx, person, now.date()).await?;
    let staff = seats.iter().any(|seat| needs_second_factor(seat.kind));
    let session = SessionId(app.outside.id(now));
    let length = if staff { Duration::hours(12) } else { Duration::days(30) };
    sessions::start(&mut tx, session, person, second_factor, now, now + length).await?;
    let refresh_token = new_refresh_token(app, &mut tx, session, now).await?;
    tx.commit().await?;
    Ok(SignIn::Done(SessionTokens {
        access_token: app.tokens.sign(person.to_string(), session.to_string(), now, ACCESS_SECONDS)?,
        expires_in: ACCESS_SECONDS,
        refresh_token,
        second_factor,
        second_factor_missing: staff && !second_factor,
    }))
}

fn blocked(until: Option<OffsetDateTime>, now: OffsetDateTime) -> ActError {
    let wait = until.map_or(60, |until| (until - now).whole_seconds().max(1));
    ActError::TooManyAttempts { retry_after: wait.unsigned_abs() }
}

async fn new_refresh_token(
    app: &App,
    tx: &mut sqlx::PgConnection,
    session: SessionId,
    now: OffsetDateTime,
) -> Result<SecretString, ActError> {
    let token = app.outside.secret();
    sessions::add_refresh_token(tx, &secret_hash(&token), session, now).await?;
    Ok(SecretString::from(token))
}

/// Changes a refresh token for a new one and a new access token. The second use of one ends the
/// session: one of the two users stole it.
///
/// # Errors
/// [`ActError::Unauthenticated`].
pub async fn refresh(app: &App, token: &str) -> Result<SessionTokens, ActError> {
    let now = app.outside.clock.now();
    let hash = secret_hash(token);
    let mut tx = storage::begin(&app.pool).await?;
    let found = sessions::refresh_token(&mut tx, &hash).await?.ok_or(ActError::Unauthenticated)?;
    if found.ended_at.is_some() || found.expires_at <= now {
        return Err(ActError::Unauthenticated);
    }
    if found.used_at.is_some() {
        sessions::end(&mut tx, found.session_id, now).await?;
        tx.commit().await?;
        tracing::warn!(session.id = %found.session_id, "session.refresh_token_reused");
        return Err(ActError::Unauthenticated);
    }
    sessions::spend_refresh_token(&mut tx, &hash, now).await?;
    let refresh_token = new_refresh_token(app, &mut tx, found.session_id, now).await?;
    let running = sessions::running(&mut tx, found.session_id, now, now.date())
        .await?
        .ok_or(ActError::Unauthenticated)?;
    tx.commit().await?;
    let caller = Caller::in_session(running.person, found.session_id, running.second_factor, running.seats);
    Ok(SessionTokens {
        access_token: app.tokens.sign(
            found.person_id.to_string(),
            found.session_id.to_string(),
            now,
            ACCESS_SECONDS,
        )?,
        expires_in: ACCESS_SECONDS,
        refresh_token,
        second_factor: running.second_factor,
        second_factor_missing: caller.second_factor_missing,
    })
}

/// Ends the caller's session: its access tokens stop working at once.
///
/// # Errors
/// When the caller has no session.
pub async fn sign_out(app: &App, caller: &Caller) -> Result<(), ActError> {
    let session = caller.session.ok_or(ActError::Forbidden("a client program has no session"))?;
    let mut db = app.pool.acquire().await?;
    sessions::end(&mut db, session, app.outside.clock.now()).await?;
    Ok(())
}

/// Who calls with an access token.
///
/// # Errors
/// [`ActError::Unauthenticated`] when the token is not good, or the session has ended.
pub async fn caller(app: &App, token: &str) -> Result<Caller, ActError> {
    let now = app.outside.clock.now();
    let claims = app.tokens.verify(token, now).ok_or(ActError::Unauthenticated)?;
    let subject: uuid::Uuid = claims.sub.parse().map_err(|_| ActError::Unauthenticated)?;
    let mut db = app.pool.acquire().await?;
    if let Some(session) = claims.sid {
        let session = SessionId(session.parse().map_err(|_| ActError::Unauthenticated)?);
        let running = sessions::running(&mut db, session, now, now.date()).await?;
        let running = running.ok_or(ActError::Unauthenticated)?;
        if running.person.0 != subject {
            return Err(ActError::Unauthenticated);
        }
        Ok(Caller::in_session(running.person, session, running.second_factor, running.seats))
    } else {
        let program = sessions::known_program(&mut db, ClientProgramId(subject)).await?;
        let program = program.ok_or(ActError::Unauthenticated)?;
        // What the token was asked for, as far as the program still has it.
        let mut scopes = scopes_of(claims.scope.as_deref().unwrap_or_default()).unwrap_or_default();
        scopes.retain(|scope| program.scopes.contains(scope));
        let seat = Seat { organisation_id: program.organisation_id, kind: program.kind, post: Post::Staff };
        Ok(Caller::program(ActorId(subject), seat, scopes))
    }
}

/// What a client program gets.
pub struct ProgramToken {
    /// The access token.
    pub access_token: String,
    /// Its scopes, as RFC 6749 s. 3.3 writes them.
    pub scope: String,
}

/// An access token for a client program (RFC 6749 s. 4.4), for the scopes that it asks for, or all that it has.
///
/// # Errors
/// [`ActError::Unauthenticated`]; [`ActError::Forbidden`] when it asks for a scope that it has not.
pub async fn client_credentials(
    app: &App,
    id: &str,
    secret: &str,
    scope: Option<&str>,
) -> Result<ProgramToken, ActError> {
    let id: uuid::Uuid = id.parse().map_err(|_| ActError::Unauthenticated)?;
    let mut db = app.pool.acquire().await?;
    let program = sessions::known_program(&mut db, ClientProgramId(id)).await?;
    // Hashes of random secrets: comparing them gives nothing away.
    let program = program
        .filter(|program| program.secret_hash == secret_hash(secret))
        .ok_or(ActError::Unauthenticated)?;
    let asked = match scope {
        Some(text) => scopes_of(text).filter(|asked| asked.iter().all(|one| program.scopes.contains(one))),
        None => Some(program.scopes.clone()),
    };
    let asked = asked.ok_or(ActError::Forbidden("this client program has not all of these scopes"))?;
    let scope = asked.iter().map(|scope| scope.as_str()).collect::<Vec<_>>().join(" ");
    let now = app.outside.clock.now();
    let access_token = app.tokens.sign_for_program(id.to_string(), scope.clone(), now, ACCESS_SECONDS)?;
    Ok(ProgramToken { access_token, scope })
}

/// Scopes as RFC 6749 s. 3.3 writes them: words between spaces. Nothing, where one is unknown.
fn scopes_of(text: &str) -> Option<Vec<Scope>> {
    text.split(' ').filter(|word| !word.is_empty()).map(|word| word.parse().ok()).collect()
}

/// Sets the first password, against an invitation. Every running session of the person ends.
///
/// # Errors
/// [`ActError::NotFound`] when the invitation is unknown, used or too old.
pub async fn accept_invitation(app: &App, token: &str, password: SecretString) -> Result<(), ActError> {
    require_password("/password", &password)?;
    let hash = app.passwords.hash(password, app.outside.bytes()).await?;
    let now = app.outside.clock.now();
    let mut tx = storage::begin(&app.pool).await?;
    let person =
        sessions::use_invitation(&mut tx, &secret_hash(token), now).await?.ok_or(ActError::NotFound)?;
    sessions::set_password(&mut tx, person, &hash, now).await?;
    sessions::end_all(&mut tx, person, now).await?;
    tx.commit().await?;
    Ok(())
}

/// Changes the caller's password against the old one. Every session of the person ends.
///
/// # Errors
/// [`ActError::Invalid`] when the old one is wrong.
pub async fn change_password(
    app: &App,
    caller: &Caller,
    old: SecretString,
    new: SecretString,
) -> Result<(), ActError> {
    let person = caller.require_person()?;
    require_password("/new_password", &new)?;
    let now = app.outside.clock.now();
    let account = counted_account(app, person, now).await?;
    if !app.passwords.is_right(old, Some(account.password_hash.clone())).await? {
        return Err(ActError::invalid("/old_password", "is wrong"));
    }
    let hash = app.passwords.hash(new, app.outside.bytes()).await?;
    let mut tx = storage::begin(&app.pool).await?;
    if !sessions::accept(&mut tx, person, &account.password_hash, None, now).await? {
        return Err(ActError::Unauthenticated);
    }
    sessions::set_password(&mut tx, person, &hash, now).await?;
    sessions::end_all(&mut tx, person, now).await?;
    tx.commit().await?;
    Ok(())
}

/// Whether this may be a password.
fn require_password(pointer: &str, new: &SecretString) -> Result<(), ActError> {
    if PASSWORD_LENGTHS.contains(&new.expose_secret().chars().count()) {
        return Ok(());
    }
    let (least, most) = (PASSWORD_LENGTHS.start(), PASSWORD_LENGTHS.end());
    Err(ActError::invalid(pointer, format!("must have from {least} to {most} characters")))
}

async fn counted_account(
    app: &App,
    person: PersonId,
    now: OffsetDateTime,
) -> Result<sessions::Account, ActError> {
    let mut tx = storage::begin(&app.pool).await?;
    let account = sessions::account(&mut tx, person).await?.ok_or(ActError::NotFound)?;
    let counted = sessions::count_attempt(&mut tx, person, now, FREE_ATTEMPTS).await?;
    tx.commit().await?;
    if counted.is_none() { Err(blocked(account.blocked_until, now)) } else { Ok(account) }
}

fn totp(secret: Vec<u8>, account: String) -> Result<TOTP, ActError> {
    TOTP::new(Algorithm::SHA1, 6, 1, STEP, secret, Some("Wardbook".to_owned()), account)
        .map_err(|error| ActError::Internal(error.to_string()))
}

async fn second_factor_secret(
    app: &App,
    person: PersonId,
    sealed: &SealedSecret,
) -> Result<Vec<u8>, ActError> {
    let mut db = app.pool.acquire().await?;
    let secret = secrets::open(app, &mut db, Context::SecondFactor(person), sealed).await?;
    Ok(secret.expose_secret().to_vec())
}

/// The time step of which a code is, within one step of now (RFC 6238 s. 5.2).
fn step_of_code(secret: Vec<u8>, code: &str, now: OffsetDateTime) -> Option<i64> {
    let totp = totp(secret, "account".to_owned()).ok()?;
    let step = u64::try_from(now.unix_timestamp()).ok()? / STEP;
    [step, step.saturating_sub(1), step + 1]
        .into_iter()
        .find(|step| totp.generate(step * STEP) == code)
        .and_then(|step| i64::try_from(step).ok())
}

/// Proposes a second factor: an `otpauth` address with the secret, shown once.
///
/// # Errors
/// When one is confirmed already.
pub async fn propose_second_factor(app: &App, caller: &Caller) -> Result<(String, String), ActError> {
    let person = caller.require_person()?;
    let secret: [u8; 20] = app.outside.bytes();
    let mut db = app.pool.acquire().await?;
    let name = people::person(&mut db, person)
        .await?
        .and_then(|person| person.email)
        .ok_or(ActError::NotFound)?
        .replace(':', "");
    let sealed = secrets::seal(app, &mut db, Context::SecondFactor(person), &secret).await?;
    if !sessions::propose_totp(&mut db, person, &sealed, app.outside.clock.now()).await? {
        return Err(ActError::Conflict("a second factor is set up already"));
    }
    let totp = totp(secret.to_vec(), name)?;
    Ok((totp.get_secret_base32(), totp.get_url()))
}

/// Confirms the second factor with a code. The session ends: the next sign-in has both factors.
///
/// # Errors
/// [`ActError::Invalid`] when the code is wrong.
pub async fn confirm_second_factor(app: &App, caller: &Caller, code: &str) -> Result<(), ActError> {
    let person = caller.require_person()?;
    let now = app.outside.clock.now();
    let account = counted_account(app, person, now).await?;
    let sealed = account
        .second_factor()
        .filter(|_| account.totp_confirmed_at.is_none())
        .ok_or(ActError::Conflict("no second factor waits to be confirmed"))?;
    let secret = second_factor_secret(app, person, &sealed).await?;
    let step = step_of_code(secret, code, now).ok_or_else(|| ActError::invalid("/code", "is wrong"))?;
    let mut tx = storage::begin(&app.pool).await?;
    if !sessions::accept(&mut tx, person, &account.password_hash, None, now).await? {
        return Err(ActError::Unauthenticated);
    }
    sessions::confirm_totp(&mut tx, person, step, now).await?;
    sessions::end_all(&mut tx, person, now).await?;
    tx.commit().await?;
    Ok(())
}

/// Makes an invitation for a person; the token is shown once.
pub async fn invite(
    app_outside: &crate::outside::Outside,
    db: &mut sqlx::PgConnection,
    person: PersonId,
    now: OffsetDateTime,
) -> Result<SecretString, ActError> {
    let token = app_outside.secret();
    sessions::invite(db, &secret_hash(&token), person, now, now + Duration::days(7)).await?;
    Ok(SecretString::from(token))
}

/// A secret as it is shown once.
#[must_use]
pub fn shown_once(secret: &SecretString) -> String {
    secret.expose_secret().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 6238 appendix B, SHA-1, the last six of its eight digits.
    #[test]
    fn codes_are_those_of_rfc_6238() {
        let secret = b"12345678901234567890".to_vec();
        for (seconds, code) in
            [(59, "287082"), (1_111_111_109, "081804"), (1_234_567_890, "005924"), (20_000_000_000, "353130")]
        {
            let now = OffsetDateTime::from_unix_timestamp(seconds).unwrap();
            assert_eq!(step_of_code(secret.clone(), code, now), Some(seconds / 30));
            let late = now + Duration::seconds(90);
            assert_eq!(step_of_code(secret.clone(), code, late), None);
        }
    }
}
