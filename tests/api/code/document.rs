//! Files that are made from the code are those that the code makes.

use serde_json::Value;

use crate::code::sources;

#[test]
fn the_committed_openapi_document_is_that_of_the_code() {
    let made = web::openapi::document().to_pretty_json().unwrap();
    let kept = include_str!("../../../openapi/openapi.json");
    assert!(made.trim() == kept.trim(), "run scripts/regenerate");
    assert!(made.contains("\"openapi\": \"3.1.0\""));
}

#[test]
fn each_group_of_operations_says_what_it_is_about() {
    let document = serde_json::to_value(web::openapi::document()).unwrap();
    let said: Vec<&Value> = document["tags"].as_array().unwrap().iter().map(|tag| &tag["name"]).collect();
    let operations =
        document["paths"].as_object().unwrap().values().flat_map(|item| item.as_object().unwrap().values());
    let mut used: Vec<&Value> = operations.map(|operation| &operation["tags"][0]).collect();
    used.sort_by_key(|tag| tag.as_str());
    used.dedup();
    let mut sorted = said.clone();
    sorted.sort_by_key(|tag| tag.as_str());
    assert_eq!(sorted, used);
}

#[test]
fn the_committed_table_of_rules_is_that_of_the_code() {
    let made = std::process::Command::new(env!("CARGO_BIN_EXE_wardbook")).arg("rules").output().unwrap();
    let kept = include_str!("../../../docs/rules.md");
    assert!(String::from_utf8(made.stdout).unwrap() == kept, "run scripts/regenerate");
}

/// Every text that is written for readers: name and content.
fn docs() -> Vec<(String, String)> {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found = vec![];
    for folder in [root.to_owned(), root.join("docs"), root.join("docs/decisions"), root.join("bench")] {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|end| end == "md") {
                found.push((path.display().to_string(), std::fs::read_to_string(&path).unwrap()));
            }
        }
    }
    assert!(found.len() > 30);
    found
}

/// The words of a text: letters, digits and these marks, without the full stop that ends a sentence.
fn words<'a>(text: &'a str, marks: &'static str) -> impl Iterator<Item = &'a str> {
    text.split(move |letter: char| !letter.is_ascii_alphanumeric() && !marks.contains(letter))
        .map(|word| word.trim_end_matches('.'))
}

#[test]
fn every_file_that_the_docs_name_is_there() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let (mut seen, mut missing) = (0, vec![]);
    for (name, text) in docs() {
        let folders = [
            "src/",
            "crates/",
            "tests/",
            "docs/",
            "scripts/",
            "bench/",
            "migrations/",
            "openapi/",
            "docker/",
            "deploy/",
        ];
        for word in words(&text, "/._-") {
            if folders.iter().any(|folder| word.starts_with(folder)) {
                seen += 1;
                if !root.join(word).exists() {
                    missing.push(format!("{name}: {word}"));
                }
            }
        }
    }
    assert!(seen > 60 && missing.is_empty(), "{seen} seen; missing: {missing:#?}");
}

#[test]
fn every_address_that_the_docs_name_is_there() {
    let unnamed = |path: &str| {
        let part = |part: &str| if part.starts_with('{') { "{}" } else { part }.to_owned();
        path.split('/').map(part).collect::<Vec<_>>().join("/")
    };
    let document = serde_json::to_value(web::openapi::document()).unwrap();
    let served: Vec<String> =
        document["paths"].as_object().unwrap().keys().map(|path| unnamed(path)).collect();
    let (mut seen, mut missing) = (0, vec![]);
    // What changed names addresses that are gone.
    for (name, text) in docs().into_iter().filter(|(name, _)| !name.ends_with("CHANGELOG.md")) {
        for word in words(&text, "/{}_.-").filter(|word| word.starts_with("/v1/")) {
            seen += 1;
            if !served.contains(&unnamed(word)) {
                missing.push(format!("{name}: {word}"));
            }
        }
    }
    assert!(seen > 30 && missing.is_empty(), "{seen} seen; missing: {missing:#?}");
}

#[test]
fn every_command_that_the_docs_name_is_there() {
    let program = env!("CARGO_BIN_EXE_wardbook");
    let has = |arguments: &[&str]| {
        let help = std::process::Command::new(program).args(arguments).arg("--help").output().unwrap();
        help.status.success() && String::from_utf8(help.stdout).unwrap().contains("Usage: wardbook")
    };
    let mut seen = std::collections::BTreeSet::new();
    for (name, text) in docs() {
        // In code, that is: between backquotes or in a block.
        for part in text.split("wardbook ").skip(1) {
            let before = &text[..part.as_ptr() as usize - text.as_ptr() as usize - "wardbook ".len()];
            if before.ends_with(['`', '\n', '/', ' ']) && !before.ends_with(". ") {
                let mut words = part.split([' ', '`', '\n', ':', ',', '.', '|']);
                let command: Vec<&str> = match words.next().unwrap() {
                    group @ ("log" | "counter" | "differs") => {
                        [group].into_iter().chain(words.next().filter(|word| !word.is_empty())).collect()
                    }
                    command => vec![command],
                };
                if command
                    .iter()
                    .all(|word| word.chars().all(|letter| letter.is_ascii_lowercase() || letter == '-'))
                {
                    assert!(has(&command), "{name} names `wardbook {}`", command.join(" "));
                    seen.insert(command.join(" "));
                }
            }
        }
    }
    assert!(seen.len() > 12, "{seen:?}");
}

#[test]
fn the_picture_of_a_keys_life_is_that_of_the_code() {
    use domain::keys::{KeyAct, KeyState};
    let text = include_str!("../../../docs/pictures.md");
    let picture = text.split("## The life of a key").nth(1).unwrap().split("```").nth(1).unwrap();
    let arrow = |line: &str| {
        let (from, to) = line.split_once(" --> ")?;
        let to = to.split(':').next().unwrap().trim();
        (from.trim() != "[*]").then(|| (from.trim().to_owned(), to.to_owned()))
    };
    let drawn: std::collections::BTreeSet<_> = picture.lines().filter_map(arrow).collect();
    let possible = KeyState::ALL.iter().flat_map(|from| {
        let to = KeyAct::ALL.iter().filter_map(|act| from.after(*act).ok());
        to.map(|to| (from.to_string(), to.to_string()))
    });
    assert_eq!(drawn, possible.collect());
}

/// The types of a source file that have a schema: by derivation, or by a macro that derives it.
fn schemas_in(text: &str) -> Vec<String> {
    let (mut derived, mut in_macro, mut found) = (false, false, vec![]);
    for line in text.lines() {
        let start = line.trim_start();
        if ["words! {", "record! {", "body! {"].contains(&line) {
            in_macro = true;
        } else if line == "}" {
            in_macro = false;
        } else if start.starts_with("#[derive(") || (start.starts_with("serde::") && derived) {
            derived = start.contains("ToSchema");
        } else if let Some(rest) =
            ["pub struct ", "pub enum ", "struct ", "enum "].iter().find_map(|word| start.strip_prefix(word))
        {
            let name = rest.split(|letter: char| !letter.is_alphanumeric()).next().unwrap();
            // In a macro that makes types the name is a variable.
            if (derived || in_macro) && !name.is_empty() {
                found.push(name.to_owned());
            }
            derived = false;
        }
    }
    found
}

#[test]
fn no_two_types_share_a_schema() {
    let crates = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("crates");
    let mut found = vec![];
    for layer in ["domain", "application", "web"] {
        for file in sources(&crates.join(layer).join("src")) {
            found.extend(schemas_in(&std::fs::read_to_string(file).unwrap()));
        }
    }
    let mut once = std::collections::BTreeSet::new();
    let twice: Vec<&String> = found.iter().filter(|name| !once.insert(*name)).collect();
    assert!(once.len() > 150, "{} were read", once.len());
    assert!(twice.is_empty(), "two types are described as one: {twice:?}");
}
