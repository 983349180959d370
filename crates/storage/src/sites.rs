//! Building sites, plots, and the doors of plots.

use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::count::{Count, stored};
use crate::{Portion, Result, wrote};
use domain::ids::{
    ActorId, DifferId, LeverPackId, LockId, PersonId, PlotHandOverId, PlotId, RegistrationId, SiteId,
};
use domain::sites::{Plot, PlotHandOver, PlotLock, Site};

macro_rules! select_sites {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Site,
            "SELECT id, registration_id, builder_id, name, temporary_differ_id, created_at
             FROM sites " + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_plots {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Plot,
            "SELECT id, site_id, site_registration_id, label, registration_id, handed_over_at
             FROM plots " + $rest
            $(, $argument)*
        )
    };
}

/// The registrations on the same site: of a plot or a site, the site's and those of all its plots; else
/// this one alone.
pub async fn site_of(db: &mut PgConnection, registration: RegistrationId) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        r#"WITH site AS (
               SELECT coalesce((SELECT site_registration_id FROM plots WHERE registration_id = $1), $1) AS id)
           SELECT id AS "id!" FROM site
           UNION SELECT registration_id FROM plots WHERE site_registration_id = (SELECT id FROM site)"#,
        registration.0
    )
    .fetch_all(db)
    .await?)
}

/// The registrations of the plots of a site that are not handed over; none, where it is no site.
pub async fn plots_in_hand(db: &mut PgConnection, site: RegistrationId) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT registration_id AS "id: Uuid" FROM plots
           WHERE site_registration_id = $1 AND handed_over_at IS NULL"#,
        site.0
    )
    .fetch_all(db)
    .await?)
}

/// The registration of the site whose plot a registration is.
pub async fn site_of_plot(
    db: &mut PgConnection,
    registration: RegistrationId,
) -> Result<Option<RegistrationId>> {
    Ok(sqlx::query_scalar!(
        "SELECT site_registration_id AS id FROM plots WHERE registration_id = $1",
        registration.0
    )
    .fetch_optional(db)
    .await?)
}

/// Adds a site.
pub async fn add_site(db: &mut PgConnection, site: &Site) -> Result<()> {
    sqlx::query!(
        "INSERT INTO sites
             (id, registration_id, builder_id, name, temporary_differ_id, created_at, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $6)",
        site.id.0,
        site.registration_id.0,
        site.builder_id.0,
        site.name,
        site.temporary_differ_id.0,
        site.created_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A site.
pub async fn site(db: &mut PgConnection, id: SiteId) -> Result<Option<Site>> {
    Ok(select_sites!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Sites: all, or those of some organisations.
pub async fn all(db: &mut PgConnection, builders: Option<&[Uuid]>, portion: Portion) -> Result<Vec<Site>> {
    Ok(select_sites!(
        "WHERE ($1::uuid[] IS NULL OR builder_id = ANY ($1)) AND id > $2 ORDER BY id LIMIT $3",
        builders,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Adds a plot, after those that the site has.
pub async fn add_plot(db: &mut PgConnection, plot: &Plot, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO plots (id, site_id, site_registration_id, sequence, label, registration_id, changed_at)
         SELECT $1, $2, $3, 1 + count(*), $4, $5, $6 FROM plots WHERE site_id = $2",
        plot.id.0,
        plot.site_id.0,
        plot.site_registration_id.0,
        plot.label,
        plot.registration_id.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A plot.
pub async fn plot(db: &mut PgConnection, id: PlotId) -> Result<Option<Plot>> {
    Ok(select_plots!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Adds a lock to a plot, after those that it has.
pub async fn add_lock(
    db: &mut PgConnection,
    id: Uuid,
    plot: &Plot,
    lock: &PlotLock,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO plot_locks (id, plot_id, registration_id, lock_id, sequence, final_differ_id, changed_at)
         SELECT $1, $2, $3, $4, 1 + count(*), $5, $6 FROM plot_locks WHERE plot_id = $2",
        id,
        plot.id.0,
        plot.registration_id.0,
        lock.lock_id.0,
        lock.final_differ_id.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The locks of a plot.
pub async fn locks(db: &mut PgConnection, plot: PlotId) -> Result<Vec<PlotLock>> {
    Ok(sqlx::query_as!(
        PlotLock,
        r#"SELECT lock_id, label, final_differ_id,
                  EXISTS (SELECT 1 FROM answers WHERE answers.lock_id = plot_locks.lock_id AND until IS NULL
                          AND site_registration_id IS NOT NULL) AS "on_site_key!",
                  fitted_at, fitted_by, final_key_works_at, site_key_dead_at,
                  tried_by
           FROM plot_locks JOIN locks ON locks.id = lock_id WHERE plot_id = $1 ORDER BY sequence"#,
        plot.0
    )
    .fetch_all(db)
    .await?)
}

/// Writes that the final pack of a lock was fitted.
pub async fn fit(
    db: &mut PgConnection,
    lock: LockId,
    by: PersonId,
    pack: LeverPackId,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE plot_locks SET fitted_at = $2, fitted_by = $3, lever_pack_id = $4, changed_at = $2
         WHERE lock_id = $1 AND fitted_at IS NULL",
        lock.0,
        now,
        by.0,
        pack.0
    )
    .execute(db)
    .await?;
    wrote("plot_locks", 1, &done)
}

/// Writes that a lock has to be tried again.
pub async fn untried(db: &mut PgConnection, lock: LockId, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "UPDATE plot_locks SET final_key_works_at = NULL, site_key_dead_at = NULL, tried_by = NULL, changed_at = $2
         WHERE lock_id = $1",
        lock.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Writes that a lock of a plot was rekeyed before the hand-over: it has another final differ, and both keys
/// are to be tried again.
pub async fn rekeyed(
    db: &mut PgConnection,
    lock: LockId,
    old: DifferId,
    new: DifferId,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "UPDATE plot_locks SET final_differ_id = $3, final_key_works_at = NULL, site_key_dead_at = NULL,
             tried_by = NULL, changed_at = $4
         WHERE lock_id = $1 AND final_differ_id = $2",
        lock.0,
        old.0,
        new.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Locks of a plot that answer to another differ than their final one or the site's, by their labels.
pub async fn answering_otherwise(db: &mut PgConnection, plot: PlotId) -> Result<Vec<String>> {
    Ok(sqlx::query_scalar!(
        "SELECT DISTINCT label FROM plot_locks JOIN locks ON locks.id = lock_id
         JOIN answers ON answers.lock_id = locks.id AND until IS NULL
         WHERE plot_id = $1 AND answers.site_registration_id IS NULL AND differ_id <> final_differ_id
         ORDER BY label",
        plot.0
    )
    .fetch_all(db)
    .await?)
}

/// Writes that the final key works in a lock and the site key does not.
pub async fn tried(db: &mut PgConnection, lock: LockId, by: PersonId, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE plot_locks SET final_key_works_at = $2, site_key_dead_at = $2, tried_by = $3, changed_at = $2
         WHERE lock_id = $1 AND fitted_at IS NOT NULL",
        lock.0,
        now,
        by.0
    )
    .execute(db)
    .await?;
    wrote("plot_locks", 1, &done)
}

/// A plot's hand-over, and that it is handed over.
pub async fn hand_over(db: &mut PgConnection, hand_over: &PlotHandOver, by: ActorId) -> Result<()> {
    sqlx::query!(
        "INSERT INTO plot_hand_overs
             (id, plot_id, builder_id, buyer_id, collected_by, document_seen, keys_handed, made_by, made_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        hand_over.id.0,
        hand_over.plot_id.0,
        hand_over.builder_id.0,
        hand_over.buyer_id.0,
        hand_over.collected_by.0,
        hand_over.document_seen.as_str(),
        stored(hand_over.keys_handed)?,
        by.0,
        hand_over.made_at
    )
    .execute(&mut *db)
    .await?;
    let done = sqlx::query!(
        "UPDATE plots SET handed_over_at = $2, changed_at = $2 WHERE id = $1 AND handed_over_at IS NULL",
        hand_over.plot_id.0,
        hand_over.made_at
    )
    .execute(db)
    .await?;
    wrote("plots", 1, &done)
}

/// Keeps the signature of a plot's hand-over.
pub async fn add_signature(
    db: &mut PgConnection,
    hand_over: PlotHandOverId,
    strokes: &str,
    hash: &str,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO signatures (plot_hand_over_id, strokes, hash) VALUES ($1, $2, $3)",
        hand_over.0,
        strokes,
        hash
    )
    .execute(db)
    .await?;
    Ok(())
}

/// How a plot stands.
pub struct PlotCount {
    /// The plot.
    pub plot: PlotId,
    /// Its number on the plan.
    pub label: String,
    /// Its registration.
    pub registration: RegistrationId,
    /// Its locks.
    pub locks: u32,
    /// The number of them that are on the site key.
    pub on_site_key: u32,
    /// Of them, fitted with their final packs.
    pub fitted: u32,
    /// Of them, tried with both keys.
    pub tried: u32,
    /// Its own differs.
    pub differs: u32,
    /// When it was handed over.
    pub handed_over_at: Option<OffsetDateTime>,
}

/// How every plot of a site stands.
pub async fn counts(db: &mut PgConnection, site: SiteId) -> Result<Vec<PlotCount>> {
    Ok(sqlx::query_as!(
        PlotCount,
        r#"SELECT plots.id AS plot, label, plots.registration_id AS registration, handed_over_at,
                  count(plot_locks.id) AS "locks!: Count",
                  count(*) FILTER (WHERE EXISTS (SELECT 1 FROM answers WHERE answers.lock_id = plot_locks.lock_id
                      AND until IS NULL AND answers.site_registration_id IS NOT NULL)) AS "on_site_key!: Count",
                  count(fitted_at) AS "fitted!: Count", count(site_key_dead_at) AS "tried!: Count",
                  count(DISTINCT final_differ_id) AS "differs!: Count"
           FROM plots LEFT JOIN plot_locks ON plot_id = plots.id
           WHERE site_id = $1 GROUP BY plots.id ORDER BY plots.sequence"#,
        site.0
    )
    .fetch_all(db)
    .await?)
}
