//! The check of a card at a counter.

use axum::response::IntoResponse;
use utoipa_axum::router::OpenApiRouter;

use crate::api::cards::credentials;
use crate::extract::{Body, Call, Id, Secret};
use crate::reply::{HandlerResult, kept_nowhere};
use crate::scopes::CardChecks;
use application::App;
use application::cards::checks;
use application::cards::checks::{CardCheck, CardToCheck};
use domain::copies::DocumentKind;
use domain::ids::CounterId;
use domain::numbers::TypedNumber;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(operations!(check_card))
}

body! {
    /// A card to check: either what its QR code holds, or its number.
    pub struct NewCardCheck {
        /// What the QR code holds.
        #[schema(value_type = Option<String>, max_length = 1000)]
        token: Option<Secret>,
        /// The number, typed.
        card_number: Option<TypedNumber>,
        /// The PIN that its holder entered.
        #[schema(value_type = Option<String>, format = Password, max_length = 8)]
        pin: Option<Secret>,
        /// The kind of identity document that was seen.
        document_seen: Option<DocumentKind>,
    }
}

/// Check a card that is shown at a counter (its staff): what it is, whose, what its holder may order
/// here now and why not, and what is still to be done. Nothing is decided and no key is needed; a PIN
/// counts as an attempt.
#[utoipa::path(post, path = "/v1/counters/{counter_id}/card-checks", tag = "cards",
    responses((status = 200, body = CardCheck)))]
async fn check_card(
    call: Call<CardChecks>,
    Id(id): Id<CounterId>,
    Body(body): Body<NewCardCheck>,
) -> HandlerResult {
    let token = body.token.map(|token| token.bounded("/token", 1000)).transpose()?;
    let credentials = credentials(body.card_number, body.pin, body.document_seen)?;
    let checked = checks::check(&call.app, &call.caller, id, CardToCheck { token, credentials }).await?;
    Ok((kept_nowhere("application/json"), axum::Json(checked)).into_response())
}
