//! Receipts: a proof that an entry is in the log, which verifies by itself (C2SP tlog-proof).
//!
//! ```text
//! c2sp.org/tlog-proof@v1
//! extra <base64>             here: the entry itself
//! index <decimal>
//! <base64(hash)>             the sibling of the leaf first, the child of the root last
//! <empty line>
//! <the checkpoint, with its signatures, as it was served>
//! ```

use std::fmt;
use std::str::FromStr;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use thiserror::Error;

use crate::checkpoint::decimal;
use crate::hash::Hash;
use crate::policy::{CheckedHead, Policy, PolicyError};
use crate::tree::{ProofError, verify_inclusion};

const FIRST_LINE: &str = "c2sp.org/tlog-proof@v1";
/// A tree has at most 2^64 entries.
const MOST_HASHES: usize = 64;

/// A proof that an entry is in the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Receipt {
    /// The entry.
    pub entry: Vec<u8>,
    /// Its index.
    pub index: u64,
    /// The proof.
    pub proof: Vec<Hash>,
    /// The checkpoint, with its signatures.
    pub checkpoint: String,
}

/// A receipt that is not good.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum ReceiptError {
    /// It cannot be read.
    #[error("receipt: {0}")]
    Malformed(&'static str),
    /// The checkpoint does not meet the policy.
    #[error(transparent)]
    Policy(#[from] PolicyError),
    /// The entry is not in the log.
    #[error("receipt: {0}")]
    Proof(#[from] ProofError),
}

impl Receipt {
    /// Checks that the entry is in a log that meets the policy.
    ///
    /// # Errors
    /// When it does not show that.
    pub fn verify(&self, policy: &Policy) -> Result<CheckedHead, ReceiptError> {
        let seen = policy.verify(&self.checkpoint)?;
        let CheckedHead { checkpoint, .. } = &seen;
        verify_inclusion(Hash::leaf(&self.entry), self.index, checkpoint.size, &self.proof, checkpoint.root)?;
        Ok(seen)
    }
}

impl fmt::Display for Receipt {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(out, "{FIRST_LINE}\nextra {}\nindex {}", STANDARD.encode(&self.entry), self.index)?;
        self.proof.iter().try_for_each(|hash| writeln!(out, "{}", hash.to_base64()))?;
        write!(out, "\n{}", self.checkpoint)
    }
}

impl FromStr for Receipt {
    type Err = ReceiptError;

    fn from_str(text: &str) -> Result<Self, ReceiptError> {
        let malformed = ReceiptError::Malformed;
        let (head, checkpoint) = text.split_once("\n\n").ok_or(malformed("it has no empty line"))?;
        let mut lines = head.split('\n');
        if lines.next() != Some(FIRST_LINE) {
            return Err(malformed("its first line is another"));
        }
        let entry = lines
            .next()
            .and_then(|line| line.strip_prefix("extra "))
            .and_then(|base64| STANDARD.decode(base64).ok())
            .ok_or(malformed("its entry is missing"))?;
        let index = lines
            .next()
            .and_then(|line| line.strip_prefix("index "))
            .and_then(decimal)
            .ok_or(malformed("its index is missing"))?;
        let proof = Hash::lines(lines, MOST_HASHES)
            .ok_or(malformed("a hash is not base64 of 32 bytes, or there are too many"))?;
        Ok(Self { entry, index, proof, checkpoint: checkpoint.to_owned() })
    }
}
