//! A register in and out as CSV.

use axum::extract::DefaultBodyLimit;
use axum::response::IntoResponse;
use utoipa_axum::router::OpenApiRouter;

use crate::extract::{Call, Csv, Id};
use crate::reply::{HandlerResult, file, response};
use crate::scopes::{Read, Register};
use application::register::csv;
use application::register::csv::ImportReport;
use application::{Act, App};
use domain::ids::RegistrationId;

/// The most bytes of an import.
const IMPORT_LIMIT: usize = 4 * 1024 * 1024;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(import_register))
        .layer(DefaultBodyLimit::max(IMPORT_LIMIT))
        .routes(operations!(export_register))
}

/// Bring a register in (supplier): all of the file, or nothing of it. See docs/api-design.md for the columns.
#[utoipa::path(post, path = "/v1/imports", tag = "registrations",
    responses((status = 201, description = "Everything came in", body = ImportReport),
        (status = 200, description = "Nothing came in: the report says why", body = ImportReport)))]
async fn import_register(call: Call<Register>, Csv { key, bytes }: Csv) -> HandlerResult {
    let import = async |act: &mut Act<'_>| csv::import(act, &bytes).await;
    Ok(response(csv::once(&call.app, &call.caller, &key, import).await?))
}

/// A registration as CSV (owner, agent, supplier).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/register.csv", tag = "registrations",
    responses((status = 200, body = String, content_type = "text/csv")))]
async fn export_register(call: Call<Read>, Id(id): Id<RegistrationId>) -> HandlerResult {
    let bytes = csv::export(&mut call.read().await?, id).await?;
    let disposition = "attachment; filename=\"register.csv\"";
    Ok((file("text/csv; charset=utf-8; header=present", disposition), bytes).into_response())
}
