//! Which lock answers to which differ: levers changed, and what a differ leaves behind.

use crate::keys::put_key;
use crate::rights::notices;
use crate::{Act, ActError, Read, access};
use domain::differs::{Answering, DifferState};
use domain::ids::{DifferId, LockId, RegistrationId};
use domain::keys::KeyAct;
use domain::rights::notices::NoticeKind;
use storage::differs::answers;
use storage::register::locks;
use storage::{Portion, differs, keys};

/// A lock begins to answer to a differ: keyed to it, keyed alike, or under a master.
pub async fn begin(act: &mut Act<'_>, lock: LockId, differ: DifferId) -> Result<Answering, ActError> {
    let found = locks::lock(act.db(), lock).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    access::require_own_differ(act, registration.id, differ).await?;
    begin_one(act, registration.id, lock, differ).await
}

/// A lock stops answering to a differ. Where no lock answers to it any more, its keys are dead; gives back
/// how many.
pub async fn end(act: &mut Act<'_>, lock: LockId, differ: DifferId) -> Result<u32, ActError> {
    let found = locks::lock(act.db(), lock).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    access::require_own_differ(act, registration.id, differ).await?;
    end_one(act, registration.id, lock, differ).await?;
    if answers::is_answered(act.db(), differ).await? { Ok(0) } else { let_die(act, differ).await }
}

async fn end_one(
    act: &mut Act<'_>,
    registration: RegistrationId,
    lock: LockId,
    differ: DifferId,
) -> Result<(), ActError> {
    let now = act.now;
    if !answers::end(act.db(), lock, differ, now).await? {
        return Err(ActError::WrongState {
            state: "not_answering",
            detail: "the lock does not answer to this differ".to_owned(),
        });
    }
    act.enter_change("lock.answers_no_more", Some(registration), lock.0, vec![]).await
}

async fn begin_one(
    act: &mut Act<'_>,
    registration: RegistrationId,
    lock: LockId,
    differ: DifferId,
) -> Result<Answering, ActError> {
    access::require_living(act, differ).await?;
    let answering = Answering {
        id: act.id(),
        registration_id: registration,
        lock_id: lock,
        differ_id: differ,
        since: act.now,
        until: None,
    };
    let now = act.now;
    if let Err(error) = answers::begin(act.db(), &answering, now).await {
        return Err(match error.violated() {
            Some("answers_one_at_a_time") => ActError::Conflict("the lock answers to this differ already"),
            _ => error.into(),
        });
    }
    act.enter_change("lock.answers", Some(registration), answering.id.0, vec![]).await?;
    Ok(answering)
}

/// The levers of a lock were changed: it answers to other differs from this instant on. Differs that no
/// lock answers to any more are dead, with their keys; gives back which. The registration is taken for
/// update, and that of the site where an old differ is the site's.
pub(crate) async fn change_levers(
    act: &mut Act<'_>,
    registration: RegistrationId,
    lock: LockId,
    from: &[DifferId],
    to: &[DifferId],
) -> Result<Vec<DifferId>, ActError> {
    for differ in from {
        end_one(act, registration, lock, *differ).await?;
    }
    for differ in to {
        begin_one(act, registration, lock, *differ).await?;
    }
    let mut dead = Vec::new();
    for differ in from {
        if !answers::is_answered(act.db(), *differ).await? {
            let_die(act, *differ).await?;
            dead.push(*differ);
        }
    }
    Ok(dead)
}

/// No lock answers to a differ any more: it is dead, its keys are, and who has one is told.
async fn let_die(act: &mut Act<'_>, id: DifferId) -> Result<u32, ActError> {
    let differ = differs::differ(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let now = act.now;
    differs::set_state(act.db(), id, DifferState::Dead, now).await?;
    act.enter_change("differ.dead", Some(differ.registration_id), id.0, vec![]).await?;
    let mut dead = 0;
    for key in keys::live_of_differ(act.db(), id).await? {
        let key = put_key(act, key, KeyAct::Die, None, None).await?;
        if let Some(holder) = key.holder_id {
            notices::tell(act, holder, NoticeKind::KeyDead, Some(key.registration_id), key.id.0).await?;
        }
        dead += 1;
    }
    Ok(dead)
}

/// Which lock answers, or answered, to which differ.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Answering>, ActError> {
    let (_, access) = read.registration(registration).await?;
    Ok(answers::of_registration(&mut read.db, registration, access.since(), portion).await?)
}
