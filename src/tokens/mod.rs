//! Signed tokens: JWS compact, `EdDSA` alone (RFC 7515, RFC 7519, RFC 8037).
//!
//! [`keys`] has the keys and what all tokens share; [`access`] the tokens of callers; [`card`] those of
//! owner's cards, and [`status_list`] the lists that say which cards still count.

pub mod access;
pub mod card;
pub mod keys;
pub mod status_list;

pub use access::TokenKeys;
