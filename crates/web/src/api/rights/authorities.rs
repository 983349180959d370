//! Authorities, and those that wait to be accepted.

use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing, Query};
use crate::operation::Conflict;
use crate::reply::{HandlerResult, List, ok};
use crate::scopes::Read;
use application::rights::authorities::Consequences;
use application::rights::giving::{Given, Grant};
use application::rights::{authorities, giving, offers};
use application::{App, Reply};
use domain::calendar::{Day, Period};
use domain::count::Quantity;
use domain::ids::{
    AuthorityId, CardId, CopyRequestId, DifferId, KeyId, OrganisationId, PersonId, RegistrationId,
};
use domain::rights::authorities::{Authority, AuthorityClass, AuthorityOffer};
use domain::text::Slug;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(give_authority, list_authorities))
        .routes(operations!(read_authority))
        .routes(operations!(preview_revocation, revoke_authority))
        .routes(operations!(confirm_authority))
        .routes(operations!(list_authority_offers))
        .routes(operations!(list_own_authority_offers))
        .routes(operations!(read_authority_offer))
        .routes(operations!(accept_authority_offer))
        .routes(operations!(withdraw_authority_offer))
}

body! {
    /// An authority to give.
    pub struct NewAuthority {
        /// Its class.
        class: AuthorityClass,
        /// The person who gets it.
        person_id: Option<PersonId>,
        /// The organisation that gets it, for an agent.
        organisation_id: Option<OrganisationId>,
        /// The post in which the person acts, as the rules name it.
        post: Option<Slug>,
        /// What the person is to the owner, as the rules name it.
        standing: Option<Slug>,
        /// The differs that it is for; every one, when empty or absent.
        differ_ids: Option<Vec<DifferId>>,
        /// May ask for copies; yes, when absent.
        may_order: Option<bool>,
        /// May approve; no, when absent.
        may_approve: Option<bool>,
        /// May give authority to others; no, when absent.
        may_pass_on: Option<bool>,
        /// It is that of an occupier for their own home; no, when absent.
        occupier: Option<bool>,
        /// The most keys in one request.
        most_per_request: Option<Quantity>,
        /// The most live keys of one differ.
        most_keys: Option<Quantity>,
        /// The first day.
        first_day: Day,
        /// The last day.
        last_day: Option<Day>,
    }

    /// A revocation.
    pub struct Revocation {
        /// The day on which the person left the premises: for the rule on telling the register in time, and
        /// since an occupier who has left keeps no key.
        left_on: Option<Day>,
    }
}

/// The query of a preview.
#[derive(serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct RevocationQuery {
    /// The day on which the person left the premises, as it would be said with the revocation.
    left_on: Option<Day>,
}

impl From<NewAuthority> for Grant {
    fn from(body: NewAuthority) -> Self {
        Self {
            class: body.class,
            person: body.person_id,
            organisation: body.organisation_id,
            post: body.post,
            standing: body.standing,
            differs: body.differ_ids.unwrap_or_default(),
            may_order: body.may_order.unwrap_or(true),
            may_approve: body.may_approve.unwrap_or(false),
            may_pass_on: body.may_pass_on.unwrap_or(false),
            occupier: body.occupier.unwrap_or(false),
            most_per_request: body.most_per_request.map(Quantity::get),
            most_keys: body.most_keys.map(Quantity::get),
            period: Period { first_day: body.first_day.0, last_day: body.last_day.map(|day| day.0) },
        }
    }
}

/// What goes with an authority.
#[derive(Serialize, ToSchema)]
pub struct ConsequencesView {
    /// The authority and every one that was given under it.
    authorities: Vec<Authority>,
    /// Requests that stop.
    copy_request_ids: Vec<CopyRequestId>,
    /// Cards that are revoked.
    card_ids: Vec<CardId>,
    /// Keys to call in.
    keys_to_call_in: Vec<KeyId>,
    /// Keys of occupiers to their own homes, which they keep.
    keys_kept_by_occupiers: Vec<KeyId>,
    /// The register was told longer after the person left than the rules allow.
    told_late: bool,
    /// What to think of first.
    cautions: Vec<&'static str>,
}

impl From<Consequences> for ConsequencesView {
    fn from(found: Consequences) -> Self {
        Self {
            authorities: found.authorities,
            copy_request_ids: found.left.requests.iter().map(|request| request.id).collect(),
            card_ids: found.left.cards.iter().map(|card| card.id).collect(),
            keys_to_call_in: found.left.keys_to_call_in.iter().map(|found| found.key.id).collect(),
            keys_kept_by_occupiers: found.left.keys_kept_by_occupiers,
            told_late: found.told_late,
            cautions: found.cautions,
        }
    }
}

/// Give an authority: the supplier any; others under one of their own that may be passed on.
///
/// To somebody whom the giver does not know it is offered (202): it is an authority, with the same id, once that person
/// accepts it. Known are those whom the giver entered or governs, and who have or had an authority on this
/// registration.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/authorities", tag = "authorities",
    responses((status = 201, body = Authority), (status = 202, body = AuthorityOffer)))]
async fn give_authority(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewAuthority>,
) -> HandlerResult {
    call.act(&key, async |act| match giving::grant(act, id, body.into()).await? {
        Given::Authority(given) => Reply::created(&given, format!("/v1/authorities/{}", given.id)),
        Given::Offer(offer) => Reply::waits(&offer, format!("/v1/authority-offers/{}", offer.id)),
    })
    .await
}

/// Authorities of a registration: keyholders see their own.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/authorities", tag = "authorities",
    responses((status = 200, body = List<Authority>)))]
async fn list_authorities(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = authorities::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// An authority.
#[utoipa::path(get, path = "/v1/authorities/{authority_id}", tag = "authorities",
    responses((status = 200, body = Authority)))]
async fn read_authority(call: Call<Read>, Id(id): Id<AuthorityId>) -> HandlerResult {
    let found = authorities::authority(&mut call.read().await?, id).await?;
    ok(&found)
}

/// What would go with an authority if it were revoked now. Changes nothing.
#[utoipa::path(get, path = "/v1/authorities/{authority_id}/revocation", tag = "authorities",
    responses((status = 200, body = ConsequencesView),
        (status = 409, response = Conflict)))]
async fn preview_revocation(
    call: Call<Read>,
    Id(id): Id<AuthorityId>,
    Query(query): Query<RevocationQuery>,
) -> HandlerResult {
    let found =
        authorities::consequences(&mut call.read().await?, id, query.left_on.map(|day| day.0)).await?;
    ok(&ConsequencesView::from(found))
}

/// Let an authority outlast the seat of whoever gave it: by a head of the organisation under whose authority it was
/// given, who is somebody else.
#[utoipa::path(post, path = "/v1/authorities/{authority_id}/confirmation", tag = "authorities",
    responses((status = 200, body = Authority)))]
async fn confirm_authority(
    call: Call,
    Id(id): Id<AuthorityId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| Reply::ok(&authorities::confirm(act, id).await?)).await
}

/// Revoke an authority and all that was given under it. The reply says which keys to call in.
#[utoipa::path(post, path = "/v1/authorities/{authority_id}/revocation", tag = "authorities",
    responses((status = 200, body = ConsequencesView)))]
async fn revoke_authority(
    call: Call,
    Id(id): Id<AuthorityId>,
    Idempotent { key, body }: Idempotent<Revocation>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let found = authorities::revoke(act, id, body.left_on.map(|day| day.0)).await?;
        Reply::ok(&ConsequencesView::from(found))
    })
    .await
}

/// Authorities of a registration that were offered to people whom their givers do not know, settled ones too.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/authority-offers", tag = "authorities",
    responses((status = 200, body = List<AuthorityOffer>)))]
async fn list_authority_offers(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = offers::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Authorities that were offered to the caller, settled ones too.
#[utoipa::path(get, path = "/v1/me/authority-offers", tag = "me",
    responses((status = 200, body = List<AuthorityOffer>)))]
async fn list_own_authority_offers(call: Call, list: Listing<ListQuery>) -> HandlerResult {
    let found = offers::own(&mut call.read().await?, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// An authority that was offered: to the caller, or on a registration of which the caller sees everything.
#[utoipa::path(get, path = "/v1/authority-offers/{offer_id}", tag = "authorities",
    responses((status = 200, body = AuthorityOffer)))]
async fn read_authority_offer(call: Call<Read>, Id(id): Id<AuthorityId>) -> HandlerResult {
    ok(&offers::offer(&mut call.read().await?, id).await?)
}

/// Accept an authority: whoever it was offered to, within thirty days, while what it rests on stands.
///
/// Its giver then sees the name and address of whoever accepts.
#[utoipa::path(post, path = "/v1/authority-offers/{offer_id}/acceptance", tag = "authorities",
    responses((status = 201, body = Authority)))]
async fn accept_authority_offer(
    call: Call,
    Id(id): Id<AuthorityId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let given = offers::accept(act, id).await?;
        Reply::created(&given, format!("/v1/authorities/{id}"))
    })
    .await
}

/// Decline an authority, or take its offer back: whoever it was offered to, its giver, or who governs the registration.
#[utoipa::path(post, path = "/v1/authority-offers/{offer_id}/withdrawal", tag = "authorities",
    responses((status = 200, body = AuthorityOffer)))]
async fn withdraw_authority_offer(
    call: Call,
    Id(id): Id<AuthorityId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| Reply::ok(&offers::withdraw(act, id).await?)).await
}
