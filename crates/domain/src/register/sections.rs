//! Key sections.

use serde::Serialize;
use time::Date;
use utoipa::ToSchema;

use crate::calendar::add_years;
use crate::ids::SectionId;

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

impl ProtectionState {
    /// What to say to a customer about it.
    #[must_use]
    pub fn notice(self) -> &'static str {
        match self {
            Self::InForce => "Blanks of this section are protected in its territory.",
            Self::RenewalDue => "The protection of this section is due for renewal within six months.",
            Self::EndsSoon => {
                "The protection of this section ends for good within a year; afterwards copies are restricted by \
                 agreement alone."
            }
            Self::ContractOnly => "Copies of this section are restricted by agreement between the parties.",
        }
    }
}

/// Where the protection of a section stands on `day`.
#[must_use]
fn protection_state(
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

record! {
    /// The profile of a restricted key and its blank.
    pub struct Section {
        /// Its id.
        id: SectionId,
        /// Its name.
        name: String,
        /// What protects it.
        protection: Protection,
        /// Where the protection holds.
        territory: Option<String>,
        /// When it was filed.
        filed_on: Option<Date>,
        /// When it has to be renewed next.
        next_renewal_on: Option<Date>,
        /// The last day that the law can give.
        last_expiry_on: Option<Date>,
        /// Counts its changes.
        version: i32,
    }
}

/// A section, and where its protection stands on a day.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SectionOnDay {
    /// The section.
    #[serde(flatten)]
    pub section: Section,
    /// Where the protection stands.
    protection_state: ProtectionState,
    /// What to say to a customer about it.
    notice: &'static str,
}

impl Section {
    /// As it stands on a day.
    #[must_use]
    pub fn on(self, day: Date) -> SectionOnDay {
        let state = protection_state(self.protection, self.next_renewal_on, self.last_expiry_on, day);
        SectionOnDay { section: self, protection_state: state, notice: state.notice() }
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
