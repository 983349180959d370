//! The token on an owner's card: what its QR code holds.
//!
//! ```text
//! header {"typ":"wardbook-card+jwt","alg":"EdDSA","kid":"…"}
//! claims {"sub":"<number, 14 digits>","exp":<end of the last day>,
//!         "status":{"status_list":{"idx":<index>,"uri":"<issuer>/status-lists/<n>"}}}
//! ```
//!
//! Claims that are not known here are passed over: whoever reads comes before whoever writes. There is no personal datum in it. Which register it is of is pinned by the address of the list. The
//! status claim is that of the IETF draft Token Status List.

use serde::{Deserialize, Serialize, Serializer};
use serde_json::{Value, json};
use thiserror::Error;
use time::{Date, OffsetDateTime};

use crate::tokens::keys::{KeyError, KeySet, TokenError};
use domain::numbers::TypedNumber;

const TYPE: &str = "wardbook-card+jwt";

/// What the token of a card says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CardClaims {
    /// The card's number: fourteen digits, not grouped.
    #[serde(serialize_with = "digits")]
    pub sub: TypedNumber,
    /// When the card expires, in seconds since 1970.
    pub exp: i64,
    /// Where it says whether the card still counts.
    pub status: Status,
}

fn digits<S: Serializer>(number: &TypedNumber, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(number.as_str())
}

/// The status claim.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Status {
    /// A place in a list.
    pub status_list: StatusReference,
}

/// A place in a list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StatusReference {
    /// Which place.
    pub idx: u32,
    /// Which list.
    pub uri: String,
}

/// Why the token of a card is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum CardTokenError {
    /// The token itself.
    #[error("This is no card of this register: {0}.")]
    Token(#[from] TokenError),
    /// A card of another register.
    #[error("This is a card of another register.")]
    OtherRegister,
    /// Past its last day.
    #[error("The card is past its last day.")]
    Expired,
}

impl CardTokenError {
    /// A stable code.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Token(TokenError::Malformed) => "token_malformed",
            Self::Token(TokenError::Algorithm) => "token_other_algorithm",
            Self::Token(TokenError::Type) => "token_other_type",
            Self::Token(TokenError::UnknownKey) => "token_unknown_key",
            Self::Token(TokenError::Signature) => "token_forged",
            Self::Token(TokenError::Content) => "token_other_content",
            Self::OtherRegister => "token_other_register",
            Self::Expired => "token_expired",
        }
    }
}

/// The keys that sign cards and status lists, and the register whose they are.
pub struct CardKeys {
    issuer: String,
    /// Addresses that the register had before: cards that were printed then stay good.
    earlier: Vec<String>,
    /// The keys.
    pub keys: KeySet,
}

impl CardKeys {
    /// The keys of a register, which is known by its address.
    #[must_use]
    pub fn new(issuer: &str, keys: KeySet) -> Self {
        Self { issuer: issuer.trim_end_matches('/').to_owned(), earlier: vec![], keys }
    }

    /// The same, under addresses that the register had before.
    #[must_use]
    pub fn known_before_as(self, earlier: &[String]) -> Self {
        let earlier = earlier.iter().map(|issuer| issuer.trim_end_matches('/').to_owned()).collect();
        Self { earlier, ..self }
    }

    /// Those that a register publishes, which is known by its address.
    ///
    /// # Errors
    /// When it is no set of keys.
    pub fn published(issuer: &str, set: &Value) -> Result<Self, KeyError> {
        let earlier = set.get("earlier_issuers").and_then(Value::as_array).into_iter().flatten();
        let earlier: Vec<String> =
            earlier.filter_map(|issuer| issuer.as_str().map(ToOwned::to_owned)).collect();
        Ok(Self::new(issuer, KeySet::from_jwks(set)?).known_before_as(&earlier))
    }

    /// The address of the list of lists.
    #[must_use]
    pub fn lists_uri(&self) -> String {
        format!("{}/status-lists", self.issuer)
    }

    /// The address of a list.
    #[must_use]
    pub fn list_uri(&self, number: i32) -> String {
        format!("{}/{number}", self.lists_uri())
    }

    /// The number of a list, from the address that it has or had.
    #[must_use]
    pub fn list_number(&self, uri: &str) -> Option<i32> {
        std::iter::once(&self.issuer).chain(&self.earlier).find_map(|issuer| {
            let number: i32 =
                uri.strip_prefix(issuer.as_str())?.strip_prefix("/status-lists/")?.parse().ok()?;
            (uri == format!("{issuer}/status-lists/{number}")).then_some(number)
        })
    }

    /// The token of a card with a place in a list.
    ///
    /// # Errors
    /// When signing fails.
    pub fn token(
        &self,
        number: &TypedNumber,
        expires_on: Date,
        (list, index): (i32, u32),
    ) -> Result<String, KeyError> {
        let end = expires_on.next_day().unwrap_or(expires_on).midnight().assume_utc();
        let claims = CardClaims {
            sub: number.clone(),
            exp: end.unix_timestamp(),
            status: Status { status_list: StatusReference { idx: index, uri: self.list_uri(list) } },
        };
        self.keys.sign(TYPE, &claims)
    }

    /// What the token of a card says, if it is one of this register.
    ///
    /// # Errors
    /// Why it is not taken.
    pub fn verify(&self, token: &str, now: OffsetDateTime) -> Result<CardClaims, CardTokenError> {
        let claims: CardClaims = self.keys.verify(TYPE, token.trim())?;
        if self.list_number(&claims.status.status_list.uri).is_none() {
            return Err(CardTokenError::OtherRegister);
        }
        if claims.exp <= now.unix_timestamp() {
            return Err(CardTokenError::Expired);
        }
        Ok(claims)
    }

    /// The public keys, and the addresses that the register had before (RFC 7517 s. 5 lets a set have more members).
    #[must_use]
    pub fn jwks(&self) -> Value {
        let mut set = self.keys.jwks();
        if let Some(members) = set.as_object_mut().filter(|_| !self.earlier.is_empty()) {
            members.insert("earlier_issuers".to_owned(), json!(self.earlier));
        }
        set
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tokens::keys::tests::pem;
    use time::macros::{date, datetime};

    fn cards(seeds: &[u8]) -> CardKeys {
        let keys: Vec<String> = seeds.iter().map(|seed| pem(*seed)).collect();
        CardKeys::new("https://register.example", KeySet::from_pem(&keys).unwrap())
    }

    #[test]
    fn a_card_is_good_through_its_last_day_and_after_its_key_was_rotated() {
        let number = TypedNumber::from_digits("123456789012").unwrap();
        let token = cards(&[1]).token(&number, date!(2028 - 11 - 02), (1, 412_345)).unwrap();
        // Short enough for a QR code of version 15 at level M (ISO/IEC 18004: 412 bytes), 77 modules wide.
        assert!(token.len() <= 412, "{}", token.len());
        let last = datetime!(2028-11-02 23:59:59 UTC);
        let rotated = cards(&[2, 1]);
        let claims = rotated.verify(&token, last).unwrap();
        assert_eq!((claims.sub, claims.status.status_list.idx), (number, 412_345));
        let over = last + time::Duration::seconds(1);
        assert_eq!(rotated.verify(&token, over), Err(CardTokenError::Expired));
        assert_eq!(cards(&[2]).verify(&token, last), Err(CardTokenError::Token(TokenError::UnknownKey)));
    }

    /// A change of domain killed all printed cards.
    #[test]
    fn a_card_stays_good_where_the_register_has_another_address() {
        let number = TypedNumber::from_digits("123456789012").unwrap();
        let token = cards(&[1]).token(&number, date!(2028 - 11 - 02), (1, 412_345)).unwrap();
        let now = datetime!(2026-11-02 09:00 UTC);
        let keys = || KeySet::from_pem(&[pem(1)]).unwrap();
        let moved = CardKeys::new("https://keys.example", keys());
        assert_eq!(moved.verify(&token, now), Err(CardTokenError::OtherRegister));
        let moved = moved.known_before_as(&["https://register.example/".to_owned()]);
        assert_eq!(moved.verify(&token, now).unwrap().sub, number);
        assert_eq!(moved.list_number("https://register.example/status-lists/1"), Some(1));
        assert_eq!(moved.list_uri(1), "https://keys.example/status-lists/1");
        // Counters learn it with the keys.
        let counter = CardKeys::published("https://keys.example", &moved.jwks()).unwrap();
        assert_eq!(counter.verify(&token, now).unwrap().sub, number);
    }

    #[test]
    fn a_token_with_other_content_or_of_another_register_is_no_card() {
        let cards = cards(&[1]);
        let now = datetime!(2026-11-02 09:00 UTC);
        let good = json!({"sub": "12345678901244", "exp": now.unix_timestamp() + 1,
            "status": {"status_list": {"idx": 1, "uri": "https://register.example/status-lists/1"}}});
        let signed = |claims: &Value| cards.keys.sign(TYPE, claims).unwrap();
        assert!(cards.verify(&signed(&good), now).is_ok());
        for (pointer, value, error) in [
            ("/sub", json!("12345678901245"), CardTokenError::Token(TokenError::Content)),
            ("/exp", json!("tomorrow"), CardTokenError::Token(TokenError::Content)),
            ("/status/status_list/idx", json!(-1), CardTokenError::Token(TokenError::Content)),
            (
                "/status/status_list/uri",
                json!("https://elsewhere.example/status-lists/1"),
                CardTokenError::OtherRegister,
            ),
            (
                "/status/status_list/uri",
                json!("https://register.example/status-lists/01"),
                CardTokenError::OtherRegister,
            ),
        ] {
            let mut claims = good.clone();
            *claims.pointer_mut(pointer).unwrap() = value;
            assert_eq!(cards.verify(&signed(&claims), now), Err(error), "{pointer}");
        }
        // One more claim makes no card unreadable.
        let mut more = good.clone();
        more["tomorrow"] = json!("something");
        more["status"]["status_list"]["tomorrow"] = json!(1);
        assert!(cards.verify(&signed(&more), now).is_ok());
    }
}
