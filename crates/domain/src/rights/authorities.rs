//! What somebody may do on a registration, and mandates to collect.

use time::{Date, OffsetDateTime};

use crate::calendar::Period;
use crate::ids::{AuthorityId, DifferId, MandateId, OrganisationId, PersonId, RegistrationId};

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

record! {
    /// What somebody may do on a registration.
    pub struct Authority {
        /// Its id.
        id: AuthorityId,
        /// The registration that it belongs to.
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
        most_per_request: Option<u32>,
        /// The most live keys of one differ.
        most_keys: Option<u32>,
        /// The first day.
        first_day: Date,
        /// The last day.
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
        /// The head of the organisation under whose authority it was given, who let it outlast the seat of its
        /// giver.
        confirmed_by: Option<PersonId>,
    }

    /// A written mandate to collect for somebody else.
    pub struct Mandate {
        /// Its id.
        id: MandateId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// The person for whom the key is.
        recipient_id: PersonId,
        /// The person who may collect it.
        collector_id: PersonId,
        /// The first day.
        first_day: Date,
        /// The last day.
        last_day: Date,
        /// When it was revoked.
        #[serde(with = "time::serde::rfc3339::option")]
        revoked_at: Option<OffsetDateTime>,
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
