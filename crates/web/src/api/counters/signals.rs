//! Counters and holders out of pattern.

use utoipa_axum::router::OpenApiRouter;

use crate::extract::Call;
use crate::reply::{HandlerResult, List, ok};
use crate::scopes::Read;
use application::App;
use application::counters::signals;
use domain::counters::signals::Signal;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(operations!(list_signals))
}

/// Counters and holders out of pattern (supplier). Each signal says which rule gave it; it is a reason
/// to look, and proves nothing.
#[utoipa::path(get, path = "/v1/signals", tag = "signals", responses((status = 200, body = List<Signal>)))]
async fn list_signals(call: Call<Read>) -> HandlerResult {
    let items = signals::all(&mut call.read().await?).await?;
    ok(&List { items })
}
