//! Rules 1, 2, 3 and 12: the registration, the differ and the people.

use crate::copies::decision::facts::{Facts, HoldFacts, Step};
use crate::copies::decision::{Code, Reason};
use crate::differs::DifferState;
use crate::register::rules::Rules;
use crate::rights::holds::HoldKind;

/// Why a hold stands that a recovery placed.
const AFTER_RECOVERY: &str =
    "a restored backup had lost some of what the log says, and the register has not entered it again yet";

pub(crate) fn registration_in_force(facts: &Facts, _: &Rules, reasons: &mut Vec<Reason>) {
    if facts.registration.ended {
        reasons.push(Reason::refuses(
            Code::RegistrationEnded,
            "This registration has ended.",
            "Ask under the registration that took its place.",
        ));
    }
    // A hold that bars one person is a matter of rule 3.
    let mut kinds: Vec<HoldKind> =
        facts.registration.holds.iter().filter(|hold| hold.barred.is_none()).map(|hold| hold.kind).collect();
    kinds.sort_unstable();
    kinds.dedup();
    for kind in kinds {
        let why = match kind {
            HoldKind::Loss => "a key is reported lost",
            HoldKind::Theft => "a key is reported stolen",
            HoldKind::Dispute => "a dispute is open",
            HoldKind::CourtOrder => "a court ordered it",
            HoldKind::Recovery => AFTER_RECOVERY,
        };
        reasons.push(Reason::refuses(
            Code::RegistrationOnHold,
            format!("Nothing may be copied for now: {why}."),
            "The hold is lifted by somebody who may.",
        ));
    }
}

pub(crate) fn differ_in_service(facts: &Facts, _: &Rules, reasons: &mut Vec<Reason>) {
    if facts.differ.state == DifferState::Reserved {
        reasons.push(Reason::refuses(
            Code::DifferReserved,
            "This differ is reserved: nobody orders keys of it before it is given out to its owner.",
            "The plot is handed over, or the supplier gives the differ out.",
        ));
    }
    if facts.differ.state == DifferState::Dead {
        reasons.push(Reason::refuses(
            Code::DifferDead,
            "This differ is dead: every lock that answered to it was rekeyed.",
            "Ask for a key of the differ to which the lock answers now.",
        ));
    } else if !facts.differ.in_service || facts.differ.state == DifferState::Released {
        reasons.push(Reason::refuses(
            Code::DifferOutOfService,
            "No lock of this registration answers to this key any more.",
            "Ask for a key of the differ to which the lock answers now.",
        ));
    }
}

pub(crate) fn people_entitled(facts: &Facts, rules: &Rules, reasons: &mut Vec<Reason>) {
    let today = facts.today();
    if facts.step != Step::HandOver {
        if facts.asker.standing_authorities(today).next().is_none() {
            reasons.push(Reason::refuses(
                Code::AskerWithoutAuthority,
                "The person who asks has no authority in force for this key.",
                "The owner, or somebody who may pass on authority, gives one.",
            ));
        } else if !facts.asker.standing_authorities(today).any(|authority| authority.may_order) {
            reasons.push(Reason::refuses(
                Code::AskerMayNotOrder,
                "The authority of the person who asks does not include ordering.",
                "Somebody who may order asks for the copy.",
            ));
        }
    }
    if facts.recipient.standing_authorities(today).next().is_none() {
        reasons.push(Reason::refuses(
            Code::RecipientWithoutAuthority,
            "The person for whom the key is has no authority in force to hold it.",
            "The owner, or somebody who may pass on authority, gives one.",
        ));
    }
    let involved = [Some(facts.recipient.id), Some(facts.asker.id), facts.shown.collected_by];
    let bars = |hold: &&HoldFacts| hold.barred.is_some() && involved.contains(&hold.barred);
    let (recovery, court): (Vec<_>, Vec<_>) =
        facts.registration.holds.iter().filter(bars).partition(|hold| hold.kind == HoldKind::Recovery);
    if !recovery.is_empty() {
        reasons.push(Reason::refuses(
            Code::RegistrationOnHold,
            format!("This person may have no copies for now: {AFTER_RECOVERY}."),
            "The register looks, and lifts the hold.",
        ));
    }
    if !court.is_empty() {
        reasons.push(Reason::refuses(
            Code::BarredByCourt,
            "A court order bars this person from having a key.",
            "The order ends or is varied; the register records it and does not judge it.",
        ));
    }
    for line in rules.eligibility.iter().filter(|line| facts.matches(&line.when)) {
        let permitted = facts
            .recipient
            .standing_authorities(today)
            .filter_map(|authority| authority.standing.as_ref())
            .any(|standing| line.only_standings.contains(standing));
        if !permitted {
            reasons.push(Reason::refuses(
                Code::OutsidePermittedClasses,
                "The rules of this registration do not let such a person have such a key, whoever approves.",
                line.instead.as_ref().map(ToString::to_string).unwrap_or_default(),
            ));
        }
    }
}

/// Whether the request is for the key of an occupier who has none to their own home.
pub(crate) fn is_entitled_occupier(facts: &Facts) -> bool {
    facts.request.quantity == 1
        && facts.keys.with_recipient == 0
        && facts.recipient.standing_authorities(facts.today()).any(|authority| authority.occupier)
}

pub(crate) fn occupier(facts: &Facts, _: &Rules, reasons: &mut Vec<Reason>) {
    if facts.step != Step::HandOver && is_entitled_occupier(facts) {
        reasons.push(Reason::note(
            Code::OccupierEntitled,
            "The key is an occupier's only one to their own home: caps and limits do not stand against it.",
        ));
    }
}
