//! The decision, rule by rule; tests/api/copies/policies.rs adds published policies, tests/api/copies/sequences.rs
//! sequences of acts.

use time::macros::{date, datetime};
use uuid::Uuid;

use crate::calendar::Period;
use crate::cards::CardState;
use crate::copies::decision::facts::*;
use crate::copies::decision::*;
use crate::copies::{DocumentKind, Purpose};
use crate::differs::Level;
use crate::ids::PersonId;
use crate::register::rules::*;
use crate::rights::authorities::AuthorityClass;
use crate::rights::holds::HoldKind;
use crate::text::{Remark, Slug};

mod approvals;
mod copies;
mod counter;
mod entitlement;

fn slug(text: &str) -> Slug {
    Slug::parse(text).unwrap()
}

fn person(id: u128, class: AuthorityClass) -> PersonFacts {
    let authority = AuthorityFacts {
        class,
        post: None,
        standing: None,
        covers: true,
        may_order: true,
        may_approve: class != AuthorityClass::Keyholder,
        occupier: false,
        most_per_request: None,
        most_keys: None,
        period: Period { first_day: date!(2026 - 01 - 01), last_day: None },
        revoked: false,
    };
    PersonFacts { id: PersonId(Uuid::from_u128(id)), authorities: vec![authority] }
}

fn asked() -> Facts {
    let now = datetime!(2026-11-02 09:00 UTC);
    Facts {
        asker: person(1, AuthorityClass::Owner),
        recipient: person(1, AuthorityClass::Owner),
        ..Facts::at(Step::Ask, now)
    }
}

/// With an authorisation that is far from lapsing.
fn authorised(facts: &mut Facts, left: u32) {
    facts.authorisation = Some(AuthorisationFacts { lapses_at: datetime!(2026-12-02 09:00 UTC), left });
}

fn codes(facts: &Facts, rules: &Rules) -> Vec<Code> {
    decide(facts, rules).codes()
}

#[test]
fn an_owner_may_have_a_key_to_his_own_lock() {
    let decision = decide(&asked(), &Rules::default());
    assert_eq!((decision.outcome, decision.reasons), (Outcome::Permitted, vec![]));
}

#[test]
fn every_reason_is_given_not_the_first() {
    let mut facts = asked();
    facts.registration.ended = true;
    facts.registration.holds = vec![HoldFacts { kind: HoldKind::Theft, barred: None }];
    facts.differ.in_service = false;
    facts.asker.authorities.clear();
    facts.request.quantity = 40;
    facts.counter.appointed = false;
    let decision = decide(&facts, &Rules::default());
    assert_eq!(decision.outcome, Outcome::Refused);
    assert_eq!(
        decision.codes(),
        [
            Code::RegistrationEnded,
            Code::RegistrationOnHold,
            Code::DifferOutOfService,
            Code::AskerWithoutAuthority,
            Code::OverRequestLimit,
            Code::OverPersonLimit,
            Code::OverPeriodLimit,
            Code::OverCap,
            Code::CounterNotAppointed,
        ]
    );
    for reason in &decision.reasons {
        assert!(reason.sentence.ends_with('.') && reason.rule > 0);
    }
}

#[test]
fn what_is_still_to_do_at_a_counter_is_told_from_what_stands_in_the_way() {
    let decided = |reasons: Vec<(Code, Effect)>| {
        let reason = |(code, effect)| Reason {
            code,
            effect,
            rule: 0,
            sentence: String::new(),
            remedy: String::new(),
            needs: vec![],
        };
        Decision::of(reasons.into_iter().map(reason).collect())
    };
    let nothing = decided(vec![]);
    assert_eq!((nothing.is_permitted(), nothing.is_otherwise_permitted()), (true, true));
    assert_eq!(nothing.still_to_do(), []);
    let shows = decided(vec![
        (Code::PinNotGiven, Effect::Refuses),
        (Code::ApprovalNeeded, Effect::NeedsApproval),
        (Code::OverrideUsed, Effect::Note),
    ]);
    assert_eq!(shows.still_to_do(), [Code::PinNotGiven, Code::ApprovalNeeded]);
    assert_eq!((shows.is_permitted(), shows.is_otherwise_permitted()), (false, true));
    let barred = decided(vec![(Code::PinNotGiven, Effect::Refuses), (Code::CardOfAnother, Effect::Refuses)]);
    assert_eq!(barred.still_to_do(), [Code::PinNotGiven]);
    assert!(!barred.is_otherwise_permitted());
}

#[test]
fn the_table_of_rules_has_every_code_once() {
    let mut listed: Vec<Code> = RULES.iter().flat_map(|rule| rule.codes).copied().collect();
    listed.sort_unstable();
    let mut all = Code::ALL.to_vec();
    all.sort_unstable();
    assert_eq!(listed, all);
    let numbers: Vec<u8> = RULES.iter().map(|rule| rule.number).collect();
    assert_eq!(numbers, (1..=12).collect::<Vec<u8>>());
}

#[test]
fn every_step_is_recorded_under_its_own_word() {
    for step in RecordedStep::ALL {
        assert_eq!(step.entry(), format!("copy.{step}"));
    }
    for step in Step::ALL {
        assert!(step.as_str().parse::<RecordedStep>().is_ok(), "{step}");
    }
}
