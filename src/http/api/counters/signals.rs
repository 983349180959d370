//! Counters and holders out of pattern.

use axum::response::IntoResponse;
use utoipa_axum::router::OpenApiRouter;

use crate::application::counters::signals;
use crate::application::{App, Reply};
use crate::domain::counters::signals::Signal;
use crate::http::extract::Call;
use crate::http::reply::{HandlerResult, List};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(operations!(list_signals))
}

/// Counters and holders out of pattern (supplier). Each signal says which rule gave it; it is a reason
/// to look, and proves nothing.
#[utoipa::path(get, path = "/v1/signals", tag = "signals", responses((status = 200, body = List<Signal>)))]
async fn list_signals(call: Call) -> HandlerResult {
    let items = signals::all(&call.app, &call.caller).await?;
    Ok(Reply::ok(&List { items })?.into_response())
}
