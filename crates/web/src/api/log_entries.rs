//! Entries of the evidence log, for their parties: receipts and disclosures.

use std::time::Duration;

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{AppendHeaders, IntoResponse};
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::router::OpenApiRouter;

use crate::extract::{Call, Id, Query};
use crate::reply::{HandlerResult, List};
use crate::scopes::Read;
use application::App;
use application::log::receipts;
use application::log::receipts::Disclosure;
use domain::ids::EntryId;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(operations!(read_receipt)).routes(operations!(list_disclosures))
}

/// The longest that a receipt is waited for, in seconds.
const LONGEST_WAIT: u16 = 20;

#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Wait {
    /// How many seconds to wait for the entry to be published; 2, when absent, and 20 at most.
    wait: Option<u16>,
}

/// The receipt of an entry (its parties): a proof that it is in the log, which verifies by itself
/// (C2SP tlog-proof, with the entry as its extra data). 202 while it is not published yet.
///
/// Where the service asks witnesses to sign, `x-log-quorum` says whether enough of them have signed the head of this
/// receipt: `met`, or `missed`; then ask again for one that has.
#[utoipa::path(get, path = "/v1/log-entries/{entry_id}/receipt", tag = "log",
    responses((status = 200, body = String, content_type = "text/plain"),
        (status = 202, description = "Not published yet: ask again",
            headers(("Retry-After" = i32, description = "Seconds to wait")))))]
async fn read_receipt(call: Call<Read>, Id(id): Id<EntryId>, Query(query): Query<Wait>) -> HandlerResult {
    let wait = Duration::from_secs(u64::from(query.wait.unwrap_or(2).min(LONGEST_WAIT)));
    Ok(match receipts::receipt(&call.app, &call.caller, id, wait).await? {
        Some(receipt) => {
            let quorum = call
                .app
                .log
                .meets_quorum(&receipt.checkpoint)
                .map(|met| (HeaderName::from_static("x-log-quorum"), if met { "met" } else { "missed" }));
            (AppendHeaders(quorum), receipt.to_string()).into_response()
        }
        None => {
            (StatusCode::ACCEPTED, [(header::RETRY_AFTER, HeaderValue::from_static("1"))]).into_response()
        }
    })
}

/// The fields that an entry commits to (its parties). Whoever hands one over shows that field alone;
/// `wardbook log verify` checks it against the entry.
#[utoipa::path(get, path = "/v1/log-entries/{entry_id}/disclosures", tag = "log",
    responses((status = 200, body = List<Disclosure>)))]
async fn list_disclosures(call: Call<Read>, Id(id): Id<EntryId>) -> HandlerResult {
    let items = receipts::disclosures(&mut call.read().await?, id).await?;
    Ok(axum::Json(List { items }).into_response())
}
