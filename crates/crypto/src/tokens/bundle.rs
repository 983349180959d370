//! The open authorisations of a counter, signed, so that it may cut without a network.
//!
//! ```text
//! header {"typ":"wardbook-authorisations+jwt","alg":"EdDSA","kid":"…"}
//! claims {"sub":"<counter id>","iat":…,"exp":<24 hours later>,
//!         "authorised":[{"copy_request":"<id>","registration":"<number>","section":"…","differ":"…",
//!                        "left":<keys>,"lapses_at":…,"cards":["<number>",…]}]}
//! ```
//!
//! It holds no bitting and names no person: whose the request is, a card's number says.

use serde::{Deserialize, Serialize};
use thiserror::Error;
use time::{Duration, OffsetDateTime};

use crate::tokens::keys::{KeyError, KeySet, TokenError};
use domain::ids::{CopyRequestId, CounterId};
use domain::numbers::TypedNumber;

const TYPE: &str = "wardbook-authorisations+jwt";
/// For how long a bundle is good.
pub const LIFE: Duration = Duration::hours(24);

/// An open authorisation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OfflineAuthorisation {
    /// The request.
    pub copy_request: CopyRequestId,
    /// The registration's number.
    pub registration: TypedNumber,
    /// The key section.
    pub section: String,
    /// The differ's number.
    pub differ: String,
    /// Keys that may still be cut.
    pub left: u32,
    /// When it lapses, in seconds since 1970.
    pub lapses_at: i64,
    /// The cards of who asked and of whom the key is for.
    pub cards: Vec<TypedNumber>,
}

/// A bundle of a counter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Bundle {
    /// The counter.
    pub sub: CounterId,
    /// When it was made, in seconds since 1970.
    pub iat: i64,
    /// Until when it is good.
    pub exp: i64,
    /// The open authorisations.
    pub authorised: Vec<OfflineAuthorisation>,
}

/// Why a cut without a network is not allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum BundleError {
    /// The bundle itself.
    #[error("the bundle of authorisations cannot be used: {0}")]
    Token(#[from] TokenError),
    /// Too old.
    #[error("the bundle of authorisations has expired: take in a fresh one")]
    Expired,
    /// Of another counter.
    #[error("the bundle of authorisations is that of another counter")]
    OtherCounter,
    /// Not in it.
    #[error("this request is not among the authorisations that were taken in")]
    NotAuthorised,
    /// Its time is over.
    #[error("the authorisation has lapsed")]
    Lapsed,
    /// Fewer are left.
    #[error("keys left under this authorisation: {left}")]
    Spent {
        /// How many may still be cut.
        left: u32,
    },
    /// Another person's card.
    #[error("the card is not one of this request")]
    OtherCard,
}

/// Signs a bundle.
///
/// # Errors
/// When signing fails.
pub fn sign(
    keys: &KeySet,
    counter: CounterId,
    authorised: Vec<OfflineAuthorisation>,
    now: OffsetDateTime,
) -> Result<String, KeyError> {
    let exp = (now + LIFE).unix_timestamp();
    keys.sign(TYPE, &Bundle { sub: counter, iat: now.unix_timestamp(), exp, authorised })
}

impl Bundle {
    /// Reads the bundle of a counter.
    ///
    /// # Errors
    /// Why it is not taken.
    pub fn verify(
        keys: &KeySet,
        token: &str,
        counter: CounterId,
        now: OffsetDateTime,
    ) -> Result<Self, BundleError> {
        let bundle: Self = keys.verify_current(TYPE, token.trim())?;
        if bundle.sub != counter {
            return Err(BundleError::OtherCounter);
        }
        if bundle.exp <= now.unix_timestamp() {
            return Err(BundleError::Expired);
        }
        Ok(bundle)
    }

    /// The authorisation of a request, if so many keys may be cut under it, after those that were cut
    /// since the bundle was made.
    ///
    /// # Errors
    /// Why not.
    pub fn may_cut(
        &self,
        request: CopyRequestId,
        quantity: u32,
        cut_since: u32,
        card: Option<&TypedNumber>,
        now: OffsetDateTime,
    ) -> Result<&OfflineAuthorisation, BundleError> {
        let found = self.authorised.iter().find(|authorised| authorised.copy_request == request);
        let found = found.ok_or(BundleError::NotAuthorised)?;
        if found.lapses_at <= now.unix_timestamp() {
            return Err(BundleError::Lapsed);
        }
        let left = found.left.saturating_sub(cut_since);
        if quantity == 0 || quantity > left {
            return Err(BundleError::Spent { left });
        }
        match card {
            Some(number) if !found.cards.contains(number) => Err(BundleError::OtherCard),
            _ => Ok(found),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tokens::keys::tests::pem;
    use time::macros::datetime;
    use uuid::Uuid;

    #[test]
    fn a_bundle_allows_what_was_authorised_and_nothing_else() {
        let now = datetime!(2026-11-02 09:00 UTC);
        let keys = KeySet::from_pem(&[pem(1)]).unwrap();
        let (counter, request) = (CounterId(Uuid::from_u128(1)), CopyRequestId(Uuid::from_u128(2)));
        let card = TypedNumber::from_digits("123456789012").unwrap();
        let authorised = OfflineAuthorisation {
            copy_request: request,
            registration: card.clone(),
            section: "MB40".to_owned(),
            differ: "A-1".to_owned(),
            left: 3,
            lapses_at: now.unix_timestamp() + 3600,
            cards: vec![card.clone()],
        };
        let token = sign(&keys, counter, vec![authorised], now).unwrap();
        let bundle = Bundle::verify(&keys, &token, counter, now).unwrap();
        assert!(bundle.may_cut(request, 3, 0, Some(&card), now).is_ok());
        assert_eq!(bundle.may_cut(request, 2, 2, None, now), Err(BundleError::Spent { left: 1 }));
        assert_eq!(bundle.may_cut(request, 0, 0, None, now), Err(BundleError::Spent { left: 3 }));
        let other = CopyRequestId(Uuid::from_u128(9));
        assert_eq!(bundle.may_cut(other, 1, 0, None, now), Err(BundleError::NotAuthorised));
        let stranger = TypedNumber::from_digits("999999999999").unwrap();
        assert_eq!(bundle.may_cut(request, 1, 0, Some(&stranger), now), Err(BundleError::OtherCard));
        let later = now + Duration::hours(1);
        assert_eq!(bundle.may_cut(request, 1, 0, None, later), Err(BundleError::Lapsed));
        let error = |counter, now| Bundle::verify(&keys, &token, counter, now).err();
        assert_eq!(error(CounterId(Uuid::from_u128(3)), now), Some(BundleError::OtherCounter));
        assert_eq!(error(counter, now + LIFE), Some(BundleError::Expired));
    }
}
