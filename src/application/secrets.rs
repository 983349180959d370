//! Sealing and opening what must not be read from a dump, and the rotation of its keys.

use secrecy::{ExposeSecret, SecretSlice};
use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use super::{Act, ActError, App, access};
use crate::domain::bitting::Bitting;
use crate::domain::ids::{DifferId, PersonId};
use crate::storage::register;
use crate::storage::secrets::{self, Sealed};
use crate::vault::VaultError;

/// How many are sealed again in one transaction.
const BATCH: i64 = 200;

impl From<VaultError> for ActError {
    fn from(error: VaultError) -> Self {
        Self::Internal(error.to_string())
    }
}

/// What is sealed, and whose it is: a copy in another row does not open.
#[derive(Clone, Copy)]
pub enum Context {
    /// The bitting of a differ.
    Bitting(DifferId),
    /// The second factor of a person.
    SecondFactor(PersonId),
}

impl Context {
    fn text(self) -> String {
        match self {
            Self::Bitting(differ) => format!("bitting:{differ}"),
            Self::SecondFactor(person) => format!("second factor:{person}"),
        }
    }
}

/// The data key under which is sealed now, open; the first one is made here.
async fn current(app: &App, db: &mut PgConnection, now: OffsetDateTime) -> Result<Uuid, ActError> {
    let found = if let Some(found) = secrets::current_key(db).await? {
        found
    } else {
        let key: [u8; 32] = app.outside.bytes();
        let key = app.vault.wrap(app.outside.id(now), &key, app.outside.bytes())?;
        secrets::add_key(db, &key, now).await?;
        // Two at once: the other one's may be it.
        secrets::current_key(db).await?.ok_or_else(|| ActError::Internal("no data key".to_owned()))?
    };
    if !app.vault.knows(found.id) {
        app.vault.learn(&found)?;
    }
    Ok(found.id)
}

/// Seals.
pub async fn seal(
    app: &App,
    db: &mut PgConnection,
    context: Context,
    plain: &[u8],
) -> Result<Sealed, ActError> {
    let key = current(app, db, app.outside.clock.now()).await?;
    let bytes = app.vault.seal(key, app.outside.bytes(), plain, &context.text())?;
    Ok(Sealed { key, bytes })
}

/// Opens.
pub async fn open(
    app: &App,
    db: &mut PgConnection,
    context: Context,
    sealed: &Sealed,
) -> Result<SecretSlice<u8>, ActError> {
    if !app.vault.knows(sealed.key) {
        let unknown = || ActError::Internal("something is sealed under an unknown data key".to_owned());
        let key = secrets::key(db, sealed.key).await?.ok_or_else(unknown)?;
        app.vault.learn(&key)?;
    }
    Ok(app.vault.open(sealed.key, &sealed.bytes, &context.text())?)
}

/// Every data key has to open: a service that finds out later that it lacks a master key would refuse
/// every sign-in with a second factor.
pub async fn require_master_keys(app: &App) -> Result<(), ActError> {
    for key in secrets::keys(&mut *app.pool.acquire().await?).await? {
        app.vault.learn(&key)?;
    }
    Ok(())
}

/// What a rotation did.
#[derive(Debug, PartialEq, Eq)]
pub struct Rotated {
    /// Data keys wrapped again under the first master key.
    pub wrapped: usize,
    /// Secrets sealed again under the new data key.
    pub sealed: usize,
    /// Old data keys deleted.
    pub deleted: u64,
}

/// Wraps every data key under the first master key, makes a new data key, seals everything under it,
/// and deletes the old ones. Broken off, it is run again; the service goes on meanwhile.
pub async fn rotate(app: &App) -> Result<Rotated, ActError> {
    let now = app.outside.clock.now();
    let mut tx = app.pool.begin().await?;
    let keys = secrets::keys_locked(&mut tx).await?;
    let wrapped = keys.len();
    for key in keys {
        let plain = app.vault.unwrap(&key)?;
        let again = app.vault.wrap(key.id, plain.expose_secret(), app.outside.bytes())?;
        secrets::rewrap_key(&mut tx, &again).await?;
    }
    secrets::retire_keys(&mut tx).await?;
    current(app, &mut tx, now).await?;
    tx.commit().await?;
    // Died here: old secrets open under old data keys, which are still there.
    let mut sealed = 0;
    loop {
        let mut tx = app.pool.begin().await?;
        let bittings = secrets::old_bittings(&mut tx, BATCH).await?;
        let second_factors = secrets::old_second_factors(&mut tx, BATCH).await?;
        if bittings.is_empty() && second_factors.is_empty() {
            break;
        }
        for (differ, old) in bittings {
            let again = reseal(app, &mut tx, Context::Bitting(differ), &old).await?;
            secrets::reseal_bitting(&mut tx, differ, &again).await?;
            sealed += 1;
        }
        for (person, old) in second_factors {
            let again = reseal(app, &mut tx, Context::SecondFactor(person), &old).await?;
            secrets::reseal_second_factor(&mut tx, person, &again).await?;
            sealed += 1;
        }
        tx.commit().await?;
    }
    let deleted = secrets::delete_unused_keys(&mut *app.pool.acquire().await?).await?;
    Ok(Rotated { wrapped, sealed, deleted })
}

async fn reseal(
    app: &App,
    db: &mut PgConnection,
    context: Context,
    old: &Sealed,
) -> Result<Sealed, ActError> {
    let plain = open(app, db, context, old).await?;
    seal(app, db, context, plain.expose_secret()).await
}

/// Bitting that was opened.
pub fn bitting_of(heights: &SecretSlice<u8>) -> Result<Bitting, ActError> {
    Bitting::new(heights.expose_secret().to_vec())
        .map_err(|_| ActError::Internal("bittings: what was sealed is no list of heights".to_owned()))
}

/// Records the bitting of a differ, once: another combination is another differ.
pub async fn record_bitting(act: &mut Act<'_>, differ: DifferId, bitting: &Bitting) -> Result<(), ActError> {
    act.caller.require_keeper()?;
    let found = register::differ(act.db(), differ).await?.ok_or(ActError::NotFound)?;
    access::locked_for(act, found.registration_id).await?;
    let app = act.app();
    let sealed = seal(app, act.db(), Context::Bitting(differ), bitting.heights()).await?;
    if !secrets::add_bitting(act.db(), differ, &sealed).await? {
        return Err(ActError::Conflict("the bitting of this differ is on record already"));
    }
    act.record_change("differ.bitting_recorded", Some(found.registration_id), differ.0, vec![]).await
}
