//! What goes back, as it is sent and kept.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::ActError;

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

impl Reply {
    /// A JSON body with a status.
    ///
    /// # Errors
    /// When the body cannot be written as JSON.
    pub fn new(status: u16, body: &impl Serialize) -> Result<Self, ActError> {
        let body = serde_json::to_value(body).map_err(|error| ActError::Internal(error.to_string()))?;
        Ok(Self { status, location: None, etag: None, body, once: vec![] })
    }

    /// 200.
    ///
    /// # Errors
    /// When the body cannot be written as JSON.
    pub fn ok(body: &impl Serialize) -> Result<Self, ActError> {
        Self::new(200, body)
    }

    /// 201, with where it is.
    ///
    /// # Errors
    /// When the body cannot be written as JSON.
    pub fn created(body: &impl Serialize, location: String) -> Result<Self, ActError> {
        Ok(Self { location: Some(location), ..Self::new(201, body)? })
    }

    /// 202, with where it waits for somebody.
    ///
    /// # Errors
    /// When the body cannot be written as JSON.
    pub fn waits(body: &impl Serialize, location: String) -> Result<Self, ActError> {
        Ok(Self { location: Some(location), ..Self::new(202, body)? })
    }

    /// With a secret that only this reply shows.
    #[must_use]
    pub fn once(mut self, name: &'static str, secret: Option<String>) -> Self {
        self.once.extend(secret.map(|secret| (name, secret)));
        self
    }

    /// With the entity tag of a version.
    #[must_use]
    pub fn version(mut self, version: i32) -> Self {
        self.etag = Some(format!("\"v{version}\""));
        self
    }
}

impl std::fmt::Debug for Reply {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "Reply({})", self.status)
    }
}
