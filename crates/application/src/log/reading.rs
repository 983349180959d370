//! What is read of the log: proofs, tiles, bundles.

use sqlx::PgConnection;

use crate::log::LogView;
use evidence_log::checkpoint::Checkpoint;
use evidence_log::hash::Hash;
use evidence_log::tile::{Content, Tile, TilePath};
use evidence_log::tree::Stretch;
use evidence_log::{tile, tree};
use storage::{Result, StorageError, log};

fn missing(what: impl std::fmt::Display) -> StorageError {
    StorageError::Corrupt { table: "log_tiles", problem: format!("{what} is missing or too short") }
}

/// The hashes of stretches of entries, read from as few tiles as hold them.
async fn hashes(db: &mut PgConnection, log: i16, stretches: &[Stretch]) -> Result<Vec<Hash>> {
    let subtrees: Vec<Vec<_>> =
        stretches.iter().map(|stretch| stretch.subtrees().into_iter().map(tile::of).collect()).collect();
    let mut wanted: Vec<(u8, u64)> =
        subtrees.iter().flatten().map(|(level, index, _)| (*level, *index)).collect();
    wanted.sort_unstable();
    wanted.dedup();
    let tiles: Vec<Tile> = log::tiles(db, log, &wanted).await?;
    let subtree = |(level, index, place): &(u8, u64, std::ops::Range<usize>)| {
        tiles
            .iter()
            .find(|tile| (tile.level, tile.index) == (*level, *index))
            .and_then(|tile| tile::perfect(tile.hashes.get(place.clone())?))
            .ok_or_else(|| missing(format!("tile {index} of level {level}")))
    };
    subtrees
        .iter()
        .map(|nodes| Ok(tree::fold(&nodes.iter().map(subtree).collect::<Result<Vec<_>>>()?)))
        .collect()
}

/// The proof that an entry is in the tree of a size.
///
/// # Errors
/// When it is not, or a tile is missing.
pub async fn inclusion(db: &mut PgConnection, log: i16, index: u64, size: u64) -> Result<Vec<Hash>> {
    let stretches = tree::inclusion(index, size).ok_or_else(|| missing(format!("entry {index}")))?;
    hashes(db, log, &stretches).await
}

/// The proof that the tree of one size begins with that of another.
///
/// # Errors
/// When there can be none, or a tile is missing.
pub async fn consistency(db: &mut PgConnection, log: i16, old: u64, new: u64) -> Result<Vec<Hash>> {
    let stretches = tree::consistency(old, new).ok_or_else(|| missing(format!("size {old}")))?;
    hashes(db, log, &stretches).await
}

/// Whether the head of a log leads on from a checkpoint of it, or is that checkpoint.
///
/// # Errors
/// When the database cannot be read, or a tile is missing.
pub async fn leads_on(db: &mut PgConnection, head: &log::Head, from: &Checkpoint) -> Result<bool> {
    if from.size >= head.size {
        return Ok(from.size == head.size && from.root == head.root);
    }
    if from.size == 0 {
        return Ok(true);
    }
    let proof = consistency(db, head.log, from.size, head.size).await?;
    Ok(tree::verify_consistency(from.size, head.size, from.root, head.root, &proof).is_ok())
}

/// The first entry of the newest tile, which has these leaves, that is missing or not as it was.
///
/// # Errors
/// When the database cannot be read.
pub async fn changed_in_newest(
    db: &mut PgConnection,
    head: &log::Head,
    leaves: &[Hash],
) -> Result<Option<u64>> {
    let first = head.size - leaves.len() as u64;
    let bodies = log::bodies(db, head.log, first, head.size).await?;
    let mut found = bodies.iter().map(|body| Hash::leaf(body));
    let wrong = leaves.iter().position(|leaf| found.next() != Some(*leaf));
    Ok(wrong.map(|at| first + at as u64))
}

/// What was published and is not there any more: it is told here, and whoever audits finds that it is missing.
fn gone(path: TilePath) -> Option<Vec<u8>> {
    tracing::error!(path = %path, "log.missing");
    None
}

/// The bytes of a published tile or bundle; nothing where the published log has none of this width, or has lost it.
///
/// # Errors
/// When the database is not as it has to be.
pub async fn tile(db: &mut PgConnection, log: i16, path: TilePath) -> Result<Option<Vec<u8>>> {
    let Some(published) = log::published(db, Some(log)).await?.filter(|published| path.is_in(published.size))
    else {
        return Ok(None);
    };
    match path.content {
        Content::Hashes(level) => {
            let tiles = log::tiles(db, published.log, &[(level, path.index)]).await?;
            let hashes = tiles.first().and_then(|tile| tile.hashes.get(..usize::from(path.width)));
            Ok(match hashes {
                Some(hashes) => Some(hashes.iter().flat_map(|hash| hash.0).collect()),
                None => gone(path),
            })
        }
        Content::Entries => {
            let first = path.index * u64::from(tile::WIDTH);
            let bodies = log::bodies(db, published.log, first, first + u64::from(path.width)).await?;
            let all = bodies.len() == usize::from(path.width);
            let bundle = tile::bundle(bodies.iter().map(Vec::as_slice)).filter(|_| all);
            Ok(bundle.or_else(|| gone(path)))
        }
    }
}

/// What is published of a log, if it is a signed head: anything else is not served.
pub async fn published(db: &mut PgConnection, view: &LogView, log: i16) -> Result<Option<log::PublishedLog>> {
    let published = log::published(db, Some(log)).await?;
    Ok(published.filter(|published| {
        let good = view.is_head(&published.note, published.size);
        if !good {
            tracing::error!(log, "log.bad_head");
        }
        good
    }))
}
