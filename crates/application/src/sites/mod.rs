//! Building sites: one temporary differ for all, and a differ of its own for each plot at the end.
//!
//! The site has a registration of its own, to which the temporary differ belongs; each plot has one as
//! well, with its locks and its final differs, which are reserved until the plot is handed over. Both
//! are the builder's at first; a plot's registration is the buyer's from its hand-over on. Whatever
//! touches a plot takes the registration of the site for update first and that of the plot after it.

mod hand_over;
mod plots_csv;
mod progress;

pub use crate::sites::hand_over::{HandOverToBuyer, hand_over};
pub use crate::sites::plots_csv::{MOST_DOORS, add_plots};
pub use crate::sites::progress::{OrderList, PlotProgress, SiteProgress, order_list, progress};

use time::Date;

use crate::differs::DifferDraw;
use crate::differs::answers::change_levers;
use crate::register::registrations;
use crate::rekeys::prices::keys_with_pack;
use crate::rights::authorities;
use crate::{Act, ActError, Read, access, keys as key_acts};
use domain::differs::Level;
use domain::ids::{DifferId, LockId, OrganisationId, PersonId, PlotId, SectionId, SiteId};
use domain::keys::Key;
use domain::people::OrganisationKind;
use domain::register::registrations::Registration;
use domain::rights::authorities::{Authority, AuthorityClass};
use domain::sites::{Plot, PlotLock, Site};
use domain::text::{Name, PackNumber, Premises};
use storage::register::registrations as stored_registrations;
use storage::{Portion, people, sites};

/// A site to begin.
pub struct NewSite {
    /// The key section.
    pub section: SectionId,
    /// The builder.
    pub builder: OrganisationId,
    /// Its name.
    pub name: Name,
    /// Where it is.
    pub premises: Premises,
}

/// Begins a site (supplier): registers the site, draws its temporary differ, and gives the builder what
/// an agent has on it.
pub async fn begin(act: &mut Act<'_>, new: NewSite) -> Result<Site, ActError> {
    act.caller.require_supplier()?;
    let builder = people::organisation(act.db(), new.builder).await?;
    if builder.is_none_or(|builder| builder.kind != OrganisationKind::Builder) {
        return Err(ActError::invalid("/builder_id", "is not a builder"));
    }
    let registration = registrations::add(act, new.section, new.builder, new.premises).await?;
    let mut drawing = DifferDraw::begin(act, &registration, &[]).await?;
    let differ = drawing.draw(act, &registration, Level::Everything, false).await?;
    let site = Site {
        id: act.id(),
        registration_id: registration.id,
        builder_id: new.builder,
        name: new.name.into(),
        temporary_differ_id: differ.id,
        created_at: act.now,
    };
    sites::add_site(act.db(), &site).await?;
    act.enter_change("site.begun", Some(registration.id), site.id.0, vec![]).await?;
    give_builder(act, &registration, new.builder).await?;
    Ok(site)
}

/// What a builder has on the site and, until its hand-over, on each plot.
async fn give_builder(
    act: &mut Act<'_>,
    registration: &Registration,
    builder: OrganisationId,
) -> Result<(), ActError> {
    let authority = Authority {
        organisation_id: Some(builder),
        class: AuthorityClass::Agent,
        ..every_right(act, registration, act.today())
    };
    give(act, &authority).await
}

/// An authority over every differ that may order, approve and pass on.
fn every_right(act: &Act<'_>, registration: &Registration, first_day: Date) -> Authority {
    Authority {
        id: act.id(),
        registration_id: registration.id,
        class: AuthorityClass::Owner,
        person_id: None,
        organisation_id: None,
        post: None,
        standing: None,
        every_differ: true,
        differ_ids: vec![],
        may_order: true,
        may_approve: true,
        may_pass_on: true,
        occupier: false,
        most_per_request: None,
        most_keys: None,
        first_day,
        last_day: None,
        given_under: None,
        given_at: act.now,
        revoked_at: None,
        left_on: None,
        confirmed_by: None,
    }
}

async fn give(act: &mut Act<'_>, authority: &Authority) -> Result<(), ActError> {
    let (by, who) = (act.caller.actor(), authorities::holder_of(authority));
    authorities::give(act, authority, by, who).await
}

/// A site that the caller may see: the supplier, and whoever sees all of the site's registration.
async fn visible(read: &mut Read<'_>, id: SiteId) -> Result<(Site, Registration), ActError> {
    let site = sites::site(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = read.registration(site.registration_id).await?;
    access.require_sight(access.sees_all())?;
    Ok((site, registration))
}

/// A site.
pub async fn site(read: &mut Read<'_>, id: SiteId) -> Result<Site, ActError> {
    Ok(visible(read, id).await?.0)
}

/// Sites: all for the supplier, else those of the organisations for which the caller acts.
pub async fn all(read: &mut Read<'_>, portion: Portion) -> Result<Vec<Site>, ActError> {
    let own = read.caller.organisations();
    let builders = (!read.caller.is_supplier()).then_some(own.as_slice());
    Ok(sites::all(&mut read.db, builders, portion).await?)
}

/// A plot that the caller may see, with its locks.
pub async fn plot(read: &mut Read<'_>, id: PlotId) -> Result<(Plot, Vec<PlotLock>), ActError> {
    let plot = sites::plot(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = read.registration(plot.registration_id).await?;
    access.require_sight(access.sees_all())?;
    let locks = sites::locks(&mut read.db, id).await?;
    Ok((plot, locks))
}

/// A plot that is not handed over, taken for update with its site, for whoever governs it.
async fn plot_for_update(act: &mut Act<'_>, id: PlotId) -> Result<(Plot, Registration), ActError> {
    let found = sites::plot(act.db(), id).await?.ok_or(ActError::NotFound)?;
    act.registration(found.registration_id).await?;
    stored_registrations::registration_for_update(act.db(), found.site_registration_id).await?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    access.require_sight(access.sees_all())?;
    access.require(access.governs())?;
    access::require_active(&registration)?;
    let plot = sites::plot(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if plot.handed_over_at.is_some() {
        return Err(ActError::WrongState {
            state: "handed_over",
            detail: "this plot was handed over to its buyer".to_owned(),
        });
    }
    Ok((plot, registration))
}

async fn lock_of(act: &mut Act<'_>, plot: &Plot, lock: LockId) -> Result<PlotLock, ActError> {
    let locks = sites::locks(act.db(), plot.id).await?;
    let found = locks.into_iter().find(|own| own.lock_id == lock);
    found.ok_or_else(|| ActError::invalid("/lock_id", "is not a lock of this plot"))
}

async fn require_person(act: &mut Act<'_>, person: PersonId, pointer: &str) -> Result<(), ActError> {
    match people::present(act.db(), person).await? {
        Some(_) => Ok(()),
        None => Err(ActError::invalid(pointer, "is not known")),
    }
}

/// A lock was fitted with its final pack: it answers to its own differ and not to the site's any more.
/// Gives back the keys of the pack, in store, and whether the site key is dead everywhere now.
pub async fn fit(
    act: &mut Act<'_>,
    id: PlotId,
    lock: LockId,
    pack: PackNumber,
    by: PersonId,
) -> Result<(Vec<Key>, bool), ActError> {
    let (plot, registration) = plot_for_update(act, id).await?;
    let own = lock_of(act, &plot, lock).await?;
    require_person(act, by, "/fitted_by").await?;
    if own.fitted_at.is_some() {
        return Err(ActError::Conflict("this lock was fitted with its final pack before"));
    }
    let site = sites::site(act.db(), plot.site_id).await?.ok_or(ActError::NotFound)?;
    let count = keys_with_pack(act.db(), registration.section_id).await?;
    let (pack, keys) = key_acts::pack_with_keys(act, &registration, own.final_differ_id, pack, count).await?;
    let now = act.now;
    sites::fit(act.db(), lock, by, pack.id, now).await?;
    let fitter = vec![("fitter", serde_json::json!(by))];
    act.enter_change("lock.fitted", Some(registration.id), lock.0, fitter).await?;
    let replaced: Vec<DifferId> = if own.on_site_key { vec![site.temporary_differ_id] } else { vec![] };
    let dead = change_levers(act, registration.id, lock, &replaced, &[own.final_differ_id]).await?;
    Ok((keys, !dead.is_empty()))
}

/// What was found when both keys were tried in a lock.
pub struct Trial {
    /// The lock.
    pub lock: LockId,
    /// Who tried the keys.
    pub by: PersonId,
    /// The final key works.
    pub final_key_works: bool,
    /// The site key does not.
    pub site_key_dead: bool,
}

/// Both keys were tried in a lock. Only when the final one works and the site's does not is the lock ready;
/// what failed is on record too.
pub async fn record_trial(act: &mut Act<'_>, id: PlotId, trial: Trial) -> Result<PlotLock, ActError> {
    let (plot, registration) = plot_for_update(act, id).await?;
    let own = lock_of(act, &plot, trial.lock).await?;
    require_person(act, trial.by, "/tried_by").await?;
    if own.fitted_at.is_none() {
        return Err(ActError::Conflict("this lock has not been fitted with its final pack yet"));
    }
    let passed = trial.final_key_works && trial.site_key_dead;
    let now = act.now;
    if passed {
        sites::tried(act.db(), trial.lock, trial.by, now).await?;
    } else {
        sites::untried(act.db(), trial.lock, now).await?;
    }
    let what = if passed { "lock.trial_passed" } else { "lock.trial_failed" };
    let who = vec![("tried_by", serde_json::json!(trial.by))];
    act.enter_change(what, Some(registration.id), trial.lock.0, who).await?;
    lock_of(act, &plot, trial.lock).await
}
