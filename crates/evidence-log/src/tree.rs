//! The tree, and proofs.
//!
//! A tree of n entries is made of perfect subtrees, one for each 1 in the binary form of n, the largest
//! first. The root is folded from their hashes.
//!
//! ```text
//! n = 7 = 4 + 2 + 1          root = node(h4, node(h2, h1))
//!
//!          root
//!         /    \
//!       h4      *
//!      /  \    / \
//!     *    *  h2  h1
//!    / \  / \ / \
//!    0 1  2 3 4 5 6
//! ```
//!
//! A proof is a list of hashes of stretches of entries. [`inclusion`] and [`consistency`] say which
//! stretches; each is folded from perfect subtrees ([`Stretch::subtrees`]), which tiles hold.

use thiserror::Error;

use crate::hash::Hash;

/// A perfect subtree: 2^level entries from index · 2^level on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Node {
    /// Its height above the entries.
    pub level: u8,
    /// Its place among those of its height.
    pub index: u64,
}

/// Entries from one index up to another, which is not included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// The first.
    pub start: u64,
    /// One beyond the last.
    pub end: u64,
}

impl Stretch {
    /// The perfect subtrees that it is made of, from left to right. It starts where a subtree of its
    /// length starts, as those of proofs do.
    #[must_use]
    pub fn subtrees(self) -> Vec<Node> {
        let mut nodes = vec![];
        let mut start = self.start;
        while let Some(rest) = self.end.checked_sub(start).filter(|rest| *rest > 0) {
            let level = rest.ilog2();
            nodes.push(Node { level: u8::try_from(level).unwrap_or(u8::MAX), index: start >> level });
            start += 1 << level;
        }
        nodes
    }
}

/// The root over perfect subtrees from left to right: node(a, node(b, c)).
#[must_use]
pub fn fold(hashes: &[Hash]) -> Hash {
    let mut right = hashes.iter().rev().copied();
    let last = right.next().unwrap_or(Hash::EMPTY);
    right.fold(last, |root, left| Hash::node(left, root))
}

/// The largest power of two below a number of at least two.
fn split(size: u64) -> u64 {
    1 << (size - 1).ilog2()
}

/// `PATH(index, D[0:size])`, RFC 6962 s. 2.1.1: the sibling of the leaf first. `None` where there is no
/// such entry.
#[must_use]
pub fn inclusion(index: u64, size: u64) -> Option<Vec<Stretch>> {
    (index < size).then_some(())?;
    let mut path = vec![];
    let (mut start, mut end) = (0, size);
    while end - start > 1 {
        let middle = start + split(end - start);
        if index < middle {
            path.push(Stretch { start: middle, end });
            end = middle;
        } else {
            path.push(Stretch { start, end: middle });
            start = middle;
        }
    }
    path.reverse();
    Some(path)
}

/// `PROOF(old, D[0:new])`, RFC 6962 s. 2.1.2. `None` where `old` is 0 or above `new`.
#[must_use]
pub fn consistency(old: u64, new: u64) -> Option<Vec<Stretch>> {
    (0 < old && old <= new).then_some(())?;
    let mut proof = vec![];
    let (mut start, mut end) = (0, new);
    // SUBPROOF: down to the subtree that ends where the old tree ended.
    while old != end {
        let middle = start + split(end - start);
        if old <= middle {
            proof.push(Stretch { start: middle, end });
            end = middle;
        } else {
            proof.push(Stretch { start, end: middle });
            start = middle;
        }
    }
    // The old tree as a whole needs no hash: the verifier has its root.
    if start > 0 {
        proof.push(Stretch { start, end });
    }
    proof.reverse();
    Some(proof)
}

/// A proof that does not hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum ProofError {
    /// The index is beyond the tree.
    #[error("index {index} is not in a tree of {size} entries")]
    NoSuchIndex {
        /// The index.
        index: u64,
        /// The size of the tree.
        size: u64,
    },
    /// Sizes between which nothing can be proved.
    #[error("nothing can be proved from size {old} to size {new}")]
    Sizes {
        /// The smaller tree, if it were right.
        old: u64,
        /// The larger one.
        new: u64,
    },
    /// A hash too many or too few.
    #[error("the proof has {0} hashes, which are too many or too few")]
    Length(usize),
    /// The hashes lead to another root.
    #[error("the proof leads to another root")]
    OtherRoot,
}

/// Walks up from an entry or a subtree, as both verifications of RFC 9162 do.
struct Climb {
    at: u64,
    last: u64,
}

impl Climb {
    /// Whether the next hash stands to the left of what was reached so far.
    fn on_the_right(&mut self) -> Option<bool> {
        if self.last == 0 {
            return None;
        }
        let right = self.at & 1 == 1 || self.at == self.last;
        if right {
            while self.at & 1 == 0 && self.at != 0 {
                self.up();
            }
        }
        self.up();
        Some(right)
    }

    fn up(&mut self) {
        self.at >>= 1;
        self.last >>= 1;
    }
}

/// Checks that the entry with this leaf hash is in the tree (RFC 9162 s. 2.1.3.2).
///
/// # Errors
/// When it is not, or the proof does not show it.
pub fn verify_inclusion(
    leaf: Hash,
    index: u64,
    size: u64,
    proof: &[Hash],
    root: Hash,
) -> Result<(), ProofError> {
    if index >= size {
        return Err(ProofError::NoSuchIndex { index, size });
    }
    let mut climb = Climb { at: index, last: size - 1 };
    let mut reached = leaf;
    for hash in proof {
        let right = climb.on_the_right().ok_or(ProofError::Length(proof.len()))?;
        reached = if right { Hash::node(*hash, reached) } else { Hash::node(reached, *hash) };
    }
    if climb.last != 0 {
        return Err(ProofError::Length(proof.len()));
    }
    if reached == root { Ok(()) } else { Err(ProofError::OtherRoot) }
}

/// Checks that the larger tree begins with the smaller one (RFC 9162 s. 2.1.4.2).
///
/// # Errors
/// When it does not, or the proof does not show it.
pub fn verify_consistency(
    old: u64,
    new: u64,
    old_root: Hash,
    new_root: Hash,
    proof: &[Hash],
) -> Result<(), ProofError> {
    if old == 0 || old > new {
        return Err(ProofError::Sizes { old, new });
    }
    if old == new {
        return match (proof.is_empty(), old_root == new_root) {
            (false, _) => Err(ProofError::Length(proof.len())),
            (true, false) => Err(ProofError::OtherRoot),
            (true, true) => Ok(()),
        };
    }
    let mut climb = Climb { at: old - 1, last: new - 1 };
    while climb.at & 1 == 1 {
        climb.up();
    }
    // An old tree that is a perfect subtree is where the climb begins.
    let mut hashes = old.is_power_of_two().then_some(old_root).into_iter().chain(proof.iter().copied());
    let first = hashes.next().ok_or(ProofError::Length(0))?;
    let (mut old_reached, mut new_reached) = (first, first);
    for hash in hashes {
        if climb.on_the_right().ok_or(ProofError::Length(proof.len()))? {
            old_reached = Hash::node(hash, old_reached);
            new_reached = Hash::node(hash, new_reached);
        } else {
            new_reached = Hash::node(new_reached, hash);
        }
    }
    if climb.last != 0 {
        return Err(ProofError::Length(proof.len()));
    }
    if old_reached == old_root && new_reached == new_root { Ok(()) } else { Err(ProofError::OtherRoot) }
}
