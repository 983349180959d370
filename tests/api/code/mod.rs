//! What the code says of itself: its layers, its words, and what is made from it.

mod document;
mod layering;
mod requirements;
mod words;

use std::path::{Path, PathBuf};

/// Every file of Rust in a folder and the folders in it.
fn sources(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let inside = |path: PathBuf| if path.is_dir() { sources(&path) } else { vec![path] };
    entries.flat_map(inside).filter(|path| path.extension().is_some_and(|end| end == "rs")).collect()
}
