//! Rules 5, 6 and 10: at which number a limit ends, what becomes of earlier keys, and keys for a time.

use super::*;
use crate::keys::ChargeState;

fn limited(limit: Limit) -> Rules {
    Rules { limits: vec![limit], ..Rules::default() }
}

#[test]
fn a_request_is_for_as_many_as_the_narrowest_limit_allows() {
    let mut facts = asked();
    for (by_rule, by_authority, most) in
        [(Some(3), None, 3), (None, Some(3), 3), (Some(5), Some(3), 3), (Some(3), Some(5), 3)]
    {
        let rules = limited(Limit { per_request: by_rule, ..Limit::default() });
        facts.asker.authorities[0].most_per_request = by_authority;
        facts.request.quantity = most;
        assert_eq!(codes(&facts, &rules), []);
        facts.request.quantity = most + 1;
        assert_eq!(codes(&facts, &rules), [Code::OverRequestLimit]);
    }
}

#[test]
fn a_period_counts_back_from_the_request_and_ends_at_its_number() {
    let period = RollingPeriod { days: 30, keys: 5 };
    let rules = limited(Limit { per_period: Some(period), ..Limit::default() });
    let mut facts = asked();
    let earlier = |at, quantity| EarlierKeys { at, quantity };
    facts.keys.earlier =
        vec![earlier(datetime!(2026-10-03 09:00 UTC), 9), earlier(datetime!(2026-10-03 09:00:01 UTC), 2)];
    facts.request.quantity = 3;
    assert_eq!(codes(&facts, &rules), [], "five at most: two, and these three");
    facts.request.quantity = 4;
    assert_eq!(codes(&facts, &rules), [Code::OverPeriodLimit]);
}

#[test]
fn a_person_has_as_many_keys_as_the_narrowest_limit_allows() {
    let mut facts = asked();
    for (by_rule, by_authority) in [(Some(4), None), (None, Some(4)), (Some(6), Some(4)), (Some(4), Some(6))]
    {
        let rules = limited(Limit { per_person: by_rule, ..Limit::default() });
        facts.recipient.authorities[0].most_keys = by_authority;
        (facts.keys.with_recipient, facts.request.quantity) = (1, 3);
        assert_eq!(codes(&facts, &rules), []);
        facts.keys.with_recipient = 2;
        assert_eq!(codes(&facts, &rules), [Code::OverPersonLimit]);
    }
}

#[test]
fn a_worn_key_counts_once_and_only_where_the_person_has_it() {
    let rules = limited(Limit { per_person: Some(1), ..Limit::default() });
    let mut facts = asked();
    facts.keys.with_recipient = 1;
    assert_eq!(codes(&facts, &rules), [Code::OverPersonLimit]);
    facts.request.purpose = Purpose::ReplaceWorn;
    facts.request.replaced = Some(ReplacedKey { with_recipient: true, ..ReplacedKey::default() });
    assert_eq!(codes(&facts, &rules), []);
    facts.keys.with_recipient = 0;
    facts.request.quantity = 2;
    assert_eq!(codes(&facts, &rules), [Code::OverPersonLimit]);
}

#[test]
fn at_the_cut_only_what_is_left_still_comes() {
    for (limit, code) in [
        (Limit { per_person: Some(2), ..Limit::default() }, Code::OverPersonLimit),
        (Limit { cap: Some(2), ..Limit::default() }, Code::OverCap),
    ] {
        let (rules, mut facts) = (limited(limit), asked());
        (facts.request.quantity, facts.keys.existing, facts.keys.with_recipient) = (3, 1, 1);
        assert_eq!(codes(&facts, &rules), [code]);
        authorised(&mut facts, 1);
        for (step, refused) in
            [(Step::Cut, false), (Step::Look, false), (Step::Approve, true), (Step::Ask, true)]
        {
            facts.step = step;
            let expected: &[Code] = if refused { &[code] } else { &[] };
            assert_eq!(codes(&facts, &rules), expected, "{step}");
        }
    }
}

#[test]
fn an_earlier_key_that_is_unaccounted_for_stands_in_the_way_where_the_rules_say_so() {
    let mut facts = asked();
    facts.keys.unaccounted = 1;
    assert_eq!(codes(&facts, &Rules::default()), [Code::EarlierKeyUnaccountedFor]);
    assert_eq!(codes(&facts, &Rules { unaccounted_blocks: false, ..Rules::default() }), []);
    facts.step = Step::HandOver;
    assert!(!codes(&facts, &Rules::default()).contains(&Code::EarlierKeyUnaccountedFor));
    assert_eq!(codes(&asked(), &Rules::default()), []);
}

#[test]
fn a_lost_key_is_replaced_once_it_is_reported_and_not_twice() {
    let mut facts = asked();
    facts.request.purpose = Purpose::ReplaceLost;
    assert_eq!(codes(&facts, &Rules::default()), [Code::ReplacedKeyNotReported]);
    let reported = ReplacedKey { missing: true, ..ReplacedKey::default() };
    facts.request.replaced = Some(reported.clone());
    assert_eq!(codes(&facts, &Rules::default()), []);
    facts.request.replaced = Some(ReplacedKey { replaced_before: true, ..reported });
    assert_eq!(codes(&facts, &Rules::default()), [Code::ReplacedBefore]);
}

#[test]
fn the_charge_for_a_lost_key_is_settled_first_where_the_rules_say_so() {
    let bursar = slug("bursar");
    let losses = Losses {
        charge_before_replacement: true,
        waived_by: vec![bursar.clone()],
        ..Rules::default().losses
    };
    let rules = Rules { losses, ..Rules::default() };
    let mut facts = asked();
    facts.request.purpose = Purpose::ReplaceLost;
    for (charge, waived_by, open) in [
        (ChargeState::None, None, false),
        (ChargeState::Paid, None, false),
        (ChargeState::Due, None, true),
        (ChargeState::Waived, Some(bursar), false),
        (ChargeState::Waived, Some(slug("porter")), true),
        (ChargeState::Waived, None, true),
    ] {
        facts.request.replaced =
            Some(ReplacedKey { missing: true, charge, waived_by, ..ReplacedKey::default() });
        let expected: &[Code] = if open { &[Code::LossChargeOpen] } else { &[] };
        assert_eq!(codes(&facts, &rules), expected, "{charge}");
        assert_eq!(codes(&facts, &Rules::default()), [], "{charge}");
    }
}

#[test]
fn the_cap_counts_live_keys_open_authorisations_and_this_request() {
    let mut facts = asked();
    let rules = Rules {
        limits: vec![Limit { cap: Some(4), ..Limit::default() }],
        lost_keys_count: true,
        unaccounted_blocks: false,
        ..Rules::default()
    };
    facts.keys = KeyFacts { existing: 1, missing: 1, open_elsewhere: 1, ..KeyFacts::default() };
    assert_eq!(codes(&facts, &rules), []);
    facts.request.quantity = 2;
    assert_eq!(codes(&facts, &rules), [Code::OverCap]);
    assert_eq!(codes(&facts, &Rules { lost_keys_count: false, ..rules }), []);
}

#[test]
fn a_worn_key_is_replaced_against_the_old_one() {
    let mut facts = asked();
    facts.request.purpose = Purpose::ReplaceWorn;
    facts.keys = KeyFacts { existing: 12, with_recipient: 1, ..KeyFacts::default() };
    assert_eq!(codes(&facts, &Rules::default()), [Code::ReplacedKeyNotHeld]);
    facts.request.replaced = Some(ReplacedKey { with_recipient: true, ..ReplacedKey::default() });
    assert_eq!(codes(&facts, &Rules::default()), []);
    facts.step = Step::Cut;
    facts.step_quantity = 1;
    authorised(&mut facts, 1);
    assert_eq!(codes(&facts, &Rules::default()), [Code::WornKeyNotSurrendered]);
    facts.request.replaced =
        Some(ReplacedKey { with_recipient: true, handed_in: true, ..ReplacedKey::default() });
    assert_eq!(codes(&facts, &Rules::default()), []);
}

#[test]
fn limits_are_for_keys_to_come_and_not_for_those_that_were_cut_or_are_only_kept_longer() {
    let mut facts = asked();
    facts.request.quantity = 500;
    assert!(codes(&facts, &Rules::default()).contains(&Code::OverRequestLimit));
    facts.request.extends = true;
    assert!(!codes(&facts, &Rules::default()).contains(&Code::OverRequestLimit));
    (facts.request.extends, facts.step) = (false, Step::HandOver);
    assert!(!codes(&facts, &Rules::default()).contains(&Code::OverRequestLimit));
}

#[test]
fn a_key_that_has_to_come_back_is_asked_for_with_a_day_in_range() {
    let temporary =
        Temporary { required: vec![Situation::default()], most_days: Some(7), most_extensions: Some(1) };
    let rules = Rules { temporary, ..Rules::default() };
    let mut facts = asked();
    assert_eq!(codes(&facts, &rules), [Code::DueBackNeeded]);
    for (due, expected) in [
        (date!(2026 - 11 - 01), vec![Code::DueBackOutOfRange]),
        (date!(2026 - 11 - 02), vec![]),
        (date!(2026 - 11 - 09), vec![]),
        (date!(2026 - 11 - 10), vec![Code::DueBackOutOfRange]),
    ] {
        facts.request.due_back_on = Some(due);
        assert_eq!(codes(&facts, &rules), expected, "{due}");
    }
    facts.request.due_back_on = Some(date!(2026 - 11 - 05));
    facts.request.extensions = 1;
    assert_eq!(codes(&facts, &rules), []);
    facts.request.extensions = 2;
    assert_eq!(codes(&facts, &rules), [Code::ExtensionsUsedUp]);
    // Once it is cut it is handed over.
    facts.step = Step::HandOver;
    assert!(!codes(&facts, &rules).contains(&Code::ExtensionsUsedUp));
}

#[test]
fn notice_is_given_to_the_hour() {
    let rules =
        Rules { notices: vec![NoticeRule { when: Situation::default(), hours: 48 }], ..Rules::default() };
    let mut facts = asked();
    facts.request.needed_from = Some(datetime!(2026-11-04 09:00 UTC));
    assert_eq!(codes(&facts, &rules), []);
    facts.request.needed_from = Some(datetime!(2026-11-04 08:59 UTC));
    assert_eq!(codes(&facts, &rules), [Code::NoticeTooShort]);
}
