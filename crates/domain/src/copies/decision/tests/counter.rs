//! Rules 7, 8 and 9: what is shown at the counter, what it may cut, and how far an authorisation goes.

use super::*;

fn at_hand_over() -> Facts {
    let mut facts = asked();
    (facts.step, facts.step_quantity) = (Step::HandOver, 1);
    facts.authorisation = Some(AuthorisationFacts { lapses_at: datetime!(2026-11-02 09:01 UTC), left: 1 });
    facts.shown = ShownFacts {
        card: Some(good_card()),
        pin: PinOutcome::Right,
        document: Some(DocumentKind::Passport),
        signature: true,
        ..ShownFacts::default()
    };
    facts
}

fn good_card() -> CardFacts {
    CardFacts {
        state: CardState::Valid,
        expires_on: date!(2026 - 11 - 02),
        of_registration: true,
        of_person: true,
    }
}

#[test]
fn a_card_has_to_be_current_and_of_this_registration_and_person() {
    let mut facts = at_hand_over();
    assert_eq!(codes(&facts, &Rules::default()), []);
    for (card, code) in [
        (CardFacts { expires_on: date!(2026 - 11 - 01), ..good_card() }, Code::CardNotCurrent),
        (CardFacts { state: CardState::Revoked, ..good_card() }, Code::CardNotCurrent),
        (CardFacts { of_registration: false, ..good_card() }, Code::CardOfAnother),
        (CardFacts { of_person: false, ..good_card() }, Code::CardOfAnother),
    ] {
        facts.shown.card = Some(card);
        assert_eq!(codes(&facts, &Rules::default()), [code]);
    }
    facts.shown.card = None;
    assert_eq!(codes(&facts, &Rules::default()), [Code::CardNotShown]);
}

#[test]
fn what_the_rules_do_not_ask_for_is_looked_at_where_it_is_shown() {
    let nothing = RequiredAtCounter { card: false, pin: false, document: false, signature: false };
    let rules = Rules { at_hand_over: nothing, ..Rules::default() };
    let mut facts = at_hand_over();
    facts.shown = ShownFacts::default();
    assert_eq!(codes(&facts, &rules), []);
    // A PIN without the card whose PIN it is says nothing.
    facts.shown.pin = PinOutcome::Wrong;
    assert_eq!(codes(&facts, &rules), []);
    facts.shown.card = Some(good_card());
    assert_eq!(codes(&facts, &rules), [Code::PinWrong]);
    facts.shown.pin = PinOutcome::NotGiven;
    assert_eq!(codes(&facts, &rules), []);
    facts.shown.card = Some(CardFacts { of_person: false, ..good_card() });
    assert_eq!(codes(&facts, &rules), [Code::CardOfAnother]);
}

#[test]
fn what_is_shown_matters_at_the_cut_and_at_the_hand_over() {
    let all = RequiredAtCounter { card: true, pin: true, document: true, signature: true };
    let rules = Rules { at_cut: all, ..Rules::default() };
    let mut facts = at_hand_over();
    facts.shown = ShownFacts { collector: Collector::Other, ..ShownFacts::default() };
    let told =
        [Code::CardNotShown, Code::PinNotGiven, Code::DocumentNotSeen, Code::SignatureNotGiven].as_slice();
    for (step, expected) in [
        (Step::Ask, &[] as &[Code]),
        (Step::Approve, &[]),
        (Step::Look, &[]),
        (Step::Cut, told),
        (Step::HandOver, &[told, &[Code::CollectorNotNamed]].concat()),
    ] {
        facts.step = step;
        assert_eq!(codes(&facts, &rules), expected, "{step}");
    }
    facts.step = Step::Cut;
    assert_eq!(codes(&facts, &Rules::default()), []);
}

#[test]
fn whoever_collects_with_a_mandate_shows_a_document_and_no_card() {
    let mut facts = at_hand_over();
    facts.shown = ShownFacts { collector: Collector::Mandated, ..ShownFacts::default() };
    assert_eq!(codes(&facts, &Rules::default()), [Code::DocumentNotSeen, Code::SignatureNotGiven]);
    let nothing = RequiredAtCounter { card: false, pin: false, document: false, signature: false };
    let easy = Rules { at_hand_over: nothing, ..Rules::default() };
    assert_eq!(codes(&facts, &easy), [Code::DocumentNotSeen]);
    facts.shown.document = Some(DocumentKind::Passport);
    assert_eq!(codes(&facts, &easy), []);
    let strict = Rules { collection: Collection::RecipientOnly, ..easy.clone() };
    assert_eq!(codes(&facts, &strict), [Code::CollectorNotNamed]);
    facts.shown.collector = Collector::Other;
    assert_eq!(codes(&facts, &easy), [Code::CollectorNotNamed]);
    facts.shown.collector = Collector::Recipient;
    assert_eq!(codes(&facts, &strict), []);
}

#[test]
fn an_authorisation_goes_as_far_as_its_last_instant_and_its_last_key() {
    for step in [Step::Look, Step::Cut, Step::HandOver] {
        let mut facts = at_hand_over();
        facts.step = step;
        assert_eq!(codes(&facts, &Rules::default()), [], "{step}");
        facts.authorisation.as_mut().unwrap().lapses_at = facts.now;
        assert_eq!(codes(&facts, &Rules::default()), [Code::AuthorisationLapsed], "{step}");
        authorised(&mut facts, 3);
        facts.step_quantity = 3;
        assert_eq!(codes(&facts, &Rules::default()), [], "{step}");
        facts.step_quantity = 4;
        assert_eq!(codes(&facts, &Rules::default()), [Code::AuthorisationSpent], "{step}");
        facts.authorisation = None;
        assert_eq!(codes(&facts, &Rules::default()), [Code::NoAuthorisation], "{step}");
    }
}

#[test]
fn a_card_alone_is_never_enough() {
    let mut facts = asked();
    facts.step = Step::HandOver;
    facts.step_quantity = 1;
    authorised(&mut facts, 1);
    facts.shown.card = Some(good_card());
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
    facts.shown.card = Some(CardFacts { state: CardState::Suspended, of_person: false, ..good_card() });
    assert_eq!(codes(&facts, &Rules::default()), [Code::CardNotCurrent, Code::CardOfAnother]);
    facts.shown.collector = Collector::Other;
    assert!(codes(&facts, &Rules::default()).contains(&Code::CollectorNotNamed));
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
fn a_counter_cuts_as_many_as_it_has_blanks_for() {
    let rules = Rules { limits: vec![], ..Rules::default() };
    let mut facts = asked();
    authorised(&mut facts, 9);
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
