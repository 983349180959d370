//! Why an act did not happen.

use thiserror::Error;

use crate::Reply;
use domain::copies::WrongState;
use domain::keys::WrongKeyState;
use storage::StorageError;

/// A wrong field of a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FieldProblem {
    /// Where: a JSON pointer (RFC 6901) into the body.
    pub pointer: String,
    /// What is wrong.
    pub problem: String,
}

impl FieldProblem {
    /// A wrong field.
    pub fn new(pointer: impl Into<String>, problem: impl Into<String>) -> Self {
        Self { pointer: pointer.into(), problem: problem.into() }
    }
}

/// Why an act did not happen. Nothing of it is left.
#[derive(Debug, Error)]
pub enum ActError {
    /// There is no such thing, or it is not the caller's.
    #[error("not found")]
    NotFound,
    /// The caller may see it and may not do this.
    #[error("not allowed: {0}")]
    Forbidden(&'static str),
    /// What was asked for cannot be.
    #[error("{} invalid fields", .0.len())]
    Invalid(Vec<FieldProblem>),
    /// Its state does not allow it.
    #[error("state {state}: {detail}")]
    WrongState {
        /// The state.
        state: &'static str,
        /// Why that does not allow it.
        detail: String,
    },
    /// It collides with what is there.
    #[error("conflict: {0}")]
    Conflict(&'static str),
    /// It was changed since the caller read it.
    #[error("stale")]
    Stale,
    /// A change came without the version that it is of.
    #[error("no version")]
    VersionMissing,
    /// The idempotency key was used for another request.
    #[error("idempotency key reused")]
    IdempotencyKeyReused,
    /// The request was sent before: its reply.
    #[error("replayed")]
    Replayed(Box<Reply>),
    /// The caller is not signed in, or the credentials are wrong.
    #[error("unauthenticated")]
    Unauthenticated,
    /// Too many attempts.
    #[error("too many attempts")]
    TooManyAttempts {
        /// Seconds to wait.
        retry_after: u64,
    },
    /// Too many entries wait for the log.
    #[error("busy")]
    Busy,
    /// Something broke.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// Something broke that is not the database.
    #[error("internal: {0}")]
    Internal(String),
}

impl From<sqlx::Error> for ActError {
    fn from(error: sqlx::Error) -> Self {
        Self::Storage(StorageError::Database(error))
    }
}

impl From<WrongState> for ActError {
    fn from(error: WrongState) -> Self {
        Self::WrongState { state: error.state.as_str(), detail: error.to_string() }
    }
}

impl From<WrongKeyState> for ActError {
    fn from(error: WrongKeyState) -> Self {
        Self::WrongState { state: error.state.as_str(), detail: error.to_string() }
    }
}

impl ActError {
    /// One wrong field.
    pub fn invalid(pointer: &str, problem: impl Into<String>) -> Self {
        Self::Invalid(vec![FieldProblem::new(pointer, problem)])
    }
}
