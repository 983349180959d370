//! Keys and lever packs.

pub mod audits;
pub mod losses;
pub mod statements;

use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::{ListQuery, list_query};
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, ok, versioned};
use crate::scopes::Read;
use application::keys::KeyDueBack;
use application::{App, Reply, keys};
use domain::calendar::Day;
use domain::count::PackKeys;
use domain::ids::{DifferId, KeyId, PersonId, RegistrationId};
use domain::keys::{Key, KeyState, LeverPack};
use domain::rekeys::KEYS_WITH_PACK;
use domain::text::PackNumber;

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
        /// The differ.
        differ_id: DifferId,
        /// The number on it.
        number: PackNumber,
        /// The keys that came with it; two, when absent (common practice).
        keys: Option<PackKeys>,
    }

    /// A key to issue.
    pub struct KeyIssue {
        /// The person who gets it.
        person_id: PersonId,
        /// The day by which it is to come back.
        due_back_on: Option<Day>,
        /// A dead key of theirs that is taken in for it and destroyed.
        against_key_id: Option<KeyId>,
    }

    /// A key to pass on.
    pub struct KeyTransfer {
        /// The person who gets it.
        person_id: PersonId,
    }
}

list_query! {
    /// Which keys.
    pub struct KeyQuery {
        /// Only those of this differ.
        differ_id: DifferId,
        /// Only those in this state.
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
    responses((status = 201, body = PackView)))]
async fn record_lever_pack(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewLeverPack>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let count = body.keys.map_or(KEYS_WITH_PACK, PackKeys::get);
        let (lever_pack, keys) = keys::add_pack(act, id, body.differ_id, body.number, count).await?;
        Reply::created(&PackView { lever_pack, keys }, format!("/v1/registrations/{id}/lever-packs"))
    })
    .await
}

/// Lever packs of a registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/lever-packs", tag = "keys",
    responses((status = 200, body = List<LeverPack>)))]
async fn list_lever_packs(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = keys::packs(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Keys of a registration, and who holds them: keyholders see those of their differs.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/keys", tag = "keys",
    responses((status = 200, body = List<Key>)))]
async fn list_keys(call: Call<Read>, Id(id): Id<RegistrationId>, list: Listing<KeyQuery>) -> HandlerResult {
    let found =
        keys::all(&mut call.read().await?, id, list.query.differ_id, list.query.state, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Keys whose holders have no right to them any more, of their own or through an organisation (owner, agent,
/// signatory, supplier). The key of an occupier whose right was revoked is listed once the occupier's term is
/// over or the occupier is said to have left.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/keys-to-call-in", tag = "keys",
    responses((status = 200, body = List<KeyDueBack>)))]
async fn list_keys_to_call_in(call: Call<Read>, Id(id): Id<RegistrationId>) -> HandlerResult {
    let items = keys::to_call_in(&mut call.read().await?, id).await?;
    ok(&List { items })
}

/// A key.
#[utoipa::path(get, path = "/v1/keys/{key_id}", tag = "keys", responses((status = 200, body = Key)))]
async fn read_key(call: Call<Read>, Id(id): Id<KeyId>) -> HandlerResult {
    let found = keys::key(&mut call.read().await?, id).await?;
    versioned(&found, found.version)
}

/// Issue a key from the store (owner, agent, supplier).
#[utoipa::path(post, path = "/v1/keys/{key_id}/issue", tag = "keys", responses((status = 200, body = Key)))]
async fn issue_key(
    call: Call,
    Id(id): Id<KeyId>,
    Idempotent { key, body }: Idempotent<KeyIssue>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let due_back_on = body.due_back_on.map(|day| day.0);
        let issued = keys::issue(act, id, body.person_id, due_back_on, body.against_key_id).await?;
        Ok(Reply::ok(&issued)?.version(issued.version))
    })
    .await
}

/// Pass a key on to somebody else, where the rules allow it.
#[utoipa::path(post, path = "/v1/keys/{key_id}/transfer", tag = "keys",
    responses((status = 200, body = Key)))]
async fn pass_key_on(
    call: Call,
    Id(id): Id<KeyId>,
    Idempotent { key, body }: Idempotent<KeyTransfer>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let passed = keys::pass_on(act, id, body.person_id).await?;
        Ok(Reply::ok(&passed)?.version(passed.version))
    })
    .await
}

/// A key came back, or was found (owner, agent, supplier).
#[utoipa::path(post, path = "/v1/keys/{key_id}/return", tag = "keys", responses((status = 200, body = Key)))]
async fn return_key(
    call: Call,
    Id(id): Id<KeyId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let returned = keys::take_back(act, id).await?;
        Ok(Reply::ok(&returned)?.version(returned.version))
    })
    .await
}

/// A key was destroyed (owner, agent, supplier).
#[utoipa::path(post, path = "/v1/keys/{key_id}/destruction", tag = "keys",
    responses((status = 200, body = Key)))]
async fn destroy_key(
    call: Call,
    Id(id): Id<KeyId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let destroyed = keys::destroy(act, id).await?;
        Ok(Reply::ok(&destroyed)?.version(destroyed.version))
    })
    .await
}
