//! Rules 4 and 11: who has to approve, in what words, and who may stand in.

use super::*;

fn need(posts: &[&str], classes: &[AuthorityClass], count: u8) -> Need {
    Need { posts: posts.iter().map(|post| slug(post)).collect(), classes: classes.to_vec(), count }
}

fn rules_that_need(needs: Vec<Need>) -> Rules {
    Rules { approvals: vec![ApprovalRule { when: Situation::default(), needs }], ..Rules::default() }
}

fn with_post(id: u128, class: AuthorityClass, post: Option<&str>) -> ApprovalFacts {
    let mut person = person(id, class);
    person.authorities[0].post = post.map(slug);
    ApprovalFacts { person, emergency: false }
}

#[test]
fn a_named_officer_with_a_reason_stands_in_for_the_approvals() {
    let rules = Rules { emergency: Emergency { posts: vec![slug("bursar")] }, ..Rules::default() };
    let mut facts = asked();
    facts.asker = person(2, AuthorityClass::Keyholder);
    facts.recipient = facts.asker.clone();
    facts.request.emergency_reason = true;
    assert_eq!(codes(&facts, &rules), [Code::ApprovalNeeded], "a reason by itself overrides nothing");

    facts.step = Step::Approve;
    let mut officer = with_post(5, AuthorityClass::Keyholder, Some("bursar"));
    facts.approver = Some(officer.clone());
    let told = [Code::ApproverWithoutAuthority, Code::ApprovalNeeded];
    assert_eq!(codes(&facts, &rules), told, "an officer who approves as anybody does overrides nothing");

    officer.emergency = true;
    officer.person.authorities[0].covers = false;
    facts.approver = Some(officer.clone());
    assert_eq!(codes(&facts, &rules), [Code::OverrideUsed]);
    assert!(decide(&facts, &rules).is_permitted());

    facts.request.emergency_reason = false;
    assert_eq!(codes(&facts, &rules), [Code::ApprovalNeeded, Code::OverrideWithoutReason]);
    facts.request.emergency_reason = true;
    for (post, revoked) in [(None, false), (Some("porter"), false), (Some("bursar"), true)] {
        officer.person.authorities[0].post = post.map(slug);
        officer.person.authorities[0].revoked = revoked;
        facts.approver = Some(officer.clone());
        assert_eq!(codes(&facts, &rules), [Code::ApprovalNeeded, Code::OfficerNotNamed], "{post:?}");
    }
}

#[test]
fn what_is_missing_is_counted_line_by_line() {
    let mut facts = asked();
    let missing = |facts: &Facts, needs: &[Need]| {
        let decision = decide(facts, &rules_that_need(needs.to_vec()));
        decision.reasons.first().map_or(vec![], |reason| reason.needs.clone())
    };
    let signatory = [AuthorityClass::Signatory];
    let lines = [need(&["head"], &[], 2), need(&["dean"], &[], 1), need(&["head"], &signatory, 1)];
    assert_eq!(missing(&facts, &lines), lines);
    let twice = [need(&["head"], &[], 1), need(&["dean"], &[], 1), need(&["head"], &[], 1)];
    assert_eq!(missing(&facts, &twice), [need(&["head"], &[], 2), need(&["dean"], &[], 1)]);
    facts.approvals = vec![with_post(3, AuthorityClass::Signatory, Some("head"))];
    assert_eq!(missing(&facts, &twice), [need(&["dean"], &[], 1), need(&["head"], &[], 1)]);
}

#[test]
fn an_approval_meets_a_line_by_its_post_and_its_class() {
    let line = need(&["head"], &[AuthorityClass::Signatory, AuthorityClass::Agent], 1);
    for (class, post, met) in [
        (AuthorityClass::Signatory, Some("head"), true),
        (AuthorityClass::Agent, Some("head"), true),
        (AuthorityClass::Owner, Some("head"), false),
        (AuthorityClass::Signatory, Some("dean"), false),
        (AuthorityClass::Signatory, None, false),
    ] {
        let mut facts = asked();
        facts.approvals = vec![with_post(3, class, post)];
        let permitted = decide(&facts, &rules_that_need(vec![line.clone()])).is_permitted();
        assert_eq!(permitted, met, "{class} {post:?}");
    }
    // Without a post any will do, and without a class.
    for line in [need(&[], &[AuthorityClass::Signatory], 1), need(&["head"], &[], 1), need(&[], &[], 1)] {
        let mut facts = asked();
        facts.approvals = vec![with_post(3, AuthorityClass::Signatory, Some("head"))];
        assert!(decide(&facts, &rules_that_need(vec![line])).is_permitted());
    }
}

#[test]
fn who_has_to_approve_is_said_in_words() {
    use AuthorityClass::{Agent, Owner, Signatory};
    for (needs, sentence) in [
        (vec![need(&["dean"], &[], 1)], "Approval is still needed from a dean."),
        (
            vec![need(&["estates_officer", "dean", "head_of_house"], &[Owner], 1), need(&[], &[], 1)],
            "Approval is still needed from an estates officer, a dean or a head of house; and from \
             anybody with approving authority.",
        ),
        (
            vec![need(&[], &[Owner, Signatory, Agent], 2)],
            "Approval is still needed from an owner, a signatory or an agent (2 different people).",
        ),
    ] {
        assert_eq!(decide(&asked(), &rules_that_need(needs)).reasons[0].sentence, sentence);
    }
}
