//! The caller's own account: password, second factor, recovery codes.

use secrecy::{ExposeSecret, SecretString};
use time::OffsetDateTime;
use totp_rs::{Algorithm, TOTP};

use crate::caller::Caller;
use crate::secrets::Context;
use crate::{ActError, App, secrets};
use crypto::passwords::{Lane, PASSWORD_LENGTHS};
use crypto::tokens::secret_hash;
use domain::ids::PersonId;
use storage::people::accounts::{Account, ShownFactor};
use storage::people::{accounts, sessions};
use storage::secrets::SealedSecret;

/// Attempts before a pause is asked for.
pub const FREE_ATTEMPTS: i32 = 5;
/// Seconds of a time step of the second factor (RFC 6238 s. 5.2).
const STEP: u64 = 30;
/// Bytes of the shared secret (RFC 4226 s. 4: 160 bits).
const SECRET_BYTES: usize = 20;
/// How many recovery codes come with a second factor.
const RECOVERY_CODES: usize = 10;

/// What everybody knows of a register.
const OWN_WORDS: [&str; 9] = [
    "wardbook",
    "register",
    "registration",
    "keyholder",
    "locksmith",
    "mortice",
    "counter",
    "supplier",
    "landlord",
];

/// What somebody shows of a second factor.
pub enum Factor {
    /// The code of the moment.
    Code(String),
    /// A recovery code.
    Recovery(SecretString),
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
    let now = app.outside.clock.now();
    let email =
        accounts::account(&mut *app.pool.acquire().await?, person).await?.ok_or(ActError::NotFound)?.email;
    // A poor choice is no attempt at the old one.
    require_password("/new_password", &new, &email)?;
    let account = counted_account(app, person, now).await?;
    if !app.is_right(Lane::Password, old, Some(account.password_hash.clone())).await? {
        tracing::warn!(account.id = %person, "account.proof_failed");
        return Err(ActError::invalid("/old_password", "is wrong"));
    }
    let hash = app.hash(Lane::Password, new).await?;
    let mut tx = storage::begin(&app.pool).await?;
    if !accounts::accept(&mut tx, person, &account.password_hash, &ShownFactor::None, now).await? {
        return Err(ActError::Unauthenticated);
    }
    accounts::set_password(&mut tx, person, &hash, now).await?;
    sessions::end_all(&mut tx, person, now).await?;
    tx.commit().await?;
    tracing::info!(account.id = %person, what = "password", "account.changed");
    Ok(())
}

/// Whether this may be the password of whoever signs in with an address: long enough, and none that is tried first.
/// What zxcvbn knows of these are the lists of its makers (leaked passwords, words, names); the register's words and
/// the person's come besides.
pub(super) fn require_password(pointer: &str, new: &SecretString, email: &str) -> Result<(), ActError> {
    let new = new.expose_secret();
    if !PASSWORD_LENGTHS.contains(&new.chars().count()) {
        let (least, most) = (PASSWORD_LENGTHS.start(), PASSWORD_LENGTHS.end());
        return Err(ActError::invalid(pointer, format!("must have from {least} to {most} characters")));
    }
    let mut own: Vec<&str> = OWN_WORDS.to_vec();
    own.extend(email.split(|letter: char| !letter.is_alphanumeric()).chain([email]));
    if zxcvbn::zxcvbn(new, &own).score() < zxcvbn::Score::Three {
        return Err(ActError::invalid(pointer, "is one that would be tried first: take another"));
    }
    Ok(())
}

async fn counted_account(app: &App, person: PersonId, now: OffsetDateTime) -> Result<Account, ActError> {
    let mut tx = storage::begin(&app.pool).await?;
    let account = accounts::account(&mut tx, person).await?.ok_or(ActError::NotFound)?;
    let counted = accounts::count_attempt(&mut tx, person, now, FREE_ATTEMPTS).await?;
    tx.commit().await?;
    if counted.is_none() { Err(blocked(account.blocked_until, now)) } else { Ok(account) }
}

pub(super) fn blocked(until: Option<OffsetDateTime>, now: OffsetDateTime) -> ActError {
    let wait = until.map_or(60, |until| (until - now).whole_seconds().max(1));
    ActError::TooManyAttempts { retry_after: wait.unsigned_abs() }
}

fn totp(secret: Vec<u8>, account: String) -> Result<TOTP, ActError> {
    TOTP::new(Algorithm::SHA1, 6, 1, STEP, secret, Some("Wardbook".to_owned()), account)
        .map_err(|error| ActError::Internal(error.to_string()))
}

/// The time step of which a code is: that of now, or the one before it (RFC 6238 s. 5.2).
fn step_of_code(secret: &[u8], code: &str, now: OffsetDateTime) -> Option<i64> {
    let totp = totp(secret.to_vec(), "account".to_owned()).ok()?;
    let step = u64::try_from(now.unix_timestamp()).ok()? / STEP;
    [step, step.saturating_sub(1)]
        .into_iter()
        .find(|step| totp.generate(step * STEP) == code)
        .and_then(|step| i64::try_from(step).ok())
}

/// What of an account's second factor was shown; nothing, where it was not right.
pub(super) async fn shown_factor(
    app: &App,
    account: &Account,
    factor: Option<&Factor>,
    now: OffsetDateTime,
) -> Result<Option<ShownFactor>, ActError> {
    let Some(sealed) = account.second_factor() else { return Ok(Some(ShownFactor::None)) };
    Ok(match factor {
        None => None,
        Some(Factor::Code(code)) => {
            let mut db = app.pool.acquire().await?;
            let context = Context::SecondFactor(account.person_id);
            let secret = secrets::open(app, &mut db, context, &sealed).await?;
            step_of_code(secret.expose_secret(), code, now).map(ShownFactor::Step)
        }
        Some(Factor::Recovery(code)) => Some(ShownFactor::Recovery(recovery_hash(code.expose_secret()))),
    })
}

/// Draws a second factor: its secret in base32, and as an `otpauth` address. Nothing is kept: it comes back with
/// the first of its codes.
///
/// # Errors
/// When the caller has no account.
pub async fn draw_second_factor(app: &App, caller: &Caller) -> Result<(String, String), ActError> {
    let person = caller.require_person()?;
    let account = accounts::account(&mut *app.pool.acquire().await?, person).await?;
    let name = account.ok_or(ActError::NotFound)?.email.replace(':', "");
    let secret: [u8; SECRET_BYTES] = app.outside.bytes();
    let totp = totp(secret.to_vec(), name)?;
    Ok((totp.get_secret_base32(), totp.get_url()))
}

/// A second factor to set.
pub struct NewFactor {
    /// The secret that was drawn, in base32.
    pub secret: SecretString,
    /// A code of it.
    pub code: String,
}

/// Sets a second factor, or puts another in its place: against the password, and what is shown of the one before.
/// Gives recovery codes, shown once. Every session of the person ends.
///
/// # Errors
/// [`ActError::Invalid`] when something of it is wrong.
pub async fn set_second_factor(
    app: &App,
    caller: &Caller,
    password: SecretString,
    old: Option<&Factor>,
    new: &NewFactor,
) -> Result<Vec<SecretString>, ActError> {
    let person = caller.require_person()?;
    let now = app.outside.clock.now();
    let secret = totp_rs::Secret::Encoded(new.secret.expose_secret().to_owned()).to_bytes().ok();
    let secret = secret.filter(|secret| secret.len() == SECRET_BYTES);
    let secret = secret.ok_or_else(|| ActError::invalid("/secret", "is not one that was drawn"))?;
    let (account, shown) = proved_owner(app, person, password, old, now).await?;
    let step = step_of_code(&secret, &new.code, now).ok_or_else(|| ActError::invalid("/code", "is wrong"))?;
    let drawn: Vec<[u8; RECOVERY_BYTES]> = (0..RECOVERY_CODES).map(|_| app.outside.bytes()).collect();
    let codes: Vec<SecretString> = drawn.iter().map(|bytes| recovery_code(bytes).into()).collect();
    let hashes: Vec<_> = codes.iter().map(|code| recovery_hash(code.expose_secret())).collect();
    let mut db = app.pool.acquire().await?;
    let sealed = secrets::seal(app, &mut db, Context::SecondFactor(person), &secret).await?;
    drop(db);
    change_factor(app, &account, &shown, Some((&sealed, step)), &hashes, now).await?;
    Ok(codes)
}

/// Takes the second factor away: against the password, and what is shown of it. Every session of the person ends.
///
/// # Errors
/// [`ActError::Invalid`] when something of it is wrong.
pub async fn remove_second_factor(
    app: &App,
    caller: &Caller,
    password: SecretString,
    old: &Factor,
) -> Result<(), ActError> {
    let person = caller.require_person()?;
    let now = app.outside.clock.now();
    let (account, shown) = proved_owner(app, person, password, Some(old), now).await?;
    if shown == ShownFactor::None {
        return Err(ActError::Conflict("there is no second factor"));
    }
    change_factor(app, &account, &shown, None, &[], now).await
}

/// The account of whoever knows its password and shows its second factor, where it has one.
async fn proved_owner(
    app: &App,
    person: PersonId,
    password: SecretString,
    factor: Option<&Factor>,
    now: OffsetDateTime,
) -> Result<(Account, ShownFactor), ActError> {
    let account = counted_account(app, person, now).await?;
    if !app.is_right(Lane::Password, password, Some(account.password_hash.clone())).await? {
        tracing::warn!(account.id = %person, "account.proof_failed");
        return Err(ActError::invalid("/password", "is wrong"));
    }
    match shown_factor(app, &account, factor, now).await? {
        Some(shown) => Ok((account, shown)),
        None => {
            Err(ActError::invalid("/old_code", "a code of the second factor, or a recovery code, is needed"))
        }
    }
}

async fn change_factor(
    app: &App,
    account: &Account,
    shown: &ShownFactor,
    new: Option<(&SealedSecret, i64)>,
    recovery_hashes: &[[u8; 32]],
    now: OffsetDateTime,
) -> Result<(), ActError> {
    let person = account.person_id;
    let mut tx = storage::begin(&app.pool).await?;
    if !accounts::accept(&mut tx, person, &account.password_hash, shown, now).await? {
        return Err(ActError::invalid("/old_code", "was used before, or is wrong"));
    }
    accounts::set_second_factor(&mut tx, person, new, recovery_hashes, now).await?;
    sessions::end_all(&mut tx, person, now).await?;
    tx.commit().await?;
    let what = if new.is_some() { "second_factor_set" } else { "second_factor_removed" };
    tracing::info!(account.id = %person, what, "account.changed");
    Ok(())
}

/// Random bytes of a recovery code: nothing to guess, so that no slow hash is needed.
const RECOVERY_BYTES: usize = 15;

/// A recovery code: 120 bits in base32, in groups of four.
fn recovery_code(bytes: &[u8; RECOVERY_BYTES]) -> String {
    let letters = totp_rs::Secret::Raw(bytes.to_vec()).to_encoded().to_string();
    let groups: Vec<&str> = (0..letters.len()).step_by(4).filter_map(|at| letters.get(at..at + 4)).collect();
    groups.join("-")
}

/// The hash of a recovery code, however it was typed.
fn recovery_hash(code: &str) -> [u8; 32] {
    let typed: String = code.chars().filter(char::is_ascii_alphanumeric).collect();
    secret_hash(&typed.to_ascii_uppercase())
}

#[cfg(test)]
mod tests {
    use super::*;
    use time::Duration;

    /// RFC 6238 appendix B, SHA-1, the last six of its eight digits.
    #[test]
    fn codes_are_those_of_rfc_6238() {
        let secret = b"12345678901234567890";
        for (seconds, code) in
            [(59, "287082"), (1_111_111_109, "081804"), (1_234_567_890, "005924"), (20_000_000_000, "353130")]
        {
            let now = OffsetDateTime::from_unix_timestamp(seconds).unwrap();
            assert_eq!(step_of_code(secret, code, now), Some(seconds / 30));
            assert_eq!(step_of_code(secret, code, now + Duration::seconds(30)), Some(seconds / 30));
            assert_eq!(step_of_code(secret, code, now + Duration::seconds(60)), None);
            // A clock that is ahead guesses nothing of what is to come.
            assert_eq!(step_of_code(secret, code, now - Duration::seconds(30)), None);
        }
    }

    #[test]
    fn a_recovery_code_is_the_same_however_it_is_typed() {
        let code = recovery_code(&[0, 1, 2, 3, 4, 250, 251, 252, 253, 254, 0, 1, 2, 3, 4]);
        assert_eq!(code, "AAAQ-EAYE-7L57-Z7P6-AAAQ-EAYE");
        let typed = code.to_lowercase().replace('-', " ");
        assert_eq!(recovery_hash(&typed), recovery_hash(&code));
        assert_ne!(recovery_hash("AAAQ-EAYE-7L57-Z7P6-AAAQ-EAYF"), recovery_hash(&code));
    }
}
