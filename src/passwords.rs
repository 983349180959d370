//! Passwords and PINs at rest: Argon2id (RFC 9106) with OWASP's parameters, off the async threads
//! and never inside a transaction.

use std::sync::Arc;

use argon2::password_hash::phc::PasswordHash;
use argon2::{Algorithm, Argon2, Params, PasswordHasher, PasswordVerifier, Version};
use secrecy::{ExposeSecret, SecretString};
use thiserror::Error;
use tokio::sync::Semaphore;

/// Hashing failed for a reason that is not the password.
#[derive(Debug, Error)]
#[error("hashing: {0}")]
pub struct HashingError(String);

/// Hashes and checks passwords, a few at a time: each takes 19 MiB while it runs.
#[derive(Clone)]
pub struct Passwords {
    at_once: Arc<Semaphore>,
    argon2: Argon2<'static>,
    /// What a password is checked against where there is no account, so that it takes as long.
    nobody: Arc<str>,
}

impl Passwords {
    /// OWASP Password Storage Cheat Sheet: Argon2id, m = 19 MiB, t = 2, p = 1.
    ///
    /// # Errors
    /// When the parameters are out of range.
    pub fn new(at_once: usize) -> Result<Self, HashingError> {
        let params = Params::new(19 * 1024, 2, 1, None).map_err(|error| HashingError(error.to_string()))?;
        let argon2 = Argon2::new(Algorithm::Argon2id, Version::V0x13, params);
        let nobody = argon2
            .hash_password_with_salt(b"nobody has this password", &[0; 16])
            .map_err(|error| HashingError(error.to_string()))?
            .to_string();
        Ok(Self { at_once: Arc::new(Semaphore::new(at_once)), argon2, nobody: nobody.into() })
    }

    /// The hash of a password, in the PHC string format.
    ///
    /// # Errors
    /// When hashing fails.
    pub async fn hash(&self, password: SecretString, salt: [u8; 16]) -> Result<String, HashingError> {
        let argon2 = self.argon2.clone();
        self.run(move || {
            argon2
                .hash_password_with_salt(password.expose_secret().as_bytes(), &salt)
                .map(|hash| hash.to_string())
                .map_err(|error| HashingError(error.to_string()))
        })
        .await?
    }

    /// Whether a password is the one of a hash. Without a hash the answer is no, after as long.
    ///
    /// # Errors
    /// When the stored hash cannot be read.
    pub async fn is_right(&self, password: SecretString, hash: Option<String>) -> Result<bool, HashingError> {
        let argon2 = self.argon2.clone();
        let known = hash.is_some();
        let hash = hash.unwrap_or_else(|| self.nobody.to_string());
        let right = self
            .run(move || {
                let hash = PasswordHash::new(&hash).map_err(|error| HashingError(error.to_string()))?;
                Ok(argon2.verify_password(password.expose_secret().as_bytes(), &hash).is_ok())
            })
            .await??;
        Ok(right && known)
    }

    async fn run<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, HashingError> {
        let _permit = self.at_once.acquire().await.map_err(|error| HashingError(error.to_string()))?;
        tokio::task::spawn_blocking(work).await.map_err(|error| HashingError(error.to_string()))
    }
}
