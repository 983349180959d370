//! Counts: `u32` above, signed integers in the database.

use sqlx::error::BoxDynError;
use sqlx::postgres::{PgTypeInfo, PgValueRef};
use sqlx::{Decode, Postgres, Type, ValueRef};

/// A count as a column or an aggregate has it.
#[derive(Debug)]
pub struct Count(u32);

impl From<Count> for u32 {
    fn from(count: Count) -> Self {
        count.0
    }
}

impl Type<Postgres> for Count {
    fn type_info() -> PgTypeInfo {
        <i32 as Type<Postgres>>::type_info()
    }

    fn compatible(ty: &PgTypeInfo) -> bool {
        <i32 as Type<Postgres>>::compatible(ty) || <i64 as Type<Postgres>>::compatible(ty)
    }
}

impl<'r> Decode<'r, Postgres> for Count {
    fn decode(value: PgValueRef<'r>) -> Result<Self, BoxDynError> {
        // An int4 is read as an int8, too.
        Ok(Self(u32::try_from(<i64 as Decode<Postgres>>::decode(value)?)?))
    }
}

/// A count that may be absent: a limit, or what was not counted.
#[derive(Debug)]
pub struct MaybeCount(Option<u32>);

impl From<MaybeCount> for Option<u32> {
    fn from(count: MaybeCount) -> Self {
        count.0
    }
}

impl Type<Postgres> for MaybeCount {
    fn type_info() -> PgTypeInfo {
        Count::type_info()
    }

    fn compatible(ty: &PgTypeInfo) -> bool {
        Count::compatible(ty)
    }
}

impl<'r> Decode<'r, Postgres> for MaybeCount {
    fn decode(value: PgValueRef<'r>) -> Result<Self, BoxDynError> {
        if value.is_null() { Ok(Self(None)) } else { Ok(Self(Some(Count::decode(value)?.0))) }
    }
}

/// A count as the database takes it.
pub(crate) fn stored(count: u32) -> crate::Result<i32> {
    i32::try_from(count).map_err(|_| crate::StorageError::TooMany(count))
}
