//! Passwords and PINs at rest: Argon2id (RFC 9106) with OWASP's parameters, on threads of their own
//! and never inside a transaction.
//!
//! A hash takes 19 MiB while it runs. A few threads do all of them, one after the other, so that the
//! memory is theirs and is used again.

use std::sync::{Arc, Mutex, PoisonError, mpsc};

use argon2::password_hash::phc::{Output, ParamsString, PasswordHash, Salt};
use argon2::{Algorithm, Argon2, Block, Params, Version};
use secrecy::{ExposeSecret, SecretString};
use thiserror::Error;
use tokio::sync::oneshot;

/// Hashing failed for a reason that is not the password.
#[derive(Debug, Error)]
#[error("hashing: {0}")]
pub struct HashingError(String);

impl From<argon2::Error> for HashingError {
    fn from(error: argon2::Error) -> Self {
        Self(error.to_string())
    }
}

impl From<argon2::password_hash::Error> for HashingError {
    fn from(error: argon2::password_hash::Error) -> Self {
        Self(error.to_string())
    }
}

impl From<argon2::password_hash::phc::Error> for HashingError {
    fn from(error: argon2::password_hash::phc::Error) -> Self {
        Self(error.to_string())
    }
}

/// The memory of a hashing thread, used again for each hash.
type Memory = Vec<Block>;
type Work = Box<dyn FnOnce(&mut Memory) + Send>;

/// Hashes and checks passwords.
#[derive(Clone)]
pub struct Passwords {
    work: mpsc::Sender<Work>,
    params: Params,
    /// What a password is checked against where there is no account, so that it takes as long.
    nobody: Arc<str>,
}

/// How many characters a password has.
pub const PASSWORD_LENGTHS: std::ops::RangeInclusive<usize> = 12..=200;

impl Passwords {
    /// OWASP Password Storage Cheat Sheet: Argon2id, m = 19 MiB, t = 2, p = 1; on so many threads.
    ///
    /// # Errors
    /// When the parameters are out of range, or there is no thread to be had.
    pub fn new(threads: usize) -> Result<Self, HashingError> {
        let params = Params::new(19 * 1024, 2, 1, None)?;
        let nobody = encoded(&params, b"nobody has this password", &[0; 16], &mut Memory::new())?;
        let (sender, receiver) = mpsc::channel::<Work>();
        let receiver = Arc::new(Mutex::new(receiver));
        for number in 0..threads {
            let receiver = Arc::clone(&receiver);
            std::thread::Builder::new()
                .name(format!("hashing-{number}"))
                .spawn(move || {
                    let mut memory = Memory::new();
                    // Ends when the last sender is gone. The lock is free while the work is done.
                    while let Ok(work) = { receiver.lock().unwrap_or_else(PoisonError::into_inner).recv() } {
                        work(&mut memory);
                    }
                })
                .map_err(|error| HashingError(error.to_string()))?;
        }
        Ok(Self { work: sender, params, nobody: nobody.into() })
    }

    /// The hash of a password, in the PHC string format.
    ///
    /// # Errors
    /// When hashing fails.
    pub async fn hash(&self, password: SecretString, salt: [u8; 16]) -> Result<String, HashingError> {
        let params = self.params.clone();
        self.run(move |memory| encoded(&params, password.expose_secret().as_bytes(), &salt, memory)).await?
    }

    /// Whether a password is the one of a hash. Without a hash the answer is no, after as long.
    ///
    /// # Errors
    /// When the stored hash cannot be read.
    pub async fn is_right(&self, password: SecretString, hash: Option<String>) -> Result<bool, HashingError> {
        let known = hash.is_some();
        let hash = hash.unwrap_or_else(|| self.nobody.to_string());
        let right =
            self.run(move |memory| is_of(&hash, password.expose_secret().as_bytes(), memory)).await??;
        Ok(right && known)
    }

    async fn run<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Memory) -> T + Send + 'static,
    ) -> Result<T, HashingError> {
        let gone = || HashingError("the hashing threads are gone".to_owned());
        let (done, result) = oneshot::channel();
        let work = Box::new(move |memory: &mut Memory| {
            // Whoever waited may have gone away: then nobody needs the result.
            let _ = done.send(work(memory));
        });
        self.work.send(work).map_err(|_| gone())?;
        result.await.map_err(|_| gone())
    }
}

/// The Argon2id output for a password, computed in the given memory.
fn output(
    params: &Params,
    password: &[u8],
    salt: &[u8],
    memory: &mut Memory,
) -> Result<Output, HashingError> {
    if memory.len() < params.block_count() {
        memory.resize(params.block_count(), Block::default());
    }
    let mut out = vec![0; params.output_len().unwrap_or(Params::DEFAULT_OUTPUT_LEN)];
    let argon2 = Argon2::new(Algorithm::Argon2id, Version::V0x13, params.clone());
    argon2.hash_password_into_with_memory(password, salt, &mut out, memory.as_mut_slice())?;
    Ok(Output::new(&out)?)
}

fn encoded(
    params: &Params,
    password: &[u8],
    salt: &[u8],
    memory: &mut Memory,
) -> Result<String, HashingError> {
    let hash = PasswordHash {
        algorithm: Algorithm::Argon2id.ident(),
        version: Some(Version::V0x13.into()),
        params: ParamsString::try_from(params)?,
        salt: Some(Salt::new(salt)?),
        hash: Some(output(params, password, salt, memory)?),
    };
    Ok(hash.to_string())
}

fn is_of(hash: &str, password: &[u8], memory: &mut Memory) -> Result<bool, HashingError> {
    let hash = PasswordHash::new(hash)?;
    let argon2id =
        hash.algorithm == Algorithm::Argon2id.ident() && hash.version == Some(Version::V0x13.into());
    let (Some(salt), Some(expected), true) = (hash.salt, hash.hash, argon2id) else {
        return Err(HashingError("the stored hash is not Argon2id, version 19".to_owned()));
    };
    // The comparison of outputs takes the same time wherever they differ.
    Ok(output(&Params::try_from(&hash)?, password, &salt, memory)? == expected)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9106 leaves the encoding to others; the PHC string and its hash were made with argon2-cffi
    /// (`PasswordHasher(time_cost=2, memory_cost=19456, parallelism=1)`).
    #[tokio::test]
    async fn a_hash_that_argon2_cffi_made_is_read() {
        let passwords = Passwords::new(1).unwrap();
        let hash = ARGON2_CFFI.to_owned();
        let is_right = |word: &str, hash: Option<String>| passwords.is_right(word.to_owned().into(), hash);
        assert!(is_right("twelve letters and more", Some(hash.clone())).await.unwrap());
        assert!(!is_right("twelve letters and mor", Some(hash)).await.unwrap());
        assert!(!is_right("nobody has this password", None).await.unwrap());
        let own = passwords.hash("4071".to_owned().into(), [7; 16]).await.unwrap();
        assert!(own.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"));
        assert!(is_right("4071", Some(own)).await.unwrap());
    }

    const ARGON2_CFFI: &str =
        "$argon2id$v=19$m=19456,t=2,p=1$QOAR6atGzrYaxHAHPALrYg$STnzH3+9dNMZ4YCsTZmOzzAo9BEqxmGpR38owqZmy04";
}
