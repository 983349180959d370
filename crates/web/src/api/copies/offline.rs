//! A counter without a network: what it takes in beforehand, and what it brings in afterwards.

use axum::response::IntoResponse;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use uuid::Uuid;

use crate::api::ListQuery;
use crate::api::copies::{StepView, view};
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, kept_nowhere};
use crate::scopes::{OfflineCuts, Read};
use application::copies::offline;
use application::copies::offline::OfflineCut;
use application::{App, Reply};
use domain::calendar::Moment;
use domain::copies::{CutClaim, FlaggedCut};
use domain::count::Quantity;
use domain::ids::{CopyRequestId, CounterId, CutClaimId, RegistrationId};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(take_in_authorisations))
        .routes(operations!(bring_in_cut))
        .routes(operations!(list_flagged_cuts))
        .routes(operations!(list_flagged_cuts_of_registration))
        .routes(operations!(list_cut_claims))
        .routes(operations!(list_cut_claims_of_registration))
        .routes(operations!(accept_cut_claim))
        .routes(operations!(dismiss_cut_claim))
}

body! {
    /// A cut that was made without a network.
    pub struct NewOfflineCut {
        /// Chosen by the counter when it cut: the same cut is recorded once, whoever sends it and whenever.
        id: Uuid,
        /// The copy request.
        copy_request_id: CopyRequestId,
        /// The number of keys.
        quantity: Quantity,
        /// When, by the counter's clock.
        cut_at: Moment,
        /// The worn key was handed in; no, when absent.
        old_key_handed_in: Option<bool>,
    }
}

/// The open authorisations of a counter as a signed bundle, good for 24 hours: what it may cut without a
/// network (its staff).
#[utoipa::path(get, path = "/v1/counters/{counter_id}/offline-authorisations", tag = "offline",
    responses((status = 200, content_type = "application/jwt", body = String)))]
async fn take_in_authorisations(call: Call<OfflineCuts>, Id(id): Id<CounterId>) -> HandlerResult {
    let bundle = offline::bundle(&mut call.read().await?, id).await?;
    Ok((kept_nowhere("application/jwt"), bundle).into_response())
}

/// A cut that was brought in.
#[derive(Serialize, ToSchema)]
struct OfflineCutView {
    #[serde(flatten)]
    step: StepView,
    /// The decision as things are now is no: keys that were authorised once are recorded all the same, and owner and
    /// supplier find the cut among those that are flagged.
    flagged: bool,
    /// Keys beyond what was authorised: a claim, whose keys are none until the supplier has accepted it.
    claimed: u32,
}

/// Bring in a cut that was made without a network (the counter's staff). It is decided again; keys that were
/// authorised are recorded as a fact whatever is decided, keys beyond them are a claim.
#[utoipa::path(post, path = "/v1/counters/{counter_id}/offline-cuts", tag = "offline",
    responses((status = 201, body = OfflineCutView)))]
async fn bring_in_cut(
    call: Call<OfflineCuts>,
    Id(id): Id<CounterId>,
    Idempotent { key, body }: Idempotent<NewOfflineCut>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let cut = OfflineCut {
            id: body.id,
            request: body.copy_request_id,
            quantity: body.quantity.get(),
            made_at: body.cut_at.0,
            handed_in: body.old_key_handed_in.unwrap_or(false),
        };
        let location = format!("/v1/copy-requests/{}", cut.request);
        let brought = offline::bring_in(act, id, cut).await?;
        let (flagged, claimed) = (brought.flagged, brought.claimed);
        let reply = OfflineCutView { step: view(brought.decided, brought.keys), flagged, claimed };
        Reply::created(&reply, location)
    })
    .await
}

/// Cuts without a network that were decided no when they were brought in, on every registration
/// (supplier).
#[utoipa::path(get, path = "/v1/flagged-cuts", tag = "offline",
    responses((status = 200, body = List<FlaggedCut>)))]
async fn list_flagged_cuts(call: Call<Read>, list: Listing<ListQuery>) -> HandlerResult {
    let found = offline::flagged(&mut call.read().await?, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Flagged cuts of one registration (those who see all of it).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/flagged-cuts", tag = "offline",
    responses((status = 200, body = List<FlaggedCut>)))]
async fn list_flagged_cuts_of_registration(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = offline::flagged_of(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Keys that counters say they cut beyond what was authorised, on every registration (supplier).
#[utoipa::path(get, path = "/v1/cut-claims", tag = "offline", responses((status = 200, body = List<CutClaim>)))]
async fn list_cut_claims(call: Call<Read>, list: Listing<ListQuery>) -> HandlerResult {
    let found = offline::claims(&mut call.read().await?, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Claims on one registration (those who see all of it).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/cut-claims", tag = "offline",
    responses((status = 200, body = List<CutClaim>)))]
async fn list_cut_claims_of_registration(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = offline::claims_of(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Accept a claim (supplier): its keys are there from now on, if the counter's blanks allow as many.
#[utoipa::path(post, path = "/v1/cut-claims/{cut_claim_id}/acceptance", tag = "offline",
    responses((status = 200, body = CutClaim)))]
async fn accept_cut_claim(
    call: Call,
    Id(id): Id<CutClaimId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| Reply::ok(&offline::settle(act, id, true).await?)).await
}

/// Dismiss a claim (supplier): all of it is none.
#[utoipa::path(post, path = "/v1/cut-claims/{cut_claim_id}/dismissal", tag = "offline",
    responses((status = 200, body = CutClaim)))]
async fn dismiss_cut_claim(
    call: Call,
    Id(id): Id<CutClaimId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| Reply::ok(&offline::settle(act, id, false).await?)).await
}
