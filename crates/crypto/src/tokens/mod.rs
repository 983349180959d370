//! Signed tokens: JWS compact, `EdDSA` alone (RFC 7515, RFC 7519, RFC 8037).
//!
//! [`keys`] has the keys and what all tokens share; [`access`] the tokens of callers; [`card`] those of
//! owner's cards, [`status_list`] the lists that say which cards still count, and
//! [`bundle`] the authorisations under which a counter may cut without a network.

pub mod access;
pub mod bundle;
pub mod card;
pub mod keys;
pub mod status_list;

pub use crate::tokens::access::TokenKeys;

use sha2::{Digest, Sha256};

/// SHA-256 of a secret that was drawn, of 80 random bits or more: there is nothing to guess, so no slow hash.
#[must_use]
pub fn secret_hash(secret: &str) -> [u8; 32] {
    Sha256::digest(secret.as_bytes()).into()
}
