//! Tiles: 256 hashes of the tree in one file, and bundles of entries (C2SP tlog-tiles).
//!
//! ```text
//! tile/<level>/<index>[.p/<width>]      256 hashes, or the first <width> of them
//! tile/entries/<index>[.p/<width>]      for each entry its length (two bytes, big endian) and its bytes
//! ```
//!
//! Tile n of level l holds the roots of the perfect subtrees of height 8·l from 256·n on; level 0 has
//! the leaf hashes. An index is written in groups of three digits, all but the last after an `x`:
//!
//! ```
//! use evidence_log::tile::{Content, TilePath};
//! let path = TilePath { content: Content::Hashes(0), index: 1_234_067, width: 256 };
//! assert_eq!(path.to_string(), "tile/0/x001/x234/067");
//! assert_eq!("tile/0/x001/x234/067".parse(), Ok(path));
//! let path = TilePath { content: Content::Entries, index: 5, width: 17 };
//! assert_eq!(path.to_string(), "tile/entries/005.p/17");
//! ```

use std::fmt;
use std::ops::Range;
use std::str::FromStr;

use thiserror::Error;

use crate::hash::Hash;
use crate::tree::{Node, fold};

/// How many hashes or entries a full tile has.
pub const WIDTH: u16 = 256;
/// How many levels of the tree a tile spans.
const SPAN: u8 = 8;
/// The highest level of tiles that a path may name.
const MOST_LEVEL: u8 = 63;
/// The longest entry.
pub const MOST_ENTRY: usize = u16::MAX as usize;

/// What a tile holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Content {
    /// Hashes of a level.
    Hashes(u8),
    /// Entries.
    Entries,
}

/// A tile, full or as far as it was filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TilePath {
    /// What it holds.
    pub content: Content,
    /// Its place in its level.
    pub index: u64,
    /// How many hashes or entries, from 1 to 256.
    pub width: u16,
}

/// Not the path of a tile.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("not the path of a tile")]
pub struct NotATile;

impl TilePath {
    /// The tile of this content and index in a tree of this size; `None` where it has nothing in it.
    #[must_use]
    pub fn at_size(content: Content, index: u64, size: u64) -> Option<Self> {
        let level = match content {
            Content::Hashes(level) => level,
            Content::Entries => 0,
        };
        let filled = subtrees(level, size).saturating_sub(index.checked_mul(u64::from(WIDTH))?);
        let width = u16::try_from(filled).unwrap_or(WIDTH).min(WIDTH);
        (width > 0).then_some(Self { content, index, width })
    }

    /// Whether a tree of this size has it, at its width.
    #[must_use]
    pub fn is_in(&self, size: u64) -> bool {
        Self::at_size(self.content, self.index, size).is_some_and(|tile| self.width <= tile.width)
    }
}

/// How many perfect subtrees of height 8·level a tree of this size has.
fn subtrees(level: u8, size: u64) -> u64 {
    size.checked_shr(u32::from(level) * u32::from(SPAN)).unwrap_or(0)
}

/// Where a perfect subtree is: the level and index of its tile, and the hashes in it to fold.
#[must_use]
pub fn of(node: Node) -> (u8, u64, Range<usize>) {
    let (level, height) = (node.level / SPAN, node.level % SPAN);
    let first = node.index << height;
    let offset = usize::try_from(first % u64::from(WIDTH)).unwrap_or_default();
    (level, first / u64::from(WIDTH), offset..offset + (1 << height))
}

/// The root over 2^k hashes; `None` for another number.
#[must_use]
pub fn perfect(hashes: &[Hash]) -> Option<Hash> {
    if let [hash] = hashes {
        return Some(*hash);
    }
    if !hashes.len().is_power_of_two() {
        return None;
    }
    let (left, right) = hashes.split_at(hashes.len() / 2);
    Some(Hash::node(perfect(left)?, perfect(right)?))
}

/// A tile that is there, full or not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tile {
    /// Its level.
    pub level: u8,
    /// Its place in the level.
    pub index: u64,
    /// Its hashes.
    pub hashes: Vec<Hash>,
}

/// The unfinished tile of each level: all that is needed to add entries and to know the root.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Frontier {
    size: u64,
    // From level 0 up; none of them is full.
    edge: Vec<Vec<Hash>>,
}

impl Frontier {
    /// The unfinished tiles of a tree of this size, by level and index.
    pub fn tiles_at(size: u64) -> impl Iterator<Item = (u8, u64)> {
        (0..=MOST_LEVEL)
            .map(move |level| (level, subtrees(level, size)))
            .filter(|(_, subtrees)| subtrees % u64::from(WIDTH) > 0)
            .map(|(level, subtrees)| (level, subtrees / u64::from(WIDTH)))
    }

    /// From the tiles that [`tiles_at`](Self::tiles_at) names; hashes beyond the size are left out.
    ///
    /// # Errors
    /// The tile that is missing or too short.
    pub fn new(size: u64, tiles: &[Tile]) -> Result<Self, TilePath> {
        let mut edge: Vec<Vec<Hash>> = vec![];
        for (level, index) in Self::tiles_at(size) {
            let wanted = TilePath::at_size(Content::Hashes(level), index, size);
            let wanted = wanted.unwrap_or(TilePath { content: Content::Hashes(level), index, width: 0 });
            let hashes = tiles
                .iter()
                .find(|tile| (tile.level, tile.index) == (level, index))
                .and_then(|tile| tile.hashes.get(..usize::from(wanted.width)))
                .ok_or(wanted)?;
            edge.resize(usize::from(level), vec![]);
            edge.push(hashes.to_vec());
        }
        Ok(Self { size, edge })
    }

    /// How many entries the tree has.
    #[must_use]
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The leaf hashes of the unfinished tile of level 0.
    #[must_use]
    pub fn unfinished_leaves(&self) -> &[Hash] {
        self.edge.first().map_or(&[], Vec::as_slice)
    }

    /// Adds entries; the tiles that grew, each as it is at the end.
    pub fn extend(&mut self, leaves: impl IntoIterator<Item = Hash>) -> Vec<Tile> {
        let old = self.size;
        let mut full = vec![];
        for leaf in leaves {
            self.size += 1;
            let mut carried = Some(leaf);
            let mut level = 0;
            while let Some(hash) = carried.take() {
                if self.edge.len() <= usize::from(level) {
                    self.edge.push(vec![]);
                }
                let Some(hashes) = self.edge.get_mut(usize::from(level)) else { break };
                hashes.push(hash);
                if hashes.len() == usize::from(WIDTH) {
                    let hashes = std::mem::take(hashes);
                    carried = perfect(&hashes);
                    let index = subtrees(level, self.size) / u64::from(WIDTH) - 1;
                    full.push(Tile { level, index, hashes });
                    level += 1;
                }
            }
        }
        let size = self.size;
        let partial =
            Self::tiles_at(size).filter(|(level, _)| subtrees(*level, old) < subtrees(*level, size));
        let partial = partial.filter_map(|(level, index)| {
            Some(Tile { level, index, hashes: self.edge.get(usize::from(level))?.clone() })
        });
        full.into_iter().chain(partial).collect()
    }

    /// The root of the tree.
    #[must_use]
    pub fn root(&self) -> Hash {
        let subtrees = self.edge.iter().rev().flat_map(|hashes| {
            let mut rest = hashes.as_slice();
            std::iter::from_fn(move || {
                let largest = 1 << rest.len().checked_ilog2()?;
                let (subtree, others) = rest.split_at(largest);
                rest = others;
                perfect(subtree)
            })
        });
        fold(&subtrees.collect::<Vec<_>>())
    }
}

/// A bundle of entries; `None` when one is too long.
#[must_use]
pub fn bundle<'a>(entries: impl IntoIterator<Item = &'a [u8]>) -> Option<Vec<u8>> {
    let mut bytes = vec![];
    for entry in entries {
        bytes.extend(u16::try_from(entry.len()).ok()?.to_be_bytes());
        bytes.extend(entry);
    }
    Some(bytes)
}

/// The entries of a bundle; `None` when it ends inside one.
#[must_use]
pub fn unbundle(mut bytes: &[u8]) -> Option<Vec<&[u8]>> {
    let mut entries = vec![];
    while !bytes.is_empty() {
        let (length, rest) = bytes.split_first_chunk::<2>()?;
        let (entry, rest) = rest.split_at_checked(usize::from(u16::from_be_bytes(*length)))?;
        entries.push(entry);
        bytes = rest;
    }
    Some(entries)
}

impl fmt::Display for TilePath {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.content {
            Content::Hashes(level) => write!(out, "tile/{level}")?,
            Content::Entries => write!(out, "tile/entries")?,
        }
        let mut groups = vec![];
        let mut rest = self.index;
        loop {
            groups.push(rest % 1000);
            rest /= 1000;
            if rest == 0 {
                break;
            }
        }
        for (left, group) in groups.iter().enumerate().rev() {
            write!(out, "/{}{group:03}", if left > 0 { "x" } else { "" })?;
        }
        if self.width < WIDTH { write!(out, ".p/{}", self.width) } else { Ok(()) }
    }
}

impl FromStr for TilePath {
    type Err = NotATile;

    fn from_str(text: &str) -> Result<Self, NotATile> {
        let rest = text.strip_prefix("tile/").ok_or(NotATile)?;
        let (content, rest) = rest.split_once('/').ok_or(NotATile)?;
        let content = match content {
            "entries" => Content::Entries,
            level => Content::Hashes(level.parse().map_err(|_| NotATile)?),
        };
        let (index, width) = match rest.split_once(".p/") {
            Some((index, width)) => (index, width.parse().map_err(|_| NotATile)?),
            None => (rest, WIDTH),
        };
        let mut number = 0_u64;
        for group in index.split('/') {
            let digits = group.strip_prefix('x').unwrap_or(group);
            let value: u64 = digits.parse().map_err(|_| NotATile)?;
            number = number.checked_mul(1000).and_then(|number| number.checked_add(value)).ok_or(NotATile)?;
        }
        let path = Self { content, index: number, width };
        let level_known = !matches!(content, Content::Hashes(level) if level > MOST_LEVEL);
        // One form for each tile: what it would be written as is what was read.
        if level_known && (1..=WIDTH).contains(&width) && path.to_string() == text {
            Ok(path)
        } else {
            Err(NotATile)
        }
    }
}
