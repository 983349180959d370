//! Lever packs and keys: who has one, until when, and where it goes.

pub mod audits;
pub mod losses;
pub mod statements;

use serde::Serialize;
use serde_json::json;
use time::Date;
use utoipa::ToSchema;

use crate::access::Access;
use crate::register::rules;
use crate::rights::holds::lift_for;
use crate::{Act, ActError, Read, access, rights};
use domain::differs::DifferState;
use domain::ids::{DifferId, KeyId, PersonId, RegistrationId};
use domain::keys::losses::LossDecision;
use domain::keys::{Key, KeyAct, KeyState, LeverPack, review};
use domain::register::registrations::Registration;
use domain::register::rules::Transfer;
use domain::rights::KeyToCallIn;
use domain::text::PackNumber;
use storage::copies::facts;
use storage::keys::losses as stored_losses;
use storage::rights::authorities;
use storage::{Portion, keys};

/// Records a lever pack and the keys that came with it, which are in store.
pub async fn add_pack(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    differ: DifferId,
    number: PackNumber,
    key_count: u32,
) -> Result<(LeverPack, Vec<Key>), ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    access::require_own_differ(act, registration_id, differ).await?;
    access::require_living(act, differ).await?;
    pack_with_keys(act, &registration, differ, number, key_count).await
}

/// Records a pack and its keys for whoever fits a lock: that person may, without keeping the register.
pub(super) async fn pack_with_keys(
    act: &mut Act<'_>,
    registration: &Registration,
    differ: DifferId,
    number: PackNumber,
    key_count: u32,
) -> Result<(LeverPack, Vec<Key>), ActError> {
    let registration_id = registration.id;
    let pack = LeverPack {
        id: act.id(),
        registration_id,
        differ_id: differ,
        number: number.into(),
        recorded_at: act.now,
    };
    if let Err(error) = keys::add_pack(act.db(), &pack).await {
        return Err(match error.violated() {
            Some("lever_packs_number_once") => ActError::Conflict("this pack is recorded already"),
            _ => error.into(),
        });
    }
    let made = add_keys(act, registration, differ, key_count, keys::Origin::Pack(pack.id)).await?;
    act.enter_change("lever_pack.recorded", Some(registration_id), pack.id.0, vec![]).await?;
    Ok((pack, made))
}

/// Makes keys in store with the next copy numbers.
pub(super) async fn add_keys(
    act: &mut Act<'_>,
    registration: &Registration,
    differ: DifferId,
    quantity: u32,
    origin: keys::Origin,
) -> Result<Vec<Key>, ActError> {
    let now = act.now;
    let last = keys::last_copy_number(act.db(), differ).await?;
    let mut made = Vec::new();
    for copy_number in last + 1..=last + quantity {
        let key = Key {
            id: act.id(),
            registration_id: registration.id,
            differ_id: differ,
            copy_number,
            state: KeyState::InStore,
            holder_id: None,
            due_back_on: None,
            overdue_since: None,
            version: 1,
        };
        keys::add(act.db(), &key, origin, now).await?;
        made.push(key);
    }
    Ok(made)
}

/// Lever packs of a registration.
pub async fn packs(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<LeverPack>, ActError> {
    let (_, access) = read.registration(registration).await?;
    access.require(access.sees_all())?;
    Ok(keys::packs(&mut read.db, registration, portion).await?)
}

/// Keys of a registration: keyholders see those of the differs that their authorities are for.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    differ: Option<DifferId>,
    state: Option<KeyState>,
    portion: Portion,
) -> Result<Vec<Key>, ActError> {
    let (_, access) = read.registration(registration).await?;
    let every = access.sees_all() || access.authorities.iter().any(|own| own.every_differ);
    let seen: Option<Vec<uuid::Uuid>> = (!every)
        .then(|| access.authorities.iter().flat_map(|own| &own.differ_ids).map(|differ| differ.0).collect());
    Ok(keys::of_registration(
        &mut read.db,
        registration,
        seen.as_deref(),
        differ,
        state,
        access.before(),
        portion,
    )
    .await?)
}

fn sees(access: &Access, key: &Key) -> bool {
    access.sees_all() || access.authorities.iter().any(|own| own.covers(key.differ_id))
}

/// A key that should come back.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct KeyDueBack {
    #[serde(flatten)]
    found: KeyToCallIn,
    /// The rules call for a rekey of the locks by now.
    pub rekey_due: bool,
}

/// Keys whose holders have no right to them any more, the longest without one first.
pub async fn to_call_in(
    read: &mut Read<'_>,
    registration_id: RegistrationId,
) -> Result<Vec<KeyDueBack>, ActError> {
    let (registration, access) = read.registration(registration_id).await?;
    access.require(access.sees_all())?;
    let rules = rules::in_force(&mut read.db, &registration).await?;
    let mut found =
        rights::left_without(&mut read.db, registration_id, None, read.today).await?.keys_to_call_in;
    found.sort_by_key(|found| (found.last_day, found.key.id));
    let with_rekey = |found: KeyToCallIn| {
        let rekey_due =
            found.last_day.is_some_and(|day| review::rekey_is_due(&rules.leaving, day, read.today));
        KeyDueBack { found, rekey_due }
    };
    Ok(found.into_iter().map(with_rekey).collect())
}

/// One key.
pub async fn key(read: &mut Read<'_>, id: KeyId) -> Result<Key, ActError> {
    let key = keys::key(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = read.registration(key.registration_id).await?;
    access.require_sight(sees(&access, &key))?;
    Ok(key)
}

pub(super) async fn key_for_update(
    act: &mut Act<'_>,
    id: KeyId,
) -> Result<(Registration, Access, Key), ActError> {
    let found = keys::key(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    let key = keys::key(act.db(), id).await?.ok_or(ActError::NotFound)?;
    access.require_sight(sees(&access, &key))?;
    Ok((registration, access, key))
}

/// Writes where a key has gone; the entry is that of what it is a part of, such as a hand-over.
pub(super) async fn put_key(
    act: &mut Act<'_>,
    key: Key,
    what: KeyAct,
    holder: Option<PersonId>,
    due_back_on: Option<Date>,
) -> Result<Key, ActError> {
    let key = key.moved(what, holder, due_back_on)?;
    let now = act.now;
    keys::change(act.db(), &key, now).await?;
    Ok(key)
}

/// Moves a key, with an entry of its own.
pub(super) async fn move_key(
    act: &mut Act<'_>,
    key: Key,
    what: KeyAct,
    holder: Option<PersonId>,
    due_back_on: Option<Date>,
) -> Result<Key, ActError> {
    let before = key.holder_id;
    let key = put_key(act, key, what, holder, due_back_on).await?;
    let now = act.now;
    if what == KeyAct::Return
        && let Some(loss) = stored_losses::of_key(act.db(), key.id).await?
    {
        stored_losses::close(act.db(), key.id, now).await?;
        if loss.decision != Some(LossDecision::Rekey) {
            lift_for(act, loss.id).await?;
        }
    }
    let kind = match what {
        KeyAct::Issue => "key.issued",
        KeyAct::Transfer => "key.passed_on",
        KeyAct::Return => "key.returned",
        KeyAct::Lose => "key.lost",
        KeyAct::Steal => "key.stolen",
        KeyAct::Destroy => "key.destroyed",
        KeyAct::Die => "key.dead",
    };
    let who = vec![("before", json!(before)), ("holder", json!(holder))];
    act.enter_change(kind, Some(key.registration_id), key.id.0, who).await?;
    Ok(key)
}

async fn require_holder(
    act: &mut Act<'_>,
    key: &Key,
    person: PersonId,
    pointer: &str,
) -> Result<(), ActError> {
    let today = act.today();
    let registration = key.registration_id;
    let holds = facts::holds(act.db(), registration, today).await?;
    let holds = facts::holds_on(&holds, key.differ_id);
    if holds.iter().any(|hold| hold.barred == Some(person)) {
        return Err(ActError::invalid(pointer, "is barred from having a key"));
    }
    let own = authorities::in_force_of(act.db(), registration, person, today).await?;
    if own.iter().any(|authority| authority.covers(key.differ_id)) {
        Ok(())
    } else {
        Err(ActError::invalid(pointer, "has no authority in force to have this key"))
    }
}

/// Issues a key that is in store or came back to a person with an authority for it; against an old key of
/// theirs that is dead, which is taken in and destroyed, where one is named.
pub async fn issue(
    act: &mut Act<'_>,
    id: KeyId,
    person: PersonId,
    due_back_on: Option<Date>,
    against: Option<KeyId>,
) -> Result<Key, ActError> {
    let (registration, access, key) = key_for_update(act, id).await?;
    access.require(access.governs_differ(key.differ_id))?;
    access::require_active(&registration)?;
    require_holder(act, &key, person, "/person_id").await?;
    if access::require_living(act, key.differ_id).await? == DifferState::Reserved {
        return Err(ActError::Conflict("this differ is reserved: its keys are issued once it is given out"));
    }
    if keys::is_promised(act.db(), id).await? {
        return Err(ActError::Conflict("this key waits at a counter to be handed over for a request"));
    }
    if due_back_on.is_some_and(|due| due < act.today()) {
        return Err(ActError::invalid("/due_back_on", "must be today or later"));
    }
    if let Some(old) = against {
        let old = keys::key(act.db(), old).await?;
        let theirs = old.filter(|old| {
            old.registration_id == registration.id
                && old.holder_id == Some(person)
                && old.state == KeyState::Dead
        });
        let problem = "is not a dead key of this registration that this person had";
        let old = theirs.ok_or_else(|| ActError::invalid("/against_key_id", problem))?;
        let holder = old.holder_id;
        move_key(act, old, KeyAct::Destroy, holder, None).await?;
    }
    move_key(act, key, KeyAct::Issue, Some(person), due_back_on).await
}

/// Passes a key on to somebody else, where the rules allow it by form.
pub async fn pass_on(act: &mut Act<'_>, id: KeyId, person: PersonId) -> Result<Key, ActError> {
    let (registration, access, key) = key_for_update(act, id).await?;
    access.require(access.governs_differ(key.differ_id))?;
    access::require_active(&registration)?;
    if rules::in_force(act.db(), &registration).await?.transfer == Transfer::Forbidden {
        return Err(ActError::Conflict(
            "the rules of this registration forbid passing on: the key is returned and issued again",
        ));
    }
    require_holder(act, &key, person, "/person_id").await?;
    let due = key.due_back_on;
    move_key(act, key, KeyAct::Transfer, Some(person), due).await
}

/// A key came back, or was found.
pub async fn take_back(act: &mut Act<'_>, id: KeyId) -> Result<Key, ActError> {
    let (_, access, key) = key_for_update(act, id).await?;
    access.require(access.governs_differ(key.differ_id))?;
    move_key(act, key, KeyAct::Return, None, None).await
}

/// A key was destroyed.
pub async fn destroy(act: &mut Act<'_>, id: KeyId) -> Result<Key, ActError> {
    let (_, access, key) = key_for_update(act, id).await?;
    access.require(access.governs_differ(key.differ_id))?;
    let holder = key.holder_id;
    move_key(act, key, KeyAct::Destroy, holder, None).await
}
