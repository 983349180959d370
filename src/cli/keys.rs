//! Keys of a service: made, kept in files, read.

use std::error::Error;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use secrecy::{ExposeSecret, SecretString};

use crate::cli::Done;
use application::outside::Outside;

/// Characters of a master key: 32 bytes in base64url.
const MASTER_KEY_LENGTH: usize = 43;

/// Where a key is: in a file, or in the setting itself, as an environment may hold it.
#[derive(Clone)]
pub enum KeySource {
    /// In a file.
    File(PathBuf),
    /// Here; it is never repeated in an error.
    Here(SecretString),
}

impl FromStr for KeySource {
    type Err = std::convert::Infallible;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let is_master = text.len() == MASTER_KEY_LENGTH
            && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_'));
        Ok(if text.contains("-----BEGIN ") || is_master {
            Self::Here(text.to_owned().into())
        } else {
            Self::File(PathBuf::from(text))
        })
    }
}

impl KeySource {
    fn read(&self) -> Result<String, Box<dyn Error>> {
        match self {
            Self::Here(key) => Ok(key.expose_secret().trim().to_owned()),
            Self::File(file) => {
                Ok(std::fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()))?)
            }
        }
    }

    /// Keys from wherever they are.
    pub fn read_all(sources: &[Self]) -> Result<Vec<String>, Box<dyn Error>> {
        sources.iter().map(Self::read).collect()
    }
}

/// The keys of a service, as texts.
pub struct Keys {
    /// What its tokens and cards name as their issuer.
    pub issuer: String,
    /// Access tokens.
    pub token: Vec<String>,
    /// Cards and status lists.
    pub card: Vec<String>,
    /// What is encrypted.
    pub master: Vec<String>,
}

impl Keys {
    /// Keys that nobody else has: for the demo, and for commands that sign and seal nothing.
    pub fn of_the_moment(issuer: &str) -> Result<Self, Box<dyn Error>> {
        Ok(Self {
            issuer: issuer.to_owned(),
            token: vec![new_signing_key()?],
            card: vec![new_signing_key()?],
            master: vec![new_master_key()],
        })
    }
}

/// A new Ed25519 key, as PKCS#8 PEM.
pub fn new_signing_key() -> Result<String, Box<dyn Error>> {
    use ed25519_dalek::pkcs8::EncodePrivateKey;
    use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
    let key = ed25519_dalek::SigningKey::from_bytes(&Outside::system().bytes());
    Ok(key.to_pkcs8_pem(LineEnding::LF)?.to_string())
}

/// A new master key, as base64url.
pub fn new_master_key() -> String {
    Outside::system().secret()
}

/// Writes what nobody else may read; refuses to overwrite.
pub fn write_secret(file: &Path, text: &str) -> Done {
    use std::io::Write;
    let mut out = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(file)
        .map_err(|error| format!("{}: {error}", file.display()))?;
    out.write_all(text.as_bytes())?;
    Ok(())
}
