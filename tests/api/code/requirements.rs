//! docs/asvs.md: every requirement has its line, and every place that a line names is there.

use std::collections::BTreeSet;

/// How many requirements of levels 1 and 2 OWASP ASVS 5.0.0 has, by chapter: counted in its published CSV.
const BY_CHAPTER: [usize; 17] = [27, 11, 19, 10, 9, 35, 18, 7, 7, 29, 14, 9, 13, 9, 13, 16, 7];

#[test]
fn every_requirement_has_its_line_and_every_place_is_there() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(root.join("docs/asvs.md")).unwrap();
    let (mut seen, mut by_chapter, mut wrong) = (BTreeSet::new(), [0; 17], vec![]);
    for line in text.lines().filter(|line| line.starts_with("| ") && !line.starts_with("| |")) {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let [number, level, verdict, places, how] = cells[..] else { panic!("{line}") };
        assert!(seen.insert(number.to_owned()), "{number} comes twice");
        assert!(["1", "2"].contains(&level) && !how.is_empty(), "{line}");
        by_chapter[number.split('.').next().unwrap().parse::<usize>().unwrap() - 1] += 1;
        let places: Vec<&str> = places.split('`').skip(1).step_by(2).collect();
        match verdict {
            "does not apply" => assert!(places.is_empty(), "{line}"),
            "holds" | "fails" => assert!(!places.is_empty(), "{line}"),
            other => panic!("{number}: {other}"),
        }
        wrong.extend(
            places.iter().filter(|place| !is_there(root, place)).map(|place| format!("{number}: {place}")),
        );
    }
    assert_eq!(by_chapter, BY_CHAPTER);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// `file`, `file::what stands in it`, or `file#a heading`.
fn is_there(root: &std::path::Path, place: &str) -> bool {
    let (file, inside) = match (place.split_once("::"), place.split_once('#')) {
        (Some((file, name)), _) => (file, name.to_owned()),
        (None, Some((file, heading))) => (file, format!("# {heading}")),
        (None, None) => (place, String::new()),
    };
    std::fs::read_to_string(root.join(file))
        .is_ok_and(|text| text.to_lowercase().contains(&inside.to_lowercase()))
}
