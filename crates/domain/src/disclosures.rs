//! What an entry commits to, in the form of SD-JWT disclosures (RFC 9901 s. 4.2.1), each with a salt of its own:
//!
//! ```text
//! disclosure = base64url(JSON [salt, name, value])
//! commitment = base64url(SHA-256(ASCII(disclosure)))
//! ```
//!
//! Commitments are sorted, so that their order says nothing. Showing one field to an auditor means
//! handing over its disclosure; erasing means deleting it. The known answer of RFC 9901:
//!
//! ```
//! use domain::disclosures::commitment;
//! assert_eq!(
//!     commitment("WyJfMjZiYzRMVC1hYzZxMktJNmNCVzVlcyIsICJmYW1pbHlfbmFtZSIsICJNw7ZiaXVzIl0"),
//!     "X9yH0Ajrdm1Oij4tWso9UzzKJvPoDxwmuEcO3XAdRC0"
//! );
//! ```

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use uuid::Uuid;

/// What shows a field of an entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Disclosure {
    /// The field's name.
    pub name: String,
    /// The disclosure.
    pub text: String,
    /// Whom or what it is about, where its value is an id: what is erased with that person.
    pub about: Option<Uuid>,
}

/// base64url(SHA-256(ASCII(disclosure))), RFC 9901 s. 4.2.3; of other texts too, where an entry commits to them
/// by their hash.
#[must_use]
pub fn commitment(text: &str) -> String {
    URL_SAFE_NO_PAD.encode(Sha256::digest(text.as_bytes()))
}

/// The name and value that a disclosure shows, if the entry with these bytes commits to it.
#[must_use]
pub fn disclosed(entry: &str, disclosure: &str) -> Option<(String, Value)> {
    let entry: Value = serde_json::from_str(entry).ok()?;
    let commitment = Value::String(commitment(disclosure));
    entry.get("commitments")?.as_array()?.contains(&commitment).then_some(())?;
    read(disclosure)
}

/// The name and value that a disclosure shows, of whatever entry it is.
#[must_use]
pub fn read(disclosure: &str) -> Option<(String, Value)> {
    let shown = URL_SAFE_NO_PAD.decode(disclosure).ok()?;
    let (_, name, value): (String, String, Value) = serde_json::from_slice(&shown).ok()?;
    Some((name, value))
}

impl Disclosure {
    /// Shows a field with a salt of its own.
    #[must_use]
    pub fn new(salt: [u8; 16], name: String, value: &Value) -> Self {
        let text = URL_SAFE_NO_PAD.encode(json!([URL_SAFE_NO_PAD.encode(salt), name, value]).to_string());
        Self { name, text, about: value.as_str().and_then(|text| text.parse().ok()) }
    }
}
