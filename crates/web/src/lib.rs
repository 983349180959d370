//! HTTP: parses a request, calls one application function, renders what comes back.

#[macro_use]
mod body;
#[macro_use]
pub mod operation;

pub mod api;
pub mod connections;
pub mod extract;
pub mod limits;
pub mod log;
pub mod openapi;
pub mod problem;
pub mod reply;
pub mod scopes;
pub mod status_lists;
mod strict_json;

use std::time::Duration;

use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum::{Router, middleware};
use tower::ServiceBuilder;
use tower::util::option_layer;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::timeout::TimeoutLayer;

use crate::limits::Limits;
use crate::problem::{Problem, ProblemKind};
use application::App;
use application::undisturbed::Undisturbed;

/// The most bytes of a body, an import apart.
pub const BODY_LIMIT: usize = 256 * 1024;

/// Works for a call to its end, although its caller hangs up or the limit on time is reached.
async fn undisturbed(State(work): State<Undisturbed>, request: Request, next: Next) -> Response {
    work.run(next.run(request)).await
}

/// Whether the page that reads the document is served.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reader {
    /// At `/docs`, with the document.
    Served,
    /// Not, and neither is the document.
    Absent,
}

/// The whole service.
pub fn router(app: App, limits: Limits) -> Router {
    service(app, limits, Reader::Served)
}

/// The whole service, with the reader page or without it.
pub fn service(app: App, limits: Limits, reader: Reader) -> Router {
    let (api, document) = openapi::build();
    // Browsers that came by TLS once come by nothing else for a year (RFC 6797).
    let by_tls = app.tokens.issuer().starts_with("https://");
    let year = HeaderValue::from_static("max-age=31536000; includeSubDomains");
    let hsts = by_tls.then(|| SetResponseHeaderLayer::overriding(header::STRICT_TRANSPORT_SECURITY, year));
    let (random, work) = (app.outside.clone(), app.work.clone());
    let layers = ServiceBuilder::new()
        .layer(middleware::from_fn_with_state(random, problem::with_request_id))
        .layer(CatchPanicLayer::custom(|_| {
            tracing::error!("request.panicked");
            Problem::new(ProblemKind::Internal).into_response()
        }))
        .layer(TimeoutLayer::with_status_code(StatusCode::SERVICE_UNAVAILABLE, Duration::from_secs(30)))
        .layer(middleware::from_fn_with_state(limits, limits::by_address))
        .layer(middleware::from_fn_with_state(work, undisturbed))
        .layer(DefaultBodyLimit::max(BODY_LIMIT));
    Router::new()
        .merge(api)
        .merge(match reader {
            Reader::Served => openapi::reader(document),
            Reader::Absent => Router::new(),
        })
        .merge(api::health::routes())
        .merge(log::routes())
        .merge(status_lists::routes())
        .merge(problem::routes())
        .fallback(|| async { Problem::new(ProblemKind::NotFound) })
        .method_not_allowed_fallback(|| async { Problem::new(ProblemKind::MethodNotAllowed) })
        .layer(layers)
        .layer(SetResponseHeaderLayer::overriding(
            header::REFERRER_POLICY,
            HeaderValue::from_static("no-referrer"),
        ))
        // Replies of the API are no pages: a browser that shows one loads nothing, and frames it nowhere.
        .layer(SetResponseHeaderLayer::if_not_present(
            header::CONTENT_SECURITY_POLICY,
            HeaderValue::from_static("default-src 'none'; frame-ancestors 'none'"),
        ))
        .layer(option_layer(hsts))
        .with_state(app)
}
