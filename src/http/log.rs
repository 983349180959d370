//! The log as it is published: the checkpoint and the tiles for everybody, the entries for auditors
//! (C2SP tlog-tiles). Outside of openapi.json: that standard describes it.

use axum::Router;
use axum::extract::{Path, State};
use axum::http::{HeaderName, HeaderValue, header};
use axum::response::IntoResponse;
use axum::routing::get;

use super::answer::Handled;
use super::problem::{Problem, ProblemKind};
use crate::application::access::Caller;
use crate::application::log::{reading, receipts};
use crate::application::{ActError, App};
use crate::domain::log::tile::{Content, TilePath};
use crate::storage::log;

/// `/log/checkpoint` and `/log/tile/…`.
pub fn routes() -> Router<App> {
    Router::new().route("/log/checkpoint", get(checkpoint)).route("/log/tile/{*path}", get(tile))
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

async fn checkpoint(State(app): State<App>) -> Handled {
    let mut db = app.pool.acquire().await.map_err(ActError::from)?;
    let published = log::published(&mut db, None).await.map_err(ActError::from)?;
    let note = published.ok_or_else(|| Problem::new(ProblemKind::NotFound))?.note;
    Ok(kept("text/plain; charset=utf-8", "public, max-age=2", note).into_response())
}

async fn tile(State(app): State<App>, Path(path): Path<String>, caller: Result<Caller, Problem>) -> Handled {
    let not_found = || Problem::new(ProblemKind::NotFound);
    let path: TilePath = format!("tile/{path}").parse().map_err(|_| not_found())?;
    let caching = match path.content {
        Content::Hashes(_) => "public, max-age=31536000, immutable",
        Content::Entries => {
            receipts::require_auditor(&caller?)?;
            "private, max-age=31536000, immutable"
        }
    };
    let mut db = app.pool.acquire().await.map_err(ActError::from)?;
    let bytes = reading::tile(&mut db, path).await.map_err(ActError::from)?.ok_or_else(not_found)?;
    Ok(kept("application/octet-stream", caching, bytes).into_response())
}
