//! Organisations, people, their memberships, and programs that sign in by themselves.

use time::{Date, OffsetDateTime};

use crate::calendar::Period;
use crate::ids::{AccountResetId, ClientProgramId, MembershipId, OrganisationId, PersonId};

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
    /// What is sent to an address, with a token.
    pub enum InvitationKind {
        /// To somebody who has no account yet.
        Account = "account",
        /// To somebody who has one and asked for a new password.
        Password = "password",
    }
}

words! {
    /// What a client program may do; none comes by itself. No scope gives approving, ordering or passing on,
    /// cards, invitations, holds or a hand-over: for these a person answers.
    pub enum Scope {
        /// Reads what its organisation may read, secrets and cards apart.
        Read = "read",
        /// Adds and changes registrations and locks, and imports them.
        Register = "register",
        /// Checks cards at the counters of its dealer.
        CardChecks = "card-checks",
        /// Accounts for blanks.
        Blanks = "blanks",
        /// Takes in what may be cut without a network, and brings in what was cut.
        OfflineCuts = "offline-cuts",
        /// Reads the entries of the evidence log.
        Log = "log",
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
        /// When it ended.
        #[serde(with = "time::serde::rfc3339::option")]
        ended_at: Option<OffsetDateTime>,
    }

    /// The register opens a way into an account whose owner has lost it. Two of its people do.
    pub struct AccountReset {
        /// Its id.
        id: AccountResetId,
        /// Whose account it is.
        person_id: PersonId,
        /// Why; absent once the person was erased.
        reason: Option<String>,
        /// Who asked for it.
        asked_by: PersonId,
        /// When.
        #[serde(with = "time::serde::rfc3339")]
        asked_at: OffsetDateTime,
        /// Who confirmed it.
        confirmed_by: Option<PersonId>,
        /// When it was done.
        #[serde(with = "time::serde::rfc3339::option")]
        confirmed_at: Option<OffsetDateTime>,
    }

    /// A program of an organisation that signs in by itself.
    pub struct ClientProgram {
        /// Its id, which is its `client_id`.
        id: ClientProgramId,
        /// For whom it acts.
        organisation_id: OrganisationId,
        /// Its name.
        name: String,
        /// What it may do.
        scopes: Vec<Scope>,
        /// When it was added.
        #[serde(with = "time::serde::rfc3339")]
        created_at: OffsetDateTime,
        /// When it was shut out.
        #[serde(with = "time::serde::rfc3339::option")]
        revoked_at: Option<OffsetDateTime>,
    }
}

impl Membership {
    /// In force on a day.
    #[must_use]
    pub fn in_force(&self, day: Date) -> bool {
        self.ended_at.is_none() && Period { first_day: self.first_day, last_day: self.last_day }.covers(day)
    }
}
