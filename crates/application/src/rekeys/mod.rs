//! Rekeys: worked out, begun, carried out lock by lock.

pub mod prices;

use serde::Serialize;
use sqlx::PgConnection;
use time::Date;
use utoipa::ToSchema;

use crate::access::Access;
use crate::differs::DifferDraw;
use crate::differs::answers::change_levers;
use crate::rekeys::prices::{keys_with_pack, newest_prices};
use crate::rights::notices;
use crate::{Act, ActError, Read, access, keys as key_acts};
use domain::cautions;
use domain::count::number_of;
use domain::differs::DifferState;
use domain::ids::{DifferId, KeyId, LockId, LossId, PersonId, RegistrationId, RekeyId};
use domain::keys::{Key, KeyAct, KeyState};
use domain::register::registrations::Registration;
use domain::rekeys::{Job, KEYS_WITH_PACK, Prices, Rekey, RekeyDiffer, RekeyLock, RekeyState, cheapest};
use domain::rights::has_right_to;
use domain::rights::notices::NoticeKind;
use domain::text::{PackNumber, Remark};
use storage::copies::facts;
use storage::differs::{answers, exposure};
use storage::keys::losses;
use storage::rights::authorities;
use storage::{Portion, differs, keys, people, rekeys, sites};

/// What a lock gets.
#[derive(Serialize, ToSchema)]
pub struct PlannedLock {
    /// The lock.
    lock_id: LockId,
    /// Its line in the schedule.
    label: String,
    /// The differs to which it answers now and not afterwards.
    old_differ_ids: Vec<DifferId>,
    /// In whose place the keys of its pack are cut; levers without keys, when absent.
    keys_in_place_of: Option<DifferId>,
}

/// What becomes of a compromised differ.
#[derive(Serialize, ToSchema)]
pub struct PlannedDiffer {
    /// The old one.
    old_differ_id: DifferId,
    /// People with a right to one who have, or had and lost, a key of it: each gets one of the differ in its
    /// place.
    people: Vec<PersonId>,
    /// Keys that come with the packs.
    keys_with_packs: u32,
    /// Keys to cut besides.
    keys_to_cut: u32,
    /// Old keys to call in.
    keys_to_call_in: Vec<KeyId>,
}

/// What a rekey takes.
#[derive(Serialize, ToSchema)]
pub struct RekeyPlan {
    /// The locks: one pack, or one set of levers, each.
    locks: Vec<PlannedLock>,
    /// The differs.
    differs: Vec<PlannedDiffer>,
    /// Packs with keys.
    packs: u32,
    /// Sets of levers without keys.
    levers_without_keys: u32,
    /// What it costs, in the smallest unit of the currency; absent without a price list.
    cost: Option<u64>,
    /// ISO 4217.
    currency: Option<String>,
    /// What to think of first.
    cautions: Vec<&'static str>,
}

/// Without a price list every pack comes with its keys, and nothing has a price.
fn no_prices() -> Prices {
    Prices {
        currency: String::new(),
        pack: 0,
        keys_with_pack: KEYS_WITH_PACK,
        levers: None,
        key: 0,
        fitting: 0,
        parts: vec![],
    }
}

/// For each differ who has, or had and lost, a key of it, and has a right to one: no court bars them.
async fn entitled_again(
    db: &mut PgConnection,
    registration: RegistrationId,
    compromised: &[DifferId],
    today: Date,
) -> Result<Vec<Vec<PersonId>>, ActError> {
    let rights = authorities::rights(db, registration).await?;
    let holds = facts::holds(db, registration, today).await?;
    let mut found = Vec::new();
    for differ in compromised {
        let holds = facts::holds_on(&holds, *differ);
        let is_barred = |person| holds.iter().any(|hold| hold.barred == Some(person));
        let mut people = exposure::holders(db, *differ).await?;
        people.retain(|person| !is_barred(*person) && has_right_to(&rights, *person, *differ, today));
        found.push(people);
    }
    Ok(found)
}

async fn planned(
    db: &mut PgConnection,
    registration: &Registration,
    compromised: &[DifferId],
    today: Date,
) -> Result<RekeyPlan, ActError> {
    let mut locks: Vec<PlannedLock> = Vec::new();
    let (mut needs, mut affected) = (Vec::new(), Vec::new());
    let entitled = entitled_again(db, registration.id, compromised, today).await?;
    for (differ, people) in compromised.iter().zip(entitled) {
        for exposed in exposure::locks(db, *differ).await? {
            if exposed.registration_id != registration.id {
                return Err(ActError::Conflict(
                    "locks of a site's plots answer to this differ: they get their final packs, plot by plot",
                ));
            }
            match locks.iter_mut().find(|lock| lock.lock_id == exposed.lock_id) {
                Some(lock) => lock.old_differ_ids.push(*differ),
                None => locks.push(PlannedLock {
                    lock_id: exposed.lock_id,
                    label: exposed.label,
                    old_differ_ids: vec![*differ],
                    keys_in_place_of: None,
                }),
            }
        }
        needs.push(number_of(people.len()));
        let live = keys::live_of_differ(db, *differ).await?;
        let out =
            live.into_iter().filter(|key| key.state == KeyState::WithPerson).map(|key| key.id).collect();
        affected.push((people, out));
    }
    if locks.is_empty() {
        return Err(ActError::Conflict("no lock answers to these differs: there is nothing to rekey"));
    }
    let at = |differ: &DifferId| compromised.iter().position(|own| own == differ);
    let fits = |lock: &PlannedLock| lock.old_differ_ids.iter().filter_map(at).collect();
    let job = Job { locks: locks.iter().map(fits).collect(), needs };
    let prices = newest_prices(db, registration.section_id).await?;
    let plan = cheapest(&job, prices.as_ref().unwrap_or(&no_prices()));
    for (lock, own) in locks.iter_mut().zip(&plan.keys_for) {
        lock.keys_in_place_of = own.and_then(|own| compromised.get(own)).copied();
    }
    let packs = plan.keys_for.iter().flatten().count();
    let counts = plan.with_packs.iter().zip(&plan.to_cut);
    let differs = compromised.iter().zip(affected).zip(counts);
    Ok(RekeyPlan {
        differs: differs
            .map(|((differ, (people, keys_to_call_in)), (with_packs, to_cut))| PlannedDiffer {
                old_differ_id: *differ,
                people,
                keys_with_packs: *with_packs,
                keys_to_cut: *to_cut,
                keys_to_call_in,
            })
            .collect(),
        packs: number_of(packs),
        levers_without_keys: number_of(locks.len() - packs),
        locks,
        cost: prices.as_ref().map(|_| plan.cost),
        currency: prices.map(|prices| prices.currency),
        cautions: cautions::REKEY.to_vec(),
    })
}

/// The differs that a rekey is about: those named, which have to be the registration's, once each.
async fn compromised(
    db: &mut PgConnection,
    registration: &Registration,
    named: &[DifferId],
) -> Result<Vec<DifferId>, ActError> {
    let mut ids = named.to_vec();
    ids.sort_unstable();
    ids.dedup();
    let own = differs::own(db, registration.id, &ids).await?;
    if ids.is_empty() || own.len() != ids.len() {
        return Err(ActError::invalid("/differ_ids", "must name differs of this registration"));
    }
    Ok(ids)
}

/// What a rekey of some differs would take. Changes nothing.
pub async fn plan(
    read: &mut Read<'_>,
    registration_id: RegistrationId,
    differs: &[DifferId],
) -> Result<RekeyPlan, ActError> {
    let (registration, access) = read.registration(registration_id).await?;
    access.require(access.sees_all())?;
    let differs = compromised(&mut read.db, &registration, differs).await?;
    planned(&mut read.db, &registration, &differs, read.today).await
}

/// A rekey to begin.
pub struct NewRekey {
    /// The differs that are compromised.
    pub differs: Vec<DifferId>,
    /// The loss that led to it.
    pub loss: Option<LossId>,
    /// Why the locks are rekeyed.
    pub reason: Remark,
}

/// Begins a rekey: draws a differ in the place of each that is compromised, and tells who has keys.
pub async fn begin(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    new: NewRekey,
) -> Result<Rekey, ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    let old = compromised(act.db(), &registration, &new.differs).await?;
    if let Some(loss) = new.loss {
        require_loss_of(act, registration_id, loss, &old).await?;
    }
    if rekeys::is_under_way(act.db(), registration_id, &old).await? {
        return Err(ActError::Conflict("a rekey of these locks is under way"));
    }
    let today = act.today();
    let plan = planned(act.db(), &registration, &old, today).await?;
    let pairs = draw_successors(act, &registration, &old).await?;
    let locks: Vec<(uuid::Uuid, RekeyLock)> = plan
        .locks
        .iter()
        .map(|lock| {
            let keys_for = lock.keys_in_place_of.and_then(|old| successor(&pairs, old));
            let row = RekeyLock {
                lock_id: lock.lock_id,
                keys_for,
                fitted_at: None,
                fitted_by: None,
                lever_pack_id: None,
                old_keys_collected: None,
            };
            (act.id(), row)
        })
        .collect();
    let rekey = Rekey {
        id: act.id(),
        registration_id,
        loss_id: new.loss,
        reason: new.reason.to_string(),
        state: RekeyState::UnderWay,
        plan: serde_json::to_value(&plan).map_err(|error| ActError::Internal(error.to_string()))?,
        begun_at: act.now,
        ended_at: None,
    };
    let by = act.caller.actor();
    rekeys::add(act.db(), &rekey, &pairs, &locks, by).await?;
    act.enter_change("rekey.begun", Some(registration_id), rekey.id.0, vec![]).await?;
    let mut told: Vec<PersonId> = plan.differs.into_iter().flat_map(|differ| differ.people).collect();
    told.sort_unstable();
    told.dedup();
    for person in told {
        notices::tell(act, person, NoticeKind::RekeyBegun, Some(registration_id), rekey.id.0).await?;
    }
    Ok(rekey)
}

/// Draws a differ in the place of each.
async fn draw_successors(
    act: &mut Act<'_>,
    registration: &Registration,
    old: &[DifferId],
) -> Result<Vec<RekeyDiffer>, ActError> {
    let mut drawing = DifferDraw::begin(act, registration, &[]).await?;
    let (mut pairs, now) = (Vec::new(), act.now);
    for old in old {
        let found = differs::differ(act.db(), *old).await?.ok_or(ActError::NotFound)?;
        // What is a buyer's to be stays reserved for the buyer.
        let reserve = found.state == DifferState::Reserved;
        let new = drawing.draw(act, registration, found.level, reserve).await?;
        // Whoever had a right for some differs has it for the one in the place of each.
        for authority in authorities::extend_to(act.db(), registration.id, *old, new.id, now).await? {
            act.enter_change("authority.extended", Some(registration.id), authority.0, vec![]).await?;
        }
        pairs.push(RekeyDiffer { old_differ_id: *old, new_differ_id: new.id });
    }
    Ok(pairs)
}

async fn require_loss_of(
    act: &mut Act<'_>,
    registration: RegistrationId,
    loss: LossId,
    differs: &[DifferId],
) -> Result<(), ActError> {
    let loss = losses::loss(act.db(), loss).await?.filter(|loss| loss.registration_id == registration);
    let key = match loss {
        Some(loss) => keys::key(act.db(), loss.key_id).await?,
        None => None,
    };
    match key {
        Some(key) if differs.contains(&key.differ_id) => Ok(()),
        _ => Err(ActError::invalid("/loss_id", "is not the loss of a key of these differs")),
    }
}

fn successor(pairs: &[RekeyDiffer], old: DifferId) -> Option<DifferId> {
    pairs.iter().find(|pair| pair.old_differ_id == old).map(|pair| pair.new_differ_id)
}

async fn rekey_for_update(act: &mut Act<'_>, id: RekeyId) -> Result<(Registration, Access, Rekey), ActError> {
    let found = rekeys::rekey(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    access.require_sight(access.sees_all())?;
    let rekey = rekeys::rekey(act.db(), id).await?.ok_or(ActError::NotFound)?;
    Ok((registration, access, rekey))
}

fn require_under_way(rekey: &Rekey) -> Result<(), ActError> {
    match rekey.state {
        RekeyState::UnderWay => Ok(()),
        state => Err(ActError::WrongState { state: state.as_str(), detail: "this rekey is over".to_owned() }),
    }
}

/// A lock that was fitted with other levers.
pub struct NewFitting {
    /// The lock.
    pub lock: LockId,
    /// The number on its pack.
    pub pack: PackNumber,
    /// Who fitted it.
    pub by: PersonId,
    /// Old keys that were collected there.
    pub old_keys: Vec<KeyId>,
}

/// What a fitting led to.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct FittingResult {
    /// The rekey: done, when this was its last lock.
    pub rekey: Rekey,
    /// The keys that came with the pack, in store.
    pub keys: Vec<Key>,
    /// Differs that are dead now: no lock answers to them any more.
    pub dead_differ_ids: Vec<DifferId>,
}

/// Records that a lock was fitted: from now on it answers to the new differs.
pub async fn fit(act: &mut Act<'_>, id: RekeyId, new: NewFitting) -> Result<FittingResult, ActError> {
    let (registration, access, rekey) = rekey_for_update(act, id).await?;
    access.require(access.governs())?;
    access::require_active(&registration)?;
    require_under_way(&rekey)?;
    let pairs = rekeys::differs(act.db(), id).await?;
    let locks = rekeys::locks(act.db(), id).await?;
    let lock = locks.iter().find(|lock| lock.lock_id == new.lock);
    let lock = lock.ok_or_else(|| ActError::invalid("/lock_id", "is not in this rekey"))?;
    if lock.fitted_at.is_some() {
        return Err(ActError::Conflict("this lock was fitted before"));
    }
    if people::present(act.db(), new.by).await?.is_none() {
        return Err(ActError::invalid("/fitted_by", "is not known"));
    }
    collect(act, &pairs, &new.old_keys).await?;
    let answered = answers::answered_by(act.db(), new.lock).await?;
    let old: Vec<DifferId> =
        answered.into_iter().filter(|differ| successor(&pairs, *differ).is_some()).collect();
    let successors: Vec<DifferId> = old.iter().filter_map(|old| successor(&pairs, *old)).collect();
    let pack_differ = lock
        .keys_for
        .or(successors.first().copied())
        .filter(|differ| successors.contains(differ))
        .ok_or(ActError::Conflict("this lock answers to none of the old differs any more"))?;
    let with_pack = keys_with_pack(act.db(), registration.section_id).await?;
    let count = if lock.keys_for.is_some() { with_pack } else { 0 };
    let (pack, made) = key_acts::pack_with_keys(act, &registration, pack_differ, new.pack, count).await?;
    let now = act.now;
    let old_keys = number_of(new.old_keys.len());
    let fitting = rekeys::Fitting { rekey: id, lock: new.lock, by: new.by, pack: pack.id, old_keys };
    rekeys::fit(act.db(), &fitting, now).await?;
    act.enter_change(
        "lock.fitted",
        Some(registration.id),
        new.lock.0,
        vec![("fitter", serde_json::json!(new.by))],
    )
    .await?;
    let dead = change_levers(act, registration.id, new.lock, &old, &successors).await?;
    for (old, successor) in old.iter().zip(&successors) {
        sites::rekeyed(act.db(), new.lock, *old, *successor, now).await?;
    }
    let mut rekey = rekey;
    if locks.iter().all(|lock| lock.fitted_at.is_some() || lock.lock_id == new.lock) {
        rekeys::end(act.db(), id, RekeyState::Done, now).await?;
        act.enter_change("rekey.done", Some(registration.id), id.0, vec![]).await?;
        rekey = Rekey { state: RekeyState::Done, ended_at: Some(now), ..rekey };
        if let Some(loss) = rekey.loss_id {
            lift_hold_of(act, loss).await?;
        }
    }
    Ok(FittingResult { rekey, keys: made, dead_differ_ids: dead })
}

/// The hold for a loss ends with its differ; one that some lock still answers to stays held.
async fn lift_hold_of(act: &mut Act<'_>, loss: LossId) -> Result<(), ActError> {
    let Some(loss) = losses::loss(act.db(), loss).await? else { return Ok(()) };
    match keys::key(act.db(), loss.key_id).await? {
        Some(key) if key.state == KeyState::Dead => crate::rights::holds::lift_for(act, loss.id).await,
        _ => Ok(()),
    }
}

/// Takes in old keys that were collected where a lock was fitted.
async fn collect(act: &mut Act<'_>, pairs: &[RekeyDiffer], collected: &[KeyId]) -> Result<(), ActError> {
    for (at, id) in collected.iter().enumerate() {
        let key = keys::key(act.db(), *id).await?;
        let old = key.filter(|key| successor(pairs, key.differ_id).is_some());
        let problem = "is not a key of a differ that is replaced";
        let old = old.ok_or_else(|| ActError::invalid(&format!("/old_key_ids/{at}"), problem))?;
        // One that is dead, or came back before, is only counted.
        if matches!(old.state, KeyState::WithPerson | KeyState::Lost | KeyState::Stolen) {
            key_acts::move_key(act, old, KeyAct::Return, None, None).await?;
        }
    }
    Ok(())
}

/// Gives up a rekey in which no lock was fitted yet: its new differs are released.
pub async fn stop(act: &mut Act<'_>, id: RekeyId) -> Result<Rekey, ActError> {
    let (registration, access, rekey) = rekey_for_update(act, id).await?;
    access.require(access.is_supplier())?;
    require_under_way(&rekey)?;
    if rekeys::locks(act.db(), id).await?.iter().any(|lock| lock.fitted_at.is_some()) {
        return Err(ActError::Conflict("some locks were fitted: the rekey is carried out"));
    }
    let now = act.now;
    rekeys::end(act.db(), id, RekeyState::Stopped, now).await?;
    act.enter_change("rekey.stopped", Some(registration.id), id.0, vec![]).await?;
    for pair in rekeys::differs(act.db(), id).await? {
        if !differs::was_used(act.db(), pair.new_differ_id).await? {
            super::differs::move_on(act, &registration, pair.new_differ_id, DifferState::Released).await?;
        }
    }
    Ok(Rekey { state: RekeyState::Stopped, ended_at: Some(now), ..rekey })
}

/// A rekey as it stands.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RekeyProgress {
    /// The rekey.
    #[serde(flatten)]
    pub rekey: Rekey,
    /// Which differ takes the place of which.
    pub differs: Vec<RekeyDiffer>,
    /// The locks.
    pub locks: Vec<RekeyLock>,
    /// Who has an old key, and whether a new one was issued.
    pub holders: Vec<Holder>,
}

/// Somebody who has an old key.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Holder {
    /// The person who has keys.
    person_id: PersonId,
    /// Old keys that are still out, dead ones too.
    old_keys: u32,
    /// New keys that were issued.
    new_keys: u32,
}

/// A rekey, its locks, and who still has to get a new key or bring an old one.
pub async fn rekey(read: &mut Read<'_>, id: RekeyId) -> Result<RekeyProgress, ActError> {
    let rekey = rekeys::rekey(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = read.registration_of(rekey.registration_id, rekey.id).await?;
    access.require_sight(access.sees_all())?;
    let differs = rekeys::differs(&mut read.db, id).await?;
    let locks = rekeys::locks(&mut read.db, id).await?;
    let holders = rekeys::holders(&mut read.db, id).await?;
    let holder = |(person_id, old_keys, new_keys)| Holder { person_id, old_keys, new_keys };
    Ok(RekeyProgress { rekey, differs, locks, holders: holders.into_iter().map(holder).collect() })
}

/// The rekeys of a registration.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Rekey>, ActError> {
    let (_, access) = read.registration(registration).await?;
    access.require(access.sees_all())?;
    Ok(rekeys::of_registration(&mut read.db, registration, access.portion(portion)).await?)
}
