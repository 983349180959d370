//! Key sections and their protection.

use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Body, Call, Id, Idempotent, IfMatch, Listing};
use crate::reply::{HandlerResult, List, versioned};
use crate::scopes::Read;
use application::register::sections;
use application::register::sections::SectionContent;
use application::{App, Reply};
use domain::calendar::Day;
use domain::ids::SectionId;
use domain::register::sections::{Protection, SectionOnDay};
use domain::text::Name;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(add_section, list_sections))
        .routes(operations!(read_section, change_section))
}

body! {
    /// What a section is.
    pub struct SectionBody {
        /// Its name.
        name: Name,
        /// What protects it.
        protection: Protection,
        /// Where the protection holds.
        territory: Option<Name>,
        /// When it was filed.
        filed_on: Option<Day>,
        /// When it has to be renewed next.
        next_renewal_on: Option<Day>,
        /// The last day that the law can give.
        last_expiry_on: Option<Day>,
    }
}

impl From<SectionBody> for SectionContent {
    fn from(body: SectionBody) -> Self {
        let day = |day: Option<Day>| day.map(|day| day.0);
        Self {
            name: body.name,
            protection: body.protection,
            territory: body.territory,
            filed_on: day(body.filed_on),
            next_renewal_on: day(body.next_renewal_on),
            last_expiry_on: day(body.last_expiry_on),
        }
    }
}

/// Add a section (supplier).
#[utoipa::path(post, path = "/v1/sections", tag = "sections", responses((status = 201, body = SectionOnDay)))]
async fn add_section(call: Call, Idempotent { key, body }: Idempotent<SectionBody>) -> HandlerResult {
    call.act(&key, async |act| {
        let added = sections::add(act, body.into()).await?;
        let location = format!("/v1/sections/{}", added.section.id);
        Ok(Reply::created(&added, location)?.version(added.section.version))
    })
    .await
}

/// Sections.
#[utoipa::path(get, path = "/v1/sections", tag = "sections",
    responses((status = 200, body = List<SectionOnDay>)))]
async fn list_sections(call: Call<Read>, list: Listing<ListQuery>) -> HandlerResult {
    let found = sections::all(&mut call.read().await?, list.portion).await?;
    Ok(list.reply(found, |item| item.section.id.0))
}

/// A section.
#[utoipa::path(get, path = "/v1/sections/{section_id}", tag = "sections",
    responses((status = 200, body = SectionOnDay)))]
async fn read_section(call: Call<Read>, Id(id): Id<SectionId>) -> HandlerResult {
    let found = sections::section(&mut call.read().await?, id).await?;
    versioned(&found, found.section.version)
}

/// Change a section, for instance after a renewal (supplier).
#[utoipa::path(put, path = "/v1/sections/{section_id}", tag = "sections",
    responses((status = 200, body = SectionOnDay)))]
async fn change_section(
    call: Call,
    Id(id): Id<SectionId>,
    IfMatch(version): IfMatch,
    Body(body): Body<SectionBody>,
) -> HandlerResult {
    call.change(async |act| {
        let changed = sections::change(act, id, version, body.into()).await?;
        Ok(Reply::ok(&changed)?.version(changed.section.version))
    })
    .await
}
