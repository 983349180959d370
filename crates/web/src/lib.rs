//! HTTP: parses a request, calls one application function, renders what comes back.

#[macro_use]
mod body;
#[macro_use]
pub mod operation;

pub mod api;
pub mod extract;
pub mod limits;
pub mod log;
pub mod openapi;
pub mod problem;
pub mod reply;
pub mod status_lists;

use std::time::Duration;

use axum::extract::DefaultBodyLimit;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::{Router, middleware};
use tower::ServiceBuilder;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::timeout::TimeoutLayer;

use crate::limits::Limits;
use crate::problem::{Problem, ProblemKind};
use application::App;

/// The most bytes of a body, an import apart.
pub const BODY_LIMIT: usize = 256 * 1024;

/// The whole service.
pub fn router(app: App, limits: Limits) -> Router {
    let (api, document) = openapi::build();
    let random = app.outside.clone();
    let layers = ServiceBuilder::new()
        .layer(middleware::from_fn_with_state(random, problem::with_request_id))
        .layer(CatchPanicLayer::custom(|_| {
            tracing::error!("request.panicked");
            Problem::new(ProblemKind::Internal).into_response()
        }))
        .layer(TimeoutLayer::with_status_code(StatusCode::SERVICE_UNAVAILABLE, Duration::from_secs(30)))
        .layer(middleware::from_fn_with_state(limits, limits::by_address))
        .layer(DefaultBodyLimit::max(BODY_LIMIT));
    Router::new()
        .merge(api)
        .merge(openapi::reader(document))
        .merge(api::health::routes())
        .merge(log::routes())
        .merge(status_lists::routes())
        .merge(problem::routes())
        .fallback(|| async { Problem::new(ProblemKind::NotFound) })
        .method_not_allowed_fallback(|| async { Problem::new(ProblemKind::MethodNotAllowed) })
        .layer(layers)
        .with_state(app)
}
