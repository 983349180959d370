//! The status lists of cards and the keys behind cards and lists: for everybody, so that a card can be
//! checked without the register. Outside of openapi.json: an open draft describes them (IETF Token
//! Status List).

use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;
use axum::routing::get;
use axum::{Json, Router};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::json;
use sha2::{Digest, Sha256};

use crate::problem::{Problem, ProblemKind};
use crate::reply::HandlerResult;
use application::App;
use application::cards::status_lists;
use crypto::tokens::status_list::MEDIA_TYPE;

/// For as long as a list says that it may be kept.
const KEPT: &str = "public, max-age=60";

/// `/status-lists`, `/status-lists/{number}`, `/.well-known/card-keys.json`.
pub fn routes() -> Router<App> {
    Router::new()
        .route("/status-lists", get(addresses))
        .route("/status-lists/{number}", get(list))
        .route("/.well-known/card-keys.json", get(keys))
}

/// Where the lists are (section "Status List Aggregation" of the draft).
async fn addresses(State(app): State<App>) -> HandlerResult {
    let addresses = status_lists::addresses(&app).await?;
    Ok(([(header::CACHE_CONTROL, KEPT)], Json(json!({"status_lists": addresses}))).into_response())
}

async fn list(State(app): State<App>, Path(number): Path<String>, headers: HeaderMap) -> HandlerResult {
    let not_found = || Problem::new(ProblemKind::NotFound);
    let number: i32 = number.parse().ok().filter(|n: &i32| n.to_string() == number).ok_or_else(not_found)?;
    let token = status_lists::list(&app, number).await?.ok_or_else(not_found)?;
    let tag = format!("\"{}\"", URL_SAFE_NO_PAD.encode(Sha256::digest(token.as_bytes())));
    let seen = headers.get(header::IF_NONE_MATCH).and_then(|value| value.to_str().ok());
    let kept = [(header::CACHE_CONTROL, KEPT.to_owned()), (header::ETAG, tag.clone())];
    if seen.is_some_and(|tags| tags.split(',').any(|seen| seen.trim().trim_start_matches("W/") == tag)) {
        return Ok((StatusCode::NOT_MODIFIED, kept).into_response());
    }
    Ok((kept, [(header::CONTENT_TYPE, MEDIA_TYPE)], token.to_string()).into_response())
}

async fn keys(State(app): State<App>) -> impl IntoResponse {
    ([(header::CACHE_CONTROL, KEPT)], Json(app.cards.jwks()))
}
