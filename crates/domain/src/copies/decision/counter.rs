//! Rules 7, 8 and 9: what happens across the counter.

use crate::cards::CardStanding;
use crate::copies::decision::facts::{Collector, Facts, PinOutcome, Step};
use crate::copies::decision::{Code, Reason};
use crate::register::rules::{Collection, RequiredAtCounter, Rules};

pub(crate) fn shown_at_the_counter(facts: &Facts, rules: &Rules, reasons: &mut Vec<Reason>) {
    let required = match facts.step {
        Step::Ask | Step::Approve | Step::Look => return,
        Step::Cut => rules.at_cut,
        // A card is for those with a right of their own. Who collects for another is known by the mandate,
        // and always by a document.
        Step::HandOver if facts.shown.collector == Collector::Mandated => RequiredAtCounter {
            card: false,
            pin: false,
            document: true,
            signature: rules.at_hand_over.signature,
        },
        Step::HandOver => rules.at_hand_over,
    };
    card_is_good(facts, required, reasons);
    pin_is_right(facts, required, reasons);
    if required.document && facts.shown.document.is_none() {
        reasons.push(Reason::refuses(
            Code::DocumentNotSeen,
            "No identity document with a photograph was seen.",
            "A document is shown and compared with the record.",
        ));
    }
    if required.signature && !facts.shown.signature {
        reasons.push(Reason::refuses(
            Code::SignatureNotGiven,
            "Nobody signed for the keys.",
            "The person who takes the keys signs for them.",
        ));
    }
    collector_is_named(facts, rules, reasons);
}

fn card_is_good(facts: &Facts, required: RequiredAtCounter, reasons: &mut Vec<Reason>) {
    match &facts.shown.card {
        None if required.card => reasons.push(Reason::refuses(
            Code::CardNotShown,
            "No card was shown.",
            "The card of the person who stands there is shown.",
        )),
        None => {}
        // A card that was shown though none is asked for still has to be a good one.
        Some(card) => {
            if card.state.on(facts.today(), card.expires_on) != CardStanding::Good {
                reasons.push(Reason::refuses(
                    Code::CardNotCurrent,
                    "The card is suspended, revoked or past its last day.",
                    "The owner has the card reinstated or replaced.",
                ));
            }
            if !card.of_registration || !card.of_person {
                reasons.push(Reason::refuses(
                    Code::CardOfAnother,
                    "The card belongs to another registration or another person.",
                    "The person's own card for this registration is shown.",
                ));
            }
        }
    }
}

fn pin_is_right(facts: &Facts, required: RequiredAtCounter, reasons: &mut Vec<Reason>) {
    let pin_asked = required.pin || (facts.shown.card.is_some() && facts.shown.pin != PinOutcome::NotGiven);
    if pin_asked {
        match facts.shown.pin {
            PinOutcome::Right => {}
            PinOutcome::NotGiven => reasons.push(Reason::refuses(
                Code::PinNotGiven,
                "No PIN was given; a card alone is never enough.",
                "The holder of the card enters the PIN.",
            )),
            PinOutcome::Wrong => reasons.push(Reason::refuses(
                Code::PinWrong,
                "The PIN is wrong.",
                "The holder of the card enters the right PIN.",
            )),
            PinOutcome::Blocked => reasons.push(Reason::refuses(
                Code::PinBlocked,
                "The PIN was wrong too often and is not looked at for a while.",
                "Wait, or the holder of the card sets a new PIN.",
            )),
        }
    }
}

fn collector_is_named(facts: &Facts, rules: &Rules, reasons: &mut Vec<Reason>) {
    let may_collect = match (facts.shown.collector, rules.collection) {
        (Collector::Recipient, _) | (Collector::Mandated, Collection::RecipientOrMandate) => true,
        (Collector::Mandated, Collection::RecipientOnly) | (Collector::Other, _) => false,
    };
    if facts.step == Step::HandOver && !may_collect {
        let (sentence, remedy) = match rules.collection {
            Collection::RecipientOnly => {
                ("Only the person for whom the key is may collect it.", "That person collects it.")
            }
            Collection::RecipientOrMandate => (
                "Only the person for whom the key is may collect it, or somebody whose mandate the register knows.",
                "That person collects it, or records a mandate first.",
            ),
        };
        reasons.push(Reason::refuses(Code::CollectorNotNamed, sentence, remedy));
    }
}

pub(crate) fn counter_appointed(facts: &Facts, _: &Rules, reasons: &mut Vec<Reason>) {
    if facts.step == Step::HandOver {
        return;
    }
    if !facts.counter.appointed {
        reasons.push(Reason::refuses(
            Code::CounterNotAppointed,
            "This counter is not appointed for this key section.",
            "Choose a counter that is.",
        ));
    }
    if facts.step == Step::Cut && facts.counter.blanks < facts.step_quantity {
        reasons.push(Reason::refuses(
            Code::BlanksShort,
            format!("Blanks at the counter: {}; needed: {}.", facts.counter.blanks, facts.step_quantity),
            "Cut fewer, or wait for the next consignment.",
        ));
    }
}

pub(crate) fn authorisation_in_force(facts: &Facts, _: &Rules, reasons: &mut Vec<Reason>) {
    if matches!(facts.step, Step::Ask | Step::Approve) {
        return;
    }
    let Some(authorisation) = &facts.authorisation else {
        reasons.push(Reason::refuses(
            Code::NoAuthorisation,
            "This copy was not authorised.",
            "The request is decided first.",
        ));
        return;
    };
    if facts.now >= authorisation.lapses_at {
        reasons.push(Reason::refuses(
            Code::AuthorisationLapsed,
            format!("The authorisation lapsed on {}.", authorisation.lapses_at.date()),
            "Ask again.",
        ));
    }
    if facts.step_quantity > authorisation.left {
        reasons.push(Reason::refuses(
            Code::AuthorisationSpent,
            format!(
                "Keys left under this authorisation: {}; asked for: {}.",
                authorisation.left, facts.step_quantity
            ),
            "Take no more than are left.",
        ));
    }
}
