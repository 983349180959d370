//! Places in organisations, and what ends with one.
//!
//! What a seat gives under its organisation's authority ends with that seat, unless a head of the organisation
//! confirms it; so does what its person has through it: cards, open requests, the right to keys, sessions.

use time::Date;

use crate::people::require_head;
use crate::rights::authorities::Consequences;
use crate::rights::{authorities, left_without, notices};
use crate::{Act, ActError, Read};
use domain::calendar::{BACKWARDS, Period};
use domain::ids::{AuthorityId, MembershipId, OrganisationId, PersonId, RegistrationId};
use domain::people::{Membership, Post};
use domain::rights::authorities::Authority;
use domain::rights::notices::NoticeKind;
use domain::rights::{Ending, LeftWithout};
use storage::people::memberships as seats;
use storage::people::sessions;
use storage::register::registrations;
use storage::rights::authorities as stored;
use storage::{Portion, people};

/// A person joins an organisation.
pub async fn add(
    act: &mut Act<'_>,
    organisation: OrganisationId,
    person: PersonId,
    post: Post,
    days: (Date, Option<Date>),
) -> Result<Membership, ActError> {
    require_head(act.caller, organisation)?;
    if people::organisation(act.db(), organisation).await?.is_none() {
        return Err(ActError::NotFound);
    }
    if people::present(act.db(), person).await?.is_none() {
        return Err(ActError::invalid("/person_id", "is not known"));
    }
    if act.caller.person() == Some(person) {
        return Err(ActError::Forbidden("nobody makes themselves a member"));
    }
    // From outside the register names who is at the head where nobody is; that person does the rest.
    let from_outside = !act.caller.heads(organisation);
    let today = act.today();
    if from_outside && (post != Post::Head || seats::has_head(act.db(), organisation, today).await?) {
        return Err(ActError::Forbidden(
            "the register names the first head of an organisation, who names the others",
        ));
    }
    let (first_day, last_day) = days;
    if (Period { first_day, last_day }).is_backwards() {
        return Err(ActError::invalid("/last_day", BACKWARDS));
    }
    let membership = Membership {
        id: act.id(),
        person_id: person,
        organisation_id: organisation,
        post,
        first_day,
        last_day,
        ended_at: None,
    };
    let now = act.now;
    if let Err(error) = seats::add(act.db(), &membership, now).await {
        return Err(match error.violated() {
            Some("memberships_one_at_a_time") => {
                ActError::Conflict("this person is a member in those days already")
            }
            _ => error.into(),
        });
    }
    enter(act, "membership.added", &membership).await?;
    if from_outside {
        tell_of_head(act, &membership).await?;
    }
    Ok(membership)
}

/// Tells the organisation, and the owners for whom it acts, that the register named its head.
async fn tell_of_head(act: &mut Act<'_>, head: &Membership) -> Result<(), ActError> {
    let today = act.today();
    for person in seats::concerned_by_head(act.db(), head, today).await? {
        notices::tell(act, person, NoticeKind::HeadNamed, None, head.id.0).await?;
    }
    Ok(())
}

/// Ends a membership after a day that is to come, or at once; then everything that rests on it is settled. A head
/// says with it which authorities of those that would end outlast it.
pub async fn end(
    act: &mut Act<'_>,
    id: MembershipId,
    last_day: Date,
    keep: &[AuthorityId],
) -> Result<(Membership, Consequences), ActError> {
    let seat = seats::membership(act.db(), id).await?.ok_or(ActError::NotFound)?;
    require_head(act.caller, seat.organisation_id)?;
    if last_day < seat.first_day {
        return Err(ActError::invalid("/last_day", "must not be before the first day"));
    }
    require_longer(&seat, last_day)?;
    if last_day <= act.today() {
        return settle(act, Membership { last_day: Some(last_day), ..seat }, keep).await;
    }
    if !keep.is_empty() {
        return Err(ActError::invalid("/keep_authority_ids", "is said when the membership ends at once"));
    }
    let seat = seats::for_update(act.db(), id).await?.ok_or(ActError::NotFound)?;
    require_longer(&seat, last_day)?;
    let (shortened, now) = (Membership { last_day: Some(last_day), ..seat }, act.now);
    seats::end(act.db(), &shortened, now).await?;
    enter(act, "membership.shortened", &shortened).await?;
    Ok((shortened, Consequences::default()))
}

/// Refuses to make a membership longer than it is, or to end it twice.
fn require_longer(seat: &Membership, last_day: Date) -> Result<(), ActError> {
    if seat.ended_at.is_none() && seat.last_day.is_none_or(|last| last_day <= last) {
        return Ok(());
    }
    let detail = "a membership that ends earlier is not made longer".to_owned();
    Err(ActError::WrongState { state: "ended", detail })
}

/// Ends a membership whose last day has passed; whether it did.
pub async fn end_due(act: &mut Act<'_>, id: MembershipId) -> Result<bool, ActError> {
    let seat = seats::membership(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if seat.ended_at.is_some() {
        return Ok(false);
    }
    settle(act, seat, &[]).await.map(|_| true)
}

/// Ends a seat now, and what rests on it: one entry each.
async fn settle(
    act: &mut Act<'_>,
    seat: Membership,
    keep: &[AuthorityId],
) -> Result<(Membership, Consequences), ActError> {
    let found = seats::registrations_of(act.db(), &seat).await?;
    let mut taken = Vec::new();
    for id in &found {
        taken.extend(registrations::registration_for_update(act.db(), *id).await?);
    }
    act.read_clock();
    let now = act.now;
    let standing = seats::for_update(act.db(), seat.id).await?.ok_or(ActError::NotFound)?;
    if standing.ended_at.is_some() {
        let detail = "this membership has ended".to_owned();
        return Err(ActError::WrongState { state: "ended", detail });
    }
    // Something was given on another registration meanwhile: the same once more finds it.
    if seats::registrations_of(act.db(), &seat).await?.iter().any(|id| !found.contains(id)) {
        return Err(ActError::Busy);
    }
    keep_some(act, &seat, &found, keep).await?;
    let ended = Membership { ended_at: Some(now), ..seat };
    seats::end(act.db(), &ended, now).await?;
    sessions::end_all(act.db(), ended.person_id, now).await?;
    enter(act, "membership.ended", &ended).await?;
    let mut all = Consequences::default();
    for registration in &taken {
        let given = stored::given_by_seat(act.db(), registration.id, &ended).await?;
        let ids: Vec<AuthorityId> = given.iter().map(|authority| authority.id).collect();
        let ending = Ending { authorities: &ids, seat: Some(ended.id), at: now, left: None };
        let left = authorities::end(act, registration, &given, &ending).await?;
        all.add(given, left);
    }
    Ok((ended, all))
}

/// Confirms those authorities of a seat that are to outlast it.
async fn keep_some(
    act: &mut Act<'_>,
    seat: &Membership,
    found: &[RegistrationId],
    keep: &[AuthorityId],
) -> Result<(), ActError> {
    if keep.is_empty() {
        return Ok(());
    }
    let mut ending = Vec::new();
    for registration in found {
        ending.extend(stored::given_by_seat(act.db(), *registration, seat).await?);
    }
    for (at, id) in keep.iter().enumerate() {
        if !ending.iter().any(|authority| authority.id == *id) {
            let pointer = format!("/keep_authority_ids/{at}");
            return Err(ActError::invalid(&pointer, "is not among those that end with this membership"));
        }
        authorities::confirm(act, *id).await?;
    }
    Ok(())
}

/// What would end with a membership if it ended now. Changes nothing.
pub async fn consequences(read: &mut Read<'_>, id: MembershipId) -> Result<Consequences, ActError> {
    let seat = seats::membership(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    require_head(read.caller, seat.organisation_id)?;
    let mut all = Consequences::default();
    for registration in seats::registrations_of(&mut read.db, &seat).await? {
        let given = stored::given_by_seat(&mut read.db, registration, &seat).await?;
        let ids: Vec<AuthorityId> = given.iter().map(|authority| authority.id).collect();
        let ending = Ending { authorities: &ids, seat: Some(id), at: read.now, left: None };
        let left = left_without(&mut read.db, registration, Some(&ending), read.today).await?;
        all.add(given, left);
    }
    Ok(all)
}

impl Consequences {
    /// And what goes on one more registration.
    fn add(&mut self, given: Vec<Authority>, left: LeftWithout) {
        self.authorities.extend(given);
        self.cautions = authorities::cautions_for(&self.authorities);
        self.left.requests.extend(left.requests);
        self.left.cards.extend(left.cards);
        self.left.keys_to_call_in.extend(left.keys_to_call_in);
        self.left.keys_kept_by_occupiers.extend(left.keys_kept_by_occupiers);
    }
}

async fn enter(act: &mut Act<'_>, kind: &'static str, seat: &Membership) -> Result<(), ActError> {
    let who = vec![("person", serde_json::json!(seat.person_id))];
    act.enter_change(kind, None, seat.id.0, who).await
}

/// The members of an organisation.
pub async fn all(
    read: &mut Read<'_>,
    organisation: OrganisationId,
    portion: Portion,
) -> Result<Vec<Membership>, ActError> {
    if !read.caller.is_supplier() && !read.caller.sits_in(organisation) {
        return Err(ActError::NotFound);
    }
    Ok(seats::members(&mut read.db, organisation, portion).await?)
}
