//! Registrations, and how they stood at some instant.

use serde_json::Value;
use time::OffsetDateTime;

use crate::access::Access;
use crate::differs::answers;
use crate::keys::audits;
use crate::register::rules;
use crate::{Act, ActError, Read, access};
use domain::ids::{OrganisationId, RegistrationId, SectionId};
use domain::keys::KeyState;
use domain::numbers::TypedNumber;
use domain::register::registrations::Registration;
use domain::register::rules::Rules;
use domain::standing::SaidTable;
use domain::text::Premises;
use storage::differs::answers as stored_answers;
use storage::register::{history, registrations, rules as stored_rules, sections};
use storage::{Portion, people, sites};

/// Registers premises of an owner. The rules are the supplier's defaults, as version 1.
pub async fn add(
    act: &mut Act<'_>,
    section: SectionId,
    owner: OrganisationId,
    premises: Premises,
) -> Result<Registration, ActError> {
    add_numbered(act, section, owner, premises, None).await
}

/// Registers premises under the number that they had before; a new one is drawn where there is none.
pub async fn add_numbered(
    act: &mut Act<'_>,
    section: SectionId,
    owner: OrganisationId,
    premises: Premises,
    number: Option<TypedNumber>,
) -> Result<Registration, ActError> {
    act.caller.require_supplier()?;
    if sections::section(act.db(), section).await?.is_none() {
        return Err(ActError::invalid("/section_id", "is not known"));
    }
    if people::organisation(act.db(), owner).await?.is_none() {
        return Err(ActError::invalid("/owner_id", "is not known"));
    }
    let drawn = || TypedNumber::from_value(u64::from_be_bytes(act.outside().bytes()));
    let number = number.unwrap_or_else(drawn);
    let registration = Registration {
        id: act.id(),
        number,
        section_id: section,
        owner_id: owner,
        premises: premises.into(),
        rules_version: 1,
        version: 1,
        created_at: act.now,
        owner_since: None,
        ended_at: None,
    };
    registrations::add(act.db(), &registration).await?;
    let (_, defaults) = rules::newest_defaults(act.db()).await?;
    let (by, now) = (act.caller.actor(), act.now);
    stored_rules::add(act.db(), registration.id, 1, &defaults, by, now).await?;
    audits::plan_next(act, &registration, &rules::parsed(defaults)?).await?;
    act.enter_change("registration.added", Some(registration.id), registration.id.0, vec![]).await?;
    Ok(registration)
}

/// A registration.
pub async fn registration(read: &mut Read<'_>, id: RegistrationId) -> Result<Registration, ActError> {
    Ok(read.registration(id).await?.0)
}

/// The registrations that the caller may see; by its typed number, at most one.
pub async fn all(
    read: &mut Read<'_>,
    number: Option<&TypedNumber>,
    portion: Portion,
) -> Result<Vec<Registration>, ActError> {
    if let Some(number) = number {
        let Some(found) = registrations::by_number(&mut read.db, number).await? else { return Ok(vec![]) };
        return match read.registration(found.id).await {
            Ok((registration, _)) => Ok(vec![registration]),
            Err(ActError::NotFound) => Ok(vec![]),
            Err(error) => Err(error),
        };
    }
    if read.caller.is_supplier() {
        Ok(registrations::all(&mut read.db, portion).await?)
    } else {
        Ok(registrations::of_parties(
            &mut read.db,
            read.caller.person(),
            &read.caller.organisations(),
            read.today,
            portion,
        )
        .await?)
    }
}

/// Changes where the locks of a registration are, if it is still at `version`.
pub async fn change(
    act: &mut Act<'_>,
    id: RegistrationId,
    version: i32,
    premises: Premises,
) -> Result<Registration, ActError> {
    let (before, access) = act.registration_for_update(id).await?;
    access.require(access.owns())?;
    access::require_active(&before)?;
    if before.version != version {
        return Err(ActError::Stale);
    }
    let after = Registration { premises: premises.into(), version: version + 1, ..before };
    let now = act.now;
    registrations::change(act.db(), &after, now).await?;
    act.enter_change("registration.changed", Some(id), id.0, vec![]).await?;
    Ok(after)
}

/// Ends a registration. Open requests stop.
pub async fn end(act: &mut Act<'_>, id: RegistrationId) -> Result<Registration, ActError> {
    let (_, access) = act.registration(id).await?;
    access.require(access.is_supplier())?;
    let site = sites::site_of_plot(act.db(), id).await?;
    if let Some(site) = site {
        registrations::registration_for_update(act.db(), site).await?;
    }
    let (before, _) = act.registration_for_update(id).await?;
    access::require_active(&before)?;
    let now = act.now;
    let after = Registration { ended_at: Some(now), version: before.version + 1, ..before };
    registrations::change(act.db(), &after, now).await?;
    act.enter_change("registration.ended", Some(id), id.0, vec![]).await?;
    let open = storage::copies::open(act.db(), id).await?;
    crate::copies::stop(act, &after, open).await?;
    crate::cards::revoke_all(act, id).await?;
    // A plot that is given up holds its site's key alive no longer.
    for (lock, differ) in stored_answers::elsewhere(act.db(), id).await? {
        answers::change_levers(act, id, lock, &[differ], &[]).await?;
    }
    Ok(after)
}

/// Sets the rules of a registration, if they are still at `version`. Owners and the supplier do.
pub async fn set_rules(
    act: &mut Act<'_>,
    id: RegistrationId,
    version: i32,
    new: &Rules,
) -> Result<i32, ActError> {
    let (before, access) = act.registration_for_update(id).await?;
    access.require(access.owns())?;
    act.caller.require_second_factor()?;
    access::require_active(&before)?;
    rules::check(new)?;
    if before.rules_version != version {
        return Err(ActError::Stale);
    }
    let (value, by, now) = (rules::value(new)?, act.caller.actor(), act.now);
    stored_rules::add(act.db(), id, version + 1, &value, by, now).await?;
    let after = Registration { rules_version: version + 1, version: before.version + 1, ..before };
    registrations::change(act.db(), &after, now).await?;
    audits::plan_next(act, &after, new).await?;
    act.enter_change("rules.set", Some(id), id.0, vec![]).await?;
    Ok(after.rules_version)
}

/// A record that belongs to no registration as it stood at an instant: the table, and the row.
pub async fn record_as_of(
    read: &mut Read<'_>,
    id: uuid::Uuid,
    at: OffsetDateTime,
) -> Result<(String, Value), ActError> {
    read.caller.require_supplier()?;
    let (table, row) = history::record_as_of(&mut read.db, id, at).await?.ok_or(ActError::NotFound)?;
    shown(table, &row).ok_or(ActError::NotFound)
}

/// A row of the past, with the columns that leave the register.
fn shown(table: String, row: &Value) -> Option<(String, Value)> {
    let shown = SaidTable::named(&table)?.shown(row);
    Some((table, shown))
}

/// Whether a row lasts beyond a change of hands; everything else on a registration happened in somebody's time.
fn lasts(table: &str, row: &Value) -> bool {
    let text = |name: &str| row.get(name).and_then(Value::as_str);
    match table {
        "registrations" | "locks" | "differs" | "lever_packs" | "plots" => true,
        "keys" => text("state").and_then(|state| state.parse().ok()).is_some_and(KeyState::exists),
        "answers" => text("until").is_none(),
        _ => false,
    }
}

/// Whether a row is one of the caller's time.
fn is_of_own_time(access: &Access, row: &Value) -> bool {
    let id = row.get("id").and_then(Value::as_str).and_then(|id| id.parse::<uuid::Uuid>().ok());
    id.is_none_or(|id| access.require_own_time(id).is_ok())
}

/// A registration with everything on it, as it stood at an instant: the table, and the row.
pub async fn as_of(
    read: &mut Read<'_>,
    registration: RegistrationId,
    at: OffsetDateTime,
) -> Result<Vec<(String, Value)>, ActError> {
    let (_, access) = read.registration(registration).await?;
    access.require(access.sees_all())?;
    access.require_sight(access.since().is_none_or(|since| at >= since))?;
    let mut rows = history::as_of(&mut read.db, registration, at).await?;
    rows.retain(|(table, row)| lasts(table, row) || is_of_own_time(&access, row));
    Ok(rows.into_iter().filter_map(|(table, row)| shown(table, &row)).collect())
}
