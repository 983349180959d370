//! Who calls, and what that lets him see and do on a registration.
//!
//! *Unknown* and *not yours* look the same: both are [`ActError::NotFound`].

use sqlx::PgConnection;
use time::Date;
use uuid::Uuid;

use super::ActError;
use crate::domain::authority::Authority;
use crate::domain::ids::{ActorId, CounterId, DifferId, OrganisationId, PersonId, RegistrationId, SessionId};
use crate::domain::register::{AuthorityClass, OrganisationKind, Post};
use crate::domain::registration::Registration;
use crate::storage::people::Seat;
use crate::storage::{authorities, register, sections};

/// Who calls.
#[derive(Debug, Clone)]
pub struct Caller {
    actor: ActorId,
    person: Option<PersonId>,
    seats: Vec<Seat>,
    /// The session of a person.
    pub session: Option<SessionId>,
    /// Seats that do not count, since the session has no second factor.
    pub second_factor_missing: bool,
}

impl Caller {
    /// A caller.
    #[must_use]
    pub fn new(actor: ActorId, person: Option<PersonId>, seats: Vec<Seat>) -> Self {
        Self { actor, person, seats, session: None, second_factor_missing: false }
    }

    /// A person in a session. Without a second factor the seats that ask for one do not count.
    #[must_use]
    pub fn in_session(person: PersonId, session: SessionId, second_factor: bool, seats: Vec<Seat>) -> Self {
        let before = seats.len();
        let seats: Vec<Seat> =
            seats.into_iter().filter(|seat| second_factor || !needs_second_factor(seat.kind)).collect();
        let second_factor_missing = seats.len() < before;
        Self {
            session: Some(session),
            second_factor_missing,
            ..Self::new(person.into(), Some(person), seats)
        }
    }

    /// Who, for the record.
    #[must_use]
    pub fn actor(&self) -> ActorId {
        self.actor
    }

    /// The person, where it is one.
    #[must_use]
    pub fn person(&self) -> Option<PersonId> {
        self.person
    }

    /// The person.
    ///
    /// # Errors
    /// When a program calls: what a person answers for is not done by one.
    pub fn require_person(&self) -> Result<PersonId, ActError> {
        self.person.ok_or(ActError::Forbidden("only a person may do this"))
    }

    /// Where the caller sits.
    #[must_use]
    pub fn seats(&self) -> &[Seat] {
        &self.seats
    }

    /// Keeps the register.
    #[must_use]
    pub fn is_supplier(&self) -> bool {
        self.seats.iter().any(|seat| seat.kind == OrganisationKind::Supplier)
    }

    /// Keeps the register.
    ///
    /// # Errors
    /// When not.
    pub fn require_supplier(&self) -> Result<(), ActError> {
        if self.is_supplier() { Ok(()) } else { Err(ActError::Forbidden("only the supplier may do this")) }
    }

    /// The organisation whose seat the caller has in one of these kinds, if any.
    #[must_use]
    pub fn organisation_of(&self, kinds: &[OrganisationKind]) -> Option<OrganisationId> {
        self.seats.iter().find(|seat| kinds.contains(&seat.kind)).map(|seat| seat.organisation)
    }

    /// Sits in an organisation.
    #[must_use]
    pub fn sits_in(&self, organisation: OrganisationId) -> bool {
        self.seats.iter().any(|seat| seat.organisation == organisation)
    }

    /// Is at the head of an organisation.
    #[must_use]
    pub fn heads(&self, organisation: OrganisationId) -> bool {
        self.seats.iter().any(|seat| seat.organisation == organisation && seat.post == Post::Head)
    }

    /// The organisations in which the caller sits.
    #[must_use]
    pub fn organisations(&self) -> Vec<Uuid> {
        self.seats.iter().map(|seat| seat.organisation.0).collect()
    }

    /// Works at a counter, as far as the register knows: sits in its dealer.
    pub async fn works_at(&self, db: &mut PgConnection, counter: CounterId) -> Result<bool, ActError> {
        Ok(sections::dealer_of(db, counter).await?.is_some_and(|dealer| self.sits_in(dealer)))
    }
}

/// Whose staff signs in with a second factor.
#[must_use]
pub fn needs_second_factor(kind: OrganisationKind) -> bool {
    use OrganisationKind::{Agent, Auditor, Dealer, Supplier};
    matches!(kind, Supplier | Dealer | Agent | Auditor)
}

/// What a caller may do on a registration.
#[derive(Debug, Clone)]
pub struct Access {
    supplier: bool,
    /// The caller's authorities in force, and those of the organisations in which the caller sits.
    pub authorities: Vec<Authority>,
}

impl Access {
    /// Sees everything of it: the supplier, an owner, an agent, a signatory.
    #[must_use]
    pub fn sees_all(&self) -> bool {
        self.supplier || self.has(&[AuthorityClass::Owner, AuthorityClass::Agent, AuthorityClass::Signatory])
    }

    /// Governs it: the supplier, an owner, an agent.
    #[must_use]
    pub fn governs(&self) -> bool {
        self.supplier || self.has(&[AuthorityClass::Owner, AuthorityClass::Agent])
    }

    /// Keeps the register, or owns the premises.
    #[must_use]
    pub fn owns(&self) -> bool {
        self.supplier || self.has(&[AuthorityClass::Owner])
    }

    /// Keeps the register.
    #[must_use]
    pub fn is_supplier(&self) -> bool {
        self.supplier
    }

    /// Governs the keys of one differ: an owner or agent whose scope includes it.
    #[must_use]
    pub fn governs_differ(&self, differ: DifferId) -> bool {
        let governs = |class| matches!(class, AuthorityClass::Owner | AuthorityClass::Agent);
        self.supplier || self.authorities.iter().any(|own| governs(own.class) && own.covers(differ))
    }

    /// What concerns a registration as a whole asks for an authority over every differ.
    fn has(&self, classes: &[AuthorityClass]) -> bool {
        self.authorities.iter().any(|own| own.every_differ && classes.contains(&own.class))
    }

    /// Lets only those go on who may.
    ///
    /// # Errors
    /// When `may` is false.
    pub fn require(&self, may: bool) -> Result<(), ActError> {
        if may {
            Ok(())
        } else {
            Err(ActError::Forbidden("your authority on this registration does not include this"))
        }
    }
}

async fn access_of(
    db: &mut PgConnection,
    caller: &Caller,
    registration: RegistrationId,
    today: Date,
) -> Result<Access, ActError> {
    let authorities =
        authorities::in_force(db, registration, caller.person(), &caller.organisations(), today).await?;
    let access = Access { supplier: caller.is_supplier(), authorities };
    if access.supplier || !access.authorities.is_empty() { Ok(access) } else { Err(ActError::NotFound) }
}

/// A registration that the caller may see.
///
/// # Errors
/// [`ActError::NotFound`] when there is none, or it is not the caller's.
pub async fn visible(
    db: &mut PgConnection,
    caller: &Caller,
    id: RegistrationId,
    today: Date,
) -> Result<(Registration, Access), ActError> {
    let registration = register::registration(db, id).await?.ok_or(ActError::NotFound)?;
    Ok((registration, access_of(db, caller, id, today).await?))
}

/// Nothing of a registration that has ended is changed.
///
/// # Errors
/// When it has ended.
pub fn require_active(registration: &Registration) -> Result<(), ActError> {
    match registration.ended_at {
        None => Ok(()),
        Some(_) => Err(ActError::WrongState {
            state: "ended",
            detail: "a registration that has ended is not changed".to_owned(),
        }),
    }
}

/// A registration that the caller may see, locked for an act.
///
/// # Errors
/// [`ActError::NotFound`] when there is none, or it is not the caller's.
pub async fn registration_for_update(
    act: &mut super::Act<'_>,
    id: RegistrationId,
) -> Result<(Registration, Access), ActError> {
    let caller = act.caller;
    let registration = register::registration_for_update(act.db(), id).await?.ok_or(ActError::NotFound)?;
    // Other acts may have taken their time under the lock: what holds now counts, not what held then.
    act.read_clock();
    let today = act.today();
    let access = access_of(act.db(), caller, id, today).await?;
    Ok((registration, access))
}
