//! Keys, lever packs and losses.

use axum::extract::State;
use axum::http::Uri;
use axum::response::IntoResponse;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use super::{ListQuery, list_query};
use crate::application::access::Caller;
use crate::application::{Act, App, Reply, keys};
use crate::domain::calendar::Day;
use crate::domain::count::PackKeys;
use crate::domain::ids::{DifferId, KeyId, PersonId, RegistrationId};
use crate::domain::key::KeyState;
use crate::domain::records::{Key, LeverPack};
use crate::domain::text::PackNumber;
use crate::http::body::EmptyBody;
use crate::http::extract::{Id, Idempotent, Query};
use crate::http::reply::{HandlerResult, List, list};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(record_lever_pack, list_lever_packs))
        .routes(operations!(list_keys))
        .routes(operations!(list_keys_to_call_in))
        .routes(operations!(read_key))
        .routes(operations!(issue_key))
        .routes(operations!(pass_key_on))
        .routes(operations!(return_key))
        .routes(operations!(destroy_key))
}

body! {
    /// A lever pack with its keys.
    pub struct NewLeverPack {
        /// For which differ.
        differ_id: DifferId,
        /// The number on it.
        number: PackNumber,
        /// The keys that came with it; two, when absent (common practice).
        keys: Option<PackKeys>,
    }

    /// A key to issue.
    pub struct KeyIssue {
        /// To whom.
        person_id: PersonId,
        /// By when it comes back.
        due_back_on: Option<Day>,
        /// A dead key of theirs that is taken in for it and destroyed.
        against_key_id: Option<KeyId>,
    }

    /// A key to pass on.
    pub struct KeyTransfer {
        /// To whom.
        person_id: PersonId,
    }
}

list_query! {
    /// Which keys.
    pub struct KeyQuery {
        /// Of one differ.
        differ_id: DifferId,
        /// In one state.
        state: KeyState,
    }
}

/// A lever pack and its keys.
#[derive(Serialize, ToSchema)]
struct PackView {
    /// The pack.
    lever_pack: LeverPack,
    /// Its keys, in store.
    keys: Vec<Key>,
}

/// Record a lever pack and its keys (supplier).
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/lever-packs", tag = "keys",
    params(("registration_id" = RegistrationId, Path)), request_body = NewLeverPack,
    responses((status = 201, body = PackView)))]
async fn record_lever_pack(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewLeverPack>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let count = body.keys.map_or(2, |keys| u16::try_from(keys.get()).unwrap_or(u16::MAX));
    let (lever_pack, keys) = keys::add_pack(&mut act, id, body.differ_id, body.number, count).await?;
    let reply =
        Reply::created(&PackView { lever_pack, keys }, format!("/v1/registrations/{id}/lever-packs"))?;
    Ok(act.finish(reply).await?.into_response())
}

/// Lever packs of a registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/lever-packs", tag = "keys",
    params(("registration_id" = RegistrationId, Path), ListQuery),
    responses((status = 200, body = List<LeverPack>)))]
async fn list_lever_packs(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<RegistrationId>,
    uri: Uri,
    Query(query): Query<ListQuery>,
) -> HandlerResult {
    let portion = query.portion()?;
    let found = keys::packs(&app, &caller, id, portion).await?;
    Ok(list(&uri, portion, found, |item| item.id.0))
}

/// Keys of a registration, and who holds them: keyholders see those of their differs.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/keys", tag = "keys",
    params(("registration_id" = RegistrationId, Path), KeyQuery),
    responses((status = 200, body = List<Key>)))]
async fn list_keys(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<RegistrationId>,
    uri: Uri,
    Query(query): Query<KeyQuery>,
) -> HandlerResult {
    let portion = query.portion()?;
    let found = keys::all(&app, &caller, id, query.differ_id, query.state, portion).await?;
    Ok(list(&uri, portion, found, |item| item.id.0))
}

/// A key that should come back.
#[derive(Serialize, ToSchema)]
struct KeyToCallIn {
    /// The key.
    key: Key,
    /// The last day on which its holder had a right to it; absent where there never was one.
    last_day: Option<time::Date>,
    /// The holder was an occupier: taking a key to a home is a matter of local law, take advice first.
    occupier: bool,
    /// The rules call for a rekey of the locks by now.
    rekey_due: bool,
}

/// Keys whose holders have no right to them any more, of their own or through an organisation (owner, agent,
/// signatory, supplier). The key of an occupier whose right was revoked is listed once the occupier's term is
/// over or the occupier is said to have left.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/keys-to-call-in", tag = "keys",
    params(("registration_id" = RegistrationId, Path)), responses((status = 200, body = List<KeyToCallIn>)))]
async fn list_keys_to_call_in(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<RegistrationId>,
) -> HandlerResult {
    let view = |found: keys::ToCallIn| KeyToCallIn {
        last_day: found.found.last_day,
        occupier: found.found.occupier,
        rekey_due: found.rekey_due,
        key: found.found.key,
    };
    let items = keys::to_call_in(&app, &caller, id).await?.into_iter().map(view).collect();
    Ok(Reply::ok(&List { items })?.into_response())
}

/// A key.
#[utoipa::path(get, path = "/v1/keys/{key_id}", tag = "keys", params(("key_id" = KeyId, Path)),
    responses((status = 200, body = Key)))]
async fn read_key(State(app): State<App>, caller: Caller, Id(id): Id<KeyId>) -> HandlerResult {
    let found = keys::key(&app, &caller, id).await?;
    Ok(Reply::ok(&found)?.version(found.version).into_response())
}

/// Issue a key from the store (owner, agent, supplier).
#[utoipa::path(post, path = "/v1/keys/{key_id}/issue", tag = "keys", params(("key_id" = KeyId, Path)),
    request_body = KeyIssue, responses((status = 200, body = Key)))]
async fn issue_key(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<KeyId>,
    Idempotent { key, body }: Idempotent<KeyIssue>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let due_back_on = body.due_back_on.map(|day| day.0);
    let issued = keys::issue(&mut act, id, body.person_id, due_back_on, body.against_key_id).await?;
    Ok(act.finish(Reply::ok(&issued)?.version(issued.version)).await?.into_response())
}

/// Pass a key on to somebody else, where the rules allow it.
#[utoipa::path(post, path = "/v1/keys/{key_id}/transfer", tag = "keys", params(("key_id" = KeyId, Path)),
    request_body = KeyTransfer, responses((status = 200, body = Key)))]
async fn pass_key_on(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<KeyId>,
    Idempotent { key, body }: Idempotent<KeyTransfer>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let passed = keys::pass_on(&mut act, id, body.person_id).await?;
    Ok(act.finish(Reply::ok(&passed)?.version(passed.version)).await?.into_response())
}

/// A key came back, or was found (owner, agent, supplier).
#[utoipa::path(post, path = "/v1/keys/{key_id}/return", tag = "keys", params(("key_id" = KeyId, Path)),
    responses((status = 200, body = Key)))]
async fn return_key(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<KeyId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let returned = keys::take_back(&mut act, id).await?;
    Ok(act.finish(Reply::ok(&returned)?.version(returned.version)).await?.into_response())
}

/// A key was destroyed (owner, agent, supplier).
#[utoipa::path(post, path = "/v1/keys/{key_id}/destruction", tag = "keys",
    params(("key_id" = KeyId, Path)), responses((status = 200, body = Key)))]
async fn destroy_key(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<KeyId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let destroyed = keys::destroy(&mut act, id).await?;
    Ok(act.finish(Reply::ok(&destroyed)?.version(destroyed.version)).await?.into_response())
}
