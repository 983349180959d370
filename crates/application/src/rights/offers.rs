//! Authorities that wait for their person, whom their giver does not know.
//!
//! A giver has the number of a person, and no more: whose it is they learn once that person has accepted. What an
//! offer rests on is looked at again then.

use time::Duration;

use crate::access::Access;
use crate::rights::authorities::{give, holder_of, require_seat};
use crate::rights::notices;
use crate::{Act, ActError, Read, access};
use domain::ids::{AuthorityId, RegistrationId};
use domain::register::registrations::Registration;
use domain::rights::authorities::{Authority, AuthorityOffer};
use domain::rights::notices::NoticeKind;
use storage::rights::{authorities, offers};
use storage::{Portion, people};

/// For how long an offer may be accepted.
const OPEN_FOR: Duration = Duration::days(30);

/// Whether the caller knows whom an authority is for. Organisations are no secret.
pub(crate) async fn knows(
    act: &mut Act<'_>,
    access: &Access,
    authority: &Authority,
) -> Result<bool, ActError> {
    let Some(person) = authority.person_id else { return Ok(true) };
    let (caller, organisations, today) = (act.caller.person(), act.caller.organisations(), act.today());
    Ok(people::is_known_to(act.db(), person, caller, &organisations, today).await?
        || authorities::had(act.db(), authority.registration_id, person, access.before()).await?)
}

/// Offers an authority to its person, who is told.
pub(crate) async fn make(
    act: &mut Act<'_>,
    registration: &Registration,
    authority: Authority,
) -> Result<AuthorityOffer, ActError> {
    let offer = AuthorityOffer {
        id: authority.id,
        premises: registration.premises.clone(),
        authority,
        offered_by: act.caller.actor(),
        open_until: act.now + OPEN_FOR,
        settled_at: None,
        accepted: false,
    };
    offers::add(act.db(), &offer).await?;
    let who = holder_of(&offer.authority);
    act.enter_change("authority.offered", Some(registration.id), offer.id.0, who).await?;
    if let Some(person) = offer.authority.person_id {
        notices::tell(act, person, NoticeKind::AuthorityOffered, Some(registration.id), offer.id.0).await?;
    }
    Ok(offer)
}

/// The offers of a registration: all for those who see all, else one's own.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<AuthorityOffer>, ActError> {
    let (_, access) = read.registration(registration).await?;
    if access.sees_all() {
        return Ok(offers::of_registration(&mut read.db, registration, access.portion(portion)).await?);
    }
    let mut own = offers::of_registration(&mut read.db, registration, access.portion(Portion::ALL)).await?;
    own.retain(|offer| offer.offered_by == read.caller.actor());
    Ok(portion.of(own, |offer| offer.id.0))
}

/// What was offered to the caller.
pub async fn own(read: &mut Read<'_>, portion: Portion) -> Result<Vec<AuthorityOffer>, ActError> {
    let person = read.caller.require_person()?;
    Ok(offers::to_person(&mut read.db, person, portion).await?)
}

/// One offer: to the caller, or by the caller, or on a registration of which they see everything.
pub async fn offer(read: &mut Read<'_>, id: AuthorityId) -> Result<AuthorityOffer, ActError> {
    let found = offers::offer(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    if found.authority.person_id.is_some() && found.authority.person_id == read.caller.person() {
        return Ok(found);
    }
    let (_, access) = read.registration_of(found.authority.registration_id, id).await?;
    access.require_sight(access.sees_all() || found.offered_by == read.caller.actor())?;
    Ok(found)
}

/// The person accepts: the authority is given, if what it rests on still stands.
pub async fn accept(act: &mut Act<'_>, id: AuthorityId) -> Result<Authority, ActError> {
    let found = offers::offer(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let person = act.caller.person().filter(|person| found.authority.person_id == Some(*person));
    let person = person.ok_or(ActError::NotFound)?;
    let registration = act.registration_offered(found.authority.registration_id).await?;
    let found = offers::offer(act.db(), id).await?.ok_or(ActError::NotFound)?;
    require_open(&found, act)?;
    access::require_active(&registration)?;
    let ended = ActError::Conflict("what this offer rests on has ended");
    let today = act.today();
    let under = match found.authority.given_under {
        Some(under) => authorities::authority(act.db(), under).await?,
        None => None,
    };
    let stands = |own: &Authority| own.in_force(today) && found.authority.fits_under(own);
    let Some(under) = under.filter(stands) else { return Err(ended) };
    require_seat(act, &under, found.offered_by).await.map_err(|error| match error {
        ActError::Forbidden(_) => ended,
        other => other,
    })?;
    people::present(act.db(), person).await?.ok_or(ActError::NotFound)?;
    let now = act.now;
    offers::settle(act.db(), id, true, now).await?;
    let authority = Authority { given_at: now, ..found.authority };
    let mut who = holder_of(&authority);
    who.push(("giver", serde_json::json!(found.offered_by)));
    give(act, &authority, found.offered_by, who).await?;
    Ok(authority)
}

/// The person declines, or the giver's side takes it back.
pub async fn withdraw(act: &mut Act<'_>, id: AuthorityId) -> Result<AuthorityOffer, ActError> {
    let found = offers::offer(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let registration = found.authority.registration_id;
    let concerned = act.caller.person().is_some_and(|person| found.authority.person_id == Some(person))
        || found.offered_by == act.caller.actor();
    if concerned {
        act.registration_offered(registration).await?;
    } else {
        let (_, access) = act.registration_for_update(registration).await?;
        access.require_sight(access.sees_all())?;
        access.require(access.governs())?;
    }
    let found = offers::offer(act.db(), id).await?.ok_or(ActError::NotFound)?;
    require_open(&found, act)?;
    let now = act.now;
    offers::settle(act.db(), id, false, now).await?;
    act.enter_change("authority.offer_withdrawn", Some(registration), id.0, vec![]).await?;
    Ok(AuthorityOffer { settled_at: Some(now), ..found })
}

fn require_open(offer: &AuthorityOffer, act: &Act<'_>) -> Result<(), ActError> {
    let state = match offer.settled_at {
        Some(_) if offer.accepted => "accepted",
        Some(_) => "withdrawn",
        None if offer.open_until <= act.now => "lapsed",
        None => return Ok(()),
    };
    Err(ActError::WrongState { state, detail: "this offer is not open any more".to_owned() })
}
