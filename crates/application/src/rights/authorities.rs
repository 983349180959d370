//! Authorities: given, seen, revoked.

use serde_json::json;
use sqlx::PgConnection;
use time::Date;

use crate::access::Access;
use crate::register::rules;
use crate::{Act, ActError, Read, rights};
use domain::cautions;
use domain::ids::{ActorId, AuthorityId, PersonId, RegistrationId};
use domain::register::registrations::Registration;
use domain::rights::authorities::{Authority, AuthorityClass};
use domain::rights::{Ending, LeftWithout, told_in_time};
use storage::copies::facts;
use storage::people::memberships;
use storage::rights::authorities;
use storage::{Portion, people};

/// Writes an authority, and the entry that it was given.
pub(crate) async fn give(
    act: &mut Act<'_>,
    authority: &Authority,
    giver: ActorId,
    who: Vec<(&'static str, serde_json::Value)>,
) -> Result<(), ActError> {
    authorities::add(act.db(), authority, giver).await?;
    act.enter_change("authority.given", Some(authority.registration_id), authority.id.0, who).await
}

/// Where it is given under an organisation's authority: the giver's seat, until this act ends.
pub(crate) async fn require_seat(
    act: &mut Act<'_>,
    under: &Authority,
    giver: ActorId,
) -> Result<(), ActError> {
    let Some(organisation) = under.organisation_id else { return Ok(()) };
    // A program of the organisation has no seat that could end.
    let Some(giver) = people::person(act.db(), PersonId(giver.0)).await? else { return Ok(()) };
    facts::memberships_for_share(act.db(), &[giver.id]).await?;
    let today = act.today();
    let seats = memberships::seats(act.db(), giver.id, today).await?;
    if seats.iter().any(|seat| seat.organisation_id == organisation) {
        Ok(())
    } else {
        Err(ActError::Forbidden("the giver's place in this organisation has ended"))
    }
}

/// Lets an authority outlast the seat of whoever gave it: by a head of the organisation under whose authority it
/// was given, who is somebody else.
pub async fn confirm(act: &mut Act<'_>, id: AuthorityId) -> Result<Authority, ActError> {
    let found = authorities::authority(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    let found = authorities::authority(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let own = access.authorities.iter().any(|own| own.id == id);
    access.require_sight(own || access.sees_all())?;
    let head = act.caller.require_person()?;
    let under = match found.given_under {
        Some(under) => authorities::authority(act.db(), under).await?.and_then(|under| under.organisation_id),
        None => None,
    };
    access.require(under.is_some_and(|organisation| act.caller.heads(organisation)))?;
    if authorities::was_given_by(act.db(), id, head).await? {
        return Err(ActError::Forbidden("somebody else than its giver confirms an authority"));
    }
    if let Some(state) = not_confirmable(&found) {
        let detail = "only an authority that stands and was not confirmed is confirmed".to_owned();
        return Err(ActError::WrongState { state, detail });
    }
    let now = act.now;
    authorities::confirm(act.db(), id, head, now).await?;
    let who = holder_of(&found);
    act.enter_change("authority.confirmed", Some(registration.id), id.0, who).await?;
    Ok(Authority { confirmed_by: Some(head), ..found })
}

/// The state in which an authority is not confirmed any more.
fn not_confirmable(authority: &Authority) -> Option<&'static str> {
    match (authority.revoked_at, authority.confirmed_by) {
        (Some(_), _) => Some("revoked"),
        (None, Some(_)) => Some("confirmed"),
        (None, None) => None,
    }
}

/// Authorities of a registration: all for those who see all, else one's own.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Authority>, ActError> {
    let (_, access) = read.registration(registration).await?;
    if !access.sees_all() {
        return Ok(portion.of(access.authorities, |own| own.id.0));
    }
    Ok(authorities::of_registration(&mut read.db, registration, access.portion(portion)).await?)
}

/// One authority.
pub async fn authority(read: &mut Read<'_>, id: AuthorityId) -> Result<Authority, ActError> {
    let found = authorities::authority(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = read.registration_of(found.registration_id, found.id).await?;
    let own = access.authorities.iter().any(|own| own.id == id);
    access.require_sight(own || access.sees_all())?;
    Ok(found)
}

/// What goes with an authority when it is revoked, or with a seat when it ends.
#[derive(Default)]
pub struct Consequences {
    /// It and every authority that was given under it.
    pub authorities: Vec<Authority>,
    /// What people are left without.
    pub left: LeftWithout,
    /// The register was told longer after the person left than the rules allow.
    pub told_late: bool,
    /// What to think of first.
    pub cautions: Vec<&'static str>,
}

/// Shows what goes with an authority before it is revoked. Changes nothing, and waits for nobody.
pub async fn consequences(
    read: &mut Read<'_>,
    id: AuthorityId,
    left_on: Option<Date>,
) -> Result<Consequences, ActError> {
    let found = authorities::authority(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = read.registration_of(found.registration_id, found.id).await?;
    require_revocable(&access, &found)?;
    let tree = authorities::tree(&mut read.db, id).await?;
    let ids: Vec<AuthorityId> = tree.iter().map(|authority| authority.id).collect();
    let ending = Ending {
        authorities: &ids,
        seat: None,
        at: read.now,
        left: left_on.and_then(|day| leaver(&found, day)),
    };
    let left = rights::left_without(&mut read.db, registration.id, Some(&ending), read.today).await?;
    consequences_of(&mut read.db, &registration, tree, left, left_on, read.today).await
}

/// Revokes an authority and all that was given under it: one entry each. Requests that rested on them
/// stop, cards of people who have no right left are revoked.
pub async fn revoke(
    act: &mut Act<'_>,
    id: AuthorityId,
    left_on: Option<Date>,
) -> Result<Consequences, ActError> {
    let found = authorities::authority(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    let found = authorities::authority(act.db(), id).await?.ok_or(ActError::NotFound)?;
    require_revocable(&access, &found)?;
    let (now, today) = (act.now, act.today());
    let tree = authorities::tree(act.db(), id).await?;
    let ids: Vec<AuthorityId> = tree.iter().map(|authority| authority.id).collect();
    let ending =
        Ending { authorities: &ids, seat: None, at: now, left: left_on.and_then(|day| leaver(&found, day)) };
    let left = end(act, &registration, &tree, &ending).await?;
    consequences_of(act.db(), &registration, tree, left, left_on, today).await
}

/// Ends authorities and what goes with them: one entry each.
pub(crate) async fn end(
    act: &mut Act<'_>,
    registration: &Registration,
    given: &[Authority],
    ending: &Ending<'_>,
) -> Result<LeftWithout, ActError> {
    let today = act.today();
    let left = rights::left_without(act.db(), registration.id, Some(ending), today).await?;
    for authority in given.iter().filter(|authority| authority.revoked_at.is_none()) {
        let ended = ending.end(authority.clone());
        authorities::end(act.db(), &ended).await?;
        let who = holder_of(authority);
        act.enter_change("authority.revoked", Some(registration.id), authority.id.0, who).await?;
    }
    for card in &left.cards {
        crate::cards::revoke_with_right(act, card).await?;
    }
    crate::copies::stop(act, registration, left.requests.clone()).await?;
    Ok(left)
}

/// What an entry about an authority commits to.
pub(crate) fn holder_of(authority: &Authority) -> Vec<(&'static str, serde_json::Value)> {
    vec![
        ("class", json!(authority.class)),
        ("person", json!(authority.person_id)),
        ("organisation", json!(authority.organisation_id)),
    ]
}

/// The person who left, where the authority is a person's.
fn leaver(authority: &Authority, day: Date) -> Option<(PersonId, Date)> {
    authority.person_id.map(|person| (person, day))
}

/// Whether the caller sees the authority, may revoke it, and it was not revoked before.
fn require_revocable(access: &Access, found: &Authority) -> Result<(), ActError> {
    let own = access.authorities.iter().any(|own| own.id == found.id);
    access.require_sight(own || access.sees_all())?;
    let may = match found.class {
        AuthorityClass::Owner => access.is_supplier(),
        AuthorityClass::Agent => access.owns(),
        AuthorityClass::Signatory | AuthorityClass::Keyholder => {
            access.governs() || access.authorities.iter().any(|own| Some(own.id) == found.given_under)
        }
    };
    access.require(may)?;
    if found.revoked_at.is_some() {
        return Err(ActError::WrongState {
            state: "revoked",
            detail: "this authority was revoked before".to_owned(),
        });
    }
    Ok(())
}

async fn consequences_of(
    db: &mut PgConnection,
    registration: &Registration,
    tree: Vec<Authority>,
    left: LeftWithout,
    left_on: Option<Date>,
    today: Date,
) -> Result<Consequences, ActError> {
    let rules = rules::in_force(db, registration).await?;
    let told_late = left_on.is_some_and(|day| !told_in_time(&rules.leaving, day, today));
    let cautions = cautions_for(&tree);
    Ok(Consequences { authorities: tree, left, told_late, cautions })
}

/// What to think of before authorities end.
pub(crate) fn cautions_for(ending: &[Authority]) -> Vec<&'static str> {
    let occupied = ending.iter().any(|authority| authority.occupier);
    if occupied { cautions::OCCUPIER_LEAVES.to_vec() } else { vec![] }
}
