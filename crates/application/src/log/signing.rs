//! The keys that sign, from their PEM texts.

use crate::log::sequencer::LogError;
use evidence_log::note::{KeyKind, SignerKey};

/// A key that signs notes, from its PEM text.
///
/// # Errors
/// When it cannot be read, or the name cannot be that of a key.
pub fn signer(name: &str, kind: KeyKind, pem: &str) -> Result<SignerKey, LogError> {
    use ed25519_dalek::pkcs8::DecodePrivateKey;
    let key = ed25519_dalek::SigningKey::from_pkcs8_pem(pem).map_err(|_| {
        LogError::Settings(format!("a key of {name} is not an Ed25519 private key in PKCS#8 PEM"))
    })?;
    Ok(SignerKey::new(name, kind, key)?)
}

/// The keys of a log from PEM texts.
///
/// # Errors
/// When one cannot be read, or the origin cannot be a name.
pub fn keys(origin: &str, texts: &[String]) -> Result<Vec<SignerKey>, LogError> {
    texts.iter().map(|text| signer(origin, KeyKind::Text, text)).collect()
}
