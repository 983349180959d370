//! The rules of each registration, and those that a new one begins with.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::Result;
use domain::ids::{ActorId, RegistrationId};

/// Adds a version of the rules.
pub async fn add(
    db: &mut PgConnection,
    registration: RegistrationId,
    version: i32,
    rules: &Value,
    by: ActorId,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO rule_versions (registration_id, version, rules, made_by, made_at)
         VALUES ($1, $2, $3, $4, $5)",
        registration.0,
        version,
        rules,
        by.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A version of the rules of a registration.
pub async fn version(
    db: &mut PgConnection,
    registration: RegistrationId,
    version: i32,
) -> Result<Option<Value>> {
    Ok(sqlx::query_scalar!(
        "SELECT rules FROM rule_versions WHERE registration_id = $1 AND version = $2",
        registration.0,
        version
    )
    .fetch_optional(db)
    .await?)
}

/// The newest defaults of the supplier, and their version.
pub async fn defaults(db: &mut PgConnection) -> Result<Option<(i32, Value)>> {
    let newest = sqlx::query!("SELECT version, rules FROM default_rules ORDER BY version DESC LIMIT 1")
        .fetch_optional(db)
        .await?;
    Ok(newest.map(|row| (row.version, row.rules)))
}

/// Adds a version of the supplier's defaults.
pub async fn add_defaults(
    db: &mut PgConnection,
    version: i32,
    rules: &Value,
    by: ActorId,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO default_rules (version, rules, made_by, made_at) VALUES ($1, $2, $3, $4)",
        version,
        rules,
        by.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}
