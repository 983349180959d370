//! Keys that nobody collected: their request is over, and they are still at the counter.

use serde_json::json;

use super::counter::at_counter;
use crate::application::access::Caller;
use crate::application::counters::require_own;
use crate::application::keys::move_key;
use crate::application::{Act, ActError, App};
use crate::domain::copy_request::RequestState;
use crate::domain::ids::{CopyRequestId, CounterId, PersonId};
use crate::domain::key::KeyAct;
use crate::domain::records::Key;
use crate::storage::{keys, people, sections};

/// Keys at a counter whose request is over (its dealer, or the supplier).
pub async fn at(app: &App, caller: &Caller, counter: CounterId) -> Result<Vec<Key>, ActError> {
    let mut db = app.pool.acquire().await?;
    require_own(&mut db, caller, counter).await?;
    Ok(keys::uncollected(&mut db, counter).await?)
}

/// Destroys the keys of a request that is over, before a witness of the same dealer.
pub async fn destroy(act: &mut Act<'_>, id: CopyRequestId, witness: PersonId) -> Result<Vec<Key>, ActError> {
    let (_, request) = at_counter(act, id).await?;
    if matches!(request.state, RequestState::Waiting | RequestState::Authorised) {
        return Err(ActError::WrongState {
            state: request.state.as_str(),
            detail: "the keys of this request may still be collected".to_owned(),
        });
    }
    let today = act.today();
    let dealer = sections::dealer_of(act.db(), request.counter_id).await?;
    let seats = people::seats(act.db(), witness, today).await?;
    let stands_by = seats.iter().any(|seat| Some(seat.organisation) == dealer);
    if !stands_by || act.caller.person() == Some(witness) {
        return Err(ActError::invalid("/witness_id", "must be somebody else of the counter's staff"));
    }
    let mut destroyed = Vec::new();
    for key in keys::to_hand_over(act.db(), id).await? {
        destroyed.push(move_key(act, key, KeyAct::Destroy, None, None).await?);
    }
    if destroyed.is_empty() {
        return Err(ActError::WrongState {
            state: "none",
            detail: "no key of it is at the counter".to_owned(),
        });
    }
    let what = vec![("witness", json!(witness)), ("keys", json!(destroyed.len()))];
    act.record_change("copy.uncollected_destroyed", Some(request.registration_id), id.0, what).await?;
    Ok(destroyed)
}
