//! Holds: nothing may be copied until they are lifted.

use time::Date;

use crate::log::check;
use crate::{Act, ActError, FieldProblem, Read};
use domain::ids::{DifferId, HoldId, LossId, PersonId, RegistrationId};
use domain::rights::holds::{Hold, HoldKind};
use domain::standing::SaidRow;
use domain::text::Reference;
use storage::keys::losses;
use storage::rights::holds;
use storage::{Portion, differs, people};

/// A hold to place.
pub struct NewHold {
    /// What the hold is for.
    pub kind: HoldKind,
    /// The one person whom a court bars.
    pub barred_person: Option<PersonId>,
    /// The one differ of which nothing is copied.
    pub differ: Option<DifferId>,
    /// The court.
    pub court: Option<Reference>,
    /// What stands on the paper of the order.
    pub order_reference: Option<Reference>,
    /// The day of the order.
    pub ordered_on: Option<Date>,
    /// The day on which the order ends.
    pub ends_on: Option<Date>,
}

/// Places a hold.
pub async fn place(act: &mut Act<'_>, registration: RegistrationId, new: NewHold) -> Result<Hold, ActError> {
    let (_, access) = act.registration_for_update(registration).await?;
    access.require(access.governs())?;
    let mut problems = Vec::new();
    if new.kind == HoldKind::Recovery {
        problems.push(FieldProblem::new("/kind", "is placed by the program, after a recovery"));
    }
    let by_court = new.kind == HoldKind::CourtOrder;
    // Whoever bars an owner has seen the paper: nobody does from below.
    if by_court && !access.is_supplier() {
        return Err(ActError::Forbidden("a court's order is entered by the register: send it the paper"));
    }
    for (given, pointer) in
        [(new.court.is_some(), "/court"), (new.order_reference.is_some(), "/order_reference")]
    {
        if by_court != given {
            let problem =
                if by_court { "is needed for a court order" } else { "belongs to a court order only" };
            problems.push(FieldProblem::new(pointer, problem));
        }
    }
    if let Some(person) = new.barred_person {
        if !by_court {
            problems.push(FieldProblem::new("/barred_person_id", "belongs to a court order only"));
        }
        if people::present(act.db(), person).await?.is_none() {
            problems.push(FieldProblem::new("/barred_person_id", "is not known"));
        }
    }
    if let Some(differ) = new.differ {
        if new.barred_person.is_some() {
            problems.push(FieldProblem::new("/differ_id", "does not go with one barred person"));
        }
        if differs::own(act.db(), registration, &[differ]).await?.is_empty() {
            problems.push(FieldProblem::new("/differ_id", "is not a differ of this registration"));
        }
    }
    if !problems.is_empty() {
        return Err(ActError::Invalid(problems));
    }
    let hold = Hold {
        barred_person_id: new.barred_person,
        differ_id: new.differ,
        court: new.court.map(String::from),
        order_reference: new.order_reference.map(String::from),
        ordered_on: new.ordered_on,
        ends_on: new.ends_on,
        ..Hold::new(act.id(), registration, new.kind, act.now)
    };
    place_hold(act, &hold).await?;
    Ok(hold)
}

pub(crate) async fn place_hold(act: &mut Act<'_>, hold: &Hold) -> Result<(), ActError> {
    let by = act.caller.actor();
    holds::place(act.db(), hold, by).await?;
    act.enter_change("hold.placed", Some(hold.registration_id), hold.id.0, vec![]).await
}

/// Lifts a hold. One that a court ordered is lifted by the supplier alone, who sees the paper; so is one that a
/// recovery placed: then the register takes what it has for what is, and the entry says where that is not what the log
/// says.
pub async fn lift(act: &mut Act<'_>, id: HoldId) -> Result<Hold, ActError> {
    let found = holds::hold(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = act.registration_for_update(found.registration_id).await?;
    access.require_sight(access.sees_all())?;
    access.require(match found.kind {
        HoldKind::CourtOrder | HoldKind::Recovery => access.is_supplier(),
        HoldKind::Loss | HoldKind::Theft | HoldKind::Dispute => access.governs(),
    })?;
    act.caller.require_second_factor()?;
    let found = holds::hold(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if found.lifted_at.is_some() {
        return Err(ActError::WrongState {
            state: "lifted",
            detail: "this hold was lifted before".to_owned(),
        });
    }
    if let Some(loss) = found.loss_id
        && losses::loss(act.db(), loss).await?.is_some_and(|loss| loss.decision.is_none())
    {
        return Err(ActError::WrongState {
            state: "undecided",
            detail: "this hold stands for a loss: decide on the loss".to_owned(),
        });
    }
    if found.kind != HoldKind::Recovery {
        return lift_hold(act, found).await;
    }
    act.caller.require_person()?;
    let (mut different, rows) = check::differences_now(act.db(), Some(found.registration_id)).await?;
    // What else is not as the log says is no part of a recovery, and stays an alarm.
    let named: Vec<_> = different.iter().filter_map(|one| one.entry_id).map(|entry| entry.0).collect();
    let recovered = storage::log::check::recovered(act.db(), &named).await?;
    different.retain(|one| one.entry_id.is_some_and(|entry| recovered.contains(&entry.0)));
    let lifted = lift_hold(act, found).await?;
    for difference in different {
        let now = rows.iter().find(|row| row.table.name == difference.of && row.id == difference.id);
        let row = now.cloned().or_else(|| SaidRow::missing(&difference));
        if let Some(row) = row {
            act.say(&row).await?;
        }
    }
    Ok(lifted)
}

async fn lift_hold(act: &mut Act<'_>, hold: Hold) -> Result<Hold, ActError> {
    let (by, now) = (act.caller.actor(), act.now);
    holds::lift(act.db(), hold.id, by, now).await?;
    act.enter_change("hold.lifted", Some(hold.registration_id), hold.id.0, vec![]).await?;
    Ok(Hold { lifted_at: Some(now), ..hold })
}

/// Lifts the holds that a loss placed.
pub(crate) async fn lift_for(act: &mut Act<'_>, loss: LossId) -> Result<(), ActError> {
    for hold in holds::for_loss(act.db(), loss).await? {
        lift_hold(act, hold).await?;
    }
    Ok(())
}

/// Holds of a registration.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Hold>, ActError> {
    let (_, access) = read.registration(registration).await?;
    access.require(access.sees_all())?;
    Ok(holds::of_registration(&mut read.db, registration, access.portion(portion)).await?)
}
