//! Envelope encryption: data keys encrypt what must not be read from a dump, and a master key that is
//! not in the database encrypts the data keys.
//!
//! ```text
//! sealed  = nonce (24) || XChaCha20-Poly1305(data key, nonce, plain, context)
//! wrapped = nonce (24) || XChaCha20-Poly1305(master key, nonce, data key, id of the data key)
//! ```
//!
//! Equal bitting is found by a fingerprint, whose key is made from the data key:
//!
//! ```text
//! fingerprint = HMAC-SHA-256(HMAC-SHA-256(data key, "bitting fingerprint"), context || 0x00 || plain)
//! ```
//!
//! The context names what is sealed and whose it is, such as `bitting:<differ id>`: what was copied to
//! another row does not open there. The first master key wraps; every one unwraps, so that a new one
//! is put in front, and the old one is taken away once `wardbook rotate-secrets` has run.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chacha20poly1305::aead::{Aead, Payload};
use chacha20poly1305::{KeyInit, XChaCha20Poly1305, XNonce};
use hmac::{Hmac, Mac};
use secrecy::SecretSlice;
use sha2::{Digest, Sha256};
use thiserror::Error;
use uuid::Uuid;

const NONCE: usize = 24;

/// Why something was not sealed or opened.
#[derive(Debug, Error)]
pub enum VaultError {
    /// No master key was given.
    #[error("at least one master key is needed")]
    None,
    /// Not 32 bytes as base64url.
    #[error("master key {0} is not 32 bytes in base64url")]
    Unreadable(usize),
    /// The data key was wrapped by a master key that was not given.
    #[error("the master key {0} is needed and was not given")]
    MasterMissing(String),
    /// The bytes are not what was sealed, or not for this context.
    #[error("something that was sealed does not open: it was changed, or belongs elsewhere")]
    Forged,
}

struct Master {
    fingerprint: String,
    cipher: XChaCha20Poly1305,
}

/// A data key as the database holds it.
pub struct WrappedKey {
    /// Its id.
    pub id: Uuid,
    /// The master key that wrapped it.
    pub master_key: String,
    /// The wrapped bytes.
    pub wrapped: Vec<u8>,
}

/// The master keys, and the data keys that were opened with them.
pub struct Vault {
    masters: Vec<Master>,
    opened: Mutex<HashMap<Uuid, DataKey>>,
}

/// A data key that was opened: what it encrypts with, and the key of its fingerprints.
#[derive(Clone)]
struct DataKey {
    cipher: XChaCha20Poly1305,
    fingerprints: Hmac<Sha256>,
}

impl DataKey {
    fn of(plain: &[u8]) -> Result<Self, VaultError> {
        let mut mac = Hmac::<Sha256>::new_from_slice(plain).map_err(|_| VaultError::Forged)?;
        mac.update(b"bitting fingerprint");
        let fingerprints =
            Hmac::new_from_slice(&mac.finalize().into_bytes()).map_err(|_| VaultError::Forged)?;
        let cipher = XChaCha20Poly1305::new_from_slice(plain).map_err(|_| VaultError::Forged)?;
        Ok(Self { cipher, fingerprints })
    }
}

fn encrypt(
    cipher: &XChaCha20Poly1305,
    nonce: [u8; NONCE],
    plain: &[u8],
    context: &str,
) -> Result<Vec<u8>, VaultError> {
    let payload = Payload { msg: plain, aad: context.as_bytes() };
    let sealed = cipher.encrypt(&XNonce::from(nonce), payload).map_err(|_| VaultError::Forged)?;
    Ok([nonce.as_slice(), &sealed].concat())
}

fn decrypt(cipher: &XChaCha20Poly1305, sealed: &[u8], context: &str) -> Result<SecretSlice<u8>, VaultError> {
    let (nonce, sealed) = sealed.split_first_chunk::<NONCE>().ok_or(VaultError::Forged)?;
    let payload = Payload { msg: sealed, aad: context.as_bytes() };
    cipher.decrypt(&XNonce::from(*nonce), payload).map(SecretSlice::from).map_err(|_| VaultError::Forged)
}

impl Vault {
    /// Reads master keys, each 32 bytes as base64url without padding; the first wraps.
    ///
    /// # Errors
    /// When there is none, or one cannot be read.
    pub fn new(texts: &[String]) -> Result<Self, VaultError> {
        let master = |(at, text): (usize, &String)| {
            let bytes = URL_SAFE_NO_PAD.decode(text.trim()).ok();
            let key: [u8; 32] =
                bytes.and_then(|bytes| bytes.try_into().ok()).ok_or(VaultError::Unreadable(at + 1))?;
            let hash =
                URL_SAFE_NO_PAD.encode(Sha256::digest([b"wardbook master key".as_slice(), &key].concat()));
            let fingerprint = hash.chars().take(16).collect();
            Ok(Master { fingerprint, cipher: XChaCha20Poly1305::new(&key.into()) })
        };
        let masters = texts.iter().enumerate().map(master).collect::<Result<Vec<_>, VaultError>>()?;
        if masters.is_empty() {
            Err(VaultError::None)
        } else {
            Ok(Self { masters, opened: Mutex::default() })
        }
    }

    /// Wraps a data key.
    ///
    /// # Errors
    /// When the cipher fails.
    pub fn wrap(&self, id: Uuid, key: &[u8], nonce: [u8; NONCE]) -> Result<WrappedKey, VaultError> {
        let master = self.masters.first().ok_or(VaultError::None)?;
        let wrapped = encrypt(&master.cipher, nonce, key, &id.to_string())?;
        Ok(WrappedKey { id, master_key: master.fingerprint.clone(), wrapped })
    }

    /// A data key in the clear, to be wrapped again.
    ///
    /// # Errors
    /// When its master key was not given, or it was changed.
    pub fn unwrap(&self, key: &WrappedKey) -> Result<SecretSlice<u8>, VaultError> {
        let master = self.masters.iter().find(|master| master.fingerprint == key.master_key);
        let master = master.ok_or_else(|| VaultError::MasterMissing(key.master_key.clone()))?;
        decrypt(&master.cipher, &key.wrapped, &key.id.to_string())
    }

    /// Opens a data key once, and keeps it in memory.
    ///
    /// # Errors
    /// As [`Vault::unwrap`].
    pub fn learn(&self, key: &WrappedKey) -> Result<(), VaultError> {
        use secrecy::ExposeSecret;
        let opened = DataKey::of(self.unwrap(key)?.expose_secret())?;
        self.opened.lock().unwrap_or_else(PoisonError::into_inner).insert(key.id, opened);
        Ok(())
    }

    fn opened(&self, id: Uuid) -> Option<DataKey> {
        self.opened.lock().unwrap_or_else(PoisonError::into_inner).get(&id).cloned()
    }

    /// Whether a data key is open.
    #[must_use]
    pub fn knows(&self, id: Uuid) -> bool {
        self.opened(id).is_some()
    }

    /// Seals under a data key that is open.
    ///
    /// # Errors
    /// When it is not.
    pub fn seal(
        &self,
        key: Uuid,
        nonce: [u8; NONCE],
        plain: &[u8],
        context: &str,
    ) -> Result<Vec<u8>, VaultError> {
        let key = self.opened(key).ok_or(VaultError::Forged)?;
        encrypt(&key.cipher, nonce, plain, context)
    }

    /// Opens what was sealed under a data key that is open.
    ///
    /// # Errors
    /// When it was changed, or sealed in another context.
    pub fn open(&self, key: Uuid, sealed: &[u8], context: &str) -> Result<SecretSlice<u8>, VaultError> {
        let key = self.opened(key).ok_or(VaultError::Forged)?;
        decrypt(&key.cipher, sealed, context)
    }

    /// Fingerprints under a data key that is open, all in one context.
    ///
    /// # Errors
    /// When it is not.
    pub fn fingerprints<T: AsRef<[u8]>>(
        &self,
        key: Uuid,
        context: &str,
        plain: &[T],
    ) -> Result<Vec<Vec<u8>>, VaultError> {
        let key = self.opened(key).ok_or(VaultError::Forged)?;
        let of = |plain: &T| {
            let mac = key.fingerprints.clone().chain_update(context).chain_update([0]).chain_update(plain);
            mac.finalize().into_bytes().to_vec()
        };
        Ok(plain.iter().map(of).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use secrecy::ExposeSecret;

    fn text(seed: u8) -> String {
        URL_SAFE_NO_PAD.encode([seed; 32])
    }

    /// draft-irtf-cfrg-xchacha-03 appendix A.3.1: the cipher is the one that it describes.
    #[test]
    fn the_cipher_is_that_of_the_draft() {
        let key: Vec<u8> = (0x80..=0x9f).collect();
        let nonce: [u8; 24] = std::array::from_fn(|at| 0x40 + u8::try_from(at).unwrap());
        let aad = [0x50, 0x51, 0x52, 0x53, 0xc0, 0xc1, 0xc2, 0xc3, 0xc4, 0xc5, 0xc6, 0xc7];
        let plain = b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the \
                      future, sunscreen would be it.";
        let cipher = XChaCha20Poly1305::new_from_slice(&key).unwrap();
        let sealed = cipher.encrypt(&XNonce::from(nonce), Payload { msg: plain, aad: &aad }).unwrap();
        assert_eq!(sealed[..8], [0xbd, 0x6d, 0x17, 0x9d, 0x3e, 0x83, 0xd4, 0x3b]);
        assert_eq!(sealed[sealed.len() - 16..][..4], [0xc0, 0x87, 0x59, 0x24]);
    }

    #[test]
    fn what_was_sealed_opens_in_its_context_alone_and_after_a_rotation() {
        let (id, key) = (Uuid::from_u128(7), [3; 32]);
        let old = Vault::new(&[text(1)]).unwrap();
        let wrapped = old.wrap(id, &key, [1; 24]).unwrap();
        old.learn(&wrapped).unwrap();
        let sealed = old.seal(id, [2; 24], b"plain", "bitting:a").unwrap();
        assert_eq!(old.open(id, &sealed, "bitting:a").unwrap().expose_secret(), b"plain");
        assert!(old.open(id, &sealed, "bitting:b").is_err());
        for at in 0..sealed.len() {
            let mut changed = sealed.clone();
            changed[at] ^= 1;
            assert!(old.open(id, &changed, "bitting:a").is_err(), "byte {at}");
        }
        // A new master key in front: the data key is wrapped again, and the old master may go.
        let both = Vault::new(&[text(2), text(1)]).unwrap();
        let again = both.wrap(id, both.unwrap(&wrapped).unwrap().expose_secret(), [4; 24]).unwrap();
        let new = Vault::new(&[text(2)]).unwrap();
        assert!(matches!(new.learn(&wrapped), Err(VaultError::MasterMissing(_))));
        new.learn(&again).unwrap();
        assert_eq!(new.open(id, &sealed, "bitting:a").unwrap().expose_secret(), b"plain");
        // A wrapped key does not pass for another one.
        assert!(new.unwrap(&WrappedKey { id: Uuid::from_u128(8), ..again }).is_err());
    }

    /// RFC 4231 s. 4.2, test case 1: the code is the one that it describes. A fingerprint differs by data
    /// key, context and plain text.
    #[test]
    fn fingerprints_are_told_apart_by_key_context_and_content() {
        let mac = Hmac::<Sha256>::new_from_slice(&[0x0b; 20]).unwrap().chain_update(b"Hi There").finalize();
        assert_eq!(mac.into_bytes()[..6], [0xb0, 0x34, 0x4c, 0x61, 0xd8, 0xdb]);
        let vault = Vault::new(&[text(1)]).unwrap();
        let mut seen = std::collections::HashSet::new();
        for key in [3, 4] {
            let id = Uuid::from_u128(u128::from(key));
            vault.learn(&vault.wrap(id, &[key; 32], [1; 24]).unwrap()).unwrap();
            for context in ["section:a", "section:b"] {
                seen.extend(vault.fingerprints(id, context, &[[1, 2, 3], [1, 2, 4]]).unwrap());
            }
            assert_eq!(
                vault.fingerprints(id, "section:a", &[[1, 2, 3]]).unwrap(),
                vault.fingerprints(id, "section:a", &[vec![1, 2, 3]]).unwrap()
            );
        }
        assert_eq!(seen.len(), 8);
        assert!(vault.fingerprints(Uuid::nil(), "section:a", &[[1]]).is_err());
    }

    #[test]
    fn a_master_key_has_32_bytes() {
        for wrong in [vec![], vec![String::new()], vec![text(1), "short".to_owned()]] {
            assert!(Vault::new(&wrong).is_err());
        }
    }
}
