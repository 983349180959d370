//! Between layers the compiler holds the arrows: each is a crate. Here is what it cannot see.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use toml::Table;

use crate::code::sources;

/// The folders of the workspace's own crates; the program's own is the root.
fn crates() -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let listed = fs::read_dir(root.join("crates")).unwrap().map(|entry| entry.unwrap().path());
    let found: Vec<PathBuf> = listed.chain([root.to_owned()]).collect();
    assert!(found.len() > 7);
    found
}

/// The code of a file, without its comments and without the tests that stand in it.
fn code_of(file: &Path) -> String {
    let text = fs::read_to_string(file).unwrap();
    let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap();
    let line = |line: &str| line.split("//").next().unwrap().to_owned() + "\n";
    code.lines().map(line).collect()
}

#[test]
fn the_domain_knows_no_database_network_clock_or_chance() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("crates");
    let pure =
        ["base64", "ed25519-dalek", "serde", "serde_json", "sha2", "thiserror", "time", "utoipa", "uuid"];
    for layer in ["domain", "evidence-log"] {
        let manifest: Table =
            fs::read_to_string(root.join(layer).join("Cargo.toml")).unwrap().parse().unwrap();
        for (name, dependency) in manifest["dependencies"].as_table().unwrap() {
            let optional = dependency.get("optional").is_some_and(|optional| optional.as_bool().unwrap());
            assert!(optional || pure.contains(&name.as_str()), "{layer} uses {name}");
        }
        for file in sources(&root.join(layer).join("src")) {
            let code = code_of(&file);
            for name in
                ["std::time", "std::fs", "std::net", "std::env", "std::thread", "now_utc", "new_v4", "now_v7"]
            {
                assert!(!code.contains(name), "{} names {name}", file.display());
            }
        }
    }
}

#[test]
fn only_storage_writes_sql() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for folder in crates().iter().filter(|folder| *folder != root && !folder.ends_with("storage")) {
        for file in sources(&folder.join("src")) {
            let code = code_of(&file);
            for name in ["sqlx::query", " query!(", " query_as!(", " query_scalar!("] {
                assert!(!code.contains(name), "{} has {name}", file.display());
            }
        }
    }
}

#[test]
fn no_file_has_more_than_five_hundred_lines() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for folder in ["crates", "src", "tests", "bench"] {
        for file in sources(&root.join(folder)) {
            let lines = fs::read_to_string(&file).unwrap().lines().count();
            assert!(lines <= 500, "{} has {lines} lines", file.display());
        }
    }
}

/// A module's path from the root of its crate, by its file.
fn module_of(source: &Path, file: &Path) -> Vec<String> {
    let inside = file.strip_prefix(source).unwrap().with_extension("");
    let mut path: Vec<String> = inside.iter().map(|part| part.to_str().unwrap().to_owned()).collect();
    if path.last().is_some_and(|last| ["mod", "lib", "main"].contains(&last.as_str())) {
        path.pop();
    }
    path
}

/// Every path that a text names, with what stands in braces told apart.
fn paths_in(text: &str, before: &[String], found: &mut Vec<Vec<String>>) {
    let text = text.trim();
    if let Some((head, rest)) = text.split_once('{') {
        let mut prefix = before.to_vec();
        prefix.extend(head.split("::").map(str::trim).filter(|part| !part.is_empty()).map(str::to_owned));
        let (mut depth, mut item) = (0, String::new());
        for letter in rest.trim_end_matches('}').chars().chain([',']) {
            match letter {
                ',' if depth == 0 => {
                    if !item.trim().is_empty() {
                        paths_in(&std::mem::take(&mut item), &prefix, found);
                    }
                    continue;
                }
                '{' => depth += 1,
                '}' => depth -= 1,
                _ => {}
            }
            item.push(letter);
        }
    } else {
        let name = text.split(" as ").next().unwrap();
        let mut path = before.to_vec();
        path.extend(name.split("::").map(|part| part.trim().to_owned()).filter(|part| part != "self"));
        found.push(path);
    }
}

/// Which files a file imports; a folder's own `mod.rs` and its files may name each other.
fn imports(source: &Path, file: &Path, modules: &BTreeSet<Vec<String>>) -> BTreeSet<Vec<String>> {
    let me = module_of(source, file);
    let code = code_of(file);
    let mut named = vec![];
    for statement in code.split(';') {
        let statement = statement.trim_start().trim_start_matches("pub ").trim_start_matches("pub(crate) ");
        if let Some(import) = statement.rsplit("\nuse ").next().filter(|_| statement.contains("use ")) {
            paths_in(import.trim_start_matches("use "), &[], &mut named);
        }
    }
    let mut found = BTreeSet::new();
    for path in named {
        let mut whole = match path.first().map(String::as_str) {
            Some("crate") => path[1..].to_vec(),
            Some("super") => {
                let up = path.iter().take_while(|part| *part == "super").count();
                let Some(base) = me.len().checked_sub(up) else { continue };
                [&me[..base], &path[up..]].concat()
            }
            _ => continue,
        };
        while !whole.is_empty() && !modules.contains(&whole) {
            whole.pop();
        }
        let family = whole.starts_with(&me) || me.starts_with(&whole);
        if !whole.is_empty() && !family {
            found.insert(whole);
        }
    }
    found
}

fn reaches(
    from: &[String],
    goal: &[String],
    arrows: &BTreeMap<Vec<String>, BTreeSet<Vec<String>>>,
    seen: &mut BTreeSet<Vec<String>>,
) -> bool {
    arrows[from]
        .iter()
        .any(|next| next == goal || (seen.insert(next.clone()) && reaches(next, goal, arrows, seen)))
}

#[test]
fn no_file_imports_what_imports_it() {
    let (mut seen, mut circles) = (0, vec![]);
    for folder in crates() {
        let source = folder.join("src");
        let found = sources(&source);
        let modules: BTreeSet<Vec<String>> = found.iter().map(|file| module_of(&source, file)).collect();
        let arrows: BTreeMap<_, _> =
            found.iter().map(|file| (module_of(&source, file), imports(&source, file, &modules))).collect();
        seen += arrows.values().map(BTreeSet::len).sum::<usize>();
        let on_one = arrows.keys().filter(|module| reaches(module, module, &arrows, &mut BTreeSet::new()));
        circles.extend(on_one.map(|module| format!("{}: {}", folder.display(), module.join("::"))));
    }
    assert!(seen > 300, "the imports were not read");
    assert!(circles.is_empty(), "these are on a circle of imports: {circles:?}");
}
