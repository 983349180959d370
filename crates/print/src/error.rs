//! Why nothing can be printed.

use thiserror::Error;

/// Nothing can be printed.
#[derive(Debug, Error)]
#[error("printing: {0}")]
pub struct PrintError(pub(super) String);
