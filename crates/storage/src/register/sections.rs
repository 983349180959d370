//! Key sections.

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::{Portion, Result, wrote};
use domain::ids::SectionId;
use domain::register::sections::Section;

macro_rules! select_sections {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Section,
            "SELECT id, name, protection, territory, filed_on, next_renewal_on, last_expiry_on, version
             FROM sections " + $rest
            $(, $argument)*
        )
    };
}

/// Adds a section.
pub async fn add(db: &mut PgConnection, section: &Section, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO sections
             (id, name, protection, territory, filed_on, next_renewal_on, last_expiry_on, version, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        section.id.0,
        section.name,
        section.protection.as_str(),
        section.territory,
        section.filed_on,
        section.next_renewal_on,
        section.last_expiry_on,
        section.version,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Changes a section; its version is the one that it gets.
pub async fn change(db: &mut PgConnection, section: &Section, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE sections SET name = $2, protection = $3, territory = $4, filed_on = $5, next_renewal_on = $6,
             last_expiry_on = $7, version = $8, changed_at = $9
         WHERE id = $1 AND version = $8 - 1",
        section.id.0,
        section.name,
        section.protection.as_str(),
        section.territory,
        section.filed_on,
        section.next_renewal_on,
        section.last_expiry_on,
        section.version,
        now
    )
    .execute(db)
    .await?;
    wrote("sections", 1, &done)
}

/// A section.
pub async fn section(db: &mut PgConnection, id: SectionId) -> Result<Option<Section>> {
    Ok(select_sections!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// A section, taken for update.
pub async fn section_for_update(db: &mut PgConnection, id: SectionId) -> Result<Option<Section>> {
    Ok(select_sections!("WHERE id = $1 FOR NO KEY UPDATE", id.0).fetch_optional(db).await?)
}

/// The section with a name.
pub async fn named(db: &mut PgConnection, name: &str) -> Result<Option<Section>> {
    Ok(select_sections!("WHERE name = $1", name).fetch_optional(db).await?)
}

/// Sections.
pub async fn all(db: &mut PgConnection, portion: Portion) -> Result<Vec<Section>> {
    Ok(select_sections!("WHERE id > $1 ORDER BY id LIMIT $2", portion.after, portion.limit)
        .fetch_all(db)
        .await?)
}
