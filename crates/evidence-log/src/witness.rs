//! What a witness does with a checkpoint (C2SP tlog-witness).
//!
//! A witness remembers the newest checkpoint of each log that it knows, and signs a later one only if
//! that leads on from it. It is asked with
//!
//! ```text
//! old <size>                 the size from which the proof leads on
//! <base64(hash)>             the consistency proof: up to 63 lines
//! <empty line>
//! <the checkpoint, signed by its log>
//! ```

use std::str::FromStr;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use thiserror::Error;

use crate::checkpoint::{Checkpoint, decimal};
use crate::hash::Hash;
use crate::note::{Note, VerifierKey};
use crate::tree::verify_consistency;

const MOST_HASHES: usize = 63;

/// The header in which a witness that does not sign shows what it has seen: the checkpoint with the log's own
/// signature, in base64. It is an addition to the standard: a word alone proves nothing.
pub const SEEN: &str = "x-seen-checkpoint";

/// What a witness has seen, where that is signed by one of the log's keys.
#[must_use]
pub fn proved(header: &str, logs: &[VerifierKey]) -> Option<Checkpoint> {
    let text = String::from_utf8(STANDARD.decode(header.trim()).ok()?).ok()?;
    let note: Note = text.parse().ok()?;
    let checkpoint: Checkpoint = note.text().parse().ok()?;
    let keys: Vec<VerifierKey> = logs.iter().filter(|key| key.name() == checkpoint.origin).cloned().collect();
    (!keys.is_empty() && note.verify(&keys).is_ok()).then_some(checkpoint)
}

/// How a witness shows what it has seen.
#[must_use]
pub fn shown(note: &str) -> String {
    STANDARD.encode(note)
}

/// What a log asks a witness.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Question {
    /// The size from which the proof leads on.
    pub old: u64,
    /// The consistency proof.
    pub proof: Vec<Hash>,
    /// The signed checkpoint.
    pub note: Note,
}

/// Why a witness does not sign.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Refusal {
    /// It cannot be read.
    #[error("the question cannot be read: {0}")]
    Malformed(&'static str),
    /// The log is not known here.
    #[error("the log is not known here")]
    UnknownLog,
    /// No known key of the log has signed it.
    #[error("no known key of the log has signed it")]
    NotSigned,
    /// It leads on from a larger tree.
    #[error("the old size is larger than the checkpoint's")]
    Backwards,
    /// Another checkpoint is the newest one that was seen.
    #[error("the newest checkpoint that was seen has size {0}")]
    OtherSize(u64),
    /// The proof does not hold, or there are two roots for one size.
    #[error("the checkpoint does not lead on from the one that was seen")]
    Inconsistent,
}

impl Question {
    /// The log's name, before anything is verified.
    ///
    /// # Errors
    /// When the text is not a checkpoint.
    pub fn checkpoint(&self) -> Result<Checkpoint, Refusal> {
        self.note.text().parse().map_err(|_| Refusal::Malformed("it has no checkpoint"))
    }

    /// Whether a witness that knows these logs, and has seen this of the one that asks, signs.
    ///
    /// # Errors
    /// When it does not, and why.
    pub fn consider(&self, logs: &[VerifierKey], seen: Option<&Checkpoint>) -> Result<Checkpoint, Refusal> {
        let checkpoint = self.checkpoint()?;
        let keys: Vec<VerifierKey> =
            logs.iter().filter(|key| key.name() == checkpoint.origin).cloned().collect();
        if keys.is_empty() {
            return Err(Refusal::UnknownLog);
        }
        self.note.verify(&keys).map_err(|_| Refusal::NotSigned)?;
        if self.old > checkpoint.size {
            return Err(Refusal::Backwards);
        }
        let (seen_size, seen_root) = seen.map_or((0, Hash::EMPTY), |seen| (seen.size, seen.root));
        if self.old != seen_size {
            return Err(Refusal::OtherSize(seen_size));
        }
        let holds = if seen_size == 0 {
            // Every tree begins with the empty one; there is nothing to prove, and only one of size 0.
            self.proof.is_empty() && (checkpoint.size > 0 || checkpoint.root == Hash::EMPTY)
        } else {
            verify_consistency(seen_size, checkpoint.size, seen_root, checkpoint.root, &self.proof).is_ok()
        };
        if holds { Ok(checkpoint) } else { Err(Refusal::Inconsistent) }
    }
}

impl std::fmt::Display for Question {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        writeln!(out, "old {}", self.old)?;
        self.proof.iter().try_for_each(|hash| writeln!(out, "{}", hash.to_base64()))?;
        write!(out, "\n{}", self.note)
    }
}

impl FromStr for Question {
    type Err = Refusal;

    fn from_str(text: &str) -> Result<Self, Refusal> {
        let malformed = Refusal::Malformed;
        let (head, note) = text.split_once("\n\n").ok_or(malformed("it has no empty line"))?;
        let mut lines = head.split('\n');
        let old = lines
            .next()
            .and_then(|line| line.strip_prefix("old "))
            .and_then(decimal)
            .ok_or(malformed("its first line is not the old size"))?;
        let proof = Hash::lines(lines, MOST_HASHES)
            .ok_or(malformed("a hash is not base64 of 32 bytes, or there are too many"))?;
        let note = note.parse().map_err(|_| malformed("it has no signed note"))?;
        Ok(Self { old, proof, note })
    }
}
