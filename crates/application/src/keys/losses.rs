//! Lost and stolen keys: reported, what they expose, what is decided, and what it costs.

use serde::Serialize;
use serde_json::json;
use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use crate::keys::move_key;
use crate::register::rules;
use crate::rights::holds::{lift_for, place_hold};
use crate::{Act, ActError, Read};
use domain::cautions;
use domain::copies::decision::facts::{DifferFacts, Facts, Step};
use domain::ids::{DifferId, KeyId, LossId, PersonId, RegistrationId};
use domain::keys::losses::{Loss, LossDecision, LossKind};
use domain::keys::{ChargeState, Key, KeyAct, losses, review};
use domain::register::registrations::Registration;
use domain::register::rules::Rules;
use domain::rights::holds::{Hold, HoldKind};
use domain::text::{Name, Reference, Remark, Slug};
use storage::copies::facts;
use storage::differs::exposure;
use storage::keys::losses as stored_losses;
use storage::rights::holds;
use storage::{Portion, keys};

/// What the report of a loss leads to.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LossReport {
    /// The report.
    pub loss: Loss,
    /// The police reference that the rules ask for is missing.
    pub crime_reference_missing: bool,
    /// The lost keys call for a review of the locks.
    pub review_due: bool,
    /// What the program says besides; it does not judge.
    pub cautions: Vec<&'static str>,
}

/// A loss as it is reported.
pub struct NewLoss {
    /// Whether it was lost or stolen.
    pub kind: LossKind,
    /// The day on which it happened.
    pub happened_on: Option<Date>,
    /// Where it happened.
    pub place: Option<Name>,
    /// The reference that the police gave.
    pub crime_reference: Option<Reference>,
}

/// Reports a key lost or stolen: by its holder, or by whoever governs the registration. From now on
/// nothing is copied of its differ, where the rules ask for that.
pub async fn report(act: &mut Act<'_>, id: KeyId, new: NewLoss) -> Result<LossReport, ActError> {
    let (registration, access, key) = crate::keys::key_for_update(act, id).await?;
    let kind = new.kind;
    if new.happened_on.is_some_and(|day| day > act.today()) {
        return Err(ActError::invalid("/happened_on", "must not be after today"));
    }
    let own = key.holder_id.is_some() && act.caller.person() == key.holder_id;
    access.require(access.governs_differ(key.differ_id) || own)?;
    let what = match kind {
        LossKind::Lost => KeyAct::Lose,
        LossKind::Stolen => KeyAct::Steal,
    };
    let holder = key.holder_id;
    if stored_losses::of_key(act.db(), id).await?.is_some() {
        return Err(ActError::WrongState {
            state: key.state.as_str(),
            detail: "this key was reported lost or stolen before".to_owned(),
        });
    }
    let key = move_key(act, key, what, holder, None).await?;
    let rules = rules::in_force(act.db(), &registration).await?;
    let now = act.now;
    let situation = situation(act.db(), &registration, &key, now).await?;
    let charge = losses::charge(&situation, &rules);
    let loss = Loss {
        id: act.id(),
        registration_id: registration.id,
        key_id: id,
        kind,
        crime_reference: new.crime_reference.map(String::from),
        happened_on: new.happened_on,
        place: new.place.map(String::from),
        reported_at: act.now,
        found_at: None,
        decision: None,
        decision_reason: None,
        decided_by: None,
        decided_at: None,
        charge: if charge.is_some() { ChargeState::Due } else { ChargeState::None },
        waived_by_post: None,
        charge_amount: charge.and_then(|charge| i32::try_from(charge.amount).ok()),
        charge_currency: charge.map(|charge| charge.currency.clone()),
    };
    let by = act.caller.actor();
    stored_losses::add(act.db(), &loss, by).await?;
    if rules.losses.hold {
        hold_for(act, &loss, key.differ_id).await?;
    }
    let exposure = exposure_of(act.db(), key.differ_id, &situation, &rules).await?;
    let review_due = exposure.review_due;
    let crime_reference_missing =
        losses::lacks_crime_reference(&rules, kind, loss.crime_reference.as_deref());
    let cautions = cautions::of_charge(loss.charge);
    Ok(LossReport { loss, crime_reference_missing, review_due, cautions })
}

/// Nothing is copied of a differ while a loss is open.
async fn hold_for(act: &mut Act<'_>, loss: &Loss, differ: DifferId) -> Result<(), ActError> {
    let kind = match loss.kind {
        LossKind::Lost => HoldKind::Loss,
        LossKind::Stolen => HoldKind::Theft,
    };
    let hold = Hold::new(act.id(), loss.registration_id, kind, act.now);
    let hold = Hold { differ_id: Some(differ), loss_id: Some(loss.id), ..hold };
    place_hold(act, &hold).await
}

/// What a lost key exposes.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Exposure {
    /// The differ of the lost key.
    pub differ_id: DifferId,
    /// The locks that answer to it now.
    pub locks: Vec<ExposedLock>,
    /// Who has live keys of it.
    pub people: Vec<exposure::PersonWithKeys>,
    /// Live keys of it that are in store.
    pub in_store: u32,
    /// Keys of it that are neither destroyed nor dead.
    pub keys: u32,
    /// The number of them that are missing.
    pub missing: u32,
    /// The rules call for a review of the locks. Whoever governs may decide to rekey without that.
    pub review_due: bool,
}

/// A lock that a lost key opens.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ExposedLock {
    #[serde(flatten)]
    lock: exposure::LockKeys,
    /// The share or number of missing keys calls for a review of this lock.
    pub review_due: bool,
}

/// The share is that of the keys that open each lock; of the differ itself, where no lock answers to it.
async fn exposure_of(
    db: &mut PgConnection,
    differ: DifferId,
    situation: &Facts,
    rules: &Rules,
) -> Result<Exposure, ActError> {
    let at_lock = |lock: &exposure::LockKeys| {
        let classes = lock.room_class.as_deref().and_then(|class| Slug::parse(class).ok());
        let differ = DifferFacts { room_classes: classes.into_iter().collect(), ..situation.differ.clone() };
        let facts = Facts { differ, ..situation.clone() };
        review::is_due(&facts, rules, lock.keys, lock.missing)
    };
    let locks: Vec<ExposedLock> = exposure::locks(db, differ)
        .await?
        .into_iter()
        .map(|lock| ExposedLock { review_due: at_lock(&lock), lock })
        .collect();
    let (keys, missing) = stored_losses::share(db, differ).await?;
    let alone = locks.is_empty() && review::is_due(situation, rules, keys, missing);
    Ok(Exposure {
        differ_id: differ,
        review_due: alone || locks.iter().any(|lock| lock.review_due),
        locks,
        people: exposure::people(db, differ).await?,
        in_store: exposure::in_store(db, differ).await?,
        keys,
        missing,
    })
}

/// What a reported loss exposes.
pub async fn exposure(read: &mut Read<'_>, id: LossId) -> Result<Exposure, ActError> {
    let loss = stored_losses::loss(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = read.registration_of(loss.registration_id, loss.id).await?;
    access.require(access.sees_all())?;
    let key = keys::key(&mut read.db, loss.key_id).await?.ok_or(ActError::NotFound)?;
    let rules = rules::in_force(&mut read.db, &registration).await?;
    let situation = situation(&mut read.db, &registration, &key, read.now).await?;
    exposure_of(&mut read.db, key.differ_id, &situation, &rules).await
}

/// A named person decides what becomes of the locks: they stay, and the hold is lifted, or they are rekeyed.
pub async fn decide(
    act: &mut Act<'_>,
    id: LossId,
    decision: LossDecision,
    reason: Remark,
) -> Result<Loss, ActError> {
    let found = stored_losses::loss(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    access.require_sight(access.sees_all())?;
    access.require(access.governs())?;
    let person = act.caller.require_person()?;
    let before = stored_losses::loss(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if before.decision == Some(LossDecision::Rekey) {
        return Err(ActError::WrongState {
            state: "rekey",
            detail: "it was decided to rekey before: that stands".to_owned(),
        });
    }
    let loss = Loss {
        decision: Some(decision),
        decision_reason: Some(reason.to_string()),
        decided_by: Some(person),
        decided_at: Some(act.now),
        ..before
    };
    let now = act.now;
    stored_losses::change(act.db(), &loss, now).await?;
    let said = vec![("decision", json!(decision)), ("reason", json!(loss.decision_reason))];
    act.enter_change("loss.decided", Some(registration.id), id.0, said).await?;
    if decision == LossDecision::Keep {
        lift_for(act, id).await?;
    } else if loss.found_at.is_none() && holds::for_loss(act.db(), id).await?.is_empty() {
        let key = keys::key(act.db(), loss.key_id).await?.ok_or(ActError::NotFound)?;
        hold_for(act, &loss, key.differ_id).await?;
    }
    Ok(loss)
}

/// The situation of a key, as the rules about losses look at it.
async fn situation(
    db: &mut PgConnection,
    registration: &Registration,
    key: &Key,
    now: OffsetDateTime,
) -> Result<Facts, ActError> {
    let today = now.date();
    let lookup = facts::Lookup {
        differ: key.differ_id,
        counter: None,
        recipient: key.holder_id,
        request: None,
        replaces: None,
        handed_in: false,
        extends: None,
        earlier_since: now,
    };
    let of = (registration.id, registration.section_id);
    let found = facts::of_requests(db, of, &[lookup], today).await?.pop().flatten();
    let found = found.ok_or_else(|| ActError::Internal("a key without its differ".to_owned()))?;
    let holder: Vec<PersonId> = key.holder_id.into_iter().collect();
    let authorities = facts::authorities(db, registration.id, &holder, None, today).await?;
    let recipient = key.holder_id.map(|holder| authorities.of(holder, key.differ_id)).unwrap_or_default();
    Ok(Facts { differ: found.differ, recipient, keys: found.keys, ..Facts::at(Step::Ask, now) })
}

/// What becomes of a loss: its charge is paid or waived, the police reference comes in.
pub async fn settle(
    act: &mut Act<'_>,
    id: LossId,
    charge: Option<ChargeState>,
    crime_reference: Option<Reference>,
) -> Result<Loss, ActError> {
    let found = stored_losses::loss(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    access.require_sight(access.sees_all())?;
    access.require(access.governs() || charge == Some(ChargeState::Waived))?;
    let mut loss = stored_losses::loss(act.db(), id).await?.ok_or(ActError::NotFound)?;
    match charge {
        None => {}
        Some(_) if loss.charge != ChargeState::Due => {
            return Err(ActError::WrongState {
                state: loss.charge.as_str(),
                detail: "no charge for this loss is open".to_owned(),
            });
        }
        Some(ChargeState::Paid) => loss.charge = ChargeState::Paid,
        Some(ChargeState::Waived) => {
            let rules = rules::in_force(act.db(), &registration).await?;
            let post = access
                .authorities
                .iter()
                .filter_map(|own| own.post.as_deref())
                .find(|post| rules.losses.waived_by.iter().any(|named| named.as_str() == *post));
            let post =
                post.ok_or(ActError::Forbidden("only a post that the rules name may waive a charge"))?;
            loss.waived_by_post = Some(post.to_owned());
            loss.charge = ChargeState::Waived;
        }
        Some(ChargeState::None | ChargeState::Due) => {
            return Err(ActError::invalid("/charge", "must be paid or waived"));
        }
    }
    if let Some(reference) = crime_reference {
        loss.crime_reference = Some(reference.into());
    }
    let now = act.now;
    stored_losses::change(act.db(), &loss, now).await?;
    act.enter_change("loss.settled", Some(registration.id), id.0, vec![]).await?;
    Ok(loss)
}

/// Losses of a registration.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Loss>, ActError> {
    let (_, access) = read.registration(registration).await?;
    access.require(access.sees_all())?;
    Ok(stored_losses::of_registration(&mut read.db, registration, access.portion(portion)).await?)
}
