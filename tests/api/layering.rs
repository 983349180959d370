//! Arrows point one way.

use std::fs;
use std::path::Path;

fn files(folder: &Path, found: &mut Vec<std::path::PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, found);
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
}

#[test]
fn no_layer_names_one_above_it() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    for (layer, forbidden) in [
        (
            "domain",
            &[
                "sqlx",
                "axum",
                "tokio",
                "crate::storage",
                "crate::application",
                "crate::http",
                "crate::outside",
                "getrandom",
            ][..],
        ),
        ("storage", &["axum", "crate::application", "crate::http"]),
        ("application", &["axum", "crate::http"]),
        ("http", &["sqlx::query!", "sqlx::query_as!"]),
    ] {
        let mut found = vec![];
        files(&root.join(layer), &mut found);
        assert!(!found.is_empty());
        for file in found {
            let text = fs::read_to_string(&file).unwrap();
            for name in forbidden {
                let line =
                    text.lines().find(|line| line.contains(name) && !line.trim_start().starts_with("//"));
                assert!(line.is_none(), "{} names {name}: {}", file.display(), line.unwrap());
            }
        }
    }
}
