//! Which lock answers to which differ.

use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List};
use crate::scopes::Read;
use application::differs::answers;
use application::{App, Reply};
use domain::differs::Answering;
use domain::ids::{DifferId, LockId, RegistrationId};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(begin_answering))
        .routes(operations!(end_answering))
        .routes(operations!(list_answers))
}

body! {
    /// The differ to which a lock answers.
    pub struct NewAnswering {
        /// Which differ.
        differ_id: DifferId,
    }
}

/// A lock begins to answer to a differ (supplier).
#[utoipa::path(post, path = "/v1/locks/{lock_id}/answers", tag = "differs",
    responses((status = 201, body = Answering)))]
async fn begin_answering(
    call: Call,
    Id(id): Id<LockId>,
    Idempotent { key, body }: Idempotent<NewAnswering>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let begun = answers::begin(act, id, body.differ_id).await?;
        Reply::created(&begun, format!("/v1/registrations/{}/answers", begun.registration_id))
    })
    .await
}

/// What the end of answering leads to.
#[derive(Serialize, ToSchema)]
struct AnsweringEnd {
    /// Keys that are dead now: no lock answers to their differ any more.
    dead_keys: u32,
}

/// A lock stops answering to a differ (supplier): its levers were changed.
#[utoipa::path(post, path = "/v1/locks/{lock_id}/answers/end", tag = "differs",
    responses((status = 200, body = AnsweringEnd)))]
async fn end_answering(
    call: Call,
    Id(id): Id<LockId>,
    Idempotent { key, body }: Idempotent<NewAnswering>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let dead_keys = answers::end(act, id, body.differ_id).await?;
        Reply::ok(&AnsweringEnd { dead_keys })
    })
    .await
}

/// Which lock answers, or answered, to which differ.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/answers", tag = "differs",
    responses((status = 200, body = List<Answering>)))]
async fn list_answers(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = answers::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}
