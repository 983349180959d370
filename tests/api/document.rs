//! Files that are made from the code are those that the code makes.

#[test]
fn the_committed_openapi_document_is_that_of_the_code() {
    let made = wardbook::http::openapi::document().to_pretty_json().unwrap();
    let kept = include_str!("../../openapi/openapi.json");
    assert!(made.trim() == kept.trim(), "run `cargo run -- openapi > openapi/openapi.json`");
    assert!(made.contains("\"openapi\": \"3.1.0\""));
}

#[test]
fn the_committed_table_of_rules_is_that_of_the_code() {
    let made = std::process::Command::new(env!("CARGO_BIN_EXE_wardbook")).arg("rules").output().unwrap();
    let kept = include_str!("../../docs/rules.md");
    assert!(String::from_utf8(made.stdout).unwrap() == kept, "run `cargo run -- rules > docs/rules.md`");
}
