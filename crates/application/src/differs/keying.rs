//! Keyed alike and under masters; who can open what; the schedule of it.

use std::collections::BTreeMap;

use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::differs::{DifferDraw, answers};
use crate::{Act, ActError, Read, access};
use domain::differs::{Differ, Level};
use domain::ids::{DifferId, LockId, PersonId, RegistrationId};
use domain::numbers::TypedNumber;
use domain::register::registrations::Hand;
use storage::differs::exposure;
use storage::register::locks;
use storage::sites;

/// Locks that share one differ: a pair, a group, all of them; or a master over groups.
pub struct Group {
    /// The locks.
    pub locks: Vec<LockId>,
    /// What the differ opens.
    pub level: Level,
}

/// A differ and the locks that answer to it.
pub struct KeyedGroup {
    /// The differ.
    pub differ: Differ,
    /// Its locks.
    pub locks: Vec<LockId>,
}

/// The most groups at once.
pub const MOST_GROUPS: usize = 100;

/// Draws a differ for each group, and has its locks answer to it besides those to which they answer already.
pub async fn key(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    groups: Vec<Group>,
) -> Result<Vec<KeyedGroup>, ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    access.require(access.is_supplier())?;
    access::require_active(&registration)?;
    if groups.is_empty() || groups.len() > MOST_GROUPS {
        return Err(ActError::invalid("/groups", format!("must have from 1 to {MOST_GROUPS} groups")));
    }
    let own = locks::of_registration(act.db(), registration_id, storage::Portion::ALL).await?;
    for (at, group) in groups.iter().enumerate() {
        let mut locks = group.locks.clone();
        locks.sort_unstable();
        locks.dedup();
        let known = locks.iter().all(|lock| own.iter().any(|own| own.id == *lock));
        if locks.is_empty() || locks.len() != group.locks.len() || !known {
            let problem = "must name locks of this registration, each once";
            return Err(ActError::invalid(&format!("/groups/{at}/lock_ids"), problem));
        }
    }
    let mut drawing = DifferDraw::begin(act, &registration, &[]).await?;
    let mut keyed = Vec::new();
    for group in groups {
        let differ = drawing.draw(act, &registration, group.level, false).await?;
        for lock in &group.locks {
            answers::change_levers(act, registration_id, *lock, &[], &[differ.id]).await?;
        }
        keyed.push(KeyedGroup { differ, locks: group.locks });
    }
    Ok(keyed)
}

/// Somebody with live keys.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OpenedBy {
    /// The person who has keys.
    pub person_id: PersonId,
    /// Their name.
    pub name: String,
    /// How many keys that open it.
    pub keys: u32,
}

/// A lock, and who can open it.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LockOpenings {
    /// The lock.
    pub lock_id: LockId,
    /// Its line in the schedule.
    pub label: String,
    /// The differs to which it answers.
    pub differ_ids: Vec<DifferId>,
    /// Who has keys that open it.
    pub people: Vec<OpenedBy>,
}

/// A person, and what they can open.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct PersonOpenings {
    /// The person who has keys.
    pub person_id: PersonId,
    /// Their name.
    pub name: String,
    /// The locks that their keys open.
    pub lock_ids: Vec<LockId>,
}

/// Who can open what, both ways.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Openings {
    /// Lock by lock.
    pub locks: Vec<LockOpenings>,
    /// Person by person.
    pub people: Vec<PersonOpenings>,
}

/// The registrations whose locks belong to one picture: of a site, its plots that are not handed over too.
async fn in_the_picture(
    db: &mut sqlx::PgConnection,
    registration: RegistrationId,
) -> Result<Vec<Uuid>, ActError> {
    let mut all = sites::plots_in_hand(db, registration).await?;
    all.push(registration.0);
    Ok(all)
}

/// Who can open what on a registration.
pub async fn openings(read: &mut Read<'_>, registration: RegistrationId) -> Result<Openings, ActError> {
    let (_, access) = read.registration(registration).await?;
    access.require(access.sees_all())?;
    let registrations = in_the_picture(&mut read.db, registration).await?;
    let opened = exposure::opened(&mut read.db, &registrations).await?;
    let mut differs: Vec<Uuid> = opened.iter().map(|opened| opened.differ.0).collect();
    differs.sort_unstable();
    differs.dedup();
    let with_people = exposure::with_people(&mut read.db, &differs).await?;
    Ok(both_ways(&opened, &with_people))
}

fn both_ways(opened: &[exposure::OpenedLock], with_people: &[exposure::KeysWithPerson]) -> Openings {
    let mut locks: Vec<LockOpenings> = Vec::new();
    let mut people: BTreeMap<(String, PersonId), Vec<LockId>> = BTreeMap::new();
    for answer in opened {
        let at = locks.iter().position(|lock| lock.lock_id == answer.lock).unwrap_or_else(|| {
            locks.push(LockOpenings {
                lock_id: answer.lock,
                label: answer.label.clone(),
                differ_ids: vec![],
                people: vec![],
            });
            locks.len() - 1
        });
        let Some(lock) = locks.get_mut(at) else { continue };
        lock.differ_ids.push(answer.differ);
        for own in with_people.iter().filter(|own| own.differ == answer.differ) {
            match lock.people.iter_mut().find(|person| person.person_id == own.person) {
                Some(person) => person.keys += own.keys,
                None => lock.people.push(OpenedBy {
                    person_id: own.person,
                    name: own.name.clone(),
                    keys: own.keys,
                }),
            }
            let theirs = people.entry((own.name.clone(), own.person)).or_default();
            if !theirs.contains(&answer.lock) {
                theirs.push(answer.lock);
            }
        }
    }
    for lock in &mut locks {
        lock.people.sort_by(|one, other| (&one.name, one.person_id).cmp(&(&other.name, other.person_id)));
    }
    let person = |((name, person_id), lock_ids)| PersonOpenings { person_id, name, lock_ids };
    Openings { locks, people: people.into_iter().map(person).collect() }
}

/// A line of the keying schedule: a lock and a differ to which it answers. It shows no address: a differ's
/// number beside one is a burglary recipe.
#[derive(Debug, Clone, Serialize)]
pub struct ScheduleLine {
    /// The plot, on a site.
    pub plot: String,
    /// The lock.
    pub label: String,
    /// What kind of lock.
    pub kind: &'static str,
    /// On which side the door hangs.
    pub hand: &'static str,
    /// The standard that it was made to.
    pub standard: String,
    /// The door is on an escape route.
    pub escape_route: &'static str,
    /// The differ to which it answers.
    pub differ: String,
    /// What that opens.
    pub level: &'static str,
    /// Locks of this schedule that answer to it.
    pub locks_alike: u32,
    /// Its live keys.
    pub keys: u32,
    /// The differ that the lock of a plot gets in the end.
    pub final_differ: String,
}

/// The keying schedule of a registration, and its number.
pub async fn schedule(
    read: &mut Read<'_>,
    registration_id: RegistrationId,
) -> Result<(TypedNumber, Vec<ScheduleLine>), ActError> {
    let (registration, access) = read.registration(registration_id).await?;
    access.require(access.governs())?;
    let registrations = in_the_picture(&mut read.db, registration_id).await?;
    let rows = exposure::schedule(&mut read.db, &registrations).await?;
    let line = |row: exposure::ScheduleRow| ScheduleLine {
        plot: row.plot.unwrap_or_default(),
        label: row.label,
        kind: row.kind.as_str(),
        hand: row.hand.map_or("", Hand::as_str),
        standard: row.standard.unwrap_or_default(),
        escape_route: if row.escape_route { "yes" } else { "no" },
        differ: row.differ.unwrap_or_default(),
        level: row.level.map_or("", Level::as_str),
        locks_alike: row.locks_alike,
        keys: row.keys,
        final_differ: row.final_differ.unwrap_or_default(),
    };
    Ok((registration.number, rows.into_iter().map(line).collect()))
}
