//! Files that are made from the code are those that the code makes.

use serde_json::Value;

#[test]
fn the_committed_openapi_document_is_that_of_the_code() {
    let made = wardbook::http::openapi::document().to_pretty_json().unwrap();
    let kept = include_str!("../../openapi/openapi.json");
    assert!(made.trim() == kept.trim(), "run scripts/regenerate");
    assert!(made.contains("\"openapi\": \"3.1.0\""));
}

#[test]
fn each_group_of_operations_says_what_it_is_about() {
    let document = serde_json::to_value(wardbook::http::openapi::document()).unwrap();
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
    let kept = include_str!("../../docs/rules.md");
    assert!(String::from_utf8(made.stdout).unwrap() == kept, "run scripts/regenerate");
}
