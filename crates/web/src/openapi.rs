//! The `OpenAPI` document, from the code, and a reader that needs no other host.

use axum::http::{HeaderValue, header};
use axum::response::IntoResponse;
use axum::{Router, middleware};
use serde_json::Value;
use utoipa::openapi::header::HeaderBuilder;
use utoipa::openapi::path::Operation;
use utoipa::openapi::schema::{AdditionalProperties, ArrayItems};
use utoipa::openapi::security::{Http, HttpAuthScheme, SecurityScheme};
use utoipa::openapi::tag::TagBuilder;
use utoipa::openapi::{
    Components, ContentBuilder, KnownFormat, ObjectBuilder, OpenApi as Document, Ref, RefOr, Response,
    ResponseBuilder, Schema, SchemaFormat, Server, Type,
};
use utoipa::{Modify, OpenApi, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_swagger_ui::{Config, SwaggerUi};

use crate::api;
use crate::operation::{PROBLEMS, ProblemResponse};
use crate::problem::{ProblemDetails, WrongField};
use application::App;

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

/// What the reader page may load: its own scripts, styles and pictures, and the document. Nobody frames it.
const READER_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
    connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Says of texts which characters they are in, and what they may load.
async fn as_a_page(mut response: axum::response::Response) -> axum::response::Response {
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(READER_POLICY));
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok());
    if let Some(kind) = kind.filter(|kind| kind.starts_with("text/") && !kind.contains("charset"))
        && let Ok(kind) = HeaderValue::from_str(&format!("{kind}; charset=utf-8"))
    {
        headers.insert(header::CONTENT_TYPE, kind);
    }
    response
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
        .layer(middleware::map_response(as_a_page))
}

/// What each group of operations is about.
const TAGS: [(&str, &str); 23] = [
    ("sessions", "Signing in and out, client programs' tokens, invitations, the key set."),
    ("me", "The caller: places, registrations, second factor, notices."),
    (
        "organisations",
        "Suppliers, dealers, owners, agents, builders and auditors; their members and client programs.",
    ),
    ("people", "People of the register: entered, invited, erased."),
    ("sections", "Key sections and what protects them."),
    ("counters", "Counters of dealers, their appointments and opening hours."),
    ("blanks", "Blanks sent to a counter, acknowledged, spoiled, returned and counted."),
    ("registrations", "What belongs to an owner at some premises; a register in and out."),
    ("locks", "Locks, and the differs that they answer to."),
    ("differs", "Differs of a section: counted, drawn, recorded, settled; keyed alike and masters."),
    ("rules", "The rules of the decision, as data."),
    ("authorities", "What people may do on a registration, and mandates to collect."),
    ("cards", "Owner's cards, their PINs, and the check of a card at a counter."),
    ("holds", "Nothing may be copied until a hold is lifted."),
    ("keys", "Keys, lever packs and losses."),
    ("copies", "Copy requests, from the question to the hand-over."),
    ("offline", "A counter's day without a network, and cuts that were flagged."),
    ("rekeys", "What a rekey would take, and its way lock by lock."),
    ("sites", "Building sites: plots, fittings, trials, hand-overs."),
    ("audits", "Key audits and stock counts."),
    ("statements", "Statements of the premises for insurers and courts."),
    ("signals", "What is out of pattern."),
    ("log", "Receipts and disclosures of the evidence log."),
];

/// What holds for the document as a whole.
struct Conventions;

impl Modify for Conventions {
    fn modify(&self, document: &mut Document) {
        document.servers = Some(vec![server()]);
        let tag =
            |(name, text): &(&str, &str)| TagBuilder::new().name(*name).description(Some(*text)).build();
        document.tags = Some(TAGS.iter().map(tag).collect());
        let bodies: Vec<String> =
            operations_of(document).filter_map(|operation| body_schema(operation)).collect();
        for operation in operations_of(document) {
            operation.responses.responses.values_mut().for_each(describe_bytes);
        }
        let components = document.components.get_or_insert_default();
        components.add_security_scheme(
            "access_token",
            SecurityScheme::Http(Http::builder().scheme(HttpAuthScheme::Bearer).bearer_format("JWT").build()),
        );
        components.responses.extend(PROBLEMS.iter().map(|known| (known.name.to_owned(), response(known))));
        // Unknown fields are refused.
        for name in bodies {
            if let Some(RefOr::T(Schema::Object(object))) = components.schemas.get_mut(&name) {
                object.additional_properties = Some(Box::new(AdditionalProperties::FreeForm(false)));
            }
        }
        name_items(components);
        components.schemas.values_mut().for_each(without_structured_defaults);
    }
}

fn server() -> Server {
    let mut server = Server::new("/");
    server.description = Some("The service that this document was read from.".to_owned());
    server
}

fn operations_of(document: &mut Document) -> impl Iterator<Item = &mut Operation> {
    document.paths.paths.values_mut().flat_map(|item| {
        [&mut item.get, &mut item.post, &mut item.put, &mut item.patch, &mut item.delete]
            .into_iter()
            .flatten()
    })
}

/// What is printed is bytes, and no list of numbers.
fn describe_bytes(response: &mut RefOr<Response>) {
    let RefOr::T(response) = response else { return };
    if let Some(RefOr::T(content)) = response.content.get_mut("application/pdf") {
        let bytes = ObjectBuilder::new()
            .schema_type(Type::String)
            .format(Some(SchemaFormat::KnownFormat(KnownFormat::Binary)));
        content.schema = Some(bytes.into());
    }
}

/// The items of a list are named, so that a client has one type for each thing.
fn name_items(components: &mut Components) {
    let mut named = Vec::new();
    for (list, schema) in &mut components.schemas {
        let Some(item) = list.strip_prefix("List_") else { continue };
        let RefOr::T(Schema::Object(object)) = schema else { continue };
        let Some(RefOr::T(Schema::Array(array))) = object.properties.get_mut("items") else { continue };
        let reference = RefOr::Ref(Ref::from_schema_name(item));
        if let ArrayItems::RefOrSchema(items) = &mut array.items
            && matches!(**items, RefOr::T(_))
        {
            named.push((item.to_owned(), std::mem::replace(&mut **items, reference)));
        }
    }
    for (name, schema) in named {
        components.schemas.entry(name).or_insert(schema);
    }
}

/// Generators of clients stumble over defaults that are objects. What is left out has the default that
/// `GET /v1/default-rules` shows.
fn without_structured_defaults(schema: &mut RefOr<Schema>) {
    let RefOr::T(Schema::Object(object)) = schema else { return };
    for property in object.properties.values_mut() {
        let default = match property {
            RefOr::Ref(reference) => &mut reference.default,
            RefOr::T(Schema::Object(object)) => &mut object.default,
            RefOr::T(Schema::Array(array)) => &mut array.default,
            RefOr::T(Schema::OneOf(one)) => &mut one.default,
            RefOr::T(Schema::AllOf(all)) => &mut all.default,
            RefOr::T(Schema::AnyOf(any)) => &mut any.default,
            RefOr::T(_) => continue,
        };
        let holds_objects = |value: &Value| {
            value.is_object() || value.as_array().is_some_and(|list| list.iter().any(Value::is_object))
        };
        if default.as_ref().is_some_and(holds_objects) {
            *default = None;
        }
    }
}

/// The name of the schema of a JSON body.
fn body_schema(operation: &Operation) -> Option<String> {
    let RefOr::T(body) = operation.request_body.as_ref()? else { return None };
    let RefOr::T(content) = body.content.get("application/json")? else { return None };
    let RefOr::Ref(reference) = content.schema.as_ref()? else { return None };
    Some(reference.ref_location.rsplit('/').next()?.to_owned())
}

fn response(known: &ProblemResponse) -> RefOr<Response> {
    let content = ContentBuilder::new().schema(Some(Ref::from_schema_name(ProblemDetails::name()))).build();
    let mut response =
        ResponseBuilder::new().description(known.text).content("application/problem+json", content);
    if known.status == "429" {
        let seconds = HeaderBuilder::new()
            .schema(Some(ObjectBuilder::new().schema_type(Type::Integer)))
            .description(Some("Seconds to wait."))
            .build();
        response = response.header("Retry-After", seconds);
    }
    RefOr::T(response.build())
}
