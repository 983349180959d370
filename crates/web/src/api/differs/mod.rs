//! The geometry of sections, and differs that are drawn, given out and released.

pub mod answers;
pub mod bitting;
pub mod keying;

use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Body, Call, Id, Idempotent, IfMatch, Listing};
use crate::reply::{HandlerResult, List, ok, versioned};
use crate::scopes::Read;
use application::differs::Allotment;
use application::differs::geometry::{self, CountedSpace, GeometryUse};
use application::{Act, App, Reply, differs};
use domain::differs::geometry::Geometry;
use domain::differs::space::as_digits;
use domain::differs::{Differ, DifferState, Level};
use domain::ids::{DifferId, RegistrationId, SectionId};
use domain::text::DifferNumber;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(count_differs))
        .routes(operations!(read_geometry, set_geometry))
        .routes(operations!(allot_differs))
        .routes(operations!(settle_differ))
        .routes(operations!(add_differ, list_differs))
}

body! {
    /// A geometry.
    pub struct GeometryBody {
        /// Positions, heights and rules.
        geometry: Geometry,
    }

    /// Differs to draw.
    pub struct NewAllotment {
        /// What they open.
        level: Level,
        /// How many; one, when left out.
        #[schema(minimum = 1, maximum = 200)]
        count: Option<u16>,
        /// For a site: nobody orders keys of them until they are given out.
        reserve: Option<bool>,
        /// Other registrations from whose differs to keep apart, such as neighbours.
        #[schema(max_items = 50)]
        apart_from: Option<Vec<RegistrationId>>,
    }

    /// What becomes of a differ.
    pub struct DifferSettlement {
        /// Given out, or released.
        state: DifferState,
    }
}

/// Count the differs of a geometry that is only tried out (supplier). Changes nothing.
#[utoipa::path(post, path = "/v1/differ-counts", tag = "differs",
    responses((status = 200, body = CountedSpace)))]
async fn count_differs(call: Call<Read>, Body(body): Body<GeometryBody>) -> HandlerResult {
    ok(&geometry::explore(&call.caller, &body.geometry).await?)
}

/// The geometry of a section, how much of it is used, and when it runs dry (supplier).
#[utoipa::path(get, path = "/v1/sections/{section_id}/geometry", tag = "differs",
    responses((status = 200, body = GeometryUse)))]
async fn read_geometry(call: Call<Read>, Id(id): Id<SectionId>) -> HandlerResult {
    let usage = geometry::usage(&call.app, &call.caller, id).await?;
    versioned(&usage, usage.version)
}

/// Set the geometry of a section (supplier). One that leaves no differ is refused; one that falls short of
/// a standard is told in `shortfalls`.
#[utoipa::path(put, path = "/v1/sections/{section_id}/geometry", tag = "differs",
    responses((status = 200, body = GeometryUse)))]
async fn set_geometry(
    call: Call,
    Id(id): Id<SectionId>,
    IfMatch(version): IfMatch,
    Body(body): Body<GeometryBody>,
) -> HandlerResult {
    let set = async |act: &mut Act<'_>| geometry::set(act, id, version, body.geometry).await;
    let usage = Act::done(&call.app, &call.caller, set).await?;
    versioned(&usage, usage.version)
}

/// Differs that were drawn.
#[derive(Serialize, ToSchema)]
struct AllotmentView {
    /// The differs.
    differs: Vec<Differ>,
    /// How many of the section are left, in decimal digits.
    #[serde(serialize_with = "as_digits")]
    #[schema(value_type = String, pattern = "^[0-9]+$")]
    left: u128,
}

/// Draw differs for a registration (supplier): free in the section, far enough from every other on the
/// site. Their numbers are drawn too and say nothing of the heights.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/differ-allotments", tag = "differs",
    responses((status = 201, body = AllotmentView)))]
async fn allot_differs(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewAllotment>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let allotment = Allotment {
            level: body.level,
            count: body.count.unwrap_or(1),
            reserve: body.reserve.unwrap_or(false),
            apart_from: body.apart_from.unwrap_or_default(),
        };
        let (differs, left) = differs::allot(act, id, allotment).await?;
        Reply::new(201, &AllotmentView { differs, left })
    })
    .await
}

/// Give out a differ that was reserved, or release one that was never cut (supplier).
#[utoipa::path(post, path = "/v1/differs/{differ_id}/state", tag = "differs",
    responses((status = 200, body = Differ)))]
async fn settle_differ(
    call: Call,
    Id(id): Id<DifferId>,
    Idempotent { key, body }: Idempotent<DifferSettlement>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let settled = differs::settle(act, id, body.state).await?;
        Reply::ok(&settled)
    })
    .await
}

body! {
    /// A differ to add.
    pub struct NewDiffer {
        /// Its number, which reveals no height.
        number: DifferNumber,
        /// What it opens.
        level: Level,
    }
}

/// Add a differ by its number (supplier).
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/differs", tag = "differs",
    responses((status = 201, body = Differ)))]
async fn add_differ(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewDiffer>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let added = differs::add(act, id, body.number, body.level).await?;
        Reply::created(&added, format!("/v1/registrations/{id}/differs"))
    })
    .await
}

/// Differs of a registration.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/differs", tag = "differs",
    responses((status = 200, body = List<Differ>)))]
async fn list_differs(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = differs::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}
