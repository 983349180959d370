//! Building sites, their plots, and the way of a plot to its buyer.

use axum::response::IntoResponse;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Call, Csv, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, file, ok, printing, response};
use crate::scopes::Read;
use application::register::csv;
use application::register::csv::ImportReport;
use application::sites::{HandOverToBuyer, OrderList, SiteProgress, Trial};
use application::{Act, App, Reply, sites};
use domain::copies::DocumentKind;
use domain::copies::signature::Signature;
use domain::ids::{LockId, OrganisationId, PersonId, PlotId, SectionId, SiteId};
use domain::keys::Key;
use domain::sites::{Plot, PlotHandOver, PlotLock, PlotStep, Site};
use domain::text::{Name, PackNumber, Premises};
use print::{Report, Table, report_pdf};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(begin_site, list_sites))
        .routes(operations!(read_site))
        .routes(operations!(add_plots))
        .routes(operations!(read_progress))
        .routes(operations!(progress_sheet))
        .routes(operations!(read_order_list))
        .routes(operations!(read_plot))
        .routes(operations!(record_plot_fitting))
        .routes(operations!(record_trial))
        .routes(operations!(hand_over_plot))
}

body! {
    /// A site to begin.
    pub struct NewSite {
        /// The key section.
        section_id: SectionId,
        /// The builder.
        builder_id: OrganisationId,
        /// Its name.
        name: Name,
        /// Where it is.
        premises: Premises,
    }

    /// A lock of a plot that was fitted with its final pack.
    pub struct NewPlotFitting {
        /// The lock.
        lock_id: LockId,
        /// The number on its lever pack.
        pack_number: PackNumber,
        /// Who fitted it.
        fitted_by: PersonId,
    }

    /// Both keys were tried in a lock.
    pub struct NewTrial {
        /// The lock.
        lock_id: LockId,
        /// Who tried them.
        tried_by: PersonId,
        /// The final key works.
        final_key_works: bool,
        /// The site key does not.
        site_key_dead: bool,
    }

    /// A plot is handed over.
    pub struct NewPlotHandOver {
        /// The owner that the plot belongs to from now on.
        buyer_id: OrganisationId,
        /// Who collects the keys and signs; the owner's authority is theirs.
        collected_by: PersonId,
        /// Which kind of identity document was seen.
        document_seen: DocumentKind,
        /// The signature, as strokes of points [x, y, milliseconds].
        signature: Signature,
    }
}

/// Begin a site (supplier): the site is registered for the builder, and its temporary differ drawn.
#[utoipa::path(post, path = "/v1/sites", tag = "sites", responses((status = 201, body = Site)))]
async fn begin_site(call: Call, Idempotent { key, body }: Idempotent<NewSite>) -> HandlerResult {
    call.act(&key, async |act| {
        let new = sites::NewSite {
            section: body.section_id,
            builder: body.builder_id,
            name: body.name,
            premises: body.premises,
        };
        let begun = sites::begin(act, new).await?;
        Reply::created(&begun, format!("/v1/sites/{}", begun.id))
    })
    .await
}

/// Sites: all for the supplier, else those of the caller's organisations.
#[utoipa::path(get, path = "/v1/sites", tag = "sites", responses((status = 200, body = List<Site>)))]
async fn list_sites(call: Call<Read>, list: Listing<ListQuery>) -> HandlerResult {
    let found = sites::all(&mut call.read().await?, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A site (builder, supplier).
#[utoipa::path(get, path = "/v1/sites/{site_id}", tag = "sites", responses((status = 200, body = Site)))]
async fn read_site(call: Call<Read>, Id(id): Id<SiteId>) -> HandlerResult {
    let found = sites::site(&mut call.read().await?, id).await?;
    ok(&found)
}

/// Add plots and their doors from CSV (supplier): all of the file, or nothing of it. The doors answer to the
/// site's key; the differs that they will have are drawn and reserved. See docs/sites.md for the columns.
#[utoipa::path(post, path = "/v1/sites/{site_id}/plots", tag = "sites",
    responses((status = 201, description = "Everything came in", body = ImportReport),
        (status = 200, description = "Nothing came in: the report says why", body = ImportReport)))]
async fn add_plots(call: Call, Id(id): Id<SiteId>, Csv { key, bytes }: Csv) -> HandlerResult {
    let import = async |act: &mut Act<'_>| sites::add_plots(act, id, &bytes).await;
    Ok(response(csv::once(&call.app, &call.caller, &key, import).await?))
}

/// How a site stands, plot by plot (builder, supplier).
#[utoipa::path(get, path = "/v1/sites/{site_id}/progress", tag = "sites",
    responses((status = 200, body = SiteProgress)))]
async fn read_progress(call: Call<Read>, Id(id): Id<SiteId>) -> HandlerResult {
    let found = sites::progress(&mut call.read().await?, id).await?;
    ok(&found)
}

/// How a site stands, as a sheet to print (builder, supplier).
#[utoipa::path(get, path = "/v1/sites/{site_id}/progress.pdf", tag = "sites",
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf")))]
async fn progress_sheet(call: Call<Read>, Id(id): Id<SiteId>) -> HandlerResult {
    let progress = sites::progress(&mut call.read().await?, id).await?;
    let report = sheet(progress, call.app.outside.clock.now().date());
    let bytes = printing(move || report_pdf(&report)).await?;
    Ok((file("application/pdf", "attachment; filename=\"progress.pdf\""), bytes).into_response())
}

fn sheet(progress: SiteProgress, today: time::Date) -> Report {
    let row = |plot: sites::PlotProgress| {
        let step = match plot.step {
            PlotStep::OnSiteKey => "on the site key",
            PlotStep::Fitted => "fitted, keys to be tried",
            PlotStep::Ready => "ready to hand over",
            PlotStep::HandedOver => "handed over",
        };
        vec![
            plot.label,
            plot.locks.to_string(),
            plot.on_site_key.to_string(),
            plot.fitted.to_string(),
            plot.tried.to_string(),
            step.to_owned(),
            plot.handed_over_at.map(|at| at.date().to_string()).unwrap_or_default(),
        ]
    };
    let name = &progress.site.name;
    Report {
        title: "Progress of a site",
        foot: format!("{name}, {today}"),
        about: vec![
            ("Site", name.clone()),
            ("Day", today.to_string()),
            ("Plots handed over", format!("{} of {}", progress.handed_over, progress.plots)),
            ("Locks on the site key", format!("{} of {}", progress.on_site_key, progress.locks)),
            ("Fitted", format!("{} of {}", progress.fitted, progress.locks)),
            ("Both keys tried", format!("{} of {}", progress.tried, progress.locks)),
        ],
        tables: vec![Table {
            heading: "Plots".to_owned(),
            columns: vec![
                ("Plot", 4.0),
                ("Locks", 1.2),
                ("On site key", 1.6),
                ("Fitted", 1.2),
                ("Tried", 1.2),
                ("Stands", 4.0),
                ("Handed over on", 2.4),
            ],
            rows: progress.each.into_iter().map(row).collect(),
            empty: "No plot was added yet.",
        }],
        notes: vec![
            "A plot is handed over when the final key was tried in every lock and the site key was shown to \
             be dead in each (common practice)."
                .to_owned(),
        ],
    }
}

/// What to order for a site: packs, keys, parts (builder, supplier).
#[utoipa::path(get, path = "/v1/sites/{site_id}/order-list", tag = "sites",
    responses((status = 200, body = OrderList)))]
async fn read_order_list(call: Call<Read>, Id(id): Id<SiteId>) -> HandlerResult {
    let found = sites::order_list(&mut call.read().await?, id).await?;
    ok(&found)
}

/// A plot and its locks.
#[derive(Serialize, ToSchema)]
struct PlotView {
    #[serde(flatten)]
    plot: Plot,
    /// Its locks.
    locks: Vec<PlotLock>,
}

/// A plot, lock by lock (builder until its hand-over, buyer afterwards, supplier).
#[utoipa::path(get, path = "/v1/plots/{plot_id}", tag = "sites", responses((status = 200, body = PlotView)))]
async fn read_plot(call: Call<Read>, Id(id): Id<PlotId>) -> HandlerResult {
    let (plot, locks) = sites::plot(&mut call.read().await?, id).await?;
    ok(&PlotView { plot, locks })
}

/// What a fitting led to.
#[derive(Serialize, ToSchema)]
struct PlotFittingView {
    /// The keys that came with the pack, in store until the hand-over.
    keys: Vec<Key>,
    /// No lock of the site answers to its key any more: every site key is dead.
    site_key_dead: bool,
}

/// Record that a lock was fitted with its final pack (builder, supplier): from now on it answers to its own
/// differ and not to the site's.
#[utoipa::path(post, path = "/v1/plots/{plot_id}/fittings", tag = "sites",
    responses((status = 200, body = PlotFittingView)))]
async fn record_plot_fitting(
    call: Call,
    Id(id): Id<PlotId>,
    Idempotent { key, body }: Idempotent<NewPlotFitting>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let (keys, site_key_dead) =
            sites::fit(act, id, body.lock_id, body.pack_number, body.fitted_by).await?;
        Reply::ok(&PlotFittingView { keys, site_key_dead })
    })
    .await
}

/// Record that both keys were tried in a lock (builder, supplier). What failed is on record, too, and the
/// lock is not ready.
#[utoipa::path(post, path = "/v1/plots/{plot_id}/trials", tag = "sites",
    responses((status = 200, body = PlotLock)))]
async fn record_trial(
    call: Call,
    Id(id): Id<PlotId>,
    Idempotent { key, body }: Idempotent<NewTrial>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let trial = Trial {
            lock: body.lock_id,
            by: body.tried_by,
            final_key_works: body.final_key_works,
            site_key_dead: body.site_key_dead,
        };
        let tried = sites::record_trial(act, id, trial).await?;
        Reply::ok(&tried)
    })
    .await
}

/// What a hand-over led to.
#[derive(Serialize, ToSchema)]
struct PlotHandOverView {
    #[serde(flatten)]
    hand_over: PlotHandOver,
    /// The keys that the buyer has now.
    keys: Vec<Key>,
}

/// Hand a plot over to its buyer (builder, supplier). Refused while a lock is on the site key or was not
/// tried. Keys, registration and the owner's authority are the buyer's, and the builder's rights on the plot
/// end, at one instant.
#[utoipa::path(post, path = "/v1/plots/{plot_id}/hand-over", tag = "sites",
    responses((status = 201, body = PlotHandOverView)))]
async fn hand_over_plot(
    call: Call,
    Id(id): Id<PlotId>,
    Idempotent { key, body }: Idempotent<NewPlotHandOver>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let new = HandOverToBuyer {
            buyer: body.buyer_id,
            collected_by: body.collected_by,
            document: body.document_seen,
            signature: body.signature,
        };
        let (hand_over, keys) = sites::hand_over(act, id, new).await?;
        Reply::created(&PlotHandOverView { hand_over, keys }, format!("/v1/plots/{id}"))
    })
    .await
}
