//! Rules 1, 2, 3 and 12: the registration, the differ and the people; and which situation a line is about.

use super::*;
use crate::differs::DifferState;

#[test]
fn a_hold_is_told_once_for_each_kind() {
    let mut facts = asked();
    let hold = |kind| HoldFacts { kind, barred: None };
    facts.registration.holds = vec![hold(HoldKind::Theft), hold(HoldKind::Loss), hold(HoldKind::Theft)];
    let told = decide(&facts, &Rules::default());
    assert_eq!(told.codes(), [Code::RegistrationOnHold; 2]);
    assert!(told.reasons[0].sentence.contains("lost") && told.reasons[1].sentence.contains("stolen"));
}

#[test]
fn a_court_order_bars_whoever_asks_receives_or_collects() {
    let mut facts = asked();
    facts.recipient = person(2, AuthorityClass::Keyholder);
    facts.shown.collected_by = Some(PersonId(Uuid::from_u128(3)));
    for (barred, refused) in [(1, true), (2, true), (3, true), (4, false)] {
        let barred = Some(PersonId(Uuid::from_u128(barred)));
        facts.registration.holds = vec![HoldFacts { kind: HoldKind::CourtOrder, barred }];
        let expected: &[Code] = if refused { &[Code::BarredByCourt] } else { &[] };
        assert_eq!(codes(&facts, &Rules::default()), expected);
    }
}

#[test]
fn keys_are_ordered_of_a_differ_that_is_given_out_and_in_service() {
    let mut facts = asked();
    for (state, in_service, expected) in [
        (DifferState::GivenOut, true, &[] as &[Code]),
        (DifferState::GivenOut, false, &[Code::DifferOutOfService]),
        (DifferState::Reserved, true, &[Code::DifferReserved]),
        (DifferState::Reserved, false, &[Code::DifferReserved, Code::DifferOutOfService]),
        (DifferState::Released, true, &[Code::DifferOutOfService]),
        (DifferState::Dead, true, &[Code::DifferDead]),
        (DifferState::Dead, false, &[Code::DifferDead]),
    ] {
        (facts.differ.state, facts.differ.in_service) = (state, in_service);
        assert_eq!(codes(&facts, &Rules::default()), expected, "{state} {in_service}");
    }
}

#[test]
fn whoever_asks_may_order_and_whoever_receives_has_an_authority() {
    let mut facts = asked();
    facts.asker.authorities[0].may_order = false;
    assert_eq!(codes(&facts, &Rules::default()), [Code::AskerMayNotOrder]);
    facts.asker.authorities[0].covers = false;
    assert_eq!(codes(&facts, &Rules::default()), [Code::AskerWithoutAuthority]);
    facts.step = Step::HandOver;
    assert!(!codes(&facts, &Rules::default()).contains(&Code::AskerWithoutAuthority));
    let mut facts = asked();
    facts.recipient.authorities.clear();
    assert_eq!(codes(&facts, &Rules::default()), [Code::RecipientWithoutAuthority]);
}

#[test]
fn an_occupier_is_entitled_to_one_key_and_to_no_second() {
    let rules = Rules { limits: vec![Limit { cap: Some(0), ..Limit::default() }], ..Rules::default() };
    let mut facts = asked();
    facts.recipient.authorities[0].occupier = true;
    assert_eq!(codes(&facts, &rules), [Code::OccupierEntitled]);
    facts.keys.with_recipient = 1;
    assert_eq!(codes(&facts, &rules), [Code::OverCap]);
    facts.keys.with_recipient = 0;
    facts.request.quantity = 2;
    assert_eq!(codes(&facts, &rules), [Code::OverCap]);
    facts.request.quantity = 1;
    facts.recipient.authorities[0].revoked = true;
    assert_eq!(codes(&facts, &rules), [Code::RecipientWithoutAuthority, Code::OverCap]);
    facts.recipient.authorities[0].revoked = false;
    facts.step = Step::HandOver;
    assert!(!codes(&facts, &rules).contains(&Code::OccupierEntitled));
}

#[test]
fn only_permitted_standings_have_such_a_key_and_the_reason_says_what_to_ask_for_instead() {
    let line = Eligibility {
        when: Situation { levels: vec![Level::Building], ..Situation::default() },
        only_standings: vec![slug("staff")],
        instead: Some(Remark::parse("Ask for a key of the room.").unwrap()),
    };
    let rules = Rules { eligibility: vec![line], approvals: vec![], ..Rules::default() };
    let mut facts = asked();
    assert_eq!(codes(&facts, &rules), [], "the line is about another level");
    facts.differ.level = Level::Building;
    let told = decide(&facts, &rules);
    assert_eq!(told.codes(), [Code::OutsidePermittedClasses]);
    assert_eq!(told.reasons[0].remedy, "Ask for a key of the room.");
    for (standing, expected) in [("student", &[Code::OutsidePermittedClasses] as &[Code]), ("staff", &[])] {
        facts.recipient.authorities[0].standing = Some(slug(standing));
        assert_eq!(codes(&facts, &rules), expected, "{standing}");
    }
}

#[test]
fn a_line_of_the_rules_is_about_situations_that_match_it_throughout() {
    let mut facts = asked();
    facts.differ.room_classes = vec![slug("archive"), slug("store")];
    facts.asker.authorities[0].standing = Some(slug("staff"));
    facts.recipient = person(2, AuthorityClass::Keyholder);
    facts.recipient.authorities[0].standing = Some(slug("student"));
    facts.request.quantity = 3;
    let any = Situation::default;
    for (about, when) in [
        (true, any()),
        (true, Situation { levels: vec![Level::Suite, Level::Lock], ..any() }),
        (false, Situation { levels: vec![Level::Suite], ..any() }),
        (true, Situation { room_classes: vec![slug("plant"), slug("store")], ..any() }),
        (false, Situation { room_classes: vec![slug("plant")], ..any() }),
        (true, Situation { asker_classes: vec![AuthorityClass::Owner], ..any() }),
        (false, Situation { asker_classes: vec![AuthorityClass::Keyholder], ..any() }),
        (true, Situation { asker_standings: vec![slug("staff")], ..any() }),
        (false, Situation { asker_standings: vec![slug("student")], ..any() }),
        (true, Situation { recipient_standings: vec![slug("student")], ..any() }),
        (false, Situation { recipient_standings: vec![slug("staff")], ..any() }),
        (true, Situation { purposes: vec![Purpose::Additional], ..any() }),
        (false, Situation { purposes: vec![Purpose::ReplaceLost], ..any() }),
        (true, Situation { quantity_from: Some(3), ..any() }),
        (false, Situation { quantity_from: Some(4), ..any() }),
        (true, Situation { temporary: Some(false), ..any() }),
        (false, Situation { temporary: Some(true), ..any() }),
    ] {
        assert_eq!(facts.matches(&when), about, "{when:?}");
    }
    facts.request.due_back_on = Some(date!(2026 - 11 - 03));
    assert!(facts.matches(&Situation { temporary: Some(true), ..any() }));
    // An authority that is over gives no standing.
    facts.asker.authorities[0].revoked = true;
    assert!(!facts.matches(&Situation { asker_standings: vec![slug("staff")], ..any() }));
    assert!(!facts.matches(&Situation { asker_classes: vec![AuthorityClass::Owner], ..any() }));
}

#[test]
fn whoever_asks_is_of_the_widest_class_in_force() {
    use AuthorityClass::{Agent, Keyholder, Owner, Signatory};
    let mut facts = asked();
    facts.asker.authorities =
        [Keyholder, Signatory, Agent, Owner].iter().flat_map(|class| person(1, *class).authorities).collect();
    for class in [Owner, Agent, Signatory, Keyholder] {
        assert_eq!(facts.asker_class(), Some(class));
        facts.asker.authorities.pop();
    }
    assert_eq!(facts.asker_class(), None);
}

#[test]
fn an_authority_that_is_told_in_short_covers_the_differ_and_may_order() {
    let told = r#"{"class": "owner", "period": {"first_day": "2026-01-01", "last_day": null}}"#;
    let authority: AuthorityFacts = serde_json::from_str(told).unwrap();
    assert!(authority.covers && authority.may_order && !authority.may_approve);
}

#[test]
fn an_authority_is_in_force_on_its_first_and_last_day_and_on_no_other() {
    let mut facts = asked();
    facts.asker = person(2, AuthorityClass::Owner);
    let set = |facts: &mut Facts, first, last| {
        facts.asker.authorities[0].period = Period { first_day: first, last_day: Some(last) };
    };
    let today = date!(2026 - 11 - 02);
    set(&mut facts, today, today);
    assert_eq!(codes(&facts, &Rules::default()), []);
    set(&mut facts, today.next_day().unwrap(), date!(2027 - 01 - 01));
    assert_eq!(codes(&facts, &Rules::default()), [Code::AskerWithoutAuthority]);
    set(&mut facts, date!(2026 - 01 - 01), today.previous_day().unwrap());
    assert_eq!(codes(&facts, &Rules::default()), [Code::AskerWithoutAuthority]);
}

#[test]
fn an_occupier_without_a_key_is_not_kept_out_by_a_cap() {
    let mut facts = asked();
    facts.keys.existing = 12;
    assert_eq!(codes(&facts, &Rules::default()), [Code::OverCap]);
    facts.recipient.authorities[0].occupier = true;
    assert_eq!(codes(&facts, &Rules::default()), [Code::OccupierEntitled]);
    assert!(decide(&facts, &Rules::default()).is_permitted());
    facts.registration.holds =
        vec![HoldFacts { kind: HoldKind::CourtOrder, barred: Some(facts.recipient.id) }];
    assert_eq!(decide(&facts, &Rules::default()).outcome, Outcome::Refused);
}
