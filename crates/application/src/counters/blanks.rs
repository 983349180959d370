//! The accounts of blanks.

use serde_json::json;

use crate::counters::require_own;
use crate::{Act, ActError, Read};
use domain::counters::blanks::{
    BlankAccount, BlankDifference, BlankError, BlankMovement, Explanation, MovementKind, surplus,
};
use domain::ids::{BlankDifferenceId, BlankMovementId, CopyRequestId, CounterId, CutId, SectionId};
use domain::text::Remark;
use storage::counters::blanks;
use storage::{Portion, copies};

impl From<BlankError> for ActError {
    fn from(error: BlankError) -> Self {
        let state = match error {
            BlankError::Short { .. } => "blanks_short",
            BlankError::OverLimit { .. } => "over_limit",
            BlankError::DoesNotFit => "does_not_fit",
            BlankError::WrongExplanation => "wrong_explanation",
        };
        Self::WrongState { state, detail: error.to_string() }
    }
}

/// What is to move, or was counted.
pub struct NewMovement {
    /// The key section that it belongs to.
    pub section: SectionId,
    /// The number of blanks.
    pub quantity: u32,
    /// The copy that was being cut when a blank was spoiled.
    pub request: Option<CopyRequestId>,
    /// What there is to say.
    pub remark: Option<Remark>,
}

async fn account_for_update(
    act: &mut Act<'_>,
    counter: CounterId,
    section: SectionId,
) -> Result<BlankAccount, ActError> {
    let found = blanks::account_for_update(act.db(), counter, section).await?;
    act.read_clock();
    found.ok_or(ActError::Conflict("the counter was never appointed for this section"))
}

/// Only staff of the counter's dealer, in person or as a program.
async fn require_staff(act: &mut Act<'_>, counter: CounterId) -> Result<(), ActError> {
    let caller = act.caller;
    if caller.works_at(act.db(), counter).await? {
        return Ok(());
    }
    require_own(act.db(), caller, counter).await?;
    Err(ActError::Forbidden("only the staff of this counter may do this"))
}

/// Blanks move, or are counted: sent by the supplier; spoiled, sent back or counted by the counter.
pub async fn record(
    act: &mut Act<'_>,
    counter: CounterId,
    kind: MovementKind,
    new: NewMovement,
) -> Result<BlankMovement, ActError> {
    if kind == MovementKind::Consignment {
        act.caller.require_supplier()?;
        let caller = act.caller;
        require_own(act.db(), caller, counter).await?;
    } else {
        require_staff(act, counter).await?;
        if kind == MovementKind::Spoil {
            // The witness confirms in a session of their own: two programs have one head.
            act.caller.require_person()?;
        }
    }
    if let Some(request) = new.request {
        let found = copies::request(act.db(), request).await?;
        if found.is_none_or(|request| request.counter_id != counter) {
            return Err(ActError::invalid("/copy_request_id", "is not a request at this counter"));
        }
    }
    let account = account_for_update(act, counter, new.section).await?;
    let movement = BlankMovement {
        id: act.id(),
        counter_id: counter,
        section_id: new.section,
        kind,
        quantity: new.quantity,
        copy_request_id: new.request,
        remark: new.remark.map(String::from),
        made_by: act.caller.actor(),
        made_at: act.now,
        confirmed_by: None,
        confirmed_at: None,
        confirmed_quantity: None,
    };
    blanks::add_movement(act.db(), &movement).await?;
    let (what, after) = match kind {
        MovementKind::Consignment => ("blanks.sent", account.sent(new.quantity)?),
        MovementKind::Spoil => ("blanks.spoiled", account.spoiled(new.quantity)?),
        MovementKind::Return => ("blanks.sent_back", account.sent_back(new.quantity)?),
        MovementKind::Count => {
            // What earlier counts found and nobody explained yet is not found again.
            let open = blanks::open_counted(act.db(), counter, new.section).await?;
            let more = surplus(new.quantity, account.on_hand).saturating_sub(open);
            add_difference(act, &account, more, Origin::Movement(movement.id)).await?;
            ("blanks.counted", account)
        }
    };
    blanks::save(act.db(), &after).await?;
    act.enter_change(what, None, movement.id.0, vec![("quantity", json!(new.quantity))]).await?;
    Ok(movement)
}

/// Where a difference was found.
#[derive(Clone, Copy)]
pub(crate) enum Origin {
    Movement(BlankMovementId),
    Cut(CutId),
}

/// Opens a difference, where there is one.
pub(crate) async fn add_difference(
    act: &mut Act<'_>,
    account: &BlankAccount,
    quantity: i32,
    origin: Origin,
) -> Result<(), ActError> {
    if quantity == 0 {
        return Ok(());
    }
    let (movement_id, cut_id) = match origin {
        Origin::Movement(id) => (Some(id), None),
        Origin::Cut(id) => (None, Some(id)),
    };
    let found = BlankDifference {
        id: act.id(),
        counter_id: account.counter_id,
        section_id: account.section_id,
        quantity,
        movement_id,
        cut_id,
        found_at: act.now,
        explanation: None,
        remark: None,
        explained_at: None,
    };
    blanks::add_difference(act.db(), &found).await?;
    act.enter_change("blanks.difference", None, found.id.0, vec![("quantity", json!(quantity))]).await
}

/// The other side confirms: the counter what it received, the supplier what came back, a witness what
/// was spoiled. Another number than was stated leaves a difference.
pub async fn confirm(
    act: &mut Act<'_>,
    id: BlankMovementId,
    counted: Option<u32>,
) -> Result<BlankMovement, ActError> {
    let found = blanks::movement(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let caller = act.caller;
    require_own(act.db(), caller, found.counter_id).await?;
    let account = account_for_update(act, found.counter_id, found.section_id).await?;
    let found = blanks::movement(act.db(), id).await?.ok_or(ActError::NotFound)?;
    match found.kind {
        MovementKind::Consignment => require_staff(act, found.counter_id).await?,
        MovementKind::Return => act.caller.require_supplier()?,
        MovementKind::Spoil => {
            act.caller.require_person()?;
        }
        MovementKind::Count => {
            return Err(ActError::WrongState {
                state: "counted",
                detail: "a count is not confirmed".to_owned(),
            });
        }
    }
    if found.made_by == act.caller.actor() {
        return Err(ActError::Forbidden("somebody else has to confirm this"));
    }
    if found.confirmed_at.is_some() {
        return Err(ActError::WrongState {
            state: "confirmed",
            detail: "this was confirmed before".to_owned(),
        });
    }
    let counted = counted.unwrap_or(found.quantity);
    let after = match found.kind {
        MovementKind::Consignment => account.acknowledged(found.quantity, counted)?,
        MovementKind::Spoil if counted != found.quantity => {
            return Err(ActError::invalid("/counted", "a witness confirms the number or does not confirm"));
        }
        _ => account,
    };
    let (now, by) = (act.now, act.caller.actor());
    blanks::confirm(act.db(), id, by, counted, now).await?;
    blanks::save(act.db(), &after).await?;
    act.enter_change("blanks.confirmed", None, id.0, vec![("counted", json!(counted))]).await?;
    let more = surplus(counted, found.quantity);
    add_difference(act, &after, more, Origin::Movement(id)).await?;
    Ok(BlankMovement {
        confirmed_by: Some(by),
        confirmed_at: Some(now),
        confirmed_quantity: Some(counted),
        ..found
    })
}

/// Explains a difference; the book moves where it has to.
pub async fn explain(
    act: &mut Act<'_>,
    id: BlankDifferenceId,
    explanation: Explanation,
    remark: Option<Remark>,
) -> Result<BlankDifference, ActError> {
    act.caller.require_supplier()?;
    let found = blanks::difference(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let account = account_for_update(act, found.counter_id, found.section_id).await?;
    let found = blanks::difference(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if found.explanation.is_some() {
        return Err(ActError::WrongState {
            state: "explained",
            detail: "this difference was explained before".to_owned(),
        });
    }
    if explanation == Explanation::Other && remark.is_none() {
        return Err(ActError::invalid("/remark", "is needed: say what it was"));
    }
    let by_count = match found.movement_id {
        Some(movement) => {
            let movement = blanks::movement(act.db(), movement).await?.ok_or(ActError::NotFound)?;
            movement.kind == MovementKind::Count
        }
        None => false,
    };
    let after = account.explained(explanation, found.quantity, by_count)?;
    blanks::save(act.db(), &after).await?;
    let (now, by) = (act.now, act.caller.actor());
    let remark = remark.map(String::from);
    blanks::explain(act.db(), id, (explanation, remark.as_deref()), by, now).await?;
    act.enter_change("blanks.explained", None, id.0, vec![("explanation", json!(explanation))]).await?;
    Ok(BlankDifference { explanation: Some(explanation), remark, explained_at: Some(now), ..found })
}

/// Sets how many blanks a counter may have on hand and on the way; no limit, when absent.
pub async fn limit(
    act: &mut Act<'_>,
    counter: CounterId,
    section: SectionId,
    most_blanks: Option<u32>,
) -> Result<BlankAccount, ActError> {
    act.caller.require_supplier()?;
    let caller = act.caller;
    require_own(act.db(), caller, counter).await?;
    let account = BlankAccount { most_blanks, ..account_for_update(act, counter, section).await? };
    blanks::save(act.db(), &account).await?;
    act.enter_change("blanks.limited", None, counter.0, vec![("most_blanks", json!(most_blanks))]).await?;
    Ok(account)
}

/// The accounts of a counter.
pub async fn accounts(read: &mut Read<'_>, counter: CounterId) -> Result<Vec<BlankAccount>, ActError> {
    require_own(&mut read.db, read.caller, counter).await?;
    Ok(blanks::accounts(&mut read.db, counter).await?)
}

/// What moved at a counter.
pub async fn movements(
    read: &mut Read<'_>,
    counter: CounterId,
    portion: Portion,
) -> Result<Vec<BlankMovement>, ActError> {
    require_own(&mut read.db, read.caller, counter).await?;
    Ok(blanks::movements(&mut read.db, counter, portion).await?)
}

/// What was found to differ at a counter.
pub async fn differences(
    read: &mut Read<'_>,
    counter: CounterId,
    only_open: bool,
    portion: Portion,
) -> Result<Vec<BlankDifference>, ActError> {
    require_own(&mut read.db, read.caller, counter).await?;
    Ok(blanks::differences(&mut read.db, counter, only_open, portion).await?)
}
