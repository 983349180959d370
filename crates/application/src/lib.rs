//! One function for each act. It works in the transaction of an [`Act`]:
//!
//! ```text
//! Act::once    claims the idempotency key (a request sent before leaves here with its reply)
//!   the act    takes the registration for update, loads the facts, asks the domain, writes what
//!              came out and its log entry
//!              keeps the reply with the key, and commits
//! ```
//!
//! [`Act::done`] does the same without a key. If the process dies before the commit, nothing has happened
//! and the same request does it; if it dies after, the same request gets the reply that was kept. A refused
//! copy is a value that is committed; an [`ActError`] rolls everything back, so nothing is logged that did
//! not happen.

mod act;
mod entries;
mod error;
mod hashing;
mod read;
mod reply;

pub mod access;
pub mod caller;
pub mod cards;
pub mod copies;
pub mod counters;
pub mod differs;
pub mod keys;
pub mod log;
pub mod network;
pub mod outside;
pub mod people;
pub mod rates;
pub mod register;
pub mod rekeys;
pub mod rights;
pub mod secrets;
pub mod sites;
pub mod tasks;
pub mod undisturbed;

pub use crate::act::{Act, Idempotency};
pub use crate::error::{ActError, FieldProblem};
pub use crate::read::Read;
pub use crate::reply::Reply;

use std::sync::Arc;

use sqlx::PgPool;

use crate::cards::status_lists;
use crate::outside::Outside;
use crate::rates::WriteLimits;
use crate::undisturbed::Undisturbed;
use crypto::passwords::Passwords;
use crypto::tokens::TokenKeys;
use crypto::tokens::card::CardKeys;
use crypto::vault::Vault;

/// What every act works with.
#[derive(Clone)]
pub struct App {
    /// Connections, as the service role.
    pub pool: PgPool,
    /// Clock and randomness.
    pub outside: Outside,
    /// The hashing of passwords and PINs.
    pub passwords: Passwords,
    /// The keys that sign access tokens.
    pub tokens: Arc<TokenKeys>,
    /// The keys that sign owner's cards and status lists.
    pub cards: Arc<CardKeys>,
    /// The status lists that this process signed.
    pub status_lists: Arc<status_lists::SignedLists>,
    /// The differs of the sections, as this process counted them.
    pub spaces: Arc<differs::geometry::Spaces>,
    /// The keys of what is encrypted at rest.
    pub vault: Arc<Vault>,
    /// How the evidence log stands.
    pub log: log::LogView,
    /// What limits those who write.
    pub limits: WriteLimits,
    /// What is under way for those who call.
    pub work: Undisturbed,
}
