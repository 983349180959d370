//! Hashes of the tree (RFC 6962 s. 2.1): SHA-256, with a first byte that tells entries from nodes.
//!
//! ```
//! use evidence_log::hash::Hash;
//! assert_eq!(Hash::EMPTY.to_string(), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
//! assert_eq!(Hash::leaf(b"").to_string(), "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d");
//! let root = Hash::node(Hash::leaf(b""), Hash::leaf(&[0]));
//! assert_eq!(root.to_string(), "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125");
//! ```

use std::fmt;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

/// A hash of the tree.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Hash(pub [u8; 32]);

impl Hash {
    /// Its length in bytes.
    pub const LENGTH: usize = 32;

    /// The root of the empty tree: SHA-256 of nothing.
    pub const EMPTY: Self = Self([
        0xe3, 0xb0, 0xc4, 0x42, 0x98, 0xfc, 0x1c, 0x14, 0x9a, 0xfb, 0xf4, 0xc8, 0x99, 0x6f, 0xb9, 0x24, 0x27,
        0xae, 0x41, 0xe4, 0x64, 0x9b, 0x93, 0x4c, 0xa4, 0x95, 0x99, 0x1b, 0x78, 0x52, 0xb8, 0x55,
    ]);

    /// The hash of an entry.
    #[must_use]
    pub fn leaf(entry: &[u8]) -> Self {
        // SHA-256(0x00 || entry)
        Self(Sha256::new_with_prefix([0]).chain_update(entry).finalize().into())
    }

    /// The hash of a node.
    #[must_use]
    pub fn node(left: Self, right: Self) -> Self {
        // SHA-256(0x01 || left || right)
        Self(Sha256::new_with_prefix([1]).chain_update(left.0).chain_update(right.0).finalize().into())
    }

    /// From exactly 32 bytes.
    #[must_use]
    pub fn from_slice(bytes: &[u8]) -> Option<Self> {
        bytes.try_into().ok().map(Self)
    }

    /// From base64 (RFC 4648 s. 4, with padding) of exactly 32 bytes.
    #[must_use]
    pub fn from_base64(text: &str) -> Option<Self> {
        Self::from_slice(&STANDARD.decode(text).ok()?)
    }

    /// Lines of base64; `None` when one is not a hash, or there are more than `most`.
    #[must_use]
    pub fn lines<'a>(lines: impl Iterator<Item = &'a str>, most: usize) -> Option<Vec<Self>> {
        let hashes: Vec<Self> = lines.map(Self::from_base64).collect::<Option<_>>()?;
        (hashes.len() <= most).then_some(hashes)
    }

    /// In base64 (RFC 4648 s. 4, with padding).
    #[must_use]
    pub fn to_base64(self) -> String {
        STANDARD.encode(self.0)
    }

    /// Hashes that stand one after the other; `None` when their length is not a multiple of 32.
    #[must_use]
    pub fn list(bytes: &[u8]) -> Option<Vec<Self>> {
        let (hashes, rest) = bytes.as_chunks::<{ Self::LENGTH }>();
        rest.is_empty().then(|| hashes.iter().copied().map(Self).collect())
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(out, "{byte:02x}"))
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, out)
    }
}
