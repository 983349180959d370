//! Where each form ends: names, numbers of signatures, lines of a policy, tiles with nothing in them.

use super::*;
use crate::note::NoteError;
use crate::policy::PolicyError;

#[test]
fn a_name_has_no_space_no_plus_sign_and_nothing_that_cannot_be_seen() {
    assert!(SignerKey::new("log.example/register", KeyKind::Text, seed(0)).is_ok());
    for wrong in ["", "log example", "log+example", "log\u{7f}example", "log\u{a0}example"] {
        assert!(SignerKey::new(wrong, KeyKind::Text, seed(0)).is_err(), "{wrong:?}");
    }
}

#[test]
fn a_note_has_no_more_signatures_than_anybody_has_to_read() {
    let line = head(8).to_string();
    let line = line.rsplit_once("\n\n").unwrap().1;
    let of = |count| format!("a text\n\n{}", line.repeat(count)).parse::<Note>();
    assert!(of(1).is_ok() && of(100).is_ok());
    assert_eq!(of(101), Err(NoteError::Malformed("it has too many signatures")));
}

#[test]
fn only_a_key_of_the_log_itself_signs_its_checkpoint() {
    let other = key_of_another_log();
    // Its name is the log's; it is not a key of the log.
    let posing = SignerKey::new("log.example/register", KeyKind::TextAndTime, seed(0x60)).unwrap();
    let lines =
        format!("log {LOG_VKEY}\nlog {}\nwitness w {}\nquorum none\n", other.verifier(), posing.verifier());
    let policy: Policy = lines.parse().unwrap();
    let unsigned = Note::unsigned(head(8).text().to_owned());
    for (signer, of_the_log) in [(log_key(), true), (other, false), (posing, false)] {
        let mut note = unsigned.clone();
        note.add(signer.sign(note.text(), SIGNED_AT));
        let told = policy.verify(&note.to_string());
        let refused = PolicyError::NotOfTheLog("log.example/register".to_owned());
        assert_eq!(told.err(), (!of_the_log).then_some(refused));
    }
}

#[test]
fn a_policy_says_whom_it_names_and_which_of_its_lines_is_wrong() {
    let lines = format!("# whom we trust\n\nlog {LOG_VKEY}\n\nwitness w {WITNESS_VKEY} https://w.example\n");
    let policy: Policy = format!("{lines}quorum none\n").parse().unwrap();
    assert_eq!(policy.logs(), [LOG_VKEY.parse().unwrap()]);
    let witnesses: Vec<&str> = policy.witnesses().iter().map(|witness| witness.name.as_str()).collect();
    assert_eq!(witnesses, ["w"]);
    assert_eq!(policy.witnesses()[0].address.as_deref(), Some("https://w.example"));
    for wrong in [
        "group g any",
        "group g all",
        "group g 0",
        "log",
        "quorum",
        "quorum w w",
        &format!("witness v {LOG_VKEY}"),
        &format!("witness v {WITNESS_VKEY}"),
        &format!("witness w {WITNESS_VKEY} https://w.example"),
        &format!("log {WITNESS_VKEY}"),
    ] {
        let told = format!("{lines}{wrong}\nquorum none\n").parse::<Policy>();
        assert!(matches!(told, Err(PolicyError::Line { line: 6, .. })), "{wrong}: {told:?}");
    }
    let second = second_witness_key();
    let two_addresses = format!("witness v {} https://v.example https://v.example", second.verifier());
    assert!(format!("{lines}{two_addresses}\nquorum none\n").parse::<Policy>().is_err());
    for (wrong, lacking) in [(lines.as_str(), "quorum"), ("quorum none\n", "log")] {
        assert_eq!(wrong.parse::<Policy>().err(), Some(PolicyError::Lacking(lacking)));
    }
}

#[test]
fn a_tile_with_nothing_in_it_is_not_there() {
    for (content, index, size, width) in [
        (Content::Entries, 0, 0, None),
        (Content::Entries, 0, 1, Some(1)),
        (Content::Entries, 0, 256, Some(256)),
        (Content::Entries, 1, 256, None),
        (Content::Entries, 1, 257, Some(1)),
        (Content::Hashes(0), 0, 300, Some(256)),
        (Content::Hashes(1), 0, 255, None),
        (Content::Hashes(1), 0, 256, Some(1)),
        (Content::Hashes(1), 1, 65_536, None),
    ] {
        assert_eq!(TilePath::at_size(content, index, size).map(|tile| tile.width), width, "{index} {size}");
    }
}

#[test]
fn tiles_that_did_not_grow_are_not_told_again() {
    let leaf = |at: u64| Hash::leaf(&at.to_be_bytes());
    let mut frontier = Frontier::default();
    assert_eq!(frontier.unfinished_leaves(), []);
    frontier.extend((0..256).map(leaf));
    assert_eq!(frontier.unfinished_leaves(), []);
    let grown = |tiles: Vec<tile::Tile>| -> Vec<(u8, u64, usize)> {
        tiles.iter().map(|tile| (tile.level, tile.index, tile.hashes.len())).collect()
    };
    assert_eq!(grown(frontier.extend([leaf(256)])), [(0, 1, 1)]);
    assert_eq!(frontier.unfinished_leaves(), [leaf(256)]);
    assert_eq!(grown(frontier.extend([])), []);
    assert_eq!(grown(frontier.extend((257..512).map(leaf))), [(0, 1, 256), (1, 0, 2)]);
    assert_eq!(Frontier::tiles_at(512).collect::<Vec<_>>(), [(1, 0)]);
}

#[test]
fn hashes_are_read_from_bytes_and_told_in_hex() {
    let (one, two) = (Hash::leaf(b"one"), Hash::leaf(b"two"));
    assert_eq!(Hash::list(&[one.0, two.0].concat()), Some(vec![one, two]));
    assert_eq!(Hash::list(&[]), Some(vec![]));
    assert_eq!(Hash::list(&one.0[..31]), None);
    assert_eq!(
        format!("{:?}", Hash::EMPTY),
        "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    );
}

/// One unknown kind in a policy spoilt the whole.
#[test]
fn what_a_policy_says_that_is_not_known_here_is_passed_over() {
    // A key of type 0xff (C2SP signed-note keeps it for other types), and a kind of line of tomorrow.
    let unknown = "tomorrow.example/w+00000000+/2F0aGVy";
    let head = head(8);
    for (lines, meets) in [
        (format!("witness w {unknown}\nquorum none"), true),
        (format!("log {unknown}\nquorum none"), true),
        ("monitor m https://monitor.example\nquorum none".to_owned(), true),
        // It has never signed.
        (format!("witness w {unknown}\nquorum w"), false),
        (format!("witness w {unknown}\nwitness a {WITNESS_VKEY}\ngroup g any w a\nquorum g"), false),
    ] {
        let policy: Policy = format!("log {LOG_VKEY}\n{lines}\n").parse().unwrap();
        assert_eq!(policy.verify(&head.to_string()).is_ok(), meets, "{lines}");
    }
    // What is known and wrong is refused as before.
    for wrong in ["quorum", "witness w", "log", "group g all", "quorum a b"] {
        assert!(format!("log {LOG_VKEY}\nquorum none\n{wrong}\n").parse::<Policy>().is_err(), "{wrong}");
    }
}
