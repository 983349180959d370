//! Authorities: given, seen, revoked; and mandates to collect.

use serde_json::json;
use sqlx::PgConnection;
use time::Date;

use crate::access::Access;
use crate::register::rules;
use crate::{Act, ActError, FieldProblem, Read, access, rights};
use domain::calendar::{BACKWARDS, Period};
use domain::cautions;
use domain::ids::{AuthorityId, DifferId, MandateId, OrganisationId, PersonId, RegistrationId};
use domain::people::OrganisationKind;
use domain::register::registrations::Registration;
use domain::rights::authorities::{Authority, AuthorityClass, Mandate};
use domain::rights::{Ending, LeftWithout, told_in_time};
use domain::text::Slug;
use storage::copies::facts;
use storage::rights::authorities;
use storage::{Portion, differs, people};

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
        let no_wider = |own: Option<u32>, given: Option<u32>| match (own, given) {
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

/// Gives an authority: the supplier any, others under one of their own that may be passed on, never
/// wider or longer than that.
pub async fn grant(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    grant: Grant,
) -> Result<Authority, ActError> {
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
    let given_under = given_under(&access, &grant)?;
    require_seat(act, &access, given_under).await?;
    let mut differ_ids = grant.differs;
    differ_ids.sort_unstable();
    differ_ids.dedup();
    let authority = Authority {
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
        given_under,
        given_at: act.now,
        revoked_at: None,
        left_on: None,
        confirmed_by: None,
    };
    let by = act.caller.actor();
    authorities::add(act.db(), &authority, by).await?;
    let who = holder_of(&authority);
    act.enter_change("authority.given", Some(registration_id), authority.id.0, who).await?;
    Ok(authority)
}

fn given_under(access: &Access, grant: &Grant) -> Result<Option<AuthorityId>, ActError> {
    if access.is_supplier() {
        return Ok(None);
    }
    match access.authorities.iter().find(|own| grant.fits_under(own)) {
        Some(own) => Ok(Some(own.id)),
        None => Err(ActError::Forbidden("none of your authorities lets you pass on this much")),
    }
}

/// Where it is given under an organisation's authority: the giver's seat, until this act ends.
async fn require_seat(
    act: &mut Act<'_>,
    access: &Access,
    under: Option<AuthorityId>,
) -> Result<(), ActError> {
    let own = access.authorities.iter().find(|own| Some(own.id) == under);
    let Some((organisation, person)) = own.and_then(|own| own.organisation_id).zip(act.caller.person())
    else {
        return Ok(());
    };
    facts::memberships_for_share(act.db(), &[person]).await?;
    let today = act.today();
    let seats = people::seats(act.db(), person, today).await?;
    if seats.iter().any(|seat| seat.organisation_id == organisation) {
        Ok(())
    } else {
        Err(ActError::Forbidden("your place in this organisation has ended"))
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

/// Records a mandate: somebody may collect for somebody else, between two days.
pub async fn add_mandate(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    recipient: PersonId,
    collector: PersonId,
    days: (Date, Date),
) -> Result<Mandate, ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    access.require(access.governs() || act.caller.person() == Some(recipient))?;
    access::require_active(&registration)?;
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
    if (Period { first_day, last_day: Some(last_day) }).is_backwards() {
        problems.push(FieldProblem::new("/last_day", BACKWARDS));
    }
    if !problems.is_empty() {
        return Err(ActError::Invalid(problems));
    }
    let mandate = Mandate {
        id: act.id(),
        registration_id,
        recipient_id: recipient,
        collector_id: collector,
        first_day,
        last_day,
        revoked_at: None,
    };
    let now = act.now;
    authorities::add_mandate(act.db(), &mandate, now).await?;
    let who = vec![("recipient", json!(recipient)), ("collector", json!(collector))];
    act.enter_change("mandate.given", Some(registration_id), mandate.id.0, who).await?;
    Ok(mandate)
}

/// Mandates of a registration: all for those who see all, else one's own.
pub async fn mandates(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Mandate>, ActError> {
    let (_, access) = read.registration(registration).await?;
    if access.sees_all() {
        return Ok(authorities::mandates(&mut read.db, registration, access.portion(portion)).await?);
    }
    let mut own = authorities::mandates(&mut read.db, registration, Portion::ALL).await?;
    own.retain(|mandate| read.caller.person() == Some(mandate.recipient_id));
    Ok(portion.of(own, |mandate| mandate.id.0))
}

/// Revokes a mandate.
pub async fn revoke_mandate(act: &mut Act<'_>, id: MandateId) -> Result<Mandate, ActError> {
    let found = authorities::mandate(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = act.registration_for_update(found.registration_id).await?;
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
    act.enter_change("mandate.revoked", Some(found.registration_id), id.0, vec![]).await?;
    Ok(Mandate { revoked_at: Some(now), ..found })
}
