//! Authorities: given, seen, revoked; and mandates to collect.

use serde_json::json;
use time::Date;

use super::access::{self, Access, Caller};
use super::registrations::rules_in_force;
use super::{Act, ActError, App, FieldProblem};
use crate::domain::calendar::Period;
use crate::domain::ids::{
    AuthorityId, CardId, CopyRequestId, DifferId, KeyId, MandateId, OrganisationId, PersonId, RegistrationId,
};
use crate::domain::records::{Authority, Mandate, Registration};
use crate::domain::register::{AuthorityClass, CardState, OrganisationKind};
use crate::domain::review;
use crate::domain::text::Slug;
use crate::storage::{Page, authorities, cards, copies, facts, keys, people, register};

/// An authority to give.
pub struct Grant {
    /// Its class.
    pub class: AuthorityClass,
    /// The person who gets it.
    pub person: Option<PersonId>,
    /// The organisation that gets it, for an agent.
    pub organisation: Option<OrganisationId>,
    /// The post in which the person acts.
    pub post: Option<Slug>,
    /// What the person is to the owner.
    pub standing: Option<Slug>,
    /// The differs that it is for; every one, when empty.
    pub differs: Vec<DifferId>,
    /// May ask for copies.
    pub may_order: bool,
    /// May approve.
    pub may_approve: bool,
    /// May give authority to others.
    pub may_pass_on: bool,
    /// It is that of an occupier for their own home.
    pub occupier: bool,
    /// The most keys in one request.
    pub most_per_request: Option<i32>,
    /// The most live keys of one differ.
    pub most_keys: Option<i32>,
    /// First and last day.
    pub period: Period,
}

impl Grant {
    fn problems(&self) -> Vec<FieldProblem> {
        let mut problems = Vec::new();
        let mut say = |pointer: &str, problem: &str| problems.push(FieldProblem::new(pointer, problem));
        match (self.person, self.organisation) {
            (None, None) => say("/person_id", "name a person, or an organisation for an agent"),
            (Some(_), Some(_)) => say("/organisation_id", "name a person or an organisation, not both"),
            (None, Some(_)) if self.class != AuthorityClass::Agent => {
                say("/organisation_id", "only an agent may be an organisation; keys are issued to people");
            }
            _ => {}
        }
        if self.occupier && self.person.is_none() {
            say("/occupier", "an occupier is a person");
        }
        if self.period.last_day.is_some_and(|last| last < self.period.first_day) {
            say("/last_day", "must not be before first_day");
        }
        problems
    }

    /// Whether the holder of an authority may give this one under it.
    fn fits_under(&self, own: &Authority) -> bool {
        use AuthorityClass::{Agent, Keyholder, Owner, Signatory};
        let below = match own.class {
            Owner => matches!(self.class, Signatory | Keyholder | Agent),
            Agent => matches!(self.class, Signatory | Keyholder),
            Signatory => self.class == Keyholder,
            Keyholder => false,
        };
        let scope = own.every_differ
            || (!self.differs.is_empty() && self.differs.iter().all(|differ| own.covers(*differ)));
        let outer = Period { first_day: own.first_day, last_day: own.last_day };
        let no_wider = |own: Option<i32>, given: Option<i32>| match (own, given) {
            (None, _) => true,
            (Some(own), given) => given.is_some_and(|given| given <= own),
        };
        // Posts and standings are what the rules look at: only an owner gives others than their own.
        let marks = match own.class {
            Owner => true,
            Agent => self.post.is_none() || self.post.as_ref().map(Slug::as_str) == own.post.as_deref(),
            Signatory | Keyholder => {
                let same = |given: &Option<Slug>, own: &Option<String>| {
                    given.is_none() || given.as_ref().map(Slug::as_str) == own.as_deref()
                };
                same(&self.post, &own.post) && same(&self.standing, &own.standing) && !self.occupier
            }
        };
        own.may_pass_on
            && marks
            && no_wider(own.most_per_request, self.most_per_request)
            && no_wider(own.most_keys, self.most_keys)
            && below
            && scope
            && outer.contains(&self.period)
            && (!self.may_approve || own.may_approve)
            && (!self.may_order || own.may_order)
    }
}

/// Everything that is wrong with an authority before it is asked who may give it.
async fn grant_problems(
    act: &mut Act<'_>,
    registration: RegistrationId,
    grant: &Grant,
) -> Result<Vec<FieldProblem>, ActError> {
    let mut problems = grant.problems();
    let own = register::own_differs(act.db(), registration, &grant.differs).await?;
    for (at, differ) in grant.differs.iter().enumerate() {
        if !own.contains(differ) {
            problems
                .push(FieldProblem::new(format!("/differ_ids/{at}"), "is not a differ of this registration"));
        }
    }
    if let Some(person) = grant.person
        && people::present(act.db(), person).await?.is_none()
    {
        problems.push(FieldProblem::new("/person_id", "is not known"));
    }
    if let Some(organisation) = grant.organisation {
        let found = people::organisation(act.db(), organisation).await?;
        let fits = |kind| matches!(kind, OrganisationKind::Agent | OrganisationKind::Builder);
        if !found.is_some_and(|found| fits(found.kind)) {
            problems.push(FieldProblem::new("/organisation_id", "is not an agent or builder"));
        }
    }
    Ok(problems)
}

/// Gives an authority: the supplier any, others under one of their own that may be passed on, never
/// wider or longer than that.
pub async fn grant(
    act: &mut Act<'_>,
    registration: RegistrationId,
    grant: Grant,
) -> Result<Authority, ActError> {
    let (record, access) = access::locked_for(act, registration).await?;
    access::require_active(&record)?;
    let problems = grant_problems(act, registration, &grant).await?;
    if !problems.is_empty() {
        return Err(ActError::Invalid(problems));
    }
    let given_under = given_under(&access, &grant)?;
    let mut differ_ids = grant.differs;
    differ_ids.sort_unstable();
    differ_ids.dedup();
    let authority = Authority {
        id: act.id(),
        registration_id: registration,
        class: grant.class,
        person_id: grant.person,
        organisation_id: grant.organisation,
        post: grant.post.map(String::from),
        standing: grant.standing.map(String::from),
        every_differ: differ_ids.is_empty(),
        differ_ids,
        may_order: grant.may_order,
        may_approve: grant.may_approve,
        may_pass_on: grant.may_pass_on,
        occupier: grant.occupier,
        most_per_request: grant.most_per_request,
        most_keys: grant.most_keys,
        first_day: grant.period.first_day,
        last_day: grant.period.last_day,
        given_under,
        given_at: act.now,
        revoked_at: None,
    };
    let by = act.caller.actor();
    authorities::add(act.db(), &authority, by).await?;
    let who = holder_of(&authority);
    act.record_change("authority.given", Some(registration), authority.id.0, who).await?;
    Ok(authority)
}

/// What an entry about an authority commits to.
pub(super) fn holder_of(authority: &Authority) -> Vec<(&'static str, serde_json::Value)> {
    vec![
        ("class", json!(authority.class)),
        ("person", json!(authority.person_id)),
        ("organisation", json!(authority.organisation_id)),
    ]
}

fn given_under(access: &Access, grant: &Grant) -> Result<Option<AuthorityId>, ActError> {
    if access.keeps() {
        return Ok(None);
    }
    match access.authorities.iter().find(|own| grant.fits_under(own)) {
        Some(own) => Ok(Some(own.id)),
        None => Err(ActError::Forbidden("none of your authorities lets you pass on this much")),
    }
}

/// Authorities of a registration: all for those who see all, else one's own.
pub async fn all(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    page: Page,
) -> Result<Vec<Authority>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    let (_, access) = access::visible(&mut db, caller, registration, today).await?;
    if !access.sees_all() {
        return Ok(page.of(access.authorities, |own| own.id.0));
    }
    Ok(authorities::of_registration(&mut db, registration, page).await?)
}

/// One authority.
pub async fn authority(app: &App, caller: &Caller, id: AuthorityId) -> Result<Authority, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    let found = authorities::authority(&mut db, id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = access::visible(&mut db, caller, found.registration_id, today).await?;
    let own = access.authorities.iter().any(|own| own.id == id);
    if own || access.sees_all() { Ok(found) } else { Err(ActError::NotFound) }
}

/// What hangs on an authority: what goes with it when it is revoked.
pub struct Consequences {
    /// It and every authority that was given under it.
    pub authorities: Vec<Authority>,
    /// Requests that stop.
    pub requests: Vec<CopyRequestId>,
    /// Cards that are revoked.
    pub cards: Vec<CardId>,
    /// Keys to call in.
    pub keys_to_call_in: Vec<KeyId>,
    /// Keys of occupiers to their own homes, which they keep.
    pub keys_kept_by_occupiers: Vec<KeyId>,
    /// The person left longer ago than the rules allow for telling the register.
    pub told_late: bool,
    /// What to think of first.
    pub cautions: Vec<&'static str>,
}

/// What is said before an occupier's authority is revoked.
pub const OCCUPIER_CAUTIONS: [&str; 3] = [
    "An occupier must not be shut out of their home: in England and Wales see the Protection from Eviction \
     Act 1977, s. 1; other countries have their own law.",
    "A joint tenant or co-owner is kept out only by a court order; record the order, do not judge it.",
    "This ends the right to order further keys. It takes no key away from the occupier. Take advice first.",
];

/// Shows what hangs on an authority before it is revoked. Changes nothing.
pub async fn consequences(app: &App, caller: &Caller, id: AuthorityId) -> Result<Consequences, ActError> {
    let mut act = Act::begin_unclaimed(app, caller).await?;
    let (_, found) = revocable(&mut act, id).await?;
    consequences_of(&mut act, &found).await
}

async fn revocable(act: &mut Act<'_>, id: AuthorityId) -> Result<(Registration, Authority), ActError> {
    let found = authorities::authority(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (record, access) = access::locked_for(act, found.registration_id).await?;
    let found = authorities::authority(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let own = access.authorities.iter().any(|own| own.id == id);
    if !own && !access.sees_all() {
        return Err(ActError::NotFound);
    }
    let may = match found.class {
        AuthorityClass::Owner => access.keeps(),
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
    Ok((record, found))
}

async fn consequences_of(act: &mut Act<'_>, root: &Authority) -> Result<Consequences, ActError> {
    let (registration, today) = (root.registration_id, act.today());
    let tree = authorities::tree(act.db(), root.id).await?;
    let gone: Vec<AuthorityId> = tree.iter().map(|authority| authority.id).collect();
    let mut found = Consequences {
        authorities: tree,
        requests: vec![],
        cards: vec![],
        keys_to_call_in: vec![],
        keys_kept_by_occupiers: vec![],
        told_late: false,
        cautions: vec![],
    };
    let mut people: Vec<PersonId> =
        found.authorities.iter().filter_map(|authority| authority.person_id).collect();
    people.sort_unstable();
    people.dedup();
    let cards = cards::all(act.db(), registration, Page::ALL).await?;
    for person in people {
        let left = authorities::in_force(act.db(), registration, Some(person), &[], today).await?;
        let left: Vec<Authority> =
            left.into_iter().filter(|authority| !gone.contains(&authority.id)).collect();
        let home = |authority: &&Authority| authority.occupier && authority.person_id == Some(person);
        let homes: Vec<Authority> = found.authorities.iter().filter(home).cloned().collect();
        for key in keys::held_by(act.db(), registration, person).await? {
            if homes.iter().any(|home| home.covers(key.differ_id)) {
                found.keys_kept_by_occupiers.push(key.id);
            } else if !left.iter().any(|authority| authority.covers(key.differ_id)) {
                found.keys_to_call_in.push(key.id);
            }
        }
        if left.is_empty() {
            let own = cards.iter().filter(|card| card.person_id == person);
            found.cards.extend(own.filter(|card| card.state != CardState::Revoked).map(|card| card.id));
        }
        for request in copies::open_of_people(act.db(), registration, &[person]).await? {
            let covered = left.iter().any(|authority| authority.covers(request.differ_id));
            if !covered && !found.requests.contains(&request.id) {
                found.requests.push(request.id);
            }
        }
    }
    if found.authorities.iter().any(|authority| authority.occupier) {
        found.cautions.extend(OCCUPIER_CAUTIONS);
    }
    Ok(found)
}

/// Revokes an authority and all that was given under it: one entry each. Requests that rested on them
/// stop, cards of people who have no authority left are revoked.
pub async fn revoke(
    act: &mut Act<'_>,
    id: AuthorityId,
    left_on: Option<Date>,
) -> Result<Consequences, ActError> {
    let (record, root) = revocable(act, id).await?;
    let mut consequences = consequences_of(act, &root).await?;
    if let Some(left_on) = left_on {
        let rules = rules_in_force(act.db(), &record).await?;
        consequences.told_late = !review::told_in_time(&rules.leaving, left_on, act.today());
    }
    let (registration, now) = (record.id, act.now);
    let ids: Vec<AuthorityId> = consequences.authorities.iter().map(|authority| authority.id).collect();
    authorities::revoke(act.db(), &ids, now).await?;
    for authority in &consequences.authorities {
        let who = holder_of(authority);
        act.record_change("authority.revoked", Some(registration), authority.id.0, who).await?;
    }
    for card in &consequences.cards {
        cards::set_state(act.db(), *card, CardState::Revoked, now).await?;
        act.record_change("card.revoked", Some(registration), card.0, vec![]).await?;
    }
    stop_unsupported(act, &record).await?;
    Ok(consequences)
}

/// Stops the open requests whose asker or recipient has no authority for the differ any more.
async fn stop_unsupported(act: &mut Act<'_>, registration: &Registration) -> Result<(), ActError> {
    let today = act.today();
    let mut unsupported = Vec::new();
    for request in copies::open(act.db(), registration.id).await? {
        let people = [request.asked_by, request.recipient_id];
        let found = facts::people(act.db(), registration.id, request.differ_id, &people, None, today).await?;
        if found.iter().any(|person| person.standing_authorities(today).next().is_none()) {
            unsupported.push(request);
        }
    }
    super::copies::stop(act, registration, unsupported).await
}

/// Records a mandate: somebody may collect for somebody else, between two days.
pub async fn add_mandate(
    act: &mut Act<'_>,
    registration: RegistrationId,
    recipient: PersonId,
    collector: PersonId,
    days: (Date, Date),
) -> Result<Mandate, ActError> {
    let (record, access) = access::locked_for(act, registration).await?;
    access.require(access.governs() || act.caller.person() == Some(recipient))?;
    access::require_active(&record)?;
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
    if last_day < first_day {
        problems.push(FieldProblem::new("/last_day", "must not be before first_day"));
    }
    if !problems.is_empty() {
        return Err(ActError::Invalid(problems));
    }
    let mandate = Mandate {
        id: act.id(),
        registration_id: registration,
        recipient_id: recipient,
        collector_id: collector,
        first_day,
        last_day,
        revoked_at: None,
    };
    let now = act.now;
    authorities::add_mandate(act.db(), &mandate, now).await?;
    let who = vec![("recipient", json!(recipient)), ("collector", json!(collector))];
    act.record_change("mandate.given", Some(registration), mandate.id.0, who).await?;
    Ok(mandate)
}

/// Mandates of a registration: all for those who see all, else one's own.
pub async fn mandates(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    page: Page,
) -> Result<Vec<Mandate>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    let (_, access) = access::visible(&mut db, caller, registration, today).await?;
    if access.sees_all() {
        return Ok(authorities::mandates(&mut db, registration, page).await?);
    }
    let mut own = authorities::mandates(&mut db, registration, Page::ALL).await?;
    own.retain(|mandate| caller.person() == Some(mandate.recipient_id));
    Ok(page.of(own, |mandate| mandate.id.0))
}

/// Revokes a mandate.
pub async fn revoke_mandate(act: &mut Act<'_>, id: MandateId) -> Result<Mandate, ActError> {
    let found = authorities::mandate(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = access::locked_for(act, found.registration_id).await?;
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
    act.record_change("mandate.revoked", Some(found.registration_id), id.0, vec![]).await?;
    Ok(Mandate { revoked_at: Some(now), ..found })
}
