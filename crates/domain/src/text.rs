//! Texts that were checked once, where they came in.

use serde::{Deserialize, Serialize};
use thiserror::Error;
use utoipa::ToSchema;

/// Why a text is not of its kind.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum TextError {
    /// Nothing in it but white space.
    #[error("must not be empty")]
    Empty,
    /// Too many characters.
    #[error("must be at most {most} characters, not {found}")]
    TooLong {
        /// How many there may be.
        most: usize,
        /// How many there are.
        found: usize,
    },
    /// A character that has no place in a line of text.
    #[error("must be one line without control characters")]
    Control,
    /// Not of the stated form.
    #[error("must be {form}")]
    Form {
        /// The form, in words.
        form: &'static str,
    },
}

fn line(text: &str, most: usize) -> Result<String, TextError> {
    let text = text.trim();
    let found = text.chars().count();
    if text.is_empty() {
        Err(TextError::Empty)
    } else if found > most {
        Err(TextError::TooLong { most, found })
    } else if text.chars().any(is_unprintable) {
        Err(TextError::Control)
    } else if text.chars().all(joins) {
        Err(TextError::Empty)
    } else {
        Ok(text.to_owned())
    }
}

/// Control characters, those that turn the reading direction of what follows them, and those that nobody sees, by
/// which one name could stand beside another that looks the same (Unicode, `Default_Ignorable_Code_Point`).
fn is_unprintable(character: char) -> bool {
    character.is_control()
        || matches!(character, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{2028}' | '\u{2029}')
        || matches!(
            character,
            '\u{AD}' | '\u{34F}' | '\u{61C}' | '\u{115F}' | '\u{1160}' | '\u{17B4}' | '\u{17B5}'
        )
        || matches!(character, '\u{180B}'..='\u{180F}' | '\u{200B}' | '\u{200E}' | '\u{200F}')
        || matches!(character, '\u{2060}'..='\u{2065}' | '\u{206A}'..='\u{206F}' | '\u{3164}' | '\u{FEFF}')
        || matches!(character, '\u{FFA0}' | '\u{FFF0}'..='\u{FFF8}' | '\u{1D173}'..='\u{1D17A}')
        || matches!(character, '\u{E0000}'..='\u{E0FFF}')
}

/// Joiners and variation selectors: letters of several scripts need them, alone they are nothing.
fn joins(character: char) -> bool {
    matches!(character, '\u{200C}' | '\u{200D}' | '\u{FE00}'..='\u{FE0F}')
}

macro_rules! text {
    ($( $(#[$meta:meta])* $name:ident: $most:tt, $(like $pattern:tt,)? by $parse:expr; )+) => { $(
        $(#[$meta])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
        #[serde(try_from = "String", into = "String")]
        #[schema(value_type = String, min_length = 1, max_length = $most $(, pattern = $pattern)?)]
        pub struct $name(String);

        impl $name {
            /// Checks the text.
            ///
            /// # Errors
            /// When it is not of this kind.
            pub fn parse(text: &str) -> Result<Self, TextError> {
                let parse: fn(&str) -> Result<String, TextError> = $parse;
                parse(text).map(Self)
            }

            /// The text.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl TryFrom<String> for $name {
            type Error = TextError;

            fn try_from(text: String) -> Result<Self, TextError> {
                Self::parse(&text)
            }
        }

        impl From<$name> for String {
            fn from(text: $name) -> Self {
                text.0
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                out.write_str(&self.0)
            }
        }
    )+ };
}

text! {
    /// A name of a person, an organisation, a counter or a section.
    Name: 200, by |text| line(text, 200);
    /// What is written on a lock's line in the schedule: "Front door".
    Label: 100, by |text| line(text, 100);
    /// Where the locks are, in one line.
    Premises: 500, by |text| line(text, 500);
    /// A reason or a remark, in one line.
    Remark: 500, by |text| line(text, 500);
    /// A reference that somebody else gave: a crime number, a court.
    Reference: 100, by |text| line(text, 100);
    /// The number by which a differ is known; it reveals no height.
    DifferNumber: 20, like "^[A-Z0-9][A-Z0-9-]{0,19}$", by |text| stamped(text, 20);
    /// The number on a lever pack.
    PackNumber: 40, like "^[A-Z0-9][A-Z0-9-]{0,39}$", by |text| stamped(text, 40);
    /// A word that a registration's rules use: a post, a standing, a class of room.
    Slug: 40, like "^[a-z][a-z0-9_]{0,39}$", by slug;
    /// An address for mail, in lower case.
    Email: 254, like "^[^@\\s]+@[^@\\s]+$", by email;
}

fn stamped(text: &str, most: usize) -> Result<String, TextError> {
    let good = text.len() <= most
        && text.starts_with(|c: char| c.is_ascii_uppercase() || c.is_ascii_digit())
        && text.chars().all(|c| c.is_ascii_uppercase() || c.is_ascii_digit() || c == '-');
    if good {
        Ok(text.to_owned())
    } else {
        Err(TextError::Form { form: "capital letters, digits and hyphens, beginning with a letter or digit" })
    }
}

fn slug(text: &str) -> Result<String, TextError> {
    let good = text.len() <= 40
        && text.starts_with(|c: char| c.is_ascii_lowercase())
        && text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
    if good {
        Ok(text.to_owned())
    } else {
        Err(TextError::Form { form: "lower-case letters, digits and underscores, beginning with a letter" })
    }
}

/// Two parts around one `@`: whether mail arrives is found out by sending it.
fn email(text: &str) -> Result<String, TextError> {
    let text = line(&text.to_lowercase(), 254)?;
    let good = text
        .split_once('@')
        .is_some_and(|(local, domain)| !local.is_empty() && !domain.is_empty() && !domain.contains('@'))
        && !text.contains(char::is_whitespace);
    if good { Ok(text) } else { Err(TextError::Form { form: "an address such as name@place.example" }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_trimmed_and_kept_to_one_printable_line() {
        assert_eq!(Label::parse("  Front door ").map(|label| label.0), Ok("Front door".to_owned()));
        assert_eq!(Label::parse(" \t "), Err(TextError::Empty));
        assert_eq!(Label::parse("Front\ndoor"), Err(TextError::Control));
        assert_eq!(Label::parse("Front\u{0}door"), Err(TextError::Control));
        assert_eq!(Label::parse("a\u{202E}b"), Err(TextError::Control));
        for unseen in ["Calla\u{200B}", "\u{3164}", "Ca\u{AD}lla", "\u{FEFF}Calla", "Calla\u{E0041}"] {
            assert_eq!(Label::parse(unseen), Err(TextError::Control), "{unseen:?}");
        }
        assert_eq!(Label::parse("\u{200D}\u{200C}"), Err(TextError::Empty));
        assert!(Label::parse("می\u{200C}خواهم").is_ok());
        assert_eq!(Label::parse(&"é".repeat(101)), Err(TextError::TooLong { most: 100, found: 101 }));
        assert!(Label::parse(&"é".repeat(100)).is_ok());
    }

    #[test]
    fn slugs_differ_numbers_and_addresses_have_one_form() {
        assert!(Slug::parse("dean").is_ok());
        assert!(Slug::parse("Dean").is_err());
        assert!(DifferNumber::parse("K-204").is_ok());
        assert!(DifferNumber::parse("k204").is_err());
        assert!(DifferNumber::parse("").is_err());
        assert_eq!(Email::parse("Ada@Quay.Example").map(String::from), Ok("ada@quay.example".to_owned()));
        assert!(Email::parse("ada@@quay.example").is_err());
        assert!(Email::parse("ada at quay").is_err());
    }
}
