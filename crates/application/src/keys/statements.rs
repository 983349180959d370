//! A statement for an insurer or a solicitor: what the register held on some premises on a day.
//!
//! It is kept as the bytes that were written, and its hash is what an entry of the log commits to:
//!
//! ```text
//! hash = base64url(SHA-256(the statement as compact JSON))
//! ```
//!
//! It names no differ: a differ's number beside an address helps a burglar.

use std::collections::{HashMap, HashSet};

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sqlx::PgConnection;
use time::{Date, Duration, OffsetDateTime};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::access::Access;
use crate::{Act, ActError, Read, access};
use domain::calendar::Period;
use domain::cautions;
use domain::entry::commitment;
use domain::ids::{EntryId, OrganisationId, PersonId, RegistrationId, StatementId};
use domain::keys::KeyState;
use domain::keys::losses::{LossDecision, LossKind};
use domain::keys::statements::Statement;
use domain::numbers::TypedNumber;
use domain::register::registrations::LockKind;
use domain::rights::authorities::AuthorityClass;
use storage::keys::statements;
use storage::log::evidence;
use storage::register::{history, sections};
use storage::{Portion, StorageError, people, sites};

/// A lock in a statement.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StatedLock {
    /// Its line in the schedule.
    pub label: String,
    /// What kind of lock.
    pub kind: LockKind,
    /// The standard that it was made to, as it was recorded.
    pub standard: Option<String>,
    /// Its door was marked as an escape route.
    pub escape_route: bool,
    /// The day of its last change of levers, or of its first.
    pub keyed_on: Option<Date>,
    /// Other locks that one of its keys opens as well.
    pub alike_with: u32,
    /// Keys in existence that open it.
    pub keys: u32,
    /// Keys that open it and are lost or stolen.
    pub missing: u32,
}

/// How many keys there were.
#[derive(Debug, Clone, Default, Serialize, ToSchema)]
pub struct StatedKeys {
    /// In existence: in store, with people, returned.
    pub in_existence: u32,
    /// Of them, with people.
    pub with_people: u32,
    /// Of them, in store.
    pub in_store: u32,
    /// Lost or stolen, and not dead.
    pub missing: u32,
}

/// Somebody who may order keys.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StatedAuthority {
    /// The person, where it is one.
    pub person_id: Option<PersonId>,
    /// The name of the person or organisation.
    pub name: String,
    /// What the authority is.
    pub class: AuthorityClass,
    /// It is for every key; else for some.
    pub every_key: bool,
    /// May approve what others ask for.
    pub may_approve: bool,
}

/// A loss that was open.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StatedLoss {
    /// Lost or stolen.
    pub kind: LossKind,
    /// The day of the report.
    pub reported_on: Date,
    /// The reference that the police gave.
    pub crime_reference: Option<String>,
    /// What was decided about the locks.
    pub decision: Option<LossDecision>,
}

/// What the register held on some premises on a day.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Content {
    /// The statement.
    pub statement_id: StatementId,
    /// The registration's number.
    pub registration: TypedNumber,
    /// Where the locks are.
    pub premises: String,
    /// The owner.
    pub owner: String,
    /// The key section.
    pub section: String,
    /// The end of this day (UTC), or the instant of its making, is what it is about.
    pub on: Date,
    /// When it was made.
    #[serde(with = "time::serde::rfc3339")]
    pub made_at: OffsetDateTime,
    /// The locks and their standards.
    pub locks: Vec<StatedLock>,
    /// The keys.
    pub keys: StatedKeys,
    /// Who may order keys.
    pub may_order: Vec<StatedAuthority>,
    /// The day of the last rekey, if there ever was one.
    pub last_rekey_on: Option<Date>,
    /// Losses that were open.
    pub open_losses: Vec<StatedLoss>,
    /// What it does not say.
    pub remarks: Vec<&'static str>,
}

#[derive(Deserialize)]
struct RegistrationRow {
    premises: String,
    owner_id: OrganisationId,
}

#[derive(Deserialize)]
struct LockRow {
    id: Uuid,
    label: String,
    kind: LockKind,
    standard: Option<String>,
    escape_route: bool,
}

#[derive(Deserialize)]
struct AnswerRow {
    lock_id: Uuid,
    differ_id: Uuid,
    #[serde(with = "time::serde::rfc3339")]
    since: OffsetDateTime,
    #[serde(with = "time::serde::rfc3339::option")]
    until: Option<OffsetDateTime>,
}

#[derive(Deserialize)]
struct KeyRow {
    id: Uuid,
    differ_id: Uuid,
    state: KeyState,
}

#[derive(Deserialize)]
struct AuthorityRow {
    person_id: Option<PersonId>,
    organisation_id: Option<OrganisationId>,
    class: AuthorityClass,
    every_differ: bool,
    may_order: bool,
    may_approve: bool,
    first_day: Date,
    last_day: Option<Date>,
    revoked_at: Option<String>,
}

#[derive(Deserialize)]
struct LossRow {
    key_id: Uuid,
    kind: LossKind,
    #[serde(with = "time::serde::rfc3339")]
    reported_at: OffsetDateTime,
    found_at: Option<String>,
    crime_reference: Option<String>,
    decision: Option<LossDecision>,
}

#[derive(Deserialize)]
struct RekeyRow {
    #[serde(with = "time::serde::rfc3339::option")]
    ended_at: Option<OffsetDateTime>,
    state: String,
}

/// The rows of a registration as they stood at an instant.
#[derive(Default)]
struct Rows {
    registration: Option<RegistrationRow>,
    locks: Vec<LockRow>,
    answers: Vec<AnswerRow>,
    keys: Vec<KeyRow>,
    authorities: Vec<AuthorityRow>,
    losses: Vec<LossRow>,
    rekeys: Vec<RekeyRow>,
}

fn read<T: serde::de::DeserializeOwned>(row: Value) -> Result<T, ActError> {
    let corrupt =
        |error: serde_json::Error| StorageError::Corrupt { table: "history", problem: error.to_string() };
    Ok(serde_json::from_value(row).map_err(corrupt)?)
}

impl Rows {
    fn of(rows: Vec<(String, Value)>) -> Result<Self, ActError> {
        let mut found = Self::default();
        for (table, row) in rows {
            match table.as_str() {
                "registrations" => found.registration = Some(read(row)?),
                "locks" => found.locks.push(read(row)?),
                "answers" => found.answers.push(read(row)?),
                "keys" => found.keys.push(read(row)?),
                "authorities" => found.authorities.push(read(row)?),
                "losses" => found.losses.push(read(row)?),
                "rekeys" => found.rekeys.push(read(row)?),
                _ => {}
            }
        }
        found.locks.sort_by(|one, other| (&one.label, one.id).cmp(&(&other.label, other.id)));
        Ok(found)
    }

    /// Keys and losses of another registration, as far as locks of this one answer to their differs.
    fn take_in(&mut self, other: Self) {
        let answered: HashSet<Uuid> = self.standing().map(|answer| answer.differ_id).collect();
        let keys: Vec<KeyRow> =
            other.keys.into_iter().filter(|key| answered.contains(&key.differ_id)).collect();
        let theirs: HashSet<Uuid> = keys.iter().map(|key| key.id).collect();
        self.losses.extend(other.losses.into_iter().filter(|loss| theirs.contains(&loss.key_id)));
        self.keys.extend(keys);
    }

    fn standing(&self) -> impl Iterator<Item = &AnswerRow> {
        self.answers.iter().filter(|answer| answer.until.is_none())
    }

    fn locks(&self) -> Vec<StatedLock> {
        let count = |number: usize| u32::try_from(number).unwrap_or(u32::MAX);
        let mut differs_of: HashMap<Uuid, Vec<Uuid>> = HashMap::new();
        let mut locks_of: HashMap<Uuid, Vec<Uuid>> = HashMap::new();
        for answer in self.standing() {
            differs_of.entry(answer.lock_id).or_default().push(answer.differ_id);
            locks_of.entry(answer.differ_id).or_default().push(answer.lock_id);
        }
        let mut keyed_on: HashMap<Uuid, Date> = HashMap::new();
        for answer in &self.answers {
            let day = keyed_on.entry(answer.lock_id).or_insert(answer.since.date());
            *day = (*day).max(answer.since.date());
        }
        let mut keys_of: HashMap<Uuid, (usize, usize)> = HashMap::new();
        for key in &self.keys {
            let (live, missing) = keys_of.entry(key.differ_id).or_default();
            *live += usize::from(key.state.exists());
            *missing += usize::from(key.state.is_missing());
        }
        let stated = |lock: &LockRow| {
            let own: &[Uuid] = differs_of.get(&lock.id).map_or(&[], Vec::as_slice);
            let alike: HashSet<&Uuid> =
                own.iter().filter_map(|differ| locks_of.get(differ)).flatten().collect();
            let counts = || own.iter().filter_map(|differ| keys_of.get(differ));
            StatedLock {
                label: lock.label.clone(),
                kind: lock.kind,
                standard: lock.standard.clone(),
                escape_route: lock.escape_route,
                keyed_on: keyed_on.get(&lock.id).copied(),
                alike_with: count(alike.len().saturating_sub(1)),
                keys: count(counts().map(|(live, _)| live).sum()),
                missing: count(counts().map(|(_, missing)| missing).sum()),
            }
        };
        self.locks.iter().map(stated).collect()
    }

    fn keys(&self) -> StatedKeys {
        let mut counted = StatedKeys::default();
        for key in &self.keys {
            counted.in_existence += u32::from(key.state.exists());
            counted.with_people += u32::from(key.state == KeyState::WithPerson);
            counted.in_store += u32::from(matches!(key.state, KeyState::InStore | KeyState::Returned));
            counted.missing += u32::from(key.state.is_missing());
        }
        counted
    }

    fn open_losses(&self) -> Vec<StatedLoss> {
        let missing: HashSet<Uuid> =
            self.keys.iter().filter(|key| key.state.is_missing()).map(|key| key.id).collect();
        let open =
            self.losses.iter().filter(|loss| loss.found_at.is_none() && missing.contains(&loss.key_id));
        let stated = |loss: &LossRow| StatedLoss {
            kind: loss.kind,
            reported_on: loss.reported_at.date(),
            crime_reference: loss.crime_reference.clone(),
            decision: loss.decision,
        };
        let mut losses: Vec<StatedLoss> = open.map(stated).collect();
        losses.sort_by_key(|loss| loss.reported_on);
        losses
    }

    fn last_rekey(&self) -> Option<Date> {
        let done = self.rekeys.iter().filter(|rekey| rekey.state == "done");
        done.filter_map(|rekey| rekey.ended_at).map(OffsetDateTime::date).max()
    }
}

async fn may_order(act: &mut Act<'_>, rows: &Rows, on: Date) -> Result<Vec<StatedAuthority>, ActError> {
    let mut stated = Vec::new();
    for given in rows.authorities.iter().filter(|given| given.may_order && given.revoked_at.is_none()) {
        let period = Period { first_day: given.first_day, last_day: given.last_day };
        if !period.covers(on) {
            continue;
        }
        let name = match (given.person_id, given.organisation_id) {
            (Some(person), _) => people::person(act.db(), person).await?.map(|person| person.name),
            (None, Some(organisation)) => {
                people::organisation(act.db(), organisation).await?.map(|own| own.name)
            }
            (None, None) => None,
        };
        stated.push(StatedAuthority {
            person_id: given.person_id,
            name: name.unwrap_or_default(),
            class: given.class,
            every_key: given.every_differ,
            may_approve: given.may_approve,
        });
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
    let (registration, access) = access::registration_for_update(act, registration_id).await?;
    access.require(access.governs())?;
    let on = on.unwrap_or_else(|| act.today());
    let since = owners_past(act.db(), &access, registration_id).await?;
    if on > act.today() || on < since.unwrap_or(registration.created_at).date() {
        let problem = "must be a day from the owner's first to today";
        return Err(ActError::invalid("/on", problem));
    }
    let end = on.saturating_add(Duration::DAY).midnight().assume_utc() - Duration::MICROSECOND;
    let at = end.min(act.now);
    let mut rows = Rows::of(history::as_of(act.db(), registration_id, at).await?)?;
    // On a site, its key opens the plot's doors too: those keys are the site's.
    if let Some(site) = sites::site_of_plot(act.db(), registration_id).await? {
        rows.take_in(Rows::of(history::as_of(act.db(), site, at).await?)?);
    }
    let gone = || ActError::Internal("a registration without its history".to_owned());
    let stood = rows.registration.as_ref().ok_or_else(gone)?;
    let owner = people::organisation(act.db(), stood.owner_id).await?;
    let section = sections::section(act.db(), registration.section_id).await?;
    let content = Content {
        statement_id: act.id(),
        registration: registration.number.clone(),
        premises: stood.premises.clone(),
        owner: owner.map(|owner| owner.name).unwrap_or_default(),
        section: section.map(|section| section.name).unwrap_or_default(),
        on,
        made_at: act.now,
        locks: rows.locks(),
        keys: rows.keys(),
        may_order: may_order(act, &rows, on).await?,
        last_rekey_on: rows.last_rekey(),
        open_losses: rows.open_losses(),
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
    let shown = shown(act.db(), entry_id).await?;
    Ok((statement, shown))
}

/// Since when what was stated is the caller's to see: the supplier sees everything, and the buyer of a plot
/// nothing of the builder's time.
async fn owners_past(
    db: &mut PgConnection,
    access: &Access,
    registration: RegistrationId,
) -> Result<Option<OffsetDateTime>, ActError> {
    Ok(if access.is_supplier() { None } else { statements::owned_since(db, registration).await? })
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
    let (_, access) = read.registration(found.registration_id).await?;
    let since = owners_past(&mut read.db, &access, found.registration_id).await?;
    if !access.governs() || since > statements::made_at(&mut read.db, id).await? {
        return Err(ActError::NotFound);
    }
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
    let since = owners_past(&mut read.db, &access, registration).await?;
    Ok(statements::all(&mut read.db, registration, since, portion).await?)
}
