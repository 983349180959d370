//! Signed notes (C2SP signed-note), with Ed25519 signatures and with cosignatures that say when
//! (C2SP tlog-cosignature).
//!
//! ```text
//! <text, which ends in a newline>
//! <empty line>
//! — <key name> <base64(key id || signature)>        one or more of these
//! ```
//!
//! What is signed is the text with its last newline. A key is known by its name and its id:
//!
//! ```text
//! key id   = SHA-256(name || 0x0A || type || public key)[:4]
//! vkey     = <name>+<key id in hex>+<base64(type || public key)>
//! 0x01     signature = Ed25519(text)
//! 0x04     signature = time (8 bytes, big endian) || Ed25519("cosignature/v1\ntime <time>\n" || text)
//! ```
//!
//! ```
//! use evidence_log::note::{Note, VerifierKey};
//! let key: VerifierKey =
//!     "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k".parse()?;
//! let note: Note = "This is an example message.\n\n\
//!     — example.com/foo Uw2QOkn8srV1yJGh2VYRlL1Tnagv1YEq6TfXppzi2ONncAlTgK7Ztg1ERYNZXsYjOBH3mFXmRKuwHjG1Yu72IneyaQM=\n"
//!     .parse()?;
//! assert_eq!(note.verify(&[key])?.len(), 1);
//! # Ok::<(), evidence_log::note::NoteError>(())
//! ```

use std::fmt;
use std::str::FromStr;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use sha2::{Digest, Sha256};
use thiserror::Error;

/// The most signature lines that are looked at.
const MOST_SIGNATURES: usize = 100;

/// What a key signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeyKind {
    /// The text.
    Text,
    /// The text and the time of signing.
    TextAndTime,
}

impl KeyKind {
    fn byte(self) -> u8 {
        match self {
            Self::Text => 0x01,
            Self::TextAndTime => 0x04,
        }
    }
}

/// A note or a key that is not good.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum NoteError {
    /// Not a signed note.
    #[error("not a signed note: {0}")]
    Malformed(&'static str),
    /// Not a verifier key.
    #[error("not a verifier key: {0}")]
    Key(&'static str),
    /// A verifier key of a type that is not known here.
    #[error("not a verifier key: its type is not known")]
    UnknownType,
    /// A known key did not sign this.
    #[error("the signature of {0} is not good")]
    BadSignature(String),
    /// No known key signed it.
    #[error("no known key has signed it")]
    NoneKnown,
}

/// A name of a key: not empty, no spaces, no plus sign.
fn checked_name(name: &str) -> Result<&str, NoteError> {
    let wrong = name.is_empty() || name.contains(|c: char| c.is_whitespace() || c.is_control() || c == '+');
    if wrong {
        Err(NoteError::Key("a name is not empty and has no spaces and no plus sign"))
    } else {
        Ok(name)
    }
}

/// A public key that verifies notes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VerifierKey {
    name: String,
    kind: KeyKind,
    key: VerifyingKey,
}

impl VerifierKey {
    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What it signs.
    #[must_use]
    pub fn kind(&self) -> KeyKind {
        self.kind
    }

    /// The first four bytes of SHA-256(name || 0x0A || type || public key).
    #[must_use]
    pub fn id(&self) -> [u8; 4] {
        let hash = Sha256::new_with_prefix(&self.name)
            .chain_update([b'\n', self.kind.byte()])
            .chain_update(self.key.as_bytes())
            .finalize();
        let [a, b, c, d, ..]: [u8; 32] = hash.into();
        [a, b, c, d]
    }

    /// Checks a signature of a text; nothing when it is not good.
    fn verify(&self, text: &str, signature: &[u8]) -> Option<VerifiedSignature> {
        let (time, signed, signature) = match self.kind {
            KeyKind::Text => (None, text.to_owned(), signature),
            KeyKind::TextAndTime => {
                let (time, signature) = signature.split_first_chunk::<8>()?;
                let time = u64::from_be_bytes(*time);
                (Some(time), with_time(text, time), signature)
            }
        };
        let signature = Signature::from_slice(signature).ok()?;
        self.key.verify_strict(signed.as_bytes(), &signature).ok()?;
        Some(VerifiedSignature { key: self.clone(), time })
    }
}

/// What a cosignature is over.
fn with_time(text: &str, time: u64) -> String {
    format!("cosignature/v1\ntime {time}\n{text}")
}

impl fmt::Display for VerifierKey {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b, c, d] = self.id();
        let mut bytes = vec![self.kind.byte()];
        bytes.extend(self.key.as_bytes());
        write!(out, "{}+{a:02x}{b:02x}{c:02x}{d:02x}+{}", self.name, STANDARD.encode(bytes))
    }
}

impl FromStr for VerifierKey {
    type Err = NoteError;

    fn from_str(text: &str) -> Result<Self, NoteError> {
        let mut parts = text.splitn(3, '+');
        let (Some(name), Some(_), Some(key)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(NoteError::Key("it has not three parts"));
        };
        let bytes = STANDARD.decode(key).map_err(|_| NoteError::Key("its last part is not base64"))?;
        let (kind, key) = match bytes.split_first() {
            Some((0x01, key)) => (KeyKind::Text, key),
            Some((0x04, key)) => (KeyKind::TextAndTime, key),
            _ => return Err(NoteError::UnknownType),
        };
        let key = key
            .try_into()
            .ok()
            .and_then(|key| VerifyingKey::from_bytes(key).ok())
            .ok_or(NoteError::Key("it is not an Ed25519 key"))?;
        let read = Self { name: checked_name(name)?.to_owned(), kind, key };
        if read.to_string() == text { Ok(read) } else { Err(NoteError::Key("its id is not that of the key")) }
    }
}

/// A private key that signs notes.
#[derive(Clone)]
pub struct SignerKey {
    key: SigningKey,
    verifier: VerifierKey,
}

impl SignerKey {
    /// A key with a name.
    ///
    /// # Errors
    /// When the name cannot be that of a key.
    pub fn new(name: &str, kind: KeyKind, key: SigningKey) -> Result<Self, NoteError> {
        let verifier = VerifierKey { name: checked_name(name)?.to_owned(), kind, key: key.verifying_key() };
        Ok(Self { key, verifier })
    }

    /// Its public key.
    #[must_use]
    pub fn verifier(&self) -> &VerifierKey {
        &self.verifier
    }

    /// Signs a text that ends in a newline; `time` is in seconds since 1970, for keys that sign it.
    #[must_use]
    pub fn sign(&self, text: &str, time: u64) -> SignatureLine {
        let bytes = match self.verifier.kind {
            KeyKind::Text => self.key.sign(text.as_bytes()).to_vec(),
            KeyKind::TextAndTime => {
                let signature = self.key.sign(with_time(text, time).as_bytes());
                [&time.to_be_bytes()[..], &signature.to_bytes()].concat()
            }
        };
        SignatureLine { name: self.verifier.name.clone(), id: self.verifier.id(), bytes }
    }
}

/// A line under a note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignatureLine {
    name: String,
    id: [u8; 4],
    bytes: Vec<u8>,
}

impl fmt::Display for SignatureLine {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "— {} {}", self.name, STANDARD.encode([&self.id[..], &self.bytes].concat()))
    }
}

impl FromStr for SignatureLine {
    type Err = NoteError;

    fn from_str(text: &str) -> Result<Self, NoteError> {
        let wrong = NoteError::Malformed("a signature line is not a dash, a name and base64");
        let (name, base64) =
            text.strip_prefix("— ").and_then(|rest| rest.split_once(' ')).ok_or(wrong.clone())?;
        let decoded = STANDARD.decode(base64).map_err(|_| wrong.clone())?;
        let (id, bytes) = decoded.split_first_chunk::<4>().ok_or(wrong.clone())?;
        Ok(Self { name: checked_name(name).map_err(|_| wrong)?.to_owned(), id: *id, bytes: bytes.to_vec() })
    }
}

/// A signature that was verified.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VerifiedSignature {
    /// By which key.
    pub key: VerifierKey,
    /// When, in seconds since 1970, where the signature says so.
    pub time: Option<u64>,
}

/// A text with signatures.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    text: String,
    signatures: Vec<SignatureLine>,
}

impl Note {
    /// Signs a text that ends in a newline.
    #[must_use]
    pub fn sign(text: String, keys: &[SignerKey], time: u64) -> Self {
        let signatures = keys.iter().map(|key| key.sign(&text, time)).collect();
        Self { text, signatures }
    }

    /// A text that nobody has signed yet; it ends in a newline.
    #[must_use]
    pub fn unsigned(text: String) -> Self {
        Self { text, signatures: vec![] }
    }

    /// The text, with its last newline.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Adds a line, in the place of an earlier one of the same key.
    pub fn add(&mut self, line: SignatureLine) {
        self.signatures.retain(|earlier| (&earlier.name, earlier.id) != (&line.name, line.id));
        self.signatures.push(line);
    }

    /// Looks at the signatures of known keys, and skips others.
    ///
    /// # Errors
    /// When one of a known key is not good, or there is none.
    pub fn verify(&self, keys: &[VerifierKey]) -> Result<Vec<VerifiedSignature>, NoteError> {
        let mut verified: Vec<VerifiedSignature> = vec![];
        for line in &self.signatures {
            let Some(key) = keys.iter().find(|key| key.name == line.name && key.id() == line.id) else {
                continue;
            };
            let signature = key
                .verify(&self.text, &line.bytes)
                .ok_or_else(|| NoteError::BadSignature(key.name.clone()))?;
            if verified.iter().all(|earlier| earlier.key != *key) {
                verified.push(signature);
            }
        }
        if verified.is_empty() { Err(NoteError::NoneKnown) } else { Ok(verified) }
    }
}

impl fmt::Display for Note {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(out, "{}", self.text)?;
        self.signatures.iter().try_for_each(|line| writeln!(out, "{line}"))
    }
}

impl FromStr for Note {
    type Err = NoteError;

    fn from_str(note: &str) -> Result<Self, NoteError> {
        if note.contains(|c: char| c < ' ' && c != '\n') {
            return Err(NoteError::Malformed("it has control characters"));
        }
        let split = note.rfind("\n\n").ok_or(NoteError::Malformed("it has no empty line"))?;
        let (text, lines) = note.split_at(split + 1);
        let lines = lines
            .strip_prefix('\n')
            .and_then(|lines| lines.strip_suffix('\n'))
            .ok_or(NoteError::Malformed("it does not end in a newline"))?;
        let signatures: Vec<SignatureLine> =
            lines.split('\n').map(SignatureLine::from_str).collect::<Result<_, _>>()?;
        if signatures.len() > MOST_SIGNATURES {
            return Err(NoteError::Malformed("it has too many signatures"));
        }
        Ok(Self { text: text.to_owned(), signatures })
    }
}
