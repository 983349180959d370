//! What a decision is taken on: everything that the rules look at, as values.

use serde::{Deserialize, Serialize};
use time::{Date, OffsetDateTime};

use crate::calendar::Period;
use crate::cards::CardState;
use crate::copies::{DocumentKind, Purpose};
use crate::differs::{DifferState, Level};
use crate::ids::PersonId;
use crate::keys::ChargeState;
use crate::register::rules::Situation;
use crate::rights::authorities::AuthorityClass;
use crate::rights::holds::HoldKind;
use crate::text::Slug;

words! {
    /// The steps at which a decision is taken.
    pub enum Step {
        /// A copy is asked for.
        Ask = "ask",
        /// Somebody approves.
        Approve = "approve",
        /// A counter looks at the bitting that it is about to cut.
        Look = "look",
        /// Keys are cut.
        Cut = "cut",
        /// Keys are handed over.
        HandOver = "hand_over",
    }
}

/// A hold in force.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct HoldFacts {
    /// What the hold is for.
    pub kind: HoldKind,
    /// The one person who is barred; everybody, when none is named.
    #[serde(default)]
    pub barred: Option<PersonId>,
}

/// The registration.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct RegistrationFacts {
    /// It has ended.
    pub ended: bool,
    /// Holds in force now.
    pub holds: Vec<HoldFacts>,
}

/// The differ.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(default)]
pub struct DifferFacts {
    /// What it opens.
    pub level: Level,
    /// The classes of the rooms behind its locks.
    pub room_classes: Vec<Slug>,
    /// At least one lock answers to it now.
    pub in_service: bool,
    /// Its state.
    pub state: DifferState,
}

impl Default for DifferFacts {
    fn default() -> Self {
        Self { level: Level::Lock, room_classes: vec![], in_service: true, state: DifferState::GivenOut }
    }
}

/// One authority of a person on this registration.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct AuthorityFacts {
    /// Its class.
    pub class: AuthorityClass,
    /// The post in which the person acts.
    #[serde(default)]
    pub post: Option<Slug>,
    /// What the person is to the owner: staff, contractor, student.
    #[serde(default)]
    pub standing: Option<Slug>,
    /// Its scope includes the differ.
    #[serde(default = "yes")]
    pub covers: bool,
    /// May ask for copies.
    #[serde(default = "yes")]
    pub may_order: bool,
    /// May approve.
    #[serde(default)]
    pub may_approve: bool,
    /// It is that of an occupier for their own home.
    #[serde(default)]
    pub occupier: bool,
    /// The most keys that one request under it may ask for.
    #[serde(default)]
    pub most_per_request: Option<u32>,
    /// The most live keys that its person may have under it.
    #[serde(default)]
    pub most_keys: Option<u32>,
    /// First and last day.
    pub period: Period,
    /// It was revoked.
    #[serde(default)]
    pub revoked: bool,
}

fn yes() -> bool {
    true
}

impl AuthorityFacts {
    /// In force on a day.
    #[must_use]
    pub fn in_force(&self, day: Date) -> bool {
        !self.revoked && self.period.covers(day)
    }
}

/// A person and the authorities on this registration.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct PersonFacts {
    /// The person.
    pub id: PersonId,
    /// Every authority on this registration, those that are over too.
    #[serde(default)]
    pub authorities: Vec<AuthorityFacts>,
}

impl Default for PersonFacts {
    fn default() -> Self {
        Self { id: PersonId(uuid::Uuid::nil()), authorities: vec![] }
    }
}

impl PersonFacts {
    /// The authorities in force on a day whose scope includes the differ.
    pub fn standing_authorities(&self, day: Date) -> impl Iterator<Item = &AuthorityFacts> {
        self.authorities.iter().filter(move |authority| authority.in_force(day) && authority.covers)
    }
}

/// An approval that was given.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct ApprovalFacts {
    /// By whom, with the authorities as they are now.
    pub person: PersonFacts,
    /// Given in place of an authority that cannot act.
    #[serde(default)]
    pub emergency: bool,
}

/// The key that a copy replaces.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(default)]
pub struct ReplacedKey {
    /// It is with the recipient.
    pub with_recipient: bool,
    /// It was reported lost or stolen by the recipient or as theirs.
    pub missing: bool,
    /// It is handed in with this act, or was before.
    pub handed_in: bool,
    /// Another request that was authorised replaces it.
    pub replaced_before: bool,
    /// What became of the charge for its loss.
    pub charge: ChargeState,
    /// The post of whoever waived the charge.
    pub waived_by: Option<Slug>,
}

impl Default for ReplacedKey {
    fn default() -> Self {
        Self {
            with_recipient: false,
            missing: false,
            handed_in: false,
            replaced_before: false,
            charge: ChargeState::None,
            waived_by: None,
        }
    }
}

/// What is asked for.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(default)]
pub struct RequestFacts {
    /// The number of keys.
    pub quantity: u32,
    /// What the copy is for.
    pub purpose: Purpose,
    /// When it was asked for.
    #[serde(with = "time::serde::rfc3339")]
    pub asked_at: OffsetDateTime,
    /// From when the key is needed.
    #[serde(with = "time::serde::rfc3339::option")]
    pub needed_from: Option<OffsetDateTime>,
    /// By when the key comes back.
    pub due_back_on: Option<Date>,
    /// It asks for more time with keys that are already out; nothing is cut.
    pub extends: bool,
    /// How often this issue has been extended, with this request.
    pub extensions: u32,
    /// Why the authority that normally approves cannot act.
    pub emergency_reason: bool,
    /// The key that is replaced.
    pub replaced: Option<ReplacedKey>,
}

impl Default for RequestFacts {
    fn default() -> Self {
        Self {
            quantity: 1,
            purpose: Purpose::Additional,
            asked_at: OffsetDateTime::UNIX_EPOCH,
            needed_from: None,
            due_back_on: None,
            extends: false,
            extensions: 0,
            emergency_reason: false,
            replaced: None,
        }
    }
}

/// Keys that were authorised for the recipient before.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct EarlierKeys {
    /// When they were authorised.
    #[serde(with = "time::serde::rfc3339")]
    pub at: OffsetDateTime,
    /// The number of keys.
    pub quantity: u32,
}

/// The keys of the differ, this request apart.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct KeyFacts {
    /// Keys that exist and are not missing: in store, with a person, returned.
    pub existing: u32,
    /// Keys that are lost or stolen.
    pub missing: u32,
    /// Keys that other open authorisations still allow.
    pub open_elsewhere: u32,
    /// Keys with the recipient, and those that other open authorisations allow.
    pub with_recipient: u32,
    /// What was authorised for the recipient on this registration lately, other requests only.
    pub earlier: Vec<EarlierKeys>,
    /// Keys of the recipient that are overdue, or missing and not replaced.
    pub unaccounted: u32,
}

/// The counter at which the copy is to be cut.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(default)]
pub struct CounterFacts {
    /// Appointed for the section today.
    pub appointed: bool,
    /// Blanks of the section on its account.
    pub blanks: u32,
}

impl Default for CounterFacts {
    fn default() -> Self {
        Self { appointed: true, blanks: 1_000 }
    }
}

/// A card that was shown.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct CardFacts {
    /// Its state.
    pub state: CardState,
    /// Its last day.
    pub expires_on: Date,
    /// It belongs to this registration.
    pub of_registration: bool,
    /// It belongs to the person who stands there.
    pub of_person: bool,
}

words! {
    /// What came of the PIN.
    pub enum PinOutcome {
        /// None was given.
        NotGiven = "not_given",
        /// The right one.
        Right = "right",
        /// A wrong one, or none was ever set.
        Wrong = "wrong",
        /// Too many wrong ones: not looked at for a while.
        Blocked = "blocked",
    }
}

words! {
    /// Who stands there.
    pub enum Collector {
        /// The person for whom the key is.
        Recipient = "recipient",
        /// Somebody with a mandate that the register knows, in force today.
        Mandated = "mandated",
        /// Anybody else, whatever paper is brought.
        Other = "other",
    }
}

/// What is shown at the counter.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(default)]
pub struct ShownFacts {
    /// The card.
    pub card: Option<CardFacts>,
    /// The PIN.
    pub pin: PinOutcome,
    /// The identity document that was seen.
    pub document: Option<DocumentKind>,
    /// A signature was drawn.
    pub signature: bool,
    /// Who stands there.
    pub collector: Collector,
    /// The id of whoever stands there.
    pub collected_by: Option<PersonId>,
}

impl Default for ShownFacts {
    fn default() -> Self {
        Self {
            card: None,
            pin: PinOutcome::NotGiven,
            document: None,
            signature: false,
            collector: Collector::Recipient,
            collected_by: None,
        }
    }
}

/// The authorisation that an earlier decision gave.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct AuthorisationFacts {
    /// When it lapses.
    #[serde(with = "time::serde::rfc3339")]
    pub lapses_at: OffsetDateTime,
    /// Keys that it still allows to cut (at a cut) or that wait to be handed over (at a hand-over).
    pub left: u32,
}

/// Everything that the rules look at.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Facts {
    /// The step.
    pub step: Step,
    /// The instant of the step.
    #[serde(with = "time::serde::rfc3339")]
    pub now: OffsetDateTime,
    /// The registration.
    #[serde(default)]
    pub registration: RegistrationFacts,
    /// The differ.
    #[serde(default)]
    pub differ: DifferFacts,
    /// What is asked for.
    #[serde(default)]
    pub request: RequestFacts,
    /// Who asks.
    #[serde(default)]
    pub asker: PersonFacts,
    /// The person for whom the key is.
    #[serde(default)]
    pub recipient: PersonFacts,
    /// Approvals that were given.
    #[serde(default)]
    pub approvals: Vec<ApprovalFacts>,
    /// The approval that is given with this act.
    #[serde(default)]
    pub approver: Option<ApprovalFacts>,
    /// The keys of the differ.
    #[serde(default)]
    pub keys: KeyFacts,
    /// The counter.
    #[serde(default)]
    pub counter: CounterFacts,
    /// What is shown there.
    #[serde(default)]
    pub shown: ShownFacts,
    /// The authorisation, from the cut on.
    #[serde(default)]
    pub authorisation: Option<AuthorisationFacts>,
    /// How many keys this act is about: to cut now, or to hand over now.
    #[serde(default)]
    pub step_quantity: u32,
}

impl Facts {
    /// A step at an instant, with nothing known yet.
    #[must_use]
    pub fn at(step: Step, now: OffsetDateTime) -> Self {
        Self {
            step,
            now,
            registration: RegistrationFacts::default(),
            differ: DifferFacts::default(),
            request: RequestFacts { asked_at: now, ..RequestFacts::default() },
            asker: PersonFacts::default(),
            recipient: PersonFacts::default(),
            approvals: vec![],
            approver: None,
            keys: KeyFacts::default(),
            counter: CounterFacts::default(),
            shown: ShownFacts::default(),
            authorisation: None,
            step_quantity: 0,
        }
    }

    /// The day of the act.
    #[must_use]
    pub fn today(&self) -> Date {
        self.now.date()
    }

    /// The widest class of the asker's authorities in force for this differ.
    #[must_use]
    pub fn asker_class(&self) -> Option<AuthorityClass> {
        use AuthorityClass::{Agent, Keyholder, Owner, Signatory};
        [Owner, Agent, Signatory, Keyholder].into_iter().find(|class| {
            self.asker.standing_authorities(self.today()).any(|authority| authority.class == *class)
        })
    }

    /// Whether the situation is one that a line of the rules is about.
    #[must_use]
    pub fn matches(&self, when: &Situation) -> bool {
        let today = self.today();
        let stands =
            |person: &PersonFacts, standings: &[Slug]| {
                standings.is_empty()
                    || person.authorities.iter().filter(|authority| authority.in_force(today)).any(
                        |authority| authority.standing.as_ref().is_some_and(|own| standings.contains(own)),
                    )
            };
        (when.levels.is_empty() || when.levels.contains(&self.differ.level))
            && (when.room_classes.is_empty()
                || self.differ.room_classes.iter().any(|class| when.room_classes.contains(class)))
            && (when.asker_classes.is_empty()
                || self.asker_class().is_some_and(|class| when.asker_classes.contains(&class)))
            && stands(&self.asker, &when.asker_standings)
            && stands(&self.recipient, &when.recipient_standings)
            && (when.purposes.is_empty() || when.purposes.contains(&self.request.purpose))
            && when.quantity_from.is_none_or(|from| self.request.quantity >= from)
            && when.temporary.is_none_or(|temporary| temporary == self.request.due_back_on.is_some())
    }
}
