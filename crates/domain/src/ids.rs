//! Ids: one type for each kind of thing, so that none is mistaken for another.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

macro_rules! id {
    ($( $(#[$meta:meta])* $name:ident ),+ $(,)?) => { $(
        $(#[$meta])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema,
        )]
        #[serde(transparent)]
        pub struct $name(pub Uuid);

        impl std::fmt::Display for $name {
            fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                self.0.fmt(out)
            }
        }

        impl From<Uuid> for $name {
            fn from(id: Uuid) -> Self { Self(id) }
        }

        impl From<$name> for Uuid {
            fn from(id: $name) -> Self { id.0 }
        }
    )+ };
}

id! {
    /// A way that the register opens into an account.
    AccountResetId,
    /// Whoever can act: a person, a client program, or the service itself.
    ActorId,
    /// A stretch of time in which a lock answers to a differ.
    AnsweringId,
    /// An appointment of a counter for a section.
    AppointmentId,
    /// A key audit.
    AuditId,
    /// One key in a key audit.
    AuditLineId,
    /// What one person may do on one registration.
    AuthorityId,
    /// Something that did not fit in an account of blanks.
    BlankDifferenceId,
    /// What moved blanks, or counted them.
    BlankMovementId,
    /// An owner's card.
    CardId,
    /// A program of an organisation that signs in by itself.
    ClientProgramId,
    /// A copy request.
    CopyRequestId,
    /// One shop of a dealer.
    CounterId,
    /// Keys that a counter says it cut beyond what was authorised.
    CutClaimId,
    /// Keys cut at one time for one request.
    CutId,
    /// A decision that was taken.
    DecisionId,
    /// Keys that nobody collected, destroyed.
    DestructionId,
    /// A combination of lever heights.
    DifferId,
    /// An entry of the evidence log.
    EntryId,
    /// Keys given to a person at one time.
    HandOverId,
    /// A hold.
    HoldId,
    /// One key.
    KeyId,
    /// The levers for one lock with the keys cut to them.
    LeverPackId,
    /// One lock.
    LockId,
    /// The report of a lost or stolen key.
    LossId,
    /// A written mandate to collect for somebody else.
    MandateId,
    /// A person's place in an organisation.
    MembershipId,
    /// Something that a person is told.
    NoticeId,
    /// A supplier, dealer, owner, agent, builder or auditor.
    OrganisationId,
    /// A person.
    PersonId,
    /// The hand-over of a plot to its buyer.
    PlotHandOverId,
    /// One house of a site.
    PlotId,
    /// Anything of the register's record, whatever it is.
    RecordId,
    /// The record that locks and differs belong to an owner at some premises.
    RegistrationId,
    /// A rekey that was begun.
    RekeyId,
    /// The profile of a restricted key and its blank.
    SectionId,
    /// A signed-in stretch of time.
    SessionId,
    /// A building site.
    SiteId,
    /// A statement of what the register holds on some premises.
    StatementId,
    /// A count of the keys in store.
    StockCountId,
}

impl ActorId {
    /// The service itself, for what happens by the passing of time.
    pub const SYSTEM: Self = Self(Uuid::nil());
}

impl From<PersonId> for ActorId {
    fn from(person: PersonId) -> Self {
        Self(person.0)
    }
}
