//! The evidence log: a Merkle tree that only grows, in open formats.
//!
//! | file | what | from |
//! |---|---|---|
//! | [`hash`] | hashes of entries and of nodes | RFC 6962 s. 2.1 |
//! | [`tree`] | inclusion and consistency proofs | RFC 6962 s. 2.1.1, 2.1.2; RFC 9162 s. 2.1.3, 2.1.4 |
//! | [`tile`] | tiles of 256 hashes, bundles of entries, their paths, the frontier | C2SP tlog-tiles |
//! | [`note`] | signed notes and cosignatures | C2SP signed-note, tlog-cosignature |
//! | [`checkpoint`] | the signed head of a log | C2SP tlog-checkpoint |
//! | [`policy`] | whose signatures a verifier asks for | C2SP tlog-policy |
//! | [`receipt`] | a proof that verifies by itself | C2SP tlog-proof |
//! | [`witness`] | what a witness signs, and what not | C2SP tlog-witness |
//!
//! Read them in this order. What an entry says is in [`entry`](super::entry). Not in scope here:
//! where hashes are kept, who signs when, and anything that reads a clock.

#[cfg(test)]
mod tests;

pub mod checkpoint;
pub mod hash;
pub mod note;
pub mod policy;
pub mod receipt;
pub mod tile;
pub mod tree;
pub mod witness;
