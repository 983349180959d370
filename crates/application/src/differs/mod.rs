//! The differs of a section: its geometry, which combinations are taken, and drawing one that is free.
//!
//! A combination is given out while the section's space is taken ([`differs::space_for_update`]), drawn
//! at random among those that are not taken and far enough from every other on the site. Its number
//! is drawn as well, so that nothing of the heights follows from it.

pub mod answers;
pub mod keying;

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use secrecy::ExposeSecret;
use serde_json::Value;
use time::{Date, Duration};

use crate::caller::Caller;
use crate::secrets::Context;
use crate::{Act, ActError, App, FieldProblem, access, secrets};
use domain::differs::bitting::Bitting;
use domain::differs::geometry::{Geometry, Separation};
use domain::differs::space::{RuleCost, Space, TooLarge, rule_costs};
use domain::differs::standards::{Shortfall, shortfalls};
use domain::differs::{Differ, DifferState, Level};
use domain::ids::{DifferId, RegistrationId, SectionId};
use domain::numbers::differ_number;
use domain::register::registrations::Registration;
use domain::text::DifferNumber;
use storage::register::{registrations, sections};
use storage::{Portion, StorageError, differs, secrets as sealed, sites};

/// The differs of the sections, as this process counted them; counted again when a geometry changed.
#[derive(Default)]
pub struct Spaces(Mutex<HashMap<SectionId, (Value, Arc<Space>)>>);

impl From<TooLarge> for ActError {
    fn from(error: TooLarge) -> Self {
        Self::invalid("", error.to_string())
    }
}

/// How many differs a geometry has.
pub struct CountedSpace {
    /// How many differs there are.
    pub count: u128,
    /// What each rule costs.
    pub rules: Vec<RuleCost>,
    /// Where it falls short of the standards that it is sold to.
    pub shortfalls: Vec<Shortfall>,
}

/// Counts a geometry, away from those who answer calls: it takes up to a second.
async fn counted(geometry: &Geometry, within: &str) -> Result<CountedSpace, ActError> {
    let problems: Vec<FieldProblem> = geometry
        .problems()
        .into_iter()
        .map(|found| FieldProblem::new(format!("{within}{}", found.pointer), found.problem))
        .collect();
    if !problems.is_empty() {
        return Err(ActError::Invalid(problems));
    }
    let geometry = geometry.clone();
    let work = move || -> Result<CountedSpace, TooLarge> {
        let rules = rule_costs(&geometry)?;
        let count = rules.last().map_or(0, |cost| cost.left);
        Ok(CountedSpace { count, rules, shortfalls: shortfalls(&geometry, count) })
    };
    let done = tokio::task::spawn_blocking(work).await.map_err(|error| internal(&error))?;
    done.map_err(|error| ActError::invalid(within, error.to_string()))
}

fn internal(error: &impl ToString) -> ActError {
    ActError::Internal(error.to_string())
}

/// Counts a geometry that is only tried out.
pub async fn explore(caller: &Caller, geometry: &Geometry) -> Result<CountedSpace, ActError> {
    caller.require_supplier()?;
    counted(geometry, "/geometry").await
}

/// The geometry of a section, and how much of it is used.
pub struct Usage {
    /// The geometry.
    pub geometry: Geometry,
    /// The section's version.
    pub version: i32,
    /// How many differs it has.
    pub counted: CountedSpace,
    /// Combinations that are taken.
    pub taken: i64,
    /// How many are left.
    pub left: u128,
    /// The share that is taken.
    pub taken_per_mille: u16,
    /// Differs on record without bitting: which combinations they are nobody knows here.
    pub without_bitting: i64,
    /// Differs drawn in the last 365 days.
    pub drawn_in_a_year: i64,
    /// The day on which none is left, at that rate; none within a hundred years, when absent.
    pub runs_dry_on: Option<Date>,
}

fn parsed(stored: Value) -> Result<Geometry, ActError> {
    let corrupt =
        |error: serde_json::Error| StorageError::Corrupt { table: "sections", problem: error.to_string() };
    Ok(serde_json::from_value(stored).map_err(corrupt)?)
}

/// How much of a section is used (supplier).
pub async fn usage(app: &App, caller: &Caller, section: SectionId) -> Result<Usage, ActError> {
    caller.require_supplier()?;
    let mut db = app.pool.acquire().await?;
    let (stored, version) = differs::geometry(&mut db, section).await?.ok_or(ActError::NotFound)?;
    let geometry = parsed(stored.ok_or(ActError::NotFound)?)?;
    let today = app.outside.clock.now();
    let taken = differs::taken(&mut db, section).await?;
    let on_record = differs::on_record(&mut db, section).await?;
    let drawn_in_a_year = differs::allotted_since(&mut db, section, today - Duration::days(365)).await?;
    drop(db);
    let counted = counted(&geometry, "").await?;
    let left = left_of(counted.count, taken);
    let runs_dry_on = runs_dry(today.date(), left, drawn_in_a_year);
    let without_bitting = (on_record - taken).max(0);
    let taken_per_mille = per_mille(taken, counted.count);
    Ok(Usage {
        geometry,
        version,
        counted,
        taken,
        left,
        taken_per_mille,
        without_bitting,
        drawn_in_a_year,
        runs_dry_on,
    })
}

/// How many are left where so many are taken.
fn left_of(count: u128, taken: i64) -> u128 {
    count.saturating_sub(u128::from(taken.unsigned_abs()))
}

/// The share that is taken.
fn per_mille(taken: i64, count: u128) -> u16 {
    let share = (u128::from(taken.unsigned_abs()) * 1000).checked_div(count);
    share.and_then(|share| u16::try_from(share).ok()).unwrap_or(1000)
}

/// The day on which none is left, if as many are drawn in each 365 days as in the last.
fn runs_dry(today: Date, left: u128, drawn_in_a_year: i64) -> Option<Date> {
    let a_year = u128::try_from(drawn_in_a_year).ok().filter(|drawn| *drawn > 0)?;
    let days = i64::try_from(left.checked_mul(365)? / a_year).ok().filter(|days| *days <= 36_500)?;
    today.checked_add(Duration::days(days))
}

/// Sets the geometry of a section that is still at `version`. How many positions there are stays as it
/// is once a combination is taken: keys of another length are keys of another section.
pub async fn set_geometry(
    act: &mut Act<'_>,
    section: SectionId,
    version: i32,
    geometry: &Geometry,
) -> Result<(), ActError> {
    act.caller.require_supplier()?;
    let counted = counted(geometry, "/geometry").await?;
    if counted.count == 0 {
        return Err(ActError::invalid("/geometry", "leaves no differ at all"));
    }
    let before = sections::section_for_update(act.db(), section).await?.ok_or(ActError::NotFound)?;
    if before.version != version {
        return Err(ActError::Stale);
    }
    let taken = differs::space_for_update(act.db(), section).await?;
    let old = differs::geometry(act.db(), section).await?.and_then(|(stored, _)| stored);
    if let Some(old) = old.filter(|_| taken > 0)
        && parsed(old)?.positions != geometry.positions
    {
        return Err(ActError::invalid("/geometry/positions", "stays as it is once differs were given out"));
    }
    let now = act.now;
    let value = serde_json::to_value(geometry).map_err(|error| internal(&error))?;
    differs::set_geometry(act.db(), section, &value, version + 1, now).await?;
    act.enter_change("section.geometry_set", None, section.0, vec![]).await
}

/// The geometry of a section and its space, where it has one.
async fn space_of(act: &mut Act<'_>, section: SectionId) -> Result<Option<(Geometry, Arc<Space>)>, ActError> {
    let Some((Some(stored), _)) = differs::geometry(act.db(), section).await? else { return Ok(None) };
    let geometry = parsed(stored.clone())?;
    let spaces = &act.app().spaces.0;
    let known = spaces.lock().unwrap_or_else(PoisonError::into_inner).get(&section).cloned();
    if let Some((_, space)) = known.filter(|(of, _)| *of == stored) {
        return Ok(Some((geometry, space)));
    }
    let of = geometry.clone();
    let counting = tokio::task::spawn_blocking(move || Space::of(&of));
    let space = Arc::new(counting.await.map_err(|error| internal(&error))??);
    let kept = (stored, space.clone());
    spaces.lock().unwrap_or_else(PoisonError::into_inner).insert(section, kept);
    Ok(Some((geometry, space)))
}

/// The heights of every differ on a site, and of other registrations from which to keep apart.
async fn neighbours(
    act: &mut Act<'_>,
    registration: &Registration,
    apart_from: &[RegistrationId],
    but_for: Option<DifferId>,
) -> Result<Vec<Vec<u8>>, ActError> {
    let mut registrations = sites::site_of(act.db(), registration.id).await?;
    registrations.extend(apart_from.iter().map(|id| id.0));
    let found = differs::bittings_of(act.db(), &registrations, registration.section_id).await?;
    let app = act.app();
    let mut heights = Vec::new();
    for (differ, bitting) in found.into_iter().filter(|(differ, _)| Some(*differ) != but_for) {
        let plain = secrets::open(app, act.db(), Context::Bitting(differ), &bitting).await?;
        heights.push(plain.expose_secret().to_vec());
    }
    Ok(heights)
}

/// Differs to draw.
pub struct Allotment {
    /// What they open.
    pub level: Level,
    /// How many differs are wanted.
    pub count: u16,
    /// For a site: nobody orders keys of them yet.
    pub reserve: bool,
    /// Other registrations from whose differs to keep apart.
    pub apart_from: Vec<RegistrationId>,
}

/// The most differs of one allotment over HTTP.
pub const MOST_AT_ONCE: u16 = 200;

/// Draws differs for a registration. Says how many of the section are left.
pub async fn allot(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    allotment: Allotment,
) -> Result<(Vec<Differ>, u128), ActError> {
    let (registration, access) = access::registration_for_update(act, registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    if !(1..=MOST_AT_ONCE).contains(&allotment.count) {
        return Err(ActError::invalid("/count", format!("must be from 1 to {MOST_AT_ONCE}")));
    }
    for (at, id) in allotment.apart_from.iter().enumerate() {
        if registrations::registration(act.db(), *id).await?.is_none() {
            return Err(ActError::invalid(&format!("/apart_from/{at}"), "is not known"));
        }
    }
    let mut drawing = DifferDraw::begin(act, &registration, &allotment.apart_from).await?;
    let mut made = Vec::new();
    for _ in 0..allotment.count {
        made.push(drawing.draw(act, &registration, allotment.level, allotment.reserve).await?);
    }
    Ok((made, drawing.left()))
}

/// Drawing differs in one section, one after the other, for registrations of one site.
pub struct DifferDraw {
    section: SectionId,
    space: Arc<Space>,
    separation: Separation,
    site: Vec<Vec<u8>>,
    taken: i64,
}

/// How many candidates are drawn at first; then twice as many each time.
const FIRST_BATCH: usize = 32;
/// The most at a time.
const LARGEST_BATCH: usize = 4096;
/// How often is drawn. With one in a thousand free, all of it fails once in 10^10.
const ROUNDS: usize = 13;
/// How many are looked at one after the other, where drawing found none.
const MOST_WALKED: u128 = 1 << 18;

impl DifferDraw {
    /// Takes the space of the section for update, and reads what stands on the site.
    pub async fn begin(
        act: &mut Act<'_>,
        registration: &Registration,
        apart_from: &[RegistrationId],
    ) -> Result<Self, ActError> {
        let section = registration.section_id;
        let taken = differs::space_for_update(act.db(), section).await?;
        let no_geometry = "the section has no geometry: state its positions, heights and rules first";
        let (geometry, space) = space_of(act, section).await?.ok_or(ActError::Conflict(no_geometry))?;
        let site = neighbours(act, registration, apart_from, None).await?;
        Ok(Self { section, space, separation: geometry.separation, site, taken })
    }

    /// How many of the section are left.
    #[must_use]
    pub fn left(&self) -> u128 {
        left_of(self.space.count(), self.taken)
    }

    /// Draws one for a registration of the site.
    pub async fn draw(
        &mut self,
        act: &mut Act<'_>,
        registration: &Registration,
        level: Level,
        reserve: bool,
    ) -> Result<Differ, ActError> {
        let heights = self.free(act).await?;
        let state = if reserve { DifferState::Reserved } else { DifferState::GivenOut };
        let number = self.free_number(act).await?;
        let differ = Differ { id: act.id(), registration_id: registration.id, number, level, state };
        let (app, now) = (act.app(), act.now);
        differs::add(act.db(), self.section, &differ, true, now).await?;
        let bitting = secrets::seal_bitting(app, act.db(), differ.id, self.section, &heights).await?;
        keep(act, &bitting).await?;
        act.enter_change("differ.allotted", Some(registration.id), differ.id.0, vec![]).await?;
        self.taken += 1;
        self.site.push(heights);
        Ok(differ)
    }

    async fn free_number(&self, act: &mut Act<'_>) -> Result<String, ActError> {
        for _ in 0..100 {
            let number = differ_number(u64::from_be_bytes(act.outside().bytes()));
            if !differs::is_number_taken(act.db(), self.section, &number).await? {
                return Ok(number);
            }
        }
        Err(ActError::Internal("no differ number is free".to_owned()))
    }

    /// Heights that are free and far enough from the site's: each of them as likely as any other.
    async fn free(&self, act: &mut Act<'_>) -> Result<Vec<u8>, ActError> {
        let outside = act.outside();
        let mut size = FIRST_BATCH;
        for _ in 0..ROUNDS {
            let drawn = (0..size).filter_map(|_| self.space.draw_rank(|| outside.bytes()));
            if let Some(found) = self.first_free(act, drawn.collect()).await? {
                return Ok(found);
            }
            size = (size * 2).min(LARGEST_BATCH);
        }
        // Nearly all are taken, or nearly all are too near: look at one after the other from somewhere.
        let count = self.space.count();
        let start = self.space.draw_rank(|| outside.bytes()).unwrap_or(0);
        let mut walked = 0;
        while walked < count.min(MOST_WALKED) {
            let batch = (count - walked).min(LARGEST_BATCH as u128);
            let ranks = (walked..walked + batch).map(|step| (start + step) % count).collect();
            if let Some(found) = self.first_free(act, ranks).await? {
                return Ok(found);
            }
            walked += batch;
        }
        Err(ActError::Conflict("no differ was found that is free and far enough from the others on the site"))
    }

    async fn first_free(&self, act: &mut Act<'_>, ranks: Vec<u128>) -> Result<Option<Vec<u8>>, ActError> {
        let far = |heights: &Vec<u8>| self.site.iter().all(|other| self.separation.holds(heights, other));
        let candidates: Vec<Vec<u8>> =
            ranks.into_iter().filter_map(|rank| self.space.unrank(rank)).filter(far).collect();
        let app = act.app();
        let taken = secrets::which_are_taken(app, act.db(), self.section, &candidates).await?;
        Ok(candidates.into_iter().zip(taken).find(|(_, taken)| !taken).map(|(heights, _)| heights))
    }
}

/// Keeps sealed bitting and counts it.
async fn keep(act: &mut Act<'_>, bitting: &sealed::SealedBitting) -> Result<(), ActError> {
    if !sealed::add_bitting(act.db(), bitting).await? {
        return Err(ActError::Conflict("the bitting of this differ is on record already"));
    }
    Ok(differs::add_taken(act.db(), bitting.section, 1).await?)
}

/// Records the bitting of a differ that comes from elsewhere, once: another combination is another differ.
pub async fn record_bitting(act: &mut Act<'_>, differ: DifferId, bitting: &Bitting) -> Result<(), ActError> {
    act.caller.require_supplier()?;
    let found = differs::differ(act.db(), differ).await?.ok_or(ActError::NotFound)?;
    let (registration, _) = access::registration_for_update(act, found.registration_id).await?;
    let (section, heights) = (registration.section_id, bitting.heights());
    differs::space_for_update(act.db(), section).await?;
    let app = act.app();
    let sealed = secrets::seal_bitting(app, act.db(), differ, section, heights).await?;
    if found.state == DifferState::Released {
        return Err(ActError::Conflict("this differ is released: another one is needed"));
    }
    if sealed::bitting(act.db(), differ).await?.is_some() {
        return Err(ActError::Conflict("the bitting of this differ is on record already"));
    }
    let mut separation = Separation::default();
    if let Some((geometry, space)) = space_of(act, section).await? {
        if !space.contains(heights) {
            return Err(ActError::invalid("/heights", "is no differ of this section's geometry"));
        }
        separation = geometry.separation;
    }
    if secrets::which_are_taken(app, act.db(), section, &[heights.to_vec()]).await? == [true] {
        return Err(ActError::Conflict("another differ of this section has this combination"));
    }
    let site = neighbours(act, &registration, &[], Some(differ)).await?;
    if !site.iter().all(|other| separation.holds(heights, other)) {
        return Err(ActError::Conflict("it is too near to another differ on the same site"));
    }
    keep(act, &sealed).await?;
    act.enter_change("differ.bitting_recorded", Some(registration.id), differ.0, vec![]).await
}

/// Gives out a differ that was reserved, or releases one that was never cut: its combination is free
/// again, its number is not.
pub async fn settle(act: &mut Act<'_>, id: DifferId, state: DifferState) -> Result<Differ, ActError> {
    act.caller.require_supplier()?;
    let found = differs::differ(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, _) = access::registration_for_update(act, found.registration_id).await?;
    if matches!(state, DifferState::Reserved | DifferState::Dead) {
        return Err(ActError::invalid("/state", "must be given_out or released"));
    }
    move_on(act, &registration, id, state).await
}

/// Moves a differ on, on a registration that is taken for update, for whoever was seen to be allowed to.
pub(crate) async fn move_on(
    act: &mut Act<'_>,
    registration: &Registration,
    id: DifferId,
    state: DifferState,
) -> Result<Differ, ActError> {
    let before = differs::differ(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let wrong =
        |detail: &str| ActError::WrongState { state: before.state.as_str(), detail: detail.to_owned() };
    let now = act.now;
    let what = match (before.state, state) {
        (DifferState::Reserved, DifferState::GivenOut) => "differ.given_out",
        (DifferState::Reserved | DifferState::GivenOut, DifferState::Released) => {
            if differs::was_used(act.db(), id).await? {
                return Err(wrong(
                    "locks, lever packs, keys or requests name this differ: it cannot be released",
                ));
            }
            differs::space_for_update(act.db(), registration.section_id).await?;
            if differs::delete_bitting(act.db(), id).await? {
                differs::add_taken(act.db(), registration.section_id, -1).await?;
            }
            "differ.released"
        }
        _ => return Err(wrong("this does not follow on the state in which the differ is")),
    };
    differs::set_state(act.db(), id, state, now).await?;
    act.enter_change(what, Some(registration.id), id.0, vec![]).await?;
    Ok(Differ { state, ..before })
}

/// Adds a differ by its number.
pub async fn add(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    number: DifferNumber,
    level: Level,
) -> Result<Differ, ActError> {
    let (registration, access) = access::registration_for_update(act, registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    let differ =
        Differ { id: act.id(), registration_id, number: number.into(), level, state: DifferState::GivenOut };
    let now = act.now;
    if let Err(error) = differs::add(act.db(), registration.section_id, &differ, false, now).await {
        return Err(match error.violated() {
            Some("differs_number_once") => {
                ActError::Conflict("this differ number is given out in this section already")
            }
            _ => error.into(),
        });
    }
    act.enter_change("differ.added", Some(registration_id), differ.id.0, vec![]).await?;
    Ok(differ)
}

/// The differs of a registration.
pub async fn all(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Differ>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    access::visible(&mut db, caller, registration, today).await?;
    Ok(differs::of_registration(&mut db, registration, portion).await?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use time::macros::date;

    #[test]
    fn a_section_runs_dry_at_the_rate_of_the_last_year() {
        let today = date!(2026 - 11 - 02);
        assert_eq!(runs_dry(today, 1000, 365), Some(date!(2029 - 07 - 29)));
        assert_eq!(runs_dry(today, 0, 365), Some(today));
        assert_eq!(runs_dry(today, 1000, 0), None);
        assert_eq!(runs_dry(today, u128::MAX, 1), None);
    }
}
