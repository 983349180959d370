//! Numbers that people type: twelve digits and two check digits, ISO/IEC 7064 MOD 97-10.
//!
//! ```
//! use domain::numbers::TypedNumber;
//! let number = TypedNumber::from_digits("123456789012").unwrap();
//! assert_eq!(number.grouped(), "1234-5678-9012-44");
//! // A slip of the finger is told from an unknown number.
//! assert!(TypedNumber::parse("1234-5678-9021-44").is_err());
//! ```

use serde::{Deserialize, Serialize};
use thiserror::Error;
use utoipa::ToSchema;

/// Why a typed number is not one.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum NumberError {
    /// Other than fourteen digits, spaces and hyphens apart.
    #[error("must be fourteen digits; spaces and hyphens do not count")]
    Form,
    /// Fourteen digits whose check digits are wrong: a slip in typing.
    #[error("has a digit wrong or two swapped: its check digits do not fit")]
    CheckDigits,
}

/// The number of a registration or a card.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(try_from = "String", into = "String")]
#[schema(value_type = String, min_length = 14, max_length = 32, pattern = "^[0-9 -]{14,32}$",
    examples("1234-5678-9012-44"))]
pub struct TypedNumber(String);

/// The remainder by 97 of a number of any length.
fn modulo_97(digits: impl Iterator<Item = u32>) -> u32 {
    digits.fold(0, |remainder, digit| (remainder * 10 + digit) % 97)
}

/// The two check digits of `digits`, ISO/IEC 7064 MOD 97-10: 98 - (digits * 100 mod 97).
#[must_use]
pub fn check_digits(digits: &str) -> Option<String> {
    let values: Option<Vec<u32>> = digits.chars().map(|c| c.to_digit(10)).collect();
    let remainder = modulo_97(values?.into_iter().chain([0, 0]));
    Some(format!("{:02}", 98 - remainder))
}

/// The number of a differ: eight digits that the caller draws, which say nothing of its heights, and two
/// check digits, grouped 4-4-2.
///
/// ```
/// assert_eq!(domain::numbers::differ_number(40_711_823), "4071-1823-45");
/// ```
#[must_use]
pub fn differ_number(value: u64) -> String {
    let digits = format!("{:08}", value % 100_000_000);
    let (first, second) = digits.split_at(4);
    format!("{first}-{second}-{}", check_digits(&digits).unwrap_or_default())
}

impl TypedNumber {
    /// Adds the check digits to twelve digits.
    ///
    /// # Errors
    /// When they are not twelve digits.
    pub fn from_digits(digits: &str) -> Result<Self, NumberError> {
        match check_digits(digits) {
            Some(check) if digits.len() == 12 => Ok(Self(format!("{digits}{check}"))),
            _ => Err(NumberError::Form),
        }
    }

    /// Twelve digits out of a random value below 10^12; the caller draws it.
    #[must_use]
    pub fn from_value(value: u64) -> Self {
        let digits = format!("{:012}", value % 1_000_000_000_000);
        let check = check_digits(&digits).unwrap_or_default();
        Self(format!("{digits}{check}"))
    }

    /// Reads a typed number, with or without spaces and hyphens.
    ///
    /// # Errors
    /// When it is not fourteen digits, or the check digits do not fit.
    pub fn parse(text: &str) -> Result<Self, NumberError> {
        let digits: String = text.chars().filter(|c| !matches!(c, ' ' | '-')).collect();
        let well_formed = digits.len() == 14 && digits.bytes().all(|b| b.is_ascii_digit());
        if !well_formed || text.len() > 32 {
            return Err(NumberError::Form);
        }
        if modulo_97(digits.chars().filter_map(|c| c.to_digit(10))) == 1 {
            Ok(Self(digits))
        } else {
            Err(NumberError::CheckDigits)
        }
    }

    /// The fourteen digits.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// As people read it: 4-4-4-2.
    #[must_use]
    pub fn grouped(&self) -> String {
        self.0
            .as_bytes()
            .chunks(4)
            .map(|group| String::from_utf8_lossy(group).into_owned())
            .collect::<Vec<_>>()
            .join("-")
    }
}

impl TryFrom<String> for TypedNumber {
    type Error = NumberError;

    fn try_from(text: String) -> Result<Self, NumberError> {
        Self::parse(&text)
    }
}

impl From<TypedNumber> for String {
    fn from(number: TypedNumber) -> Self {
        number.grouped()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Known answers made with python-stdnum's `iso7064.mod_97_10`.
    #[test]
    fn check_digits_agree_with_known_answers() {
        assert_eq!(check_digits("99991234567890121414").as_deref(), Some("90"));
        assert_eq!(check_digits("4354111611551114").as_deref(), Some("31"));
        assert_eq!(check_digits("12a4"), None);
    }

    #[test]
    fn a_number_is_twelve_digits_and_two_that_check_them() {
        let number = TypedNumber::from_digits("604511980273").unwrap();
        assert_eq!(number, TypedNumber::from_value(604_511_980_273));
        assert_eq!((number.as_str().len(), &number.as_str()[..12]), (14, "604511980273"));
        assert_eq!(String::from(number.clone()), number.grouped());
        for wrong in ["60451198027", "6045119802734", "60451198027a", ""] {
            assert_eq!(TypedNumber::from_digits(wrong), Err(NumberError::Form), "{wrong}");
        }
    }

    #[test]
    fn a_number_is_typed_with_or_without_spaces_and_not_without_end() {
        let number = TypedNumber::from_value(604_511_980_273);
        let digits = number.as_str();
        let spaced = |spaces: usize| format!("{}{digits}", " ".repeat(spaces));
        assert_eq!(TypedNumber::parse(&spaced(18)), Ok(number.clone()));
        assert_eq!(TypedNumber::parse(&spaced(19)), Err(NumberError::Form));
        for wrong in [&digits[..13], &format!("{digits}0"), &digits.replace('6', "O"), ""] {
            assert_eq!(TypedNumber::parse(wrong), Err(NumberError::Form), "{wrong}");
        }
        let other = format!("{}00", &digits[..12]);
        assert_eq!(TypedNumber::parse(&other), Err(NumberError::CheckDigits));
    }

    /// 4071182345 is 1 modulo 97, as ISO 7064 asks.
    #[test]
    fn a_differ_is_numbered_by_eight_digits_and_two_that_check_them() {
        assert_eq!(differ_number(40_711_823), "4071-1823-45");
        assert_eq!(differ_number(940_711_823), "4071-1823-45");
        assert_eq!(&differ_number(7)[..9], "0000-0007");
    }

    #[test]
    fn every_single_wrong_digit_and_every_swap_of_neighbours_is_found() {
        for value in [0, 7, 123_456_789_012, 999_999_999_999, 604_511_980_273] {
            let number = TypedNumber::from_value(value);
            assert_eq!(TypedNumber::parse(&number.grouped()), Ok(number.clone()));
            let digits: Vec<char> = number.as_str().chars().collect();
            for at in 0..digits.len() {
                for other in '0'..='9' {
                    let mut changed = digits.clone();
                    changed[at] = other;
                    let typed: String = changed.iter().collect();
                    assert_eq!(TypedNumber::parse(&typed).is_ok(), changed == digits);
                }
                if at > 0 {
                    let mut swapped = digits.clone();
                    swapped.swap(at - 1, at);
                    let typed: String = swapped.iter().collect();
                    assert_eq!(TypedNumber::parse(&typed).is_ok(), swapped == digits);
                }
            }
        }
    }
}
