//! Lost and stolen keys: reported, what they expose, what is decided, and what they cost.

use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, ok};
use application::keys::losses;
use application::keys::losses::Exposure;
use application::{App, Reply};
use domain::calendar::Day;
use domain::cautions;
use domain::ids::{DifferId, KeyId, LockId, LossId, PersonId, RegistrationId};
use domain::keys::ChargeState;
use domain::keys::losses::{Loss, LossDecision, LossKind};
use domain::text::{Name, Reference, Remark};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(report_loss))
        .routes(operations!(list_losses))
        .routes(operations!(read_exposure))
        .routes(operations!(decide_loss))
        .routes(operations!(settle_loss))
}

body! {
    /// The report of a loss.
    pub struct NewLoss {
        /// Lost or stolen.
        kind: LossKind,
        /// The day on which it happened.
        happened_on: Option<Day>,
        /// Where it happened.
        place: Option<Name>,
        /// The reference that the police gave.
        crime_reference: Option<Reference>,
    }

    /// What was decided about the locks.
    pub struct NewLossDecision {
        /// `keep` or `rekey`.
        decision: LossDecision,
        /// Why it was decided so.
        reason: Remark,
    }

    /// What becomes of a loss.
    pub struct LossSettlement {
        /// `paid` or `waived`; left as it is, when absent.
        charge: Option<ChargeState>,
        /// The reference that the police gave.
        crime_reference: Option<Reference>,
    }
}

/// What the report of a loss leads to.
#[derive(Serialize, ToSchema)]
struct LossView {
    /// The report.
    loss: Loss,
    /// The police reference that the rules ask for is missing.
    crime_reference_missing: bool,
    /// The lost keys call for a review of the locks.
    review_due: bool,
    /// What the program says besides; it does not judge.
    cautions: Vec<&'static str>,
}

/// Report a key lost or stolen: its holder, or whoever governs the registration.
#[utoipa::path(post, path = "/v1/keys/{key_id}/loss", tag = "keys",
    responses((status = 201, body = LossView)))]
async fn report_loss(
    call: Call,
    Id(id): Id<KeyId>,
    Idempotent { key, body }: Idempotent<NewLoss>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let new = losses::NewLoss {
            kind: body.kind,
            happened_on: body.happened_on.map(|day| day.0),
            place: body.place,
            crime_reference: body.crime_reference,
        };
        let report = losses::report(act, id, new).await?;
        let view = LossView {
            crime_reference_missing: report.crime_reference_missing,
            review_due: report.review_due,
            cautions: cautions::of_charge(report.loss.charge),
            loss: report.loss,
        };
        Reply::created(&view, format!("/v1/keys/{id}"))
    })
    .await
}

/// Losses of a registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/losses", tag = "keys",
    responses((status = 200, body = List<Loss>)))]
async fn list_losses(call: Call, Id(id): Id<RegistrationId>, list: Listing<ListQuery>) -> HandlerResult {
    let found = losses::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A lock that a lost key opens.
#[derive(Serialize, ToSchema)]
struct ExposedLockView {
    /// Which lock.
    lock_id: LockId,
    /// Its registration.
    registration_id: RegistrationId,
    /// Its line in the schedule.
    label: String,
    /// The class of the room behind it.
    room_class: Option<String>,
    /// Keys that open it and are neither destroyed nor dead.
    keys: u32,
    /// Of them, missing.
    missing: u32,
    /// The share or number of missing keys calls for a review of this lock.
    review_due: bool,
}

/// Somebody with a live key.
#[derive(Serialize, ToSchema)]
struct ExposedPerson {
    /// The person who has keys.
    person_id: PersonId,
    /// How many keys the person has.
    keys: u32,
}

/// What a lost key exposes.
#[derive(Serialize, ToSchema)]
struct ExposureView {
    /// The differ of the lost key.
    differ_id: DifferId,
    /// The locks that answer to it now.
    locks: Vec<ExposedLockView>,
    /// Who has live keys of it.
    people: Vec<ExposedPerson>,
    /// Live keys of it that are in store.
    in_store: u32,
    /// Keys of it that are neither destroyed nor dead.
    keys: u32,
    /// Of them, missing.
    missing: u32,
    /// The rules call for a review of the locks. Whoever governs may decide to rekey without that.
    review_due: bool,
}

impl From<Exposure> for ExposureView {
    fn from(found: Exposure) -> Self {
        let lock = |exposed: losses::ExposedLock| ExposedLockView {
            lock_id: exposed.lock.lock,
            registration_id: exposed.lock.registration,
            label: exposed.lock.label,
            room_class: exposed.lock.room_class,
            keys: exposed.lock.issued,
            missing: exposed.lock.missing,
            review_due: exposed.review_due,
        };
        Self {
            differ_id: found.differ,
            locks: found.locks.into_iter().map(lock).collect(),
            people: found
                .people
                .into_iter()
                .map(|(person_id, keys)| ExposedPerson { person_id, keys })
                .collect(),
            in_store: found.in_store,
            keys: found.issued,
            missing: found.missing,
            review_due: found.review_due,
        }
    }
}

/// Which locks, people and keys a loss concerns, and whether a review is due (owner, agent, signatory,
/// supplier).
#[utoipa::path(get, path = "/v1/losses/{loss_id}/exposure", tag = "keys",
    responses((status = 200, body = ExposureView)))]
async fn read_exposure(call: Call, Id(id): Id<LossId>) -> HandlerResult {
    let found = losses::exposure(&mut call.read().await?, id).await?;
    ok(&ExposureView::from(found))
}

/// Decide what becomes of the locks after a loss (owner, agent, supplier; in person). `keep` lifts the hold
/// on the differ.
#[utoipa::path(post, path = "/v1/losses/{loss_id}/decision", tag = "keys",
    responses((status = 200, body = Loss)))]
async fn decide_loss(
    call: Call,
    Id(id): Id<LossId>,
    Idempotent { key, body }: Idempotent<NewLossDecision>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let decided = losses::decide(act, id, body.decision, body.reason).await?;
        Reply::ok(&decided)
    })
    .await
}

/// Settle a loss: its charge is paid or waived, the police reference comes in.
#[utoipa::path(post, path = "/v1/losses/{loss_id}/settlement", tag = "keys",
    responses((status = 200, body = Loss)))]
async fn settle_loss(
    call: Call,
    Id(id): Id<LossId>,
    Idempotent { key, body }: Idempotent<LossSettlement>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let settled = losses::settle(act, id, body.charge, body.crime_reference).await?;
        Reply::ok(&settled)
    })
    .await
}
