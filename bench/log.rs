//! Inclusion proofs from a large log in `PostgreSQL`: how many tiles each reads, and how long it takes.
//!
//! ```sh
//! cargo bench --bench log                        # ten million entries
//! cargo bench --bench log -- --entries 1000000
//! ```
//!
//! The log is made for the purpose: hashes of numbered entries, in tiles, without the entries. Each proof
//! is made as the service makes it, from the database, and verified.

#![expect(clippy::unwrap_used, reason = "a benchmark stops where something is not as it says")]

use std::collections::BTreeSet;
use std::time::Instant;

use sqlx::PgPool;

use application::log::reading;
use evidence_log::hash::Hash;
use evidence_log::tile::Frontier;
use evidence_log::{tile, tree};
use storage::log;

mod cluster;

const PROOFS: u64 = 2_000;
const BATCH: u64 = 256 * 256;

fn leaf(index: u64) -> Hash {
    Hash::leaf(format!("entry-{index}").as_bytes())
}

async fn make(pool: &PgPool, entries: u64) -> Frontier {
    let mut db = pool.acquire().await.unwrap();
    let number = log::open(&mut db, "bench.example", Hash::EMPTY, "").await.unwrap();
    let mut frontier = Frontier::default();
    while frontier.size() < entries {
        let beyond = entries.min(frontier.size() + BATCH);
        let grown = frontier.extend((frontier.size()..beyond).map(leaf));
        log::write_tiles(&mut db, number, &grown).await.unwrap();
    }
    frontier
}

/// How many tiles a proof reads.
fn tiles_of(index: u64, size: u64) -> usize {
    let stretches = tree::inclusion(index, size).unwrap();
    let nodes = stretches.iter().flat_map(|stretch| stretch.subtrees());
    nodes.map(tile::of).map(|(level, index, _)| (level, index)).collect::<BTreeSet<_>>().len()
}

async fn measure(url: &str, entries: u64) {
    let pool = PgPool::connect(url).await.unwrap();
    let begun = Instant::now();
    let frontier = make(&pool, entries).await;
    let (size, root) = (frontier.size(), frontier.root());
    println!("a log of {size} entries, made in {:.0} s", begun.elapsed().as_secs_f64());
    let mut db = pool.acquire().await.unwrap();
    let (mut waits, mut tiles) = (vec![], vec![]);
    for number in 0..PROOFS {
        // Spread over the log, in no order that a cache would like.
        let index = number.wrapping_mul(0x9e37_79b9_7f4a_7c15) % size;
        let asked = Instant::now();
        let proof = reading::inclusion(&mut db, 1, index, size).await.unwrap();
        waits.push(asked.elapsed());
        tiles.push(tiles_of(index, size));
        tree::verify_inclusion(leaf(index), index, size, &proof, root).unwrap();
    }
    println!("{PROOFS} inclusion proofs, each verified");
    println!("tiles read: {} to {}", tiles.iter().min().unwrap(), tiles.iter().max().unwrap());
    println!(
        "time: p50 {:.2} ms, p99 {:.2} ms",
        cluster::percentile(&mut waits, 50),
        cluster::percentile(&mut waits, 99)
    );
}

fn main() {
    let entries = cluster::argument("--entries", 10_000_000);
    cluster::with_cluster(|url| async move { measure(&url, entries).await });
}
