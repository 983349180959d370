//! Keys of a service: made, kept in files, read.

use std::error::Error;
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use secrecy::{ExposeSecret, SecretString};

use crate::cli::Done;
use application::outside::Outside;

/// Characters of a master key: 32 bytes in base64url.
const MASTER_KEY_LENGTH: usize = 43;

/// Characters of a file's name without a full stop that is no part of a key.
const LONGEST_PLAIN_NAME: usize = 16;

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
        let text = text.trim();
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
                let key = std::fs::read_to_string(file).map_err(|error| unread(file, &error))?;
                require_private(file, &key)?;
                Ok(key)
            }
        }
    }

    /// Keys from wherever they are.
    pub fn read_all(sources: &[Self]) -> Result<Vec<String>, Box<dyn Error>> {
        sources.iter().map(Self::read).collect()
    }
}

/// Refuses a secret that others on this machine may read. A public key may be read by anybody.
fn require_private(file: &Path, key: &str) -> Done {
    let mode = std::fs::metadata(file)?.permissions().mode();
    if mode & 0o077 != 0 && !key.contains("-----BEGIN PUBLIC ") {
        return Err(format!("{}: others may read this key; `chmod 600` it", file.display()).into());
    }
    Ok(())
}

/// Says that the file of a key could not be read. It is named where its name can be nothing else: a key that
/// was not copied in whole must not end in a log.
fn unread(file: &Path, error: &std::io::Error) -> String {
    let folder = file.parent().is_some_and(|folder| folder.as_os_str().is_empty() || folder.is_dir());
    let short = file.file_name().is_some_and(|name| name.len() <= LONGEST_PLAIN_NAME);
    if folder && (short || file.extension().is_some()) {
        format!("{}: {error}", file.display())
    } else {
        format!("a setting is neither a whole key nor the file of one ({error}); it is not repeated here")
    }
}

/// The keys of a service, as texts.
pub struct Keys {
    /// What its tokens and cards name as their issuer.
    pub issuer: String,
    /// What they named before.
    pub earlier_issuers: Vec<String>,
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
            earlier_issuers: vec![],
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_taken_for_itself_and_one_that_is_not_whole_is_never_repeated() {
        let key = "Qx_-7".repeat(9)[..MASTER_KEY_LENGTH].to_owned();
        let pem = new_signing_key().unwrap();
        for text in [key.clone(), format!(" {key}\n"), pem] {
            let source: KeySource = text.parse().unwrap();
            assert_eq!(source.read().unwrap(), text.trim());
        }
        let padded = format!("{key}=");
        let with_slash = format!("{}/{}", &key[..20], &key[20..]);
        let in_a_folder = format!("/tmp/{key}");
        for broken in [&key[..42], &padded, &with_slash, &in_a_folder] {
            let source: KeySource = broken.parse().unwrap();
            let error = source.read().unwrap_err().to_string();
            assert!(!error.contains("Qx_-7"), "{error}");
        }
        for file in ["master.key", "/tmp/no-such-file"] {
            let source: KeySource = file.parse().unwrap();
            assert!(source.read().unwrap_err().to_string().starts_with(file));
        }
    }
}
