//! The supplier's prices, each section's by themselves.

use serde_json::Value;
use sqlx::PgConnection;

use crate::{Act, ActError, FieldProblem, Read};
use domain::ids::SectionId;
use domain::rekeys::{self, Prices};
use storage::register::sections;
use storage::{StorageError, rekeys as stored_rekeys};

/// The prices of a section and their version; none were set, when absent.
pub async fn of_section(read: &mut Read<'_>, section: SectionId) -> Result<Option<(i32, Value)>, ActError> {
    read.caller.require_supplier()?;
    sections::section(&mut read.db, section).await?.ok_or(ActError::NotFound)?;
    Ok(stored_rekeys::prices(&mut read.db, section).await?)
}

/// Sets the prices of a section, if they are still at `version`; version 0 is none at all.
pub async fn set_prices(
    act: &mut Act<'_>,
    section: SectionId,
    version: i32,
    prices: &Prices,
) -> Result<i32, ActError> {
    act.caller.require_supplier()?;
    sections::section(act.db(), section).await?.ok_or(ActError::NotFound)?;
    let problems: Vec<FieldProblem> = prices
        .problems()
        .into_iter()
        .map(|found| FieldProblem::new(format!("/prices{}", found.pointer), found.problem))
        .collect();
    if !problems.is_empty() {
        return Err(ActError::Invalid(problems));
    }
    let before = stored_rekeys::prices(act.db(), section).await?.map_or(0, |(version, _)| version);
    if before != version {
        return Err(ActError::Stale);
    }
    let value = serde_json::to_value(prices).map_err(|error| ActError::Internal(error.to_string()))?;
    let (by, now) = (act.caller.actor(), act.now);
    if let Err(error) = stored_rekeys::add_prices(act.db(), section, version + 1, &value, by, now).await {
        return Err(match error.violated() {
            Some("price_lists_pkey") => ActError::Stale,
            _ => error.into(),
        });
    }
    act.enter_change("section.prices_set", None, section.0, vec![]).await?;
    Ok(version + 1)
}

pub(crate) async fn newest_prices(
    db: &mut PgConnection,
    section: SectionId,
) -> Result<Option<Prices>, ActError> {
    let corrupt =
        |error: serde_json::Error| StorageError::Corrupt { table: "price_lists", problem: error.to_string() };
    let stored = stored_rekeys::prices(db, section).await?;
    Ok(stored.map(|(_, prices)| serde_json::from_value(prices)).transpose().map_err(corrupt)?)
}

/// How many keys come with a pack of a section.
pub(crate) async fn keys_with_pack(db: &mut PgConnection, section: SectionId) -> Result<u32, ActError> {
    Ok(rekeys::keys_with_pack(newest_prices(db, section).await?.as_ref()))
}
