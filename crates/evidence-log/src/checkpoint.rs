//! Checkpoints: the head of a log, as the text of a signed note (C2SP tlog-checkpoint).
//!
//! ```text
//! <origin>
//! <size, decimal>
//! <base64(root)>
//! ```
//!
//! There is no time in it: the same head signed twice is the same bytes.
//!
//! ```
//! use evidence_log::checkpoint::Checkpoint;
//! let text = "log.example/register\n8\nXcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=\n";
//! let checkpoint: Checkpoint = text.parse().unwrap();
//! assert_eq!(checkpoint.size, 8);
//! assert_eq!(checkpoint.to_string(), text);
//! ```

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

use crate::hash::Hash;

/// The head of a log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkpoint {
    /// The log's name.
    pub origin: String,
    /// How many entries it has.
    pub size: u64,
    /// The root over them.
    pub root: Hash,
}

/// Not the text of a checkpoint.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("not a checkpoint: origin, size and root, a line each")]
pub struct NotACheckpoint;

impl fmt::Display for Checkpoint {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}\n{}\n{}\n", self.origin, self.size, self.root.to_base64())
    }
}

impl FromStr for Checkpoint {
    type Err = NotACheckpoint;

    /// Lines beyond the third are another log's extensions: they are signed, and not looked at.
    fn from_str(text: &str) -> Result<Self, NotACheckpoint> {
        let mut lines = text.split('\n');
        let (Some(origin), Some(size), Some(root), Some(_)) =
            (lines.next(), lines.next(), lines.next(), lines.next())
        else {
            return Err(NotACheckpoint);
        };
        let size = decimal(size).ok_or(NotACheckpoint)?;
        let root = Hash::from_base64(root).ok_or(NotACheckpoint)?;
        if origin.is_empty() {
            return Err(NotACheckpoint);
        }
        Ok(Self { origin: origin.to_owned(), size, root })
    }
}

/// A number in the one form that these formats write it in: no sign, no leading zero.
pub(super) fn decimal(text: &str) -> Option<u64> {
    text.parse().ok().filter(|number: &u64| number.to_string() == text)
}
