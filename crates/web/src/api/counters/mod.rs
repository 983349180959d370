//! Counters, their appointments, and what they have to cut.

pub mod blanks;
pub mod signals;

use utoipa_axum::router::OpenApiRouter;

use crate::api::{ListQuery, list_query};
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, ok};
use crate::scopes::Read;
use application::{App, Reply, counters};
use domain::calendar::Day;
use domain::copies::{CopyRequest, RequestState};
use domain::counters::opening_hours::OpeningHours;
use domain::counters::{Appointment, Counter};
use domain::ids::{AppointmentId, CounterId, OrganisationId, SectionId};
use domain::text::Name;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(add_counter, list_counters))
        .routes(operations!(read_counter))
        .routes(operations!(add_appointment, list_appointments))
        .routes(operations!(revoke_appointment))
        .routes(operations!(list_requests_at_counter))
        .routes(operations!(set_opening_hours, list_opening_hours))
}

body! {
    /// A counter to add.
    pub struct NewCounter {
        /// The dealer.
        dealer_id: OrganisationId,
        /// Its name.
        name: Name,
    }

    /// When a counter is open.
    pub struct StatedHours {
        /// The time zone of its place, by its name in the IANA database.
        time_zone: Name,
        /// Stretches that do not overlap.
        hours: Vec<OpeningHours>,
    }

    /// An appointment to make.
    pub struct NewAppointment {
        /// The key section.
        section_id: SectionId,
        /// The first day.
        first_day: Day,
        /// The last day.
        last_day: Option<Day>,
    }
}

list_query! {
    /// Which counters.
    pub struct CounterQuery {
        /// Appointed for this section today.
        section_id: SectionId,
    }

    /// Which requests.
    pub struct CounterRequestQuery {
        /// Only those in this state.
        state: RequestState,
    }
}

/// Add a counter of a dealer (supplier).
#[utoipa::path(post, path = "/v1/counters", tag = "counters", responses((status = 201, body = Counter)))]
async fn add_counter(call: Call, Idempotent { key, body }: Idempotent<NewCounter>) -> HandlerResult {
    call.act(&key, async |act| {
        let added = counters::add(act, body.dealer_id, body.name).await?;
        Reply::created(&added, format!("/v1/counters/{}", added.id))
    })
    .await
}

/// Counters.
#[utoipa::path(get, path = "/v1/counters", tag = "counters", responses((status = 200, body = List<Counter>)))]
async fn list_counters(call: Call<Read>, list: Listing<CounterQuery>) -> HandlerResult {
    let found = counters::all(&mut call.read().await?, list.query.section_id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A counter.
#[utoipa::path(get, path = "/v1/counters/{counter_id}", tag = "counters",
    responses((status = 200, body = Counter)))]
async fn read_counter(call: Call<Read>, Id(id): Id<CounterId>) -> HandlerResult {
    let found = counters::counter(&mut call.read().await?, id).await?;
    ok(&found)
}

/// Appoint a counter for a section (supplier).
#[utoipa::path(post, path = "/v1/counters/{counter_id}/appointments", tag = "counters",
    responses((status = 201, body = Appointment)))]
async fn add_appointment(
    call: Call,
    Id(id): Id<CounterId>,
    Idempotent { key, body }: Idempotent<NewAppointment>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let days = (body.first_day.0, body.last_day.map(|day| day.0));
        let added = counters::appoint(act, id, body.section_id, days).await?;
        Reply::created(&added, format!("/v1/counters/{id}/appointments"))
    })
    .await
}

/// Appointments of a counter (its dealer, or the supplier).
#[utoipa::path(get, path = "/v1/counters/{counter_id}/appointments", tag = "counters",
    responses((status = 200, body = List<Appointment>)))]
async fn list_appointments(
    call: Call<Read>,
    Id(id): Id<CounterId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = counters::appointments(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Revoke an appointment (supplier): nothing is cut under it from now on.
#[utoipa::path(post, path = "/v1/appointments/{appointment_id}/revocation", tag = "counters",
    responses((status = 200, body = Appointment)))]
async fn revoke_appointment(
    call: Call,
    Id(id): Id<AppointmentId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let revoked = counters::revoke_appointment(act, id).await?;
        Reply::ok(&revoked)
    })
    .await
}

/// Requests to be cut at a counter (its dealer, or the supplier).
#[utoipa::path(get, path = "/v1/counters/{counter_id}/copy-requests", tag = "counters",
    responses((status = 200, body = List<CopyRequest>)))]
async fn list_requests_at_counter(
    call: Call<Read>,
    Id(id): Id<CounterId>,
    list: Listing<CounterRequestQuery>,
) -> HandlerResult {
    let found = counters::requests(&mut call.read().await?, id, list.query.state, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// State when a counter is open (supplier); in place of what was stated before.
#[utoipa::path(post, path = "/v1/counters/{counter_id}/opening-hours", tag = "counters",
    responses((status = 200, body = Counter)))]
async fn set_opening_hours(
    call: Call,
    Id(id): Id<CounterId>,
    Idempotent { key, body }: Idempotent<StatedHours>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let counter = counters::set_opening_hours(act, id, body.time_zone.as_str(), body.hours).await?;
        Reply::ok(&counter)
    })
    .await
}

/// When a counter is open.
#[utoipa::path(get, path = "/v1/counters/{counter_id}/opening-hours", tag = "counters",
    responses((status = 200, body = List<OpeningHours>)))]
async fn list_opening_hours(call: Call<Read>, Id(id): Id<CounterId>) -> HandlerResult {
    let items = counters::opening_hours(&mut call.read().await?, id).await?;
    ok(&List { items })
}
