//! Numbers of things that came from outside, within stated bounds.

use serde::{Deserialize, Serialize};
use thiserror::Error;
use utoipa::ToSchema;

/// A number out of its bounds.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("must be from 1 to {most}")]
pub struct OutOfBounds {
    /// The most that it may be.
    pub most: u32,
}

macro_rules! counts {
    ($( $(#[$meta:meta])* $name:ident: $most:tt; )+) => { $(
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
        #[serde(try_from = "u64")]
        #[schema(value_type = u32, minimum = 1, maximum = $most)]
        pub struct $name(u32);

        impl $name {
            /// The number, as the database has it.
            #[must_use]
            pub fn signed(self) -> i32 {
                i32::try_from(self.0).unwrap_or(i32::MAX)
            }

            /// The number.
            #[must_use]
            pub fn get(self) -> u32 {
                self.0
            }
        }

        impl TryFrom<u64> for $name {
            type Error = OutOfBounds;

            fn try_from(number: u64) -> Result<Self, OutOfBounds> {
                match u32::try_from(number) {
                    Ok(number) if (1..=$most).contains(&number) => Ok(Self(number)),
                    _ => Err(OutOfBounds { most: $most }),
                }
            }
        }
    )+ };
}

counts! {
    /// Keys in one request.
    Quantity: 1000;
    /// Blanks in one consignment.
    BlankCount: 100_000;
    /// Keys in one lever pack.
    PackKeys: 20;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_keep_their_bounds() {
        assert_eq!(Quantity::try_from(1).map(Quantity::get), Ok(1));
        assert_eq!(Quantity::try_from(1000).map(Quantity::signed), Ok(1000));
        for wrong in [0, 1001, u64::MAX] {
            assert_eq!(Quantity::try_from(wrong), Err(OutOfBounds { most: 1000 }));
        }
    }
}
