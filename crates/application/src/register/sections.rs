//! Key sections.

use time::Date;

use crate::{Act, ActError, FieldProblem, Read};
use domain::ids::SectionId;
use domain::register::sections::{Protection, Section, SectionOnDay};
use domain::text::Name;
use storage::register::sections;
use storage::{Portion, StorageError};

/// What a section is made of, or changed to.
pub struct SectionContent {
    /// Its name.
    pub name: Name,
    /// What protects it.
    pub protection: Protection,
    /// Where the protection holds.
    pub territory: Option<Name>,
    /// When it was filed.
    pub filed_on: Option<Date>,
    /// When it has to be renewed next.
    pub next_renewal_on: Option<Date>,
    /// The last day that the law can give.
    pub last_expiry_on: Option<Date>,
}

impl SectionContent {
    fn problems(&self) -> Vec<FieldProblem> {
        let mut problems = Vec::new();
        let mut say = |pointer: &str, problem: &str| problems.push(FieldProblem::new(pointer, problem));
        let protected = self.protection != Protection::Agreement;
        for (missing, pointer) in [
            (self.territory.is_none(), "/territory"),
            (self.filed_on.is_none(), "/filed_on"),
            (self.last_expiry_on.is_none(), "/last_expiry_on"),
        ] {
            if protected && missing {
                say(pointer, "is needed for a registered design or a patent");
            }
        }
        if let (Some(filed), Some(last)) = (self.filed_on, self.last_expiry_on) {
            if last <= filed {
                say("/last_expiry_on", "must be after filed_on");
            } else if !self.protection.allows(filed, last) {
                say(
                    "/last_expiry_on",
                    "is later than the law can give (25 years for a registered design, 20 for a patent)",
                );
            }
        }
        if let Some(renewal) = self.next_renewal_on
            && (self.filed_on.is_some_and(|filed| renewal <= filed)
                || self.last_expiry_on.is_some_and(|last| renewal > last))
        {
            say("/next_renewal_on", "must be after filed_on and not after last_expiry_on");
        }
        problems
    }

    fn into_section(self, id: SectionId, version: i32) -> Result<Section, ActError> {
        let problems = self.problems();
        if !problems.is_empty() {
            return Err(ActError::Invalid(problems));
        }
        Ok(Section {
            id,
            name: self.name.into(),
            protection: self.protection,
            territory: self.territory.map(String::from),
            filed_on: self.filed_on,
            next_renewal_on: self.next_renewal_on,
            last_expiry_on: self.last_expiry_on,
            version,
        })
    }
}

fn section_error(error: StorageError) -> ActError {
    match error.violated() {
        Some("sections_name_once") => ActError::Conflict("a section has this name already"),
        _ => error.into(),
    }
}

/// Adds a section.
pub async fn add(act: &mut Act<'_>, content: SectionContent) -> Result<SectionOnDay, ActError> {
    act.caller.require_supplier()?;
    let section = content.into_section(act.id(), 1)?;
    let now = act.now;
    sections::add(act.db(), &section, now).await.map_err(section_error)?;
    act.enter_change("section.added", None, section.id.0, vec![]).await?;
    Ok(section.on(act.today()))
}

/// Changes a section that is still at `version`.
pub async fn change(
    act: &mut Act<'_>,
    id: SectionId,
    version: i32,
    content: SectionContent,
) -> Result<SectionOnDay, ActError> {
    act.caller.require_supplier()?;
    let before = sections::section_for_update(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if before.version != version {
        return Err(ActError::Stale);
    }
    let section = content.into_section(id, version + 1)?;
    let now = act.now;
    sections::change(act.db(), &section, now).await.map_err(section_error)?;
    act.enter_change("section.changed", None, id.0, vec![]).await?;
    Ok(section.on(act.today()))
}

/// A section: not a secret to anybody who signed in.
pub async fn section(read: &mut Read<'_>, id: SectionId) -> Result<SectionOnDay, ActError> {
    let section = sections::section(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    Ok(section.on(read.today))
}

/// Sections.
pub async fn all(read: &mut Read<'_>, portion: Portion) -> Result<Vec<SectionOnDay>, ActError> {
    let found = sections::all(&mut read.db, portion).await?;
    Ok(found.into_iter().map(|section| section.on(read.today)).collect())
}
