//! The register opens a way into an account whose owner has lost it: two of its people do, with a reason, a notice to
//! the person and an entry each. Nobody of them learns anything with which to sign in.

use serde_json::json;
use time::Duration;

use crate::people::invitations;
use crate::rights::notices;
use crate::{Act, ActError, Read};
use domain::ids::{AccountResetId, PersonId};
use domain::people::AccountReset;
use domain::rights::notices::NoticeKind;
use domain::text::{Email, Remark};
use storage::people::{accounts, sessions};
use storage::{Portion, people};

/// For how long a reset may wait for a second person.
const WAITS: Duration = Duration::days(7);

/// Asks for a reset of somebody's account, with another address where the old one is lost too.
pub async fn ask(
    act: &mut Act<'_>,
    person: PersonId,
    reason: Remark,
    email: Option<Email>,
) -> Result<AccountReset, ActError> {
    let asked_by = require_other(act, person)?;
    people::present(act.db(), person).await?.ok_or(ActError::NotFound)?;
    if accounts::account(act.db(), person).await?.is_none() {
        return Err(ActError::Conflict("this person has no account: an invitation makes one"));
    }
    let reset = AccountReset {
        id: act.id(),
        person_id: person,
        reason: Some(reason.into()),
        asked_by,
        asked_at: act.now,
        confirmed_by: None,
        confirmed_at: None,
    };
    accounts::add_reset(act.db(), &reset, email.as_ref().map(Email::as_str)).await?;
    tell(act, &reset, NoticeKind::AccountResetAsked, "account_reset.asked").await?;
    Ok(reset)
}

/// Confirms a reset: password, second factor and sessions end, and an invitation goes to the address.
pub async fn confirm(act: &mut Act<'_>, id: AccountResetId) -> Result<AccountReset, ActError> {
    act.caller.require_supplier()?;
    let found = accounts::reset_for_update(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let confirmed_by = require_other(act, found.person_id)?;
    if confirmed_by == found.asked_by {
        return Err(ActError::Forbidden("somebody else than who asked for it confirms a reset"));
    }
    let late = act.now > found.asked_at + WAITS;
    if found.confirmed_at.is_some() || late {
        let state = if late { "lapsed" } else { "confirmed" };
        let detail = "only a reset that waits for a second person is confirmed".to_owned();
        return Err(ActError::WrongState { state, detail });
    }
    let (person, now) = (found.person_id, act.now);
    let account = accounts::account(act.db(), person).await?.ok_or(ActError::NotFound)?;
    let email = match accounts::address_of_reset(act.db(), id).await? {
        Some(other) => {
            people::set_email(act.db(), person, &other).await?;
            other
        }
        None => account.email,
    };
    accounts::remove(act.db(), person).await?;
    sessions::end_all(act.db(), person, now).await?;
    invitations::invite(act, person, &email).await?;
    let reset = AccountReset { confirmed_by: Some(confirmed_by), confirmed_at: Some(now), ..found };
    accounts::confirm_reset(act.db(), &reset).await?;
    tracing::warn!(account.id = %person, what = "reset", "account.changed");
    tell(act, &reset, NoticeKind::AccountReset, "account_reset.confirmed").await?;
    Ok(reset)
}

/// Resets, those that were confirmed too.
pub async fn all(read: &mut Read<'_>, portion: Portion) -> Result<Vec<AccountReset>, ActError> {
    read.caller.require_supplier()?;
    Ok(accounts::resets(&mut read.db, portion).await?)
}

/// Somebody of the register, who is not the person whose account it is.
fn require_other(act: &Act<'_>, person: PersonId) -> Result<PersonId, ActError> {
    act.caller.require_supplier()?;
    let own = act.caller.require_person()?;
    if own == person {
        return Err(ActError::Forbidden("nobody resets their own account"));
    }
    Ok(own)
}

/// The notice to the person, and the entry.
async fn tell(
    act: &mut Act<'_>,
    reset: &AccountReset,
    notice: NoticeKind,
    entry: &'static str,
) -> Result<(), ActError> {
    notices::tell(act, reset.person_id, notice, None, reset.id.0).await?;
    act.enter_change(entry, None, reset.id.0, vec![("person", json!(reset.person_id))]).await
}
