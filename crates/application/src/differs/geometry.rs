//! The geometry of a section: counted, set, and how much of it is used.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use serde::Serialize;
use serde_json::Value;
use sqlx::PgConnection;
use time::{Date, Duration, OffsetDateTime};
use utoipa::ToSchema;

use crate::caller::Caller;
use crate::{Act, ActError, App, FieldProblem};
use domain::differs::geometry::Geometry;
use domain::differs::space::{RuleCost, Space, TooLarge, as_digits, rule_costs};
use domain::differs::standards::{Shortfall, shortfalls};
use domain::ids::SectionId;
use storage::register::sections;
use storage::{StorageError, differs};

/// The differs of the sections, as this process counted them; counted again when a geometry changed.
#[derive(Default)]
pub struct Spaces(Mutex<HashMap<SectionId, (Value, Arc<Space>)>>);

impl From<TooLarge> for ActError {
    fn from(error: TooLarge) -> Self {
        Self::invalid("", error.to_string())
    }
}

/// How many differs a geometry has.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CountedSpace {
    /// How many, in decimal digits.
    #[serde(serialize_with = "as_digits")]
    #[schema(value_type = String, pattern = "^[0-9]+$")]
    pub count: u128,
    /// How many remain after each rule and those before it.
    pub rules: Vec<RuleCost>,
    /// Where it falls short of the standards that it is sold to.
    pub shortfalls: Vec<Shortfall>,
}

/// Counts a geometry, away from those who answer calls: it takes up to a second.
pub(super) async fn counted(geometry: &Geometry, within: &str) -> Result<CountedSpace, ActError> {
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

/// A section's geometry, and how much of it is used.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct GeometryUse {
    /// Positions, heights and rules.
    geometry: Geometry,
    /// The section's version.
    #[serde(skip)]
    pub version: i32,
    #[serde(flatten)]
    counted: CountedSpace,
    /// Combinations that are taken.
    taken: u32,
    /// Combinations that are free, in decimal digits.
    #[serde(serialize_with = "as_digits")]
    #[schema(value_type = String, pattern = "^[0-9]+$")]
    left: u128,
    /// How many of a thousand are taken.
    taken_per_mille: u16,
    /// Differs on record without bitting: nothing can be kept apart from them.
    without_bitting: u32,
    /// Differs drawn in the last 365 days.
    drawn_in_a_year: u32,
    /// The day on which none is left at that rate; none within a hundred years, when absent.
    runs_dry_on: Option<Date>,
}

pub(super) fn parsed(stored: Value) -> Result<Geometry, ActError> {
    let corrupt =
        |error: serde_json::Error| StorageError::Corrupt { table: "sections", problem: error.to_string() };
    Ok(serde_json::from_value(stored).map_err(corrupt)?)
}

/// What is on record of a section's differs.
struct OnRecord {
    taken: u32,
    without_bitting: u32,
    drawn_in_a_year: u32,
}

impl OnRecord {
    async fn read(db: &mut PgConnection, section: SectionId, now: OffsetDateTime) -> Result<Self, ActError> {
        let taken = differs::taken(db, section).await?;
        let without_bitting = differs::on_record(db, section).await?.saturating_sub(taken);
        let drawn_in_a_year = differs::allotted_since(db, section, now - Duration::days(365)).await?;
        Ok(Self { taken, without_bitting, drawn_in_a_year })
    }

    fn usage(self, geometry: Geometry, version: i32, counted: CountedSpace, today: Date) -> GeometryUse {
        let Self { taken, without_bitting, drawn_in_a_year } = self;
        let left = left_of(counted.count, taken);
        GeometryUse {
            geometry,
            version,
            taken,
            left,
            taken_per_mille: per_mille(taken, counted.count),
            without_bitting,
            drawn_in_a_year,
            runs_dry_on: runs_dry(today, left, drawn_in_a_year),
            counted,
        }
    }
}

/// How much of a section is used (supplier).
pub async fn usage(app: &App, caller: &Caller, section: SectionId) -> Result<GeometryUse, ActError> {
    caller.require_supplier()?;
    let mut db = app.pool.acquire().await?;
    let (stored, version) = differs::geometry(&mut db, section).await?.ok_or(ActError::NotFound)?;
    let geometry = parsed(stored.ok_or(ActError::NotFound)?)?;
    let now = app.outside.clock.now();
    let on_record = OnRecord::read(&mut db, section, now).await?;
    drop(db);
    let counted = counted(&geometry, "").await?;
    Ok(on_record.usage(geometry, version, counted, now.date()))
}

/// How many are left where so many are taken.
pub(super) fn left_of(count: u128, taken: u32) -> u128 {
    count.saturating_sub(u128::from(taken))
}

/// The share that is taken.
fn per_mille(taken: u32, count: u128) -> u16 {
    let share = (u128::from(taken) * 1000).checked_div(count);
    share.and_then(|share| u16::try_from(share).ok()).unwrap_or(1000)
}

/// The day on which none is left, if as many are drawn in each 365 days as in the last.
fn runs_dry(today: Date, left: u128, drawn_in_a_year: u32) -> Option<Date> {
    let a_year = Some(u128::from(drawn_in_a_year)).filter(|drawn| *drawn > 0)?;
    let days = i64::try_from(left.checked_mul(365)? / a_year).ok().filter(|days| *days <= 36_500)?;
    today.checked_add(Duration::days(days))
}

/// Sets the geometry of a section that is still at `version`, and says how much of it is used. How many
/// positions there are stays as it is once a combination is taken: keys of another length are keys of
/// another section.
pub async fn set(
    act: &mut Act<'_>,
    section: SectionId,
    version: i32,
    geometry: Geometry,
) -> Result<GeometryUse, ActError> {
    act.caller.require_supplier()?;
    let counted = counted(&geometry, "/geometry").await?;
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
    let value = serde_json::to_value(&geometry).map_err(|error| internal(&error))?;
    differs::set_geometry(act.db(), section, &value, version + 1, now).await?;
    act.enter_change("section.geometry_set", None, section.0, vec![]).await?;
    let on_record = OnRecord::read(act.db(), section, now).await?;
    Ok(on_record.usage(geometry, version + 1, counted, now.date()))
}

/// The geometry of a section and its space, where it has one.
pub(super) async fn space_of(
    act: &mut Act<'_>,
    section: SectionId,
) -> Result<Option<(Geometry, Arc<Space>)>, ActError> {
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
