//! How domain values are read from and written to columns.

use sqlx::encode::IsNull;
use sqlx::error::BoxDynError;
use sqlx::postgres::{PgArgumentBuffer, PgHasArrayType, PgTypeInfo, PgValueRef, Postgres};
use sqlx::{Decode, Encode, Type};
use uuid::Uuid;

use crate::cards::CardState;
use crate::copies::decision::{Outcome, RecordedStep};
use crate::copies::{DocumentKind, Purpose, RequestState};
use crate::counters::blanks::{Explanation, MovementKind};
use crate::differs::{DifferState, Level};
use crate::ids::{
    AccountResetId, ActorId, AnsweringId, AppointmentId, AuditId, AuditLineId, AuthorityId,
    BlankDifferenceId, BlankMovementId, CardId, ClientProgramId, CopyRequestId, CounterId, CutClaimId, CutId,
    DecisionId, DestructionId, DifferId, EntryId, HandOverId, HoldId, KeyId, LeverPackId, LockId, LossId,
    MandateId, MembershipId, NoticeId, OrganisationId, PersonId, PlotHandOverId, PlotId, RegistrationId,
    RekeyId, SectionId, SessionId, SiteId, StatementId, StockCountId,
};
use crate::keys::audits::{AuditAnswer, Silence};
use crate::keys::losses::{LossDecision, LossKind};
use crate::keys::{ChargeState, KeyState};
use crate::numbers::TypedNumber;
use crate::people::{InvitationKind, OrganisationKind, Post, Scope};
use crate::register::registrations::{Hand, LockKind};
use crate::register::sections::Protection;
use crate::rekeys::RekeyState;
use crate::rights::authorities::AuthorityClass;
use crate::rights::holds::HoldKind;
use crate::rights::notices::NoticeKind;

macro_rules! uuid_columns {
    ($($name:ident),+ $(,)?) => { $(
        impl Type<Postgres> for $name {
            fn type_info() -> PgTypeInfo {
                <Uuid as Type<Postgres>>::type_info()
            }
        }

        impl PgHasArrayType for $name {
            fn array_type_info() -> PgTypeInfo {
                <Uuid as PgHasArrayType>::array_type_info()
            }
        }

        impl<'r> Decode<'r, Postgres> for $name {
            fn decode(value: PgValueRef<'r>) -> Result<Self, BoxDynError> {
                Ok(Self(<Uuid as Decode<Postgres>>::decode(value)?))
            }
        }

        impl Encode<'_, Postgres> for $name {
            fn encode_by_ref(&self, buffer: &mut PgArgumentBuffer) -> Result<IsNull, BoxDynError> {
                <Uuid as Encode<Postgres>>::encode_by_ref(&self.0, buffer)
            }
        }
    )+ };
}

uuid_columns! {
    AccountResetId, ActorId, AnsweringId, AppointmentId, AuditId, AuditLineId, AuthorityId, BlankDifferenceId,
    BlankMovementId, CardId, ClientProgramId, CopyRequestId, CounterId, CutClaimId, CutId, DecisionId, DestructionId,
    DifferId, EntryId, HandOverId, HoldId, KeyId, LeverPackId, LockId, LossId, MandateId, MembershipId,
    NoticeId, OrganisationId, PersonId, PlotHandOverId, PlotId, RegistrationId, RekeyId, SectionId,
    SessionId, SiteId, StatementId, StockCountId,
}

/// Words and numbers are text; what is not one of them is a corrupt row, and the error of the
/// driver names the column.
macro_rules! text_columns {
    ($($name:ident: $parse:expr),+ $(,)?) => { $(
        impl Type<Postgres> for $name {
            fn type_info() -> PgTypeInfo {
                <String as Type<Postgres>>::type_info()
            }

            fn compatible(found: &PgTypeInfo) -> bool {
                <String as Type<Postgres>>::compatible(found)
            }
        }

        impl<'r> Decode<'r, Postgres> for $name {
            fn decode(value: PgValueRef<'r>) -> Result<Self, BoxDynError> {
                let parse: fn(&str) -> Result<Self, BoxDynError> = $parse;
                parse(<&str as Decode<Postgres>>::decode(value)?)
            }
        }
    )+ };
}

macro_rules! word_columns {
    ($($name:ident),+ $(,)?) => { text_columns! { $( $name: |word| Ok(word.parse()?) ),+ } };
}

word_columns! {
    AuditAnswer, AuthorityClass, CardState, ChargeState, DifferState, DocumentKind, Explanation, Hand,
    HoldKind, InvitationKind, KeyState, Level, LockKind, LossDecision, LossKind, MovementKind, NoticeKind,
    OrganisationKind, Outcome, Post, Protection, Purpose, RecordedStep, RekeyState, RequestState, Scope, Silence,
}

impl PgHasArrayType for Scope {
    fn array_type_info() -> PgTypeInfo {
        <String as PgHasArrayType>::array_type_info()
    }

    fn array_compatible(found: &PgTypeInfo) -> bool {
        <String as PgHasArrayType>::array_compatible(found)
    }
}

text_columns! { TypedNumber: |digits| Ok(TypedNumber::parse(digits)?) }
