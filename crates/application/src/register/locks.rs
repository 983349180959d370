//! The locks of a registration.

use crate::{Act, ActError, Read, access};
use domain::ids::{LockId, RegistrationId};
use domain::register::registrations::{Hand, Lock, LockKind, Registration};
use domain::text::{Label, Reference, Slug};
use storage::register::locks;
use storage::{Portion, StorageError};

/// What a lock is, or is changed to.
pub struct LockContent {
    /// What is written on its line in the schedule.
    pub label: Label,
    /// What kind of lock.
    pub kind: LockKind,
    /// On which side the door hangs.
    pub hand: Option<Hand>,
    /// The standard that it was made to.
    pub standard: Option<Reference>,
    /// The door is on an escape route.
    pub escape_route: bool,
    /// The class of the room behind it.
    pub room_class: Option<Slug>,
}

impl LockContent {
    fn into_lock(self, id: LockId, registration: RegistrationId, version: i32) -> Lock {
        Lock {
            id,
            registration_id: registration,
            label: self.label.into(),
            kind: self.kind,
            hand: self.hand,
            standard: self.standard.map(String::from),
            escape_route: self.escape_route,
            room_class: self.room_class.map(String::from),
            version,
        }
    }
}

fn lock_error(error: StorageError) -> ActError {
    match error.violated() {
        Some("locks_label_once") => ActError::Conflict("a lock of this registration has this label"),
        _ => error.into(),
    }
}

/// Adds a lock.
pub async fn add(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    content: LockContent,
) -> Result<Lock, ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    add_to(act, &registration, content).await
}

/// Adds a lock to a registration that is taken for update.
pub(crate) async fn add_to(
    act: &mut Act<'_>,
    registration: &Registration,
    content: LockContent,
) -> Result<Lock, ActError> {
    let lock = content.into_lock(act.id(), registration.id, 1);
    let now = act.now;
    locks::add(act.db(), &lock, now).await.map_err(lock_error)?;
    act.enter_change("lock.added", Some(registration.id), lock.id.0, vec![]).await?;
    Ok(lock)
}

/// Changes a lock that is still at `version`.
pub async fn change(
    act: &mut Act<'_>,
    id: LockId,
    version: i32,
    content: LockContent,
) -> Result<Lock, ActError> {
    let found = locks::lock(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    let before = locks::lock(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if before.version != version {
        return Err(ActError::Stale);
    }
    let lock = content.into_lock(id, registration.id, version + 1);
    let now = act.now;
    locks::change(act.db(), &lock, now).await.map_err(lock_error)?;
    act.enter_change("lock.changed", Some(registration.id), id.0, vec![]).await?;
    Ok(lock)
}

/// One lock.
pub async fn lock(read: &mut Read<'_>, id: LockId) -> Result<Lock, ActError> {
    let lock = locks::lock(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    read.registration(lock.registration_id).await?;
    Ok(lock)
}

/// The locks of a registration.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Lock>, ActError> {
    read.registration(registration).await?;
    Ok(locks::of_registration(&mut read.db, registration, portion).await?)
}
