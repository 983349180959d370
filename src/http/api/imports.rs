//! A register in and out as CSV.

use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::IntoResponse;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::application::access::Caller;
use crate::application::register_csv::{self, ImportReport};
use crate::application::{Act, Answer, App, Idempotency};
use crate::domain::ids::RegistrationId;
use crate::http::answer::Handled;
use crate::http::extract::{Id, keyed};
use crate::http::problem::{Problem, ProblemKind};

/// The most bytes of an import.
const IMPORT_LIMIT: usize = 4 * 1024 * 1024;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(import_register))
        .layer(DefaultBodyLimit::max(IMPORT_LIMIT))
        .routes(routes!(export_register))
}

/// A body of CSV and its idempotency key.
pub(super) async fn csv_body(request: Request) -> Result<(Idempotency, Bytes), Problem> {
    let (key, headers, bytes) = keyed(request).await?;
    let is_csv = headers
        .get(header::CONTENT_TYPE)
        .is_some_and(|kind| kind.as_bytes().to_ascii_lowercase().starts_with(b"text/csv"));
    if is_csv {
        Ok((key, bytes))
    } else {
        Err(Problem::new(ProblemKind::UnsupportedType).detail("send text/csv"))
    }
}

/// Bring a register in (supplier): all of the file, or nothing of it. See docs/api-design.md for the columns.
#[utoipa::path(post, path = "/v1/imports", tag = "registrations",
    request_body(content = String, content_type = "text/csv"),
    responses((status = 201, description = "Everything came in", body = ImportReport),
        (status = 200, description = "Nothing came in: the report says why", body = ImportReport)))]
async fn import_register(State(app): State<App>, caller: Caller, request: Request) -> Handled {
    let (key, bytes) = csv_body(request).await?;
    let mut act = Act::begin(&app, &caller, &key).await?;
    let report = register_csv::import(&mut act, &bytes).await?;
    if !report.imported {
        // Dropping the act rolls all of it back; the same key may be used for the mended file.
        return Ok(Answer::ok(&report)?.into_response());
    }
    let answer = Answer::new(StatusCode::CREATED, &report)?;
    Ok(act.finish(answer).await?.into_response())
}

/// A registration as CSV (owner, agent, supplier).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/register.csv", tag = "registrations",
    params(("registration_id" = RegistrationId, Path)),
    responses((status = 200, body = String, content_type = "text/csv")))]
async fn export_register(State(app): State<App>, caller: Caller, Id(id): Id<RegistrationId>) -> Handled {
    let bytes = register_csv::export(&app, &caller, id).await?;
    let kind = HeaderValue::from_static("text/csv; charset=utf-8; header=present");
    Ok(([(header::CONTENT_TYPE, kind)], bytes).into_response())
}
