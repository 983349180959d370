//! The words of the register.

use thiserror::Error;
use time::Date;

use super::calendar::add_years;

/// A word that is not one of an enumeration.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("{word:?} is not a {of}")]
pub struct UnknownWord {
    /// The enumeration.
    pub of: &'static str,
    /// The word.
    pub word: String,
}

words! {
    /// What an organisation is in the trade.
    pub enum OrganisationKind {
        /// Sells the locks, keeps the register.
        Supplier = "supplier",
        /// Has counters where keys are cut.
        Dealer = "dealer",
        /// Owns premises.
        Owner = "owner",
        /// Acts for owners within a mandate.
        Agent = "agent",
        /// Builds houses.
        Builder = "builder",
        /// Reads the evidence log, and nothing else.
        Auditor = "auditor",
    }
}

words! {
    /// A person's place in an organisation.
    pub enum Post {
        /// Adds and ends memberships and client programs.
        Head = "head",
        /// Does the organisation's work.
        Staff = "staff",
    }
}

words! {
    /// What protects a key section.
    pub enum Protection {
        /// Registered design: terms of five years, 25 years at most.
        RegisteredDesign = "registered_design",
        /// Patent: 20 years at most.
        Patent = "patent",
        /// Nothing but what the parties agreed.
        Agreement = "agreement",
    }
}

impl Protection {
    /// The most years from filing to the last possible expiry (gov.uk, nibusinessinfo.co.uk).
    #[must_use]
    pub fn most_years(self) -> Option<u16> {
        match self {
            Self::RegisteredDesign => Some(25),
            Self::Patent => Some(20),
            Self::Agreement => None,
        }
    }

    /// Whether a last possible expiry is within what the law can give from a filing date.
    #[must_use]
    pub fn allows(self, filed_on: Date, last_expiry_on: Date) -> bool {
        self.most_years().is_none_or(|years| last_expiry_on <= add_years(filed_on, years))
    }
}

words! {
    /// Where the protection of a section stands on a day.
    pub enum ProtectionState {
        /// In force, nothing to do.
        InForce = "in_force",
        /// In force; its renewal is due within six months.
        RenewalDue = "renewal_due",
        /// In force; it ends for good within a year.
        EndsSoon = "ends_soon",
        /// Over: what restricts copying now is the contract alone.
        ContractOnly = "contract_only",
    }
}

/// Where the protection of a section stands on `day`.
#[must_use]
pub fn protection_state(
    protection: Protection,
    next_renewal_on: Option<Date>,
    last_expiry_on: Option<Date>,
    day: Date,
) -> ProtectionState {
    let half_year = time::Duration::days(183);
    if protection == Protection::Agreement || last_expiry_on.is_some_and(|end| end < day) {
        ProtectionState::ContractOnly
    } else if next_renewal_on.is_some_and(|renewal| renewal < day) {
        // The term ran out and no later renewal was recorded.
        ProtectionState::ContractOnly
    } else if last_expiry_on.is_some_and(|end| end - half_year * 2 <= day) {
        ProtectionState::EndsSoon
    } else if next_renewal_on.is_some_and(|renewal| renewal - half_year <= day) {
        ProtectionState::RenewalDue
    } else {
        ProtectionState::InForce
    }
}

words! {
    /// What kind of lock it is.
    pub enum LockKind {
        /// A bolt alone, let into the door.
        MorticeDeadlock = "mortice_deadlock",
        /// A bolt and a latch with a handle, let into the door.
        MorticeSashlock = "mortice_sashlock",
        /// A cylinder.
        Cylinder = "cylinder",
        /// A padlock.
        Padlock = "padlock",
        /// Anything else.
        Other = "other",
    }
}

words! {
    /// On which side the door hangs.
    pub enum Hand {
        /// Left.
        Left = "left",
        /// Right.
        Right = "right",
    }
}

words! {
    /// What a differ opens; the order is that of width.
    pub enum Level {
        /// One lock, or one keyed-alike pair.
        Lock = "lock",
        /// A suite of rooms, or a door that many use.
        Suite = "suite",
        /// A building.
        Building = "building",
        /// Everything.
        Everything = "everything",
    }
}

words! {
    /// Where a differ stands.
    pub enum DifferState {
        /// For a site: nobody orders keys of it yet.
        Reserved = "reserved",
        /// An owner's.
        GivenOut = "given_out",
        /// No lock answers to it any more.
        Dead = "dead",
        /// Never cut, and its combination is free again.
        Released = "released",
    }
}

words! {
    /// What an authority is.
    pub enum AuthorityClass {
        /// Owns the premises.
        Owner = "owner",
        /// May order and approve.
        Signatory = "signatory",
        /// May hold a key, and may ask.
        Keyholder = "keyholder",
        /// Acts for the owner within a mandate.
        Agent = "agent",
    }
}

words! {
    /// Where a card stands.
    pub enum CardState {
        /// Good until its last day.
        Valid = "valid",
        /// Not good for now.
        Suspended = "suspended",
        /// Never good again.
        Revoked = "revoked",
    }
}

words! {
    /// Why nothing may be copied.
    pub enum HoldKind {
        /// A key is lost.
        Loss = "loss",
        /// A key was stolen.
        Theft = "theft",
        /// The parties disagree.
        Dispute = "dispute",
        /// A court said so; it may bar one person only.
        CourtOrder = "court_order",
    }
}

words! {
    /// Why a copy is asked for.
    pub enum Purpose {
        /// One more key.
        Additional = "additional",
        /// In place of a worn or broken key, against the old one.
        ReplaceWorn = "replace_worn",
        /// In place of a lost or stolen key.
        ReplaceLost = "replace_lost",
    }
}

words! {
    /// Which kind of identity document was seen; never a copy of it.
    pub enum DocumentKind {
        /// A passport.
        Passport = "passport",
        /// A driving licence.
        DrivingLicence = "driving_licence",
        /// A national or residence identity card.
        IdentityCard = "identity_card",
        /// A card of the employer or school.
        StaffCard = "staff_card",
        /// Another document with a photograph.
        OtherPhotoDocument = "other_photo_document",
    }
}

words! {
    /// What became of the charge for a lost key.
    pub enum ChargeState {
        /// None is asked.
        None = "none",
        /// Asked and open.
        Due = "due",
        /// Paid.
        Paid = "paid",
        /// Waived by somebody who may.
        Waived = "waived",
    }
}

words! {
    /// How a key came to be missing.
    pub enum LossKind {
        /// It cannot be found.
        Lost = "lost",
        /// It was taken.
        Stolen = "stolen",
    }
}

words! {
    /// What a named person decided after a loss.
    pub enum LossDecision {
        /// The locks stay as they are; the hold on the differ is lifted.
        Keep = "keep",
        /// The locks are rekeyed.
        Rekey = "rekey",
    }
}

words! {
    /// Where a rekey stands.
    pub enum RekeyState {
        /// Some locks still answer to the old differs.
        UnderWay = "under_way",
        /// Every lock was fitted.
        Done = "done",
        /// Given up before any lock was fitted.
        Stopped = "stopped",
    }
}

words! {
    /// What a person is told.
    pub enum NoticeKind {
        /// Locks are being rekeyed to which the person has a key.
        RekeyBegun = "rekey_begun",
        /// A key that the person has opens nothing any more.
        KeyDead = "key_dead",
        /// The person is asked which keys they have.
        AuditOpened = "audit_opened",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use time::macros::date;

    /// Registered design 25 years, patent 20 years from filing (gov.uk, nibusinessinfo.co.uk).
    #[test]
    fn protection_lasts_no_longer_than_the_law_gives() {
        let filed = date!(2010 - 03 - 01);
        assert!(Protection::RegisteredDesign.allows(filed, date!(2035 - 03 - 01)));
        assert!(!Protection::RegisteredDesign.allows(filed, date!(2035 - 03 - 02)));
        assert!(Protection::Patent.allows(filed, date!(2030 - 03 - 01)));
        assert!(!Protection::Patent.allows(filed, date!(2030 - 03 - 02)));
    }

    #[test]
    fn a_lapsed_protection_leaves_the_contract_alone() {
        let state = |renewal, end, day| protection_state(Protection::RegisteredDesign, renewal, end, day);
        let end = Some(date!(2035 - 03 - 01));
        let renewal = Some(date!(2030 - 03 - 01));
        assert_eq!(state(renewal, end, date!(2027 - 01 - 01)), ProtectionState::InForce);
        // Renewal is possible from six months before (gov.uk).
        assert_eq!(state(renewal, end, date!(2029 - 09 - 01)), ProtectionState::RenewalDue);
        assert_eq!(state(renewal, end, date!(2030 - 03 - 02)), ProtectionState::ContractOnly);
        assert_eq!(state(end, end, date!(2034 - 09 - 01)), ProtectionState::EndsSoon);
        assert_eq!(state(end, end, date!(2035 - 03 - 02)), ProtectionState::ContractOnly);
        assert_eq!(
            protection_state(Protection::Agreement, None, None, date!(2027 - 01 - 01)),
            ProtectionState::ContractOnly
        );
    }
}
