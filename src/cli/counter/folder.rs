//! The files of a counter.

use std::error::Error;
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::DirBuilderExt as _;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use serde_json::Value;
use time::OffsetDateTime;
use uuid::Uuid;

use crypto::tokens::bundle::Bundle;
use crypto::tokens::card::CardKeys;
use domain::ids::{CopyRequestId, CounterId};

/// Where it all comes from.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Register {
    /// The address of the service.
    pub address: String,
    /// What cards name as their register.
    pub issuer: String,
    /// Which counter this is.
    pub counter: CounterId,
}

/// A cut that was made without a network.
#[derive(Clone, Serialize, Deserialize)]
pub struct Cut {
    /// The key under which it is brought in: once, however often it is sent.
    pub id: Uuid,
    /// For which request.
    pub copy_request: CopyRequestId,
    /// How many keys.
    pub quantity: u32,
    /// When it was cut.
    #[serde(with = "time::serde::rfc3339")]
    pub at: OffsetDateTime,
    /// The worn key was handed in.
    pub old_key_handed_in: bool,
}

/// What the register replied to a cut that was brought in.
#[derive(Clone, Serialize, Deserialize)]
pub struct CutReply {
    /// The cut.
    pub id: Uuid,
    /// Its reply.
    pub reply: Value,
}

/// A folder.
pub struct Files(PathBuf);

type FileResult<T> = Result<T, Box<dyn Error>>;

fn lines<T: for<'de> Deserialize<'de>>(file: &Path) -> FileResult<Vec<T>> {
    if !file.exists() {
        return Ok(vec![]);
    }
    let text = fs::read_to_string(file)?;
    let text = whole_lines(&text);
    let line = |(at, line): (usize, &str)| {
        serde_json::from_str(line)
            .map_err(|error| format!("{}, line {}: {error}", file.display(), at + 1).into())
    };
    text.lines().enumerate().map(line).collect()
}

/// The lines that were written to their end: a disk that was full, or power that failed, may have left a
/// part of one, which was never told to anybody.
fn whole_lines(text: &str) -> &str {
    text.rfind('\n').and_then(|end| text.get(..=end)).unwrap_or_default()
}

/// Adds a line, and waits for the disk: what was cut is not forgotten.
fn add_line(file: &Path, line: &str) -> FileResult<()> {
    let fresh = !file.exists();
    let mut out = fs::OpenOptions::new().create(true).read(true).append(true).open(file)?;
    let before = fs::read_to_string(file)?;
    out.set_len(u64::try_from(whole_lines(&before).len())?)?;
    out.write_all(format!("{line}\n").as_bytes())?;
    out.sync_all()?;
    if fresh && let Some(folder) = file.parent() {
        fs::File::open(folder)?.sync_all()?;
    }
    Ok(())
}

impl Files {
    /// The files in a folder.
    pub fn new(folder: &Path) -> Self {
        Self(folder.to_owned())
    }

    fn at(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }

    /// Writes a file whole: a reader finds the old one or the new one.
    pub fn write(&self, name: &str, bytes: &[u8]) -> FileResult<()> {
        let file = self.at(name);
        if let Some(folder) = file.parent() {
            fs::create_dir_all(folder)?;
        }
        let new = self.at(&format!("{name}.new"));
        let mut out = fs::File::create(&new)?;
        out.write_all(bytes)?;
        out.sync_all()?;
        fs::rename(new, file)?;
        Ok(())
    }

    /// A file as text.
    pub fn text(&self, name: &str) -> FileResult<String> {
        fs::read_to_string(self.at(name))
            .map_err(|error| format!("{}: {error}; take in first", self.at(name).display()).into())
    }

    /// Where it all comes from; nothing, before anything was taken in.
    pub fn register_if_any(&self) -> FileResult<Option<Register>> {
        if self.at("register.json").exists() { Ok(Some(self.register()?)) } else { Ok(None) }
    }

    /// Where it all comes from.
    pub fn register(&self) -> FileResult<Register> {
        Ok(serde_json::from_str(&self.text("register.json")?)?)
    }

    /// The public keys of cards, lists and bundles.
    pub fn card_keys(&self) -> FileResult<CardKeys> {
        let keys: Value = serde_json::from_str(&self.text("card-keys.json")?)?;
        Ok(CardKeys::published(&self.register()?.issuer, &keys)?)
    }

    /// The open authorisations that were taken in.
    pub fn bundle(&self, now: OffsetDateTime) -> FileResult<Bundle> {
        let (keys, register) = (self.card_keys()?, self.register()?);
        Ok(Bundle::verify(&keys.keys, &self.text("authorised.jwt")?, register.counter, now)?)
    }

    /// Keeps a checkpoint of the log, unless it is the one that was kept last.
    pub fn keep_checkpoint(&self, note: &str) -> FileResult<()> {
        let file = self.at("checkpoints");
        let kept: Vec<String> = lines(&file)?;
        if kept.last().is_some_and(|last| last == note) {
            return Ok(());
        }
        add_line(&file, &serde_json::to_string(note)?)
    }

    /// The cuts that were made here.
    pub fn cuts(&self) -> FileResult<Vec<Cut>> {
        lines(&self.at("cuts.jsonl"))
    }

    /// How many cuts had been made, and brought in, when the authorisations were taken in.
    pub fn cuts_before(&self) -> FileResult<usize> {
        Ok(serde_json::from_str(&self.text("cuts-before")?)?)
    }

    /// Records a cut.
    pub fn add_cut(&self, cut: &Cut) -> FileResult<()> {
        add_line(&self.at("cuts.jsonl"), &serde_json::to_string(cut)?)
    }

    /// The replies to those that were brought in.
    pub fn brought_in(&self) -> FileResult<Vec<CutReply>> {
        lines(&self.at("brought-in.jsonl"))
    }

    /// Records the reply to one.
    pub fn add_brought_in(&self, reply: &CutReply) -> FileResult<()> {
        add_line(&self.at("brought-in.jsonl"), &serde_json::to_string(reply)?)
    }

    /// One command at a time works on the folder: two cuts at once must not both find a key left.
    pub fn lock(&self) -> FileResult<fs::File> {
        // What is in it is nobody's business but the counter's.
        fs::DirBuilder::new().recursive(true).mode(0o700).create(&self.0)?;
        let file = fs::OpenOptions::new().create(true).append(true).open(self.at("lock"))?;
        file.lock()?;
        Ok(file)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_that_was_torn_is_left_out_and_written_over() {
        let folder =
            super::super::super::temporary_folder(&application::outside::Outside::system(), "test").unwrap();
        let file = folder.join("lines");
        add_line(&file, "1").unwrap();
        add_line(&file, "2").unwrap();
        fs::write(&file, "1\n2\n\"thr").unwrap();
        assert_eq!(lines::<u32>(&file).unwrap(), [1, 2]);
        add_line(&file, "3").unwrap();
        assert_eq!(lines::<u32>(&file).unwrap(), [1, 2, 3]);
        fs::remove_dir_all(folder).unwrap();
    }
}
