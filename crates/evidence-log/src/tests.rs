//! Known answers, every size and leaf, every hash flipped, and another reading of RFC 6962 beside ours.
//!
//! Sources: the test leaves and roots of certificate transparency (RFC 6962, the reference tests of its
//! authors), C2SP signed-note, tlog-tiles and tlog-cosignature; values with fixed seeds were computed by
//! independent programs in Python and Go.

use std::collections::HashMap;

use ct_merkle::mem_backed_tree::MemoryBackedTree;
use ed25519_dalek::SigningKey;
use proptest::prelude::*;
use sha2::{Digest, Sha256};

use crate::checkpoint::Checkpoint;
use crate::hash::Hash;
use crate::note::{KeyKind, Note, SignerKey, VerifierKey};
use crate::policy::Policy;
use crate::receipt::Receipt;
use crate::tile::{Content, Frontier, TilePath};
use crate::tree::{ProofError, Stretch};
use crate::{tile, tree};

mod edges;
mod witness;

/// A tree in memory, as tiles.
#[derive(Default)]
struct Tree {
    frontier: Frontier,
    tiles: HashMap<(u8, u64), Vec<Hash>>,
}

/// The root at each size.
fn roots<'a>(entries: impl IntoIterator<Item = &'a [u8]>) -> Vec<Hash> {
    let mut frontier = Frontier::default();
    let mut roots = vec![frontier.root()];
    for entry in entries {
        frontier.extend([Hash::leaf(entry)]);
        roots.push(frontier.root());
    }
    roots
}

impl Tree {
    fn of<'a>(entries: impl IntoIterator<Item = &'a [u8]>) -> Self {
        let mut frontier = Frontier::default();
        let tiles = frontier.extend(entries.into_iter().map(Hash::leaf));
        let tiles = tiles.into_iter().map(|tile| ((tile.level, tile.index), tile.hashes)).collect();
        Self { frontier, tiles }
    }

    fn hashes(&self, stretches: &[Stretch]) -> Vec<Hash> {
        let subtree = |node| {
            let (level, index, place) = tile::of(node);
            tile::perfect(&self.tiles[&(level, index)][place]).unwrap()
        };
        let fold =
            |stretch: &Stretch| tree::fold(&stretch.subtrees().into_iter().map(subtree).collect::<Vec<_>>());
        stretches.iter().map(fold).collect()
    }

    fn inclusion(&self, index: u64, size: u64) -> Vec<Hash> {
        self.hashes(&tree::inclusion(index, size).unwrap())
    }

    fn consistency(&self, old: u64, new: u64) -> Vec<Hash> {
        self.hashes(&tree::consistency(old, new).unwrap())
    }
}

const LEAVES: [&[u8]; 8] = [
    b"",
    &[0x00],
    &[0x10],
    &[0x20, 0x21],
    &[0x30, 0x31],
    &[0x40, 0x41, 0x42, 0x43],
    &[0x50, 0x51, 0x52, 0x53, 0x54, 0x55, 0x56, 0x57],
    &[0x60, 0x61, 0x62, 0x63, 0x64, 0x65, 0x66, 0x67, 0x68, 0x69, 0x6a, 0x6b, 0x6c, 0x6d, 0x6e, 0x6f],
];

fn hex(hashes: &[Hash]) -> Vec<String> {
    hashes.iter().map(ToString::to_string).collect()
}

#[test]
fn roots_and_proofs_of_the_well_known_leaves() {
    let tree = Tree::of(LEAVES);
    assert_eq!(
        hex(&roots(LEAVES)),
        [
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
            "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
            "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
            "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
            "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
            "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
            "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
            "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
            "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
        ]
    );
    let whole = "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7";
    assert_eq!(
        hex(&tree.inclusion(5, 8)),
        [
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            whole,
        ]
    );
    assert_eq!(
        hex(&tree.inclusion(2, 3)),
        ["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"]
    );
    assert_eq!(
        hex(&tree.consistency(6, 8)),
        [
            "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
            "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
            whole,
        ]
    );
    assert_eq!(
        hex(&tree.consistency(2, 5)),
        [
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        ]
    );
}

fn flipped(proof: &[Hash]) -> impl Iterator<Item = Vec<Hash>> {
    (0..proof.len()).map(|at| {
        let mut wrong = proof.to_vec();
        wrong[at].0[at % 32] ^= 1;
        wrong
    })
}

/// A proof with one hash too few at either end, and with one too many.
fn of_other_lengths(proof: &[Hash]) -> Vec<Vec<Hash>> {
    let mut wrong = vec![[proof, &[Hash::EMPTY]].concat(), [&[Hash::EMPTY], proof].concat()];
    if let Some((_, shorter)) = proof.split_first() {
        wrong.push(shorter.to_vec());
    }
    if let Some((_, shorter)) = proof.split_last() {
        wrong.push(shorter.to_vec());
    }
    wrong
}

#[test]
fn every_size_and_leaf_up_to_a_hundred_with_every_hash_flipped() {
    let entries: Vec<Vec<u8>> = (0..100_u32).map(|at| at.to_be_bytes().to_vec()).collect();
    let tree = Tree::of(entries.iter().map(Vec::as_slice));
    let roots = roots(entries.iter().map(Vec::as_slice));
    for size in 1..=100_u64 {
        let root = roots[usize::try_from(size).unwrap()];
        for index in 0..size {
            let leaf = Hash::leaf(&entries[usize::try_from(index).unwrap()]);
            let proof = tree.inclusion(index, size);
            let verify = |leaf, proof: &[Hash], root| tree::verify_inclusion(leaf, index, size, proof, root);
            assert_eq!(verify(leaf, &proof, root), Ok(()));
            assert!(flipped(&proof).all(|wrong| verify(leaf, &wrong, root).is_err()));
            assert!(of_other_lengths(&proof).iter().all(|wrong| verify(leaf, wrong, root).is_err()));
            assert!(verify(Hash::leaf(b"another"), &proof, root).is_err());
            assert!(verify(leaf, &proof, Hash::EMPTY).is_err());
            let other = (index + 1) % size;
            if other != index {
                assert!(tree::verify_inclusion(leaf, other, size, &proof, root).is_err());
            }
        }
        for old in 1..=size {
            let old_root = roots[usize::try_from(old).unwrap()];
            let proof = tree.consistency(old, size);
            let verify =
                |old_root, root, proof: &[Hash]| tree::verify_consistency(old, size, old_root, root, proof);
            assert_eq!(verify(old_root, root, &proof), Ok(()));
            assert!(flipped(&proof).all(|wrong| verify(old_root, root, &wrong).is_err()));
            assert!(of_other_lengths(&proof).iter().all(|wrong| verify(old_root, root, wrong).is_err()));
            assert!(verify(Hash::EMPTY, root, &proof).is_err());
            assert!(verify(old_root, Hash::EMPTY, &proof).is_err());
        }
    }
}

#[test]
fn nothing_is_proved_from_the_empty_tree_nor_backwards_nor_beyond_the_end() {
    let roots = roots(LEAVES);
    assert_eq!(tree::consistency(0, 8), None);
    assert_eq!(tree::consistency(5, 4), None);
    assert_eq!(tree::inclusion(8, 8), None);
    let (empty, root) = (Hash::EMPTY, roots[8]);
    assert_eq!(tree::verify_consistency(0, 8, empty, root, &[]), Err(ProofError::Sizes { old: 0, new: 8 }));
    assert_eq!(
        tree::verify_consistency(8, 5, root, roots[5], &[]),
        Err(ProofError::Sizes { old: 8, new: 5 })
    );
    assert_eq!(tree::verify_consistency(8, 8, root, root, &[empty]), Err(ProofError::Length(1)));
    assert_eq!(tree::verify_consistency(8, 8, root, empty, &[]), Err(ProofError::OtherRoot));
    assert_eq!(
        tree::verify_inclusion(Hash::leaf(b""), 8, 8, &[], root),
        Err(ProofError::NoSuchIndex { index: 8, size: 8 })
    );
    for length in [0, 31, 33] {
        assert_eq!(Hash::from_slice(&vec![0; length]), None);
    }
}

proptest! {
    #[test]
    fn another_reading_of_the_rfc_agrees(
        entries in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..40), 1..600),
        index in any::<prop::sample::Index>(),
        old in any::<prop::sample::Index>(),
    ) {
        let tree = Tree::of(entries.iter().map(Vec::as_slice));
        let mut other = MemoryBackedTree::<Sha256, Vec<u8>>::new();
        for entry in &entries {
            other.push(entry.clone());
        }
        let size = entries.len() as u64;
        let root = other.root();
        prop_assert_eq!(&root.as_bytes()[..], &tree.frontier.root().0[..]);
        let bytes = |hashes: &[Hash]| hashes.iter().flat_map(|hash| hash.0).collect::<Vec<u8>>();

        let index = index.index(entries.len());
        let theirs = other.prove_inclusion(index);
        prop_assert_eq!(theirs.as_bytes(), &bytes(&tree.inclusion(index as u64, size))[..]);

        let old = 1 + old.index(entries.len());
        let theirs = other.prove_consistency(entries.len() - old);
        prop_assert_eq!(theirs.as_bytes(), &bytes(&tree.consistency(old as u64, size))[..]);
    }

    #[test]
    fn a_frontier_is_the_same_from_its_tiles_and_however_entries_come(
        first in 0_usize..700,
        second in 0_usize..700,
    ) {
        let leaf = |at: usize| Hash::leaf(&at.to_be_bytes());
        let mut at_once = Frontier::default();
        let tiles = at_once.extend((0..first).map(leaf));
        let mut read = Frontier::new(first as u64, &tiles).unwrap();
        prop_assert_eq!(read.root(), at_once.root());
        read.extend((first..first + second).map(leaf));
        let mut whole = Frontier::default();
        let all = whole.extend((0..first + second).map(leaf));
        prop_assert_eq!(read.root(), whole.root());
        for tile in all {
            let path = TilePath::at_size(Content::Hashes(tile.level), tile.index, whole.size());
            prop_assert_eq!(path.map(|path| usize::from(path.width)), Some(tile.hashes.len()));
        }
    }
}

#[test]
fn tiles_and_bundles_of_seventy_thousand_entries() {
    let entries: Vec<Vec<u8>> = (0..70_000).map(|at| format!("entry-{at}").into_bytes()).collect();
    let mut frontier = Frontier::default();
    let tiles = frontier.extend(entries.iter().map(|entry| Hash::leaf(entry)));
    assert_eq!(
        frontier.root().to_string(),
        "a62a54be33294ffd5a5c4c637fd754630b71a892e8356e3a666a5c8a7ffd1518"
    );
    let digest = |bytes: &[u8]| Hash(Sha256::digest(bytes).into()).to_string();
    let served = |path: &str| {
        let path: TilePath = path.parse().unwrap();
        assert!(path.is_in(70_000), "{path}");
        match path.content {
            Content::Hashes(level) => {
                let found = tiles.iter().find(|tile| (tile.level, tile.index) == (level, path.index));
                let hashes = &found.unwrap().hashes[..usize::from(path.width)];
                digest(&hashes.iter().flat_map(|hash| hash.0).collect::<Vec<u8>>())
            }
            Content::Entries => {
                let first = usize::try_from(path.index).unwrap() * 256;
                let some = &entries[first..first + usize::from(path.width)];
                let bytes = tile::bundle(some.iter().map(Vec::as_slice)).unwrap();
                assert_eq!(tile::unbundle(&bytes).unwrap(), some);
                digest(&bytes)
            }
        }
    };
    for (path, expected) in [
        ("tile/0/000", "8921c57d2f65271c82bf0f686c002793863c80c8d1cbbbf5db6046ff59e8b590"),
        ("tile/0/273.p/112", "41c090f240cc1bbcec93391099da9f3bde6e87927975e789b8f7794061b27f1d"),
        ("tile/1/000", "3f2180f39b716a1f9ba5b330e55deac1781861f2854c705884f31806688285e0"),
        ("tile/1/001.p/17", "e7be92bf44b56bfc274e384835c09a9b949542f7ef3bed21a46195a871173926"),
        ("tile/2/000.p/1", "a39abb517974ee0fe428abf332453555ac40e6bdf705bb4a4bf919dfa6b3b24c"),
        ("tile/entries/000", "2e41f76a98595afb6b3a27a02a74792386a99b155db3579513faf3bf67057752"),
        ("tile/entries/273.p/112", "e2ad61b1c0a68bb3fb91d5ddf19152cad4365671577e11ab31558aa5feb8d0ed"),
    ] {
        assert_eq!(served(path), expected, "{path}");
    }
}

#[test]
fn only_one_form_of_a_path_is_a_tile() {
    for wrong in [
        "tile/0/5",
        "tile/0/0005",
        "tile/0/x005",
        "tile/0/001/234",
        "tile/00/005",
        "tile/64/005",
        "tile/-1/005",
        "tile/0/x000/005",
        "tile/0/005.p/0",
        "tile/0/005.p/256",
        "tile/0/005.p/01",
        "tile/0/005.p/",
        "tile/0/+05",
        "tile/0/",
        "tile/entries/005.p/257",
        "tile/other/005",
        "tile/0/005/",
        "tile/0/x999/x999/x999/x999/x999/x999/999",
    ] {
        assert!(wrong.parse::<TilePath>().is_err(), "{wrong}");
    }
    assert!(!"tile/0/000".parse::<TilePath>().unwrap().is_in(255));
    assert!("tile/0/000.p/255".parse::<TilePath>().unwrap().is_in(255));
    assert!(!"tile/1/000.p/1".parse::<TilePath>().unwrap().is_in(255));
}

fn seed(first: u8) -> SigningKey {
    SigningKey::from_bytes(&std::array::from_fn(|at| first + u8::try_from(at).unwrap()))
}

fn log_key() -> SignerKey {
    SignerKey::new("log.example/register", KeyKind::Text, seed(0)).unwrap()
}

fn witness_key() -> SignerKey {
    SignerKey::new("witness.example/w1", KeyKind::TextAndTime, seed(0x20)).unwrap()
}

fn second_witness_key() -> SignerKey {
    SignerKey::new("witness.example/w2", KeyKind::TextAndTime, seed(0x40)).unwrap()
}

fn key_of_another_log() -> SignerKey {
    SignerKey::new("other.example/register", KeyKind::Text, seed(0x40)).unwrap()
}

const SIGNED_AT: u64 = 1_767_225_600;
const LOG_VKEY: &str = "log.example/register+dd0cadee+AQOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4";
const WITNESS_VKEY: &str = "witness.example/w1+20324abe+BCmsuuFBvMrwsi4alNNNC8c2HlJtC/4SyJeUvJMilm3X";

fn head(size: u64) -> Note {
    let root = roots(LEAVES)[usize::try_from(size).unwrap()];
    let checkpoint = Checkpoint { origin: "log.example/register".to_owned(), size, root };
    Note::sign(checkpoint.to_string(), &[log_key()], SIGNED_AT)
}

#[test]
fn the_log_with_fixed_seeds_signs_as_others_say() {
    assert_eq!(log_key().verifier().to_string(), LOG_VKEY);
    assert_eq!(witness_key().verifier().to_string(), WITNESS_VKEY);
    assert_eq!(
        head(8).to_string(),
        "log.example/register\n8\nXcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=\n\n\
         — log.example/register 3Qyt7k0ZGHujLzYBudAtG2OdQZ5me0bGhVMxUAhrUc46IHmpD9cLBFoYRbCFYhvSnhgKIZqFItLL6KIExAz41xbIogQ=\n"
    );
    assert!(head(0).to_string().ends_with(
        "— log.example/register 3Qyt7vwy2tesMLhfmIiAN8ztul//UQtx1KyroDHu0ljnkTUJtGdIzi8rd4i7XqWyzoXb7Eos5GgRaQFaXaztvJsuNQg=\n"
    ));
    let note = head(8);
    assert_eq!(
        witness_key().sign(note.text(), SIGNED_AT).to_string(),
        "— witness.example/w1 IDJKvgAAAABpVbkAO98A/HAvxgUVRIpSrbgtGVDMoa8EEsdaRbtZv4WgU5Cj69T2nPUevbYyKiuABtB9rkFqposUhYDGbBQ6HmuIAw=="
    );
}

#[test]
fn every_changed_byte_of_a_signed_checkpoint_is_found() {
    let mut note = head(8);
    note.add(witness_key().sign(note.text(), SIGNED_AT));
    let good = note.to_string();
    let policy: Policy = format!("log {LOG_VKEY}\nwitness w1 {WITNESS_VKEY}\nquorum w1\n").parse().unwrap();
    let seen = policy.verify(&good).unwrap();
    for at in 0..good.len() {
        let mut bytes = good.clone().into_bytes();
        bytes[at] ^= 1;
        let Ok(wrong) = String::from_utf8(bytes) else { continue };
        assert!(policy.verify(&wrong).is_err(), "{at}: {wrong}");
    }
    assert_eq!(seen.checkpoint.size, 8);
}

#[test]
fn keys_that_nobody_knows_are_skipped_and_none_known_is_refused() {
    let note = head(8);
    let other: VerifierKey = WITNESS_VKEY.parse().unwrap();
    assert!(note.verify(std::slice::from_ref(&other)).is_err());
    assert_eq!(note.verify(&[other, LOG_VKEY.parse().unwrap()]).unwrap().len(), 1);
    // The same line twice counts once.
    let mut twice = head(8);
    twice.add(log_key().sign(twice.text(), SIGNED_AT));
    assert_eq!(twice.verify(&[LOG_VKEY.parse().unwrap()]).unwrap().len(), 1);
}

#[test]
fn a_quorum_counts_witnesses_and_groups() {
    let second = second_witness_key();
    let second_vkey = second.verifier().to_string();
    let witnesses = format!("log {LOG_VKEY}\nwitness a {WITNESS_VKEY}\nwitness b {second_vkey}\n");
    let mut one = head(8);
    one.add(witness_key().sign(one.text(), SIGNED_AT));
    let mut both = one.clone();
    both.add(second.sign(both.text(), SIGNED_AT));
    for (lines, with_none, with_one, with_both) in [
        ("quorum none", true, true, true),
        ("quorum a", false, true, true),
        ("quorum b", false, false, true),
        ("group g any a b\nquorum g", false, true, true),
        ("group g all a b\nquorum g", false, false, true),
        ("group g 2 a b\ngroup h any g b\nquorum h", false, false, true),
    ] {
        let policy: Policy = format!("{witnesses}{lines}\n").parse().unwrap();
        for (note, expected) in [(&head(8), with_none), (&one, with_one), (&both, with_both)] {
            assert_eq!(policy.verify(&note.to_string()).is_ok(), expected, "{lines}");
        }
    }
    for wrong in [
        "quorum c",
        "group g 3 a b\nquorum g",
        "group g 0 a\nquorum g",
        "group g any c\nquorum g",
        "group g 2 a a\nquorum g",
        "group a any b\nquorum a",
        "group g any g\nquorum g",
        "quorum a\nquorum b",
        "witness c nonsense\nquorum a",
        "# nothing",
    ] {
        assert!(format!("{witnesses}{wrong}\n").parse::<Policy>().is_err(), "{wrong}");
    }
}

#[test]
fn a_receipt_verifies_by_itself_and_nothing_in_it_can_be_changed() {
    let tree = Tree::of(LEAVES);
    let policy = Policy::of(LOG_VKEY.parse().unwrap());
    let receipt = Receipt {
        entry: LEAVES[5].to_vec(),
        index: 5,
        proof: tree.inclusion(5, 8),
        checkpoint: head(8).to_string(),
    };
    let text = receipt.to_string();
    assert_eq!(text.parse(), Ok(receipt));
    for at in 0..text.len() {
        let mut bytes = text.clone().into_bytes();
        bytes[at] ^= 1;
        let Ok(wrong) = String::from_utf8(bytes) else { continue };
        let verified = wrong.parse::<Receipt>().is_ok_and(|receipt| receipt.verify(&policy).is_ok());
        assert!(!verified, "{at}: {wrong}");
    }
    assert_eq!(text.parse::<Receipt>().unwrap().verify(&policy).unwrap().checkpoint.size, 8);
}
