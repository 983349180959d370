//! The locks of a registration.

use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Body, Call, Id, Idempotent, IfMatch, Listing};
use crate::reply::{HandlerResult, List, versioned};
use crate::scopes::{Read, Register};
use application::register::locks;
use application::register::locks::LockContent;
use application::{App, Reply};
use domain::cautions;
use domain::ids::{LockId, RegistrationId};
use domain::register::registrations::{Hand, Lock, LockKind};
use domain::text::{Label, Reference, Slug};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(operations!(add_lock, list_locks)).routes(operations!(read_lock, change_lock))
}

body! {
    /// What a lock is.
    pub struct LockBody {
        /// What is written on its line in the schedule.
        label: Label,
        /// What kind of lock.
        kind: LockKind,
        /// On which side the door hangs.
        hand: Option<Hand>,
        /// The standard that it was made to.
        standard: Option<Reference>,
        /// The door is on an escape route.
        escape_route: bool,
        /// The class of the room behind it.
        room_class: Option<Slug>,
    }
}

/// A lock, and what to think of where its door is on an escape route.
#[derive(Serialize, ToSchema)]
struct LockView {
    #[serde(flatten)]
    lock: Lock,
    /// Cautions that the program shows; it does not judge.
    cautions: Vec<&'static str>,
}

fn view(lock: Lock) -> LockView {
    LockView { cautions: cautions::of_lock(&lock), lock }
}

impl From<LockBody> for LockContent {
    fn from(body: LockBody) -> Self {
        Self {
            label: body.label,
            kind: body.kind,
            hand: body.hand,
            standard: body.standard,
            escape_route: body.escape_route,
            room_class: body.room_class,
        }
    }
}

/// Add a lock (supplier).
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/locks", tag = "locks",
    responses((status = 201, body = LockView)))]
async fn add_lock(
    call: Call<Register>,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<LockBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let added = locks::add(act, id, body.into()).await?;
        let (lock, version) = (added.id, added.version);
        Ok(Reply::created(&view(added), format!("/v1/locks/{lock}"))?.version(version))
    })
    .await
}

/// Locks of a registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/locks", tag = "locks",
    responses((status = 200, body = List<LockView>)))]
async fn list_locks(call: Call<Read>, Id(id): Id<RegistrationId>, list: Listing<ListQuery>) -> HandlerResult {
    let found = locks::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found.into_iter().map(view).collect(), |item| item.lock.id.0))
}

/// A lock.
#[utoipa::path(get, path = "/v1/locks/{lock_id}", tag = "locks", responses((status = 200, body = LockView)))]
async fn read_lock(call: Call<Read>, Id(id): Id<LockId>) -> HandlerResult {
    let found = locks::lock(&mut call.read().await?, id).await?;
    let version = found.version;
    versioned(&view(found), version)
}

/// Change a lock (supplier).
#[utoipa::path(put, path = "/v1/locks/{lock_id}", tag = "locks", responses((status = 200, body = LockView)))]
async fn change_lock(
    call: Call<Register>,
    Id(id): Id<LockId>,
    IfMatch(version): IfMatch,
    Body(body): Body<LockBody>,
) -> HandlerResult {
    call.change(async |act| {
        let changed = locks::change(act, id, version, body.into()).await?;
        let version = changed.version;
        Ok(Reply::ok(&view(changed))?.version(version))
    })
    .await
}
