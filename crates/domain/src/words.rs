//! Enumerations that are words on the wire and in the database.

use thiserror::Error;

/// A word that is not one of an enumeration.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("{word:?} is not a {of}")]
pub struct UnknownWord {
    /// The enumeration.
    pub of: &'static str,
    /// The word.
    pub word: String,
}

/// An enumeration whose variants are spelled one way everywhere: JSON, SQL, CSV and log.
macro_rules! words {
    (
        $(#[$meta:meta])*
        pub enum $name:ident {
            $( $(#[$variant_meta:meta])* $variant:ident = $word:tt, )+
        }
    ) => {
        $(#[$meta])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash,
            serde::Serialize, serde::Deserialize, utoipa::ToSchema,
        )]
        pub enum $name {
            $( $(#[$variant_meta])* #[serde(rename = $word)] $variant, )+
        }

        impl $name {
            /// Every variant, in the order of its declaration.
            pub const ALL: &'static [Self] = &[ $( Self::$variant ),+ ];

            /// The word for it.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $( Self::$variant => $word ),+ }
            }
        }

        impl std::str::FromStr for $name {
            type Err = $crate::words::UnknownWord;

            fn from_str(word: &str) -> Result<Self, Self::Err> {
                match word {
                    $( $word => Ok(Self::$variant), )+
                    _ => Err($crate::words::UnknownWord {
                        of: stringify!($name),
                        word: word.to_owned(),
                    }),
                }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                out.write_str(self.as_str())
            }
        }
    };
}

/// A noun of the register: a struct that can be read, answered and described, with no secret in it; one
/// shape for the database and for what is answered.
macro_rules! record {
    ($( $(#[$meta:meta])* pub struct $name:ident { $( $(#[$field_meta:meta])* $field:ident: $type:ty, )+ } )+) => { $(
        $(#[$meta])*
        #[derive(Debug, Clone, PartialEq, serde::Serialize, utoipa::ToSchema)]
        pub struct $name {
            $( $(#[$field_meta])* pub $field: $type, )+
        }
    )+ };
}
