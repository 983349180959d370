//! Key audits: when one is due, and what the silence of a holder means.
//!
//! Institutions ask for an audit each year, each half-year or at the beginning of each term; some take
//! silence for a yes, others chase it (97 published key-control policies: yearly or half-yearly
//! reconciliation in 9, holders confirm in 4, silence is chased in 5).

use serde::{Deserialize, Serialize};
use time::{Date, Duration, Month, OffsetDateTime};
use utoipa::ToSchema;

use crate::calendar::add_months;
use crate::differs::Level;
use crate::ids::{ActorId, AuditId, AuditLineId, DifferId, KeyId, PersonId, RegistrationId, StockCountId};

words! {
    /// How often keys are audited.
    pub enum AuditEvery {
        /// Only when somebody opens an audit.
        Never = "never",
        /// Once a year.
        Year = "year",
        /// Twice a year.
        HalfYear = "half_year",
        /// At the beginning of each term.
        Term = "term",
    }
}

words! {
    /// What it means when a holder does not answer.
    pub enum Silence {
        /// The holder is asked again until there is an answer.
        Chase = "chase",
        /// The register stands as it is.
        Right = "right",
    }
}

words! {
    /// What is known of a key in an audit.
    pub enum AuditAnswer {
        /// Nobody answered yet.
        Open = "open",
        /// Its holder has it.
        HasIt = "has_it",
        /// Its holder has it no more.
        Missing = "missing",
        /// Nobody answered, and that means that the register is right.
        TakenAsRight = "taken_as_right",
    }
}

/// The first day of a term, each year.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TermStart {
    /// The month.
    #[schema(minimum = 1, maximum = 12)]
    pub month: u8,
    /// The day.
    #[schema(minimum = 1, maximum = 28)]
    pub day: u8,
}

impl TermStart {
    fn in_year(self, year: i32) -> Option<Date> {
        Date::from_calendar_date(year, Month::try_from(self.month).ok()?, self.day).ok()
    }
}

/// When keys are audited, and how.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct AuditRule {
    /// How often it happens.
    pub every: AuditEvery,
    /// The first days of the terms.
    pub terms: Vec<TermStart>,
    /// What silence means.
    pub silence: Silence,
    /// Days within which holders answer.
    #[schema(minimum = 1, maximum = 366)]
    pub answer_days: u16,
}

impl Default for AuditRule {
    fn default() -> Self {
        Self { every: AuditEvery::Never, terms: vec![], silence: Silence::Chase, answer_days: 30 }
    }
}

impl AuditRule {
    /// The day on which the next audit is due, after one on `last` (or after the registration was made).
    #[must_use]
    pub fn next_after(&self, last: Date) -> Option<Date> {
        match self.every {
            AuditEvery::Never => None,
            AuditEvery::Year => Some(add_months(last, 12)),
            AuditEvery::HalfYear => Some(add_months(last, 6)),
            AuditEvery::Term => {
                let starts = (last.year()..=last.year() + 1)
                    .flat_map(|year| self.terms.iter().filter_map(move |term| term.in_year(year)));
                starts.filter(|start| *start > last).min()
            }
        }
    }

    /// The last day on which holders of an audit opened on a day answer in time.
    #[must_use]
    pub fn due_on(&self, opened: Date) -> Date {
        opened.saturating_add(Duration::days(i64::from(self.answer_days)))
    }

    /// What cannot be meant: where, and what is wrong.
    #[must_use]
    pub fn problems(&self) -> Vec<(String, &'static str)> {
        let mut found = Vec::new();
        if !(1..=366).contains(&self.answer_days) {
            found.push(("/audit/answer_days".to_owned(), "must be from 1 to 366"));
        }
        if self.every == AuditEvery::Term && self.terms.is_empty() {
            found.push(("/audit/terms".to_owned(), "must name the first day of a term"));
        }
        if self.terms.len() > 12 {
            found.push(("/audit/terms".to_owned(), "must have at most 12 terms"));
        }
        for (at, term) in self.terms.iter().enumerate() {
            if !(1..=12).contains(&term.month) || !(1..=28).contains(&term.day) {
                found.push((
                    format!("/audit/terms/{at}"),
                    "must be a month from 1 to 12 and a day from 1 to 28",
                ));
            }
        }
        found
    }
}

record! {
    /// A key audit.
    pub struct Audit {
        /// Its id.
        id: AuditId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// It is about the keys of this person only.
        person_id: Option<PersonId>,
        /// It is about the keys of this level only.
        level: Option<Level>,
        /// What silence means.
        silence: Silence,
        /// When it was opened.
        #[serde(with = "time::serde::rfc3339")]
        opened_at: OffsetDateTime,
        /// The last day on which holders answer in time.
        due_on: Date,
        /// When it was closed.
        #[serde(with = "time::serde::rfc3339::option")]
        closed_at: Option<OffsetDateTime>,
        /// Keys in it.
        keys: u32,
        /// The number of them without an answer.
        open: u32,
        /// The number of them that are missing.
        missing: u32,
    }

    /// One key in a key audit.
    pub struct AuditLine {
        /// Its id.
        id: AuditLineId,
        /// The key audit.
        audit_id: AuditId,
        /// The key.
        key_id: KeyId,
        /// Who had it when the audit was opened.
        holder_id: PersonId,
        /// What is known of it.
        answer: AuditAnswer,
        /// When it was answered.
        #[serde(with = "time::serde::rfc3339::option")]
        answered_at: Option<OffsetDateTime>,
        /// Its holder is to be chased: the time for an answer is over.
        overdue: bool,
    }

    /// A count of the keys of a differ in store.
    pub struct StockCount {
        /// Its id.
        id: StockCountId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// The differ.
        differ_id: DifferId,
        /// How many the register has.
        book: u32,
        /// How many there were.
        counted: u32,
        /// What there was to say.
        remark: Option<String>,
        /// Who counted.
        made_by: ActorId,
        /// When the keys were counted.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
    }
}

#[cfg(test)]
mod tests {
    use time::macros::date;

    use super::*;

    #[test]
    fn audits_are_due_by_year_by_half_year_and_by_term() {
        let rule = |every, terms: &[(u8, u8)]| AuditRule {
            every,
            terms: terms.iter().map(|(month, day)| TermStart { month: *month, day: *day }).collect(),
            ..AuditRule::default()
        };
        let last = date!(2026 - 08 - 31);
        assert_eq!(rule(AuditEvery::Never, &[]).next_after(last), None);
        assert_eq!(rule(AuditEvery::Year, &[]).next_after(last), Some(date!(2027 - 08 - 31)));
        // The last day of February, where there is no 31st.
        assert_eq!(rule(AuditEvery::HalfYear, &[]).next_after(last), Some(date!(2027 - 02 - 28)));
        let terms = rule(AuditEvery::Term, &[(1, 10), (4, 20), (9, 1)]);
        assert_eq!(terms.next_after(last), Some(date!(2026 - 09 - 01)));
        assert_eq!(terms.next_after(date!(2026 - 09 - 01)), Some(date!(2027 - 01 - 10)));
        assert_eq!(terms.due_on(date!(2026 - 09 - 01)), date!(2026 - 10 - 01));
    }

    #[test]
    fn what_cannot_be_meant_is_named() {
        let rule = AuditRule {
            every: AuditEvery::Term,
            terms: vec![TermStart { month: 2, day: 29 }],
            answer_days: 0,
            ..AuditRule::default()
        };
        let places: Vec<_> = rule.problems().into_iter().map(|(place, _)| place).collect();
        assert_eq!(places, ["/audit/answer_days", "/audit/terms/0"]);
        assert!(AuditRule::default().problems().is_empty());
    }
}
