//! Whether the process lives, and whether it can work.

use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::routing::get;

use crate::application::App;
use crate::http::problem::{Problem, ProblemKind};

/// `/health/live` and `/health/ready`.
pub fn routes() -> Router<App> {
    Router::new().route("/health/live", get(|| async { StatusCode::NO_CONTENT })).route(
        "/health/ready",
        get(|State(app): State<App>| async move {
            match sqlx::query("SELECT 1").execute(&app.pool).await {
                Ok(_) => Ok(StatusCode::NO_CONTENT),
                Err(_) => Err(Problem::new(ProblemKind::Unavailable)),
            }
        }),
    )
}
