//! What an operation takes, read from the arguments of its handler and described from there.
//!
//! Whether an operation asks for an access token, an idempotency key or a version, what stands in its path, its
//! query and its body, and whether it is limited as an attempt at a secret, is said by the handler's arguments
//! alone: what it does not name, it cannot look at. `operations!` stands where `utoipa_axum::routes!` would.

use axum::extract::{Request, State};
use axum::http::{HeaderMap, Uri};
use utoipa::openapi::path::{Operation, Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::request_body::RequestBodyBuilder;
use utoipa::openapi::{ContentBuilder, ObjectBuilder, Ref, RefOr, Required, Response, Schema, Type};
use utoipa::{IntoParams, PartialSchema, ToResponse, ToSchema};
use utoipa_axum::router::UtoipaMethodRouter;

use crate::body::{FromFields, Schemas};
use crate::extract::{Body, Call, Csv, Id, Idempotent, IfMatch, Listing, Query};
use crate::limits::Attempt;
use crate::scopes::{ForPrograms, Programs};
use application::App;
use domain::people::Scope;

/// What the arguments of a handler ask for.
#[derive(Default)]
pub struct Takes {
    /// An access token.
    token: bool,
    /// The scope with which a client program may ask for it.
    scope: Option<Scope>,
    /// An idempotency key.
    key: bool,
    /// The version that is changed.
    version: bool,
    /// What the id in the path is.
    path: Option<RefOr<Schema>>,
    /// What may stand in the query.
    query: Vec<Parameter>,
    /// The body: its media type, and what it is.
    body: Option<(&'static str, RefOr<Schema>)>,
    /// Every schema that these name.
    schemas: Schemas,
}

/// An argument of a handler.
pub trait Argument {
    /// Adds what it asks for.
    fn add_to(_: &mut Takes) {}
}

impl Argument for State<App> {}
impl Argument for Uri {}
impl Argument for HeaderMap {}
impl Argument for Request {}
impl Argument for Attempt {}
impl<T> Argument for axum::extract::Path<T> {}

impl<T: ToSchema> Argument for Id<T> {
    fn add_to(takes: &mut Takes) {
        let name = T::name();
        takes.schemas.push((name.to_string(), T::schema()));
        takes.path = Some(Ref::from_schema_name(name).into());
    }
}

impl<T: IntoParams> Argument for Query<T> {
    fn add_to(takes: &mut Takes) {
        takes.query = T::into_params(|| Some(ParameterIn::Query));
    }
}

impl<Q: IntoParams> Argument for Listing<Q> {
    fn add_to(takes: &mut Takes) {
        takes.query = Q::into_params(|| Some(ParameterIn::Query));
    }
}

impl<T: FromFields> Argument for Body<T> {
    fn add_to(takes: &mut Takes) {
        let name = T::described(&mut takes.schemas);
        takes.body = name.map(|name| ("application/json", Ref::from_schema_name(name).into()));
    }
}

impl<P: ForPrograms> Argument for Call<P> {
    fn add_to(takes: &mut Takes) {
        takes.token = true;
        takes.scope = match P::PROGRAMS {
            Programs::With(scope) => Some(scope),
            Programs::None | Programs::Any => None,
        };
    }
}

impl<T: FromFields> Argument for Idempotent<T> {
    fn add_to(takes: &mut Takes) {
        Body::<T>::add_to(takes);
        takes.key = true;
    }
}

impl Argument for Csv {
    fn add_to(takes: &mut Takes) {
        takes.body = Some(("text/csv", String::schema()));
        takes.key = true;
    }
}

impl Argument for IfMatch {
    fn add_to(takes: &mut Takes) {
        takes.version = true;
    }
}

/// A handler, by its arguments.
pub trait Handler<Arguments> {
    /// What they ask for.
    fn takes(&self) -> Takes;
}

macro_rules! handlers {
    ($($argument:ident)*) => {
        impl<F, Fut, $($argument: Argument),*> Handler<($($argument,)*)> for F
        where
            F: Fn($($argument),*) -> Fut,
        {
            fn takes(&self) -> Takes {
                let mut takes = Takes::default();
                $( $argument::add_to(&mut takes); )*
                takes
            }
        }
    };
}

handlers!(A);
handlers!(A B);
handlers!(A B C);
handlers!(A B C D);
handlers!(A B C D E);
handlers!(A B C D E G);

/// What a handler takes.
pub fn takes<Arguments>(handler: &impl Handler<Arguments>) -> Takes {
    handler.takes()
}

/// Routes of some handlers, described by their arguments.
macro_rules! operations {
    ($($handler:ident),+ $(,)?) => {
        $crate::operation::described(
            ::utoipa_axum::routes!($($handler),+),
            vec![$((stringify!($handler), $crate::operation::takes(&$handler))),+],
        )
    };
}

/// Routes whose operations say what their handlers take.
pub fn described(
    mut routes: UtoipaMethodRouter<App>,
    mut handlers: Vec<(&str, Takes)>,
) -> UtoipaMethodRouter<App> {
    for (_, takes) in &mut handlers {
        routes.0.append(&mut takes.schemas);
    }
    for (path, item) in &mut routes.1.paths {
        let read = [&mut item.get];
        let change = [&mut item.post, &mut item.put, &mut item.patch, &mut item.delete];
        for (changes, operation) in
            read.into_iter().map(|one| (false, one)).chain(change.into_iter().map(|one| (true, one)))
        {
            let Some(operation) = operation else { continue };
            let of = |(name, _): &&(&str, Takes)| operation.operation_id.as_deref() == Some(*name);
            if let Some((_, takes)) = handlers.iter().find(of) {
                describe(operation, takes, path, changes);
            }
        }
    }
    routes
}

fn describe(operation: &mut Operation, takes: &Takes, path: &str, changes: bool) {
    if takes.token {
        let token = utoipa::openapi::SecurityRequirement::new("access_token", takes.scope.map(Scope::as_str));
        operation.security = Some(vec![token]);
    }
    for (status, response) in &mut operation.responses.responses {
        if let RefOr::T(response) = response
            && response.description.is_empty()
        {
            default_description(status).clone_into(&mut response.description);
        }
    }
    if let Some((kind, schema)) = &takes.body {
        let content = ContentBuilder::new().schema(Some(schema.clone())).build();
        let body = RequestBodyBuilder::new().content(*kind, content).required(Some(Required::True));
        operation.request_body = Some(RefOr::T(body.build()));
    }
    let mut parameters: Vec<Parameter> =
        id_in(path).zip(takes.path.clone()).map(id_parameter).into_iter().collect();
    parameters.extend(takes.query.iter().cloned());
    if takes.version {
        let text = "The entity tag of the version that is changed.";
        parameters.push(header_parameter("If-Match", text, "^\"v[0-9]{1,9}\"$"));
    }
    if takes.key {
        let text = "Chosen by the caller: the same key with the same request has one effect and one reply.";
        parameters.push(header_parameter("Idempotency-Key", text, "^[!-~]{1,255}$"));
    }
    operation.parameters =
        Some(parameters.into_iter().map(RefOr::T).collect()).filter(|all: &Vec<_>| !all.is_empty());
    for problem in problems_of(operation, takes, changes) {
        let reference = RefOr::Ref(Ref::from_response_name(problem.name));
        operation.responses.responses.entry(problem.status.to_owned()).or_insert(reference);
    }
}

/// The name of the id in a path.
fn id_in(path: &str) -> Option<&str> {
    path.split_once('{')?.1.split_once('}').map(|(name, _)| name)
}

fn id_parameter((name, schema): (&str, RefOr<Schema>)) -> Parameter {
    let thing = name.trim_end_matches("_id").replace('_', " ");
    ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Path)
        .required(Required::True)
        .description(Some(format!("The id of the {thing}.")))
        .schema(Some(schema))
        .build()
}

/// A problem that operations may answer, one entry of `components/responses`.
pub struct ProblemResponse {
    /// Its name there.
    pub name: &'static str,
    /// Its status.
    pub status: &'static str,
    /// What it says.
    pub text: &'static str,
}

const fn problem(name: &'static str, status: &'static str, text: &'static str) -> ProblemResponse {
    ProblemResponse { name, status, text }
}

/// Every problem that operations share.
pub const PROBLEMS: [ProblemResponse; 13] = [
    problem("Malformed", "400", "The request cannot be read, or its Idempotency-Key is missing."),
    problem("Unauthenticated", "401", "There is no access token, or it is not good."),
    problem("Forbidden", "403", "The caller sees it and may not do this."),
    problem("NotFound", "404", "There is no such thing, or it is not the caller's."),
    problem("Conflict", "409", "Its state does not allow this, or it collides with what is there."),
    problem("Stale", "412", "It was changed since it was read."),
    problem("TooLarge", "413", "The body is too large."),
    problem("UnsupportedType", "415", "The body is of another media type."),
    problem("Invalid", "422", "Fields are wrong, or the Idempotency-Key was used for another request."),
    problem("VersionMissing", "428", "If-Match is missing."),
    problem("TooMany", "429", "There are too many requests."),
    problem("Internal", "500", "Something broke."),
    problem("Unavailable", "503", "The service cannot answer now."),
];

/// For a read that a state may not allow: what changes something has this by itself.
pub struct Conflict;

impl<'r> ToResponse<'r> for Conflict {
    fn response() -> (&'r str, RefOr<Response>) {
        ("Conflict", RefOr::Ref(Ref::from_response_name("Conflict")))
    }
}

/// The problems that an operation may answer, by what it takes.
fn problems_of(
    operation: &Operation,
    takes: &Takes,
    changes: bool,
) -> impl Iterator<Item = &'static ProblemResponse> + use<> {
    let body = operation.request_body.is_some();
    let (path, query) = (takes.path.is_some(), !takes.query.is_empty());
    let Takes { token, key, version, .. } = *takes;
    PROBLEMS.iter().filter(move |problem| match problem.status {
        "400" => body || query || key,
        "401" | "403" => token,
        "404" => path,
        "409" => changes,
        "412" | "428" => version,
        "413" | "415" => body,
        "422" => body || key,
        _ => true,
    })
}

/// What a reply says where its handler says nothing else.
fn default_description(status: &str) -> &'static str {
    match status {
        "201" => "It was made.",
        "204" => "Done, with nothing to send back.",
        _ => "As requested.",
    }
}

fn header_parameter(name: &str, text: &str, pattern: &str) -> Parameter {
    ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Header)
        .required(Required::True)
        .description(Some(text))
        .schema(Some(ObjectBuilder::new().schema_type(Type::String).pattern(Some(pattern))))
        .build()
}
