//! Organisations, their members and their client programs.

use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::rights::authorities::ConsequencesView;
use crate::api::{ListQuery, list_query};
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, ok};
use crate::scopes::Read;
use application::people::memberships;
use application::people::sessions::shown_once;
use application::{App, Reply, people};
use domain::calendar::Day;
use domain::ids::{AuthorityId, ClientProgramId, MembershipId, OrganisationId, PersonId};
use domain::people::{ClientProgram, Membership, Organisation, OrganisationKind, Post, Scope};
use domain::text::Name;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(add_organisation, list_organisations))
        .routes(operations!(read_organisation))
        .routes(operations!(add_member, list_members))
        .routes(operations!(preview_membership_end, end_membership))
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
        /// The person who joins.
        person_id: PersonId,
        /// Whether the person is its head or of its staff.
        post: Post,
        /// The first day.
        first_day: Day,
        /// The last day.
        last_day: Option<Day>,
    }

    /// The end of a membership.
    pub struct MembershipEnd {
        /// The last day on which it holds; today or earlier: it ends at once.
        last_day: Day,
        /// Authorities that outlast it, of those that the preview shows: a head who did not give them confirms
        /// them. Only where it ends at once.
        keep_authority_ids: Option<Vec<AuthorityId>>,
    }

    /// A client program to add.
    pub struct NewClientProgram {
        /// Its name.
        name: Name,
        /// What it may do: nothing, when absent.
        scopes: Option<Vec<Scope>>,
    }
}

list_query! {
    /// Which organisations.
    pub struct OrganisationQuery {
        /// Only those of this kind.
        kind: OrganisationKind,
    }
}

/// Add an organisation (supplier).
#[utoipa::path(post, path = "/v1/organisations", tag = "organisations",
    responses((status = 201, body = Organisation)))]
async fn add_organisation(
    call: Call,
    Idempotent { key, body }: Idempotent<NewOrganisation>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let added = people::add_organisation(act, body.kind, body.name).await?;
        Reply::created(&added, format!("/v1/organisations/{}", added.id))
    })
    .await
}

/// Organisations (supplier).
#[utoipa::path(get, path = "/v1/organisations", tag = "organisations",
    responses((status = 200, body = List<Organisation>)))]
async fn list_organisations(call: Call<Read>, list: Listing<OrganisationQuery>) -> HandlerResult {
    let found = people::organisations(&mut call.read().await?, list.query.kind, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// An organisation.
#[utoipa::path(get, path = "/v1/organisations/{organisation_id}", tag = "organisations",
    responses((status = 200, body = Organisation)))]
async fn read_organisation(call: Call<Read>, Id(id): Id<OrganisationId>) -> HandlerResult {
    let found = people::organisation(&mut call.read().await?, id).await?;
    ok(&found)
}

/// A person joins an organisation (its head, or the supplier).
#[utoipa::path(post, path = "/v1/organisations/{organisation_id}/members", tag = "organisations",
    responses((status = 201, body = Membership)))]
async fn add_member(
    call: Call,
    Id(id): Id<OrganisationId>,
    Idempotent { key, body }: Idempotent<NewMember>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let days = (body.first_day.0, body.last_day.map(|day| day.0));
        let added = memberships::add(act, id, body.person_id, body.post, days).await?;
        Reply::created(&added, format!("/v1/organisations/{id}/members"))
    })
    .await
}

/// Members of an organisation, those of the past too.
#[utoipa::path(get, path = "/v1/organisations/{organisation_id}/members", tag = "organisations",
    responses((status = 200, body = List<Membership>)))]
async fn list_members(
    call: Call<Read>,
    Id(id): Id<OrganisationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = memberships::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A membership that has ended, or will.
#[derive(Serialize, ToSchema)]
struct MembershipEndView {
    /// The membership.
    membership: Membership,
    /// What ended with it.
    consequences: ConsequencesView,
}

/// What would end with a membership if it ended now. Changes nothing.
#[utoipa::path(get, path = "/v1/memberships/{membership_id}/end", tag = "organisations",
    responses((status = 200, body = ConsequencesView)))]
async fn preview_membership_end(call: Call, Id(id): Id<MembershipId>) -> HandlerResult {
    let found = memberships::consequences(&mut call.read().await?, id).await?;
    ok(&ConsequencesView::from(found))
}

/// End a membership, at once or after a day.
///
/// With it ends what its person gave under the organisation's authority and nobody confirmed, and what the person
/// has through the organisation: cards are revoked, open requests stop, keys are to be called in, sessions end.
#[utoipa::path(post, path = "/v1/memberships/{membership_id}/end", tag = "organisations",
    responses((status = 200, body = MembershipEndView)))]
async fn end_membership(
    call: Call,
    Id(id): Id<MembershipId>,
    Idempotent { key, body }: Idempotent<MembershipEnd>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let keep = body.keep_authority_ids.as_deref().unwrap_or_default();
        let (membership, ended) = memberships::end(act, id, body.last_day.0, keep).await?;
        Reply::ok(&MembershipEndView { membership, consequences: ended.into() })
    })
    .await
}

/// Add a client program (the organisation's head, or the supplier).
///
/// The reply has a member `client_secret` besides; it is shown this once.
#[utoipa::path(post, path = "/v1/organisations/{organisation_id}/client-programs", tag = "organisations",
    responses((status = 201, body = ClientProgram)))]
async fn add_client_program(
    call: Call,
    Id(id): Id<OrganisationId>,
    Idempotent { key, body }: Idempotent<NewClientProgram>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let (added, secret) =
            people::add_program(act, id, body.name, body.scopes.unwrap_or_default()).await?;
        Ok(Reply::created(&added, format!("/v1/organisations/{id}/client-programs"))?
            .once("client_secret", Some(shown_once(&secret))))
    })
    .await
}

/// Client programs of an organisation, those that were shut out too.
#[utoipa::path(get, path = "/v1/organisations/{organisation_id}/client-programs", tag = "organisations",
    responses((status = 200, body = List<ClientProgram>)))]
async fn list_client_programs(
    call: Call,
    Id(id): Id<OrganisationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = people::programs(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Shut a client program out: its tokens stop working at once.
#[utoipa::path(post, path = "/v1/client-programs/{program_id}/revocation", tag = "organisations",
    responses((status = 200, body = ClientProgram)))]
async fn revoke_client_program(
    call: Call,
    Id(id): Id<ClientProgramId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let revoked = people::revoke_program(act, id).await?;
        Reply::ok(&revoked)
    })
    .await
}
