//! Passwords and PINs of a call: hashed while somebody waits for it.

use secrecy::SecretString;

use crate::undisturbed::left;
use crate::{ActError, App};
use crypto::passwords::{HashingError, Lane};

impl From<HashingError> for ActError {
    fn from(error: HashingError) -> Self {
        match error {
            HashingError::Full => Self::Busy,
            HashingError::Broken(_) => Self::Internal(error.to_string()),
        }
    }
}

impl App {
    /// The hash of a password or PIN.
    ///
    /// # Errors
    /// [`ActError::Busy`] when too many wait, or whoever asked has gone.
    pub async fn hash(&self, lane: Lane, secret: SecretString) -> Result<String, ActError> {
        tokio::select! {
            hash = self.passwords.hash(lane, secret, self.outside.bytes()) => Ok(hash?),
            () = left() => Err(ActError::Busy),
        }
    }

    /// Whether a password or PIN is the one of a hash. Without a hash the answer is no, after as long.
    ///
    /// # Errors
    /// [`ActError::Busy`] when too many wait, or whoever asked has gone.
    pub async fn is_right(
        &self,
        lane: Lane,
        secret: SecretString,
        hash: Option<String>,
    ) -> Result<bool, ActError> {
        tokio::select! {
            right = self.passwords.is_right(lane, secret, hash) => Ok(right?),
            () = left() => Err(ActError::Busy),
        }
    }
}
