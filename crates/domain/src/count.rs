//! Numbers of things: `u32`, and within stated bounds where they come from outside.

use serde::{Deserialize, Serialize};
use thiserror::Error;
use utoipa::ToSchema;

/// A number out of its bounds.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("must be from {least} to {most}")]
pub struct OutOfBounds {
    /// The least that it may be.
    pub least: u32,
    /// The most that it may be.
    pub most: u32,
}

/// How many there are of what is held in memory.
#[must_use]
pub fn number_of(items: usize) -> u32 {
    u32::try_from(items).unwrap_or(u32::MAX)
}

macro_rules! counts {
    ($( $(#[$meta:meta])* $name:ident: $least:tt to $most:tt; )+) => { $(
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
        #[serde(try_from = "u64")]
        #[schema(value_type = u32, minimum = $least, maximum = $most)]
        pub struct $name(u32);

        impl $name {
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
                    Ok(number) if ($least..=$most).contains(&number) => Ok(Self(number)),
                    _ => Err(OutOfBounds { least: $least, most: $most }),
                }
            }
        }
    )+ };
}

counts! {
    /// Keys in one request.
    Quantity: 1 to 1000;
    /// Blanks that move at one time.
    BlankCount: 1 to 100_000;
    /// Blanks that were counted.
    BlanksCounted: 0 to 100_000;
    /// Keys that were counted.
    KeysCounted: 0 to 100_000;
    /// Keys in one lever pack.
    PackKeys: 1 to 20;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_keep_their_bounds() {
        assert_eq!(Quantity::try_from(1).map(Quantity::get), Ok(1));
        assert_eq!(Quantity::try_from(1000).map(Quantity::get), Ok(1000));
        for wrong in [0, 1001, u64::MAX] {
            assert_eq!(Quantity::try_from(wrong), Err(OutOfBounds { least: 1, most: 1000 }));
        }
    }
}
