//! What a witness signs and what not (C2SP tlog-witness).

use super::*;
use crate::witness::{Question, Refusal};

fn checkpoint(size: u64) -> Checkpoint {
    head(size).text().parse().unwrap()
}

fn question(old: u64, new: u64) -> Question {
    let proof = if old == 0 { vec![] } else { Tree::of(LEAVES).consistency(old, new) };
    Question { old, proof, note: head(new) }
}

#[test]
fn a_witness_signs_what_leads_on_from_what_it_has_seen() {
    let logs = [LOG_VKEY.parse().unwrap()];
    for (old, new) in [(0, 0), (0, 1), (0, 8), (3, 8), (8, 8)] {
        let seen = (old > 0).then(|| checkpoint(old));
        assert_eq!(question(old, new).consider(&logs, seen.as_ref()), Ok(checkpoint(new)), "{old} to {new}");
    }
    let seen = checkpoint(5);
    let backwards = Question { old: 5, ..question(0, 4) };
    assert_eq!(backwards.consider(&logs, Some(&seen)), Err(Refusal::Backwards));
    assert_eq!(question(3, 8).consider(&logs, Some(&seen)), Err(Refusal::OtherSize(5)));
    assert_eq!(question(3, 8).consider(&logs, None), Err(Refusal::OtherSize(0)));
    let without_proof = Question { proof: vec![], ..question(5, 8) };
    assert_eq!(without_proof.consider(&logs, Some(&seen)), Err(Refusal::Inconsistent));
    // The first one that is seen needs no proof, and may have none.
    let with_proof = Question { old: 0, ..question(5, 8) };
    assert_eq!(with_proof.consider(&logs, None), Err(Refusal::Inconsistent));
    let two_roots = Checkpoint { root: Hash::EMPTY, ..checkpoint(8) };
    assert_eq!(question(8, 8).consider(&logs, Some(&two_roots)), Err(Refusal::Inconsistent));
}

#[test]
fn there_is_one_empty_tree() {
    let wrong = Checkpoint { root: Hash::leaf(b""), ..checkpoint(0) };
    let note = Note::sign(wrong.to_string(), &[log_key()], SIGNED_AT);
    let logs = [LOG_VKEY.parse().unwrap()];
    let question = Question { old: 0, proof: vec![], note };
    assert_eq!(question.consider(&logs, None), Err(Refusal::Inconsistent));
}

#[test]
fn a_witness_knows_its_logs_and_their_keys() {
    let other = key_of_another_log();
    let another_key = SignerKey::new("log.example/register", KeyKind::Text, seed(0x40)).unwrap();
    assert_eq!(question(0, 8).consider(&[], None), Err(Refusal::UnknownLog));
    assert_eq!(question(0, 8).consider(&[other.verifier().clone()], None), Err(Refusal::UnknownLog));
    assert_eq!(question(0, 8).consider(&[another_key.verifier().clone()], None), Err(Refusal::NotSigned));
    let no_checkpoint = Note::sign("a text\n".to_owned(), &[log_key()], SIGNED_AT);
    let asked = Question { note: no_checkpoint, ..question(0, 8) };
    assert_eq!(asked.checkpoint(), Err(Refusal::Malformed("it has no checkpoint")));
}

#[test]
fn a_question_is_read_as_it_is_written() {
    for question in [question(0, 8), question(3, 8), question(8, 8)] {
        assert_eq!(question.to_string().parse(), Ok(question));
    }
    let hash = Hash::EMPTY.to_base64();
    let of = |count: usize| format!("old 3\n{}\n{}", format!("{hash}\n").repeat(count), head(8));
    assert_eq!(of(63).parse::<Question>().unwrap().proof.len(), 63);
    for wrong in [
        of(64),
        of(1).replace("old 3", "old 03"),
        of(1).replace("old 3", "new 3"),
        of(1).replace(&hash, "nonsense"),
        "old 3\n\nnothing".to_owned(),
        "old 3\n".to_owned(),
    ] {
        assert!(wrong.parse::<Question>().is_err(), "{wrong}");
    }
}
