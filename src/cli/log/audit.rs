//! `wardbook log audit`: everything that the log serves, against what it served before.
//!
//! The mirror has the files of the log under their paths, and `checkpoint`, the newest one that was
//! found to be in order. From that on, or from the beginning with `--all`:
//!
//! 1. the checkpoint meets the policy, and is not smaller than the one before
//! 2. each entry has the hash that its tile says
//! 3. the tree over the entries goes through the root before, and ends in the root of the checkpoint
//! 4. every other tile is what is made of the one below
//!
//! The mirror is also what a log is mended from: files that were in order once are never overwritten.

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use thiserror::Error as ThisError;

use crate::cli::log::client::{Client, NotReached, Program};
use crate::cli::options::read_policy;
use application::log::cosigning;
use application::outside::Outside;
use evidence_log::checkpoint::Checkpoint;
use evidence_log::hash::Hash;
use evidence_log::note::Note;
use evidence_log::policy::{CheckedHead, Policy, PolicyError};
use evidence_log::tile;
use evidence_log::tile::{Content, Frontier, Tile, TilePath, WIDTH};

/// Options of `log audit`.
#[derive(Args)]
pub struct Options {
    /// The service, such as <https://register.example>.
    address: String,
    /// Whose signatures are asked for.
    #[arg(long)]
    policy: PathBuf,
    /// Where the mirror is kept.
    #[arg(long)]
    mirror: PathBuf,
    #[command(flatten)]
    program: Program,
    /// Which log, where another continued the first; each has a mirror of its own.
    #[arg(long, default_value_t = 1)]
    log: u16,
    /// Read everything again, not only what is new.
    #[arg(long)]
    all: bool,
    /// How many seconds ago a witness of the quorum must have signed, where the policy has one.
    #[arg(long, default_value_t = 3600)]
    fresh: u64,
}

#[derive(Debug, ThisError)]
pub enum Finding {
    #[error("not reachable: {0}")]
    NotReached(NotReached),
    #[error("stale: {0}")]
    Stale(String),
    #[error("INCONSISTENT: {0}")]
    Inconsistent(String),
    #[error("{0}")]
    Here(Box<dyn Error>),
}

impl From<NotReached> for Finding {
    fn from(error: NotReached) -> Self {
        // What a signed checkpoint is over has to be there.
        if error.missing { Self::Inconsistent(error.to_string()) } else { Self::NotReached(error) }
    }
}

impl From<PolicyError> for Finding {
    fn from(error: PolicyError) -> Self {
        Self::Inconsistent(error.to_string())
    }
}

/// What cannot be read or written on this machine.
fn here(error: impl Into<Box<dyn Error>>) -> Finding {
    Finding::Here(error.into())
}

/// Audits, and says in its exit status what was found.
pub fn run(options: &Options) -> ExitCode {
    let finding = match audit(options) {
        Ok(said) => {
            println!("{said}");
            return ExitCode::SUCCESS;
        }
        Err(finding) => finding,
    };
    eprintln!("wardbook: {finding}");
    ExitCode::from(match finding {
        Finding::Here(_) => 1,
        Finding::NotReached(_) => 2,
        Finding::Stale(_) => 3,
        Finding::Inconsistent(_) => 4,
    })
}

fn audit(options: &Options) -> Result<String, Finding> {
    let policy = read_policy(&options.policy).map_err(Finding::Here)?;
    let client = Client::new(&options.address, options.log, options.program.clone());
    let note = client.checkpoint()?;
    let head = by_log(&policy, &note)?;
    let before = known(&options.mirror)?;
    if let Some(before) = &before {
        not_backwards(before, &head)?;
    }
    let seen = match policy.verify(&note) {
        // Witnesses that were not reached accuse nobody; the mirror does, and one that shows another head.
        Err(error @ PolicyError::NoQuorum(_)) => {
            if let Some(before) = &before
                && root_at(&client, before.size, head.size)? != before.root
            {
                return Err(does_not_contain(&head, before));
            }
            not_seen_otherwise(&client, &policy, &note, &head)?;
            return Err(Finding::Stale(error.to_string()));
        }
        verified => verified?,
    };
    require_fresh(options.fresh, &seen)?;
    let from = before.as_ref().filter(|_| !options.all).map_or(0, |before| before.size);
    Reading { client: &client, mirror: &options.mirror, before: before.as_ref(), head: &head }.read(from)?;
    write(&options.mirror.join("checkpoint"), note.as_bytes())?;
    let witnesses = seen.witnesses.len();
    Ok(format!(
        "in order: {} at size {}, {} entries read, signed by {witnesses} witnesses",
        head.origin,
        head.size,
        head.size - from
    ))
}

/// The head of a checkpoint that the log has signed, whoever else has.
fn by_log(policy: &Policy, note: &str) -> Result<Checkpoint, Finding> {
    Ok(policy.without_quorum().verify(note)?.checkpoint)
}

fn does_not_contain(head: &Checkpoint, before: &Checkpoint) -> Finding {
    Finding::Inconsistent(format!(
        "checkpoint: the log of size {} does not contain the one of size {} that was seen before",
        head.size, before.size
    ))
}

/// Asks the witnesses of a policy what they have seen of the log, since they have not signed what it serves.
fn not_seen_otherwise(
    client: &Client,
    policy: &Policy,
    note: &str,
    head: &Checkpoint,
) -> Result<(), Finding> {
    let served: Note = note.parse().map_err(here)?;
    for witness in policy.witnesses().iter().filter(|witness| witness.address.is_some()) {
        let Some(seen) = cosigning::seen_by(witness, &served, head.size, policy.logs()) else { continue };
        if seen.origin != head.origin {
            continue;
        }
        // The log may have grown since its checkpoint was read.
        let head = if seen.size > head.size { by_log(policy, &client.checkpoint()?)? } else { head.clone() };
        let shown = format!(
            "the witness {} shows a head of size {} that the log has signed",
            witness.name, seen.size
        );
        if seen.size > head.size {
            return Err(Finding::Inconsistent(format!(
                "checkpoint: {shown}; the log serves size {}",
                head.size
            )));
        }
        if root_at(client, seen.size, head.size)? != seen.root {
            return Err(Finding::Inconsistent(format!(
                "checkpoint: {shown}; the log that is served does not contain it"
            )));
        }
    }
    Ok(())
}

/// The root that the served tiles have at a size.
fn root_at(client: &Client, size: u64, served: u64) -> Result<Hash, Finding> {
    let mut tiles = vec![];
    for (level, index) in Frontier::tiles_at(size) {
        let wrong =
            |path: &dyn std::fmt::Display| Finding::Inconsistent(format!("{path}: it is no list of hashes"));
        let (Some(path), Some(then)) = (
            TilePath::at_size(Content::Hashes(level), index, served),
            TilePath::at_size(Content::Hashes(level), index, size),
        ) else {
            continue;
        };
        let mut hashes = Hash::list(&client.tile(path)?).ok_or_else(|| wrong(&path))?;
        hashes.truncate(usize::from(then.width));
        tiles.push(Tile { level, index, hashes });
    }
    let frontier = Frontier::new(size, &tiles);
    frontier
        .map(|frontier| frontier.root())
        .map_err(|path| Finding::Inconsistent(format!("{path} is too short")))
}

/// The newest checkpoint that was in order.
pub fn known(mirror: &Path) -> Result<Option<Checkpoint>, Finding> {
    let file = mirror.join("checkpoint");
    match fs::read_to_string(&file) {
        Ok(text) => {
            let note: Note = text.parse().map_err(here)?;
            Ok(Some(note.text().parse().map_err(here)?))
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(here(format!("{}: {error}", file.display()))),
    }
}

fn not_backwards(before: &Checkpoint, head: &Checkpoint) -> Result<(), Finding> {
    let wrong = |what: String| Err(Finding::Inconsistent(what));
    if before.origin != head.origin {
        return wrong(format!("checkpoint: it is of {}, the mirror of {}", head.origin, before.origin));
    }
    if head.size < before.size {
        return wrong(format!("checkpoint: the log had {} entries and now has {}", before.size, head.size));
    }
    if head.size == before.size && head.root != before.root {
        return wrong(format!("checkpoint: another root at the same size {}", head.size));
    }
    Ok(())
}

fn require_fresh(seconds: u64, seen: &CheckedHead) -> Result<(), Finding> {
    let now = Outside::system().clock.now().unix_timestamp().unsigned_abs();
    match seen.witnesses.iter().map(|(_, time)| *time).max() {
        Some(newest) if newest + seconds < now => {
            Err(Finding::Stale(format!("no witness has signed for {} seconds", now - newest)))
        }
        _ => Ok(()),
    }
}

struct Reading<'a> {
    client: &'a Client,
    mirror: &'a Path,
    before: Option<&'a Checkpoint>,
    head: &'a Checkpoint,
}

impl Reading<'_> {
    /// Reads what was added since a size, checks it, and keeps it.
    fn read(&self, from: u64) -> Result<(), Finding> {
        // One tree over the entries, one over the hashes that the log says they have.
        let mut by_entries = self.mirrored(from)?;
        let mut by_tiles = by_entries.clone();
        let mut differs = None;
        let mut grown: BTreeMap<(u8, u64), Vec<Hash>> = BTreeMap::new();
        let width = u64::from(WIDTH);
        for index in from / width..self.head.size.div_ceil(width) {
            let (entries, hashes) = self.bundle(index)?;
            let pairs = (index * width..).zip(entries.iter().zip(&hashes));
            differs = differs.or(pairs.filter(|(_, (entry, hash))| entry != hash).map(|(at, _)| at).next());
            let known = by_entries.unfinished_leaves().to_vec();
            // The newest tile has grown: what it had stays as it was.
            if let Some(at) = known.iter().zip(&entries).position(|(known, now)| known != now) {
                let at = index * width + at as u64;
                return Err(Finding::Inconsistent(format!("entry {at}: it is not what it was")));
            }
            if let Some(at) = known.iter().zip(&hashes).position(|(known, now)| known != now) {
                let tile = self.tile_of(index * width);
                return Err(Finding::Inconsistent(format!("{tile}: hash {at} is not what it was")));
            }
            let entries = entries.get(known.len()..).unwrap_or_default();
            self.grow(&mut by_entries, entries, &mut grown)?;
            by_tiles.extend(hashes.into_iter().skip(known.len()));
        }
        let is_root = |tree: &Frontier| tree.root() == self.head.root;
        match (differs, is_root(&by_entries), is_root(&by_tiles)) {
            (None, true, _) => self.keep_tiles(grown),
            (Some(at), false, true) => Err(Finding::Inconsistent(format!(
                "entry {at}: its hash is not the one in {}, which the checkpoint is over",
                self.tile_of(at)
            ))),
            (Some(at), true, _) => Err(Finding::Inconsistent(format!(
                "{}: hash {} is not that of entry {at}, which the checkpoint is over",
                self.tile_of(at),
                at % width
            ))),
            (_, false, _) => Err(Finding::Inconsistent(format!(
                "checkpoint: its root at size {} is not that of the entries, nor of the tiles",
                self.head.size
            ))),
        }
    }

    /// Adds entries; when the tree has the size that was seen before, it has the root that was seen.
    fn grow(
        &self,
        tree: &mut Frontier,
        leaves: &[Hash],
        grown: &mut BTreeMap<(u8, u64), Vec<Hash>>,
    ) -> Result<(), Finding> {
        let until = self.before.and_then(|before| before.size.checked_sub(tree.size()));
        let until = until.and_then(|until| usize::try_from(until).ok()).unwrap_or(0).min(leaves.len());
        let (old, new) = leaves.split_at(until);
        for part in [old, new] {
            for tile in tree.extend(part.iter().copied()) {
                // Most of a log: written at once, so that a large one is not held in memory.
                if tile.level == 0 && tile.hashes.len() == usize::from(WIDTH) {
                    self.keep_tiles([((0, tile.index), tile.hashes)])?;
                } else {
                    grown.insert((tile.level, tile.index), tile.hashes);
                }
            }
            match self.before.filter(|before| before.size == tree.size()) {
                Some(before) if before.root != tree.root() => {
                    return Err(does_not_contain(self.head, before));
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// The tree that the mirror has at a size.
    fn mirrored(&self, size: u64) -> Result<Frontier, Finding> {
        let mut tiles = vec![];
        for (level, index) in Frontier::tiles_at(size) {
            let Some(path) = TilePath::at_size(Content::Hashes(level), index, size) else { continue };
            let file = self.mirror.join(path.to_string());
            let bytes = fs::read(&file).map_err(|error| here(format!("{}: {error}", file.display())))?;
            let hashes =
                Hash::list(&bytes).ok_or_else(|| here(format!("{}: half a hash", file.display())))?;
            tiles.push(Tile { level, index, hashes });
        }
        let frontier =
            Frontier::new(size, &tiles).map_err(|path| here(format!("the mirror lacks {path}")))?;
        match self.before.filter(|before| before.size == size) {
            Some(before) if before.root != frontier.root() => {
                Err(here("the mirror is damaged: its tiles do not lead to its checkpoint; see --all"))
            }
            _ => Ok(frontier),
        }
    }

    /// The hashes of the entries of a bundle, and those that the log says they have.
    fn bundle(&self, index: u64) -> Result<(Vec<Hash>, Vec<Hash>), Finding> {
        let wrong =
            |path: TilePath| Finding::Inconsistent(format!("{path}: it is not what the log has there"));
        let at_size = |content| TilePath::at_size(content, index, self.head.size);
        let (Some(bundle), Some(tile)) = (at_size(Content::Entries), at_size(Content::Hashes(0))) else {
            return Ok((vec![], vec![]));
        };
        let bytes = self.client.tile(bundle)?;
        let entries = tile::unbundle(&bytes).ok_or_else(|| wrong(bundle))?;
        let leaves: Vec<Hash> = entries.into_iter().map(Hash::leaf).collect();
        let hashes = Hash::list(&self.client.tile(tile)?).ok_or_else(|| wrong(tile))?;
        for (path, found) in [(bundle, leaves.len()), (tile, hashes.len())] {
            if found != usize::from(path.width) {
                return Err(wrong(path));
            }
        }
        self.keep(bundle, &bytes)?;
        Ok((leaves, hashes))
    }

    fn tile_of(&self, entry: u64) -> String {
        let index = entry / u64::from(WIDTH);
        TilePath::at_size(Content::Hashes(0), index, self.head.size)
            .map_or_else(String::new, |tile| tile.to_string())
    }

    /// The tiles that grew are served as they are made of the entries.
    fn keep_tiles(&self, grown: impl IntoIterator<Item = ((u8, u64), Vec<Hash>)>) -> Result<(), Finding> {
        for ((level, index), hashes) in grown {
            let Some(path) = TilePath::at_size(Content::Hashes(level), index, self.head.size) else {
                continue;
            };
            let bytes: Vec<u8> = hashes.iter().flat_map(|hash| hash.0).collect();
            if level > 0 && self.client.tile(path)? != bytes {
                return Err(Finding::Inconsistent(format!(
                    "{path}: it is not what is made of the tiles below"
                )));
            }
            self.keep(path, &bytes)?;
        }
        Ok(())
    }

    /// Whether the entries of a kept bundle have the hashes of the kept tile.
    fn is_intact(&self, path: TilePath, kept: &[u8]) -> bool {
        let tile = TilePath { content: Content::Hashes(0), ..path };
        let hashes = fs::read(self.mirror.join(tile.to_string())).ok();
        let hashes = hashes.as_deref().and_then(Hash::list);
        let leaves = tile::unbundle(kept).map(|entries| entries.into_iter().map(Hash::leaf).collect());
        leaves.is_some() && leaves == hashes
    }

    /// Keeps a file in the mirror; one that was found to be in order before is never overwritten.
    fn keep(&self, path: TilePath, bytes: &[u8]) -> Result<(), Finding> {
        let file = self.mirror.join(path.to_string());
        let in_order = self.before.is_some_and(|before| path.is_in(before.size));
        match fs::read(&file) {
            Ok(kept) if kept == bytes => Ok(()),
            // Tiles are made of the entries here: it is the kept one that was damaged.
            Ok(kept) if in_order && path.content == Content::Entries => {
                if !self.is_intact(path, &kept) {
                    return Err(here(format!(
                        "the mirror is damaged: {} has other hashes than its tile; remove it, and read --all",
                        file.display()
                    )));
                }
                let what = differing(path, &kept, bytes);
                Err(Finding::Inconsistent(format!("{what}: it is not what the mirror has")))
            }
            _ => write(&file, bytes),
        }
    }
}

/// Which entry of two bundles is not the same.
fn differing(path: TilePath, kept: &[u8], found: &[u8]) -> String {
    let kept = tile::unbundle(kept).unwrap_or_default();
    let found = tile::unbundle(found).unwrap_or_default();
    let at = kept.iter().zip(&found).take_while(|(kept, found)| kept == found).count();
    format!("entry {}", path.index * u64::from(WIDTH) + at as u64)
}

/// Writes a file in one step.
fn write(file: &Path, bytes: &[u8]) -> Result<(), Finding> {
    let failed = |error: std::io::Error| here(format!("{}: {error}", file.display()));
    if let Some(folder) = file.parent() {
        fs::create_dir_all(folder).map_err(failed)?;
    }
    let half = file.with_extension("half");
    let mut out = fs::File::create(&half).map_err(failed)?;
    out.write_all(bytes).and_then(|()| out.sync_all()).map_err(failed)?;
    fs::rename(&half, file).map_err(failed)
}
