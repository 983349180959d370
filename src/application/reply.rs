//! What goes back, as it is sent and kept.

use serde::{Deserialize, Serialize};
use serde_json::Value;

/// A reply as it is sent and kept.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reply {
    /// The HTTP status.
    pub status: u16,
    /// Where the new thing is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub location: Option<String>,
    /// Its entity tag.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub etag: Option<String>,
    /// The body.
    pub body: Value,
    /// Secrets that are shown once: sent with the first reply, never kept.
    #[serde(skip)]
    pub once: Vec<(&'static str, String)>,
}

impl std::fmt::Debug for Reply {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "Reply({})", self.status)
    }
}
