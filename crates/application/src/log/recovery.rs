//! Mending a log whose database was set back: from a mirror, or by a new log that says so.

use sqlx::PgConnection;
use time::OffsetDateTime;

use crate::log::again;
use crate::log::again::EnteredAgain;
use crate::log::sequencer::{LogError, Sequencer};
use domain::entry::{Draft, ReadEntry};
use domain::ids::EntryId;
use evidence_log::checkpoint::Checkpoint;
use evidence_log::hash::Hash;
use evidence_log::tile::Tile;
use storage::{StorageError, log};

/// What came back from a mirror.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RecoveryCount {
    /// How many entries have their index again.
    pub entries: u64,
    /// What became of those whose decisions and changes this database did not know.
    pub again: EnteredAgain,
}

impl Sequencer {
    /// How many entries database and archive have.
    ///
    /// # Errors
    /// When either cannot be read.
    pub async fn sizes(&self) -> Result<(u64, u64), LogError> {
        let mut tx = storage::begin(&self.app().pool).await?;
        let head = log::head_for_update(&mut tx).await?.ok_or(LogError::None)?;
        let archived = self.newest().await?.map_or(0, |newest| newest.size);
        Ok((head.size, archived))
    }

    /// Replays the entries that the archive has and the database lacks, from the database's size on. What they name is on
    /// hold from before they are back; what they say is entered again.
    ///
    /// # Errors
    /// When they do not lead to the archived root: then nothing was changed.
    pub async fn replay(&self, entries: &[Vec<u8>]) -> Result<RecoveryCount, LogError> {
        let read = |body: &Vec<u8>| ReadEntry::parse(body);
        let lost: Vec<ReadEntry> =
            entries.iter().map(read).collect::<Result<_, _>>().map_err(|error| {
                LogError::Settings(format!("an entry of the mirror cannot be read: {error}"))
            })?;
        self.leads_to_archive(entries).await?;
        again::hold(self.app(), &lost).await.map_err(|error| LogError::Settings(error.to_string()))?;
        // Died here: there are holds, nothing came back, and the same may be said again.
        self.bring_back(entries, &lost).await
    }

    /// Refuses entries that do not lead from the database's size to the archived root.
    async fn leads_to_archive(&self, entries: &[Vec<u8>]) -> Result<(), LogError> {
        let mut tx = storage::begin(&self.app().pool).await?;
        let head = log::head_for_update(&mut tx).await?.ok_or(LogError::None)?;
        self.grown(&mut tx, &head, entries).await.map(|_| ())
    }

    /// The tiles that grow by entries, and the head of the archive to which they lead.
    async fn grown(
        &self,
        tx: &mut PgConnection,
        head: &log::Head,
        entries: &[Vec<u8>],
    ) -> Result<(Vec<Tile>, Checkpoint), LogError> {
        let wrong = |what: String| LogError::Settings(what);
        self.require_signed(head)?;
        let newest = self.newest().await?.ok_or_else(|| wrong("the archive is missing".to_owned()))?;
        let mut frontier = self.frontier(tx, head).await?;
        let grown = frontier.extend(entries.iter().map(|entry| Hash::leaf(entry)));
        if (frontier.size(), frontier.root()) != (newest.size, newest.root) || newest.origin != head.origin {
            return Err(wrong(format!(
                "the mirror leads to size {} and root {}, the archive has size {} and root {}",
                frontier.size(),
                frontier.root(),
                newest.size,
                newest.root
            )));
        }
        Ok((grown, newest))
    }

    async fn bring_back(&self, entries: &[Vec<u8>], lost: &[ReadEntry]) -> Result<RecoveryCount, LogError> {
        let now = self.app().outside.clock.now();
        let mut tx = storage::begin(&self.app().pool).await?;
        let head = log::head_for_update(&mut tx).await?.ok_or(LogError::None)?;
        let (grown, newest) = self.grown(&mut tx, &head, entries).await?;
        let mut recovered = RecoveryCount { entries: entries.len() as u64, ..RecoveryCount::default() };
        let (mut ids, mut came_back) = (vec![], 0);
        for (body, lost) in entries.iter().zip(lost) {
            if store_again(&mut tx, lost, body).await? {
                came_back += 1;
                again::enter(&mut tx, lost, &mut recovered.again).await?;
            }
            ids.push(lost.entry);
        }
        if came_back > 0 {
            let outside = &self.app().outside;
            let id = EntryId(outside.id(now));
            let draft = Draft { count: Some(came_back), ..Draft::change(id, "log.recovered", now, id.0) };
            let sealed = draft.open(|| outside.bytes()).seal();
            let sealed = sealed.map_err(|error| LogError::Settings(error.to_string()))?;
            log::write_own(&mut tx, "log.recovered", id, &sealed.body, now).await?;
        }
        log::append(&mut tx, head.log, head.size, &ids).await?;
        log::write_tiles(&mut tx, head.log, &grown).await?;
        let note = self.sign(newest.size, newest.root)?;
        let mended = log::Head { size: newest.size, root: newest.root, note, ..head.clone() };
        log::advance(&mut tx, head.size, &mended).await?;
        tx.commit().await?;
        Ok(recovered)
    }

    /// Closes the log and opens another, whose first entry says which one it continues. A log that is in
    /// order is closed only if that is meant.
    ///
    /// # Errors
    /// When there is none to close, it is in order, or the new name was used before.
    pub async fn continue_elsewhere(&self, even_in_order: bool) -> Result<(), LogError> {
        let wrong = |what: &str| Err(LogError::Settings(what.to_owned()));
        let outside = &self.app().outside;
        let now = outside.clock.now();
        let mut tx = storage::begin(&self.app().pool).await?;
        let head = log::head_for_update(&mut tx).await?.ok_or(LogError::None)?;
        let newest = self.newest().await?;
        let in_archive = newest.as_ref().map(|newest| newest.origin.as_str());
        if head.origin == self.origin()? {
            // This was said before, and the process died before it was archived.
            return if head.size == 1 && in_archive != Some(&head.origin) {
                self.add_to_archive(newest, head.note).await
            } else {
                Err(LogError::Exists(head.origin))
            };
        }
        if in_archive == Some(self.origin()?) {
            return wrong("the archive has a log of this name already: a name is used once");
        }
        let agrees = self.agrees(&mut tx, &head, newest.as_ref()).await;
        if agrees.is_ok() && !even_in_order {
            return wrong("the log is in order: nothing has to be recovered");
        }
        // What was signed and not published yet is published: its entries have their receipts. A head that
        // leads elsewhere than the archive is not.
        if agrees.is_ok() || newest.as_ref().is_some_and(|newest| newest.size > head.size) {
            log::publish(&mut tx, head.log, head.size, &head.note, None).await?;
        }
        log::close(&mut tx, head.log).await?;
        let note = self.sign(0, Hash::EMPTY)?;
        let log = log::open(&mut tx, self.origin()?, Hash::EMPTY, &note).await?;
        // What it continues: the newest head that anybody outside has seen, where it is the larger one.
        let (size, root) = newest
            .as_ref()
            .filter(|newest| newest.origin == head.origin && newest.size > head.size)
            .map_or((head.size, head.root), |newest| (newest.size, newest.root));
        let id = EntryId(outside.id(now));
        let body = serde_json::json!({
            "v": 2, "entry": id, "what": "log.continued", "at": written(now)?, "subject": id,
            "continues": {"origin": head.origin, "size": size, "root": root.to_base64()},
            "commitments": [],
        });
        let body = body.to_string().into_bytes();
        log::write_own(&mut tx, "log.continued", id, &body, now).await?;
        log::append(&mut tx, log, 0, &[id]).await?;
        let mut frontier = evidence_log::tile::Frontier::default();
        log::write_tiles(&mut tx, log, &frontier.extend([Hash::leaf(&body)])).await?;
        let (size, root) = (frontier.size(), frontier.root());
        let origin = self.origin()?.to_owned();
        let first = log::Head { log, origin, size, root, note: self.sign(size, root)? };
        log::advance(&mut tx, 0, &first).await?;
        tx.commit().await?;
        // Died here: the archive still has the old log, and nothing is signed until this is said again.
        self.add_to_archive(newest, first.note).await
    }
}

fn written(at: OffsetDateTime) -> Result<String, LogError> {
    at.format(&time::format_description::well_known::Rfc3339)
        .map_err(|error| LogError::Settings(error.to_string()))
}

/// Stores an entry unless it is there; whether its decision or change is not.
async fn store_again(db: &mut PgConnection, lost: &ReadEntry, body: &[u8]) -> Result<bool, LogError> {
    let id = lost.entry;
    match log::body(db, id).await? {
        Some(there) if there == body => Ok(false),
        Some(_) => {
            let problem = format!("entry {id} is not the one that the mirror has");
            Err(StorageError::Corrupt { table: "log_entries", problem }.into())
        }
        None => {
            log::store_recovered(db, id, lost.kind(), lost.registration, body, lost.at).await?;
            Ok(true)
        }
    }
}
