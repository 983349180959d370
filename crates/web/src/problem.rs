//! Problem details (RFC 9457): one kind, one slug, one title, one status; nothing internal.

use axum::Router;
use axum::body::Body;
use axum::extract::{MatchedPath, Path, Request, State};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use serde::Serialize;
use serde_json::json;
use tracing::Instrument;
use utoipa::ToSchema;

use application::outside::Outside;
use application::{ActError, App, FieldProblem};
use domain::people::Scope;
use storage::StorageError;

/// The header that carries the id of a request.
pub static REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

macro_rules! problem_kinds {
    ($( $(#[$meta:meta])* $kind:ident = $slug:literal, $status:ident, $title:literal; )+) => {
        /// What went wrong, as far as a client is told.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum ProblemKind { $( $(#[$meta])* $kind ),+ }

        impl ProblemKind {
            /// Every kind.
            pub const ALL: &'static [Self] = &[ $( Self::$kind ),+ ];

            /// Its stable code.
            #[must_use]
            pub fn slug(self) -> &'static str {
                match self { $( Self::$kind => $slug ),+ }
            }

            /// For a person to read.
            #[must_use]
            pub fn title(self) -> &'static str {
                match self { $( Self::$kind => $title ),+ }
            }

            /// Its HTTP status.
            #[must_use]
            pub fn status(self) -> StatusCode {
                match self { $( Self::$kind => StatusCode::$status ),+ }
            }
        }
    };
}

problem_kinds! {
    /// Not JSON, not UTF-8, a query that cannot be read.
    Malformed = "malformed", BAD_REQUEST, "The request cannot be read";
    /// A change without an idempotency key.
    IdempotencyKeyMissing = "idempotency_key_missing", BAD_REQUEST, "An Idempotency-Key header is needed";
    /// No credentials, or wrong ones.
    Unauthenticated = "unauthenticated", UNAUTHORIZED, "Sign in first";
    /// Visible and not allowed.
    Forbidden = "forbidden", FORBIDDEN, "You may not do this";
    /// Unknown, or another party's.
    NotFound = "not_found", NOT_FOUND, "There is no such thing here";
    /// This address has no such method.
    MethodNotAllowed = "method_not_allowed", METHOD_NOT_ALLOWED, "This address does not know that method";
    /// The state does not allow the act.
    WrongState = "wrong_state", CONFLICT, "Its state does not allow this";
    /// It collides with what is there.
    Conflict = "conflict", CONFLICT, "It collides with what is there";
    /// The entity tag is not the current one.
    Stale = "stale", PRECONDITION_FAILED, "It was changed since you read it";
    /// A change without an entity tag.
    VersionMissing = "if_match_missing", PRECONDITION_REQUIRED, "An If-Match header with the entity tag is needed";
    /// The body is too large.
    TooLarge = "too_large", PAYLOAD_TOO_LARGE, "The body is too large";
    /// The body is of another type.
    UnsupportedType = "unsupported_media_type", UNSUPPORTED_MEDIA_TYPE, "The body is of the wrong media type";
    /// Fields are wrong.
    Invalid = "invalid", UNPROCESSABLE_ENTITY, "Some fields are wrong";
    /// The key was used for another request.
    IdempotencyKeyReused = "idempotency_key_reused", UNPROCESSABLE_ENTITY, "This Idempotency-Key was used for another request";
    /// Too many requests or attempts.
    TooMany = "too_many_requests", TOO_MANY_REQUESTS, "Too many requests";
    /// Something broke.
    Internal = "internal", INTERNAL_SERVER_ERROR, "Something broke on our side";
    /// It took too long, or the database cannot be reached.
    Unavailable = "unavailable", SERVICE_UNAVAILABLE, "The service cannot answer now";
}

/// A wrong field, as it is sent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct WrongField {
    /// Where: a JSON pointer (RFC 6901) into the body.
    #[schema(examples("/premises"))]
    pub pointer: String,
    /// What is wrong.
    pub detail: String,
}

/// Problem details, as they are sent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ProblemDetails {
    /// What kind of problem: a stable reference.
    pub r#type: String,
    /// For a person to read.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// The stable code.
    pub code: String,
    /// What it is about this time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
    /// The state that does not allow the act.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub state: Option<String>,
    /// Every wrong field.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<WrongField>,
    /// The id of the request, to name when asking about it.
    pub request_id: String,
}

/// A problem on its way out.
#[derive(Debug, Clone)]
pub struct Problem {
    kind: ProblemKind,
    detail: Option<String>,
    state: Option<&'static str>,
    errors: Vec<WrongField>,
    retry_after: Option<u64>,
    scope: Option<Scope>,
}

impl Problem {
    /// A problem.
    #[must_use]
    pub fn new(kind: ProblemKind) -> Self {
        Self { kind, detail: None, state: None, errors: vec![], retry_after: None, scope: None }
    }

    /// With what it is about this time.
    #[must_use]
    pub fn detail(mut self, detail: impl Into<String>) -> Self {
        self.detail = Some(detail.into());
        self
    }

    /// With wrong fields.
    #[must_use]
    pub fn fields(fields: Vec<FieldProblem>) -> Self {
        let errors = fields
            .into_iter()
            .map(|field| WrongField { pointer: field.pointer, detail: field.problem })
            .collect();
        Self { errors, ..Self::new(ProblemKind::Invalid) }
    }

    /// With seconds after which to try again.
    #[must_use]
    pub fn retry_after(mut self, seconds: u64) -> Self {
        self.retry_after = Some(seconds);
        self
    }

    /// A client program lacks a scope (RFC 6750 s. 3.1).
    #[must_use]
    pub fn scope_missing(scope: Scope) -> Self {
        let detail = format!("a client program needs the scope `{scope}` for this");
        Self { scope: Some(scope), ..Self::new(ProblemKind::Forbidden).detail(detail) }
    }

    fn render(&self, request_id: &str) -> Response {
        let details = ProblemDetails {
            r#type: format!("/problems/{}", self.kind.slug()),
            title: self.kind.title().to_owned(),
            status: self.kind.status().as_u16(),
            code: self.kind.slug().to_owned(),
            detail: self.detail.clone(),
            state: self.state.map(str::to_owned),
            errors: self.errors.clone(),
            request_id: request_id.to_owned(),
        };
        let mut response = (self.kind.status(), axum::Json(details)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        if self.kind == ProblemKind::Unauthenticated {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"wardbook\""));
        }
        let insufficient =
            self.scope.map(|scope| format!("Bearer error=\"insufficient_scope\", scope=\"{scope}\""));
        if let Some(value) = insufficient.and_then(|value| HeaderValue::from_str(&value).ok()) {
            headers.insert(header::WWW_AUTHENTICATE, value);
        }
        if let Some(seconds) = self.retry_after {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        response
    }
}

impl IntoResponse for Problem {
    /// The body is made by [`with_request_id`], which knows the id of the request.
    fn into_response(self) -> Response {
        let mut response = self.kind.status().into_response();
        response.extensions_mut().insert(self);
        response
    }
}

impl From<ActError> for Problem {
    fn from(error: ActError) -> Self {
        match error {
            ActError::NotFound => Self::new(ProblemKind::NotFound),
            ActError::Forbidden(why) => Self::new(ProblemKind::Forbidden).detail(why),
            ActError::Invalid(fields) => Self::fields(fields),
            ActError::WrongState { state, detail } => {
                Self { state: Some(state), ..Self::new(ProblemKind::WrongState).detail(detail) }
            }
            ActError::Conflict(what) => Self::new(ProblemKind::Conflict).detail(what),
            ActError::Stale => Self::new(ProblemKind::Stale),
            ActError::VersionMissing => Self::new(ProblemKind::VersionMissing),
            ActError::IdempotencyKeyReused => Self::new(ProblemKind::IdempotencyKeyReused),
            ActError::Unauthenticated => Self::new(ProblemKind::Unauthenticated),
            ActError::TooManyAttempts { retry_after } => {
                Self::new(ProblemKind::TooMany).retry_after(retry_after)
            }
            ActError::Busy => Self::new(ProblemKind::Unavailable).retry_after(5),
            ActError::Storage(error) => storage_problem(&error),
            ActError::Replayed(_) | ActError::Internal(_) => {
                tracing::error!(error = %error, "request.failed");
                Self::new(ProblemKind::Internal)
            }
        }
    }
}

fn storage_problem(error: &StorageError) -> Problem {
    tracing::error!(error = %error, "database.failed");
    if error.passes() {
        Problem::new(ProblemKind::Unavailable).retry_after(1)
    } else {
        Problem::new(ProblemKind::Internal)
    }
}

/// Gives each request an id, logs it once, and writes the body of whatever problem comes back,
/// those of the framework too.
pub async fn with_request_id(State(outside): State<Outside>, request: Request, next: Next) -> Response {
    let started = outside.clock.now();
    let id = outside.id(started).to_string();
    // Who it is and from where: the first is known once a token was looked at.
    let span = tracing::info_span!(
        "request",
        request.id = %id,
        http.method = %request.method(),
        actor.id = tracing::field::Empty,
        network = tracing::field::Empty
    );
    // The route, not the path: what somebody types into an address is nobody's business.
    let route = request.extensions().get::<MatchedPath>().map(|path| path.as_str().to_owned());
    let mut response = next.run(request).instrument(span.clone()).await;
    let problem = response.extensions_mut().remove::<Problem>().or_else(|| framework_problem(&response));
    if let Some(problem) = problem {
        let headers = std::mem::take(response.headers_mut());
        response = problem.render(&id);
        for name in ["allow", "ratelimit", "ratelimit-policy"] {
            if let Some(value) = headers.get(name) {
                response.headers_mut().insert(axum::http::HeaderName::from_static(name), value.clone());
            }
        }
    }
    let milliseconds = (outside.clock.now() - started).whole_milliseconds();
    span.in_scope(|| {
        tracing::info!(
            http.route = route.as_deref().unwrap_or("unmatched"),
            http.status = response.status().as_u16(),
            duration_ms = i64::try_from(milliseconds).unwrap_or(i64::MAX),
            "request.done"
        );
    });
    if let Ok(value) = HeaderValue::from_str(&id) {
        response.headers_mut().insert(REQUEST_ID.clone(), value);
    }
    let headers = response.headers_mut();
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

fn framework_problem(response: &Response<Body>) -> Option<Problem> {
    let kind = match response.status() {
        StatusCode::BAD_REQUEST => ProblemKind::Malformed,
        StatusCode::NOT_FOUND => ProblemKind::NotFound,
        StatusCode::METHOD_NOT_ALLOWED => ProblemKind::MethodNotAllowed,
        StatusCode::PAYLOAD_TOO_LARGE => ProblemKind::TooLarge,
        StatusCode::UNSUPPORTED_MEDIA_TYPE => ProblemKind::UnsupportedType,
        StatusCode::SERVICE_UNAVAILABLE => ProblemKind::Unavailable,
        StatusCode::INTERNAL_SERVER_ERROR => ProblemKind::Internal,
        _ => return None,
    };
    let has_body = response.headers().contains_key(header::CONTENT_TYPE)
        && !response
            .headers()
            .get(header::CONTENT_TYPE)
            .is_some_and(|kind| kind.as_bytes().starts_with(b"text/plain"));
    if has_body { None } else { Some(Problem::new(kind)) }
}

/// Where the `type` of a problem leads.
pub fn routes() -> Router<App> {
    Router::new().route(
        "/problems/{slug}",
        get(|Path(slug): Path<String>| async move {
            match ProblemKind::ALL.iter().find(|kind| kind.slug() == slug) {
                Some(kind) => axum::Json(json!({
                    "code": kind.slug(), "title": kind.title(), "status": kind.status().as_u16()
                }))
                .into_response(),
                None => Problem::new(ProblemKind::NotFound).into_response(),
            }
        }),
    )
}
