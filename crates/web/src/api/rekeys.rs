//! Price lists, and rekeys: worked out, begun, carried out lock by lock.

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::body::EmptyBody;
use crate::extract::{Body, Call, Id, Idempotent, IfMatch, Listing};
use crate::reply::{HandlerResult, List, ok, versioned};
use crate::scopes::Read;
use application::rekeys::{FittingResult, RekeyPlan, RekeyProgress, prices};
use application::{App, Reply, rekeys};
use domain::ids::{DifferId, KeyId, LockId, LossId, PersonId, RegistrationId, RekeyId, SectionId};
use domain::rekeys::{Prices, Rekey};
use domain::text::{PackNumber, Remark};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(read_prices, set_prices))
        .routes(operations!(plan_rekey))
        .routes(operations!(begin_rekey, list_rekeys))
        .routes(operations!(read_rekey))
        .routes(operations!(record_fitting))
        .routes(operations!(stop_rekey))
}

body! {
    /// A price list.
    pub struct PricesBody {
        /// The prices, in the smallest unit of the currency.
        prices: Prices,
    }

    /// Differs that are compromised.
    pub struct RekeyQuestion {
        /// The differs that are given up.
        #[schema(min_items = 1)]
        differ_ids: Vec<DifferId>,
    }

    /// A rekey to begin.
    pub struct NewRekey {
        /// The differs that are compromised.
        #[schema(min_items = 1)]
        differ_ids: Vec<DifferId>,
        /// The loss that led to it.
        loss_id: Option<LossId>,
        /// Why the locks are rekeyed.
        reason: Remark,
    }

    /// A lock that was fitted with other levers.
    pub struct NewFitting {
        /// The lock.
        lock_id: LockId,
        /// The number on its lever pack.
        pack_number: PackNumber,
        /// Who fitted it.
        fitted_by: PersonId,
        /// Old keys that were collected there.
        #[schema(max_items = 200)]
        old_key_ids: Option<Vec<KeyId>>,
    }
}

/// A price list, none of it set when its version is 0.
#[derive(Serialize, ToSchema)]
struct PricesView {
    /// Its version.
    version: i32,
    /// The prices.
    #[schema(value_type = Option<Prices>)]
    prices: Option<Value>,
}

/// The prices of a section (supplier).
#[utoipa::path(get, path = "/v1/sections/{section_id}/prices", tag = "rekeys",
    responses((status = 200, body = PricesView)))]
async fn read_prices(call: Call<Read>, Id(id): Id<SectionId>) -> HandlerResult {
    let found = prices::of_section(&mut call.read().await?, id).await?;
    let (version, prices) = found.map_or((0, None), |(version, prices)| (version, Some(prices)));
    versioned(&PricesView { version, prices }, version)
}

/// Set the prices of a section (supplier). The first list replaces version 0.
#[utoipa::path(put, path = "/v1/sections/{section_id}/prices", tag = "rekeys",
    responses((status = 200, body = PricesView)))]
async fn set_prices(
    call: Call,
    Id(id): Id<SectionId>,
    IfMatch(version): IfMatch,
    Body(body): Body<PricesBody>,
) -> HandlerResult {
    call.change(async |act| {
        let version = prices::set_prices(act, id, version, &body.prices).await?;
        let prices = serde_json::to_value(&body.prices).ok();
        Ok(Reply::ok(&PricesView { version, prices })?.version(version))
    })
    .await
}

/// What a rekey would take: locks, packs, keys, what to call in, what it costs; the cheapest that does it
/// (owner, agent, signatory, supplier). Changes nothing.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/rekey-plans", tag = "rekeys",
    responses((status = 200, body = RekeyPlan)))]
async fn plan_rekey(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    Body(body): Body<RekeyQuestion>,
) -> HandlerResult {
    let plan = rekeys::plan(&mut call.read().await?, id, &body.differ_ids).await?;
    ok(&plan)
}

/// Begin a rekey (supplier): a differ is drawn in the place of each that is compromised, and everybody who
/// has a key is told.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/rekeys", tag = "rekeys",
    responses((status = 201, body = Rekey)))]
async fn begin_rekey(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewRekey>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let new = rekeys::NewRekey { differs: body.differ_ids, loss: body.loss_id, reason: body.reason };
        let begun = rekeys::begin(act, id, new).await?;
        Reply::created(&begun, format!("/v1/rekeys/{}", begun.id))
    })
    .await
}

/// The rekeys of a registration (owner, agent, signatory, supplier).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/rekeys", tag = "rekeys",
    responses((status = 200, body = List<Rekey>)))]
async fn list_rekeys(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = rekeys::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A rekey: which locks were fitted, who still has an old key (owner, agent, signatory, supplier).
#[utoipa::path(get, path = "/v1/rekeys/{rekey_id}", tag = "rekeys",
    responses((status = 200, body = RekeyProgress)))]
async fn read_rekey(call: Call<Read>, Id(id): Id<RekeyId>) -> HandlerResult {
    let found = rekeys::rekey(&mut call.read().await?, id).await?;
    ok(&found)
}

/// Record that a lock was fitted with its new levers (owner, agent, supplier): it answers to the new differs
/// from now on.
#[utoipa::path(post, path = "/v1/rekeys/{rekey_id}/fittings", tag = "rekeys",
    responses((status = 200, body = FittingResult)))]
async fn record_fitting(
    call: Call,
    Id(id): Id<RekeyId>,
    Idempotent { key, body }: Idempotent<NewFitting>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let new = rekeys::NewFitting {
            lock: body.lock_id,
            pack: body.pack_number,
            by: body.fitted_by,
            old_keys: body.old_key_ids.unwrap_or_default(),
        };
        Reply::ok(&rekeys::fit(act, id, new).await?)
    })
    .await
}

/// Give up a rekey in which no lock was fitted yet (supplier): its new differs are released.
#[utoipa::path(post, path = "/v1/rekeys/{rekey_id}/stop", tag = "rekeys",
    responses((status = 200, body = Rekey)))]
async fn stop_rekey(
    call: Call,
    Id(id): Id<RekeyId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let stopped = rekeys::stop(act, id).await?;
        Reply::ok(&stopped)
    })
    .await
}
