//! Lost and stolen keys: reported, what they expose, what is decided, and what they cost.

use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, ok};
use crate::scopes::Read;
use application::keys::losses;
use application::keys::losses::{Exposure, LossReport};
use application::{App, Reply};
use domain::calendar::Day;
use domain::ids::{KeyId, LossId, RegistrationId};
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
        /// Whether it was lost or stolen.
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

/// Report a key lost or stolen: its holder, or whoever governs the registration.
#[utoipa::path(post, path = "/v1/keys/{key_id}/loss", tag = "keys",
    responses((status = 201, body = LossReport)))]
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
        Reply::created(&losses::report(act, id, new).await?, format!("/v1/keys/{id}"))
    })
    .await
}

/// Losses of a registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/losses", tag = "keys",
    responses((status = 200, body = List<Loss>)))]
async fn list_losses(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = losses::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Which locks, people and keys a loss concerns, and whether a review is due (owner, agent, signatory,
/// supplier).
#[utoipa::path(get, path = "/v1/losses/{loss_id}/exposure", tag = "keys",
    responses((status = 200, body = Exposure)))]
async fn read_exposure(call: Call<Read>, Id(id): Id<LossId>) -> HandlerResult {
    let found = losses::exposure(&mut call.read().await?, id).await?;
    ok(&found)
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
