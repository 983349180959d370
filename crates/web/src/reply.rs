//! What goes back.

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;

use crate::problem::Problem;
use application::{ActError, Reply};
use print::PrintError;

/// A handler leaves early: with a problem, or with the reply that the same request got before.
pub enum Exit {
    /// A problem.
    Problem(Problem),
    /// The kept reply.
    Replayed(Reply),
}

impl From<Problem> for Exit {
    fn from(problem: Problem) -> Self {
        Self::Problem(problem)
    }
}

impl From<ActError> for Exit {
    fn from(error: ActError) -> Self {
        match error {
            ActError::Replayed(reply) => Self::Replayed(*reply),
            other => Self::Problem(other.into()),
        }
    }
}

impl IntoResponse for Exit {
    fn into_response(self) -> Response {
        match self {
            Self::Problem(problem) => problem.into_response(),
            Self::Replayed(reply) => response(reply),
        }
    }
}

/// What a handler gives back.
pub type HandlerResult = Result<Response, Exit>;

/// A reply, as it is sent.
#[must_use]
pub fn response(reply: Reply) -> Response {
    let status = StatusCode::from_u16(reply.status).unwrap_or(StatusCode::OK);
    let mut body = reply.body;
    for (name, secret) in reply.once {
        if let Some(map) = body.as_object_mut() {
            map.insert(name.to_owned(), secret.into());
        }
    }
    let mut response = (status, axum::Json(body)).into_response();
    for (name, value) in [(header::LOCATION, reply.location), (header::ETAG, reply.etag)] {
        if let Some(value) = value.and_then(|value| HeaderValue::from_str(&value).ok()) {
            response.headers_mut().insert(name, value);
        }
    }
    response
}

/// What was found.
///
/// # Errors
/// When it cannot be written as JSON.
pub fn ok(found: &impl Serialize) -> HandlerResult {
    Ok(response(Reply::ok(found)?))
}

/// What was found, with the entity tag of its version.
///
/// # Errors
/// When it cannot be written as JSON.
pub fn versioned(found: &impl Serialize, version: i32) -> HandlerResult {
    Ok(response(Reply::ok(found)?.version(version)))
}

/// A portion of a list; the next one is in the `Link` header.
#[derive(Debug, Serialize, ToSchema)]
pub struct List<T> {
    /// The items of this portion.
    pub items: Vec<T>,
}

/// The headers of a body that nobody may keep.
#[must_use]
pub fn kept_nowhere(kind: &'static str) -> [(HeaderName, &'static str); 2] {
    [(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "no-store")]
}

/// The headers of a file that is kept nowhere on its way, under the name by which it is saved.
#[must_use]
pub fn file(kind: &'static str, disposition: &'static str) -> [(HeaderName, &'static str); 3] {
    let [kind, cache] = kept_nowhere(kind);
    [kind, cache, (header::CONTENT_DISPOSITION, disposition)]
}

/// Prints away from those who answer calls: it takes milliseconds.
///
/// # Errors
/// When it cannot be printed.
pub async fn printing<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, PrintError> + Send + 'static,
) -> Result<T, ActError> {
    let internal = |error: String| ActError::Internal(error);
    let done = tokio::task::spawn_blocking(work).await.map_err(|error| internal(error.to_string()))?;
    done.map_err(|error| internal(error.to_string()))
}
