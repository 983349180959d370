//! Mandates to collect for somebody else.

use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List};
use crate::scopes::Read;
use application::rights::mandates;
use application::{App, Reply};
use domain::calendar::Day;
use domain::ids::{MandateId, PersonId, RegistrationId};
use domain::rights::authorities::Mandate;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(operations!(give_mandate, list_mandates)).routes(operations!(revoke_mandate))
}

body! {
    /// A mandate to collect for somebody else.
    pub struct NewMandate {
        /// The person for whom the key is.
        recipient_id: PersonId,
        /// The person who may collect it.
        collector_id: PersonId,
        /// The first day.
        first_day: Day,
        /// The last day.
        last_day: Day,
    }
}

/// Record a mandate: the recipient, or whoever governs the registration.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/mandates", tag = "authorities",
    responses((status = 201, body = Mandate)))]
async fn give_mandate(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewMandate>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let days = (body.first_day.0, body.last_day.0);
        let given = mandates::add(act, id, body.recipient_id, body.collector_id, days).await?;
        Reply::created(&given, format!("/v1/registrations/{id}/mandates"))
    })
    .await
}

/// Mandates of a registration: keyholders see their own.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/mandates", tag = "authorities",
    responses((status = 200, body = List<Mandate>)))]
async fn list_mandates(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = mandates::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Revoke a mandate.
#[utoipa::path(post, path = "/v1/mandates/{mandate_id}/revocation", tag = "authorities",
    responses((status = 200, body = Mandate)))]
async fn revoke_mandate(
    call: Call,
    Id(id): Id<MandateId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let revoked = mandates::revoke(act, id).await?;
        Reply::ok(&revoked)
    })
    .await
}
