//! Bitting: recorded by the supplier, shown on a cutting sheet to the counter that is about to cut.

use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;
use serde::Serialize;
use time::format_description::well_known::Rfc3339;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::copies::{StepView, view};
use crate::body::EmptyBody;
use crate::extract::{Body, Call, Heights, Id, Idempotent};
use crate::reply::{HandlerResult, file, kept_nowhere, printing};
use application::copies::{CuttingSheet, DecidedRequest};
use application::{Act, App, Reply, copies, differs};
use domain::ids::{CopyRequestId, DifferId};
use domain::numbers::TypedNumber;
use print::{PrintError, Sheet, sheet_pdf};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(operations!(record_bitting)).routes(operations!(look_at_cutting_sheet))
}

body! {
    /// The heights of a differ's levers.
    pub struct NewBitting {
        /// From bow to tip.
        #[schema(value_type = Vec<u8>, min_items = 2, max_items = 16)]
        heights: Heights,
    }
}

/// Record the bitting of a differ, once (supplier). It is encrypted at rest and answered nowhere but
/// on a cutting sheet.
#[utoipa::path(post, path = "/v1/differs/{differ_id}/bitting", tag = "differs",
    responses((status = 201, body = serde_json::Value)))]
async fn record_bitting(
    call: Call,
    Id(id): Id<DifferId>,
    Idempotent { key, body }: Idempotent<NewBitting>,
) -> HandlerResult {
    call.act(&key, async |act| {
        differs::record_bitting(act, id, &body.heights.0).await?;
        Reply::new(201, &serde_json::json!({"differ_id": id}))
    })
    .await
}

/// What a counter needs to cut.
#[derive(Serialize, ToSchema)]
struct CuttingSheetView {
    /// The registration's number.
    registration: TypedNumber,
    /// The key section.
    section: String,
    /// The counter.
    counter: String,
    /// The differ's number, which is not stamped on a key.
    differ: String,
    /// Lever heights from bow to tip.
    heights: Vec<u8>,
    /// How many keys are still to be cut. The numbers to stamp come with the cut.
    left: u32,
}

impl From<CuttingSheet> for CuttingSheetView {
    fn from(sheet: CuttingSheet) -> Self {
        Self {
            registration: sheet.registration,
            section: sheet.section,
            counter: sheet.counter,
            differ: sheet.differ,
            heights: sheet.bitting.heights().to_vec(),
            left: sheet.left,
        }
    }
}

/// A look at a cutting sheet: the decision on it, and the sheet after a yes.
#[derive(Serialize, ToSchema)]
struct LookView {
    #[serde(flatten)]
    step: StepView,
    /// The sheet.
    sheet: Option<CuttingSheetView>,
}

/// Look at the cutting sheet of an open authorisation (the counter that it is for). Each look is
/// decided, and recorded in the log; so there is no idempotency key, and no reply is kept. With
/// `Accept: application/pdf` the sheet comes ready to print; a refusal is JSON all the same.
#[utoipa::path(post, path = "/v1/copy-requests/{copy_request_id}/cutting-sheet", tag = "copies",
    responses((status = 201, content(
        (LookView = "application/json"),
        (Vec<u8> = "application/pdf")
    ))))]
async fn look_at_cutting_sheet(
    call: Call,
    Id(id): Id<CopyRequestId>,
    headers: HeaderMap,
    _: Body<EmptyBody>,
) -> HandlerResult {
    let look = async |act: &mut Act<'_>| copies::look(act, id).await;
    let (decided, sheet) = Act::done(&call.app, &call.caller, look).await?;
    // Died here: the look is recorded, and was not seen.
    match sheet {
        Some(sheet) if wants_pdf(&headers) => {
            let pdf = printing(move || printed(&sheet, &decided)).await?;
            Ok((
                StatusCode::CREATED,
                file("application/pdf", "attachment; filename=\"cutting-sheet.pdf\""),
                pdf,
            )
                .into_response())
        }
        sheet => {
            let reply = LookView { step: view(decided, vec![]), sheet: sheet.map(CuttingSheetView::from) };
            Ok((StatusCode::CREATED, kept_nowhere("application/json"), axum::Json(reply)).into_response())
        }
    }
}

fn wants_pdf(headers: &HeaderMap) -> bool {
    let accepted = headers.get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or_default();
    accepted
        .split(',')
        .any(|kind| kind.split(';').next().is_some_and(|kind| kind.trim() == "application/pdf"))
}

fn printed(sheet: &CuttingSheet, decided: &DecidedRequest) -> Result<Vec<u8>, PrintError> {
    let at = decided.recorded.at.format(&Rfc3339).unwrap_or_default();
    let sheet = Sheet {
        registration: &sheet.registration.grouped(),
        section: &sheet.section,
        counter: &sheet.counter,
        differ: &sheet.differ,
        heights: sheet.bitting.heights(),
        left: sheet.left,
        entry: &decided.recorded.entry.to_string(),
        at: &at,
    };
    sheet_pdf(&sheet)
}
