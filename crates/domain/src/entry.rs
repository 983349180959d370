//! Entries of the evidence log: what is written, and what is only committed to.
//!
//! An entry is compact JSON with its members in this order; absent ones are left out:
//!
//! ```text
//! {"v":1,"entry":"<id>","what":"copy.ask","at":"<RFC 3339, microseconds, Z>",
//!  "registration":"<id>","subject":"<id>",
//!  "outcome":"refused","reasons":["over_cap"],"rules_version":3,"under":"<rule of an erasure>",
//!  "commitments":["<base64url(SHA-256(disclosure))>", …]}
//! ```
//!
//! Whatever concerns a person (who asked, who approved, who collected) is a commitment in the form
//! of an SD-JWT disclosure (RFC 9901 s. 4.2.1), with a salt of its own:
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
//! use domain::entry::commitment;
//! assert_eq!(
//!     commitment("WyJfMjZiYzRMVC1hYzZxMktJNmNCVzVlcyIsICJmYW1pbHlfbmFtZSIsICJNw7ZiaXVzIl0"),
//!     "X9yH0Ajrdm1Oij4tWso9UzzKJvPoDxwmuEcO3XAdRC0"
//! );
//! ```

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::Serialize;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use time::OffsetDateTime;
use uuid::Uuid;

use crate::copies::decision::Code;
use crate::ids::{EntryId, RegistrationId};

words! {
    /// What an entry is about; the row that belongs to it is in the table of that name.
    pub enum EntryKind {
        /// A decision, refusals too.
        Decision = "decision",
        /// A change of rights or of the register.
        Change = "change",
    }
}

/// What goes into an entry.
#[derive(Debug, Clone)]
pub struct Draft {
    /// Its id, made for the entry.
    pub id: EntryId,
    /// A decision or a change.
    pub kind: EntryKind,
    /// What happened, in a dotted word.
    pub what: &'static str,
    /// When it happened.
    pub at: OffsetDateTime,
    /// The registration.
    pub registration: Option<RegistrationId>,
    /// The thing that it happened to.
    pub subject: Uuid,
    /// The outcome, for a decision.
    pub outcome: Option<&'static str>,
    /// The codes of its reasons.
    pub reasons: Vec<Code>,
    /// The version of the rules under which it was taken.
    pub rules_version: Option<u32>,
    /// Under which rule a person was erased.
    pub under: Option<String>,
    /// What is committed to: names and values, a person's id among them.
    pub personal: Vec<(&'static str, Value)>,
}

/// An entry as it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SealedEntry {
    /// The bytes that are hashed.
    pub body: Vec<u8>,
    /// What shows each field.
    pub disclosures: Vec<Disclosure>,
}

/// What shows a field of an entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Disclosure {
    /// The field's name.
    pub name: &'static str,
    /// The disclosure.
    pub text: String,
    /// Whom or what it is about, where its value is an id: what is erased with that person.
    pub about: Option<Uuid>,
}

#[derive(Serialize)]
struct Body<'a> {
    v: u8,
    entry: EntryId,
    what: &'a str,
    #[serde(with = "time::serde::rfc3339")]
    at: OffsetDateTime,
    #[serde(skip_serializing_if = "Option::is_none")]
    registration: Option<RegistrationId>,
    subject: Uuid,
    #[serde(skip_serializing_if = "Option::is_none")]
    outcome: Option<&'a str>,
    #[serde(skip_serializing_if = "<[Code]>::is_empty")]
    reasons: &'a [Code],
    #[serde(skip_serializing_if = "Option::is_none")]
    rules_version: Option<u32>,
    #[serde(skip_serializing_if = "Option::is_none")]
    under: Option<String>,
    commitments: Vec<String>,
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
    let shown = URL_SAFE_NO_PAD.decode(disclosure).ok()?;
    let (_, name, value): (String, String, Value) = serde_json::from_slice(&shown).ok()?;
    Some((name, value))
}

fn disclosure(salt: [u8; 16], name: &str, value: &Value) -> String {
    URL_SAFE_NO_PAD.encode(json!([URL_SAFE_NO_PAD.encode(salt), name, value]).to_string())
}

impl Draft {
    /// Makes the bytes of the entry and the disclosures that go with it; `salt` is drawn for each.
    ///
    /// # Errors
    /// When an instant cannot be written in RFC 3339 (years beyond 9999).
    pub fn seal(self, mut salt: impl FnMut() -> [u8; 16]) -> Result<SealedEntry, serde_json::Error> {
        let disclosures: Vec<Disclosure> = self
            .personal
            .iter()
            .map(|(name, value)| Disclosure {
                name,
                text: disclosure(salt(), name, value),
                about: value.as_str().and_then(|text| text.parse().ok()),
            })
            .collect();
        let mut commitments: Vec<String> =
            disclosures.iter().map(|disclosure| commitment(&disclosure.text)).collect();
        commitments.sort_unstable();
        let body = serde_json::to_vec(&Body {
            v: 1,
            entry: self.id,
            what: self.what,
            at: self.at,
            registration: self.registration,
            subject: self.subject,
            outcome: self.outcome,
            reasons: &self.reasons,
            rules_version: self.rules_version,
            under: self.under,
            commitments,
        })?;
        Ok(SealedEntry { body, disclosures })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use time::macros::datetime;

    #[test]
    fn an_entry_names_no_person_and_commits_to_each_field_apart() {
        let person = "0190aaaa-0000-7000-8000-000000000001";
        let draft = Draft {
            id: EntryId(Uuid::from_u128(1)),
            kind: EntryKind::Decision,
            what: "copy.ask",
            at: datetime!(2026-11-02 09:00:00.123456 UTC),
            registration: Some(RegistrationId(Uuid::from_u128(2))),
            subject: Uuid::from_u128(3),
            outcome: Some("refused"),
            reasons: vec![Code::OverCap],
            rules_version: Some(3),
            under: None,
            personal: vec![("asker", json!(person)), ("recipient", json!(person))],
        };
        let mut next = 0;
        let sealed = draft
            .seal(|| {
                next += 1;
                [next; 16]
            })
            .unwrap();
        let text = String::from_utf8(sealed.body).unwrap();
        assert!(!text.contains(person));
        assert!(text.starts_with(
            r#"{"v":1,"entry":"00000000-0000-0000-0000-000000000001","what":"copy.ask","at":"2026-11-02T09:00:00.123456Z","registration":"#
        ));
        let entry: Value = serde_json::from_str(&text).unwrap();
        let commitments: Vec<&str> =
            entry["commitments"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
        assert_eq!(commitments.len(), 2);
        // The same person twice: two salts, two commitments.
        assert_ne!(commitments[0], commitments[1]);
        for shown in sealed.disclosures {
            assert!(commitments.contains(&commitment(&shown.text).as_str()));
            assert_eq!(shown.about, Some(person.parse().unwrap()));
            assert_eq!(disclosed(&text, &shown.text), Some((shown.name.to_owned(), json!(person))));
        }
    }
}
