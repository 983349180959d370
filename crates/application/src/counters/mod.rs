//! Counters and their appointments.

pub mod blanks;
pub mod signals;

use time::Date;

use crate::caller::Caller;
use crate::{Act, ActError, Read};
use domain::calendar::{BACKWARDS, Period};
use domain::copies::{CopyRequest, RequestState};
use domain::counters::opening_hours::OpeningHours;
use domain::counters::{Appointment, Counter};
use domain::ids::{AppointmentId, CounterId, OrganisationId, SectionId};
use domain::people::OrganisationKind;
use domain::text::Name;
use storage::register::sections;
use storage::{Portion, copies, counters, people};

/// Adds a counter of a dealer.
pub async fn add(act: &mut Act<'_>, dealer: OrganisationId, name: Name) -> Result<Counter, ActError> {
    act.caller.require_supplier()?;
    let organisation = people::organisation(act.db(), dealer).await?;
    if organisation.is_none_or(|organisation| organisation.kind != OrganisationKind::Dealer) {
        return Err(ActError::invalid("/dealer_id", "is not a dealer"));
    }
    let counter = Counter { id: act.id(), dealer_id: dealer, name: name.into(), time_zone: None };
    let now = act.now;
    counters::add(act.db(), &counter, now).await?;
    act.enter_change("counter.added", None, counter.id.0, vec![]).await?;
    Ok(counter)
}

/// A counter: whoever signed in may see which there are, to choose one.
pub async fn counter(read: &mut Read<'_>, id: CounterId) -> Result<Counter, ActError> {
    counters::counter(&mut read.db, id).await?.ok_or(ActError::NotFound)
}

/// Counters, those that are appointed for a section today if one is named.
pub async fn all(
    read: &mut Read<'_>,
    section: Option<SectionId>,
    portion: Portion,
) -> Result<Vec<Counter>, ActError> {
    Ok(counters::all(&mut read.db, section, read.today, portion).await?)
}

/// The supplier, or staff of the counter's dealer.
pub(super) async fn require_own(
    db: &mut sqlx::PgConnection,
    caller: &Caller,
    counter: CounterId,
) -> Result<(), ActError> {
    let exists = counters::counter(db, counter).await?.is_some();
    if exists && (caller.is_supplier() || caller.works_at(db, counter).await?) {
        Ok(())
    } else {
        Err(ActError::NotFound)
    }
}

/// Appoints a counter for a section.
pub async fn appoint(
    act: &mut Act<'_>,
    counter: CounterId,
    section: SectionId,
    days: (Date, Option<Date>),
) -> Result<Appointment, ActError> {
    act.caller.require_supplier()?;
    if counters::counter(act.db(), counter).await?.is_none() {
        return Err(ActError::NotFound);
    }
    if sections::section(act.db(), section).await?.is_none() {
        return Err(ActError::invalid("/section_id", "is not known"));
    }
    let (first_day, last_day) = days;
    if (Period { first_day, last_day }).is_backwards() {
        return Err(ActError::invalid("/last_day", BACKWARDS));
    }
    let appointment = Appointment {
        id: act.id(),
        counter_id: counter,
        section_id: section,
        first_day,
        last_day,
        revoked_at: None,
    };
    let now = act.now;
    if let Err(error) = counters::appoint(act.db(), &appointment, now).await {
        return Err(match error.violated() {
            Some("appointments_one_at_a_time") => {
                ActError::Conflict("the counter is appointed for this section in those days already")
            }
            _ => error.into(),
        });
    }
    act.enter_change("appointment.added", None, appointment.id.0, vec![]).await?;
    Ok(appointment)
}

/// Revokes an appointment. A cut that has not committed waits for this, and is refused.
pub async fn revoke_appointment(act: &mut Act<'_>, id: AppointmentId) -> Result<Appointment, ActError> {
    act.caller.require_supplier()?;
    let appointment = counters::appointment_for_update(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if appointment.revoked_at.is_some() {
        return Err(ActError::WrongState {
            state: "revoked",
            detail: "this appointment was revoked before".to_owned(),
        });
    }
    let now = act.now;
    counters::revoke_appointment(act.db(), id, now).await?;
    act.enter_change("appointment.revoked", None, id.0, vec![]).await?;
    Ok(Appointment { revoked_at: Some(now), ..appointment })
}

/// The appointments of a counter.
pub async fn appointments(
    read: &mut Read<'_>,
    counter: CounterId,
    portion: Portion,
) -> Result<Vec<Appointment>, ActError> {
    require_own(&mut read.db, read.caller, counter).await?;
    Ok(counters::appointments(&mut read.db, counter, portion).await?)
}

/// What a counter has to cut and hand over.
pub async fn requests(
    read: &mut Read<'_>,
    counter: CounterId,
    state: Option<RequestState>,
    portion: Portion,
) -> Result<Vec<CopyRequest>, ActError> {
    require_own(&mut read.db, read.caller, counter).await?;
    Ok(copies::of_counter(&mut read.db, counter, state, portion).await?)
}

/// States when a counter is open, in place of what was stated before.
pub async fn set_opening_hours(
    act: &mut Act<'_>,
    id: CounterId,
    time_zone: &str,
    mut hours: Vec<OpeningHours>,
) -> Result<Counter, ActError> {
    act.caller.require_supplier()?;
    let counter = counters::counter(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if !counters::is_time_zone(act.db(), time_zone).await? {
        return Err(ActError::invalid("/time_zone", "is not a time zone of the IANA database"));
    }
    hours.sort_unstable();
    let overlap = |pair: &[OpeningHours]| match pair {
        [a, b] => a.weekday == b.weekday && b.opens < a.closes,
        _ => false,
    };
    if hours.len() > 50 || hours.windows(2).any(overlap) {
        return Err(ActError::invalid("/hours", "must be at most 50 stretches that do not overlap"));
    }
    let now = act.now;
    counters::set_opening_hours(act.db(), id, time_zone, &hours, now).await?;
    act.enter_change("counter.hours_stated", None, id.0, vec![]).await?;
    Ok(Counter { time_zone: Some(time_zone.to_owned()), ..counter })
}

/// When a counter is open: for whoever signed in.
pub async fn opening_hours(read: &mut Read<'_>, id: CounterId) -> Result<Vec<OpeningHours>, ActError> {
    if counters::counter(&mut read.db, id).await?.is_none() {
        return Err(ActError::NotFound);
    }
    Ok(counters::opening_hours(&mut read.db, id).await?)
}
