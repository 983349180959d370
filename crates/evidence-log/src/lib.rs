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
//! Read them in this order. Not in scope here: what an entry says, where hashes are kept, who signs when,
//! and anything that reads a clock.
//!
//! What an auditor's own program does with a policy and a receipt:
//!
//! ```
//! use evidence_log::{policy::Policy, receipt::Receipt};
//!
//! fn proven(policy: &str, receipt: &str) -> Result<Vec<u8>, Box<dyn std::error::Error>> {
//!     let policy: Policy = policy.parse()?;
//!     let receipt: Receipt = receipt.parse()?;
//!     receipt.verify(&policy)?;
//!     Ok(receipt.entry)
//! }
//! # use evidence_log::{checkpoint::Checkpoint, hash::Hash, note::{KeyKind, Note, SignerKey}};
//! # let secret = ed25519_dalek::SigningKey::from_bytes(&[7; 32]);
//! # let key = SignerKey::new("log.example/register", KeyKind::Text, secret)?;
//! # let entry = b"an entry".to_vec();
//! # let head = Checkpoint { origin: "log.example/register".to_owned(), size: 1, root: Hash::leaf(&entry) };
//! # let checkpoint = Note::sign(head.to_string(), std::slice::from_ref(&key), 0).to_string();
//! # let receipt = Receipt { entry: entry.clone(), index: 0, proof: vec![], checkpoint }.to_string();
//! # let policy = format!("log {}\nquorum none\n", key.verifier());
//! assert_eq!(proven(&policy, &receipt)?, entry);
//! assert!(proven(&policy, &receipt.replace("index 0", "index 1")).is_err());
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

#![deny(missing_docs)]

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
