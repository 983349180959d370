//! Looking at the records of the archive.

use crate::log::reading;
use crate::log::sequencer;
use crate::log::sequencer::{LogError, Sequencer};
use evidence_log::checkpoint::Checkpoint;
use storage::log;

/// What was found in the archive.
#[derive(Debug, Default)]
pub struct ArchiveLook {
    /// How many records it has.
    pub records: usize,
    /// How many of them are of logs that other keys signed: closed ones, or before the keys were changed.
    pub by_others: usize,
    /// What is wrong, a line each.
    pub wrong: Vec<String>,
}

impl Sequencer {
    /// Looks at every record of the archive: that it is signed, that each is larger than the one before, and that the
    /// log of the database contains it.
    ///
    /// # Errors
    /// When archive or database cannot be read.
    pub async fn look_at_archive(&self) -> Result<ArchiveLook, LogError> {
        let archive = self.archive().clone();
        let (records, torn) = sequencer::blocking(move || archive.records()).await??;
        let keys: Vec<_> = self.verifiers().cloned().collect();
        let mut db = self.app().pool.acquire().await?;
        let head = log::head(&mut db).await?.ok_or(LogError::None)?;
        let mut look = ArchiveLook { records: records.len(), ..ArchiveLook::default() };
        let origins = log::check::origins(&mut db).await?;
        let mut before: Option<Checkpoint> = None;
        for (at, record) in records.into_iter().enumerate() {
            let read = record.and_then(|note| Some((note.text().parse::<Checkpoint>().ok()?, note)));
            let Some((checkpoint, note)) = read else {
                look.wrong.push(format!("record {at}: it is not a signed checkpoint"));
                continue;
            };
            let size = checkpoint.size;
            if before.is_some_and(|before| before.origin == checkpoint.origin && before.size >= size) {
                look.wrong.push(format!("record {at}: its size {size} is no larger than the one before"));
            }
            if checkpoint.origin != head.origin {
                look.by_others += 1;
                if !origins.contains(&checkpoint.origin) {
                    look.wrong.push(format!("record {at}: it is of no log of this register"));
                }
            } else if let Err(error) = note.verify(&keys) {
                look.wrong.push(format!("record {at}, size {size}: {error}"));
            } else if size > head.size || !reading::leads_on(&mut db, &head, &checkpoint).await? {
                look.wrong
                    .push(format!("record {at}: the log of the database does not contain its size {size}"));
            }
            before = Some(checkpoint);
        }
        if let Err(error) = self.require_signed(&head) {
            look.wrong.push(error.to_string());
        }
        match log::published(&mut db, Some(head.log)).await? {
            None => look.wrong.push("nothing is published".to_owned()),
            Some(published) if !self.app().log.is_head(&published.note, published.size) => {
                look.wrong.push(format!("what is published at size {} is no signed head", published.size));
            }
            Some(published) => {
                let newest =
                    before.filter(|newest| newest.origin == head.origin).map_or(0, |newest| newest.size);
                if newest < published.size {
                    let cut = format!(
                        "it ends at size {newest}, and {} is published: records were cut off",
                        published.size
                    );
                    look.wrong.push(cut);
                }
            }
        }
        if torn > 0 {
            look.wrong
                .push(format!("{torn} bytes after the last record: it was cut off, or something was added"));
        }
        Ok(look)
    }
}
