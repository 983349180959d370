//! How a site stands, and what it takes.

use serde::Serialize;
use time::OffsetDateTime;
use utoipa::ToSchema;

use crate::rekeys::prices::newest_prices;
use crate::sites::visible;
use crate::{ActError, Read};
use domain::count::number_of;
use domain::ids::{PlotId, RegistrationId, SiteId};
use domain::rekeys::{Prices, ServicePart, keys_with_pack};
use domain::sites::{LockCounts, PlotStep, Site, step};
use storage::sites;

/// How a plot stands.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PlotProgress {
    /// The plot.
    pub plot_id: PlotId,
    /// Its number on the plan.
    pub label: String,
    /// Its registration.
    pub registration_id: RegistrationId,
    /// How far it has come.
    pub step: PlotStep,
    /// Its locks.
    pub locks: u32,
    /// The number of them that are on the site key.
    pub on_site_key: u32,
    /// Of them, fitted with their final packs.
    pub fitted: u32,
    /// Of them, tried with both keys.
    pub tried: u32,
    /// When it was handed over.
    #[serde(with = "time::serde::rfc3339::option")]
    pub handed_over_at: Option<OffsetDateTime>,
}

/// How a site stands.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SiteProgress {
    /// The site.
    pub site: Site,
    /// Plots.
    pub plots: u32,
    /// The number of them that were handed over.
    pub handed_over: u32,
    /// Locks.
    pub locks: u32,
    /// Of them, on the site key: the site key opens them.
    pub on_site_key: u32,
    /// Of them, fitted.
    pub fitted: u32,
    /// Of them, tried.
    pub tried: u32,
    /// Each plot.
    pub each: Vec<PlotProgress>,
}

fn plot_progress(count: sites::PlotCount) -> PlotProgress {
    let locks = LockCounts {
        locks: count.locks,
        on_site_key: count.on_site_key,
        fitted: count.fitted,
        tried: count.tried,
    };
    let step = step(locks, count.handed_over_at.is_some());
    PlotProgress {
        plot_id: count.plot,
        label: count.label,
        registration_id: count.registration,
        step,
        locks: count.locks,
        on_site_key: count.on_site_key,
        fitted: count.fitted,
        tried: count.tried,
        handed_over_at: count.handed_over_at,
    }
}

/// How a site stands.
pub async fn progress(read: &mut Read<'_>, id: SiteId) -> Result<SiteProgress, ActError> {
    let (site, _) = visible(read, id).await?;
    let each: Vec<PlotProgress> =
        sites::counts(&mut read.db, id).await?.into_iter().map(plot_progress).collect();
    let sum = |of: fn(&PlotProgress) -> u32| each.iter().map(of).sum();
    Ok(SiteProgress {
        site,
        plots: number_of(each.len()),
        handed_over: number_of(each.iter().filter(|plot| plot.step == PlotStep::HandedOver).count()),
        locks: sum(|plot| plot.locks),
        on_site_key: sum(|plot| plot.on_site_key),
        fitted: sum(|plot| plot.fitted),
        tried: sum(|plot| plot.tried),
        each,
    })
}

/// A part to order.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PartLine {
    /// What it is.
    pub name: String,
    /// How many of them.
    pub quantity: u64,
    /// What they cost, in the smallest unit of the currency.
    pub cost: u64,
}

/// What to order for a site: a pack for each lock, with its keys, and parts.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OrderList {
    /// Plots.
    pub plots: u32,
    /// Locks.
    pub locks: u32,
    /// Lever packs: one for each lock.
    pub packs: u32,
    /// Differs of their own that the plots get.
    pub differs: u32,
    /// Keys that come with the packs.
    pub keys_with_packs: u64,
    /// Service parts.
    pub parts: Vec<PartLine>,
    /// What it costs, in the smallest unit of the currency, fitting included; absent without a price list.
    pub cost: Option<u64>,
    /// ISO 4217.
    pub currency: Option<String>,
}

/// What to order for a site.
pub async fn order_list(read: &mut Read<'_>, id: SiteId) -> Result<OrderList, ActError> {
    let (_, site) = visible(read, id).await?;
    let counts = sites::counts(&mut read.db, id).await?;
    let sum = |of: fn(&sites::PlotCount) -> u32| counts.iter().map(of).sum::<u32>();
    let (locks, differs) = (sum(|plot| plot.locks), sum(|plot| plot.differs));
    let prices = newest_prices(&mut read.db, site.section_id).await?;
    let part = |part: &ServicePart| {
        let quantity = Prices::parts_for(part, locks);
        let cost = quantity * u64::from(part.price);
        PartLine { name: part.name.to_string(), quantity, cost }
    };
    let parts = prices.iter().flat_map(|prices| &prices.parts).map(part).collect();
    let cost = |prices: &Prices| {
        u64::from(locks) * (u64::from(prices.pack) + u64::from(prices.fitting)) + prices.parts_cost(locks)
    };
    Ok(OrderList {
        plots: number_of(counts.len()),
        locks,
        packs: locks,
        differs,
        keys_with_packs: u64::from(locks) * u64::from(keys_with_pack(prices.as_ref())),
        parts,
        cost: prices.as_ref().map(cost),
        currency: prices.map(|prices| prices.currency),
    })
}
