//! A statement for an insurer or a solicitor: what the register held on some premises on a day.
//!
//! It is kept as the bytes that were written, and its hash is what an entry of the log commits to:
//!
//! ```text
//! hash = base64url(SHA-256(the statement as compact JSON))
//! ```
//!
//! It names no differ: a differ's number beside an address helps a burglar.

use serde_json::{Value, json};
use sqlx::PgConnection;
use time::{Date, Duration};

use crate::{Act, ActError, Read};
use domain::cautions;
use domain::disclosures::commitment;
use domain::ids::{EntryId, RegistrationId, StatementId};
use domain::keys::statements::{PastState, StatedAuthority, Statement, StatementContent};
use storage::keys::statements;
use storage::log::evidence;
use storage::register::{history, sections};
use storage::{Portion, StorageError, people, sites};

fn row_of<T: serde::de::DeserializeOwned>(row: Value) -> Result<T, ActError> {
    let corrupt =
        |error: serde_json::Error| StorageError::Corrupt { table: "history", problem: error.to_string() };
    Ok(serde_json::from_value(row).map_err(corrupt)?)
}

/// The rows of a registration as they stood.
fn past_of(rows: Vec<(String, Value)>) -> Result<PastState, ActError> {
    let mut found = PastState::default();
    for (table, row) in rows {
        match table.as_str() {
            "registrations" => found.registration = Some(row_of(row)?),
            "locks" => found.locks.push(row_of(row)?),
            "answers" => found.answers.push(row_of(row)?),
            "keys" => found.keys.push(row_of(row)?),
            "authorities" => found.authorities.push(row_of(row)?),
            "losses" => found.losses.push(row_of(row)?),
            "rekeys" => found.rekeys.push(row_of(row)?),
            _ => {}
        }
    }
    Ok(found)
}

async fn may_order(act: &mut Act<'_>, past: &PastState, on: Date) -> Result<Vec<StatedAuthority>, ActError> {
    let mut stated = Vec::new();
    for given in past.may_order(on) {
        let name = match (given.person_id, given.organisation_id) {
            (Some(person), _) => people::person(act.db(), person).await?.map(|person| person.name),
            (None, Some(organisation)) => {
                people::organisation(act.db(), organisation).await?.map(|own| own.name)
            }
            (None, None) => None,
        };
        stated.push(given.stated(name.unwrap_or_default()));
    }
    stated.sort_by(|one, other| (one.class, &one.name).cmp(&(other.class, &other.name)));
    Ok(stated)
}

/// Makes a statement of a day that is not after today (owner, agent, supplier).
pub async fn make(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    on: Option<Date>,
) -> Result<(Statement, Option<String>), ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    access.require(access.governs())?;
    let on = on.unwrap_or_else(|| act.today());
    if on > act.today() || on < access.since().unwrap_or(registration.created_at).date() {
        let problem = "must be a day from the owner's first to today";
        return Err(ActError::invalid("/on", problem));
    }
    let end = on.saturating_add(Duration::DAY).midnight().assume_utc() - Duration::MICROSECOND;
    let at = end.min(act.now);
    let mut past = past_of(history::as_of(act.db(), registration_id, at).await?)?;
    // On a site, its key opens the plot's doors too: those keys are the site's.
    if let Some(site) = sites::site_of_plot(act.db(), registration_id).await? {
        past.take_in(past_of(history::as_of(act.db(), site, at).await?)?);
    }
    let gone = || ActError::Internal("a registration without its history".to_owned());
    let stood = past.registration.as_ref().ok_or_else(gone)?;
    let owner = people::organisation(act.db(), stood.owner_id).await?;
    let section = sections::section(act.db(), registration.section_id).await?;
    let content = StatementContent {
        statement_id: act.id(),
        registration: registration.number.clone(),
        premises: stood.premises.clone(),
        owner: owner.map(|owner| owner.name).unwrap_or_default(),
        section: section.map(|section| section.name).unwrap_or_default(),
        on,
        made_at: act.now,
        locks: past.locks(),
        keys: past.keys(),
        may_order: may_order(act, &past, on).await?,
        last_rekey_on: past.last_rekey(),
        open_losses: past.open_losses(),
        remarks: cautions::STATEMENT.to_vec(),
    };
    let text = serde_json::to_string(&content).map_err(|error| ActError::Internal(error.to_string()))?;
    let hash = commitment(&text);
    let id = content.statement_id;
    let personal = vec![("statement", json!(hash))];
    let entry_id = act.enter_change_as("statement.made", Some(registration_id), id.0, personal).await?;
    let statement = Statement { id, registration_id, content: text, hash, entry_id };
    let (by, now) = (act.caller.actor(), act.now);
    statements::add(act.db(), &statement, on, by, now).await?;
    let shown = act.shows(entry_id, "statement");
    Ok((statement, shown))
}

/// What shows the hash of a statement in its entry.
async fn shown(db: &mut PgConnection, entry: EntryId) -> Result<Option<String>, ActError> {
    let disclosures = evidence::disclosures(db, entry).await?;
    Ok(disclosures.into_iter().find(|(name, _)| name == "statement").map(|(_, shown)| shown))
}

/// A statement that was made (owner, agent, supplier), with what shows its hash in the entry.
pub async fn statement(
    read: &mut Read<'_>,
    id: StatementId,
) -> Result<(Statement, Option<String>), ActError> {
    let found = statements::statement(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = read.registration_of(found.registration_id, found.id).await?;
    access.require_sight(access.governs())?;
    let shown = shown(&mut read.db, found.entry_id).await?;
    Ok((found, shown))
}

/// The statements of a registration: id, day and entry of each (owner, agent, supplier).
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<statements::StatementSummary>, ActError> {
    let (_, access) = read.registration(registration).await?;
    access.require(access.governs())?;
    Ok(statements::all(&mut read.db, registration, access.portion(portion)).await?)
}
