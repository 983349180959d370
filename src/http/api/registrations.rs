//! Registrations, their locks and differs, which lock answers to which differ, and how it all stood.

use std::collections::BTreeMap;

use axum::response::IntoResponse;
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use super::{ListQuery, list_query};
use crate::application::registrations::{self, LockContent};
use crate::application::{App, Reply};
use crate::domain::calendar::Moment;
use crate::domain::ids::{DifferId, LockId, OrganisationId, RegistrationId, SectionId};
use crate::domain::number::TypedNumber;
use crate::domain::register::{Hand, Level, LockKind};
use crate::domain::registration::{Answering, Differ, Lock, Registration};
use crate::domain::text::{DifferNumber, Label, Premises, Reference, Slug};
use crate::http::body::EmptyBody;
use crate::http::extract::{Body, Call, Id, Idempotent, IfMatch, Listing, Query};
use crate::http::reply::{HandlerResult, List};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(add_registration, list_registrations))
        .routes(operations!(read_registration, change_registration))
        .routes(operations!(end_registration))
        .routes(operations!(registration_as_of))
        .routes(operations!(record_as_of))
        .routes(operations!(add_lock, list_locks))
        .routes(operations!(read_lock, change_lock))
        .routes(operations!(add_differ, list_differs))
        .routes(operations!(begin_answering))
        .routes(operations!(end_answering))
        .routes(operations!(list_answers))
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

    /// A differ to add.
    pub struct NewDiffer {
        /// Its number, which reveals no height.
        number: DifferNumber,
        /// What it opens.
        level: Level,
    }

    /// The differ to which a lock answers.
    pub struct NewAnswering {
        /// Which differ.
        differ_id: DifferId,
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
#[utoipa::path(post, path = "/v1/registrations", tag = "registrations", request_body = NewRegistration,
    responses((status = 201, body = Registration)))]
async fn add_registration(
    call: Call,
    Idempotent { key, body }: Idempotent<NewRegistration>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let added = registrations::add(act, body.section_id, body.owner_id, body.premises).await?;
        Ok(Reply::created(&added, format!("/v1/registrations/{}", added.id))?.version(added.version))
    })
    .await
}

/// The registrations on which the caller has an authority; all, for the supplier.
#[utoipa::path(get, path = "/v1/registrations", tag = "registrations", params(RegistrationQuery),
    responses((status = 200, body = List<Registration>)))]
async fn list_registrations(call: Call, list: Listing<RegistrationQuery>) -> HandlerResult {
    let found = registrations::all(&call.app, &call.caller, list.query.number.as_ref(), list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}", tag = "registrations",
    params(("registration_id" = RegistrationId, Path)), responses((status = 200, body = Registration)))]
async fn read_registration(call: Call, Id(id): Id<RegistrationId>) -> HandlerResult {
    let found = registrations::registration(&call.app, &call.caller, id).await?;
    Ok(Reply::ok(&found)?.version(found.version).into_response())
}

/// Change a registration (owner, or supplier).
#[utoipa::path(patch, path = "/v1/registrations/{registration_id}", tag = "registrations",
    params(("registration_id" = RegistrationId, Path)), request_body = RegistrationChange,
    responses((status = 200, body = Registration)))]
async fn change_registration(
    call: Call,
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
    params(("registration_id" = RegistrationId, Path)), responses((status = 200, body = Registration)))]
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
    params(("registration_id" = RegistrationId, Path), AsOfQuery), responses((status = 200, body = AsOf)))]
async fn registration_as_of(
    call: Call,
    Id(id): Id<RegistrationId>,
    Query(query): Query<AsOfQuery>,
) -> HandlerResult {
    let mut records: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    for (kind, record) in registrations::as_of(&call.app, &call.caller, id, query.at.0).await? {
        records.entry(kind).or_default().push(record);
    }
    Ok(Reply::ok(&AsOf { records })?.into_response())
}

/// A section, counter, appointment or membership, as it stood at an instant (supplier).
#[utoipa::path(get, path = "/v1/history/{record_id}", tag = "registrations",
    params(("record_id" = uuid::Uuid, Path), AsOfQuery), responses((status = 200, body = AsOf)))]
async fn record_as_of(call: Call, Id(id): Id<uuid::Uuid>, Query(query): Query<AsOfQuery>) -> HandlerResult {
    let (kind, record) = registrations::record_as_of(&call.app, &call.caller, id, query.at.0).await?;
    Ok(Reply::ok(&AsOf { records: BTreeMap::from([(kind, vec![record])]) })?.into_response())
}

/// A lock, and what to think of where its door is on an escape route.
#[derive(Serialize, ToSchema)]
struct LockView {
    #[serde(flatten)]
    lock: Lock,
    /// Cautions that the program shows; it does not judge.
    cautions: Vec<&'static str>,
}

/// What is said about a lock on an escape route.
const ESCAPE_ROUTE: &str = "This door is marked as an escape route. A lock that needs a key to leave (such as \
    one to BS 3621) may not belong here; BS 8621 is keyless from inside, BS 10621 can be switched. Fire law and \
    a competent person decide.";

fn view(lock: Lock) -> LockView {
    let cautions = if lock.escape_route { vec![ESCAPE_ROUTE] } else { vec![] };
    LockView { lock, cautions }
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
    params(("registration_id" = RegistrationId, Path)), request_body = LockBody,
    responses((status = 201, body = LockView)))]
async fn add_lock(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<LockBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let added = registrations::add_lock(act, id, body.into()).await?;
        let (lock, version) = (added.id, added.version);
        Ok(Reply::created(&view(added), format!("/v1/locks/{lock}"))?.version(version))
    })
    .await
}

/// Locks of a registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/locks", tag = "locks",
    params(("registration_id" = RegistrationId, Path), ListQuery),
    responses((status = 200, body = List<LockView>)))]
async fn list_locks(call: Call, Id(id): Id<RegistrationId>, list: Listing<ListQuery>) -> HandlerResult {
    let found = registrations::locks(&call.app, &call.caller, id, list.portion).await?;
    Ok(list.reply(found.into_iter().map(view).collect(), |item| item.lock.id.0))
}

/// A lock.
#[utoipa::path(get, path = "/v1/locks/{lock_id}", tag = "locks", params(("lock_id" = LockId, Path)),
    responses((status = 200, body = LockView)))]
async fn read_lock(call: Call, Id(id): Id<LockId>) -> HandlerResult {
    let found = registrations::lock(&call.app, &call.caller, id).await?;
    let version = found.version;
    Ok(Reply::ok(&view(found))?.version(version).into_response())
}

/// Change a lock (supplier).
#[utoipa::path(put, path = "/v1/locks/{lock_id}", tag = "locks", params(("lock_id" = LockId, Path)),
    request_body = LockBody, responses((status = 200, body = LockView)))]
async fn change_lock(
    call: Call,
    Id(id): Id<LockId>,
    IfMatch(version): IfMatch,
    Body(body): Body<LockBody>,
) -> HandlerResult {
    call.change(async |act| {
        let changed = registrations::change_lock(act, id, version, body.into()).await?;
        let version = changed.version;
        Ok(Reply::ok(&view(changed))?.version(version))
    })
    .await
}

/// Add a differ by its number (supplier).
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/differs", tag = "differs",
    params(("registration_id" = RegistrationId, Path)), request_body = NewDiffer,
    responses((status = 201, body = Differ)))]
async fn add_differ(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewDiffer>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let added = registrations::add_differ(act, id, body.number, body.level).await?;
        Reply::created(&added, format!("/v1/registrations/{id}/differs"))
    })
    .await
}

/// Differs of a registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/differs", tag = "differs",
    params(("registration_id" = RegistrationId, Path), ListQuery),
    responses((status = 200, body = List<Differ>)))]
async fn list_differs(call: Call, Id(id): Id<RegistrationId>, list: Listing<ListQuery>) -> HandlerResult {
    let found = registrations::differs(&call.app, &call.caller, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A lock begins to answer to a differ (supplier).
#[utoipa::path(post, path = "/v1/locks/{lock_id}/answers", tag = "differs",
    params(("lock_id" = LockId, Path)), request_body = NewAnswering,
    responses((status = 201, body = Answering)))]
async fn begin_answering(
    call: Call,
    Id(id): Id<LockId>,
    Idempotent { key, body }: Idempotent<NewAnswering>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let begun = registrations::begin_answering(act, id, body.differ_id).await?;
        Reply::created(&begun, format!("/v1/registrations/{}/answers", begun.registration_id))
    })
    .await
}

/// What the end of answering leads to.
#[derive(Serialize, ToSchema)]
struct AnsweringEnd {
    /// Keys that are dead now: no lock answers to their differ any more.
    dead_keys: u32,
}

/// A lock stops answering to a differ (supplier): its levers were changed.
#[utoipa::path(post, path = "/v1/locks/{lock_id}/answers/end", tag = "differs",
    params(("lock_id" = LockId, Path)), request_body = NewAnswering,
    responses((status = 200, body = AnsweringEnd)))]
async fn end_answering(
    call: Call,
    Id(id): Id<LockId>,
    Idempotent { key, body }: Idempotent<NewAnswering>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let dead_keys = registrations::end_answering(act, id, body.differ_id).await?;
        Reply::ok(&AnsweringEnd { dead_keys })
    })
    .await
}

/// Which lock answers, or answered, to which differ.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/answers", tag = "differs",
    params(("registration_id" = RegistrationId, Path), ListQuery),
    responses((status = 200, body = List<Answering>)))]
async fn list_answers(call: Call, Id(id): Id<RegistrationId>, list: Listing<ListQuery>) -> HandlerResult {
    let found = registrations::answers(&call.app, &call.caller, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}
