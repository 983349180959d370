//! Rules 5 and 6: at which number a limit ends, and what becomes of earlier keys.

use super::*;
use crate::keys::ChargeState;

fn limited(limit: Limit) -> Rules {
    Rules { limits: vec![limit], ..Rules::default() }
}

fn authorised(facts: &mut Facts, left: u32) {
    facts.authorisation = Some(AuthorisationFacts { lapses_at: datetime!(2026-12-02 09:00 UTC), left });
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
    for limit in
        [Limit { per_person: Some(2), ..Limit::default() }, Limit { cap: Some(2), ..Limit::default() }]
    {
        let (rules, mut facts) = (limited(limit), asked());
        (facts.request.quantity, facts.keys.existing, facts.keys.with_recipient) = (3, 1, 1);
        assert_eq!(codes(&facts, &rules).len(), 1);
        authorised(&mut facts, 1);
        for (step, refused) in
            [(Step::Cut, false), (Step::Look, false), (Step::Approve, true), (Step::Ask, true)]
        {
            facts.step = step;
            assert_eq!(codes(&facts, &rules).len(), usize::from(refused), "{step}");
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
