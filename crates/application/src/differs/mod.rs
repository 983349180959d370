//! The differs of a section: its geometry, which combinations are taken, and drawing one that is free.
//!
//! A combination is given out while the section's space is taken ([`differs::space_for_update`]), drawn
//! at random among those that are not taken and far enough from every other on the site. Its number
//! is drawn as well, so that nothing of the heights follows from it.

pub mod answers;
pub mod geometry;
pub mod keying;

use std::sync::Arc;

use secrecy::ExposeSecret;

use crate::differs::geometry::{left_of, space_of};
use crate::secrets::Context;
use crate::{Act, ActError, Read, access, secrets};
use domain::differs::bitting::Bitting;
use domain::differs::geometry::Separation;
use domain::differs::space::Space;
use domain::differs::{Differ, DifferState, Level};
use domain::ids::{DifferId, RegistrationId, SectionId};
use domain::numbers::differ_number;
use domain::register::registrations::Registration;
use domain::text::DifferNumber;
use storage::register::registrations;
use storage::{Portion, differs, secrets as sealed, sites};

/// Adds a differ by its number.
pub async fn add(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    number: DifferNumber,
    level: Level,
) -> Result<Differ, ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
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
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Differ>, ActError> {
    read.registration(registration).await?;
    Ok(differs::of_registration(&mut read.db, registration, portion).await?)
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
    let (registration, access) = act.registration_for_update(registration_id).await?;
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
    taken: u32,
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
    let (registration, _) = act.registration_for_update(found.registration_id).await?;
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
    let (registration, _) = act.registration_for_update(found.registration_id).await?;
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
