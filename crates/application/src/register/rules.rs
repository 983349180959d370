//! The rules of registrations, and the supplier's defaults for registrations to come.

use serde_json::Value;
use sqlx::PgConnection;

use crate::{Act, ActError, FieldProblem, Read};
use domain::ids::RegistrationId;
use domain::register::registrations::Registration;
use domain::register::rules::Rules;
use storage::StorageError;
use storage::register::rules;

/// The rules of a registration, in the version in force or another.
pub async fn of_registration(
    read: &mut Read<'_>,
    id: RegistrationId,
    version: Option<i32>,
) -> Result<(i32, Value), ActError> {
    let (registration, _) = read.registration(id).await?;
    let version = version.unwrap_or(registration.rules_version);
    let rules = rules::version(&mut read.db, id, version).await?.ok_or(ActError::NotFound)?;
    Ok((version, rules))
}

/// The rules in force, for a decision.
pub async fn in_force(db: &mut PgConnection, registration: &Registration) -> Result<Rules, ActError> {
    let stored = rules::version(db, registration.id, registration.rules_version).await?;
    parsed(stored.ok_or_else(|| corrupt("no such version".to_owned()))?)
}

/// Rules as they are stored.
pub fn parsed(stored: Value) -> Result<Rules, ActError> {
    Ok(serde_json::from_value(stored).map_err(|error| corrupt(error.to_string()))?)
}

fn corrupt(problem: String) -> StorageError {
    StorageError::Corrupt { table: "rule_versions", problem }
}

/// The supplier's default rules and their version; version 0 is what the program came with.
pub async fn defaults(read: &mut Read<'_>) -> Result<(i32, Value), ActError> {
    read.caller.require_supplier()?;
    newest_defaults(&mut read.db).await
}

/// The newest default rules.
pub async fn newest_defaults(db: &mut PgConnection) -> Result<(i32, Value), ActError> {
    match rules::defaults(db).await? {
        Some(newest) => Ok(newest),
        None => Ok((0, value(&Rules::default())?)),
    }
}

/// Sets the default rules for registrations to come, if they are still at `version`.
pub async fn set_defaults(act: &mut Act<'_>, version: i32, rules: &Rules) -> Result<i32, ActError> {
    act.caller.require_supplier()?;
    check(rules)?;
    let (before, _) = newest_defaults(act.db()).await?;
    if before != version {
        return Err(ActError::Stale);
    }
    let (value, by, now) = (value(rules)?, act.caller.actor(), act.now);
    if let Err(error) = rules::add_defaults(act.db(), version + 1, &value, by, now).await {
        return Err(match error.violated() {
            Some("default_rules_pkey") => ActError::Stale,
            _ => error.into(),
        });
    }
    let subject = act.id();
    act.enter_change("default_rules.set", None, subject, vec![]).await?;
    Ok(version + 1)
}

/// Refuses rules that cannot be meant.
pub fn check(rules: &Rules) -> Result<(), ActError> {
    let problems: Vec<FieldProblem> = rules
        .problems()
        .into_iter()
        .map(|problem| FieldProblem::new(problem.pointer, problem.problem))
        .collect();
    if problems.is_empty() { Ok(()) } else { Err(ActError::Invalid(problems)) }
}

/// Rules as they are stored.
pub fn value(rules: &Rules) -> Result<Value, ActError> {
    serde_json::to_value(rules).map_err(|error| ActError::Internal(error.to_string()))
}
