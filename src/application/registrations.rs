//! Registrations, their rules, locks, differs, and which lock answers to which differ.

use serde_json::Value;
use time::OffsetDateTime;

use super::access::{self, Caller};
use super::sections::{check_rules, newest_default_rules, rules_value};
use super::{Act, ActError, App};
use crate::domain::ids::{DifferId, LockId, OrganisationId, RegistrationId, SectionId};
use crate::domain::key::{KeyAct, KeyState};
use crate::domain::number::TypedNumber;
use crate::domain::records::{Answering, Differ, Lock, Registration};
use crate::domain::register::{DifferState, Hand, Level, LockKind};
use crate::domain::rules::Rules;
use crate::domain::text::{DifferNumber, Label, Premises, Reference, Slug};
use crate::storage::{Page, StorageError, differs, history, keys, people, register, sections};

/// Registers premises of an owner. The rules are the supplier's defaults, as version 1.
pub async fn add(
    act: &mut Act<'_>,
    section: SectionId,
    owner: OrganisationId,
    premises: Premises,
) -> Result<Registration, ActError> {
    add_numbered(act, section, owner, premises, None).await
}

/// The same, with the number that it had before; a new one is drawn where there is none.
pub async fn add_numbered(
    act: &mut Act<'_>,
    section: SectionId,
    owner: OrganisationId,
    premises: Premises,
    number: Option<TypedNumber>,
) -> Result<Registration, ActError> {
    act.caller.require_keeper()?;
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
    let (_, rules) = newest_default_rules(act.db()).await?;
    let (by, now) = (act.caller.actor(), act.now);
    register::add_rules(act.db(), registration.id, 1, &rules, by, now).await?;
    act.record_change("registration.added", Some(registration.id), registration.id.0, vec![]).await?;
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
    page: Page,
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
    if caller.is_keeper() {
        Ok(register::all(&mut db, page).await?)
    } else {
        Ok(register::of_parties(&mut db, caller.person(), &caller.organisations(), today, page).await?)
    }
}

/// Changes where the locks of a registration are, if it is still at `version`.
pub async fn change(
    act: &mut Act<'_>,
    id: RegistrationId,
    version: i32,
    premises: Premises,
) -> Result<Registration, ActError> {
    let (before, access) = access::locked_for(act, id).await?;
    access.require(access.owns())?;
    access::require_active(&before)?;
    if before.version != version {
        return Err(ActError::Stale);
    }
    let after = Registration { premises: premises.into(), version: version + 1, ..before };
    let now = act.now;
    register::change(act.db(), &after, now).await?;
    act.record_change("registration.changed", Some(id), id.0, vec![]).await?;
    Ok(after)
}

/// Ends a registration. Open requests stop.
pub async fn end(act: &mut Act<'_>, id: RegistrationId) -> Result<Registration, ActError> {
    let (before, access) = access::locked_for(act, id).await?;
    access.require(access.keeps())?;
    access::require_active(&before)?;
    let now = act.now;
    let after = Registration { ended_at: Some(now), version: before.version + 1, ..before };
    register::change(act.db(), &after, now).await?;
    act.record_change("registration.ended", Some(id), id.0, vec![]).await?;
    let open = crate::storage::copies::open(act.db(), id).await?;
    super::copies::stop(act, &after, open).await?;
    super::cards::revoke_all(act, id).await?;
    Ok(after)
}

/// The rules of a registration, in the version in force or another.
pub async fn rules(
    app: &App,
    caller: &Caller,
    id: RegistrationId,
    version: Option<i32>,
) -> Result<(i32, Value), ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    let (registration, _) = access::visible(&mut db, caller, id, today).await?;
    let version = version.unwrap_or(registration.rules_version);
    let rules = register::rules(&mut db, id, version).await?.ok_or(ActError::NotFound)?;
    Ok((version, rules))
}

/// The rules in force, for a decision.
pub async fn rules_in_force(
    db: &mut sqlx::PgConnection,
    registration: &Registration,
) -> Result<Rules, ActError> {
    let stored = register::rules(db, registration.id, registration.rules_version).await?;
    parsed(stored.ok_or_else(|| corrupt("no such version".to_owned()))?)
}

/// Rules as they are stored.
pub fn parsed(stored: serde_json::Value) -> Result<Rules, ActError> {
    Ok(serde_json::from_value(stored).map_err(|error| corrupt(error.to_string()))?)
}

fn corrupt(problem: String) -> StorageError {
    StorageError::Corrupt { table: "rule_versions", problem }
}

/// Sets the rules of a registration, if they are still at `version`. Owners and the supplier do.
pub async fn set_rules(
    act: &mut Act<'_>,
    id: RegistrationId,
    version: i32,
    rules: &Rules,
) -> Result<i32, ActError> {
    let (before, access) = access::locked_for(act, id).await?;
    access.require(access.owns())?;
    access::require_active(&before)?;
    check_rules(rules)?;
    if before.rules_version != version {
        return Err(ActError::Stale);
    }
    let (value, by, now) = (rules_value(rules)?, act.caller.actor(), act.now);
    register::add_rules(act.db(), id, version + 1, &value, by, now).await?;
    let after = Registration { rules_version: version + 1, version: before.version + 1, ..before };
    register::change(act.db(), &after, now).await?;
    act.record_change("rules.set", Some(id), id.0, vec![]).await?;
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
    registration: RegistrationId,
    content: LockContent,
) -> Result<Lock, ActError> {
    let (record, access) = access::locked_for(act, registration).await?;
    access.require(access.keeps())?;
    access::require_active(&record)?;
    let lock = content.into_lock(act.id(), registration, 1);
    let now = act.now;
    register::add_lock(act.db(), &lock, now).await.map_err(lock_error)?;
    act.record_change("lock.added", Some(registration), lock.id.0, vec![]).await?;
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
    let (record, access) = access::locked_for(act, found.registration_id).await?;
    access.require(access.keeps())?;
    access::require_active(&record)?;
    let before = register::lock_by_id(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if before.version != version {
        return Err(ActError::Stale);
    }
    let lock = content.into_lock(id, record.id, version + 1);
    let now = act.now;
    register::change_lock(act.db(), &lock, now).await.map_err(lock_error)?;
    act.record_change("lock.changed", Some(record.id), id.0, vec![]).await?;
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
    page: Page,
) -> Result<Vec<Lock>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    access::visible(&mut db, caller, registration, today).await?;
    Ok(register::locks(&mut db, registration, page).await?)
}

/// Adds a differ by its number.
pub async fn add_differ(
    act: &mut Act<'_>,
    registration: RegistrationId,
    number: DifferNumber,
    level: Level,
) -> Result<Differ, ActError> {
    let (record, access) = access::locked_for(act, registration).await?;
    access.require(access.keeps())?;
    access::require_active(&record)?;
    let differ = Differ {
        id: act.id(),
        registration_id: registration,
        number: number.into(),
        level,
        state: DifferState::GivenOut,
    };
    let now = act.now;
    if let Err(error) = register::add_differ(act.db(), record.section_id, &differ, false, now).await {
        return Err(match error.violated() {
            Some("differs_number_once") => {
                ActError::Conflict("this differ number is given out in this section already")
            }
            _ => error.into(),
        });
    }
    act.record_change("differ.added", Some(registration), differ.id.0, vec![]).await?;
    Ok(differ)
}

/// The differs of a registration.
pub async fn differs(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    page: Page,
) -> Result<Vec<Differ>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    access::visible(&mut db, caller, registration, today).await?;
    Ok(register::differs(&mut db, registration, page).await?)
}

/// A lock begins to answer to a differ: keyed to it, keyed alike, or under a master.
pub async fn begin_answering(
    act: &mut Act<'_>,
    lock: LockId,
    differ: DifferId,
) -> Result<Answering, ActError> {
    let found = register::lock_by_id(act.db(), lock).await?.ok_or(ActError::NotFound)?;
    let (record, access) = access::locked_for(act, found.registration_id).await?;
    access.require(access.keeps())?;
    access::require_active(&record)?;
    let own = register::differ(act.db(), differ).await?.filter(|own| own.registration_id == record.id);
    let own = own.ok_or_else(|| ActError::invalid("/differ_id", "is not a differ of this registration"))?;
    if !matches!(own.state, DifferState::GivenOut | DifferState::Reserved) {
        return Err(ActError::Conflict("this differ is dead or released: give the lock another differ"));
    }
    let answering = Answering {
        id: act.id(),
        registration_id: record.id,
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
    act.record_change("lock.answers", Some(record.id), answering.id.0, vec![]).await?;
    Ok(answering)
}

/// A lock stops answering to a differ. Where no lock answers to it any more, its keys are dead.
pub async fn end_answering(act: &mut Act<'_>, lock: LockId, differ: DifferId) -> Result<u32, ActError> {
    let found = register::lock_by_id(act.db(), lock).await?.ok_or(ActError::NotFound)?;
    let (record, access) = access::locked_for(act, found.registration_id).await?;
    access.require(access.keeps())?;
    access::require_active(&record)?;
    let now = act.now;
    if !register::end_answering(act.db(), lock, differ, now).await? {
        return Err(ActError::WrongState {
            state: "not_answering",
            detail: "the lock does not answer to this differ".to_owned(),
        });
    }
    act.record_change("lock.answers_no_more", Some(record.id), lock.0, vec![]).await?;
    if register::is_answered(act.db(), differ).await? {
        return Ok(0);
    }
    differs::set_state(act.db(), differ, DifferState::Dead, now).await?;
    let mut dead = 0;
    for mut key in keys::live_of_differ(act.db(), differ).await? {
        key.state = key.state.after(KeyAct::Die)?;
        debug_assert_eq!(key.state, KeyState::Dead);
        key.version += 1;
        keys::change(act.db(), &key, now).await?;
        dead += 1;
    }
    Ok(dead)
}

/// Which lock answers, or answered, to which differ.
pub async fn answers(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    page: Page,
) -> Result<Vec<Answering>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    access::visible(&mut db, caller, registration, today).await?;
    Ok(register::answers(&mut db, registration, page).await?)
}

/// A record that belongs to no registration as it stood at an instant: the table, and the row.
pub async fn record_as_of(
    app: &App,
    caller: &Caller,
    id: uuid::Uuid,
    at: OffsetDateTime,
) -> Result<(String, Value), ActError> {
    caller.require_keeper()?;
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
