//! Passwords and PINs at rest: Argon2id (RFC 9106) with OWASP's parameters, on threads of their own
//! and never inside a transaction.
//!
//! A hash takes 19 MiB while it runs. A few threads do all of them, one after the other, so that the
//! memory is theirs and is used again. PINs go before everything else, since somebody stands at a counter; as many
//! wait as can be done in a moment, and what nobody waits for any more is not done.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use argon2::password_hash::phc::{Output, ParamsString, PasswordHash, Salt};
use argon2::{Algorithm, Argon2, Block, Params, Version};
use secrecy::{ExposeSecret, SecretString};
use thiserror::Error;
use tokio::sync::oneshot;

/// Hashing failed for a reason that is not the password.
#[derive(Debug, Error)]
pub enum HashingError {
    /// So many wait that this one would wait too long.
    #[error("hashing: too many wait")]
    Full,
    /// Something broke.
    #[error("hashing: {0}")]
    Broken(String),
}

impl From<argon2::Error> for HashingError {
    fn from(error: argon2::Error) -> Self {
        Self::Broken(error.to_string())
    }
}

impl From<argon2::password_hash::Error> for HashingError {
    fn from(error: argon2::password_hash::Error) -> Self {
        Self::Broken(error.to_string())
    }
}

impl From<argon2::password_hash::phc::Error> for HashingError {
    fn from(error: argon2::password_hash::phc::Error) -> Self {
        Self::Broken(error.to_string())
    }
}

/// The memory of a hashing thread, used again for each hash.
type Memory = Vec<Block>;
type Work = Box<dyn FnOnce(&mut Memory) + Send>;

/// For what something is hashed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lane {
    /// A PIN: somebody stands at a counter.
    Pin,
    /// A password.
    Password,
}

impl Lane {
    /// How many may wait: a second's work, about, for passwords.
    const fn most(self) -> usize {
        match self {
            Self::Pin => 64,
            Self::Password => 32,
        }
    }
}

/// What waits to be hashed.
#[derive(Default)]
struct Waiting {
    pins: VecDeque<Work>,
    passwords: VecDeque<Work>,
    closed: bool,
}

impl Waiting {
    fn lane(&mut self, lane: Lane) -> &mut VecDeque<Work> {
        match lane {
            Lane::Pin => &mut self.pins,
            Lane::Password => &mut self.passwords,
        }
    }

    fn next(&mut self) -> Option<Work> {
        self.pins.pop_front().or_else(|| self.passwords.pop_front())
    }
}

/// What the threads share with those who ask.
#[derive(Default)]
struct Shared {
    waiting: Mutex<Waiting>,
    more: Condvar,
}

impl Shared {
    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Works until nobody can ask any more.
    fn work(&self) {
        let mut memory = Memory::new();
        let mut waiting = self.waiting();
        loop {
            if let Some(work) = waiting.next() {
                drop(waiting);
                work(&mut memory);
                waiting = self.waiting();
            } else if waiting.closed {
                return;
            } else {
                waiting = self.more.wait(waiting).unwrap_or_else(PoisonError::into_inner);
            }
        }
    }
}

/// Ends the threads with the last who can ask.
struct Asks(Arc<Shared>);

impl Drop for Asks {
    fn drop(&mut self) {
        self.0.waiting().closed = true;
        self.0.more.notify_all();
    }
}

/// Hashes and checks passwords and PINs.
#[derive(Clone)]
pub struct Passwords {
    asks: Arc<Asks>,
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
        let shared = Arc::<Shared>::default();
        for number in 0..threads {
            let shared = Arc::clone(&shared);
            std::thread::Builder::new()
                .name(format!("hashing-{number}"))
                .spawn(move || shared.work())
                .map_err(|error| HashingError::Broken(error.to_string()))?;
        }
        Ok(Self { asks: Arc::new(Asks(shared)), params, nobody: nobody.into() })
    }

    /// The hash of a password, in the PHC string format.
    ///
    /// # Errors
    /// When hashing fails, or too many wait.
    pub async fn hash(
        &self,
        lane: Lane,
        password: SecretString,
        salt: [u8; 16],
    ) -> Result<String, HashingError> {
        let params = self.params.clone();
        self.run(lane, move |memory| encoded(&params, password.expose_secret().as_bytes(), &salt, memory))
            .await?
    }

    /// Whether a password is the one of a hash. Without a hash the answer is no, after as long.
    ///
    /// # Errors
    /// When the stored hash cannot be read, or too many wait.
    pub async fn is_right(
        &self,
        lane: Lane,
        password: SecretString,
        hash: Option<String>,
    ) -> Result<bool, HashingError> {
        let known = hash.is_some();
        let hash = hash.unwrap_or_else(|| self.nobody.to_string());
        let right =
            self.run(lane, move |memory| is_of(&hash, password.expose_secret().as_bytes(), memory)).await??;
        Ok(right && known)
    }

    async fn run<T: Send + 'static>(
        &self,
        lane: Lane,
        work: impl FnOnce(&mut Memory) -> T + Send + 'static,
    ) -> Result<T, HashingError> {
        let (done, result) = oneshot::channel();
        let work = Box::new(move |memory: &mut Memory| {
            // Whoever waited may have gone away: then nobody needs the result.
            if !done.is_closed() {
                let _ = done.send(work(memory));
            }
        });
        {
            let shared = &self.asks.0;
            let mut waiting = shared.waiting();
            let queue = waiting.lane(lane);
            if queue.len() >= lane.most() {
                return Err(HashingError::Full);
            }
            queue.push_back(work);
            shared.more.notify_one();
        }
        result.await.map_err(|_| HashingError::Broken("the hashing threads are gone".to_owned()))
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
        return Err(HashingError::Broken("the stored hash is not Argon2id, version 19".to_owned()));
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
        let is_right = |word: &str, hash: Option<String>| {
            passwords.is_right(Lane::Password, word.to_owned().into(), hash)
        };
        assert!(is_right("twelve letters and more", Some(hash.clone())).await.unwrap());
        assert!(!is_right("twelve letters and mor", Some(hash)).await.unwrap());
        assert!(!is_right("nobody has this password", None).await.unwrap());
        let own = passwords.hash(Lane::Pin, "4071".to_owned().into(), [7; 16]).await.unwrap();
        assert!(own.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"));
        assert!(is_right("4071", Some(own)).await.unwrap());
    }

    /// Work that ends when it is told to, and says when it begins and which it was.
    struct Held(std::sync::mpsc::Sender<()>, std::sync::mpsc::Receiver<&'static str>);

    /// One thread, which is held up.
    fn held() -> (Passwords, Held) {
        let passwords = Passwords::new(1).unwrap();
        let (go, wait) = std::sync::mpsc::channel::<()>();
        let (say, said) = std::sync::mpsc::channel();
        let began = say.clone();
        let work: Work = Box::new(move |_| {
            began.send("held").unwrap();
            wait.recv().unwrap();
        });
        passwords.asks.0.waiting().passwords.push_back(work);
        passwords.asks.0.more.notify_one();
        assert_eq!(said.recv().unwrap(), "held");
        for (lane, word) in [(Lane::Password, "password"), (Lane::Pin, "pin")] {
            let say = say.clone();
            passwords.asks.0.waiting().lane(lane).push_back(Box::new(move |_| say.send(word).unwrap()));
        }
        (passwords, Held(go, said))
    }

    #[test]
    fn a_pin_goes_before_every_password() {
        let (_passwords, Held(go, said)) = held();
        go.send(()).unwrap();
        assert_eq!([said.recv().unwrap(), said.recv().unwrap()], ["pin", "password"]);
    }

    #[tokio::test]
    async fn so_many_wait_and_what_nobody_waits_for_is_not_done() {
        let (passwords, Held(go, _said)) = held();
        let asked = |lane| passwords.is_right(lane, "twelve letters and more".to_owned().into(), None);
        let mut waiting = Vec::new();
        while passwords.asks.0.waiting().passwords.len() < Lane::Password.most() {
            let mut one = Box::pin(asked(Lane::Password));
            assert!(
                std::future::poll_fn(|context| {
                    std::task::Poll::Ready(one.as_mut().poll(context).is_pending())
                })
                .await
            );
            waiting.push(one);
        }
        assert!(matches!(asked(Lane::Password).await, Err(HashingError::Full)));
        let pin = asked(Lane::Pin);
        // They hang up: a second's work is not done.
        waiting.clear();
        go.send(()).unwrap();
        assert!(!pin.await.unwrap());
        // Soon there is room again.
        loop {
            match asked(Lane::Password).await {
                Err(HashingError::Full) => std::thread::yield_now(),
                right => break assert!(!right.unwrap()),
            }
        }
    }

    const ARGON2_CFFI: &str =
        "$argon2id$v=19$m=19456,t=2,p=1$QOAR6atGzrYaxHAHPALrYg$STnzH3+9dNMZ4YCsTZmOzzAo9BEqxmGpR38owqZmy04";
}
