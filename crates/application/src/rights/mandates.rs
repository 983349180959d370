//! Mandates to collect for somebody else.

use serde_json::json;
use time::Date;

use crate::{Act, ActError, FieldProblem, Read, access};
use domain::calendar::{BACKWARDS, Period};
use domain::ids::{MandateId, PersonId, RegistrationId};
use domain::rights::authorities::Mandate;
use storage::rights::authorities;
use storage::{Portion, people};

/// Records a mandate: somebody may collect for somebody else, between two days.
pub async fn add(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    recipient: PersonId,
    collector: PersonId,
    days: (Date, Date),
) -> Result<Mandate, ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    access.require(access.governs() || act.caller.person() == Some(recipient))?;
    access::require_active(&registration)?;
    let mut problems = Vec::new();
    if recipient == collector {
        problems.push(FieldProblem::new("/collector_id", "must be somebody else than the recipient"));
    }
    for (person, pointer) in [(recipient, "/recipient_id"), (collector, "/collector_id")] {
        if people::present(act.db(), person).await?.is_none() {
            problems.push(FieldProblem::new(pointer, "is not known"));
        }
    }
    let (first_day, last_day) = days;
    if (Period { first_day, last_day: Some(last_day) }).is_backwards() {
        problems.push(FieldProblem::new("/last_day", BACKWARDS));
    }
    if !problems.is_empty() {
        return Err(ActError::Invalid(problems));
    }
    let mandate = Mandate {
        id: act.id(),
        registration_id,
        recipient_id: recipient,
        collector_id: collector,
        first_day,
        last_day,
        revoked_at: None,
    };
    let now = act.now;
    authorities::add_mandate(act.db(), &mandate, now).await?;
    let who = vec![("recipient", json!(recipient)), ("collector", json!(collector))];
    act.enter_change("mandate.given", Some(registration_id), mandate.id.0, who).await?;
    Ok(mandate)
}

/// Mandates of a registration: all for those who see all, else one's own.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Mandate>, ActError> {
    let (_, access) = read.registration(registration).await?;
    if access.sees_all() {
        return Ok(authorities::mandates(&mut read.db, registration, access.portion(portion)).await?);
    }
    let mut own = authorities::mandates(&mut read.db, registration, Portion::ALL).await?;
    own.retain(|mandate| read.caller.person() == Some(mandate.recipient_id));
    Ok(portion.of(own, |mandate| mandate.id.0))
}

/// Revokes a mandate.
pub async fn revoke(act: &mut Act<'_>, id: MandateId) -> Result<Mandate, ActError> {
    let found = authorities::mandate(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = act.registration_for_update(found.registration_id).await?;
    if !access.governs() && act.caller.person() != Some(found.recipient_id) {
        return Err(ActError::NotFound);
    }
    let found = authorities::mandate(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if found.revoked_at.is_some() {
        return Err(ActError::WrongState {
            state: "revoked",
            detail: "this mandate was revoked before".to_owned(),
        });
    }
    let now = act.now;
    authorities::revoke_mandate(act.db(), id, now).await?;
    act.enter_change("mandate.revoked", Some(found.registration_id), id.0, vec![]).await?;
    Ok(Mandate { revoked_at: Some(now), ..found })
}
