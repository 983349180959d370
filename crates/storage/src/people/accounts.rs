//! Accounts: passwords, second factors, recovery codes, and their resets.

use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::secrets::SealedSecret;
use crate::{Portion, Result, wrote};
use domain::ids::{AccountResetId, PersonId};
use domain::people::AccountReset;

/// What a sign-in is checked against.
pub struct Account {
    /// The person whose account it is.
    pub person_id: PersonId,
    /// The address with which the person signs in.
    pub email: String,
    /// Argon2id, in the PHC string format.
    pub password_hash: String,
    /// The shared secret of the second factor, sealed.
    pub totp_secret: Option<Vec<u8>>,
    /// The data key under which it is.
    pub totp_key_id: Option<Uuid>,
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
            "SELECT person_id, email, password_hash, totp_secret, totp_key_id, totp_last_step, failures, blocked_until
             FROM accounts " + $rest
            $(, $argument)*
        )
    };
}

/// The account with an address.
pub async fn account_by_email(db: &mut PgConnection, email: &str) -> Result<Option<Account>> {
    Ok(select_accounts!("WHERE email = $1", email).fetch_optional(db).await?)
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

/// How somebody showed a second factor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ShownFactor {
    /// The account has none.
    None,
    /// By the code of a time step.
    Step(i64),
    /// By a recovery code, of which this is the hash.
    Recovery([u8; 32]),
}

/// Forgets wrong attempts after a right one, and spends what showed the second factor. `false` when a code of that
/// step or a later one was accepted before, there is no such recovery code, or the password was changed meanwhile.
pub async fn accept(
    db: &mut PgConnection,
    person: PersonId,
    password_hash: &str,
    shown: &ShownFactor,
    now: OffsetDateTime,
) -> Result<bool> {
    let (step, recovery) = match shown {
        ShownFactor::None => (None, None),
        ShownFactor::Step(step) => (Some(*step), None),
        ShownFactor::Recovery(hash) => (None, Some(hash.as_slice())),
    };
    let done = sqlx::query!(
        "WITH spent AS (DELETE FROM recovery_codes WHERE person_id = $1 AND code_hash = $5 RETURNING code_hash)
         UPDATE accounts
         SET failures = 0, blocked_until = NULL, totp_last_step = coalesce($2, totp_last_step), changed_at = $3
         WHERE person_id = $1 AND password_hash = $4
           AND ($2::bigint IS NULL OR totp_last_step IS NULL OR totp_last_step < $2)
           AND ($5::bytea IS NULL OR EXISTS (SELECT FROM spent))",
        person.0,
        step,
        now,
        password_hash,
        recovery
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Makes an account with an address that its owner has proved.
pub async fn add(
    db: &mut PgConnection,
    person: PersonId,
    email: &str,
    password_hash: &str,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO accounts (person_id, email, password_hash, changed_at) VALUES ($1, $2, $3, $4)",
        person.0,
        email,
        password_hash,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Sets a password, and lets attempts be looked at again.
pub async fn set_password(
    db: &mut PgConnection,
    person: PersonId,
    password_hash: &str,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE accounts SET password_hash = $2, failures = 0, blocked_until = NULL, changed_at = $3
         WHERE person_id = $1",
        person.0,
        password_hash,
        now
    )
    .execute(db)
    .await?;
    wrote("accounts", 1, &done)
}

/// Sets the second factor, of whose codes one was shown, with recovery codes of its own; or takes it away.
pub async fn set_second_factor(
    db: &mut PgConnection,
    person: PersonId,
    factor: Option<(&SealedSecret, i64)>,
    recovery_codes: &[[u8; 32]],
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE accounts SET totp_secret = $2, totp_key_id = $3, totp_last_step = $4, changed_at = $5
         WHERE person_id = $1",
        person.0,
        factor.map(|(secret, _)| &secret.bytes),
        factor.map(|(secret, _)| secret.key),
        factor.map(|(_, step)| step),
        now
    )
    .execute(&mut *db)
    .await?;
    wrote("accounts", 1, &done)?;
    sqlx::query!("DELETE FROM recovery_codes WHERE person_id = $1", person.0).execute(&mut *db).await?;
    let hashes: Vec<Vec<u8>> = recovery_codes.iter().map(|hash| hash.to_vec()).collect();
    sqlx::query!(
        "INSERT INTO recovery_codes (person_id, code_hash) SELECT $1, hash FROM unnest($2::bytea[]) AS drawn (hash)",
        person.0,
        &hashes
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Takes an account away: its person is invited to another.
pub async fn remove(db: &mut PgConnection, person: PersonId) -> Result<()> {
    sqlx::query!("DELETE FROM accounts WHERE person_id = $1", person.0).execute(db).await?;
    Ok(())
}

macro_rules! select_resets {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            AccountReset,
            "SELECT id, person_id, reason, asked_by, asked_at, confirmed_by, confirmed_at FROM account_resets " + $rest
            $(, $argument)*
        )
    };
}

/// Adds a reset that waits for a second person, with the address from then on.
pub async fn add_reset(db: &mut PgConnection, reset: &AccountReset, email: Option<&str>) -> Result<()> {
    sqlx::query!(
        "INSERT INTO account_resets (id, person_id, email, reason, asked_by, asked_at) VALUES ($1, $2, $3, $4, $5, $6)",
        reset.id.0,
        reset.person_id.0,
        email,
        reset.reason,
        reset.asked_by.0,
        reset.asked_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A reset, taken for update.
pub async fn reset_for_update(db: &mut PgConnection, id: AccountResetId) -> Result<Option<AccountReset>> {
    Ok(select_resets!("WHERE id = $1 FOR UPDATE", id.0).fetch_optional(db).await?)
}

/// The address that a reset brings with it.
pub async fn address_of_reset(db: &mut PgConnection, id: AccountResetId) -> Result<Option<String>> {
    Ok(sqlx::query_scalar!("SELECT email FROM account_resets WHERE id = $1", id.0).fetch_one(db).await?)
}

/// Resets, the oldest first.
pub async fn resets(db: &mut PgConnection, portion: Portion) -> Result<Vec<AccountReset>> {
    Ok(select_resets!("WHERE id > $1 ORDER BY id LIMIT $2", portion.after, portion.limit)
        .fetch_all(db)
        .await?)
}

/// Writes that a reset was confirmed.
pub async fn confirm_reset(db: &mut PgConnection, reset: &AccountReset) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE account_resets SET confirmed_by = $2, confirmed_at = $3 WHERE id = $1 AND confirmed_at IS NULL",
        reset.id.0,
        reset.confirmed_by.map(|id| id.0),
        reset.confirmed_at
    )
    .execute(db)
    .await?;
    wrote("account_resets", 1, &done)
}
