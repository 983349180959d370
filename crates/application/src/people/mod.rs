//! Organisations, people, memberships and client programs.

pub mod accounts;
pub mod invitations;
pub mod memberships;
pub mod resets;
pub mod sessions;

use secrecy::SecretString;

use crate::caller::Caller;
use crate::{Act, ActError, App, Read};
use crypto::tokens::secret_hash;
use domain::ids::{ClientProgramId, OrganisationId, PersonId};
use domain::people::{ClientProgram, Membership, Organisation, OrganisationKind, Person, Post, Scope};
use domain::rights::authorities::AuthorityClass;
use domain::text::{Email, Name, Slug};
use storage::log::evidence;
use storage::people::EnteredBy;
use storage::rights::authorities;
use storage::{Portion, StorageError, people};

/// Adds an organisation. The supplier is there from the beginning and is the only one.
pub async fn add_organisation(
    act: &mut Act<'_>,
    kind: OrganisationKind,
    name: Name,
) -> Result<Organisation, ActError> {
    act.caller.require_supplier()?;
    if kind == OrganisationKind::Supplier {
        return Err(ActError::invalid("/kind", "there is one supplier, and it is there already"));
    }
    let organisation = Organisation { id: act.id(), kind, name: name.into() };
    let now = act.now;
    people::add_organisation(act.db(), &organisation, now).await?;
    act.enter_change("organisation.added", None, organisation.id.0, vec![]).await?;
    Ok(organisation)
}

/// An organisation, for the supplier and for whoever sits in it.
pub async fn organisation(read: &mut Read<'_>, id: OrganisationId) -> Result<Organisation, ActError> {
    if !read.caller.is_supplier() && !read.caller.sits_in(id) {
        return Err(ActError::NotFound);
    }
    people::organisation(&mut read.db, id).await?.ok_or(ActError::NotFound)
}

/// Organisations: all for the supplier.
pub async fn organisations(
    read: &mut Read<'_>,
    kind: Option<OrganisationKind>,
    portion: Portion,
) -> Result<Vec<Organisation>, ActError> {
    read.caller.require_supplier()?;
    Ok(people::organisations(&mut read.db, kind, portion).await?)
}

/// Enters a person: by staff of any organisation, or by an owner of premises. To an address that is given goes an
/// invitation; whoever gave it gets nothing of it.
pub async fn add_person(act: &mut Act<'_>, name: Name, email: Option<Email>) -> Result<Person, ActError> {
    // An auditor reads the log, and nothing else.
    let mut seats = act.caller.seats().iter().filter(|seat| seat.kind != OrganisationKind::Auditor);
    let organisation = seats.next().map(|seat| EnteredBy::Organisation(seat.organisation_id));
    let entered_by = match (organisation, act.caller.person()) {
        (Some(organisation), _) => organisation,
        (None, Some(owner)) if owns_something(act).await? => EnteredBy::Person(owner),
        (None, _) => return Err(ActError::Forbidden("only an organisation or an owner enters people")),
    };
    let person = Person { id: act.id(), name: name.into(), email: email.map(String::from) };
    let now = act.now;
    people::add_person(act.db(), &person, entered_by, now).await?;
    if let Some(email) = &person.email {
        invitations::invite(act, person.id, email).await?;
    }
    act.enter_person("person.added", person.id).await?;
    Ok(person)
}

async fn owns_something(act: &mut Act<'_>) -> Result<bool, ActError> {
    let (person, today) = (act.caller.person(), act.today());
    let organisations = act.caller.organisations();
    let portion = Portion { after: uuid::Uuid::nil(), limit: 1000 };
    let own = storage::register::registrations::of_parties(act.db(), person, &organisations, today, portion)
        .await?;
    for registration in own {
        let own = authorities::in_force(act.db(), registration.id, person, &organisations, today).await?;
        let governs = |class| matches!(class, AuthorityClass::Owner | AuthorityClass::Agent);
        if own.iter().any(|authority| governs(authority.class)) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// A person, as seen by that person, by the supplier, and by those who entered or govern them.
pub async fn person(read: &mut Read<'_>, id: PersonId) -> Result<Person, ActError> {
    let person = people::person(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let known = read.caller.is_supplier()
        || read.caller.person() == Some(id)
        || people::is_known_to(
            &mut read.db,
            id,
            read.caller.person(),
            &read.caller.organisations(),
            read.today,
        )
        .await?;
    if known { Ok(person) } else { Err(ActError::NotFound) }
}

/// The head of the organisation; for any other organisation also any person of the supplier.
fn require_head(caller: &Caller, organisation: OrganisationId) -> Result<(), ActError> {
    let supplier = caller.is_supplier() && caller.person().is_some() && !caller.sits_in(organisation);
    if supplier || caller.heads(organisation) {
        Ok(())
    } else if caller.sits_in(organisation) || caller.is_supplier() {
        Err(ActError::Forbidden("only the head of the organisation does this"))
    } else {
        Err(ActError::NotFound)
    }
}

/// Adds a client program; its secret is shown once.
pub async fn add_program(
    act: &mut Act<'_>,
    organisation: OrganisationId,
    name: Name,
    mut scopes: Vec<Scope>,
) -> Result<(ClientProgram, SecretString), ActError> {
    require_head(act.caller, organisation)?;
    // The register's people speak for an organisation while nobody else does, and never beside its head.
    let today = act.today();
    if !act.caller.heads(organisation) && people::memberships::has_head(act.db(), organisation, today).await?
    {
        return Err(ActError::Forbidden("the head of the organisation lets programs act for it"));
    }
    if people::organisation(act.db(), organisation).await?.is_none() {
        return Err(ActError::NotFound);
    }
    scopes.sort_unstable();
    scopes.dedup();
    let secret = act.outside().secret();
    let program = ClientProgram {
        id: act.id(),
        organisation_id: organisation,
        name: name.into(),
        scopes,
        created_at: act.now,
        revoked_at: None,
    };
    people::add_program(act.db(), &program, &secret_hash(&secret)).await?;
    let may = vec![("scopes", serde_json::json!(program.scopes))];
    act.enter_change("client_program.added", None, program.id.0, may).await?;
    Ok((program, SecretString::from(secret)))
}

/// The client programs of an organisation.
pub async fn programs(
    read: &mut Read<'_>,
    organisation: OrganisationId,
    portion: Portion,
) -> Result<Vec<ClientProgram>, ActError> {
    require_head(read.caller, organisation)?;
    Ok(people::programs(&mut read.db, organisation, portion).await?)
}

/// Shuts a client program out.
pub async fn revoke_program(act: &mut Act<'_>, id: ClientProgramId) -> Result<ClientProgram, ActError> {
    let program = people::program(act.db(), id).await?.ok_or(ActError::NotFound)?;
    require_head(act.caller, program.organisation_id)?;
    if program.revoked_at.is_some() {
        return Err(ActError::WrongState {
            state: "revoked",
            detail: "this client program is shut out already".to_owned(),
        });
    }
    let now = act.now;
    people::revoke_program(act.db(), id, now).await?;
    act.enter_change("client_program.revoked", None, id.0, vec![]).await?;
    Ok(ClientProgram { revoked_at: Some(now), ..program })
}

/// The beginning of a register: the supplier and its first person, who is invited. Refuses where there is one.
pub async fn begin_register(
    app: &App,
    supplier: &Name,
    person: &Name,
    email: &Email,
) -> Result<PersonId, ActError> {
    let caller = Caller::system();
    Act::done(app, &caller, async |act| {
        let (now, today) = (act.now, act.today());
        let organisation =
            Organisation { id: act.id(), kind: OrganisationKind::Supplier, name: supplier.to_string() };
        if let Err(error) = people::add_organisation(act.db(), &organisation, now).await {
            return Err(supplier_error(error));
        }
        act.enter_change("organisation.added", None, organisation.id.0, vec![]).await?;
        let person = Person { id: act.id(), name: person.to_string(), email: Some(email.to_string()) };
        people::add_person(act.db(), &person, EnteredBy::Organisation(organisation.id), now).await?;
        act.enter_person("person.added", person.id).await?;
        let membership = Membership {
            id: act.id(),
            person_id: person.id,
            organisation_id: organisation.id,
            post: Post::Head,
            first_day: today,
            last_day: None,
            ended_at: None,
        };
        people::memberships::add(act.db(), &membership, now).await?;
        let who = vec![("person", serde_json::json!(person.id))];
        act.enter_change("membership.added", None, membership.id.0, who).await?;
        invitations::invite(act, person.id, email.as_str()).await?;
        Ok(person.id)
    })
    .await
}

fn supplier_error(error: StorageError) -> ActError {
    match error.violated() {
        Some("organisations_one_supplier") => ActError::Conflict("this register has its supplier"),
        _ => error.into(),
    }
}

/// Erases a person who has nothing in this register any more. Every entry of the log stays as it is and
/// verifies; one more says that somebody was erased, and under which rule.
///
/// # Errors
/// [`ActError::WrongState`] while the person still has something here, and what.
pub async fn erase(act: &mut Act<'_>, id: PersonId, under: Slug) -> Result<(), ActError> {
    act.caller.require_supplier()?;
    act.caller.require_person()?;
    people::person(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (now, today) = (act.now, act.today());
    let Some(erased) = people::erase(act.db(), id, now).await? else {
        let detail = "this person was erased before".to_owned();
        return Err(ActError::WrongState { state: "erased", detail });
    };
    evidence::note_erased(act.db(), &erased).await?;
    // Looked at with the person's row taken for update: an authority that was given meanwhile is seen, and undoes
    // the above.
    let ties = people::ties(act.db(), id, today).await?;
    if !ties.is_empty() {
        let detail = format!("this person still has {}", ties.join(", "));
        return Err(ActError::WrongState { state: "in_use", detail });
    }
    act.enter_erasure(under.as_str().to_owned(), erased.len() as u64).await
}
