//! Authorities are given: at once, or once their person accepts.

use crate::rights::authorities::{give, holder_of, require_seat};
use crate::rights::offers;
use crate::{Act, ActError, FieldProblem, access};
use domain::calendar::{BACKWARDS, Period};
use domain::ids::{DifferId, OrganisationId, PersonId, RegistrationId};
use domain::people::OrganisationKind;
use domain::rights::authorities::{Authority, AuthorityClass, AuthorityOffer};
use domain::text::Slug;
use storage::{differs, people};

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
    pub most_per_request: Option<u32>,
    /// The most live keys of one differ.
    pub most_keys: Option<u32>,
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
        if self.period.is_backwards() {
            say("/last_day", BACKWARDS);
        }
        problems
    }
}

/// Everything that is wrong with an authority before it is asked who may give it.
async fn grant_problems(
    act: &mut Act<'_>,
    registration: RegistrationId,
    grant: &Grant,
) -> Result<Vec<FieldProblem>, ActError> {
    let mut problems = grant.problems();
    let own = differs::own(act.db(), registration, &grant.differs).await?;
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

/// What came of giving an authority.
pub enum Given {
    /// It is in force, or will be on its first day.
    Authority(Authority),
    /// It waits for its person, whom the giver does not know.
    Offer(AuthorityOffer),
}

/// Gives an authority: the supplier any, others under one of their own that may be passed on, never
/// wider or longer than that. To somebody whom the giver does not know it is offered.
pub async fn grant(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    grant: Grant,
) -> Result<Given, ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    access::require_active(&registration)?;
    let problems = grant_problems(act, registration_id, &grant).await?;
    if !problems.is_empty() {
        return Err(ActError::Invalid(problems));
    }
    // Whoever gives answers for it to somebody else: two people see every authority.
    if grant.person.is_some_and(|person| act.caller.person() == Some(person))
        || grant.organisation.is_some_and(|organisation| act.caller.sits_in(organisation))
    {
        return Err(ActError::Forbidden("nobody gives an authority to themselves"));
    }
    act.caller.require_second_factor()?;
    let mut authority = draft(act, registration_id, grant);
    let giver = act.caller.actor();
    if !access.is_supplier() {
        let under = access.authorities.iter().find(|own| authority.fits_under(own));
        let under =
            under.ok_or(ActError::Forbidden("none of your authorities lets you pass on this much"))?;
        authority.given_under = Some(under.id);
        require_seat(act, under, giver).await?;
        if !offers::knows(act, &access, &authority).await? {
            return Ok(Given::Offer(offers::make(act, &registration, authority).await?));
        }
    }
    let who = holder_of(&authority);
    give(act, &authority, giver, who).await?;
    Ok(Given::Authority(authority))
}

fn draft(act: &Act<'_>, registration_id: RegistrationId, grant: Grant) -> Authority {
    let mut differ_ids = grant.differs;
    differ_ids.sort_unstable();
    differ_ids.dedup();
    Authority {
        id: act.id(),
        registration_id,
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
        given_under: None,
        given_at: act.now,
        revoked_at: None,
        left_on: None,
        confirmed_by: None,
    }
}
