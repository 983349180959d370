//! Organisations, their members and their client programs.

use axum::extract::State;
use axum::http::Uri;
use axum::response::IntoResponse;
use utoipa_axum::router::OpenApiRouter;

use super::{ListQuery, list_query};
use crate::application::access::Caller;
use crate::application::sessions::shown_once;
use crate::application::{Act, App, Reply, people};
use crate::domain::calendar::Day;
use crate::domain::ids::{ClientProgramId, MembershipId, OrganisationId, PersonId};
use crate::domain::records::{ClientProgram, Membership, Organisation};
use crate::domain::register::{OrganisationKind, Post};
use crate::domain::text::Name;
use crate::http::body::EmptyBody;
use crate::http::extract::{Id, Idempotent, Query};
use crate::http::reply::{HandlerResult, List, list};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(add_organisation, list_organisations))
        .routes(operations!(read_organisation))
        .routes(operations!(add_member, list_members))
        .routes(operations!(end_membership))
        .routes(operations!(add_client_program, list_client_programs))
        .routes(operations!(revoke_client_program))
}

body! {
    /// An organisation to add.
    pub struct NewOrganisation {
        /// What it is; not the supplier.
        kind: OrganisationKind,
        /// Its name.
        name: Name,
    }

    /// A person who joins.
    pub struct NewMember {
        /// Who.
        person_id: PersonId,
        /// As what.
        post: Post,
        /// First day.
        first_day: Day,
        /// Last day.
        last_day: Option<Day>,
    }

    /// The end of a membership.
    pub struct MembershipEnd {
        /// The last day on which it holds.
        last_day: Day,
    }

    /// A client program to add.
    pub struct NewClientProgram {
        /// Its name.
        name: Name,
    }
}

list_query! {
    /// Which organisations.
    pub struct OrganisationQuery {
        /// Of one kind.
        kind: OrganisationKind,
    }
}

/// Add an organisation (supplier).
#[utoipa::path(post, path = "/v1/organisations", tag = "organisations", request_body = NewOrganisation,
    responses((status = 201, body = Organisation)))]
async fn add_organisation(
    State(app): State<App>,
    caller: Caller,
    Idempotent { key, body }: Idempotent<NewOrganisation>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let added = people::add_organisation(&mut act, body.kind, body.name).await?;
    let reply = Reply::created(&added, format!("/v1/organisations/{}", added.id))?;
    Ok(act.finish(reply).await?.into_response())
}

/// Organisations (supplier).
#[utoipa::path(get, path = "/v1/organisations", tag = "organisations", params(OrganisationQuery),
    responses((status = 200, body = List<Organisation>)))]
async fn list_organisations(
    State(app): State<App>,
    caller: Caller,
    uri: Uri,
    Query(query): Query<OrganisationQuery>,
) -> HandlerResult {
    let portion = query.portion()?;
    let found = people::organisations(&app, &caller, query.kind, portion).await?;
    Ok(list(&uri, portion, found, |item| item.id.0))
}

/// An organisation.
#[utoipa::path(get, path = "/v1/organisations/{organisation_id}", tag = "organisations",
    params(("organisation_id" = OrganisationId, Path)), responses((status = 200, body = Organisation)))]
async fn read_organisation(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<OrganisationId>,
) -> HandlerResult {
    Ok(Reply::ok(&people::organisation(&app, &caller, id).await?)?.into_response())
}

/// A person joins an organisation (its head, or the supplier).
#[utoipa::path(post, path = "/v1/organisations/{organisation_id}/members", tag = "organisations",
    params(("organisation_id" = OrganisationId, Path)), request_body = NewMember,
    responses((status = 201, body = Membership)))]
async fn add_member(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<OrganisationId>,
    Idempotent { key, body }: Idempotent<NewMember>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let days = (body.first_day.0, body.last_day.map(|day| day.0));
    let added = people::add_member(&mut act, id, body.person_id, body.post, days).await?;
    let reply = Reply::created(&added, format!("/v1/organisations/{id}/members"))?;
    Ok(act.finish(reply).await?.into_response())
}

/// Members of an organisation, those of the past too.
#[utoipa::path(get, path = "/v1/organisations/{organisation_id}/members", tag = "organisations",
    params(("organisation_id" = OrganisationId, Path), ListQuery),
    responses((status = 200, body = List<Membership>)))]
async fn list_members(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<OrganisationId>,
    uri: Uri,
    Query(query): Query<ListQuery>,
) -> HandlerResult {
    let portion = query.portion()?;
    let found = people::members(&app, &caller, id, portion).await?;
    Ok(list(&uri, portion, found, |item| item.id.0))
}

/// End a membership after a day.
#[utoipa::path(post, path = "/v1/memberships/{membership_id}/end", tag = "organisations",
    params(("membership_id" = MembershipId, Path)), request_body = MembershipEnd,
    responses((status = 200, body = Membership)))]
async fn end_membership(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<MembershipId>,
    Idempotent { key, body }: Idempotent<MembershipEnd>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let ended = people::end_member(&mut act, id, body.last_day.0).await?;
    Ok(act.finish(Reply::ok(&ended)?).await?.into_response())
}

/// Add a client program (the organisation's head, or the supplier).
///
/// The answer has a member `client_secret` besides; it is shown this once.
#[utoipa::path(post, path = "/v1/organisations/{organisation_id}/client-programs", tag = "organisations",
    params(("organisation_id" = OrganisationId, Path)), request_body = NewClientProgram,
    responses((status = 201, body = ClientProgram)))]
async fn add_client_program(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<OrganisationId>,
    Idempotent { key, body }: Idempotent<NewClientProgram>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let (added, secret) = people::add_program(&mut act, id, body.name).await?;
    let reply = Reply::created(&added, format!("/v1/organisations/{id}/client-programs"))?
        .once("client_secret", Some(shown_once(&secret)));
    Ok(act.finish(reply).await?.into_response())
}

/// Client programs of an organisation, those that were shut out too.
#[utoipa::path(get, path = "/v1/organisations/{organisation_id}/client-programs", tag = "organisations",
    params(("organisation_id" = OrganisationId, Path), ListQuery),
    responses((status = 200, body = List<ClientProgram>)))]
async fn list_client_programs(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<OrganisationId>,
    uri: Uri,
    Query(query): Query<ListQuery>,
) -> HandlerResult {
    let portion = query.portion()?;
    let found = people::programs(&app, &caller, id, portion).await?;
    Ok(list(&uri, portion, found, |item| item.id.0))
}

/// Shut a client program out: its tokens stop working at once.
#[utoipa::path(post, path = "/v1/client-programs/{program_id}/revocation", tag = "organisations",
    params(("program_id" = ClientProgramId, Path)), responses((status = 200, body = ClientProgram)))]
async fn revoke_client_program(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<ClientProgramId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let revoked = people::revoke_program(&mut act, id).await?;
    Ok(act.finish(Reply::ok(&revoked)?).await?.into_response())
}
