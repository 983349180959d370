//! The `OpenAPI` document, from the code, and a reader that needs no other host.

use axum::Router;
use axum::response::IntoResponse;
use utoipa::openapi::header::HeaderBuilder;
use utoipa::openapi::path::{Operation, Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::schema::AdditionalProperties;
use utoipa::openapi::security::{Http, HttpAuthScheme, SecurityScheme};
use utoipa::openapi::{
    Components, ContentBuilder, ObjectBuilder, OpenApi as Document, Ref, RefOr, Required, Response,
    ResponseBuilder, Schema, Type,
};
use utoipa::{Modify, OpenApi, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_swagger_ui::{Config, SwaggerUi};

use super::api;
use super::problem::{ProblemDetails, WrongField};
use crate::application::App;

#[derive(OpenApi)]
#[openapi(
    info(title = "Wardbook", description = "A register of restricted keys. See docs/api-design.md."),
    components(schemas(ProblemDetails, WrongField))
)]
struct Api;

/// Routes and document.
pub fn build() -> (Router<App>, Document) {
    let (router, mut document) =
        OpenApiRouter::with_openapi(Api::openapi()).merge(api::routes()).split_for_parts();
    Conventions.modify(&mut document);
    (router, document)
}

/// The document alone.
#[must_use]
pub fn document() -> Document {
    build().1
}

/// The reader page, and the document that it reads.
pub fn reader(document: Document) -> Router<App> {
    Router::new()
        .merge(
            SwaggerUi::new("/docs")
                .config(Config::default().use_base_layout())
                .url("/v1/openapi.json", document),
        )
        .route("/", axum::routing::get(|| async { axum::response::Redirect::to("/docs").into_response() }))
}

/// What holds for every operation, written once: who may call, which headers, which problems.
struct Conventions;

/// Operations that need no access token.
const OPEN: [&str; 5] = ["sign_in", "refresh_session", "client_token", "accept_invitation", "key_set"];
/// Changes that need no idempotency key: sending them again is harmless, or is what they guard against.
const UNKEYED: [&str; 8] = [
    "sign_in",
    "refresh_session",
    "client_token",
    "accept_invitation",
    "change_password",
    "propose_second_factor",
    "confirm_second_factor",
    "may_i",
];

impl Modify for Conventions {
    fn modify(&self, document: &mut Document) {
        components_of(document).add_security_scheme(
            "access_token",
            SecurityScheme::Http(Http::builder().scheme(HttpAuthScheme::Bearer).bearer_format("JWT").build()),
        );
        let mut bodies = Vec::new();
        for item in document.paths.paths.values_mut() {
            let operations = [
                ("get", item.get.as_mut()),
                ("post", item.post.as_mut()),
                ("put", item.put.as_mut()),
                ("patch", item.patch.as_mut()),
                ("delete", item.delete.as_mut()),
            ];
            for (method, operation) in operations {
                if let Some(operation) = operation {
                    describe(method, operation);
                    bodies.extend(body_schema(operation));
                }
            }
        }
        // Unknown fields are refused.
        for name in bodies {
            if let Some(RefOr::T(Schema::Object(object))) = components_of(document).schemas.get_mut(&name) {
                object.additional_properties = Some(Box::new(AdditionalProperties::FreeForm(false)));
            }
        }
    }
}

fn components_of(document: &mut Document) -> &mut Components {
    document.components.get_or_insert_default()
}

/// The name of the schema of a JSON body.
fn body_schema(operation: &Operation) -> Option<String> {
    let RefOr::T(body) = operation.request_body.as_ref()? else { return None };
    let RefOr::T(content) = body.content.get("application/json")? else { return None };
    let RefOr::Ref(reference) = content.schema.as_ref()? else { return None };
    Some(reference.ref_location.rsplit('/').next()?.to_owned())
}

fn describe(method: &str, operation: &mut Operation) {
    let id = operation.operation_id.clone().unwrap_or_default();
    let keyed = method == "post" && !UNKEYED.contains(&id.as_str());
    let versioned = matches!(method, "put" | "patch");
    if !OPEN.contains(&id.as_str()) {
        let token = utoipa::openapi::SecurityRequirement::new("access_token", Vec::<String>::new());
        operation.security = Some(vec![token]);
    }
    let problems = problems_of(&id, method, keyed, versioned, operation);
    if versioned {
        operation.parameters.get_or_insert_default().push(header_parameter(
            "If-Match",
            "The entity tag of the version that is changed",
            "^\"v[0-9]{1,9}\"$",
        ));
    }
    if keyed {
        operation.parameters.get_or_insert_default().push(header_parameter(
            "Idempotency-Key",
            "Chosen by the caller; the same key with the same request has one effect and one answer",
            "^[!-~]{1,255}$",
        ));
    }
    for (status, response) in &mut operation.responses.responses {
        if let RefOr::T(response) = response
            && response.description.is_empty()
        {
            default_description(status).clone_into(&mut response.description);
        }
    }
    for (status, text) in problems {
        let responses = &mut operation.responses.responses;
        responses.entry(status.to_owned()).or_insert_with(|| RefOr::T(problem(text, status == "429")));
    }
}

/// The problems that an operation may answer, by what it takes.
fn problems_of(
    id: &str,
    method: &str,
    keyed: bool,
    versioned: bool,
    operation: &Operation,
) -> Vec<(&'static str, &'static str)> {
    let has_body = operation.request_body.is_some();
    let found = has_parameter(operation, &ParameterIn::Path) || id == "accept_invitation";
    let read = has_parameter(operation, &ParameterIn::Query) || has_body || keyed;
    [
        (true, "429", "Too many requests"),
        (true, "500", "Something broke"),
        (true, "503", "The service cannot answer now"),
        (!OPEN.contains(&id), "401", "No access token, or one that is not good"),
        (!OPEN.contains(&id), "403", "Visible, and not allowed"),
        (found, "404", "Unknown, or not yours"),
        (read, "400", "The request cannot be read, or its Idempotency-Key is missing"),
        (has_body, "413", "The body is too large"),
        (has_body, "415", "The body is of another media type"),
        (has_body, "422", "Fields are wrong, or the Idempotency-Key was used for another request"),
        (keyed && !has_body, "422", "The Idempotency-Key was used for another request"),
        (method != "get", "409", "Its state does not allow this, or it collides with what is there"),
        (versioned, "412", "It was changed since it was read"),
        (versioned, "428", "If-Match is missing"),
    ]
    .into_iter()
    .filter_map(|(applies, status, text)| applies.then_some((status, text)))
    .collect()
}

/// What an answer says where its handler says nothing else.
fn default_description(status: &str) -> &'static str {
    match status {
        "201" => "It was made",
        "204" => "It was done",
        _ => "OK",
    }
}

fn has_parameter(operation: &Operation, place: &ParameterIn) -> bool {
    let same = |parameter: &RefOr<Parameter>| match parameter {
        RefOr::T(parameter) => {
            std::mem::discriminant(&parameter.parameter_in) == std::mem::discriminant(place)
        }
        RefOr::Ref(_) => false,
    };
    operation.parameters.iter().flatten().any(same)
}

fn header_parameter(name: &str, text: &str, pattern: &str) -> RefOr<Parameter> {
    let parameter = ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Header)
        .required(Required::True)
        .description(Some(text))
        .schema(Some(ObjectBuilder::new().schema_type(Type::String).pattern(Some(pattern))))
        .build();
    RefOr::T(parameter)
}

fn problem(text: &str, retry: bool) -> Response {
    let content = ContentBuilder::new().schema(Some(Ref::from_schema_name(ProblemDetails::name()))).build();
    let mut response = ResponseBuilder::new().description(text).content("application/problem+json", content);
    if retry {
        let seconds = HeaderBuilder::new()
            .schema(Some(ObjectBuilder::new().schema_type(Type::Integer)))
            .description(Some("Seconds to wait"))
            .build();
        response = response.header("Retry-After", seconds);
    }
    response.build()
}
