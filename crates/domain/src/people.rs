//! Organisations, people, their memberships, and programs that sign in by themselves.

use time::{Date, OffsetDateTime};

use crate::ids::{ClientProgramId, MembershipId, OrganisationId, PersonId};

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

record! {
    /// A supplier, dealer, owner, agent, builder or auditor.
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
        /// The person.
        person_id: PersonId,
        /// The organisation.
        organisation_id: OrganisationId,
        /// Whether the person is its head or of its staff.
        post: Post,
        /// The first day.
        first_day: Date,
        /// The last day.
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
        /// When it was added.
        #[serde(with = "time::serde::rfc3339")]
        created_at: OffsetDateTime,
        /// When it was shut out.
        #[serde(with = "time::serde::rfc3339::option")]
        revoked_at: Option<OffsetDateTime>,
    }
}
