//! What a caller may see and do on a registration.
//!
//! *Unknown* and *not yours* look the same: both are [`ActError::NotFound`].

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::caller::Caller;
use crate::{Act, ActError};
use domain::differs::DifferState;
use domain::ids::{DifferId, RegistrationId};
use domain::register::registrations::Registration;
use domain::rights::authorities::{Authority, AuthorityClass};
use storage::rights::authorities;
use storage::{Portion, differs};

/// What a caller may do on a registration.
#[derive(Debug, Clone)]
pub struct Access {
    supplier: bool,
    /// The caller's authorities in force, and those of the organisations in which the caller sits.
    pub authorities: Vec<Authority>,
    /// Since when what happened is the caller's to read: one bound for everything.
    since: Option<OffsetDateTime>,
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

    /// Since when what happened is the caller's to read.
    #[must_use]
    pub fn since(&self) -> Option<OffsetDateTime> {
        self.since
    }

    /// The last id of those that are not the caller's to read: ids are `UUIDv7`, and begin with their milliseconds.
    #[must_use]
    pub fn before(&self) -> Uuid {
        let milliseconds = self.since.map_or(0, |since| since.unix_timestamp_nanos() / 1_000_000);
        u128::try_from(milliseconds).map_or(Uuid::nil(), |milliseconds| Uuid::from_u128(milliseconds << 80))
    }

    /// A portion of what happened, as far as it is the caller's to read.
    #[must_use]
    pub fn portion(&self, portion: Portion) -> Portion {
        Portion { after: portion.after.max(self.before()), ..portion }
    }

    /// Lets only those go on to whom it is there: what happened before their time is not.
    ///
    /// # Errors
    /// When it is of an earlier time.
    pub fn require_own_time(&self, id: impl Into<Uuid>) -> Result<(), ActError> {
        self.require_sight(id.into() > self.before())
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

    /// Lets only those go on who may see it: for others it is not there.
    ///
    /// # Errors
    /// When `may` is false.
    pub fn require_sight(&self, may: bool) -> Result<(), ActError> {
        if may { Ok(()) } else { Err(ActError::NotFound) }
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

/// What the caller may do on a registration.
///
/// # Errors
/// [`ActError::NotFound`] when it is not the caller's.
pub(crate) async fn access_of(
    db: &mut PgConnection,
    caller: &Caller,
    registration: &Registration,
    today: Date,
) -> Result<Access, ActError> {
    let authorities =
        authorities::in_force(db, registration.id, caller.person(), &caller.organisations(), today).await?;
    let supplier = caller.is_supplier();
    let access = Access { supplier, authorities, since: registration.owner_since.filter(|_| !supplier) };
    if access.supplier || !access.authorities.is_empty() { Ok(access) } else { Err(ActError::NotFound) }
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

/// Refuses a differ of another registration.
pub async fn require_own_differ(
    act: &mut Act<'_>,
    registration: RegistrationId,
    differ: DifferId,
) -> Result<(), ActError> {
    if differs::own(act.db(), registration, &[differ]).await?.is_empty() {
        return Err(ActError::invalid("/differ_id", "is not a differ of this registration"));
    }
    Ok(())
}

/// A differ of which something new may be made: a lock, a pack, a key.
pub async fn require_living(act: &mut Act<'_>, differ: DifferId) -> Result<DifferState, ActError> {
    let found = differs::differ(act.db(), differ).await?.ok_or(ActError::NotFound)?;
    match found.state {
        state @ (DifferState::GivenOut | DifferState::Reserved) => Ok(state),
        DifferState::Dead | DifferState::Released => {
            Err(ActError::Conflict("this differ is dead or released: another one is needed"))
        }
    }
}
