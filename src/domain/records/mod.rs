//! What the register holds, as it is read from the database and as it is answered: one shape for
//! both, with no secret in it.

use serde::Serialize;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use super::blanks::{Explanation, MovementKind};
use super::calendar::Period;
use super::copy_request::{Authorisation, Progress, RequestState};
use super::ids::{
    ActorId, AnsweringId, AppointmentId, AuthorityId, BlankDifferenceId, BlankMovementId, CardId,
    ClientProgramId, CopyRequestId, CounterId, CutId, DestructionId, DifferId, EntryId, HoldId, KeyId,
    LeverPackId, LockId, LossId, MandateId, MembershipId, OrganisationId, PersonId, RegistrationId,
    SectionId,
};
use super::key::KeyState;
use super::number::TypedNumber;
use super::register::{
    AuthorityClass, CardState, ChargeState, DifferState, Hand, HoldKind, Level, LockKind, LossDecision,
    LossKind, OrganisationKind, Post, Protection, Purpose,
};

/// A record of the register: a struct that can be read, answered and described.
macro_rules! record {
    ($( $(#[$meta:meta])* pub struct $name:ident { $( $(#[$field_meta:meta])* $field:ident: $type:ty, )+ } )+) => { $(
        $(#[$meta])*
        #[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
        pub struct $name {
            $( $(#[$field_meta])* pub $field: $type, )+
        }
    )+ };
}

mod keying;
pub use keying::*;

record! {
    /// A supplier, dealer, owner, agent or builder.
    pub struct Organisation {
        /// Its id.
        id: OrganisationId,
        /// What it is.
        kind: OrganisationKind,
        /// Its name.
        name: String,
    }

    /// A person.
    pub struct Person {
        /// Its id.
        id: PersonId,
        /// The name.
        name: String,
        /// The address for mail.
        email: Option<String>,
    }

    /// A person's place in an organisation.
    pub struct Membership {
        /// Its id.
        id: MembershipId,
        /// Who.
        person_id: PersonId,
        /// Where.
        organisation_id: OrganisationId,
        /// As what.
        post: Post,
        /// First day.
        first_day: Date,
        /// Last day.
        last_day: Option<Date>,
    }

    /// A program of an organisation that signs in by itself.
    pub struct ClientProgram {
        /// Its id, which is its `client_id`.
        id: ClientProgramId,
        /// For whom it acts.
        organisation_id: OrganisationId,
        /// Its name.
        name: String,
        /// Since when.
        #[serde(with = "time::serde::rfc3339")]
        created_at: OffsetDateTime,
        /// When it was shut out.
        #[serde(with = "time::serde::rfc3339::option")]
        revoked_at: Option<OffsetDateTime>,
    }

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

    /// One shop of a dealer.
    pub struct Counter {
        /// Its id.
        id: CounterId,
        /// The dealer.
        dealer_id: OrganisationId,
        /// Its name.
        name: String,
        /// The time zone of its place (IANA), once its opening hours were stated.
        time_zone: Option<String>,
    }

    /// The appointment of a counter for a section.
    pub struct Appointment {
        /// Its id.
        id: AppointmentId,
        /// Which counter.
        counter_id: CounterId,
        /// For which section.
        section_id: SectionId,
        /// First day.
        first_day: Date,
        /// Last day.
        last_day: Option<Date>,
        /// When it was revoked.
        #[serde(with = "time::serde::rfc3339::option")]
        revoked_at: Option<OffsetDateTime>,
    }

    /// Blanks of a section at a counter: received = cut + spoiled + returned + missing + on hand.
    pub struct BlankAccount {
        /// Where.
        counter_id: CounterId,
        /// Of which section.
        section_id: SectionId,
        /// Sent by the supplier and acknowledged.
        received: i32,
        /// Cut into keys.
        cut: i32,
        /// Spoiled.
        spoiled: i32,
        /// Sent back.
        returned: i32,
        /// Gone, and explained so by the supplier.
        missing: i32,
        /// There now, by the book.
        on_hand: i32,
        /// Sent by the supplier and not acknowledged yet.
        on_the_way: i32,
        /// The most on hand and on the way together.
        most_held: Option<i32>,
    }

    /// What moved blanks, or counted them.
    pub struct BlankMovement {
        /// Its id.
        id: BlankMovementId,
        /// At which counter.
        counter_id: CounterId,
        /// Of which section.
        section_id: SectionId,
        /// What it was.
        kind: MovementKind,
        /// How many.
        quantity: i32,
        /// The copy that was being cut when a blank was spoiled.
        copy_request_id: Option<CopyRequestId>,
        /// What there was to say.
        remark: Option<String>,
        /// Who recorded it.
        made_by: ActorId,
        /// When.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// The other side, or the witness.
        confirmed_by: Option<ActorId>,
        /// When.
        #[serde(with = "time::serde::rfc3339::option")]
        confirmed_at: Option<OffsetDateTime>,
        /// How many there were.
        confirmed_quantity: Option<i32>,
    }

    /// Blanks that do not fit the book.
    pub struct BlankDifference {
        /// Its id.
        id: BlankDifferenceId,
        /// At which counter.
        counter_id: CounterId,
        /// Of which section.
        section_id: SectionId,
        /// More than the book has, or fewer.
        quantity: i32,
        /// Found by which count or confirmation.
        movement_id: Option<BlankMovementId>,
        /// Found by which cut, made without a network.
        cut_id: Option<CutId>,
        /// When.
        #[serde(with = "time::serde::rfc3339")]
        found_at: OffsetDateTime,
        /// What the supplier found to be behind it; open, when absent.
        explanation: Option<Explanation>,
        /// In words.
        remark: Option<String>,
        /// When.
        #[serde(with = "time::serde::rfc3339::option")]
        explained_at: Option<OffsetDateTime>,
    }

    /// The record that locks and differs belong to an owner at some premises.
    pub struct Registration {
        /// Its id.
        id: RegistrationId,
        /// Its number, as people type it.
        number: TypedNumber,
        /// The key section.
        section_id: SectionId,
        /// The owner.
        owner_id: OrganisationId,
        /// Where the locks are.
        premises: String,
        /// The version of the rules in force.
        rules_version: i32,
        /// Counts its changes.
        version: i32,
        /// Since when.
        #[serde(with = "time::serde::rfc3339")]
        created_at: OffsetDateTime,
        /// When it ended.
        #[serde(with = "time::serde::rfc3339::option")]
        ended_at: Option<OffsetDateTime>,
    }

    /// A lock.
    pub struct Lock {
        /// Its id.
        id: LockId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// What is written on its line in the schedule.
        label: String,
        /// What kind of lock.
        kind: LockKind,
        /// On which side the door hangs.
        hand: Option<Hand>,
        /// The standard that it was made to.
        standard: Option<String>,
        /// The door is on an escape route.
        escape_route: bool,
        /// The class of the room behind it.
        room_class: Option<String>,
        /// Counts its changes.
        version: i32,
    }

    /// A differ, by its number.
    pub struct Differ {
        /// Its id.
        id: DifferId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Its number, which reveals no height.
        number: String,
        /// What it opens.
        level: Level,
        /// Where it stands.
        state: DifferState,
    }

    /// The stretch of time in which a lock answers to a differ.
    pub struct Answering {
        /// Its id.
        id: AnsweringId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Which lock.
        lock_id: LockId,
        /// To which differ.
        differ_id: DifferId,
        /// From when.
        #[serde(with = "time::serde::rfc3339")]
        since: OffsetDateTime,
        /// Until when.
        #[serde(with = "time::serde::rfc3339::option")]
        until: Option<OffsetDateTime>,
    }

    /// What somebody may do on a registration.
    pub struct Authority {
        /// Its id.
        id: AuthorityId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Its class.
        class: AuthorityClass,
        /// The person who has it.
        person_id: Option<PersonId>,
        /// The organisation that has it, for an agent.
        organisation_id: Option<OrganisationId>,
        /// The post in which the person acts.
        post: Option<String>,
        /// What the person is to the owner.
        standing: Option<String>,
        /// It is for every differ of the registration.
        every_differ: bool,
        /// The differs that it is for, when not for every one.
        differ_ids: Vec<DifferId>,
        /// May ask for copies.
        may_order: bool,
        /// May approve.
        may_approve: bool,
        /// May give authority to others.
        may_pass_on: bool,
        /// It is that of an occupier for their own home.
        occupier: bool,
        /// The most keys in one request.
        most_per_request: Option<i32>,
        /// The most live keys of one differ.
        most_keys: Option<i32>,
        /// First day.
        first_day: Date,
        /// Last day.
        last_day: Option<Date>,
        /// The authority under which it was given; the supplier gave it, when absent.
        given_under: Option<AuthorityId>,
        /// When it was given.
        #[serde(with = "time::serde::rfc3339")]
        given_at: OffsetDateTime,
        /// When it was revoked.
        #[serde(with = "time::serde::rfc3339::option")]
        revoked_at: Option<OffsetDateTime>,
        /// The day on which its person left the premises, where that is why it was revoked.
        left_on: Option<Date>,
    }

    /// A written mandate to collect for somebody else.
    pub struct Mandate {
        /// Its id.
        id: MandateId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// For whom the key is.
        recipient_id: PersonId,
        /// Who may collect it.
        collector_id: PersonId,
        /// First day.
        first_day: Date,
        /// Last day.
        last_day: Date,
        /// When it was revoked.
        #[serde(with = "time::serde::rfc3339::option")]
        revoked_at: Option<OffsetDateTime>,
    }

    /// An owner's card, without its PIN.
    pub struct Card {
        /// Its id.
        id: CardId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Whose.
        person_id: PersonId,
        /// Its number, as people type it.
        number: TypedNumber,
        /// Where it stands.
        state: CardState,
        /// Its last day.
        expires_on: Date,
        /// A PIN was set.
        pin_set: bool,
        /// The status list that says whether it counts.
        status_list: i32,
        /// Its place there.
        status_index: i32,
        /// The card that it replaced.
        replaces_id: Option<CardId>,
    }

    /// A hold: nothing may be copied until it is lifted.
    pub struct Hold {
        /// Its id.
        id: HoldId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Why.
        kind: HoldKind,
        /// The one person whom a court bars; everybody is stopped, when absent.
        barred_person_id: Option<PersonId>,
        /// The one differ of which nothing is copied; all of the registration, when absent.
        differ_id: Option<DifferId>,
        /// The loss that it was placed for.
        loss_id: Option<LossId>,
        /// Which court.
        court: Option<String>,
        /// The day of the order.
        ordered_on: Option<Date>,
        /// The day on which the order ends.
        ends_on: Option<Date>,
        /// When it was placed.
        #[serde(with = "time::serde::rfc3339")]
        placed_at: OffsetDateTime,
        /// When it was lifted.
        #[serde(with = "time::serde::rfc3339::option")]
        lifted_at: Option<OffsetDateTime>,
    }

    /// The levers for one lock with the keys cut to them.
    pub struct LeverPack {
        /// Its id.
        id: LeverPackId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// For which differ.
        differ_id: DifferId,
        /// The number on it.
        number: String,
        /// When it was recorded.
        #[serde(with = "time::serde::rfc3339")]
        recorded_at: OffsetDateTime,
    }

    /// One key.
    pub struct Key {
        /// Its id.
        id: KeyId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Of which differ.
        differ_id: DifferId,
        /// The copy number stamped on it.
        copy_number: i32,
        /// Where it is.
        state: KeyState,
        /// Who has it, or had it when it went missing.
        holder_id: Option<PersonId>,
        /// By when it comes back.
        due_back_on: Option<Date>,
        /// Since when it is overdue.
        #[serde(with = "time::serde::rfc3339::option")]
        overdue_since: Option<OffsetDateTime>,
        /// Counts its changes.
        version: i32,
    }

    /// The report of a lost or stolen key.
    pub struct Loss {
        /// Its id.
        id: LossId,
        /// Of which registration.
        registration_id: RegistrationId,
        /// Which key.
        key_id: KeyId,
        /// Lost or stolen.
        kind: LossKind,
        /// The reference that the police gave.
        crime_reference: Option<String>,
        /// The day on which it happened, where that is known.
        happened_on: Option<Date>,
        /// Where it happened.
        place: Option<String>,
        /// When it was reported.
        #[serde(with = "time::serde::rfc3339")]
        reported_at: OffsetDateTime,
        /// When the key was found.
        #[serde(with = "time::serde::rfc3339::option")]
        found_at: Option<OffsetDateTime>,
        /// What was decided about the locks.
        decision: Option<LossDecision>,
        /// Why.
        decision_reason: Option<String>,
        /// By whom.
        decided_by: Option<PersonId>,
        /// When.
        #[serde(with = "time::serde::rfc3339::option")]
        decided_at: Option<OffsetDateTime>,
        /// What became of the charge.
        charge: ChargeState,
        /// The post of whoever waived it.
        waived_by_post: Option<String>,
        /// In the smallest unit of the currency.
        charge_amount: Option<i32>,
        /// ISO 4217.
        charge_currency: Option<String>,
    }

    /// Keys that nobody collected, destroyed by one and seen by another.
    pub struct Destruction {
        /// Its id.
        id: DestructionId,
        /// Of which request.
        copy_request_id: CopyRequestId,
        /// Who destroyed them.
        made_by: PersonId,
        /// When.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// Who saw it; nobody yet, when absent.
        witness_id: Option<PersonId>,
        /// When it was confirmed.
        #[serde(with = "time::serde::rfc3339::option")]
        witnessed_at: Option<OffsetDateTime>,
    }

    /// A cut that was made without a network and decided no when it was brought in.
    pub struct FlaggedCut {
        /// Its id.
        id: CutId,
        /// On which registration.
        registration_id: RegistrationId,
        /// For which request.
        copy_request_id: CopyRequestId,
        /// At which counter.
        counter_id: CounterId,
        /// How many keys.
        quantity: i32,
        /// How many of them were beyond what was authorised.
        beyond: i32,
        /// When, by the counter's clock.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
        /// When it was brought in.
        #[serde(with = "time::serde::rfc3339")]
        brought_in_at: OffsetDateTime,
        /// Why the decision was no.
        #[schema(value_type = Vec<crate::domain::decision::Reason>)]
        reasons: serde_json::Value,
        /// The entry of the decision in the log.
        entry_id: EntryId,
    }

    /// A copy request.
    pub struct CopyRequest {
        /// Its id.
        id: CopyRequestId,
        /// On which registration.
        registration_id: RegistrationId,
        /// A key of which differ.
        differ_id: DifferId,
        /// Who asked.
        asked_by: PersonId,
        /// For whom.
        recipient_id: PersonId,
        /// Where it is to be cut.
        counter_id: CounterId,
        /// How many.
        quantity: i32,
        /// Why.
        purpose: Purpose,
        /// The key that it replaces.
        replaces_key_id: Option<KeyId>,
        /// From when it is needed.
        #[serde(with = "time::serde::rfc3339::option")]
        needed_from: Option<OffsetDateTime>,
        /// By when it comes back.
        due_back_on: Option<Date>,
        /// The request whose keys are to stay out longer.
        extends_request_id: Option<CopyRequestId>,
        /// Why the normal authority cannot act.
        emergency_reason: Option<String>,
        /// Where it stands.
        state: RequestState,
        /// When it was asked for.
        #[serde(with = "time::serde::rfc3339")]
        asked_at: OffsetDateTime,
        /// When it was authorised.
        #[serde(with = "time::serde::rfc3339::option")]
        authorised_at: Option<OffsetDateTime>,
        /// When the authorisation lapses.
        #[serde(with = "time::serde::rfc3339::option")]
        lapses_at: Option<OffsetDateTime>,
        /// Keys cut.
        cut_count: i32,
        /// Keys handed over.
        handed_count: i32,
        /// Counts its changes.
        version: i32,
    }
}

impl CopyRequest {
    /// The part that changes, as the state machine has it.
    #[must_use]
    pub fn progress(&self) -> Progress {
        Progress {
            state: self.state,
            quantity: self.quantity.unsigned_abs(),
            cut: self.cut_count.unsigned_abs(),
            handed: self.handed_count.unsigned_abs(),
            authorisation: self
                .authorised_at
                .zip(self.lapses_at)
                .map(|(at, lapses_at)| Authorisation { at, lapses_at }),
        }
    }
}

impl Authority {
    /// In force on a day.
    #[must_use]
    pub fn in_force(&self, day: Date) -> bool {
        self.revoked_at.is_none() && Period { first_day: self.first_day, last_day: self.last_day }.covers(day)
    }

    /// Whether its scope includes a differ.
    #[must_use]
    pub fn covers(&self, differ: DifferId) -> bool {
        self.every_differ || self.differ_ids.contains(&differ)
    }
}
