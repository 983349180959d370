//! Arrows point one way: between layers, and between files.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, found);
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
}

fn source() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

/// The code of a file, without its comments and without the tests that stand in it.
fn code_of(file: &Path) -> String {
    let text = fs::read_to_string(file).unwrap();
    let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap();
    let line = |line: &str| line.split("//").next().unwrap().to_owned() + "\n";
    code.lines().map(line).collect()
}

#[test]
fn no_layer_names_one_above_it() {
    for (layer, forbidden) in [
        ("domain", &["sqlx", "axum", "tokio", "std::time", "std::fs", "rand", "getrandom"][..]),
        ("storage", &["axum"]),
        ("application", &["axum"]),
        ("http", &["query!", "query_as!", "query_scalar!"]),
    ] {
        let above: &[&str] = match layer {
            "domain" => &[
                "storage",
                "application",
                "http",
                "outside",
                "passwords",
                "vault",
                "tokens",
                "print",
                "archive",
            ],
            "storage" => &["application", "http", "print"],
            "application" => &["http"],
            _ => &[],
        };
        let mut found = vec![];
        files(&source().join(layer), &mut found);
        assert!(!found.is_empty());
        for file in found {
            let code = code_of(&file);
            for line in code.lines() {
                // Not `use sqlx`, and not a longer name that ends so.
                let names = |name: &str| {
                    let words = || {
                        line.split(|letter: char| {
                            !letter.is_alphanumeric() && letter != '_' && letter != ':' && letter != '!'
                        })
                    };
                    words().any(|word| word == name || word.starts_with(&format!("{name}::")))
                };
                for name in forbidden {
                    assert!(!names(name), "{} names {name}: {line}", file.display());
                }
                for module in above {
                    let direct = line.contains(&format!("crate::{module}"));
                    let in_braces = line.contains("crate::{") && line.contains(module);
                    assert!(!direct && !in_braces, "{} names {module}: {line}", file.display());
                }
            }
        }
    }
}

/// A module's path from the root of the library, by its file.
fn module_of(file: &Path) -> Vec<String> {
    let inside = file.strip_prefix(source()).unwrap().with_extension("");
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
fn imports(file: &Path, modules: &BTreeSet<Vec<String>>) -> BTreeSet<Vec<String>> {
    let me = module_of(file);
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
            Some("crate" | "wardbook") => path[1..].to_vec(),
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
    let mut found = vec![];
    files(&source(), &mut found);
    let modules: BTreeSet<Vec<String>> = found.iter().map(|file| module_of(file)).collect();
    let arrows: BTreeMap<_, _> =
        found.iter().map(|file| (module_of(file), imports(file, &modules))).collect();
    assert!(arrows.values().map(BTreeSet::len).sum::<usize>() > 500, "the imports were not read");
    let circles: Vec<String> = arrows
        .keys()
        .filter(|module| reaches(module, module, &arrows, &mut BTreeSet::new()))
        .map(|module| module.join("::"))
        .collect();
    assert!(circles.is_empty(), "these are on a circle of imports: {circles:?}");
}
