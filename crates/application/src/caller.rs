//! Who calls.

use sqlx::PgConnection;
use uuid::Uuid;

use crate::ActError;
use domain::ids::{ActorId, CounterId, OrganisationId, PersonId, SessionId};
use domain::people::{OrganisationKind, Post, Scope};
use storage::counters;
use storage::people::memberships::Seat;

/// The caller.
#[derive(Debug, Clone)]
pub struct Caller {
    actor: ActorId,
    person: Option<PersonId>,
    seats: Vec<Seat>,
    /// The session of a person.
    pub session: Option<SessionId>,
    /// What a client program may do; a person has none.
    scopes: Vec<Scope>,
    /// The session began with a second factor.
    second_factor: bool,
    /// Seats that do not count, since the session has no second factor.
    pub second_factor_missing: bool,
}

impl Caller {
    /// The service itself.
    #[must_use]
    pub fn system() -> Self {
        Self::new(ActorId::SYSTEM, None, vec![])
    }

    /// A caller.
    #[must_use]
    pub fn new(actor: ActorId, person: Option<PersonId>, seats: Vec<Seat>) -> Self {
        Self {
            actor,
            person,
            seats,
            session: None,
            scopes: vec![],
            second_factor: false,
            second_factor_missing: false,
        }
    }

    /// A client program: it acts as staff of its organisation, as far as its scopes go.
    #[must_use]
    pub fn program(actor: ActorId, seat: Seat, scopes: Vec<Scope>) -> Self {
        Self { scopes, ..Self::new(actor, None, vec![seat]) }
    }

    /// What a client program may do; nothing, where a person calls.
    #[must_use]
    pub fn scopes(&self) -> &[Scope] {
        &self.scopes
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
            second_factor,
            second_factor_missing,
            ..Self::new(person.into(), Some(person), seats)
        }
    }

    /// It is the service itself.
    #[must_use]
    pub fn is_system(&self) -> bool {
        self.actor == ActorId::SYSTEM
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

    /// Showed two factors: whoever approves does, and whoever gives others what lets them approve, cut or collect.
    ///
    /// # Errors
    /// When the session began with a password alone.
    pub fn require_second_factor(&self) -> Result<(), ActError> {
        // The service itself, and commands of whoever runs it, have no session.
        if self.second_factor || self.session.is_none() {
            Ok(())
        } else {
            Err(ActError::Forbidden("set up a second factor and sign in with it: this asks for one"))
        }
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
        self.seats.iter().find(|seat| kinds.contains(&seat.kind)).map(|seat| seat.organisation_id)
    }

    /// Sits in an organisation.
    #[must_use]
    pub fn sits_in(&self, organisation: OrganisationId) -> bool {
        self.seats.iter().any(|seat| seat.organisation_id == organisation)
    }

    /// Is at the head of an organisation.
    #[must_use]
    pub fn heads(&self, organisation: OrganisationId) -> bool {
        self.seats.iter().any(|seat| seat.organisation_id == organisation && seat.post == Post::Head)
    }

    /// The organisations in which the caller sits.
    #[must_use]
    pub fn organisations(&self) -> Vec<Uuid> {
        self.seats.iter().map(|seat| seat.organisation_id.0).collect()
    }

    /// Works at a counter, as far as the register knows: sits in its dealer.
    pub async fn works_at(&self, db: &mut PgConnection, counter: CounterId) -> Result<bool, ActError> {
        Ok(counters::dealer_of(db, counter).await?.is_some_and(|dealer| self.sits_in(dealer)))
    }
}

/// Whose staff signs in with a second factor.
#[must_use]
pub fn needs_second_factor(kind: OrganisationKind) -> bool {
    use OrganisationKind::{Agent, Auditor, Dealer, Supplier};
    matches!(kind, Supplier | Dealer | Agent | Auditor)
}
