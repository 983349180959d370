//! Which cards still count, as one small signed file (IETF draft Token Status List).
//!
//! ```text
//! header {"typ":"statuslist+jwt","alg":"EdDSA","kid":"…"}
//! claims {"sub":"<its own address>","iat":…,"exp":…,"ttl":<seconds>,
//!         "status_list":{"bits":2,"lst":"<base64url(ZLIB(statuses))>"},
//!         "log_checkpoint":"<the newest checkpoint of the evidence log>"}
//! ```
//!
//! Status i lies in byte `i*bits/8`, least significant bits first. The checkpoint makes an archive of
//! the log's heads out of each counter that keeps the lists it took in.

use std::io::{Read, Write};

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use serde::{Deserialize, Serialize};
use thiserror::Error;
use time::{Duration, OffsetDateTime};

use crate::tokens::keys::{KeyError, KeySet, TokenError};
use domain::cards::CardState;

const TYPE: &str = "statuslist+jwt";
/// The media type as which a list is served.
pub const MEDIA_TYPE: &str = "application/statuslist+jwt";
/// Bits for one card.
pub const BITS: u8 = 2;
/// For how long a list may be kept before a fresh one is asked for, in seconds.
pub const TTL: i64 = 60;
/// For how long a list is good at all.
pub const LIFE: Duration = Duration::hours(24);
/// The most bytes that a list may have once it is inflated: four million cards.
const MOST_BYTES: u64 = 1 << 20;

/// Why a list is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum ListError {
    /// The token itself.
    #[error("the status list is not one of this register: {0}")]
    Token(#[from] TokenError),
    /// Another list than the one that was asked for.
    #[error("this is another status list than the one that the card names")]
    OtherList,
    /// Too old.
    #[error("the status list has expired: take in a fresh one")]
    Expired,
    /// Not yet: the clock of this machine is wrong, or the list's.
    #[error("the status list is from the future: look at the clock of this machine")]
    FromTheFuture,
    /// More than anybody has cards.
    #[error("the status list is too large")]
    TooLarge,
    /// Not what the draft describes.
    #[error("the status list cannot be read")]
    Unreadable,
    /// The card has no place in it.
    #[error("the card has no place in the status list")]
    OutOfRange,
    /// A value that means nothing here.
    #[error("the status list says something about the card that is not known here")]
    UnknownStatus,
}

/// The word for each state, as a list has it: 0 valid, 1 revoked, 2 suspended.
#[must_use]
pub fn value_of(state: CardState) -> u8 {
    match state {
        CardState::Valid => 0,
        CardState::Revoked => 1,
        CardState::Suspended => 2,
    }
}

/// The statuses of a list.
///
/// ```
/// use crypto::tokens::status_list::Statuses;
/// // Of the draft: two bits each, least significant first.
/// let mut statuses = Statuses::new(2, 12).unwrap();
/// for (index, value) in [1, 2, 0, 3, 0, 1, 0, 1, 1, 2, 3, 3].into_iter().enumerate() {
///     statuses.set(index, value);
/// }
/// assert_eq!(statuses.bytes(), [0xc9, 0x44, 0xf9]);
/// ```
#[derive(Clone, PartialEq, Eq)]
pub struct Statuses {
    bits: u8,
    bytes: Vec<u8>,
}

impl Statuses {
    /// So many cards, all of status 0. The draft knows 1, 2, 4 and 8 bits.
    #[must_use]
    pub fn new(bits: u8, size: usize) -> Option<Self> {
        let known = matches!(bits, 1 | 2 | 4 | 8);
        known.then(|| Self { bits, bytes: vec![0; (size * usize::from(bits)).div_ceil(8)] })
    }

    /// The bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    fn place(&self, index: usize) -> (usize, u32, u8) {
        let bits = usize::from(self.bits);
        let shift = u32::try_from(index * bits % 8).unwrap_or(0);
        let mask = u8::try_from((1_u16 << self.bits) - 1).unwrap_or(u8::MAX);
        (index * bits / 8, shift, mask)
    }

    /// Sets a status; one beyond the end is left out.
    pub fn set(&mut self, index: usize, value: u8) {
        let (at, shift, mask) = self.place(index);
        if let Some(byte) = self.bytes.get_mut(at) {
            *byte = (*byte & !(mask << shift)) | ((value & mask) << shift);
        }
    }

    /// A status; none beyond the end.
    #[must_use]
    pub fn get(&self, index: usize) -> Option<u8> {
        let (at, shift, mask) = self.place(index);
        self.bytes.get(at).map(|byte| (byte >> shift) & mask)
    }

    fn deflated(&self) -> Option<String> {
        let mut out = ZlibEncoder::new(Vec::new(), Compression::best());
        out.write_all(&self.bytes).ok()?;
        Some(URL_SAFE_NO_PAD.encode(out.finish().ok()?))
    }

    fn inflated(bits: u8, lst: &str) -> Result<Self, ListError> {
        let deflated = URL_SAFE_NO_PAD.decode(lst).map_err(|_| ListError::Unreadable)?;
        let mut bytes = Vec::new();
        // One byte more than may be: that it is there tells that there are too many.
        let mut inflating = ZlibDecoder::new(deflated.as_slice()).take(MOST_BYTES + 1);
        let read = inflating.read_to_end(&mut bytes).map_err(|_| ListError::Unreadable)?;
        if u64::try_from(read).unwrap_or(u64::MAX) > MOST_BYTES {
            return Err(ListError::TooLarge);
        }
        let known = Self::new(bits, 0).ok_or(ListError::Unreadable)?;
        Ok(Self { bytes, ..known })
    }
}

#[derive(Clone, Serialize, Deserialize)]
struct Body {
    bits: u8,
    lst: String,
}

#[derive(Clone, Serialize, Deserialize)]
struct Claims {
    sub: String,
    iat: i64,
    exp: i64,
    ttl: i64,
    status_list: Body,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    log_checkpoint: Option<String>,
}

/// Signs a list.
///
/// # Errors
/// When signing fails.
pub fn sign(
    keys: &KeySet,
    uri: String,
    statuses: &Statuses,
    log_checkpoint: Option<String>,
    now: OffsetDateTime,
) -> Result<String, KeyError> {
    let claims = Claims {
        sub: uri,
        iat: now.unix_timestamp(),
        exp: (now + LIFE).unix_timestamp(),
        ttl: TTL,
        status_list: Body { bits: statuses.bits, lst: statuses.deflated().unwrap_or_default() },
        log_checkpoint,
    };
    keys.sign(TYPE, &claims)
}

/// A list that was verified.
pub struct StatusList {
    /// When it was made.
    pub issued_at: OffsetDateTime,
    /// The newest checkpoint of the log at that time.
    pub log_checkpoint: Option<String>,
    statuses: Statuses,
}

impl StatusList {
    /// Verifies the list of an address.
    ///
    /// # Errors
    /// Why it is not taken.
    pub fn verify(keys: &KeySet, token: &str, uri: &str, now: OffsetDateTime) -> Result<Self, ListError> {
        let claims: Claims = keys.verify_current(TYPE, token.trim())?;
        if claims.sub != uri {
            return Err(ListError::OtherList);
        }
        if claims.exp <= now.unix_timestamp() {
            return Err(ListError::Expired);
        }
        // Clocks differ a little.
        if claims.iat > (now + Duration::minutes(5)).unix_timestamp() {
            return Err(ListError::FromTheFuture);
        }
        let issued_at = OffsetDateTime::from_unix_timestamp(claims.iat).map_err(|_| ListError::Unreadable)?;
        let statuses = Statuses::inflated(claims.status_list.bits, &claims.status_list.lst)?;
        Ok(Self { issued_at, log_checkpoint: claims.log_checkpoint, statuses })
    }

    /// What the list says of a card.
    ///
    /// # Errors
    /// When it says nothing that is known here.
    pub fn state(&self, index: u32) -> Result<CardState, ListError> {
        let index = usize::try_from(index).map_err(|_| ListError::OutOfRange)?;
        let value = self.statuses.get(index).ok_or(ListError::OutOfRange)?;
        let known = CardState::ALL.iter().find(|state| value_of(**state) == value);
        known.copied().ok_or(ListError::UnknownStatus)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tokens::keys::tests::pem;
    use serde_json::json;
    use time::macros::datetime;

    const URI: &str = "https://register.example/status-lists/1";
    const NOW: OffsetDateTime = datetime!(2026-11-02 09:00 UTC);

    fn keys() -> KeySet {
        KeySet::from_pem(&[pem(1)]).unwrap()
    }

    fn filled(bits: u8, values: &[u8]) -> Statuses {
        let mut statuses = Statuses::new(bits, values.len()).unwrap();
        for (index, value) in values.iter().enumerate() {
            statuses.set(index, *value);
        }
        statuses
    }

    /// IETF draft Token Status List, the worked examples of its sections on the byte array and its
    /// compression. Compressors differ: the inflated bytes are compared.
    #[test]
    fn the_examples_of_the_draft_are_read_and_written() {
        let one_bit = [1, 0, 0, 1, 1, 1, 0, 1, 1, 1, 0, 0, 0, 1, 0, 1];
        let two_bits = [1, 2, 0, 3, 0, 1, 0, 1, 1, 2, 3, 3];
        for (bits, values, bytes, lst) in [
            (1, one_bit.as_slice(), vec![0xb9, 0xa3], "eNrbuRgAAhcBXQ"),
            (2, two_bits.as_slice(), vec![0xc9, 0x44, 0xf9], "eNo76fITAAPfAgc"),
        ] {
            let statuses = filled(bits, values);
            assert_eq!(statuses.bytes(), bytes);
            let read = Statuses::inflated(bits, lst).unwrap();
            assert!(read == statuses);
            let own = Statuses::inflated(bits, &statuses.deflated().unwrap()).unwrap();
            assert!(own == statuses);
            for (index, value) in values.iter().enumerate() {
                assert_eq!(read.get(index), Some(*value), "{bits} bits, index {index}");
            }
        }
    }

    #[test]
    fn a_status_is_changed_and_its_neighbours_are_not() {
        let mut statuses = filled(2, &[3; 9]);
        statuses.set(4, 1);
        let read: Vec<_> = (0..9).filter_map(|index| statuses.get(index)).collect();
        assert_eq!(read, [3, 3, 3, 3, 1, 3, 3, 3, 3]);
        assert_eq!((statuses.get(11), statuses.get(12)), (Some(0), None));
        assert!(Statuses::new(3, 8).is_none());
    }

    fn signed(change: impl FnOnce(&mut serde_json::Value)) -> String {
        let lst = filled(2, &[0, 1, 2, 3]).deflated();
        let mut claims = json!({"sub": URI, "iat": NOW.unix_timestamp(), "exp": NOW.unix_timestamp() + 60,
            "ttl": 60, "status_list": {"bits": 2, "lst": lst}});
        change(&mut claims);
        keys().sign(TYPE, &claims).unwrap()
    }

    fn error(token: &str, now: OffsetDateTime) -> ListError {
        StatusList::verify(&keys(), token, URI, now).err().unwrap()
    }

    #[test]
    fn a_list_says_what_it_says_and_nothing_beyond() {
        let list = StatusList::verify(&keys(), &signed(|_| {}), URI, NOW).unwrap();
        assert_eq!(list.issued_at, NOW);
        assert_eq!(list.state(0), Ok(CardState::Valid));
        assert_eq!(list.state(1), Ok(CardState::Revoked));
        assert_eq!(list.state(2), Ok(CardState::Suspended));
        assert_eq!(list.state(3), Err(ListError::UnknownStatus));
        assert_eq!(list.state(4), Err(ListError::OutOfRange));
    }

    #[test]
    fn wrong_lists_are_refused_each_with_its_own_reason() {
        let token = signed(|_| {});
        assert_eq!(error(&token, NOW + Duration::seconds(60)), ListError::Expired);
        assert_eq!(error(&token, NOW - Duration::minutes(6)), ListError::FromTheFuture);
        let other = signed(|claims| claims["sub"] = json!("https://register.example/status-lists/2"));
        assert_eq!(error(&other, NOW), ListError::OtherList);
        let unreadable = signed(|claims| claims["status_list"]["lst"] = json!("AAAA"));
        assert_eq!(error(&unreadable, NOW), ListError::Unreadable);
        let bits = signed(|claims| claims["status_list"]["bits"] = json!(3));
        assert_eq!(error(&bits, NOW), ListError::Unreadable);
        let card = keys().sign("wardbook-card+jwt", &json!({})).unwrap();
        assert_eq!(error(&card, NOW), ListError::Token(TokenError::Type));
        // A small file that inflates to more than a machine should hold.
        let huge = Statuses { bits: 2, bytes: vec![0; 1 << 21] }.deflated().unwrap();
        assert!(huge.len() < 4096);
        let huge = signed(|claims| claims["status_list"]["lst"] = json!(huge));
        assert_eq!(error(&huge, NOW), ListError::TooLarge);
    }
}
