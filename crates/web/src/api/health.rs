//! Whether the process lives, and whether it can work.

use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::routing::get;

use crate::problem::{Problem, ProblemKind};
use application::App;

/// `/health/live` and `/health/ready`.
pub fn routes() -> Router<App> {
    Router::new().route("/health/live", get(|| async { StatusCode::NO_CONTENT })).route(
        "/health/ready",
        get(|State(app): State<App>| async move {
            app.log.require_agreement()?;
            match storage::ping(&app.pool).await {
                Ok(()) => Ok(StatusCode::NO_CONTENT),
                Err(_) => Err(Problem::new(ProblemKind::Unavailable)),
            }
        }),
    )
}
