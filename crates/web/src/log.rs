//! The log as it is published: the checkpoint and the tiles for everybody, the entries for auditors
//! (C2SP tlog-tiles). Outside of openapi.json: that standard describes it.
//!
//! The first log is under `/log`; one that continued it under `/log/2`, and so on: caches may keep for
//! good what an address names.

use axum::Router;
use axum::extract::{Path, State};
use axum::http::{HeaderName, HeaderValue, header};
use axum::response::IntoResponse;
use axum::routing::get;
use tower_http::compression::CompressionLayer;

use crate::extract::Call;
use crate::problem::{Problem, ProblemKind};
use crate::reply::HandlerResult;
use crate::scopes::Log;
use application::log::{reading, receipts};
use application::{ActError, App};
use evidence_log::tile::{Content, TilePath};

/// `/log/checkpoint`, `/log/tile/…`, and the same of logs that continued the first.
pub fn routes() -> Router<App> {
    Router::new()
        .route("/log/checkpoint", get(|State(app): State<App>| checkpoint(app, 1)))
        .route("/log/tile/{*path}", get(first_tile))
        .route("/log/{number}/checkpoint", get(later_checkpoint))
        .route("/log/{number}/tile/{*path}", get(later_tile))
        .layer(CompressionLayer::new())
}

async fn first_tile(
    State(app): State<App>,
    Path(path): Path<String>,
    call: Result<Call<Log>, Problem>,
) -> HandlerResult {
    tile(app, 1, &path, call).await
}

async fn later_checkpoint(State(app): State<App>, Path(number): Path<String>) -> HandlerResult {
    checkpoint(app, later(&number)?).await
}

async fn later_tile(
    State(app): State<App>,
    Path((number, path)): Path<(String, String)>,
    call: Result<Call<Log>, Problem>,
) -> HandlerResult {
    tile(app, later(&number)?, &path, call).await
}

/// The number of a log that continued another.
fn later(text: &str) -> Result<i16, Problem> {
    let number = text.parse().ok().filter(|number: &i16| *number > 1 && number.to_string() == text);
    number.ok_or_else(|| Problem::new(ProblemKind::NotFound))
}

/// A body that may be kept: for seconds, or for good.
fn kept(
    kind: &'static str,
    caching: &'static str,
    body: impl IntoResponse,
) -> ([(HeaderName, HeaderValue); 2], impl IntoResponse) {
    let kind = (header::CONTENT_TYPE, HeaderValue::from_static(kind));
    ([kind, (header::CACHE_CONTROL, HeaderValue::from_static(caching))], body)
}

async fn checkpoint(app: App, log: i16) -> HandlerResult {
    let mut db = app.pool.acquire().await.map_err(ActError::from)?;
    let published = reading::published(&mut db, &app.log, log).await.map_err(ActError::from)?;
    let published = published.ok_or_else(|| Problem::new(ProblemKind::NotFound))?;
    Ok(kept("text/plain; charset=utf-8", "public, max-age=2", published.note).into_response())
}

async fn tile(app: App, log: i16, path: &str, call: Result<Call<Log>, Problem>) -> HandlerResult {
    let not_found = || Problem::new(ProblemKind::NotFound);
    let path: TilePath = format!("tile/{path}").parse().map_err(|_| not_found())?;
    let caching = match path.content {
        Content::Hashes(_) => "public, max-age=31536000, immutable",
        Content::Entries => {
            receipts::require_auditor(&call?.caller)?;
            "no-store"
        }
    };
    let mut db = app.pool.acquire().await.map_err(ActError::from)?;
    let bytes = reading::tile(&mut db, log, path).await.map_err(ActError::from)?.ok_or_else(not_found)?;
    Ok(kept("application/octet-stream", caching, bytes).into_response())
}
