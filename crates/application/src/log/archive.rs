//! The archive of checkpoints: a file outside the database that only grows.
//!
//! A database can be set back to an older backup; whoever then signed on would fork the log. So each
//! signed checkpoint is added here before it is published, and nothing is signed while this file and
//! the database disagree. Each record is a signed note and a line with a dot:
//!
//! ```text
//! log.example/register
//! 8
//! XcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=
//!
//! — log.example/register 3Qyt7k0Z…
//! .
//! ```
//!
//! What stands after the last such line was torn off by a crash before anybody saw its checkpoint: it is
//! left out, and overwritten.

use std::fs::{File, OpenOptions};
use std::io;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::PathBuf;

use thiserror::Error;

use evidence_log::checkpoint::Checkpoint;
use evidence_log::note::Note;

const END: &[u8] = b"\n.\n";
/// More than any record has.
const TAIL: u64 = 64 * 1024;

/// An archive that cannot be used.
#[derive(Debug, Error)]
pub enum ArchiveError {
    /// It cannot be read or written.
    #[error("archive {0}: {1}")]
    Io(PathBuf, io::Error),
    /// Its last record is not a checkpoint.
    #[error("archive {0}: its last record is not a signed checkpoint")]
    Damaged(PathBuf),
    /// The checkpoint does not lead on from the newest one.
    #[error("archive {0}: what is to be added is no larger than what it has")]
    NotGrowing(PathBuf),
    /// Somebody else added to it meanwhile.
    #[error("archive {0}: it was added to meanwhile")]
    Changed(PathBuf),
}

/// An archive of checkpoints.
#[derive(Debug, Clone)]
pub struct Archive {
    path: PathBuf,
}

impl Archive {
    /// The archive in a file.
    #[must_use]
    pub fn new(path: PathBuf) -> Self {
        Self { path }
    }

    fn failed(&self, error: io::Error) -> ArchiveError {
        ArchiveError::Io(self.path.clone(), error)
    }

    /// The newest record; nothing where there is no file, or nothing in it.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn newest(&self) -> Result<Option<Note>, ArchiveError> {
        match File::open(&self.path) {
            Ok(mut file) => self.last_of(&mut file).map(|(newest, _)| newest),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(self.failed(error)),
        }
    }

    /// Every record in its order, as it can be read, and how many bytes stand after the last of them.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn records(&self) -> Result<(Vec<Option<Note>>, usize), ArchiveError> {
        let text = std::fs::read(&self.path).map_err(|error| self.failed(error))?;
        let (mut records, mut begin) = (vec![], 0);
        while let Some(end) =
            text.get(begin..).and_then(|rest| rest.windows(END.len()).position(|at| at == END))
        {
            let record = text.get(begin..=begin + end).and_then(|record| std::str::from_utf8(record).ok());
            records.push(record.and_then(|record| record.parse().ok()));
            begin += end + END.len();
        }
        Ok((records, text.len() - begin))
    }

    /// The newest record, and where the next one begins.
    fn last_of(&self, file: &mut File) -> Result<(Option<Note>, u64), ArchiveError> {
        let failed = |error| self.failed(error);
        let length = file.metadata().map_err(failed)?.len();
        let from = length.saturating_sub(TAIL);
        let mut bytes = vec![];
        file.seek(SeekFrom::Start(from)).map_err(failed)?;
        file.read_to_end(&mut bytes).map_err(failed)?;
        let ends: Vec<usize> =
            bytes.windows(END.len()).enumerate().filter(|(_, end)| *end == END).map(|(at, _)| at).collect();
        let Some(end) = ends.last() else {
            return if from == 0 { Ok((None, 0)) } else { Err(ArchiveError::Damaged(self.path.clone())) };
        };
        let begin = ends.len().checked_sub(2).and_then(|at| ends.get(at)).map_or(0, |at| at + END.len());
        let newest = bytes
            .get(begin..=*end)
            .and_then(|record| std::str::from_utf8(record).ok()?.parse::<Note>().ok())
            .filter(|note| note.text().parse::<Checkpoint>().is_ok())
            .ok_or_else(|| ArchiveError::Damaged(self.path.clone()))?;
        Ok((Some(newest), from + (end + END.len()) as u64))
    }

    /// Adds a checkpoint, if `newest` is still the newest one; waits until it is on the disk.
    ///
    /// # Errors
    /// When it is not, or the file cannot be written.
    pub fn add(&self, newest: Option<&Checkpoint>, note: &str) -> Result<(), ArchiveError> {
        let failed = |error| self.failed(error);
        let new: Checkpoint = note
            .parse::<Note>()
            .ok()
            .and_then(|note| note.text().parse().ok())
            .ok_or_else(|| ArchiveError::Damaged(self.path.clone()))?;
        let mut options = OpenOptions::new();
        let mut file =
            options.read(true).write(true).create(true).truncate(false).open(&self.path).map_err(failed)?;
        // Compare and set is one step for every process of this machine; the lock ends with the file.
        file.lock().map_err(failed)?;
        let (found, end) = self.last_of(&mut file)?;
        let torn = file.metadata().map_err(failed)?.len() - end;
        if torn > 0 {
            tracing::warn!(bytes = torn, "log.archive_torn");
        }
        let found: Option<Checkpoint> = found.and_then(|note| note.text().parse().ok());
        if found.as_ref() != newest {
            return Err(ArchiveError::Changed(self.path.clone()));
        }
        if found.is_some_and(|found| found.origin == new.origin && found.size >= new.size) {
            return Err(ArchiveError::NotGrowing(self.path.clone()));
        }
        let written = file
            .set_len(end)
            .and_then(|()| file.seek(SeekFrom::Start(end)))
            .and_then(|_| file.write_all(format!("{note}.\n").as_bytes()))
            .and_then(|()| file.sync_all())
            .and_then(|()| self.sync_folder());
        if let Err(error) = written {
            // What may not be on the disk is not to be read as if it were.
            let _ = file.set_len(end);
            return Err(failed(error));
        }
        Ok(())
    }

    /// A file that is new is there after a crash only if its folder is on the disk.
    fn sync_folder(&self) -> io::Result<()> {
        let folder = self.path.parent().filter(|folder| !folder.as_os_str().is_empty());
        File::open(folder.unwrap_or_else(|| std::path::Path::new(".")))?.sync_all()
    }
}
