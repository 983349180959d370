//! Keys that nobody collected.

use utoipa_axum::router::OpenApiRouter;

use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent};
use crate::reply::{HandlerResult, List, ok};
use crate::scopes::Read;
use application::copies::uncollected;
use application::{App, Reply};
use domain::copies::Destruction;
use domain::ids::{CopyRequestId, CounterId, DestructionId};
use domain::keys::Key;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(list_uncollected_keys))
        .routes(operations!(announce_destruction))
        .routes(operations!(confirm_destruction))
}

/// Keys that were cut at a counter and that nobody collected (its dealer, or the supplier).
#[utoipa::path(get, path = "/v1/counters/{counter_id}/uncollected-keys", tag = "counters",
    responses((status = 200, body = List<Key>)))]
async fn list_uncollected_keys(call: Call<Read>, Id(id): Id<CounterId>) -> HandlerResult {
    let items = uncollected::at(&mut call.read().await?, id).await?;
    ok(&List { items })
}

/// Say that the keys of a request that is over and that nobody collected are destroyed (a person at its
/// counter). They count until somebody else has confirmed it.
#[utoipa::path(post, path = "/v1/copy-requests/{copy_request_id}/destructions", tag = "copies",
    responses((status = 201, body = Destruction)))]
async fn announce_destruction(
    call: Call,
    Id(id): Id<CopyRequestId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let announced = uncollected::announce(act, id).await?;
        let location = format!("/v1/destructions/{}/confirmation", announced.id);
        Reply::created(&announced, location)
    })
    .await
}

/// Confirm as a witness that keys were destroyed (another person at the same counter).
#[utoipa::path(post, path = "/v1/destructions/{destruction_id}/confirmation", tag = "copies",
    responses((status = 200, body = List<Key>)))]
async fn confirm_destruction(
    call: Call,
    Id(id): Id<DestructionId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let items = uncollected::confirm(act, id).await?;
        Reply::ok(&List { items })
    })
    .await
}
