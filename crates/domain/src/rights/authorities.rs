//! What somebody may do on a registration, and mandates to collect.

use time::{Date, OffsetDateTime};

use crate::calendar::Period;
use crate::ids::{ActorId, AuthorityId, DifferId, MandateId, OrganisationId, PersonId, RegistrationId};

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
    #[derive(serde::Deserialize)]
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

    /// An authority that was given to somebody whom its giver does not know: it is one once that person accepts it.
    pub struct AuthorityOffer {
        /// The id that the authority will have.
        id: AuthorityId,
        /// Where the locks are.
        premises: String,
        /// The authority as it will be, but for the instant from which it is.
        authority: Authority,
        /// Who offers it.
        offered_by: ActorId,
        /// The instant from which it is accepted no more.
        #[serde(with = "time::serde::rfc3339")]
        open_until: OffsetDateTime,
        /// When it was accepted, declined or taken back.
        #[serde(with = "time::serde::rfc3339::option")]
        settled_at: Option<OffsetDateTime>,
        /// It was accepted.
        accepted: bool,
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

    /// Whether the holder of an authority may give this one under it: never wider, nor longer.
    #[must_use]
    pub fn fits_under(&self, own: &Self) -> bool {
        use AuthorityClass::{Agent, Keyholder, Owner, Signatory};
        let below = match own.class {
            Owner => matches!(self.class, Signatory | Keyholder | Agent),
            Agent => matches!(self.class, Signatory | Keyholder),
            Signatory => self.class == Keyholder,
            Keyholder => false,
        };
        let scope = own.every_differ
            || (!self.every_differ && self.differ_ids.iter().all(|differ| own.covers(*differ)));
        let days = |of: &Self| Period { first_day: of.first_day, last_day: of.last_day };
        let no_wider = |own: Option<u32>, given: Option<u32>| match (own, given) {
            (None, _) => true,
            (Some(own), given) => given.is_some_and(|given| given <= own),
        };
        // Posts and standings are what the rules look at: only an owner gives others than their own.
        let same = |given: &Option<String>, own: &Option<String>| given.is_none() || given == own;
        let marks = match own.class {
            Owner => true,
            Agent => same(&self.post, &own.post),
            Signatory | Keyholder => {
                same(&self.post, &own.post) && same(&self.standing, &own.standing) && !self.occupier
            }
        };
        own.may_pass_on
            && marks
            && no_wider(own.most_per_request, self.most_per_request)
            && no_wider(own.most_keys, self.most_keys)
            && below
            && scope
            && days(own).contains(&days(self))
            && (!self.may_approve || own.may_approve)
            && (!self.may_order || own.may_order)
    }

    /// Whether its scope includes a differ.
    #[must_use]
    pub fn covers(&self, differ: DifferId) -> bool {
        self.every_differ || self.differ_ids.contains(&differ)
    }
}
