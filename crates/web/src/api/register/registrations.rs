//! Registrations, and how they and the rest of the record stood at an instant.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::list_query;
use crate::body::EmptyBody;
use crate::extract::{Body, Call, Id, Idempotent, IfMatch, Listing, Query};
use crate::reply::{HandlerResult, List, ok, versioned};
use crate::scopes::{Read, Register};
use application::register::registrations;
use application::{App, Reply};
use domain::calendar::Moment;
use domain::ids::{OrganisationId, RecordId, RegistrationId, SectionId};
use domain::numbers::TypedNumber;
use domain::register::registrations::Registration;
use domain::text::Premises;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(add_registration, list_registrations))
        .routes(operations!(read_registration, change_registration))
        .routes(operations!(end_registration))
        .routes(operations!(registration_as_of))
        .routes(operations!(record_as_of))
}

body! {
    /// Premises to register.
    pub struct NewRegistration {
        /// The key section.
        section_id: SectionId,
        /// The owner.
        owner_id: OrganisationId,
        /// Where the locks are.
        premises: Premises,
    }

    /// What can change of a registration.
    pub struct RegistrationChange {
        /// Where the locks are.
        premises: Premises,
    }
}

list_query! {
    /// Which registrations.
    pub struct RegistrationQuery {
        /// The one with this number; spaces and hyphens do not count.
        number: TypedNumber,
    }
}

/// Register premises (supplier).
#[utoipa::path(post, path = "/v1/registrations", tag = "registrations",
    responses((status = 201, body = Registration)))]
async fn add_registration(
    call: Call<Register>,
    Idempotent { key, body }: Idempotent<NewRegistration>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let added = registrations::add(act, body.section_id, body.owner_id, body.premises).await?;
        Ok(Reply::created(&added, format!("/v1/registrations/{}", added.id))?.version(added.version))
    })
    .await
}

/// The registrations on which the caller has an authority; all, for the supplier.
#[utoipa::path(get, path = "/v1/registrations", tag = "registrations",
    responses((status = 200, body = List<Registration>)))]
async fn list_registrations(call: Call<Read>, list: Listing<RegistrationQuery>) -> HandlerResult {
    let found = registrations::all(&mut call.read().await?, list.query.number.as_ref(), list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}", tag = "registrations",
    responses((status = 200, body = Registration)))]
async fn read_registration(call: Call<Read>, Id(id): Id<RegistrationId>) -> HandlerResult {
    let found = registrations::registration(&mut call.read().await?, id).await?;
    versioned(&found, found.version)
}

/// Change a registration (owner, or supplier).
#[utoipa::path(patch, path = "/v1/registrations/{registration_id}", tag = "registrations",
    responses((status = 200, body = Registration)))]
async fn change_registration(
    call: Call<Register>,
    Id(id): Id<RegistrationId>,
    IfMatch(version): IfMatch,
    Body(body): Body<RegistrationChange>,
) -> HandlerResult {
    call.change(async |act| {
        let changed = registrations::change(act, id, version, body.premises).await?;
        Ok(Reply::ok(&changed)?.version(changed.version))
    })
    .await
}

/// End a registration (supplier): its open requests stop.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/end", tag = "registrations",
    responses((status = 200, body = Registration)))]
async fn end_registration(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let ended = registrations::end(act, id).await?;
        Ok(Reply::ok(&ended)?.version(ended.version))
    })
    .await
}

/// Which instant.
#[derive(serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct AsOfQuery {
    /// The instant.
    #[param(value_type = String, format = DateTime)]
    at: Moment,
}

/// A registration with everything on it, as it stood at an instant.
#[derive(Serialize, ToSchema)]
struct AsOf {
    /// For each kind of record, the records as they stood.
    records: BTreeMap<String, Vec<Value>>,
}

/// How everything on a registration stood at an instant (owner, agent, signatory, supplier).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/as-of", tag = "registrations",
    responses((status = 200, body = AsOf)))]
async fn registration_as_of(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    Query(query): Query<AsOfQuery>,
) -> HandlerResult {
    let found = registrations::as_of(&mut call.read().await?, id, query.at.0).await?;
    let mut records: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    for (kind, record) in found {
        records.entry(kind).or_default().push(record);
    }
    ok(&AsOf { records })
}

/// A section, counter, appointment or membership, as it stood at an instant (supplier).
#[utoipa::path(get, path = "/v1/history/{record_id}", tag = "registrations",
    responses((status = 200, body = AsOf)))]
async fn record_as_of(
    call: Call<Read>,
    Id(id): Id<RecordId>,
    Query(query): Query<AsOfQuery>,
) -> HandlerResult {
    let (kind, record) = registrations::record_as_of(&mut call.read().await?, id.0, query.at.0).await?;
    ok(&AsOf { records: BTreeMap::from([(kind, vec![record])]) })
}
