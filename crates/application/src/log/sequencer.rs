//! The sequencer: gives waiting entries their indexes, signs, archives, publishes.
//!
//! Every process of the service runs one; the database lets one at a time through, and nothing is remembered
//! from round to round: each begins with what database and archive say.
//!
//! A process looks when one of its own acts queued an entry, when somebody waits for a receipt, and else
//! once in a while for what others queued. It begins a round, which takes the head for update, only when the
//! look found work: while nothing happens, nothing is written.

use std::time::Duration;

use sqlx::{PgConnection, Postgres, Transaction};
use thiserror::Error;

use crate::App;
use crate::log::archive::{Archive, ArchiveError};
use crate::log::cosigning::{Alarm, Witnesses};
use crate::log::{LogStanding, cosigning, reading};
use evidence_log::checkpoint::Checkpoint;
use evidence_log::hash::Hash;
use evidence_log::note::{Note, NoteError, SignerKey, VerifierKey};
use evidence_log::tile::Frontier;
use storage::{StorageError, log};

/// The most entries of one round.
const BATCH: i64 = 2_000;
/// The shortest time from one round to the next: what comes meanwhile goes into one round.
const EVERY: Duration = Duration::from_millis(100);
/// How long it takes at most to see what another process has queued, while nobody waits for it.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Why nothing is signed.
#[derive(Debug, Error)]
pub enum LogError {
    /// There is no log yet.
    #[error("there is no log: run `wardbook log init` first")]
    None,
    /// There is one already.
    #[error("there is a log already: {0}")]
    Exists(String),
    /// The database broke, or a row is not as it has to be.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// The archive broke.
    #[error(transparent)]
    Archive(#[from] ArchiveError),
    /// A key or a signature is not good.
    #[error("head: {0}")]
    Note(#[from] NoteError),
    /// The head in the database is not what was signed, or not what its tiles say.
    #[error("head: {0}")]
    Head(String),
    /// The archive has a checkpoint that the database does not lead to.
    #[error(
        "refusing to sign: the archive has size {archived}, the database {size}: {why}. Was a backup restored? \
         See `wardbook log recover`"
    )]
    Fork {
        /// The size of the newest archived checkpoint.
        archived: u64,
        /// The size of the head in the database.
        size: u64,
        /// What is wrong.
        why: &'static str,
    },
    /// The last comparison found that something of the log is gone or changed.
    #[error(
        "refusing to sign: entries or hashes of the log are missing or changed; see `wardbook log check`"
    )]
    Damaged,
    /// A witness has seen a larger log.
    #[error("refusing to sign: {0}. Was a backup restored? See `wardbook log recover`")]
    Alarm(#[from] Alarm),
    /// A key or a file that was handed in cannot be used.
    #[error("{0}")]
    Settings(String),
}

impl From<sqlx::Error> for LogError {
    fn from(error: sqlx::Error) -> Self {
        Self::Storage(StorageError::Database(error))
    }
}

/// What a process does for the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LogWork {
    /// Its share of the rounds.
    Sequence,
    /// Only looks how it stands.
    Watch,
}

/// Gives out indexes, signs and publishes.
pub struct Sequencer {
    app: App,
    keys: Vec<SignerKey>,
    archive: Archive,
    witnesses: Witnesses,
}

impl Sequencer {
    /// With the keys of the log: all of them sign, so that a key is rotated by handing in both for as
    /// long as verifiers may know only the old one.
    #[must_use]
    pub fn new(app: App, keys: Vec<SignerKey>, archive: Archive) -> Self {
        app.log.serves(keys.iter().map(|key| key.verifier().clone()).collect());
        Self { app, keys, archive, witnesses: Witnesses::default() }
    }

    /// And with witnesses, who sign each head before it is published.
    #[must_use]
    pub fn with_witnesses(self, witnesses: Witnesses) -> Self {
        Self { witnesses, ..self }
    }

    pub(super) fn archive(&self) -> &Archive {
        &self.archive
    }

    pub(super) fn app(&self) -> &App {
        &self.app
    }

    /// The keys of the log, as verifiers know them.
    pub fn verifiers(&self) -> impl Iterator<Item = &VerifierKey> {
        self.keys.iter().map(SignerKey::verifier)
    }

    /// The name of the log.
    pub(super) fn origin(&self) -> Result<&str, LogError> {
        let first = self.keys.first().ok_or_else(|| LogError::Settings("the log has no key".to_owned()))?;
        Ok(first.verifier().name())
    }

    pub(super) fn sign(&self, size: u64, root: Hash) -> Result<String, LogError> {
        let checkpoint = Checkpoint { origin: self.origin()?.to_owned(), size, root };
        Ok(Note::sign(checkpoint.to_string(), &self.keys, 0).to_string())
    }

    /// Opens the first log, empty.
    ///
    /// # Errors
    /// When there is one already, here or in the archive.
    pub async fn init(&self) -> Result<(), LogError> {
        if let Some(newest) = self.newest().await? {
            return Err(LogError::Exists(format!("the archive has {} at {}", newest.origin, newest.size)));
        }
        let mut tx = storage::begin(&self.app.pool).await?;
        if let Some(head) = log::head_for_update(&mut tx).await? {
            return Err(LogError::Exists(head.origin));
        }
        let note = self.sign(0, Hash::EMPTY)?;
        log::open(&mut tx, self.origin()?, Hash::EMPTY, &note).await?;
        tx.commit().await?;
        // Died here: the first round archives the empty log.
        self.add_to_archive(None, note).await
    }

    /// Says whether there is a log, and whether these keys are its keys: without, nothing is served.
    ///
    /// # Errors
    /// When there is none, or it has other keys.
    pub async fn require_log(&self) -> Result<(), LogError> {
        let head = log::head(&mut *self.app.pool.acquire().await?).await?.ok_or(LogError::None)?;
        self.require_signed(&head)?;
        // Before anybody is answered: what was restored decides nothing, not even for a moment.
        match self.noted(self.is_archived().await) {
            Ok(_) => {}
            Err(error @ LogError::Fork { .. }) => tracing::error!(error = %error, "log.disagrees"),
            Err(error) => return Err(error),
        }
        self.look().await.map(drop)
    }

    /// Notes whether archive and database agree, as far as that was looked at.
    fn noted<T>(&self, done: Result<T, LogError>) -> Result<T, LogError> {
        match &done {
            Ok(_) => self.app.log.compared(true),
            // An archive that is missing says nothing of the database: then signing waits, and no more.
            Err(LogError::Fork { archived, .. }) if *archived > 0 => self.app.log.compared(false),
            Err(LogError::Alarm(_)) => self.app.log.compared(false),
            Err(_) => {}
        }
        done
    }

    /// One round; how many entries got their index. Without work it only looks: it takes nothing and
    /// writes nothing.
    ///
    /// # Errors
    /// When nothing was signed, and why. What was done before stands, and the next round begins with
    /// what database and archive say.
    pub async fn round(&self) -> Result<u64, LogError> {
        let standing = self.look().await?;
        self.witnesses.quiet()?;
        if self.app.log.is_damaged() {
            return Err(LogError::Damaged);
        }
        let now = self.app.outside.clock.now();
        let work = standing.is_behind() || self.witnesses.are_due(standing.size, now);
        if !work && self.noted(self.is_archived().await)? {
            return Ok(0);
        }
        let sequenced = self.noted(self.publish_and_sequence().await);
        // Even where nothing is signed, this process learns how much waits.
        self.look().await?;
        sequenced
    }

    /// Whether our archive has the head already; they are compared with no row taken, so that a backup that
    /// was restored is told before the next entry comes.
    async fn is_archived(&self) -> Result<bool, LogError> {
        // The archive first: it never has what the head had not.
        let newest = self.newest().await?;
        let mut db = self.app.pool.acquire().await?;
        let head = log::head(&mut db).await?.ok_or(LogError::None)?;
        self.require_signed(&head)?;
        self.agrees(&mut db, &head, newest.as_ref()).await?;
        Ok(newest.is_some_and(|newest| newest.size == head.size))
    }

    async fn publish_and_sequence(&self) -> Result<u64, LogError> {
        // First what is left of an earlier round: no head is signed on top of one that is not archived. The
        // archive is outside the database, and with it a backup that was restored is told from the log; a
        // head that it lacks could be signed a second time, with other entries.
        self.publish().await?;
        let sequenced = self.sequence().await?;
        if sequenced > 0 {
            let entries = u32::try_from(sequenced).unwrap_or(u32::MAX);
            self.app.log.metrics.batch.observe(f64::from(entries));
            self.publish().await?;
        }
        Ok(sequenced)
    }

    /// Entries from the queue into the tree, and a signed head.
    async fn sequence(&self) -> Result<u64, LogError> {
        let mut tx = storage::begin(&self.app.pool).await?;
        let sequenced = self.sequence_in(&mut tx).await;
        ended(tx, sequenced).await
        // Died here: the head is signed and nobody has seen it; the next round archives and publishes
        // the same bytes.
    }

    async fn sequence_in(&self, db: &mut PgConnection) -> Result<u64, LogError> {
        if !log::become_sequencer(db).await? {
            return Ok(0);
        }
        let head = log::head_for_update(db).await?.ok_or(LogError::None)?;
        self.require_signed(&head)?;
        let newest = self.newest().await?;
        self.agrees(db, &head, newest.as_ref()).await?;
        if newest.is_none_or(|newest| newest.size != head.size) || !self.witnesses.all_asked() {
            // Another process has signed and has not archived yet, or was at it when we wanted to
            // ask the witnesses: our next round does both.
            return Ok(0);
        }
        let entries = log::pending(db, BATCH).await?;
        if entries.is_empty() {
            return Ok(0);
        }
        let mut frontier = self.frontier(db, &head).await?;
        // Nothing is signed on over entries that are gone: the others are compared with the register.
        if let Some(at) = reading::changed_in_newest(db, &head, frontier.unfinished_leaves()).await? {
            let what = format!("entry {at} is missing, or not what is signed; see `wardbook log check`");
            return Err(LogError::Head(what));
        }
        let grown = frontier.extend(entries.iter().map(|(_, body)| Hash::leaf(body)));
        let ids: Vec<_> = entries.iter().map(|(id, _)| *id).collect();
        log::append(db, head.log, head.size, &ids).await?;
        log::write_tiles(db, head.log, &grown).await?;
        let (size, root) = (frontier.size(), frontier.root());
        let note = self.sign(size, root)?;
        log::advance(db, head.size, &log::Head { size, root, note, ..head }).await?;
        Ok(ids.len() as u64)
    }

    /// The head into the archive, then to the readers.
    async fn publish(&self) -> Result<(), LogError> {
        let mut tx = storage::begin(&self.app.pool).await?;
        let archived = self.archive_in(&mut tx).await;
        // Died here: it is archived, and the next round shows it to the witnesses.
        match ended(tx, archived).await? {
            Some((head, published)) => self.show(&head, published).await,
            None => Ok(()),
        }
    }

    /// The head, once it is archived, and what is published; nothing while another process is at it.
    async fn archive_in(
        &self,
        db: &mut PgConnection,
    ) -> Result<Option<(log::Head, Option<log::PublishedLog>)>, LogError> {
        if !log::become_sequencer(db).await? {
            return Ok(None);
        }
        let head = log::head_for_update(db).await?.ok_or(LogError::None)?;
        self.require_signed(&head)?;
        let newest = self.newest().await?;
        self.agrees(db, &head, newest.as_ref()).await?;
        let published = log::published(db, None).await?;
        let archived = newest.as_ref().map_or(0, |newest| newest.size);
        if published.as_ref().is_some_and(|published| archived < published.size) {
            // What is published was archived before: its record is gone.
            tracing::error!(archived, "log.archive_cut");
        }
        if newest.as_ref().is_none_or(|newest| newest.size < head.size) {
            self.add_to_archive(newest, head.note.clone()).await?;
        }
        Ok(Some((head, published)))
    }

    /// An archived head to the witnesses, and then to everybody.
    async fn show(&self, head: &log::Head, published: Option<log::PublishedLog>) -> Result<(), LogError> {
        let now = self.app.outside.clock.now();
        let read = published.filter(|published| published.size >= head.size).map(|published| published.note);
        if read.is_some() && !self.witnesses.are_due(head.size, now) {
            return Ok(());
        }
        let keys: Vec<_> = self.verifiers().cloned().collect();
        let asked = self.witnesses.ask(&self.app.pool, (head, &keys), now).await?;
        let mut db = self.app.pool.acquire().await?;
        let lines = match asked {
            Ok(lines) => lines,
            // Another process has moved on meanwhile, and shows the witnesses what it signed.
            Err(alarm) if alarm.seen > head.size && log::size(&mut db, head.log).await? >= alarm.seen => {
                return Ok(());
            }
            Err(alarm) => return Err(self.witnesses.raise(alarm).into()),
        };
        if read.is_some() && lines.is_empty() {
            return Ok(());
        }
        let note = cosigning::cosigned(read.as_deref().unwrap_or(&head.note), lines);
        if !log::publish(&mut db, head.log, head.size, &note, read.as_deref()).await? {
            self.witnesses.forget();
        }
        Ok(())
    }

    /// The tree that the head is of, from its tiles.
    pub(super) async fn frontier(
        &self,
        db: &mut PgConnection,
        head: &log::Head,
    ) -> Result<Frontier, LogError> {
        let wanted: Vec<_> = Frontier::tiles_at(head.size).collect();
        let tiles = log::tiles(db, head.log, &wanted).await?;
        let frontier = Frontier::new(head.size, &tiles)
            .map_err(|tile| LogError::Head(format!("{tile} is missing or too short")))?;
        if frontier.root() == head.root {
            Ok(frontier)
        } else {
            Err(LogError::Head(format!("its root at size {} is not that of its tiles", head.size)))
        }
    }

    /// The head says what was signed, by one of our keys.
    pub(super) fn require_signed(&self, head: &log::Head) -> Result<(), LogError> {
        let note: Note = head.note.parse()?;
        let keys: Vec<_> = self.verifiers().cloned().collect();
        note.verify(&keys)?;
        if note.text() == head.checkpoint().to_string() && head.origin == self.origin()? {
            Ok(())
        } else {
            Err(LogError::Head(format!("what is signed is not {} at size {}", head.origin, head.size)))
        }
    }

    /// The head leads on from the newest archived checkpoint.
    pub(super) async fn agrees(
        &self,
        db: &mut PgConnection,
        head: &log::Head,
        newest: Option<&Checkpoint>,
    ) -> Result<(), LogError> {
        let archived = newest.map_or(0, |newest| newest.size);
        let fork = |why| Err(LogError::Fork { archived, size: head.size, why });
        let Some(newest) = newest else {
            // Only the empty log has never been archived.
            return if head.size == 0 { Ok(()) } else { fork("the archive is missing") };
        };
        if newest.origin != head.origin {
            return fork("the archive is another log's");
        }
        if newest.size > head.size {
            return fork("the database is behind");
        }
        if reading::leads_on(db, head, newest).await? {
            Ok(())
        } else if newest.size == head.size {
            fork("the roots are different")
        } else {
            fork("the database does not contain what was archived")
        }
    }

    /// The newest checkpoint of the archive, signed by these keys where it is of their log.
    pub(super) async fn newest(&self) -> Result<Option<Checkpoint>, LogError> {
        let archive = self.archive.clone();
        let Some(note) = blocking(move || archive.newest()).await?? else { return Ok(None) };
        let newest: Checkpoint =
            note.text().parse().map_err(|error| LogError::Head(format!("archive: {error}")))?;
        if newest.origin == self.origin()? {
            let keys: Vec<_> = self.verifiers().cloned().collect();
            note.verify(&keys)
                .map_err(|error| LogError::Head(format!("the newest of the archive: {error}")))?;
        }
        Ok(Some(newest))
    }

    pub(super) async fn add_to_archive(
        &self,
        newest: Option<Checkpoint>,
        note: String,
    ) -> Result<(), LogError> {
        let archive = self.archive.clone();
        Ok(blocking(move || archive.add(newest.as_ref(), &note)).await??)
    }

    /// Only looks: how the log stands, and whether an archive that this process can read agrees.
    async fn watch(&self) -> Result<(), LogError> {
        if self.newest().await?.is_some() {
            self.noted(self.is_archived().await)?;
        }
        self.look().await.map(drop)
    }

    /// How the log stands now, for this process.
    async fn look(&self) -> Result<LogStanding, LogError> {
        let mut db = self.app.pool.acquire().await?;
        let published = log::published(&mut db, None).await?.ok_or(LogError::None)?;
        let most = i64::try_from(self.app.log.limits.most).unwrap_or(i64::MAX).saturating_add(1);
        let (waiting, oldest) = log::backlog(&mut db, most).await?;
        let size = log::size(&mut db, published.log).await?;
        let standing = LogStanding { log: published.log, size, published: published.size, waiting, oldest };
        self.app.log.saw(standing.clone(), self.app.outside.clock.now());
        Ok(standing)
    }

    /// Looks and rounds until the process ends.
    pub async fn run(self, work: LogWork) {
        let mut ticks = tokio::time::interval(EVERY);
        ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut told = None;
        loop {
            ticks.tick().await;
            let done = match work {
                LogWork::Sequence => self.round().await.map(drop),
                LogWork::Watch => self.watch().await,
            };
            self.app.log.metrics.failed_rounds.inc_by(u64::from(done.is_err()));
            match done {
                Ok(()) => told = None,
                // Once, until it is mended or becomes another error.
                Err(error) if told.as_ref() != Some(&error.to_string()) => {
                    tracing::error!(error = %error, "log.not_signed");
                    told = Some(error.to_string());
                }
                Err(_) => {}
            }
            let busy = self.app.log.standing().is_behind() || self.app.log.is_waited_for();
            if !busy {
                // Woken or not, the next look finds what there is.
                let _ = tokio::time::timeout(LOOK_EVERY, self.app.log.woken()).await;
            }
        }
    }
}

/// Ends a transaction, and waits until it has: the rows that it took are not to stay taken beyond the round.
async fn ended<T>(tx: Transaction<'static, Postgres>, done: Result<T, LogError>) -> Result<T, LogError> {
    if done.is_ok() {
        tx.commit().await?;
    } else {
        tx.rollback().await?;
    }
    done
}

/// Files are read and written away from the tasks that answer requests.
pub(super) async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, LogError> {
    tokio::task::spawn_blocking(work).await.map_err(|error| LogError::Settings(error.to_string()))
}
