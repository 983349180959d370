//! Holds.

use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List};
use crate::scopes::Read;
use application::rights::holds;
use application::{App, Reply};
use domain::calendar::Day;
use domain::ids::{DifferId, HoldId, PersonId, RegistrationId};
use domain::rights::holds::{Hold, HoldKind};
use domain::text::Reference;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(operations!(place_hold, list_holds)).routes(operations!(lift_hold))
}

body! {
    /// A hold to place.
    pub struct NewHold {
        /// What the hold is for.
        kind: HoldKind,
        /// The one person whom a court bars; everybody is stopped, when absent.
        barred_person_id: Option<PersonId>,
        /// The one differ of which nothing is copied; all of the registration, when absent.
        differ_id: Option<DifferId>,
        /// The court, for an order.
        court: Option<Reference>,
        /// What stands on the paper of the order: a claim number, a reference.
        order_reference: Option<Reference>,
        /// The day of the order.
        ordered_on: Option<Day>,
        /// The day on which it ends.
        ends_on: Option<Day>,
    }
}

impl From<NewHold> for holds::NewHold {
    fn from(body: NewHold) -> Self {
        Self {
            kind: body.kind,
            barred_person: body.barred_person_id,
            differ: body.differ_id,
            court: body.court,
            order_reference: body.order_reference,
            ordered_on: body.ordered_on.map(|day| day.0),
            ends_on: body.ends_on.map(|day| day.0),
        }
    }
}

/// Place a hold (owner, agent, supplier): nothing may be copied until it is lifted.
///
/// What a court ordered is entered by the supplier alone, who has seen the paper.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/holds", tag = "holds",
    responses((status = 201, body = Hold)))]
async fn place_hold(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewHold>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let placed = holds::place(act, id, body.into()).await?;
        Reply::created(&placed, format!("/v1/registrations/{id}/holds"))
    })
    .await
}

/// Holds of a registration, those that were lifted too.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/holds", tag = "holds",
    responses((status = 200, body = List<Hold>)))]
async fn list_holds(call: Call<Read>, Id(id): Id<RegistrationId>, list: Listing<ListQuery>) -> HandlerResult {
    let found = holds::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Lift a hold; one that a court ordered, or that a recovery placed, is lifted by the supplier.
///
/// Lifting the hold of a recovery says that the register has looked: the entry says where the register is not as the log
/// says, and from then on what the register has counts.
#[utoipa::path(post, path = "/v1/holds/{hold_id}/lift", tag = "holds",
    responses((status = 200, body = Hold)))]
async fn lift_hold(
    call: Call,
    Id(id): Id<HoldId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let lifted = holds::lift(act, id).await?;
        Reply::ok(&lifted)
    })
    .await
}
