//! Entries of the evidence log: what is written, and what is only committed to.
//!
//! An entry is compact JSON with its members in this order; absent ones are left out:
//!
//! ```text
//! {"v":2,"entry":"<id>","what":"copy.ask","at":"<RFC 3339, microseconds, Z>",
//!  "registration":"<id>","subject":"<id>",
//!  "outcome":"refused","reasons":["over_cap"],"rules_version":3,
//!  "under":"<rule of an erasure>","count":4,
//!  "rows":[{"of":"copy_requests","id":"<id>","state":"refused", …}],
//!  "commitments":["<base64url(SHA-256(disclosure))>", …]}
//! ```
//!
//! `rows` are those that the act wrote, as they stand after it ([`crate::standing`]), and `count` how many disclosures went
//! with a person, or entries came back from a mirror. The first form (`"v":1`) had neither; whoever reads one reads both.
//!
//! Whatever concerns a person (who asked, who approved, who collected) is a commitment ([`crate::disclosures`]).

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use serde_json::Value;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::copies::decision::Code;
use crate::disclosures::{Disclosure, commitment};
use crate::ids::{EntryId, RegistrationId};
use crate::standing::SaidRow;

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
    /// How many disclosures went with that person, or entries came back from a mirror.
    pub count: Option<u64>,
    /// What is committed to: names and values, a person's id among them.
    pub personal: Vec<(&'static str, Value)>,
}

/// An entry whose act goes on: what it commits to is salted, and rows may still be said.
#[derive(Debug, Clone)]
pub struct OpenEntry {
    draft: Draft,
    disclosures: Vec<Disclosure>,
    rows: Vec<Value>,
    length: usize,
}

/// An entry as it is stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SealedEntry {
    /// The bytes that are hashed.
    pub body: Vec<u8>,
    /// What shows each field.
    pub disclosures: Vec<Disclosure>,
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
    #[serde(skip_serializing_if = "Option::is_none")]
    count: Option<u64>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    rows: Vec<Value>,
    commitments: Vec<String>,
}

/// An entry as it is read, of either form; what is not known here is passed over.
#[derive(Debug, Clone, Deserialize)]
pub struct ReadEntry {
    /// Its id.
    pub entry: EntryId,
    /// What happened.
    pub what: String,
    /// When it happened.
    #[serde(with = "time::serde::rfc3339")]
    pub at: OffsetDateTime,
    /// The registration.
    pub registration: Option<RegistrationId>,
    /// What it happened to.
    pub subject: Uuid,
    /// The outcome, for a decision.
    pub outcome: Option<String>,
    /// The codes of its reasons.
    #[serde(default)]
    pub reasons: Vec<String>,
    /// The version of the rules under which it was taken.
    pub rules_version: Option<i32>,
    /// How many disclosures went with a person, or entries came back.
    #[serde(default)]
    pub count: u64,
    #[serde(default)]
    rows: Vec<Value>,
    /// What it commits to.
    #[serde(default)]
    pub commitments: BTreeSet<String>,
}

impl ReadEntry {
    /// Reads the bytes of an entry.
    ///
    /// # Errors
    /// When they are not those of one.
    pub fn parse(body: &[u8]) -> Result<Self, serde_json::Error> {
        serde_json::from_slice(body)
    }

    /// A decision has an outcome.
    #[must_use]
    pub fn kind(&self) -> EntryKind {
        if self.outcome.is_some() { EntryKind::Decision } else { EntryKind::Change }
    }

    /// The rows that it says, of tables that are known here.
    #[must_use]
    pub fn said_rows(&self) -> Vec<SaidRow> {
        self.rows.iter().filter_map(|row| SaidRow::new(row.get("of")?.as_str()?, row)).collect()
    }
}

/// An entry is at most 65,535 bytes long; rows leave room for everything else.
const ROOM_FOR_ROWS: usize = 48 * 1024;
/// A commitment in a list, with its quotation marks and comma.
const COMMITMENT_LENGTH: usize = 46;

impl Draft {
    /// That of a change, about which nothing else is said yet.
    #[must_use]
    pub fn change(id: EntryId, what: &'static str, at: OffsetDateTime, subject: Uuid) -> Self {
        Self {
            id,
            kind: EntryKind::Change,
            what,
            at,
            registration: None,
            subject,
            outcome: None,
            reasons: vec![],
            rules_version: None,
            under: None,
            count: None,
            personal: vec![],
        }
    }

    /// Salts what is committed to; a salt is drawn for each.
    #[must_use]
    pub fn open(mut self, mut salt: impl FnMut() -> [u8; 16]) -> OpenEntry {
        let personal = std::mem::take(&mut self.personal);
        let disclosures = personal
            .into_iter()
            .map(|(name, value)| Disclosure::new(salt(), name.to_owned(), &value))
            .collect();
        OpenEntry { draft: self, disclosures, rows: vec![], length: 0 }
    }
}

impl OpenEntry {
    /// Its id.
    #[must_use]
    pub fn id(&self) -> EntryId {
        self.draft.id
    }

    /// A decision or a change.
    #[must_use]
    pub fn kind(&self) -> EntryKind {
        self.draft.kind
    }

    /// When it happened.
    #[must_use]
    pub fn at(&self) -> OffsetDateTime {
        self.draft.at
    }

    /// The registration.
    #[must_use]
    pub fn registration(&self) -> Option<RegistrationId> {
        self.draft.registration
    }

    /// What it happened to.
    #[must_use]
    pub fn subject(&self) -> Uuid {
        self.draft.subject
    }

    /// What shows a field.
    #[must_use]
    pub fn shows(&self, name: &str) -> Option<&str> {
        let found = self.disclosures.iter().find(|disclosure| disclosure.name == name);
        found.map(|disclosure| disclosure.text.as_str())
    }

    /// Whether another row has room in it.
    #[must_use]
    pub fn has_room(&self) -> bool {
        self.length < ROOM_FOR_ROWS
    }

    /// Says a row that the act wrote.
    pub fn say(&mut self, row: &SaidRow, mut salt: impl FnMut() -> [u8; 16]) {
        let said = row.said();
        // Said before in the same entry: what comes later counts.
        let prefix = row.name_of("");
        self.rows.retain(|before| (before.get("of"), before.get("id")) != (said.get("of"), said.get("id")));
        self.disclosures.retain(|disclosure| !disclosure.name.starts_with(&prefix));
        self.length += said.to_string().len() + row.committed.len() * COMMITMENT_LENGTH;
        self.rows.push(said);
        let committed = row.committed.iter();
        self.disclosures
            .extend(committed.map(|(column, value)| Disclosure::new(salt(), row.name_of(column), value)));
    }

    /// Makes the bytes of the entry; with them go the disclosures.
    ///
    /// # Errors
    /// When an instant cannot be written in RFC 3339 (years beyond 9999).
    pub fn seal(self) -> Result<SealedEntry, serde_json::Error> {
        let Self { draft, disclosures, rows, .. } = self;
        let mut commitments: Vec<String> =
            disclosures.iter().map(|disclosure| commitment(&disclosure.text)).collect();
        commitments.sort_unstable();
        let body = serde_json::to_vec(&Body {
            v: 2,
            entry: draft.id,
            what: draft.what,
            at: draft.at,
            registration: draft.registration,
            subject: draft.subject,
            outcome: draft.outcome,
            reasons: &draft.reasons,
            rules_version: draft.rules_version,
            under: draft.under,
            count: draft.count,
            rows,
            commitments,
        })?;
        Ok(SealedEntry { body, disclosures })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disclosures::disclosed;
    use serde_json::json;
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
            count: None,
            personal: vec![("asker", json!(person)), ("recipient", json!(person))],
        };
        let mut next = 0;
        let mut salt = || {
            next += 1;
            [next; 16]
        };
        let key = json!({"id": Uuid::from_u128(4), "registration_id": Uuid::from_u128(2), "state": "with_person",
            "holder_id": person, "changed_at": "2026-11-02T09:00:00Z"});
        let mut open = draft.open(&mut salt);
        open.say(&SaidRow::new("keys", &key).unwrap(), &mut salt);
        let sealed = open.seal().unwrap();
        let text = String::from_utf8(sealed.body).unwrap();
        assert!(!text.contains(person));
        assert!(text.starts_with(
            r#"{"v":2,"entry":"00000000-0000-0000-0000-000000000001","what":"copy.ask","at":"2026-11-02T09:00:00.123456Z","registration":"#
        ));
        let entry: Value = serde_json::from_str(&text).unwrap();
        let commitments: Vec<&str> =
            entry["commitments"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
        assert_eq!(commitments.len(), 3);
        let said = json!({"of": "keys", "id": Uuid::from_u128(4), "registration_id": Uuid::from_u128(2),
            "state": "with_person"});
        assert_eq!(entry["rows"], json!([said]));
        // The same person three times: three salts, three commitments.
        assert_ne!(commitments[0], commitments[1]);
        for shown in sealed.disclosures {
            assert!(commitments.contains(&commitment(&shown.text).as_str()));
            assert_eq!(shown.about, Some(person.parse().unwrap()));
            assert_eq!(disclosed(&text, &shown.text), Some((shown.name, json!(person))));
        }
    }
}
