//! A register out.

use crate::register::csv::{Line, UNKNOWN_PACK};
use crate::{ActError, Read};
use domain::ids::{DifferId, RegistrationId};
use storage;
use storage::{Portion, differs, register, rights};

/// A registration as CSV, in the form in which it can be brought in; lines are in a fixed order.
pub async fn export(read: &mut Read<'_>, id: RegistrationId) -> Result<Vec<u8>, ActError> {
    let (registration, access) = read.registration(id).await?;
    access.require(access.governs())?;
    let internal = |what: &str| ActError::Internal(format!("{what} of a registration is gone"));
    let section = register::sections::section(&mut read.db, registration.section_id).await?;
    let owner = storage::people::organisation(&mut read.db, registration.owner_id).await?;
    let number = registration.number.grouped();
    let of = |kind: &str| Line { record: kind.to_owned(), registration: number.clone(), ..Line::default() };
    let mut lines = vec![Line {
        section: section.ok_or_else(|| internal("the section"))?.name,
        owner: owner.ok_or_else(|| internal("the owner"))?.name,
        premises: registration.premises.clone(),
        ..of("registration")
    }];
    lines.extend(lock_lines(&mut read.db, id, &of).await?);
    lines.extend(holder_lines(&mut read.db, id, &of).await?);
    lines.extend(key_lines(&mut read.db, id, access.before(), &of).await?);
    written(&lines)
}

/// Lines as CSV (RFC 4180), with their header.
///
/// # Errors
/// When one cannot be written.
pub fn written<T: serde::Serialize>(lines: &[T]) -> Result<Vec<u8>, ActError> {
    let internal = |error: csv::Error| ActError::Internal(error.to_string());
    let inner = |error: String| ActError::Internal(error);
    let mut plain = csv::Writer::from_writer(Vec::new());
    for line in lines {
        plain.serialize(line).map_err(internal)?;
    }
    let plain = plain.into_inner().map_err(|error| inner(error.to_string()))?;
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    for record in csv::ReaderBuilder::new().has_headers(false).from_reader(&*plain).records() {
        writer.write_record(record.map_err(internal)?.iter().map(harmless)).map_err(internal)?;
    }
    writer.into_inner().map_err(|error| inner(error.to_string()))
}

/// A cell that no spreadsheet takes for a formula: one that would begin as such has an apostrophe before it (common
/// practice). [`plain`] takes it away again.
fn harmless(cell: &str) -> String {
    if cell.starts_with(FORMULA) { format!("'{cell}") } else { cell.to_owned() }
}

/// With what a formula begins, and what hides it.
const FORMULA: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];

/// A cell as it was before it was made harmless.
pub(super) fn plain(cell: &str) -> &str {
    cell.strip_prefix('\'').filter(|rest| rest.starts_with(FORMULA)).unwrap_or(cell)
}

fn yes_or_no(yes: bool) -> String {
    if yes { "yes" } else { "no" }.to_owned()
}

async fn lock_lines(
    db: &mut sqlx::PgConnection,
    id: RegistrationId,
    of: &impl Fn(&str) -> Line,
) -> Result<Vec<Line>, ActError> {
    let mut locks = register::locks::of_registration(db, id, Portion::ALL).await?;
    locks.sort_by(|one, other| one.label.cmp(&other.label));
    let differs = storage::differs::of_registration(db, id, Portion::ALL).await?;
    let answers = differs::answers::of_registration(db, id, None, Portion::ALL).await?;
    let mut lines: Vec<Line> = locks
        .iter()
        .map(|lock| Line {
            label: lock.label.clone(),
            kind: lock.kind.to_string(),
            hand: lock.hand.map(|hand| hand.to_string()).unwrap_or_default(),
            standard: lock.standard.clone().unwrap_or_default(),
            escape_route: yes_or_no(lock.escape_route),
            room_class: lock.room_class.clone().unwrap_or_default(),
            ..of("lock")
        })
        .collect();
    let mut answering: Vec<Line> = answers
        .iter()
        .filter(|answer| answer.until.is_none())
        .filter_map(|answer| {
            let lock = locks.iter().find(|lock| lock.id == answer.lock_id)?;
            let differ = differs.iter().find(|differ| differ.id == answer.differ_id)?;
            Some(Line {
                label: lock.label.clone(),
                differ: differ.number.clone(),
                level: differ.level.to_string(),
                ..of("answer")
            })
        })
        .collect();
    answering.sort_by(|one, other| (&one.label, &one.differ).cmp(&(&other.label, &other.differ)));
    lines.extend(answering);
    Ok(lines)
}

async fn holder_lines(
    db: &mut sqlx::PgConnection,
    id: RegistrationId,
    of: &impl Fn(&str) -> Line,
) -> Result<Vec<Line>, ActError> {
    let differs = storage::differs::of_registration(db, id, Portion::ALL).await?;
    let number = |id: &DifferId| Some(differs.iter().find(|differ| differ.id == *id)?.number.clone());
    let text = |number: Option<u32>| number.map(|number| number.to_string()).unwrap_or_default();
    let mut lines = Vec::new();
    for authority in rights::authorities::of_registration(db, id, Portion::ALL).await? {
        let Some(person) = authority.person_id.filter(|_| authority.revoked_at.is_none()) else { continue };
        let Some(person) = storage::people::person(db, person).await? else { continue };
        lines.push(Line {
            person: person.name,
            email: person.email.unwrap_or_default(),
            class: authority.class.to_string(),
            post: authority.post.unwrap_or_default(),
            standing: authority.standing.unwrap_or_default(),
            may_order: yes_or_no(authority.may_order),
            may_approve: yes_or_no(authority.may_approve),
            may_pass_on: yes_or_no(authority.may_pass_on),
            differs: authority.differ_ids.iter().filter_map(number).collect::<Vec<_>>().join(" "),
            most_per_request: text(authority.most_per_request),
            most_keys: text(authority.most_keys),
            occupier: yes_or_no(authority.occupier),
            first_day: authority.first_day.to_string(),
            last_day: authority.last_day.map(|day| day.to_string()).unwrap_or_default(),
            ..of("holder")
        });
    }
    lines.sort_by(|one, other| {
        (&one.email, &one.person, &one.class).cmp(&(&other.email, &other.person, &other.class))
    });
    Ok(lines)
}

async fn key_lines(
    db: &mut sqlx::PgConnection,
    id: RegistrationId,
    before: uuid::Uuid,
    of: &impl Fn(&str) -> Line,
) -> Result<Vec<Line>, ActError> {
    let differs = storage::differs::of_registration(db, id, Portion::ALL).await?;
    let mut lines = Vec::new();
    for (key, pack) in storage::keys::with_packs(db, id, before).await? {
        let holder = match key.holder_id {
            Some(holder) => storage::people::person(db, holder).await?,
            None => None,
        };
        let differ = differs.iter().find(|differ| differ.id == key.differ_id);
        let line = Line {
            differ: differ.map(|differ| differ.number.clone()).unwrap_or_default(),
            pack: pack.filter(|pack| !pack.starts_with(UNKNOWN_PACK)).unwrap_or_default(),
            copy_number: key.copy_number.to_string(),
            state: key.state.to_string(),
            person: holder.as_ref().map(|person| person.name.clone()).unwrap_or_default(),
            email: holder.and_then(|person| person.email).unwrap_or_default(),
            ..of("key")
        };
        lines.push((line.differ.clone(), key.copy_number, line));
    }
    lines.sort_by(|one, other| (&one.0, one.1).cmp(&(&other.0, other.1)));
    Ok(lines.into_iter().map(|(_, _, line)| line).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_come_back_as_they_were() {
        for cell in ["=1+1", "+44 20", "-", "@name", "\tx", "'=quoted", "'tis", "plain", "", "a=b"] {
            let out = harmless(cell);
            assert!(!out.starts_with(FORMULA), "{out}");
            // One that had the apostrophe already is the one that loses it: it would be a formula.
            if cell != "'=quoted" {
                assert_eq!(plain(&out), cell);
            }
        }
    }
}
