//! The evidence log at work: the sequencer, and what is read of the log.
//!
//! ```text
//! an act       entry + its place in the queue, in the act's own transaction; no index yet
//! sequencer    the lowest of the queue -> indexes, tiles, root, signed head: one transaction
//! archive      the head, outside the database, before anybody sees it
//! witnesses    cosign it, within a time limit, outside any transaction
//! published    what is served
//! ```

pub mod again;
pub mod archive;
pub mod check;
pub mod cosigning;
pub mod looks;
pub mod metrics;
pub mod reading;
pub mod receipts;
pub mod recovery;
pub mod sequencer;
pub mod signing;

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use time::OffsetDateTime;
use tokio::sync::{Notify, Semaphore, watch};

use crate::ActError;
use crate::log::metrics::Metrics;
use evidence_log::checkpoint::Checkpoint;
use evidence_log::note::{Note, VerifierKey};
use evidence_log::policy::Policy;

/// The most callers of one process who wait for a receipt at a time; others are told to ask again.
const MOST_WAITING: usize = 500;

/// How many entries may wait, and how long, before new work is refused.
#[derive(Debug, Clone, Copy)]
pub struct Backpressure {
    /// The most entries that wait.
    pub most: u64,
    /// The longest that one waits.
    pub longest: Duration,
}

impl Default for Backpressure {
    fn default() -> Self {
        Self { most: 10_000, longest: Duration::from_mins(1) }
    }
}

/// How the log stands, as this process last saw it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct LogStanding {
    /// Which log is open.
    pub log: i16,
    /// How many entries it has.
    pub size: u64,
    /// How many of them are published.
    pub published: u64,
    /// How many entries wait.
    pub waiting: u64,
    /// Since when the first of them does.
    pub oldest: Option<OffsetDateTime>,
}

/// The log, for those who write to it and read it.
#[derive(Clone)]
pub struct LogView {
    limits: Backpressure,
    standing: Arc<watch::Sender<LogStanding>>,
    /// The archive has more than the database, or something else: nothing is decided.
    disagrees: Arc<AtomicBool>,
    /// The last comparison found that something of the log itself is gone or changed: nothing is signed over it.
    damaged: Arc<AtomicBool>,
    /// The keys of the open log, as verifiers know them.
    verifiers: Arc<OnceLock<Vec<VerifierKey>>>,
    /// What this service asks of witnesses itself.
    policy: Arc<OnceLock<Policy>>,
    /// Wakes the sequencer of this process.
    work: Arc<Notify>,
    /// Room for those who wait for a receipt.
    pub waiting_places: Arc<Semaphore>,
    /// The figures of this process.
    pub metrics: Arc<Metrics>,
}

impl LogStanding {
    /// Entries wait for their index, or have one and are not published yet.
    #[must_use]
    pub fn is_behind(&self) -> bool {
        self.waiting > 0 || self.published < self.size
    }
}

impl LogView {
    /// Nothing is known yet.
    #[must_use]
    pub fn new(limits: Backpressure) -> Self {
        Self {
            waiting_places: Arc::new(Semaphore::new(MOST_WAITING)),
            limits,
            standing: Arc::new(watch::Sender::default()),
            disagrees: Arc::default(),
            damaged: Arc::default(),
            verifiers: Arc::default(),
            policy: Arc::default(),
            work: Arc::new(Notify::new()),
            metrics: Arc::new(Metrics::new()),
        }
    }

    /// What was last seen.
    #[must_use]
    pub fn standing(&self) -> LogStanding {
        self.standing.borrow().clone()
    }

    /// What was seen.
    pub fn saw(&self, standing: LogStanding, now: OffsetDateTime) {
        let metrics = &self.metrics;
        let entries = |number| i64::try_from(number).unwrap_or(i64::MAX);
        metrics.waiting.set(entries(standing.waiting));
        metrics.size.set(entries(standing.size));
        metrics.published.set(entries(standing.published));
        metrics.oldest_wait.set(standing.oldest.map_or(0.0, |oldest| (now - oldest).as_seconds_f64()));
        self.standing.send_if_modified(|known| {
            let new = *known != standing;
            *known = standing;
            new
        });
    }

    /// Tells of every change.
    #[must_use]
    pub fn watch(&self) -> watch::Receiver<LogStanding> {
        self.standing.subscribe()
    }

    /// There is something to be looked at: an entry was queued, or somebody waits for a receipt.
    pub fn wake(&self) {
        self.work.notify_one();
    }

    /// Waits until there is.
    pub async fn woken(&self) {
        self.work.notified().await;
    }

    /// Somebody waits for a receipt.
    fn is_waited_for(&self) -> bool {
        self.waiting_places.available_permits() < MOST_WAITING
    }

    /// This process serves the log of these keys.
    pub(crate) fn serves(&self, keys: Vec<VerifierKey>) {
        // The first sequencer of a process says it; others have the same log.
        let _ = self.verifiers.set(keys);
    }

    /// This service asks for the signatures of a policy itself.
    pub fn asks_for(&self, policy: Policy) {
        let _ = self.policy.set(policy);
    }

    /// Whether a head has the signatures that this service asks for; nothing where it asks for none.
    #[must_use]
    pub fn meets_quorum(&self, note: &str) -> Option<bool> {
        self.policy.get().map(|policy| policy.verify(note).is_ok())
    }

    /// Whether a published head is one: of its size, and signed, where it is of the log that this process serves.
    #[must_use]
    pub fn is_head(&self, note: &str, size: u64) -> bool {
        let Ok(note) = note.parse::<Note>() else { return false };
        let Ok(head) = note.text().parse::<Checkpoint>() else { return false };
        let keys = self.verifiers.get().filter(|keys| keys.iter().any(|key| key.name() == head.origin));
        head.size == size && keys.is_none_or(|keys| note.verify(keys).is_ok())
    }

    /// The register was compared with the log.
    pub(crate) fn found(&self, damaged: bool) {
        self.damaged.store(damaged, Ordering::Relaxed);
    }

    /// Whether something of the log itself was gone or changed then.
    pub(crate) fn is_damaged(&self) -> bool {
        self.damaged.load(Ordering::Relaxed)
    }

    /// Archive and database were compared.
    fn compared(&self, agree: bool) {
        self.disagrees.store(!agree, Ordering::Relaxed);
    }

    /// Decides nothing where the database is not what was archived, as after a backup was restored: what it says of
    /// anybody's rights may have been revoked since.
    ///
    /// # Errors
    /// [`ActError::Busy`] then.
    pub fn require_agreement(&self) -> Result<(), ActError> {
        if self.disagrees.load(Ordering::Relaxed) { Err(ActError::Busy) } else { Ok(()) }
    }

    /// Refuses new work while too much waits, or has waited too long: evidence that nobody can check
    /// yet must not grow without end.
    ///
    /// # Errors
    /// [`ActError::Busy`] then.
    pub fn require_room(&self, now: OffsetDateTime) -> Result<(), ActError> {
        self.require_agreement()?;
        let standing = self.standing.borrow();
        let late = standing.oldest.is_some_and(|oldest| now - oldest > self.limits.longest);
        if late || standing.waiting > self.limits.most { Err(ActError::Busy) } else { Ok(()) }
    }
}
