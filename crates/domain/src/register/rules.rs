//! The rules of a registration: data, versioned, and part of the evidence.
//!
//! Every list may be empty; an empty list in a [`Situation`] means "any". A supplier keeps defaults, and
//! each registration has its own versions. What the rules mean is in [`crate::copies::decision`].

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::calendar::{DayCount, DayKind};
use crate::copies::Purpose;
use crate::differs::Level;
use crate::keys::audits::AuditRule;
use crate::money::{MOST_AMOUNT, is_currency};
use crate::rights::authorities::AuthorityClass;
use crate::text::{Remark, Slug};

/// The most lines of one list.
const MOST_LINES: usize = 100;

/// The situations that one line of the rules is about. What is left out matches everything.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Situation {
    /// Levels of the differ.
    pub levels: Vec<Level>,
    /// Classes of the rooms that the differ opens; one of them is enough.
    pub room_classes: Vec<Slug>,
    /// The widest class of authority of the person who asks.
    pub asker_classes: Vec<AuthorityClass>,
    /// Standings of the person who asks.
    pub asker_standings: Vec<Slug>,
    /// Standings of the person for whom the key is.
    pub recipient_standings: Vec<Slug>,
    /// Why the copy is asked for.
    pub purposes: Vec<Purpose>,
    /// From this quantity on.
    pub quantity_from: Option<u32>,
    /// Only temporary issues, or only permanent ones.
    pub temporary: Option<bool>,
}

/// Who is outside, whatever anybody approves.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Eligibility {
    /// The situations.
    #[serde(default)]
    pub when: Situation,
    /// The only standings of the recipient that may have such a key; none of them, when empty.
    #[serde(default)]
    pub only_standings: Vec<Slug>,
    /// What to ask for instead.
    #[serde(default)]
    pub instead: Option<Remark>,
}

/// One approval that has to be there, from one of several posts or classes.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Need {
    /// Posts, any of which will do; any post, when empty.
    #[serde(default)]
    pub posts: Vec<Slug>,
    /// Classes of authority, any of which will do; any class, when empty.
    #[serde(default)]
    pub classes: Vec<AuthorityClass>,
    /// From how many different people.
    #[serde(default = "one")]
    #[schema(minimum = 1, maximum = 10)]
    pub count: u8,
}

fn one() -> u8 {
    1
}

/// Approvals that a situation asks for. Every line that matches adds its needs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ApprovalRule {
    /// The situations.
    #[serde(default)]
    pub when: Situation,
    /// What has to be there.
    pub needs: Vec<Need>,
}

/// A number of keys in a number of days.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RollingPeriod {
    /// Days, counted back from the request.
    #[schema(minimum = 1, maximum = 3650)]
    pub days: u16,
    /// The most keys in them.
    pub keys: u32,
}

/// Limits for a situation. Every line that matches applies.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Limit {
    /// The situations.
    pub when: Situation,
    /// The most keys in one request.
    pub per_request: Option<u32>,
    /// The most live keys of this differ with one person.
    pub per_person: Option<u32>,
    /// The most keys for one person in a rolling period.
    pub per_period: Option<RollingPeriod>,
    /// The cap: live keys, open authorisations and this request together.
    pub cap: Option<u32>,
}

/// What has to be shown before keys are cut, or handed over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RequiredAtCounter {
    /// A card, current, of this registration and person.
    pub card: bool,
    /// The PIN of that card.
    pub pin: bool,
    /// An identity document with a photograph.
    pub document: bool,
    /// A signature, drawn there.
    #[serde(default)]
    pub signature: bool,
}

words! {
    /// Who may collect.
    pub enum Collection {
        /// The recipient and nobody else.
        RecipientOnly = "recipient_only",
        /// The recipient, or somebody with a written mandate that the register knows.
        RecipientOrMandate = "recipient_or_mandate",
    }
}

words! {
    /// Whether a key may pass from one person to another.
    pub enum Transfer {
        /// It comes back and is issued again.
        Forbidden = "forbidden",
        /// By a signed form, to a person with an authority.
        ByForm = "by_form",
    }
}

/// Notice that a request must give before the day from which the key is needed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NoticeRule {
    /// The situations.
    #[serde(default)]
    pub when: Situation,
    /// Hours.
    #[schema(minimum = 1, maximum = 8760)]
    pub hours: u16,
}

/// Keys that have to come back by a day.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Temporary {
    /// Situations in which a copy must have a due-back date.
    pub required: Vec<Situation>,
    /// The most days from the request to the due-back date; 0 is the same day.
    pub most_days: Option<u16>,
    /// How often an issue may be extended, each time by a fresh request.
    pub most_extensions: Option<u8>,
}

/// Who may approve in place of an authority that cannot act.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Emergency {
    /// Posts of the named officers. Without one there is no override.
    pub posts: Vec<Slug>,
}

/// A charge for a lost key. The first line that matches is asked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Charge {
    /// The situations.
    #[serde(default)]
    pub when: Situation,
    /// In the smallest unit of the currency.
    #[schema(maximum = 100_000_000)]
    pub amount: u32,
    /// ISO 4217.
    #[schema(pattern = "^[A-Z]{3}$")]
    pub currency: String,
}

words! {
    /// Whether a share is met when it is reached, or only beyond it.
    pub enum Boundary {
        /// At the share or above.
        Reached = "reached",
        /// Above the share.
        Exceeded = "exceeded",
    }
}

/// When lost keys call for a review of the locks. The first line that matches applies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReviewLevel {
    /// The situations.
    #[serde(default)]
    pub when: Situation,
    /// So many lost keys.
    #[serde(default)]
    pub keys: Option<u32>,
    /// So many lost keys in a hundred that were issued.
    #[serde(default)]
    #[schema(minimum = 1, maximum = 100)]
    pub percent: Option<u8>,
    /// What counts at the boundary of the share.
    #[serde(default = "reached")]
    pub boundary: Boundary,
}

fn reached() -> Boundary {
    Boundary::Reached
}

/// What follows the loss of a key.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Losses {
    /// Nothing is copied of the differ from the report until somebody decided what becomes of the locks.
    pub hold: bool,
    /// Theft must be reported to the police, and the reference recorded.
    pub crime_reference: bool,
    /// Charges.
    pub charges: Vec<Charge>,
    /// A replacement waits until the charge is paid or waived.
    pub charge_before_replacement: bool,
    /// Posts that may waive a charge.
    pub waived_by: Vec<Slug>,
    /// When the locks are to be reviewed.
    pub reviews: Vec<ReviewLevel>,
}

impl Default for Losses {
    fn default() -> Self {
        Self {
            hold: true,
            crime_reference: false,
            charges: vec![],
            charge_before_replacement: false,
            waived_by: vec![],
            reviews: vec![],
        }
    }
}

impl Losses {
    fn problems(&self, say: &mut impl FnMut(String, &'static str)) {
        for (at, charge) in self.charges.iter().enumerate() {
            if !is_currency(&charge.currency) {
                say(format!("/losses/charges/{at}/currency"), "must be three capital letters (ISO 4217)");
            }
            if charge.amount > MOST_AMOUNT {
                say(format!("/losses/charges/{at}/amount"), "must be at most 100000000");
            }
        }
        for (at, level) in self.reviews.iter().enumerate() {
            if level.keys.is_none() && level.percent.is_none() {
                say(format!("/losses/reviews/{at}"), "must state keys or percent");
            }
            if level.percent.is_some_and(|percent| !(1..=100).contains(&percent)) {
                say(format!("/losses/reviews/{at}/percent"), "must be from 1 to 100");
            }
        }
    }
}

/// What follows when a person leaves.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct LeavingRules {
    /// Days within which the register must be told.
    pub notice_days: Option<u16>,
    /// Days after the last day at which a key that did not come back calls for a rekey.
    pub rekey_after_days: Option<u16>,
}

/// The rules of a registration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Rules {
    /// Who is outside, whatever anybody approves.
    pub eligibility: Vec<Eligibility>,
    /// Which approvals are needed.
    pub approvals: Vec<ApprovalRule>,
    /// How many keys one person, one request and one differ may have.
    pub limits: Vec<Limit>,
    /// Lost and stolen keys count to the cap until their differ is dead.
    pub lost_keys_count: bool,
    /// No further copy while an earlier key of the recipient is unaccounted for.
    pub unaccounted_blocks: bool,
    /// What is shown before keys are cut.
    pub at_cut: RequiredAtCounter,
    /// What is shown before keys are handed over.
    pub at_hand_over: RequiredAtCounter,
    /// Who may collect.
    pub collection: Collection,
    /// When an authorisation lapses.
    pub lapse: DayCount,
    /// Notice before a key is needed.
    pub notices: Vec<NoticeRule>,
    /// Keys that come back by a day.
    pub temporary: Temporary,
    /// Overrides.
    pub emergency: Emergency,
    /// Passing on.
    pub transfer: Transfer,
    /// Lost keys.
    pub losses: Losses,
    /// People who leave.
    pub leaving: LeavingRules,
    /// Key audits.
    pub audit: AuditRule,
}

impl Default for Rules {
    /// What holds where a supplier set nothing else.
    fn default() -> Self {
        use AuthorityClass::{Agent, Keyholder, Owner, Signatory};
        let approver = |count| Need { posts: vec![], classes: vec![Owner, Signatory, Agent], count };
        let rule = |levels: &[Level], asker_classes: &[AuthorityClass], quantity_from, count| ApprovalRule {
            when: Situation {
                levels: levels.to_vec(),
                asker_classes: asker_classes.to_vec(),
                quantity_from,
                ..Situation::default()
            },
            needs: vec![approver(count)],
        };
        Self {
            eligibility: vec![],
            approvals: vec![
                rule(&[Level::Lock], &[Keyholder], None, 1),
                rule(&[Level::Suite], &[Keyholder, Signatory, Agent], None, 1),
                rule(&[Level::Building, Level::Everything], &[Keyholder, Signatory, Agent], None, 2),
                rule(&[], &[Keyholder, Signatory, Agent], Some(4), 1),
            ],
            limits: vec![Limit {
                per_request: Some(6),
                per_person: Some(4),
                per_period: Some(RollingPeriod { days: 365, keys: 8 }),
                cap: Some(12),
                ..Limit::default()
            }],
            lost_keys_count: true,
            unaccounted_blocks: true,
            at_cut: RequiredAtCounter { card: false, pin: false, document: false, signature: false },
            at_hand_over: RequiredAtCounter { card: true, pin: true, document: true, signature: true },
            collection: Collection::RecipientOrMandate,
            lapse: DayCount { days: 30, kind: DayKind::Calendar, holidays: vec![] },
            notices: vec![],
            temporary: Temporary { required: vec![], most_days: Some(366), most_extensions: Some(3) },
            emergency: Emergency::default(),
            transfer: Transfer::Forbidden,
            losses: Losses { crime_reference: true, ..Losses::default() },
            leaving: LeavingRules::default(),
            audit: AuditRule::default(),
        }
    }
}

/// A line of the rules that cannot be meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleError {
    /// Where: a JSON pointer into the rules.
    pub pointer: String,
    /// What is wrong.
    pub problem: &'static str,
}

impl Rules {
    /// Everything that is wrong with the rules beyond their form.
    #[must_use]
    pub fn problems(&self) -> Vec<RuleError> {
        let mut problems = Vec::new();
        let mut say = |pointer: String, problem| problems.push(RuleError { pointer, problem });
        for (at, rule) in self.approvals.iter().enumerate() {
            if rule.needs.is_empty() {
                say(format!("/approvals/{at}/needs"), "must name at least one approval");
            }
            for (need_at, need) in rule.needs.iter().enumerate() {
                if !(1..=10).contains(&need.count) {
                    say(format!("/approvals/{at}/needs/{need_at}/count"), "must be from 1 to 10");
                }
            }
        }
        for (pointer, length) in [
            ("/eligibility", self.eligibility.len()),
            ("/approvals", self.approvals.len()),
            ("/limits", self.limits.len()),
            ("/notices", self.notices.len()),
            ("/temporary/required", self.temporary.required.len()),
            ("/losses/charges", self.losses.charges.len()),
            ("/losses/reviews", self.losses.reviews.len()),
        ] {
            if length > MOST_LINES {
                say(pointer.to_owned(), "must have at most 100 lines");
            }
        }
        for (at, limit) in self.limits.iter().enumerate() {
            if limit.per_period.as_ref().is_some_and(|period| !(1..=3650).contains(&period.days)) {
                say(format!("/limits/{at}/per_period/days"), "must be from 1 to 3650");
            }
        }
        if !(1..=3650).contains(&self.lapse.days) {
            say("/lapse/days".to_owned(), "must be from 1 to 3650");
        }
        for (at, notice) in self.notices.iter().enumerate() {
            if !(1..=8760).contains(&notice.hours) {
                say(format!("/notices/{at}/hours"), "must be from 1 to 8760");
            }
        }
        self.losses.problems(&mut say);
        for (pointer, problem) in self.audit.problems() {
            say(pointer, problem);
        }
        if self.at_cut.pin && !self.at_cut.card {
            say("/at_cut/pin".to_owned(), "needs the card whose PIN it is");
        }
        if self.at_hand_over.pin && !self.at_hand_over.card {
            say("/at_hand_over/pin".to_owned(), "needs the card whose PIN it is");
        }
        problems
    }

    /// The longest rolling period of any limit, in days.
    #[must_use]
    pub fn longest_period(&self) -> u16 {
        self.limits.iter().filter_map(|limit| Some(limit.per_period.as_ref()?.days)).max().unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_defaults_are_without_problems_and_survive_json() {
        let rules = Rules::default();
        assert_eq!(rules.problems(), vec![]);
        let json = serde_json::to_string(&rules).unwrap();
        assert_eq!(serde_json::from_str::<Rules>(&json).unwrap(), rules);
        assert_eq!(serde_json::from_str::<Rules>("{}").unwrap(), rules);
    }

    #[test]
    fn every_problem_is_named_with_its_place() {
        let rules: Rules = serde_json::from_value(serde_json::json!({
            "approvals": [{"needs": []}, {"needs": [{"count": 0}]}],
            "lapse": {"days": 0},
            "losses": {"charges": [{"amount": 1, "currency": "gbp"}], "reviews": [{}]},
            "at_cut": {"card": false, "pin": true, "document": false}
        }))
        .unwrap();
        let places: Vec<_> = rules.problems().into_iter().map(|problem| problem.pointer).collect();
        assert_eq!(
            places,
            [
                "/approvals/0/needs",
                "/approvals/1/needs/0/count",
                "/lapse/days",
                "/losses/charges/0/currency",
                "/losses/reviews/0",
                "/at_cut/pin"
            ]
        );
    }
}
