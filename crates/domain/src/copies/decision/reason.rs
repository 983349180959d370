//! Reasons: a stable code, a plain sentence, and what would change the answer.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::register::rules::Need;

words! {
    /// What a reason does to the decision.
    pub enum Effect {
        /// It makes it a no.
        Refuses = "refuses",
        /// It makes a yes wait for approvals.
        NeedsApproval = "needs_approval",
        /// It changes nothing, and should be known.
        Note = "note",
    }
}

words! {
    /// Stable codes of reasons.
    pub enum Code {
        /// The registration has ended.
        RegistrationEnded = "registration_ended",
        /// A hold is in force.
        RegistrationOnHold = "registration_on_hold",
        /// The differ is reserved for a site.
        DifferReserved = "differ_reserved",
        /// Every lock that answered to the differ was rekeyed.
        DifferDead = "differ_dead",
        /// No lock answers to the differ.
        DifferOutOfService = "differ_out_of_service",
        /// The asker has no authority in force for this differ.
        AskerWithoutAuthority = "asker_without_authority",
        /// The asker's authority does not include ordering.
        AskerMayNotOrder = "asker_may_not_order",
        /// The recipient has no authority in force for this differ.
        RecipientWithoutAuthority = "recipient_without_authority",
        /// A court order names the recipient or the asker.
        BarredByCourt = "barred_by_court",
        /// The rules keep such keys from such people.
        OutsidePermittedClasses = "outside_permitted_classes",
        /// Approvals are missing.
        ApprovalNeeded = "approval_needed",
        /// The approver asks, or is the recipient.
        OwnRequest = "own_request",
        /// The approver has no approving authority in force for this differ.
        ApproverWithoutAuthority = "approver_without_authority",
        /// More keys than one request may ask for.
        OverRequestLimit = "over_request_limit",
        /// More keys than one person may have.
        OverPersonLimit = "over_person_limit",
        /// More keys than one person may get in a period.
        OverPeriodLimit = "over_period_limit",
        /// More keys than may exist.
        OverCap = "over_cap",
        /// An earlier key of the recipient is overdue or missing.
        EarlierKeyUnaccountedFor = "earlier_key_unaccounted_for",
        /// The worn key was not handed in.
        WornKeyNotSurrendered = "worn_key_not_surrendered",
        /// The key to be replaced is not with the recipient.
        ReplacedKeyNotHeld = "replaced_key_not_held",
        /// The key to be replaced was not reported missing.
        ReplacedKeyNotReported = "replaced_key_not_reported",
        /// The lost key was replaced before.
        ReplacedBefore = "replaced_before",
        /// The charge for the lost key is open.
        LossChargeOpen = "loss_charge_open",
        /// No card was shown.
        CardNotShown = "card_not_shown",
        /// The card is suspended, revoked or past its last day.
        CardNotCurrent = "card_not_current",
        /// The card is of another registration or person.
        CardOfAnother = "card_of_another",
        /// No PIN was given.
        PinNotGiven = "pin_not_given",
        /// The PIN is wrong.
        PinWrong = "pin_wrong",
        /// Too many wrong PINs.
        PinBlocked = "pin_blocked",
        /// No identity document was seen.
        DocumentNotSeen = "document_not_seen",
        /// Nobody signed.
        SignatureNotGiven = "signature_not_given",
        /// Whoever collects may not.
        CollectorNotNamed = "collector_not_named",
        /// The counter is not appointed.
        CounterNotAppointed = "counter_not_appointed",
        /// Too few blanks.
        BlanksShort = "blanks_short",
        /// Nothing was authorised.
        NoAuthorisation = "no_authorisation",
        /// The authorisation has lapsed.
        AuthorisationLapsed = "authorisation_lapsed",
        /// The authorisation is spent.
        AuthorisationSpent = "authorisation_spent",
        /// A due-back date is missing.
        DueBackNeeded = "due_back_needed",
        /// The due-back date is past, or too far away.
        DueBackOutOfRange = "due_back_out_of_range",
        /// It was extended too often.
        ExtensionsUsedUp = "extensions_used_up",
        /// It was asked for too late.
        NoticeTooShort = "notice_too_short",
        /// An override without a written reason.
        OverrideWithoutReason = "override_without_reason",
        /// An override by somebody who is not a named officer.
        OfficerNotNamed = "officer_not_named",
        /// An override stands in for approvals.
        OverrideUsed = "override_used",
        /// An occupier gets the key to their own home.
        OccupierEntitled = "occupier_entitled",
    }
}

impl Code {
    /// What is only still to be done: shown, entered, handed in, signed or approved.
    #[must_use]
    pub fn is_still_to_do(self) -> bool {
        use Code::{
            ApprovalNeeded, CardNotShown, DocumentNotSeen, PinNotGiven, SignatureNotGiven,
            WornKeyNotSurrendered,
        };
        matches!(
            self,
            ApprovalNeeded
                | CardNotShown
                | DocumentNotSeen
                | PinNotGiven
                | SignatureNotGiven
                | WornKeyNotSurrendered
        )
    }
}

/// One reason of a decision.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Reason {
    /// The rule that gave it.
    pub rule: u8,
    /// Its stable code.
    pub code: Code,
    /// What it does to the decision.
    pub effect: Effect,
    /// For a person to read.
    pub sentence: String,
    /// What would change the answer; empty when nothing would.
    pub remedy: String,
    /// The approvals that are missing.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub needs: Vec<Need>,
}

impl Reason {
    fn new(effect: Effect, code: Code, sentence: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { rule: 0, code, effect, sentence: sentence.into(), remedy: remedy.into(), needs: vec![] }
    }

    pub(crate) fn refuses(code: Code, sentence: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::new(Effect::Refuses, code, sentence, remedy)
    }

    /// A reason of which only the code is known, from the log.
    #[must_use]
    pub fn as_logged(code: Code) -> Self {
        let effect = if code == Code::ApprovalNeeded { Effect::NeedsApproval } else { Effect::Refuses };
        Self::new(effect, code, "As the log says; the sentence was lost with the database.", "")
    }

    pub(crate) fn note(code: Code, sentence: impl Into<String>) -> Self {
        Self::new(Effect::Note, code, sentence, "")
    }

    pub(crate) fn needs(sentence: impl Into<String>, needs: Vec<Need>) -> Self {
        let remedy = "Somebody who may give the missing approval approves the request.";
        Self { needs, ..Self::new(Effect::NeedsApproval, Code::ApprovalNeeded, sentence, remedy) }
    }
}
