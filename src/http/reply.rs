//! What goes back.

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;

use crate::application::{ActError, Reply};
use crate::http::problem::Problem;
use crate::print::PrintError;

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
            Self::Replayed(reply) => reply.into_response(),
        }
    }
}

/// What a handler gives back.
pub type HandlerResult = Result<Response, Exit>;

impl Reply {
    /// A JSON body with a status.
    ///
    /// # Errors
    /// When the body cannot be written as JSON.
    pub fn new(status: StatusCode, body: &impl Serialize) -> Result<Self, ActError> {
        let body = serde_json::to_value(body).map_err(|error| ActError::Internal(error.to_string()))?;
        Ok(Self { status: status.as_u16(), location: None, etag: None, body, once: vec![] })
    }

    /// 200.
    ///
    /// # Errors
    /// When the body cannot be written as JSON.
    pub fn ok(body: &impl Serialize) -> Result<Self, ActError> {
        Self::new(StatusCode::OK, body)
    }

    /// 201, with where it is.
    ///
    /// # Errors
    /// When the body cannot be written as JSON.
    pub fn created(body: &impl Serialize, location: String) -> Result<Self, ActError> {
        Ok(Self { location: Some(location), ..Self::new(StatusCode::CREATED, body)? })
    }

    /// With a secret that only this reply shows.
    #[must_use]
    pub fn once(mut self, name: &'static str, secret: Option<String>) -> Self {
        self.once.extend(secret.map(|secret| (name, secret)));
        self
    }

    /// With the entity tag of a version.
    #[must_use]
    pub fn version(mut self, version: i32) -> Self {
        self.etag = Some(format!("\"v{version}\""));
        self
    }
}

impl IntoResponse for Reply {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::OK);
        let mut body = self.body;
        for (name, secret) in self.once {
            if let Some(map) = body.as_object_mut() {
                map.insert(name.to_owned(), secret.into());
            }
        }
        let mut response = (status, axum::Json(body)).into_response();
        for (name, value) in [(header::LOCATION, self.location), (header::ETAG, self.etag)] {
            if let Some(value) = value.and_then(|value| HeaderValue::from_str(&value).ok()) {
                response.headers_mut().insert(name, value);
            }
        }
        response
    }
}

/// A portion of a list; the next one is in the `Link` header.
#[derive(Debug, Serialize, ToSchema)]
pub struct List<T> {
    /// The things.
    pub items: Vec<T>,
}

/// The headers of a body that nobody may keep.
#[must_use]
pub fn kept_nowhere(kind: &'static str) -> [(HeaderName, &'static str); 2] {
    [(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "no-store")]
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
