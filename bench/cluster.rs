//! A `PostgreSQL` of a benchmark's own, migrated, gone afterwards.

use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

const PROGRAM: &str = env!("CARGO_BIN_EXE_wardbook");

/// Runs a benchmark against it.
pub fn with_cluster<F: Future<Output = ()>>(work: impl FnOnce(String) -> F) {
    let mut cluster = Command::new(PROGRAM)
        .arg("private-postgres")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut url = String::new();
    BufReader::new(cluster.stdout.take().unwrap()).read_line(&mut url).unwrap();
    let url = url.trim().to_owned();
    let migrated = Command::new(PROGRAM).args(["migrate", "--admin-url", &url]).status().unwrap();
    assert!(migrated.success());
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap();
    runtime.block_on(work(url));
    // It ends when its standard input does.
    drop(cluster.stdin.take());
    cluster.wait().unwrap();
}

/// The number behind an argument such as `--entries`.
pub fn argument(name: &str, default: u64) -> u64 {
    let arguments: Vec<String> = std::env::args().collect();
    let at = arguments.iter().position(|argument| argument == name);
    at.and_then(|at| arguments.get(at + 1)).map_or(default, |number| number.parse().unwrap())
}

/// A share of the waits, in milliseconds.
pub fn percentile(waits: &mut [std::time::Duration], share: usize) -> f64 {
    waits.sort_unstable();
    waits.get(waits.len() * share / 100).unwrap().as_secs_f64() * 1000.0
}
