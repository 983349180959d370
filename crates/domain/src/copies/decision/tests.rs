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
fn approvals_come_from_different_people_who_may_now() {
    let mut facts = asked();
    facts.differ.level = Level::Building;
    facts.asker = person(2, AuthorityClass::Keyholder);
    facts.recipient = facts.asker.clone();
    let approval = |id| ApprovalFacts { person: person(id, AuthorityClass::Signatory), emergency: false };
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
    let need = |posts: &[&str]| Need {
        posts: posts.iter().map(|post| slug(post)).collect(),
        classes: vec![],
        count: 1,
    };
    let rules = Rules {
        approvals: vec![ApprovalRule {
            when: Situation::default(),
            needs: vec![need(&["head", "dean"]), need(&["head"])],
        }],
        ..Rules::default()
    };
    let signed = |id, posts: &[&str]| {
        let mut person = person(id, AuthorityClass::Signatory);
        let template = person.authorities[0].clone();
        person.authorities =
            posts.iter().map(|post| AuthorityFacts { post: Some(slug(post)), ..template.clone() }).collect();
        ApprovalFacts { person, emergency: false }
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
        facts.approver = Some(ApprovalFacts { person: person(own, AuthorityClass::Owner), emergency: false });
        assert_eq!(codes(&facts, &Rules::default()), [Code::OwnRequest]);
    }
    facts.approver = Some(ApprovalFacts { person: person(6, AuthorityClass::Keyholder), emergency: false });
    assert_eq!(codes(&facts, &Rules::default()), [Code::ApproverWithoutAuthority]);
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
    facts.authorisation = Some(AuthorisationFacts { lapses_at: datetime!(2026-12-02 09:00 UTC), left: 1 });
    assert_eq!(codes(&facts, &Rules::default()), [Code::WornKeyNotSurrendered]);
    facts.request.replaced =
        Some(ReplacedKey { with_recipient: true, handed_in: true, ..ReplacedKey::default() });
    assert_eq!(codes(&facts, &Rules::default()), []);
}

#[test]
fn a_card_alone_is_never_enough() {
    let mut facts = asked();
    facts.step = Step::HandOver;
    facts.step_quantity = 1;
    facts.authorisation = Some(AuthorisationFacts { lapses_at: datetime!(2026-12-02 09:00 UTC), left: 1 });
    let good = CardFacts {
        state: CardState::Valid,
        expires_on: date!(2026 - 11 - 02),
        of_registration: true,
        of_person: true,
    };
    facts.shown.card = Some(good.clone());
    let still = [Code::PinNotGiven, Code::DocumentNotSeen, Code::SignatureNotGiven];
    assert_eq!(codes(&facts, &Rules::default()), still);
    facts.shown.pin = PinOutcome::Right;
    facts.shown.document = Some(DocumentKind::Passport);
    assert_eq!(codes(&facts, &Rules::default()), [Code::SignatureNotGiven]);
    facts.shown.signature = true;
    assert_eq!(codes(&facts, &Rules::default()), []);
    for (pin, code) in [(PinOutcome::Wrong, Code::PinWrong), (PinOutcome::Blocked, Code::PinBlocked)] {
        facts.shown.pin = pin;
        assert_eq!(codes(&facts, &Rules::default()), [code]);
    }
    facts.shown.pin = PinOutcome::Right;
    facts.shown.card = Some(CardFacts { state: CardState::Suspended, of_person: false, ..good });
    assert_eq!(codes(&facts, &Rules::default()), [Code::CardNotCurrent, Code::CardOfAnother]);
    facts.shown.collector = Collector::Other;
    assert!(codes(&facts, &Rules::default()).contains(&Code::CollectorNotNamed));
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
fn an_authorisation_lapses_at_its_instant_and_is_spent_once() {
    let mut facts = asked();
    facts.step = Step::Cut;
    facts.step_quantity = 1;
    assert_eq!(codes(&facts, &Rules::default()), [Code::NoAuthorisation]);
    facts.authorisation = Some(AuthorisationFacts { lapses_at: facts.now, left: 0 });
    assert_eq!(codes(&facts, &Rules::default()), [Code::AuthorisationLapsed, Code::AuthorisationSpent]);
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

#[test]
fn an_approval_counts_at_the_step_at_which_it_is_given_and_once_it_is_stored() {
    let mut facts = asked();
    facts.asker = person(2, AuthorityClass::Keyholder);
    facts.recipient = facts.asker.clone();
    let approval = ApprovalFacts { person: person(5, AuthorityClass::Owner), emergency: false };
    facts.approver = Some(approval.clone());
    assert_eq!(codes(&facts, &Rules::default()), [Code::ApprovalNeeded]);
    facts.step = Step::Approve;
    assert_eq!(codes(&facts, &Rules::default()), []);
    (facts.step, facts.approver, facts.approvals) = (Step::Ask, None, vec![approval]);
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

#[test]
fn a_counter_cuts_as_many_as_it_has_blanks_for() {
    let rules = Rules { limits: vec![], ..Rules::default() };
    let mut facts = asked();
    facts.authorisation = Some(AuthorisationFacts { lapses_at: datetime!(2026-12-02 09:00 UTC), left: 9 });
    facts.counter = CounterFacts { appointed: false, blanks: 2 };
    (facts.step, facts.step_quantity) = (Step::Cut, 2);
    assert_eq!(codes(&facts, &rules), [Code::CounterNotAppointed]);
    facts.step_quantity = 3;
    assert_eq!(codes(&facts, &rules), [Code::CounterNotAppointed, Code::BlanksShort]);
    facts.step = Step::Ask;
    assert_eq!(codes(&facts, &rules), [Code::CounterNotAppointed]);
    // What was cut is handed over by a counter that is appointed no more.
    facts.step = Step::HandOver;
    let told = codes(&facts, &rules);
    assert!(!told.contains(&Code::CounterNotAppointed) && !told.contains(&Code::BlanksShort));
}
