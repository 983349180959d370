//! Keys that nobody collected: their request is over, and they are still at the counter.

use serde_json::json;

use crate::copies::counter::at_counter;
use crate::counters::require_own;
use crate::keys::move_key;
use crate::{Act, ActError, Read};
use domain::copies::Destruction;
use domain::ids::{CopyRequestId, CounterId, DestructionId};
use domain::keys::{Key, KeyAct};
use storage::{copies, keys};

/// Keys at a counter whose request is over (its dealer, or the supplier).
pub async fn at(read: &mut Read<'_>, counter: CounterId) -> Result<Vec<Key>, ActError> {
    require_own(&mut read.db, read.caller, counter).await?;
    Ok(keys::uncollected(&mut read.db, counter).await?)
}

/// Says that the keys of a request that is over are destroyed. They count until somebody else of the
/// counter's staff has confirmed it.
pub async fn announce(act: &mut Act<'_>, id: CopyRequestId) -> Result<Destruction, ActError> {
    let (_, request) = at_counter(act, None, id).await?;
    let made_by = act.caller.require_person()?;
    if request.state.is_open() {
        return Err(ActError::WrongState {
            state: request.state.as_str(),
            detail: "the keys of this request may still be collected".to_owned(),
        });
    }
    if keys::to_hand_over(act.db(), id).await?.is_empty() {
        return Err(ActError::WrongState {
            state: "none",
            detail: "no key of it is at the counter".to_owned(),
        });
    }
    let destruction = Destruction {
        id: act.id(),
        copy_request_id: id,
        made_by,
        made_at: act.now,
        witness_id: None,
        witnessed_at: None,
    };
    if let Err(error) = copies::add_destruction(act.db(), &destruction).await {
        return Err(match error.violated() {
            Some("destructions_one_open") => ActError::Conflict("a destruction waits to be confirmed"),
            _ => error.into(),
        });
    }
    let subject = destruction.id.0;
    act.enter_change("copy.destruction_announced", Some(request.registration_id), subject, vec![]).await?;
    Ok(destruction)
}

/// Confirms as a witness that keys were destroyed: from now on they are.
pub async fn confirm(act: &mut Act<'_>, id: DestructionId) -> Result<Vec<Key>, ActError> {
    let found = copies::destruction(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (_, request) = at_counter(act, None, found.copy_request_id).await?;
    let found = copies::destruction(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let witness = act.caller.require_person()?;
    if witness == found.made_by {
        return Err(ActError::Forbidden("somebody else has to confirm this"));
    }
    if found.witnessed_at.is_some() {
        return Err(ActError::WrongState {
            state: "confirmed",
            detail: "this was confirmed before".to_owned(),
        });
    }
    let now = act.now;
    copies::witness_destruction(act.db(), id, witness, now).await?;
    let mut destroyed = Vec::new();
    for key in keys::to_hand_over(act.db(), request.id).await? {
        destroyed.push(move_key(act, key, KeyAct::Destroy, None, None).await?);
    }
    let who = vec![("witness", json!(witness)), ("made_by", json!(found.made_by))];
    act.enter_change("copy.destruction_witnessed", Some(request.registration_id), id.0, who).await?;
    Ok(destroyed)
}
