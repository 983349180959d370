//! Sealing and opening what must not be read from a dump, and the rotation of its keys.

use secrecy::{ExposeSecret, SecretSlice};
use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::{ActError, App};
use crypto::vault::VaultError;
use domain::differs::bitting::Bitting;
use domain::ids::{DifferId, PersonId, SectionId};
use storage::secrets::{SealedBitting, SealedSecret};
use storage::{differs, secrets};

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
) -> Result<SealedSecret, ActError> {
    let key = current(app, db, app.outside.clock.now()).await?;
    let bytes = app.vault.seal(key, app.outside.bytes(), plain, &context.text())?;
    Ok(SealedSecret { key, bytes })
}

/// Opens.
pub async fn open(
    app: &App,
    db: &mut PgConnection,
    context: Context,
    sealed: &SealedSecret,
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
pub struct RotationCount {
    /// Data keys wrapped again under the first master key.
    pub wrapped: usize,
    /// Secrets sealed again under the new data key.
    pub sealed: usize,
    /// Old data keys deleted.
    pub deleted: u64,
}

/// Wraps every data key under the first master key, makes a new data key, seals everything under it,
/// and deletes the old ones. Broken off, it is run again; the service goes on meanwhile.
pub async fn rotate(app: &App) -> Result<RotationCount, ActError> {
    let now = app.outside.clock.now();
    let mut tx = storage::begin(&app.pool).await?;
    let keys = secrets::keys_for_update(&mut tx).await?;
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
        let mut tx = storage::begin(&app.pool).await?;
        let bittings = secrets::old_bittings(&mut tx, BATCH).await?;
        let second_factors = secrets::old_second_factors(&mut tx, BATCH).await?;
        if bittings.is_empty() && second_factors.is_empty() {
            break;
        }
        for (differ, section, old) in bittings {
            let plain = open(app, &mut tx, Context::Bitting(differ), &old).await?;
            let again = seal_bitting(app, &mut tx, differ, section, plain.expose_secret()).await?;
            secrets::reseal_bitting(&mut tx, &again).await?;
            sealed += 1;
        }
        for (person, old) in second_factors {
            let context = Context::SecondFactor(person);
            let plain = open(app, &mut tx, context, &old).await?;
            let again = seal(app, &mut tx, context, plain.expose_secret()).await?;
            secrets::reseal_second_factor(&mut tx, person, &again).await?;
            sealed += 1;
        }
        tx.commit().await?;
    }
    let deleted = secrets::delete_unused_keys(&mut *app.pool.acquire().await?).await?;
    Ok(RotationCount { wrapped, sealed, deleted })
}

/// Bitting that was opened.
pub fn bitting_of(heights: &SecretSlice<u8>) -> Result<Bitting, ActError> {
    Bitting::new(heights.expose_secret().to_vec())
        .map_err(|_| ActError::Internal("bittings: what was sealed is no list of heights".to_owned()))
}

/// Bitting sealed for a differ of a section, with its fingerprint under the same data key.
pub async fn seal_bitting(
    app: &App,
    db: &mut PgConnection,
    differ: DifferId,
    section: SectionId,
    heights: &[u8],
) -> Result<SealedBitting, ActError> {
    let sealed = seal(app, db, Context::Bitting(differ), heights).await?;
    let mut fingerprints = app.vault.fingerprints(sealed.key, &fingerprint_context(section), &[heights])?;
    let fingerprint = fingerprints.pop().unwrap_or_default();
    Ok(SealedBitting { differ, section, sealed, fingerprint })
}

fn fingerprint_context(section: SectionId) -> String {
    format!("section:{section}")
}

/// Which of these lists of heights are differs of the section already. While the section's
/// space: nobody else gives one out meanwhile.
pub async fn which_are_taken(
    app: &App,
    db: &mut PgConnection,
    section: SectionId,
    candidates: &[Vec<u8>],
) -> Result<Vec<bool>, ActError> {
    loop {
        let keys = open_data_keys(app, db).await?;
        let mut under_each = Vec::new();
        for key in &keys {
            under_each.push(app.vault.fingerprints(*key, &fingerprint_context(section), candidates)?);
        }
        let taken = differs::which_are_taken(db, section, &under_each.concat()).await?;
        // A rotation may have begun to seal under a new key before they were looked up.
        if open_data_keys(app, db).await? == keys {
            let is_taken = |at| {
                let mut own = under_each.iter().filter_map(|all: &Vec<Vec<u8>>| all.get(at));
                own.any(|fingerprint| taken.contains(fingerprint))
            };
            return Ok((0..candidates.len()).map(is_taken).collect());
        }
    }
}

/// Every data key, open: one, and two while a rotation goes on.
async fn open_data_keys(app: &App, db: &mut PgConnection) -> Result<Vec<Uuid>, ActError> {
    let keys = secrets::keys(db).await?;
    for key in keys.iter().filter(|key| !app.vault.knows(key.id)) {
        app.vault.learn(key)?;
    }
    Ok(keys.into_iter().map(|key| key.id).collect())
}
