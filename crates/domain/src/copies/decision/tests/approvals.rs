//! Rules 4 and 11: who has to approve, in what words, and who may stand in.

use super::*;

fn need(posts: &[&str], classes: &[AuthorityClass], count: u8) -> Need {
    Need { posts: posts.iter().map(|post| slug(post)).collect(), classes: classes.to_vec(), count }
}

fn rules_that_need(needs: Vec<Need>) -> Rules {
    Rules { approvals: vec![ApprovalRule { when: Situation::default(), needs }], ..Rules::default() }
}

fn approval_of(id: u128, class: AuthorityClass, post: Option<&str>) -> ApprovalFacts {
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
    let mut officer = approval_of(5, AuthorityClass::Keyholder, Some("bursar"));
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
    facts.approvals = vec![approval_of(3, AuthorityClass::Signatory, Some("head"))];
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
        facts.approvals = vec![approval_of(3, class, post)];
        let permitted = decide(&facts, &rules_that_need(vec![line.clone()])).is_permitted();
        assert_eq!(permitted, met, "{class} {post:?}");
    }
    // Without a post any will do, and without a class.
    for line in [need(&[], &[AuthorityClass::Signatory], 1), need(&["head"], &[], 1), need(&[], &[], 1)] {
        let mut facts = asked();
        facts.approvals = vec![approval_of(3, AuthorityClass::Signatory, Some("head"))];
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

#[test]
fn approvals_come_from_different_people_who_may_now() {
    let mut facts = asked();
    facts.differ.level = Level::Building;
    facts.asker = person(2, AuthorityClass::Keyholder);
    facts.recipient = facts.asker.clone();
    let approval = |id| approval_of(id, AuthorityClass::Signatory, None);
    let rules = Rules::default();
    assert_eq!(decide(&facts, &rules).reasons[0].needs[0].count, 2);
    facts.approvals = vec![approval(3), approval(3)];
    assert_eq!(decide(&facts, &rules).reasons[0].needs[0].count, 1);
    facts.approvals = vec![approval(3), approval(4)];
    assert!(decide(&facts, &rules).is_permitted());
    facts.approvals[1].person.authorities[0].revoked = true;
    assert_eq!(decide(&facts, &rules).outcome, Outcome::NeedsApproval);
    facts.approvals = vec![approval(3), approval(2)];
    assert_eq!(decide(&facts, &rules).outcome, Outcome::NeedsApproval);
}

#[test]
fn people_are_matched_to_lines_so_that_most_are_met() {
    let rules = rules_that_need(vec![need(&["head", "dean"], &[], 1), need(&["head"], &[], 1)]);
    let signed = |id, posts: &[&str]| {
        let mut approval = approval_of(id, AuthorityClass::Signatory, None);
        let template = approval.person.authorities[0].clone();
        let with_post = |post: &&str| AuthorityFacts { post: Some(slug(post)), ..template.clone() };
        approval.person.authorities = posts.iter().map(with_post).collect();
        approval
    };
    let mut facts = asked();
    // The head comes first and takes the line that the dean could fill; he is moved to his own.
    facts.approvals = vec![signed(3, &["head"]), signed(4, &["dean"])];
    assert!(decide(&facts, &rules).is_permitted());
    // Two posts in one person are one approval.
    facts.approvals = vec![signed(3, &["head", "dean"])];
    assert_eq!(decide(&facts, &rules).outcome, Outcome::NeedsApproval);
}

#[test]
fn nobody_approves_for_himself() {
    let mut facts = asked();
    facts.step = Step::Approve;
    facts.recipient = person(5, AuthorityClass::Signatory);
    for own in [1, 5] {
        facts.approver = Some(approval_of(own, AuthorityClass::Owner, None));
        assert_eq!(codes(&facts, &Rules::default()), [Code::OwnRequest]);
    }
    facts.approver = Some(approval_of(6, AuthorityClass::Keyholder, None));
    assert_eq!(codes(&facts, &Rules::default()), [Code::ApproverWithoutAuthority]);
}

#[test]
fn an_approval_counts_at_the_step_at_which_it_is_given_and_once_it_is_stored() {
    let mut facts = asked();
    facts.asker = person(2, AuthorityClass::Keyholder);
    facts.recipient = facts.asker.clone();
    let approval = approval_of(5, AuthorityClass::Owner, None);
    facts.approver = Some(approval.clone());
    assert_eq!(codes(&facts, &Rules::default()), [Code::ApprovalNeeded]);
    facts.step = Step::Approve;
    assert_eq!(codes(&facts, &Rules::default()), []);
    (facts.step, facts.approver, facts.approvals) = (Step::Ask, None, vec![approval]);
    assert_eq!(codes(&facts, &Rules::default()), []);
}
