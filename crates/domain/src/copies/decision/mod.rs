//! The decision: facts and rules in, decision out.
//!
//! ```text
//! decide(facts, rules) -> Decision { outcome, reasons }
//! ```
//!
//! The same function runs when a copy is asked for, approved, cut and handed over; [`facts::Step`]
//! says which. It looks at every rule of [`RULES`] each time and gives **every** reason, not the
//! first. A refusal outweighs a missing approval, and a missing approval outweighs a yes.
//! Somebody outside the permitted classes is refused however many people approve.

pub mod approvals;
pub mod copies;
pub mod counter;
pub mod entitlement;
pub mod facts;
pub mod reason;
#[cfg(test)]
pub mod tests;

pub use crate::copies::decision::reason::{Code, Effect, Reason};

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::copies::decision::facts::Facts;
use crate::register::rules::Rules;

words! {
    /// What a decision comes to.
    pub enum Outcome {
        /// Yes.
        Permitted = "permitted",
        /// Not yet: approvals are missing.
        NeedsApproval = "needs_approval",
        /// No.
        Refused = "refused",
    }
}

words! {
    /// What is recorded of a request: the steps at which a decision is taken, and what else becomes of it.
    pub enum RecordedStep {
        /// A copy was asked for.
        Ask = "ask",
        /// Somebody approved.
        Approve = "approve",
        /// Somebody with approving authority said no.
        Decline = "decline",
        /// Whoever asked took it back.
        Withdraw = "withdraw",
        /// What it relied on has gone.
        Stop = "stop",
        /// Its authorisation ran out.
        Lapse = "lapse",
        /// A counter looked at the bitting.
        Look = "look",
        /// Keys were cut.
        Cut = "cut",
        /// Keys were cut without a network, and brought in later.
        CutOffline = "cut_offline",
        /// Keys were handed over.
        HandOver = "hand_over",
    }
}

impl RecordedStep {
    /// What its entry in the evidence log says, as a dotted word.
    #[must_use]
    pub fn entry(self) -> &'static str {
        match self {
            Self::Ask => "copy.ask",
            Self::Approve => "copy.approve",
            Self::Decline => "copy.decline",
            Self::Withdraw => "copy.withdraw",
            Self::Stop => "copy.stop",
            Self::Lapse => "copy.lapse",
            Self::Look => "copy.look",
            Self::Cut => "copy.cut",
            Self::CutOffline => "copy.cut_offline",
            Self::HandOver => "copy.hand_over",
        }
    }
}

/// A decision with every reason for it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Decision {
    /// Yes, not yet, or no.
    pub outcome: Outcome,
    /// Why, in the order of the rules.
    pub reasons: Vec<Reason>,
}

impl Decision {
    fn of(reasons: Vec<Reason>) -> Self {
        let has = |effect| reasons.iter().any(|reason| reason.effect == effect);
        let outcome = if has(Effect::Refuses) {
            Outcome::Refused
        } else if has(Effect::NeedsApproval) {
            Outcome::NeedsApproval
        } else {
            Outcome::Permitted
        };
        Self { outcome, reasons }
    }

    /// Whether it is a yes.
    #[must_use]
    pub fn is_permitted(&self) -> bool {
        self.outcome == Outcome::Permitted
    }

    /// The codes of its reasons.
    #[must_use]
    pub fn codes(&self) -> Vec<Code> {
        self.reasons.iter().map(|reason| reason.code).collect()
    }

    /// What is still to be done before it can be a yes: something shown, handed in or approved.
    #[must_use]
    pub fn still_to_do(&self) -> Vec<Code> {
        self.codes().into_iter().filter(|code| code.is_still_to_do()).collect()
    }

    /// Whether it is a yes once everything is done that is still to do.
    #[must_use]
    pub fn is_otherwise_permitted(&self) -> bool {
        self.reasons.iter().all(|reason| reason.effect == Effect::Note || reason.code.is_still_to_do())
    }
}

/// One rule of the decision.
pub struct Rule {
    /// Its number, in the docs and in every reason.
    pub number: u8,
    /// Its name.
    pub name: &'static str,
    /// What it asks, in a sentence.
    pub asks: &'static str,
    /// The codes that it can give.
    pub codes: &'static [Code],
    check: fn(&Facts, &Rules, &mut Vec<Reason>),
}

/// Every rule, in order. docs/rules.md is made from this table.
pub const RULES: &[Rule] = &[
    Rule {
        number: 1,
        name: "registration in force",
        asks: "The registration is active and not on hold.",
        codes: &[Code::RegistrationEnded, Code::RegistrationOnHold],
        check: entitlement::registration_in_force,
    },
    Rule {
        number: 2,
        name: "differ in service",
        asks: "The differ was given out to its owner, and at least one lock answers to it now.",
        codes: &[Code::DifferReserved, Code::DifferDead, Code::DifferOutOfService],
        check: entitlement::differ_in_service,
    },
    Rule {
        number: 3,
        name: "people entitled",
        asks: "Who asks and who is to hold the key have an authority in force now, for this differ \
               and this act, and belong to the permitted classes. No approval makes up for that.",
        codes: &[
            Code::AskerWithoutAuthority,
            Code::AskerMayNotOrder,
            Code::RecipientWithoutAuthority,
            Code::BarredByCourt,
            Code::OutsidePermittedClasses,
        ],
        check: entitlement::people_entitled,
    },
    Rule {
        number: 4,
        name: "approvals given",
        asks: "The approvals that level, quantity and class of the asker call for were given, each by \
               a different person with approving authority in force for this differ now; nobody \
               approves for themselves.",
        codes: &[Code::ApprovalNeeded, Code::OwnRequest, Code::ApproverWithoutAuthority],
        check: approvals::approvals_given,
    },
    Rule {
        number: 5,
        name: "limits kept",
        asks: "The limits for one request, one person and one period are kept, and so is the cap on \
               keys in existence.",
        codes: &[Code::OverRequestLimit, Code::OverPersonLimit, Code::OverPeriodLimit, Code::OverCap],
        check: copies::limits_kept,
    },
    Rule {
        number: 6,
        name: "earlier keys accounted for",
        asks: "No key of the recipient is unaccounted for; a worn key is replaced against the old one, \
               a lost one after its loss was reported and its charge settled.",
        codes: &[
            Code::EarlierKeyUnaccountedFor,
            Code::WornKeyNotSurrendered,
            Code::ReplacedKeyNotHeld,
            Code::ReplacedKeyNotReported,
            Code::ReplacedBefore,
            Code::LossChargeOpen,
        ],
        check: copies::earlier_keys_accounted_for,
    },
    Rule {
        number: 7,
        name: "shown at the counter",
        asks: "The card is current, of this registration and person; the PIN is right; an identity \
               document was seen; the recipient collects, or somebody with a mandate, and signs.",
        codes: &[
            Code::CardNotShown,
            Code::CardNotCurrent,
            Code::CardOfAnother,
            Code::PinNotGiven,
            Code::PinWrong,
            Code::PinBlocked,
            Code::DocumentNotSeen,
            Code::SignatureNotGiven,
            Code::CollectorNotNamed,
        ],
        check: counter::shown_at_the_counter,
    },
    Rule {
        number: 8,
        name: "counter appointed",
        asks: "The counter is appointed for the section today, and the blanks on its account suffice.",
        codes: &[Code::CounterNotAppointed, Code::BlanksShort],
        check: counter::counter_appointed,
    },
    Rule {
        number: 9,
        name: "authorisation in force",
        asks: "The authorisation has not lapsed and is not spent.",
        codes: &[Code::NoAuthorisation, Code::AuthorisationLapsed, Code::AuthorisationSpent],
        check: counter::authorisation_in_force,
    },
    Rule {
        number: 10,
        name: "temporary issue",
        asks: "A temporary issue has a due-back date within the limit, enough notice, and extensions left.",
        codes: &[Code::DueBackNeeded, Code::DueBackOutOfRange, Code::ExtensionsUsedUp, Code::NoticeTooShort],
        check: copies::temporary_issue,
    },
    Rule {
        number: 11,
        name: "emergency override",
        asks: "An override comes from a named officer, with a written reason why the normal authority \
               cannot act; it stands in for the approvals of rule 4 and for nothing else.",
        codes: &[Code::OverrideWithoutReason, Code::OfficerNotNamed, Code::OverrideUsed],
        check: approvals::emergency_override,
    },
    Rule {
        number: 12,
        name: "occupier",
        asks: "An occupier without a key to their own home may have one: caps and limits do not stand \
               against it.",
        codes: &[Code::OccupierEntitled],
        check: entitlement::occupier,
    },
];

/// Takes the decision.
#[must_use]
pub fn decide(facts: &Facts, rules: &Rules) -> Decision {
    let mut reasons = Vec::new();
    for rule in RULES {
        let before = reasons.len();
        (rule.check)(facts, rules, &mut reasons);
        for reason in reasons.iter_mut().skip(before) {
            reason.rule = rule.number;
        }
    }
    Decision::of(reasons)
}
