//! What handlers are given: the caller, ids, portions of lists, bodies with their idempotency key, versions.

use std::marker::PhantomData;

use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, Uri, header};
use axum::response::{IntoResponse, Response};
use secrecy::SecretString;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::body::{Fields, FromFields};
use crate::problem::{Problem, ProblemKind};
use crate::reply::{HandlerResult, List, response};
use crate::scopes::{ForPrograms, PeopleOnly, Programs};
use crate::strict_json::Strict;
use application::caller::Caller;
use application::people::sessions;
use application::rates::Place;
use application::{Act, ActError, App, FieldProblem, Idempotency, Read, Reply};
use domain::differs::bitting::Bitting;
use storage::Portion;

/// A call: who makes it, and what it works with. It is a person's, or that of a client program which its
/// scope lets in.
pub struct Call<P = PeopleOnly> {
    /// What every act works with.
    pub app: App,
    /// The caller.
    pub caller: Caller,
    /// What its address names.
    thing: Option<Uuid>,
    programs: PhantomData<fn() -> P>,
}

impl<P: ForPrograms> FromRequestParts<App> for Call<P> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Problem> {
        let token = bearer(&parts.headers).ok_or_else(|| Problem::new(ProblemKind::Unauthenticated))?;
        let caller = sessions::caller(app, token).await?;
        tracing::Span::current().record("actor.id", tracing::field::display(caller.actor()));
        if caller.person().is_none() {
            let_in(P::PROGRAMS, &caller)?;
        }
        let thing = parts.uri.path().split('/').find_map(|part| part.parse().ok());
        Ok(Self { caller, app: app.clone(), thing, programs: PhantomData })
    }
}

/// Lets a client program in, where its scopes do.
fn let_in(programs: Programs, caller: &Caller) -> Result<(), Problem> {
    match programs {
        Programs::Any => Ok(()),
        Programs::None => Err(Problem::new(ProblemKind::Forbidden).detail("only a person may do this")),
        Programs::With(scope) if caller.scopes().contains(&scope) => Ok(()),
        Programs::With(scope) => Err(Problem::scope_missing(scope)),
    }
}

impl<P> Call<P> {
    /// Begins a read.
    ///
    /// # Errors
    /// When there is no connection.
    pub async fn read(&self) -> Result<Read<'_>, ActError> {
        Read::begin(&self.app, &self.caller).await
    }

    /// Does an act in a transaction of its own; the reply is kept with the key, and all of it committed.
    ///
    /// # Errors
    /// When it did not happen, or the same request was answered before.
    pub async fn act<F>(&self, key: &Idempotency, act: F) -> HandlerResult
    where
        F: for<'a> AsyncFnOnce(&mut Act<'a>) -> Result<Reply, ActError>,
    {
        let _place = self.place().await?;
        Ok(response(Act::once(&self.app, &self.caller, key, act).await?))
    }

    /// Does an act that is the same when it is done twice, in a transaction of its own.
    ///
    /// # Errors
    /// When it did not happen.
    pub async fn change<F>(&self, act: F) -> HandlerResult
    where
        F: for<'a> AsyncFnOnce(&mut Act<'a>) -> Result<Reply, ActError>,
    {
        let _place = self.place().await?;
        Ok(response(Act::done(&self.app, &self.caller, act).await?))
    }

    /// A place in line at what the address names, before there is a connection.
    async fn place(&self) -> Result<Option<Place>, ActError> {
        match self.thing {
            Some(thing) => self.app.limits.place_at(thing).await,
            None => Ok(None),
        }
    }
}

/// What a list is asked for: its filters, and which portion of it.
pub struct Listing<Q> {
    /// The filters.
    pub query: Q,
    /// Which portion.
    pub portion: Portion,
    uri: Uri,
}

/// The query of a list.
pub trait ListFilters: DeserializeOwned {
    /// Which portion it asks for.
    ///
    /// # Errors
    /// When it asks for too much.
    fn portion(&self) -> Result<Portion, Problem>;
}

impl<Q: ListFilters, S: Send + Sync> FromRequestParts<S> for Listing<Q> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Query(query) = Query::<Q>::from_request_parts(parts, state).await?;
        Ok(Self { portion: query.portion()?, query, uri: parts.uri.clone() })
    }
}

impl<Q> Listing<Q> {
    /// The portion that was found, with `Link: <…>; rel="next"` where there may be more (RFC 8288).
    pub fn reply<T: Serialize>(&self, items: Vec<T>, id: impl Fn(&T) -> Uuid) -> Response {
        let full = i64::try_from(items.len()).is_ok_and(|count| count == self.portion.limit);
        let next = items.last().filter(|_| full).map(|last| self.next_link(id(last)));
        let mut response = axum::Json(List { items }).into_response();
        if let Some(value) = next.and_then(|next| HeaderValue::from_str(&next).ok()) {
            response.headers_mut().insert(header::LINK, value);
        }
        response
    }

    fn next_link(&self, after: Uuid) -> String {
        let pairs = form_urlencoded::parse(self.uri.query().unwrap_or_default().as_bytes());
        let mut query = form_urlencoded::Serializer::new(String::new());
        query.extend_pairs(pairs.filter(|(name, _)| name != "after"));
        query.append_pair("after", &after.to_string());
        format!("<{}?{}>; rel=\"next\"", self.uri.path(), query.finish())
    }
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let (scheme, token) = headers.get(header::AUTHORIZATION)?.to_str().ok()?.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

/// An id in the path. What is not an id is not found.
pub struct Id<T>(pub T);

impl<T: From<Uuid>, S: Send + Sync> FromRequestParts<S> for Id<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let not_found = || Problem::new(ProblemKind::NotFound);
        let path = axum::extract::Path::<Uuid>::from_request_parts(parts, state).await;
        Ok(Self(T::from(path.map_err(|_| not_found())?.0)))
    }
}

/// A query string. What cannot be read names its parameter.
pub struct Query<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for Query<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        let query = parts.uri.query().unwrap_or_default();
        let pairs = serde_urlencoded::Deserializer::new(form_urlencoded::parse(query.as_bytes()));
        serde_path_to_error::deserialize(pairs).map(Self).map_err(|error| {
            let name = error.path().to_string();
            let what = if name == "." { "the query".to_owned() } else { format!("parameter {name}") };
            Problem::new(ProblemKind::Malformed).detail(format!("{what}: {}", error.inner()))
        })
    }
}

const DEFAULT_LIMIT: i64 = 50;
const MOST: i64 = 200;

/// The portion that a list is asked for, from the two parameters that every list has.
pub fn portion(after: Option<Uuid>, limit: Option<u16>) -> Result<Portion, Problem> {
    let limit = limit.map_or(DEFAULT_LIMIT, i64::from);
    if (1..=MOST).contains(&limit) {
        Ok(Portion { after: after.unwrap_or(Uuid::nil()), limit })
    } else {
        Err(Problem::new(ProblemKind::Malformed).detail(format!("parameter limit: must be from 1 to {MOST}")))
    }
}

/// A JSON body.
pub struct Body<T>(pub T);

/// A JSON body of a change that has one effect however often it is sent.
pub struct Idempotent<T> {
    /// The key, and what it belongs to.
    pub key: Idempotency,
    /// The body.
    pub body: T,
}

/// A body of CSV with the key of the change that it makes.
pub struct Csv {
    /// The key, and what it belongs to.
    pub key: Idempotency,
    /// The file.
    pub bytes: axum::body::Bytes,
}

impl<S: Send + Sync> FromRequest<S> for Csv {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &S) -> Result<Self, Problem> {
        let (key, headers, bytes) = read_change(request).await?;
        let is_csv = headers
            .get(header::CONTENT_TYPE)
            .is_some_and(|kind| kind.as_bytes().to_ascii_lowercase().starts_with(b"text/csv"));
        if is_csv {
            Ok(Self { key, bytes })
        } else {
            Err(Problem::new(ProblemKind::UnsupportedType).detail("send text/csv"))
        }
    }
}

async fn read(request: Request) -> Result<axum::body::Bytes, Problem> {
    axum::body::Bytes::from_request(request, &()).await.map_err(|rejection| {
        let too_large = rejection.status() == axum::http::StatusCode::PAYLOAD_TOO_LARGE;
        Problem::new(if too_large { ProblemKind::TooLarge } else { ProblemKind::Malformed })
    })
}

fn parse<T: FromFields>(headers: &HeaderMap, bytes: &[u8]) -> Result<T, Problem> {
    let value = if bytes.is_empty() {
        Value::Object(serde_json::Map::new())
    } else {
        if !is_json(headers) {
            return Err(Problem::new(ProblemKind::UnsupportedType).detail("send application/json"));
        }
        let read = serde_json::from_slice::<Strict>(bytes);
        read.map(|Strict(value)| value).map_err(|error| {
            let what = if error.is_data() { "a member comes twice" } else { "not JSON" };
            let detail = format!("{what}: line {}, column {}", error.line(), error.column());
            Problem::new(ProblemKind::Malformed).detail(detail)
        })?
    };
    let Value::Object(map) = value else {
        return Err(Problem::fields(vec![FieldProblem::new("", "must be an object")]));
    };
    let mut fields = Fields::new(map);
    let read = T::from_fields(&mut fields);
    match (read, fields.finish()) {
        (Some(body), problems) if problems.is_empty() => Ok(body),
        (_, problems) => Err(Problem::fields(problems)),
    }
}

fn is_json(headers: &HeaderMap) -> bool {
    headers
        .get(header::CONTENT_TYPE)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.split(';').next())
        .is_some_and(|kind| kind.trim().eq_ignore_ascii_case("application/json"))
}

impl<T: FromFields, S: Send + Sync> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &S) -> Result<Self, Problem> {
        let headers = request.headers().clone();
        Ok(Self(parse(&headers, &read(request).await?)?))
    }
}

impl<T: FromFields, S: Send + Sync> FromRequest<S> for Idempotent<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &S) -> Result<Self, Problem> {
        let (key, headers, bytes) = read_change(request).await?;
        Ok(Self { key, body: parse(&headers, &bytes)? })
    }
}

/// The key of a change, its headers and the bytes of its body.
async fn read_change(request: Request) -> Result<(Idempotency, HeaderMap, axum::body::Bytes), Problem> {
    let headers = request.headers().clone();
    let key =
        headers.get("idempotency-key").ok_or_else(|| Problem::new(ProblemKind::IdempotencyKeyMissing))?;
    let key = key.to_str().map(str::trim).unwrap_or_default().to_owned();
    if key.is_empty() || key.len() > 255 {
        return Err(Problem::new(ProblemKind::IdempotencyKeyMissing)
            .detail("a key has 1 to 255 printable ASCII characters"));
    }
    let mut hash = Sha256::new();
    hash.update(request.method().as_str());
    hash.update([0]);
    hash.update(request.uri().path_and_query().map_or("", |path| path.as_str()));
    hash.update([0]);
    let bytes = read(request).await?;
    match without_secrets(&bytes) {
        Some(rest) => hash.update(rest),
        None => hash.update(&bytes),
    }
    Ok((Idempotency { key, request_hash: hash.finalize().into() }, headers, bytes))
}

/// Fields so short that a fast hash would give them away.
const SHORT_SECRETS: [&str; 3] = ["pin", "current_pin", "heights"];

/// A body without its short secrets, where it has any.
fn without_secrets(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut body: serde_json::Map<String, Value> = serde_json::from_slice(bytes).ok()?;
    let whole = body.len();
    body.retain(|field, _| !SHORT_SECRETS.contains(&field.as_str()));
    (body.len() < whole).then(|| serde_json::to_vec(&body).ok())?
}

/// The version that a change is of, from `If-Match`.
pub struct IfMatch(pub i32);

impl<S: Send + Sync> FromRequestParts<S> for IfMatch {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        let Some(value) = parts.headers.get(header::IF_MATCH) else {
            return Err(ActError::VersionMissing.into());
        };
        let version = value
            .to_str()
            .ok()
            .and_then(|tag| tag.trim().strip_prefix("\"v")?.strip_suffix('"')?.parse().ok());
        // A tag that is not one of ours is not the current one.
        version.map(Self).ok_or_else(|| ActError::Stale.into())
    }
}

/// A password, a PIN or another secret in a body.
#[derive(Debug, Clone)]
pub struct Secret(pub SecretString);

impl<'de> serde::Deserialize<'de> for Secret {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(Self(SecretString::from(String::deserialize(deserializer)?)))
    }
}

/// Lever heights in a body; what is wrong with them is told without them.
pub struct Heights(pub Bitting);

impl<'de> serde::Deserialize<'de> for Heights {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let value = Value::deserialize(deserializer)?;
        let heights: Option<Vec<u8>> = serde_json::from_value(value).ok();
        let bitting = Bitting::new(heights.unwrap_or_default()).map_err(serde::de::Error::custom)?;
        Ok(Self(bitting))
    }
}

impl Secret {
    /// The secret, if it is not empty and has at most so many characters: more is not worth a hash.
    ///
    /// # Errors
    /// When it has not; the problem does not repeat it.
    pub fn bounded(self, pointer: &str, most: usize) -> Result<SecretString, Problem> {
        use secrecy::ExposeSecret;
        let length = self.0.expose_secret().chars().count();
        if (1..=most).contains(&length) {
            Ok(self.0)
        } else {
            let problem = format!("must have from 1 to {most} characters");
            Err(Problem::fields(vec![FieldProblem::new(pointer, problem)]))
        }
    }
}
