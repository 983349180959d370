//! Policies: whose signatures a verifier asks for (C2SP tlog-policy).
//!
//! ```text
//! log <vkey> [<address>]                      a log that is trusted to name its entries
//! witness <name> <vkey> [<address>]           somebody who has seen the log grow
//! group <name> all|any|<number> <names …>     witnesses and groups, of which so many must have signed
//! quorum <name>|none                          what a checkpoint needs; the last line that counts
//! ```
//!
//! ```
//! use evidence_log::policy::Policy;
//! let policy: Policy = "\
//! log log.example/register+dd0cadee+AQOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4
//! witness w1 witness.example/w1+20324abe+BCmsuuFBvMrwsi4alNNNC8c2HlJtC/4SyJeUvJMilm3X
//! quorum w1
//! ".parse()?;
//! let note = "log.example/register\n8\nXcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=\n\n\
//! — log.example/register 3Qyt7k0ZGHujLzYBudAtG2OdQZ5me0bGhVMxUAhrUc46IHmpD9cLBFoYRbCFYhvSnhgKIZqFItLL6KIExAz41xbIogQ=\n\
//! — witness.example/w1 IDJKvgAAAABpVbkAO98A/HAvxgUVRIpSrbgtGVDMoa8EEsdaRbtZv4WgU5Cj69T2nPUevbYyKiuABtB9rkFqposUhYDGbBQ6HmuIAw==\n";
//! let seen = policy.verify(note)?;
//! assert_eq!((seen.checkpoint.size, seen.witnesses), (8, vec![("w1".to_owned(), 1_767_225_600)]));
//! # Ok::<(), evidence_log::policy::PolicyError>(())
//! ```

use std::collections::{HashMap, HashSet};
use std::str::FromStr;

use thiserror::Error;

use crate::checkpoint::{Checkpoint, NotACheckpoint};
use crate::note::{KeyKind, Note, NoteError, VerifierKey};

/// A witness that a policy names.
#[derive(Debug, Clone)]
pub struct Witness {
    /// Its name in the policy.
    pub name: String,
    /// Its key.
    pub key: VerifierKey,
    /// Where it can be asked.
    pub address: Option<String>,
}

#[derive(Debug, Clone)]
struct Group {
    needed: usize,
    members: Vec<String>,
}

/// Whose signatures a verifier asks for.
#[derive(Debug, Clone)]
pub struct Policy {
    logs: Vec<VerifierKey>,
    witnesses: Vec<Witness>,
    groups: HashMap<String, Group>,
    /// Witnesses whose keys are of a type that is not known here.
    unreadable: HashSet<String>,
    quorum: Option<String>,
}

/// A policy that cannot be read, or a checkpoint that does not meet it.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum PolicyError {
    /// A line of the policy is wrong.
    #[error("line {line} of the policy: {problem}")]
    Line {
        /// The line.
        line: usize,
        /// What is wrong.
        problem: String,
    },
    /// The policy lacks a line.
    #[error("the policy has no {0} line")]
    Lacking(&'static str),
    /// The note is not good.
    #[error("checkpoint: {0}")]
    Note(#[from] NoteError),
    /// The text of the note is not a checkpoint.
    #[error("checkpoint: {0}")]
    Checkpoint(#[from] NotACheckpoint),
    /// The log did not sign.
    #[error("checkpoint: no key of the log {0:?} in the policy has signed it")]
    NotOfTheLog(String),
    /// Too few witnesses have signed.
    #[error("checkpoint: the quorum {0} has not signed it")]
    NoQuorum(String),
}

/// A checkpoint that meets the policy.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CheckedHead {
    /// The head.
    pub checkpoint: Checkpoint,
    /// Which witnesses have signed it, and when.
    pub witnesses: Vec<(String, u64)>,
}

impl Policy {
    /// One key of a log, and no witness.
    #[must_use]
    pub fn of(log: VerifierKey) -> Self {
        Self {
            logs: vec![log],
            witnesses: vec![],
            groups: HashMap::new(),
            unreadable: HashSet::new(),
            quorum: None,
        }
    }

    /// The same, with no witness asked for.
    #[must_use]
    pub fn without_quorum(&self) -> Self {
        Self { quorum: None, ..self.clone() }
    }

    /// The keys of the logs that it trusts.
    #[must_use]
    pub fn logs(&self) -> &[VerifierKey] {
        &self.logs
    }

    /// The witnesses that it names.
    #[must_use]
    pub fn witnesses(&self) -> &[Witness] {
        &self.witnesses
    }

    /// Checks that a signed checkpoint meets it.
    ///
    /// # Errors
    /// When the log has not signed it, a known signature is not good, or the quorum is missed.
    pub fn verify(&self, note: &str) -> Result<CheckedHead, PolicyError> {
        let note: Note = note.parse()?;
        let checkpoint: Checkpoint = note.text().parse()?;
        let keys: Vec<VerifierKey> =
            self.logs.iter().chain(self.witnesses.iter().map(|witness| &witness.key)).cloned().collect();
        let verified = note.verify(&keys)?;
        let by_log = |key: &VerifierKey| key.name() == checkpoint.origin && self.logs.contains(key);
        if !verified.iter().any(|signature| by_log(&signature.key)) {
            return Err(PolicyError::NotOfTheLog(checkpoint.origin));
        }
        let witnesses: Vec<(String, u64)> = self
            .witnesses
            .iter()
            .filter_map(|witness| {
                let signature = verified.iter().find(|signature| signature.key == witness.key)?;
                Some((witness.name.clone(), signature.time?))
            })
            .collect();
        match &self.quorum {
            Some(quorum) if !self.signed(quorum, &witnesses) => Err(PolicyError::NoQuorum(quorum.clone())),
            _ => Ok(CheckedHead { checkpoint, witnesses }),
        }
    }

    /// Whether a witness, or as many members of a group as it asks for, have signed. Members are named
    /// before their group, so this ends.
    fn signed(&self, name: &str, witnesses: &[(String, u64)]) -> bool {
        self.groups.get(name).map_or_else(
            || witnesses.iter().any(|(witness, _)| witness == name),
            |group| {
                group.members.iter().filter(|member| self.signed(member, witnesses)).count() >= group.needed
            },
        )
    }

    fn knows(&self, name: &str) -> bool {
        self.groups.contains_key(name)
            || self.unreadable.contains(name)
            || self.witnesses.iter().any(|witness| witness.name == name)
    }

    fn add_witness(&mut self, name: &str, key: VerifierKey, address: Option<&str>) -> Result<(), String> {
        if self.witnesses.iter().any(|witness| witness.key == key) {
            return Err("the key is another witness's too".to_owned());
        }
        let address = address.map(ToOwned::to_owned);
        self.witnesses.push(Witness { name: name.to_owned(), key, address });
        Ok(())
    }

    fn read_line(&mut self, words: &[&str], quorum: &mut bool) -> Result<(), String> {
        // Nothing where the type of the key is not known here: others may know it.
        let key = |text: &str, kind| match text.parse::<VerifierKey>() {
            Ok(key) if key.kind() == kind => Ok(Some(key)),
            Ok(_) => Err("the key is of another type".to_owned()),
            Err(NoteError::UnknownType) => Ok(None),
            Err(error) => Err(error.to_string()),
        };
        let new = |policy: &Self, name: &str| {
            if name == "none" || policy.knows(name) { Err(format!("{name} is taken")) } else { Ok(()) }
        };
        match words {
            ["log", vkey] | ["log", vkey, _] => self.logs.extend(key(vkey, KeyKind::Text)?),
            ["witness", name, vkey, address @ ..] if address.len() <= 1 => {
                new(self, name)?;
                match key(vkey, KeyKind::TextAndTime)? {
                    Some(key) => self.add_witness(name, key, address.first().copied())?,
                    // It may be named by a group, and has never signed.
                    None => _ = self.unreadable.insert((*name).to_owned()),
                }
            }
            ["group", name, needed, members @ ..] => {
                new(self, name)?;
                if members.iter().enumerate().any(|(at, member)| members.iter().take(at).any(|m| m == member))
                {
                    return Err("a member is named twice".to_owned());
                }
                if let Some(unknown) = members.iter().find(|member| !self.knows(member)) {
                    return Err(format!("{unknown} is not named before"));
                }
                let needed = match *needed {
                    "all" => members.len(),
                    "any" => 1,
                    number => number.parse().map_err(|_| "how many is all, any or a number".to_owned())?,
                };
                if !(1..=members.len()).contains(&needed) {
                    return Err(format!("it cannot be {needed} of {}", members.len()));
                }
                let members = members.iter().map(|member| (*member).to_owned()).collect();
                self.groups.insert((*name).to_owned(), Group { needed, members });
            }
            ["quorum", _] if *quorum => return Err("there is a quorum already".to_owned()),
            ["quorum", name] => {
                *quorum = true;
                if *name != "none" {
                    if !self.knows(name) {
                        return Err(format!("{name} is not named before"));
                    }
                    self.quorum = Some((*name).to_owned());
                }
            }
            [word, ..] if ["log", "witness", "group", "quorum"].contains(word) => {
                return Err(format!("not a {word} line"));
            }
            // A kind of line that is not known here: others may know it.
            _ => {}
        }
        Ok(())
    }
}

impl FromStr for Policy {
    type Err = PolicyError;

    fn from_str(text: &str) -> Result<Self, PolicyError> {
        let mut policy = Self {
            logs: vec![],
            witnesses: vec![],
            groups: HashMap::new(),
            unreadable: HashSet::new(),
            quorum: None,
        };
        let mut quorum = false;
        for (at, line) in text.lines().enumerate() {
            let words: Vec<&str> = line.split_whitespace().collect();
            if words.is_empty() || line.trim_start().starts_with('#') {
                continue;
            }
            policy
                .read_line(&words, &mut quorum)
                .map_err(|problem| PolicyError::Line { line: at + 1, problem })?;
        }
        if policy.logs.is_empty() {
            return Err(PolicyError::Lacking("log"));
        }
        if quorum { Ok(policy) } else { Err(PolicyError::Lacking("quorum")) }
    }
}
