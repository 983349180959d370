//! Signing in and out; refresh tokens; client programs.

use secrecy::{ExposeSecret, SecretString};
use sha2::{Digest, Sha256};
use time::{Duration, OffsetDateTime};

use crate::caller::{Caller, needs_second_factor};
use crate::network::Network;
use crate::people::accounts::{FREE_ATTEMPTS, Factor, blocked, shown_factor};
use crate::{Act, ActError, App, Read};
use crypto::passwords::Lane;
use crypto::tokens::keys::KeyError;
use crypto::tokens::secret_hash;
use domain::ids::{ActorId, ClientProgramId, PersonId, SessionId};
use domain::people::{Post, Scope};
use storage::people::memberships::Seat;
use storage::people::sessions::SessionSummary;
use storage::people::{self, accounts, memberships, places, sessions};

/// For how long a session of staff may stand unused: a long lunch at a counter. Of others: two weeks of a telephone in a
/// drawer.
const STAFF_IDLE: Duration = Duration::hours(3);
const IDLE: Duration = Duration::days(14);
/// How long a session of staff may last, a long day at a counter; of others: a month.
const STAFF_LENGTH: Duration = Duration::hours(12);
const LENGTH: Duration = Duration::days(30);
/// Seconds for which an access token is good.
pub const ACCESS_SECONDS: i64 = 600;

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

/// Attempts to sign in with an address, from anywhere, before a pause is asked for.
const FREE_FROM_ANYWHERE: i32 = 50;
/// For how long a place is known from which somebody signed in.
const KNOWN: Duration = Duration::days(90);

/// Where an attempt counts: with its address from its network, and with its address from anywhere.
struct Places {
    here: [u8; 32],
    anywhere: [u8; 32],
    from: Network,
}

impl Places {
    fn of(email: &str, from: Network) -> Self {
        let anywhere = Sha256::new().chain_update(email);
        let here = anywhere.clone().chain_update([0]).chain_update(from.bytes());
        Self { here: here.finalize().into(), anywhere: anywhere.finalize().into(), from }
    }

    /// Counts an attempt. Where its owner has signed in before, only what was tried there matters: nobody else
    /// locks them out.
    async fn count(&self, db: &mut sqlx::PgConnection, now: OffsetDateTime) -> Result<(), ActError> {
        let known = places::is_known(db, &self.here, now).await?;
        let mut counted = places::count(db, &self.here, now, FREE_ATTEMPTS).await?;
        if counted.is_ok() && !known {
            counted = places::count(db, &self.anywhere, now, FREE_FROM_ANYWHERE).await?;
        }
        counted.map_err(|until| {
            tracing::warn!(network = %self.from, "sign_in.blocked");
            blocked(Some(until), now)
        })
    }

    async fn accept(&self, db: &mut sqlx::PgConnection, now: OffsetDateTime) -> Result<(), ActError> {
        Ok(places::accept(db, (&self.here, &self.anywhere), now, now + KNOWN).await?)
    }
}

/// Signs a person in, from a network.
///
/// # Errors
/// [`ActError::Unauthenticated`], which says no more than that.
pub async fn sign_in(
    app: &App,
    email: &str,
    password: SecretString,
    factor: Option<&Factor>,
    from: Network,
) -> Result<SignIn, ActError> {
    let now = app.outside.clock.now();
    let places = Places::of(email, from);
    let mut db = app.pool.acquire().await?;
    // Before anybody looks whether there is such an account: both look alike.
    places.count(&mut db, now).await?;
    let account = accounts::account_by_email(&mut db, email).await?;
    drop(db);
    let hash = account.as_ref().map(|account| account.password_hash.clone());
    let right = app.is_right(Lane::Password, password, hash).await?;
    let Some(account) = account.filter(|_| right) else {
        tracing::warn!(network = %from, "sign_in.failed");
        return Err(ActError::Unauthenticated);
    };
    let person = account.person_id;
    let second_factor = account.second_factor().is_some();
    if second_factor && factor.is_none() {
        tracing::info!(actor.id = %person, network = %from, "sign_in.code_needed");
        return Ok(SignIn::CodeNeeded);
    }
    let shown = shown_factor(app, &account, factor, now).await?;
    let mut tx = storage::begin(&app.pool).await?;
    let accepted = match &shown {
        Some(shown) => accounts::accept(&mut tx, person, &account.password_hash, shown, now).await?,
        None => false,
    };
    if !accepted {
        tracing::warn!(actor.id = %person, network = %from, "sign_in.factor_failed");
        return Err(ActError::Unauthenticated);
    }
    places.accept(&mut tx, now).await?;
    let seats = memberships::seats(&mut tx, person, now.date()).await?;
    let staff = seats.iter().any(|seat| needs_second_factor(seat.kind));
    let session = SessionId(app.outside.id(now));
    let length = if staff { STAFF_LENGTH } else { LENGTH };
    sessions::start(&mut tx, session, person, second_factor, now, now + length).await?;
    let refresh_token = new_refresh_token(app, &mut tx, session, now).await?;
    tx.commit().await?;
    let with = match factor {
        None => "password",
        Some(Factor::Code(_)) => "code",
        Some(Factor::Recovery(_)) => "recovery_code",
    };
    tracing::info!(actor.id = %person, network = %from, with, "sign_in.done");
    Ok(SignIn::Done(SessionTokens {
        access_token: app.tokens.sign(person.to_string(), session.to_string(), now, ACCESS_SECONDS)?,
        expires_in: ACCESS_SECONDS,
        refresh_token,
        second_factor,
        second_factor_missing: staff && !second_factor,
    }))
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
    // Whoever stands at an unlocked computer hours later has nothing: staff after three hours, others after two weeks.
    let staff = running.seats.iter().any(|seat| needs_second_factor(seat.kind));
    let unused = now - found.issued_at > if staff { STAFF_IDLE } else { IDLE };
    // Somebody may have become staff since they signed in.
    if unused || (staff && now - found.started_at > STAFF_LENGTH) {
        return Err(ActError::Unauthenticated);
    }
    tx.commit().await?;
    tracing::info!(actor.id = %found.person_id, session.id = %found.session_id, "session.refreshed");
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

/// The caller's sessions that are running.
///
/// # Errors
/// When a program calls.
pub async fn own(read: &mut Read<'_>) -> Result<Vec<SessionSummary>, ActError> {
    let person = read.caller.require_person()?;
    Ok(sessions::of_person(&mut read.db, person, read.now).await?)
}

/// Ends one of the caller's sessions.
///
/// # Errors
/// [`ActError::NotFound`] when there is none of theirs.
pub async fn end_own(app: &App, caller: &Caller, id: SessionId) -> Result<(), ActError> {
    let person = caller.require_person()?;
    let now = app.outside.clock.now();
    let ended = sessions::end_own(&mut *app.pool.acquire().await?, person, id, now).await?;
    if ended { Ok(()) } else { Err(ActError::NotFound) }
}

/// Ends every session of somebody, as when a device is lost and its owner cannot: by a person of the supplier.
pub async fn end_all_of(act: &mut Act<'_>, person: PersonId) -> Result<(), ActError> {
    act.caller.require_supplier()?;
    act.caller.require_person()?;
    people::person(act.db(), person).await?.ok_or(ActError::NotFound)?;
    let now = act.now;
    sessions::end_all(act.db(), person, now).await?;
    act.enter_person("person.sessions_ended", person).await
}

/// Ends every session of everybody, and gives back how many: for whoever runs the service, as after a break-in.
///
/// # Errors
/// When the database says no.
pub async fn end_everybodys(app: &App) -> Result<u64, ActError> {
    let now = app.outside.clock.now();
    let ended = sessions::end_everybodys(&mut *app.pool.acquire().await?, now).await?;
    tracing::warn!(ended, "sessions.all_ended");
    Ok(ended)
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
    let Some(program) = program.filter(|program| program.secret_hash == secret_hash(secret)) else {
        tracing::warn!(actor.id = %id, "program.token_refused");
        return Err(ActError::Unauthenticated);
    };
    let asked = match scope {
        Some(text) => scopes_of(text).filter(|asked| asked.iter().all(|one| program.scopes.contains(one))),
        None => Some(program.scopes.clone()),
    };
    let asked = asked.ok_or(ActError::Forbidden("this client program has not all of these scopes"))?;
    let scope = asked.iter().map(|scope| scope.as_str()).collect::<Vec<_>>().join(" ");
    let now = app.outside.clock.now();
    let access_token = app.tokens.sign_for_program(id.to_string(), scope.clone(), now, ACCESS_SECONDS)?;
    tracing::info!(actor.id = %id, scope, "program.token_given");
    Ok(ProgramToken { access_token, scope })
}

/// Scopes as RFC 6749 s. 3.3 writes them: words between spaces. Nothing, where one is unknown.
fn scopes_of(text: &str) -> Option<Vec<Scope>> {
    text.split(' ').filter(|word| !word.is_empty()).map(|word| word.parse().ok()).collect()
}

/// A secret as it is shown once.
#[must_use]
pub fn shown_once(secret: &SecretString) -> String {
    secret.expose_secret().to_owned()
}
