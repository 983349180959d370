//! The life of a copy.

pub mod offline;
pub mod uncollected;

use axum::response::IntoResponse;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::cards::credentials;
use crate::api::{ListQuery, list_query};
use crate::body::EmptyBody;
use crate::extract::{Body, Call, Id, Idempotent, Listing, Secret};
use crate::reply::{HandlerResult, List, ok, response, versioned};
use crate::scopes::Read;
use application::copies::{Ask, CutStep, DecidedRequest, HandOverStep};
use application::{App, Reply, copies};
use domain::calendar::{Day, Moment};
use domain::copies::decision::Decision;
use domain::copies::signature::Signature;
use domain::copies::{CopyRequest, DocumentKind, Purpose, RequestState};
use domain::count::Quantity;
use domain::ids::{CopyRequestId, CounterId, DecisionId, DifferId, EntryId, KeyId, PersonId, RegistrationId};
use domain::keys::Key;
use domain::numbers::TypedNumber;
use domain::text::Remark;
use storage::copies::{KeptSignature, Override, RecordedDecision};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(ask, list_copy_requests))
        .routes(operations!(dry_run))
        .routes(operations!(read_copy_request))
        .routes(operations!(list_decisions))
        .routes(operations!(approve))
        .routes(operations!(decline))
        .routes(operations!(withdraw))
        .routes(operations!(cut))
        .routes(operations!(hand_over))
        .routes(operations!(list_signatures))
        .routes(operations!(list_overrides))
}

body! {
    /// A copy to ask for.
    pub struct NewCopyRequest {
        /// The differ of the key.
        differ_id: DifferId,
        /// For whom; for the caller, when absent.
        recipient_id: Option<PersonId>,
        /// Where it is to be cut.
        counter_id: CounterId,
        /// How many; one, when absent.
        quantity: Option<Quantity>,
        /// Why; one more key, when absent.
        purpose: Option<Purpose>,
        /// The key that it replaces.
        replaces_key_id: Option<KeyId>,
        /// The instant from which it is needed.
        needed_from: Option<Moment>,
        /// The day by which it is to come back.
        due_back_on: Option<Day>,
        /// The completed temporary issue whose keys are to stay out longer; nothing is cut.
        extends_request_id: Option<CopyRequestId>,
        /// Why the authority that normally approves cannot act; asks for an override.
        emergency_reason: Option<Remark>,
    }

    /// An approval.
    pub struct NewApproval {
        /// In place of an authority that cannot act, by an officer whom the rules name.
        emergency: Option<bool>,
    }

    /// Keys to cut now, and what was shown.
    pub struct NewCut {
        /// The number of keys now.
        quantity: Quantity,
        /// The number of the card that was shown.
        card_number: Option<TypedNumber>,
        /// The PIN that its holder entered.
        #[schema(value_type = Option<String>, format = Password, max_length = 8)]
        pin: Option<Secret>,
        /// The kind of identity document that was seen.
        document_seen: Option<DocumentKind>,
        /// The worn key was handed in; no, when absent.
        old_key_handed_in: Option<bool>,
    }

    /// Keys to hand over now, and what was shown.
    pub struct NewHandOver {
        /// The number of keys now.
        quantity: Quantity,
        /// Who stands there; the recipient, when absent.
        collected_by_id: Option<PersonId>,
        /// The number of the card that was shown.
        card_number: Option<TypedNumber>,
        /// The PIN that its holder entered.
        #[schema(value_type = Option<String>, format = Password, max_length = 8)]
        pin: Option<Secret>,
        /// The kind of identity document that was seen.
        document_seen: Option<DocumentKind>,
        /// The signature that was drawn: strokes of points [x, y, milliseconds], x and y from 0 to 10000.
        signature: Option<Signature>,
    }
}

impl From<NewCopyRequest> for Ask {
    fn from(body: NewCopyRequest) -> Self {
        Self {
            differ: body.differ_id,
            recipient: body.recipient_id,
            counter: body.counter_id,
            quantity: body.quantity.map_or(1, Quantity::get),
            purpose: body.purpose.unwrap_or(Purpose::Additional),
            replaces: body.replaces_key_id,
            needed_from: body.needed_from.map(|moment| moment.0),
            due_back_on: body.due_back_on.map(|day| day.0),
            extends: body.extends_request_id,
            emergency_reason: body.emergency_reason,
        }
    }
}

list_query! {
    /// Which requests.
    pub struct CopyRequestQuery {
        /// Only those in this state.
        state: RequestState,
    }
}

/// A request, the decision on this step, and the keys that it brought.
#[derive(Serialize, ToSchema)]
pub(crate) struct StepView {
    /// The request as it is now.
    copy_request: CopyRequest,
    /// The decision; a refusal is one too.
    decision: Decision,
    /// The id of the decision.
    decision_id: DecisionId,
    /// Its entry in the log, for which there is a receipt.
    entry_id: EntryId,
    /// Keys that were cut or handed over in this step.
    keys: Vec<Key>,
}

pub(crate) fn view(decided: DecidedRequest, keys: Vec<Key>) -> StepView {
    StepView {
        copy_request: decided.request,
        decision: decided.decision,
        decision_id: decided.recorded.decision,
        entry_id: decided.recorded.entry,
        keys,
    }
}

/// Ask for a copy. A refusal is a decision, recorded: 201 like a yes.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/copy-requests", tag = "copies",
    responses((status = 201, body = StepView)))]
async fn ask(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewCopyRequest>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let decided = copies::ask(act, id, body.into()).await?;
        let location = format!("/v1/copy-requests/{}", decided.request.id);
        let version = decided.request.version;
        Ok(Reply::created(&view(decided, vec![]), location)?.version(version))
    })
    .await
}

/// May I? The decision that asking would bring; nothing is written.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/copy-requests/dry-run", tag = "copies",
    responses((status = 200, body = Decision)))]
async fn dry_run(call: Call, Id(id): Id<RegistrationId>, Body(body): Body<NewCopyRequest>) -> HandlerResult {
    let decision = copies::dry_run(&mut call.read().await?, id, body.into()).await?;
    Ok(axum::Json(decision).into_response())
}

/// Requests on a registration: keyholders see their own.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/copy-requests", tag = "copies",
    responses((status = 200, body = List<CopyRequest>)))]
async fn list_copy_requests(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<CopyRequestQuery>,
) -> HandlerResult {
    let found = copies::all(&mut call.read().await?, id, list.query.state, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A request: for its parties, and for the counter where it is to be cut.
#[utoipa::path(get, path = "/v1/copy-requests/{copy_request_id}", tag = "copies",
    responses((status = 200, body = CopyRequest)))]
async fn read_copy_request(call: Call<Read>, Id(id): Id<CopyRequestId>) -> HandlerResult {
    let found = copies::request(&mut call.read().await?, id).await?;
    versioned(&found, found.version)
}

/// The decisions on a request, oldest first.
#[utoipa::path(get, path = "/v1/copy-requests/{copy_request_id}/decisions", tag = "copies",
    responses((status = 200, body = List<RecordedDecision>)))]
async fn list_decisions(call: Call<Read>, Id(id): Id<CopyRequestId>) -> HandlerResult {
    let items = copies::decisions(&mut call.read().await?, id).await?;
    ok(&List { items })
}

/// Approve a request. An approval that the rules do not accept is a decision too, and changes nothing.
#[utoipa::path(post, path = "/v1/copy-requests/{copy_request_id}/approvals", tag = "copies",
    responses((status = 201, body = StepView)))]
async fn approve(
    call: Call,
    Id(id): Id<CopyRequestId>,
    Idempotent { key, body }: Idempotent<NewApproval>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let decided = copies::approve(act, id, body.emergency.unwrap_or(false)).await?;
        Reply::created(&view(decided, vec![]), format!("/v1/copy-requests/{id}/decisions"))
    })
    .await
}

/// Decline a request: somebody with approving authority says no.
#[utoipa::path(post, path = "/v1/copy-requests/{copy_request_id}/decline", tag = "copies",
    responses((status = 200, body = CopyRequest)))]
async fn decline(
    call: Call,
    Id(id): Id<CopyRequestId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let request = copies::decline(act, id).await?;
        Ok(Reply::ok(&request)?.version(request.version))
    })
    .await
}

/// Withdraw a request.
#[utoipa::path(post, path = "/v1/copy-requests/{copy_request_id}/withdrawal", tag = "copies",
    responses((status = 200, body = CopyRequest)))]
async fn withdraw(
    call: Call,
    Id(id): Id<CopyRequestId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let request = copies::withdraw(act, id).await?;
        Ok(Reply::ok(&request)?.version(request.version))
    })
    .await
}

/// Cut keys (staff of the counter): all that were authorised, or some.
#[utoipa::path(post, path = "/v1/copy-requests/{copy_request_id}/cuts", tag = "copies",
    responses((status = 201, body = StepView)))]
async fn cut(
    call: Call,
    Id(id): Id<CopyRequestId>,
    Idempotent { key, body }: Idempotent<NewCut>,
) -> HandlerResult {
    let credentials = credentials(body.card_number, body.pin, body.document_seen)?;
    let step = CutStep { quantity: body.quantity.get(), handed_in: body.old_key_handed_in.unwrap_or(false) };
    let reply = |decided, keys| Reply::created(&view(decided, keys), format!("/v1/copy-requests/{id}"));
    Ok(response(copies::cut(&call.app, &call.caller, &key, (id, credentials), step, reply).await?))
}

/// Hand keys over (staff of the counter): all that were cut, or some.
#[utoipa::path(post, path = "/v1/copy-requests/{copy_request_id}/hand-overs", tag = "copies",
    responses((status = 201, body = StepView)))]
async fn hand_over(
    call: Call,
    Id(id): Id<CopyRequestId>,
    Idempotent { key, body }: Idempotent<NewHandOver>,
) -> HandlerResult {
    let credentials = credentials(body.card_number, body.pin, body.document_seen)?;
    let step = HandOverStep {
        quantity: body.quantity.get(),
        collector: body.collected_by_id,
        signature: body.signature,
    };
    let reply = |decided, keys| Reply::created(&view(decided, keys), format!("/v1/copy-requests/{id}"));
    Ok(response(copies::hand_over(&call.app, &call.caller, &key, (id, credentials), step, reply).await?))
}

/// The signatures of the hand-overs of a request, for its parties and its counter.
#[utoipa::path(get, path = "/v1/copy-requests/{copy_request_id}/signatures", tag = "copies",
    responses((status = 200, body = List<KeptSignature>)))]
async fn list_signatures(call: Call, Id(id): Id<CopyRequestId>) -> HandlerResult {
    let items = copies::signatures(&mut call.read().await?, id).await?;
    ok(&List { items })
}

/// Overrides on every registration, listed apart (supplier).
#[utoipa::path(get, path = "/v1/overrides", tag = "copies",
    responses((status = 200, body = List<Override>)))]
async fn list_overrides(call: Call<Read>, list: Listing<ListQuery>) -> HandlerResult {
    let found = copies::overrides(&mut call.read().await?, list.portion).await?;
    Ok(list.reply(found, |item| item.id))
}
