//! Registrations, their rules, locks, differs, and which lock answers to which differ.

use serde_json::Value;
use time::OffsetDateTime;

use super::access::{self};
use super::caller::Caller;
use super::{Act, ActError, App, audits, notices, rules};
use crate::domain::ids::{DifferId, LockId, OrganisationId, RegistrationId, SectionId};
use crate::domain::key::KeyAct;
use crate::domain::number::TypedNumber;
use crate::domain::register::{DifferState, Hand, Level, LockKind, NoticeKind};
use crate::domain::registration::{Answering, Differ, Lock, Registration};
use crate::domain::rules::Rules;
use crate::domain::text::{DifferNumber, Label, Premises, Reference, Slug};
use crate::storage::{Portion, StorageError, differs, history, keys, people, register, sections, sites};

/// Registers premises of an owner. The rules are the supplier's defaults, as version 1.
pub async fn add(
    act: &mut Act<'_>,
    section: SectionId,
    owner: OrganisationId,
    premises: Premises,
) -> Result<Registration, ActError> {
    add_numbered(act, section, owner, premises, None).await
}

/// Registers premises under the number that they had before; a new one is drawn where there is none.
pub async fn add_numbered(
    act: &mut Act<'_>,
    section: SectionId,
    owner: OrganisationId,
    premises: Premises,
    number: Option<TypedNumber>,
) -> Result<Registration, ActError> {
    act.caller.require_supplier()?;
    if sections::section(act.db(), section).await?.is_none() {
        return Err(ActError::invalid("/section_id", "is not known"));
    }
    if people::organisation(act.db(), owner).await?.is_none() {
        return Err(ActError::invalid("/owner_id", "is not known"));
    }
    let drawn = || TypedNumber::from_value(u64::from_be_bytes(act.outside().bytes()));
    let number = number.unwrap_or_else(drawn);
    let registration = Registration {
        id: act.id(),
        number,
        section_id: section,
        owner_id: owner,
        premises: premises.into(),
        rules_version: 1,
        version: 1,
        created_at: act.now,
        ended_at: None,
    };
    register::add(act.db(), &registration).await?;
    let (_, defaults) = rules::newest_defaults(act.db()).await?;
    let (by, now) = (act.caller.actor(), act.now);
    register::add_rules(act.db(), registration.id, 1, &defaults, by, now).await?;
    audits::plan_next(act, &registration, &rules::parsed(defaults)?).await?;
    act.enter_change("registration.added", Some(registration.id), registration.id.0, vec![]).await?;
    Ok(registration)
}

/// A registration.
pub async fn registration(app: &App, caller: &Caller, id: RegistrationId) -> Result<Registration, ActError> {
    let today = app.outside.clock.now().date();
    Ok(access::visible(&mut *app.pool.acquire().await?, caller, id, today).await?.0)
}

/// The registrations that the caller may see; by its typed number, at most one.
pub async fn all(
    app: &App,
    caller: &Caller,
    number: Option<&TypedNumber>,
    portion: Portion,
) -> Result<Vec<Registration>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    if let Some(number) = number {
        let Some(found) = register::by_number(&mut db, number).await? else { return Ok(vec![]) };
        return match access::visible(&mut db, caller, found.id, today).await {
            Ok((registration, _)) => Ok(vec![registration]),
            Err(ActError::NotFound) => Ok(vec![]),
            Err(error) => Err(error),
        };
    }
    if caller.is_supplier() {
        Ok(register::all(&mut db, portion).await?)
    } else {
        Ok(register::of_parties(&mut db, caller.person(), &caller.organisations(), today, portion).await?)
    }
}

/// Changes where the locks of a registration are, if it is still at `version`.
pub async fn change(
    act: &mut Act<'_>,
    id: RegistrationId,
    version: i32,
    premises: Premises,
) -> Result<Registration, ActError> {
    let (before, access) = access::registration_for_update(act, id).await?;
    access.require(access.owns())?;
    access::require_active(&before)?;
    if before.version != version {
        return Err(ActError::Stale);
    }
    let after = Registration { premises: premises.into(), version: version + 1, ..before };
    let now = act.now;
    register::change(act.db(), &after, now).await?;
    act.enter_change("registration.changed", Some(id), id.0, vec![]).await?;
    Ok(after)
}

/// Ends a registration. Open requests stop.
pub async fn end(act: &mut Act<'_>, id: RegistrationId) -> Result<Registration, ActError> {
    let site = sites::site_of_plot(act.db(), id).await?;
    if let Some(site) = site {
        register::registration_for_update(act.db(), site).await?;
    }
    let (before, access) = access::registration_for_update(act, id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&before)?;
    let now = act.now;
    let after = Registration { ended_at: Some(now), version: before.version + 1, ..before };
    register::change(act.db(), &after, now).await?;
    act.enter_change("registration.ended", Some(id), id.0, vec![]).await?;
    let open = crate::storage::copies::open(act.db(), id).await?;
    super::copies::stop(act, &after, open).await?;
    super::cards::revoke_all(act, id).await?;
    // A plot that is given up holds its site's key alive no longer.
    for (lock, differ) in register::answers_elsewhere(act.db(), id).await? {
        change_levers(act, id, lock, &[differ], &[]).await?;
    }
    Ok(after)
}

/// Sets the rules of a registration, if they are still at `version`. Owners and the supplier do.
pub async fn set_rules(
    act: &mut Act<'_>,
    id: RegistrationId,
    version: i32,
    new: &Rules,
) -> Result<i32, ActError> {
    let (before, access) = access::registration_for_update(act, id).await?;
    access.require(access.owns())?;
    access::require_active(&before)?;
    rules::check(new)?;
    if before.rules_version != version {
        return Err(ActError::Stale);
    }
    let (value, by, now) = (rules::value(new)?, act.caller.actor(), act.now);
    register::add_rules(act.db(), id, version + 1, &value, by, now).await?;
    let after = Registration { rules_version: version + 1, version: before.version + 1, ..before };
    register::change(act.db(), &after, now).await?;
    audits::plan_next(act, &after, new).await?;
    act.enter_change("rules.set", Some(id), id.0, vec![]).await?;
    Ok(after.rules_version)
}

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
pub async fn add_lock(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    content: LockContent,
) -> Result<Lock, ActError> {
    let (registration, access) = access::registration_for_update(act, registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    add_lock_to(act, &registration, content).await
}

/// Adds a lock to a registration that is taken for update.
pub(super) async fn add_lock_to(
    act: &mut Act<'_>,
    registration: &Registration,
    content: LockContent,
) -> Result<Lock, ActError> {
    let lock = content.into_lock(act.id(), registration.id, 1);
    let now = act.now;
    register::add_lock(act.db(), &lock, now).await.map_err(lock_error)?;
    act.enter_change("lock.added", Some(registration.id), lock.id.0, vec![]).await?;
    Ok(lock)
}

/// Changes a lock that is still at `version`.
pub async fn change_lock(
    act: &mut Act<'_>,
    id: LockId,
    version: i32,
    content: LockContent,
) -> Result<Lock, ActError> {
    let found = register::lock_by_id(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = access::registration_for_update(act, found.registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    let before = register::lock_by_id(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if before.version != version {
        return Err(ActError::Stale);
    }
    let lock = content.into_lock(id, registration.id, version + 1);
    let now = act.now;
    register::change_lock(act.db(), &lock, now).await.map_err(lock_error)?;
    act.enter_change("lock.changed", Some(registration.id), id.0, vec![]).await?;
    Ok(lock)
}

/// One lock.
pub async fn lock(app: &App, caller: &Caller, id: LockId) -> Result<Lock, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    let lock = register::lock_by_id(&mut db, id).await?.ok_or(ActError::NotFound)?;
    access::visible(&mut db, caller, lock.registration_id, today).await?;
    Ok(lock)
}

/// The locks of a registration.
pub async fn locks(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Lock>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    access::visible(&mut db, caller, registration, today).await?;
    Ok(register::locks(&mut db, registration, portion).await?)
}

/// Adds a differ by its number.
pub async fn add_differ(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    number: DifferNumber,
    level: Level,
) -> Result<Differ, ActError> {
    let (registration, access) = access::registration_for_update(act, registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    let differ =
        Differ { id: act.id(), registration_id, number: number.into(), level, state: DifferState::GivenOut };
    let now = act.now;
    if let Err(error) = register::add_differ(act.db(), registration.section_id, &differ, false, now).await {
        return Err(match error.violated() {
            Some("differs_number_once") => {
                ActError::Conflict("this differ number is given out in this section already")
            }
            _ => error.into(),
        });
    }
    act.enter_change("differ.added", Some(registration_id), differ.id.0, vec![]).await?;
    Ok(differ)
}

/// The differs of a registration.
pub async fn differs(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Differ>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    access::visible(&mut db, caller, registration, today).await?;
    Ok(register::differs(&mut db, registration, portion).await?)
}

/// A lock begins to answer to a differ: keyed to it, keyed alike, or under a master.
pub async fn begin_answering(
    act: &mut Act<'_>,
    lock: LockId,
    differ: DifferId,
) -> Result<Answering, ActError> {
    let found = register::lock_by_id(act.db(), lock).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = access::registration_for_update(act, found.registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    if register::own_differs(act.db(), registration.id, &[differ]).await?.is_empty() {
        return Err(ActError::invalid("/differ_id", "is not a differ of this registration"));
    }
    begin_one(act, registration.id, lock, differ).await
}

/// A lock stops answering to a differ. Where no lock answers to it any more, its keys are dead: how many.
pub async fn end_answering(act: &mut Act<'_>, lock: LockId, differ: DifferId) -> Result<u32, ActError> {
    let found = register::lock_by_id(act.db(), lock).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = access::registration_for_update(act, found.registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    if register::own_differs(act.db(), registration.id, &[differ]).await?.is_empty() {
        return Err(ActError::invalid("/differ_id", "is not a differ of this registration"));
    }
    end_one(act, registration.id, lock, differ).await?;
    if register::is_answered(act.db(), differ).await? { Ok(0) } else { let_die(act, differ).await }
}

async fn end_one(
    act: &mut Act<'_>,
    registration: RegistrationId,
    lock: LockId,
    differ: DifferId,
) -> Result<(), ActError> {
    let now = act.now;
    if !register::end_answering(act.db(), lock, differ, now).await? {
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
    if let Err(error) = register::begin_answering(act.db(), &answering, now).await {
        return Err(match error.violated() {
            Some("answers_one_at_a_time") => ActError::Conflict("the lock answers to this differ already"),
            _ => error.into(),
        });
    }
    act.enter_change("lock.answers", Some(registration), answering.id.0, vec![]).await?;
    Ok(answering)
}

/// The levers of a lock were changed: it answers to other differs from this instant on. Differs that no
/// lock answers to any more are dead, with their keys: which. The registration is taken for update, and that of the
/// site where an old differ is the site's.
pub(super) async fn change_levers(
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
        if !register::is_answered(act.db(), *differ).await? {
            let_die(act, *differ).await?;
            dead.push(*differ);
        }
    }
    Ok(dead)
}

/// No lock answers to a differ any more: it is dead, its keys are, and who has one is told.
async fn let_die(act: &mut Act<'_>, id: DifferId) -> Result<u32, ActError> {
    let differ = register::differ(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let now = act.now;
    differs::set_state(act.db(), id, DifferState::Dead, now).await?;
    act.enter_change("differ.dead", Some(differ.registration_id), id.0, vec![]).await?;
    let mut dead = 0;
    for mut key in keys::live_of_differ(act.db(), id).await? {
        key.state = key.state.after(KeyAct::Die)?;
        key.version += 1;
        keys::change(act.db(), &key, now).await?;
        if let Some(holder) = key.holder_id {
            notices::tell(act, holder, NoticeKind::KeyDead, key.registration_id, key.id.0).await?;
        }
        dead += 1;
    }
    Ok(dead)
}

/// Which lock answers, or answered, to which differ.
pub async fn answers(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Answering>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    access::visible(&mut db, caller, registration, today).await?;
    Ok(register::answers(&mut db, registration, portion).await?)
}

/// A record that belongs to no registration as it stood at an instant: the table, and the row.
pub async fn record_as_of(
    app: &App,
    caller: &Caller,
    id: uuid::Uuid,
    at: OffsetDateTime,
) -> Result<(String, Value), ActError> {
    caller.require_supplier()?;
    history::record_as_of(&mut *app.pool.acquire().await?, id, at).await?.ok_or(ActError::NotFound)
}

/// A registration with everything on it, as it stood at an instant: the table, and the row.
pub async fn as_of(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    at: OffsetDateTime,
) -> Result<Vec<(String, Value)>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    let (_, access) = access::visible(&mut db, caller, registration, today).await?;
    access.require(access.sees_all())?;
    Ok(history::as_of(&mut db, registration, at).await?)
}
