//! Signing in and out, client programs, invitations, the key set.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::people::me::factor;
use crate::extract::{Body, Call, Secret};
use crate::limits::Attempt;
use crate::problem::{Problem, ProblemKind};
use crate::reply::{Exit, HandlerResult};
use application::people::sessions::{ProgramToken, SessionTokens, SignIn, shown_once};
use application::people::{invitations, sessions};
use application::{ActError, App};
use crypto::passwords::PASSWORD_LENGTHS;
use domain::text::Email;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(sign_in))
        .routes(operations!(refresh_session))
        .routes(operations!(sign_out))
        .routes(operations!(client_token))
        .routes(operations!(ask_for_password))
        .routes(operations!(accept_invitation))
        .routes(operations!(key_set))
}

body! {
    /// A sign-in.
    pub struct NewSession {
        /// The address of the account.
        email: Email,
        /// The password.
        #[schema(value_type = String, format = Password, max_length = 200)]
        password: Secret,
        /// The code of the second factor, where one is set up.
        #[schema(pattern = "^[0-9]{6}$")]
        code: Option<String>,
        /// A recovery code instead, whose second factor is lost.
        #[schema(value_type = Option<String>, format = Password, max_length = 200)]
        recovery_code: Option<Secret>,
    }

    /// Somebody who has forgotten the password.
    pub struct PasswordRequest {
        /// The address of the account.
        email: Email,
    }

    /// A refresh token.
    pub struct Refresh {
        /// As it was given out.
        #[schema(value_type = String, max_length = 200)]
        refresh_token: Secret,
    }

    /// An invitation and the password to set.
    pub struct Acceptance {
        /// The token of the invitation.
        #[schema(value_type = String, max_length = 200)]
        token: Secret,
        /// The password: at least twelve characters.
        #[schema(value_type = String, format = Password, min_length = 12, max_length = 200)]
        password: Secret,
    }
}

/// Tokens of a session.
#[derive(Serialize, ToSchema)]
pub struct Tokens {
    /// For the `Authorization` header.
    access_token: String,
    /// Always `Bearer`.
    token_type: &'static str,
    /// Seconds for which the access token is good.
    expires_in: i64,
    /// Good once: for the next access token.
    refresh_token: String,
    /// The session began with a second factor.
    second_factor: bool,
    /// Rights that ask for a second factor are asleep until one is set up.
    second_factor_missing: bool,
}

impl From<SessionTokens> for Tokens {
    fn from(tokens: SessionTokens) -> Self {
        Self {
            access_token: tokens.access_token,
            token_type: "Bearer",
            expires_in: tokens.expires_in,
            refresh_token: shown_once(&tokens.refresh_token),
            second_factor: tokens.second_factor,
            second_factor_missing: tokens.second_factor_missing,
        }
    }
}

/// Sign in.
///
/// Where a second factor is set up and no code was sent, the reply is 401 with that detail.
#[utoipa::path(post, path = "/v1/sessions", tag = "sessions", responses((status = 201, body = Tokens),
        (status = 401, description = "Wrong credentials, or a code is needed",
         body = crate::problem::ProblemDetails, content_type = "application/problem+json")))]
async fn sign_in(
    Attempt(from): Attempt,
    State(app): State<App>,
    Body(body): Body<NewSession>,
) -> HandlerResult {
    let password = body.password.bounded("/password", *PASSWORD_LENGTHS.end())?;
    let factor = factor(body.code, body.recovery_code)?;
    match sessions::sign_in(&app, body.email.as_str(), password, factor.as_ref(), from).await? {
        SignIn::Done(tokens) => Ok((StatusCode::CREATED, Json(Tokens::from(tokens))).into_response()),
        SignIn::CodeNeeded => {
            let problem = Problem::new(ProblemKind::Unauthenticated);
            Err(problem.detail("the code of the second factor is needed").into())
        }
    }
}

/// Change a refresh token for new tokens.
///
/// A token that is sent twice ends the session.
#[utoipa::path(post, path = "/v1/sessions/refresh", tag = "sessions", responses((status = 200, body = Tokens),
        (status = 401, description = "Not good, used before, or the session has ended",
         body = crate::problem::ProblemDetails, content_type = "application/problem+json")))]
async fn refresh_session(_: Attempt, State(app): State<App>, Body(body): Body<Refresh>) -> HandlerResult {
    let token = body.refresh_token.bounded("/refresh_token", 200)?;
    let tokens = sessions::refresh(&app, &shown_once(&token)).await?;
    Ok(Json(Tokens::from(tokens)).into_response())
}

/// Sign out: the session and its access tokens end at once.
#[utoipa::path(delete, path = "/v1/sessions/current", tag = "sessions", responses((status = 204)))]
async fn sign_out(call: Call) -> HandlerResult {
    sessions::sign_out(&call.app, &call.caller).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// The one form that OAuth 2.0 asks for (RFC 6749 s. 4.4.2).
#[derive(Deserialize, ToSchema)]
pub struct TokenForm {
    /// Always `client_credentials`.
    #[schema(pattern = "^client_credentials$")]
    grant_type: String,
    /// The id of the client program, unless in the `Authorization` header.
    client_id: Option<String>,
    /// Its secret, unless in the `Authorization` header.
    client_secret: Option<String>,
    /// The scopes that the token is for, between spaces; all that the program has, when absent.
    scope: Option<String>,
}

/// An access token of a client program.
#[derive(Serialize, ToSchema)]
pub struct ClientToken {
    /// For the `Authorization` header.
    access_token: String,
    /// Always `Bearer`.
    token_type: &'static str,
    /// Seconds for which it is good.
    expires_in: i64,
    /// What it may be used for, between spaces.
    scope: String,
}

/// An error of the token endpoint (RFC 6749 s. 5.2).
#[derive(Serialize, ToSchema)]
pub struct ClientTokenError {
    /// `invalid_request`, `invalid_client`, `invalid_scope` or `unsupported_grant_type`.
    error: &'static str,
}

/// An access token for a client program: OAuth 2.0 client credentials.
#[utoipa::path(post, path = "/v1/oauth/token", tag = "sessions",
    request_body(content = TokenForm, content_type = "application/x-www-form-urlencoded"),
    responses((status = 200, body = ClientToken), (status = 400, body = ClientTokenError),
        (status = 401, body = ClientTokenError)))]
async fn client_token(
    _: Attempt,
    State(app): State<App>,
    headers: HeaderMap,
    request: axum::extract::Request,
) -> HandlerResult {
    let (parts, incoming) = request.into_parts();
    let form = is_form(&parts.headers);
    let bytes = axum::body::to_bytes(incoming, 8 * 1024).await;
    let Ok(bytes) = bytes else { return Err(Problem::new(ProblemKind::TooLarge).into()) };
    if !form {
        return Err(Problem::new(ProblemKind::UnsupportedType)
            .detail("send application/x-www-form-urlencoded")
            .into());
    }
    let Ok(form) = serde_urlencoded::from_bytes::<TokenForm>(&bytes) else {
        return Ok(token_error(StatusCode::BAD_REQUEST, "invalid_request"));
    };
    if form.grant_type != "client_credentials" {
        return Ok(token_error(StatusCode::BAD_REQUEST, "unsupported_grant_type"));
    }
    let credentials = basic(&headers).or(form.client_id.zip(form.client_secret));
    let Some((id, secret)) = credentials else {
        return Ok(token_error(StatusCode::UNAUTHORIZED, "invalid_client"));
    };
    match sessions::client_credentials(&app, &id, &secret, form.scope.as_deref()).await {
        Ok(ProgramToken { access_token, scope }) => {
            let expires_in = sessions::ACCESS_SECONDS;
            Ok(Json(ClientToken { access_token, token_type: "Bearer", expires_in, scope }).into_response())
        }
        Err(ActError::Forbidden(_)) => Ok(token_error(StatusCode::BAD_REQUEST, "invalid_scope")),
        Err(ActError::Unauthenticated) => Ok(token_error(StatusCode::UNAUTHORIZED, "invalid_client")),
        Err(error) => Err(Exit::from(error)),
    }
}

fn is_form(headers: &HeaderMap) -> bool {
    headers
        .get(header::CONTENT_TYPE)
        .is_some_and(|kind| kind.as_bytes().starts_with(b"application/x-www-form-urlencoded"))
}

fn token_error(status: StatusCode, error: &'static str) -> Response {
    let mut response = (status, Json(ClientTokenError { error })).into_response();
    if status == StatusCode::UNAUTHORIZED {
        let basic = axum::http::HeaderValue::from_static("Basic realm=\"wardbook\"");
        response.headers_mut().insert(header::WWW_AUTHENTICATE, basic);
    }
    response
}

fn basic(headers: &HeaderMap) -> Option<(String, String)> {
    let (scheme, encoded) = headers.get(header::AUTHORIZATION)?.to_str().ok()?.split_once(' ')?;
    let decoded = String::from_utf8(STANDARD.decode(encoded.trim()).ok()?).ok()?;
    let (id, secret) = decoded.split_once(':')?;
    scheme.eq_ignore_ascii_case("basic").then(|| (id.to_owned(), secret.to_owned()))
}

/// Ask for a new password.
///
/// Where an account has the address a token goes there, good for a day, for `POST /v1/invitations/accept`. The reply
/// is the same where none has.
#[utoipa::path(post, path = "/v1/password-requests", tag = "sessions", responses((status = 204)))]
async fn ask_for_password(
    _: Attempt,
    State(app): State<App>,
    Body(body): Body<PasswordRequest>,
) -> HandlerResult {
    invitations::ask_for_password(&app, &body.email).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// Set a password, against the token of an invitation or of a request for a new one. Every session ends.
#[utoipa::path(post, path = "/v1/invitations/accept", tag = "sessions", responses((status = 204),
        (status = 404, description = "There is no such invitation, or it was used or has run out",
         body = crate::problem::ProblemDetails, content_type = "application/problem+json")))]
async fn accept_invitation(
    _: Attempt,
    State(app): State<App>,
    Body(body): Body<Acceptance>,
) -> HandlerResult {
    let password = body.password.bounded("/password", *PASSWORD_LENGTHS.end())?;
    let token = body.token.bounded("/token", 200)?;
    invitations::accept(&app, &token, password).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// The public keys of access tokens (RFC 7517).
#[utoipa::path(get, path = "/.well-known/jwks.json", tag = "sessions",
    responses((status = 200, body = serde_json::Value, description = "A JWK set")))]
async fn key_set(State(app): State<App>) -> Response {
    let cache = (header::CACHE_CONTROL, "public, max-age=300");
    ([cache], Json(app.tokens.jwks())).into_response()
}
