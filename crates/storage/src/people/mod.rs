//! People, organisations, memberships and client programs.

pub mod accounts;
pub mod invitations;
pub mod memberships;
pub mod places;
pub mod sessions;

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};

use crate::{Portion, Result, wrote};
use domain::ids::{ClientProgramId, EntryId, OrganisationId, PersonId};
use domain::people::{ClientProgram, Organisation, OrganisationKind, Person};

macro_rules! select_organisations {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Organisation,
            "SELECT id, kind, name FROM organisations " + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_programs {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            ClientProgram,
            "SELECT id, organisation_id, name, scopes AS \"scopes: _\", created_at, revoked_at
             FROM client_programs " + $rest
            $(, $argument)*
        )
    };
}

/// Adds an organisation.
pub async fn add_organisation(
    db: &mut PgConnection,
    organisation: &Organisation,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO organisations (id, kind, name, created_at, changed_at) VALUES ($1, $2, $3, $4, $4)",
        organisation.id.0,
        organisation.kind.as_str(),
        organisation.name,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// An organisation.
pub async fn organisation(db: &mut PgConnection, id: OrganisationId) -> Result<Option<Organisation>> {
    Ok(select_organisations!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// The oldest organisation of a kind with a name.
pub async fn organisation_named(
    db: &mut PgConnection,
    kind: OrganisationKind,
    name: &str,
) -> Result<Option<Organisation>> {
    Ok(select_organisations!("WHERE kind = $1 AND name = $2 ORDER BY id LIMIT 1", kind.as_str(), name)
        .fetch_optional(db)
        .await?)
}

/// Organisations of a kind, or of every kind.
pub async fn organisations(
    db: &mut PgConnection,
    kind: Option<OrganisationKind>,
    portion: Portion,
) -> Result<Vec<Organisation>> {
    Ok(select_organisations!(
        "WHERE id > $1 AND ($2::text IS NULL OR kind = $2) ORDER BY id LIMIT $3",
        portion.after,
        kind.map(OrganisationKind::as_str),
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// The supplier, whose register it is.
pub async fn supplier(db: &mut PgConnection) -> Result<Option<Organisation>> {
    Ok(select_organisations!("WHERE kind = 'supplier'").fetch_optional(db).await?)
}

/// Who entered a person, and knows them.
#[derive(Debug, Clone, Copy)]
pub enum EnteredBy {
    /// An organisation, whoever acted for it.
    Organisation(OrganisationId),
    /// An owner of premises.
    Person(PersonId),
}

/// Adds a person, and the actor that the person is.
pub async fn add_person(
    db: &mut PgConnection,
    person: &Person,
    entered_by: EnteredBy,
    now: OffsetDateTime,
) -> Result<()> {
    let (organisation, by) = match entered_by {
        EnteredBy::Organisation(id) => (Some(id.0), None),
        EnteredBy::Person(id) => (None, Some(id.0)),
    };
    sqlx::query!("INSERT INTO actors (id, kind) VALUES ($1, 'person')", person.id.0)
        .execute(&mut *db)
        .await?;
    sqlx::query!(
        "INSERT INTO people (id, name, email, created_at, created_by_organisation, created_by_person)
         VALUES ($1, $2, $3, $4, $5, $6)",
        person.id.0,
        person.name,
        person.email,
        now,
        organisation,
        by
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A person.
pub async fn person(db: &mut PgConnection, id: PersonId) -> Result<Option<Person>> {
    Ok(sqlx::query_as!(Person, "SELECT id, name, email FROM people WHERE id = $1", id.0)
        .fetch_optional(db)
        .await?)
}

/// Somebody who was not erased, and is not until this transaction ends: whoever is given something.
pub async fn present(db: &mut PgConnection, id: PersonId) -> Result<Option<Person>> {
    Ok(sqlx::query_as!(
        Person,
        "SELECT id, name, email FROM people WHERE id = $1 AND erased_at IS NULL FOR KEY SHARE",
        id.0
    )
    .fetch_optional(db)
    .await?)
}

/// The person to whom an address leads: whoever signs in with it, else the newest with it whom one of these
/// organisations entered.
pub async fn person_by_email(
    db: &mut PgConnection,
    email: &str,
    organisations: &[uuid::Uuid],
) -> Result<Option<Person>> {
    Ok(sqlx::query_as!(
        Person,
        "SELECT people.id, name, people.email FROM people LEFT JOIN accounts ON accounts.person_id = people.id
         WHERE accounts.email = $1
            OR (accounts.email IS NULL AND people.email = $1 AND created_by_organisation = ANY ($2))
         ORDER BY accounts.email IS NULL, people.id DESC LIMIT 1",
        email,
        organisations
    )
    .fetch_optional(db)
    .await?)
}

/// Writes the address of a person.
pub async fn set_email(db: &mut PgConnection, person: PersonId, email: &str) -> Result<()> {
    let done =
        sqlx::query!("UPDATE people SET email = $2 WHERE id = $1", person.0, email).execute(db).await?;
    wrote("people", 1, &done)
}

/// Whether a person was entered by this person or one of these organisations, or has an authority on a registration
/// that an owner or agent governs: this person, or these organisations.
pub async fn is_known_to(
    db: &mut PgConnection,
    person: PersonId,
    by_person: Option<PersonId>,
    by_organisations: &[uuid::Uuid],
    today: Date,
) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (
               SELECT 1 FROM people
               WHERE id = $1 AND (created_by_person = $2 OR created_by_organisation = ANY ($3))
           ) OR EXISTS (
               SELECT 1 FROM authorities theirs
               JOIN authorities own ON own.registration_id = theirs.registration_id
               WHERE theirs.person_id = $1
                 AND own.class IN ('owner', 'agent')
                 AND (own.every_differ OR own.id = theirs.given_under)
                 AND (own.person_id = $2 OR own.organisation_id = ANY ($3))
                 AND in_force(own.first_day, own.last_day, own.revoked_at, $4)
                 -- Whom a builder knew on a plot the buyer does not get to know.
                 AND NOT EXISTS (SELECT 1 FROM plots WHERE plots.registration_id = theirs.registration_id
                     AND theirs.revoked_at <= plots.handed_over_at)
           ) AS "known!""#,
        person.0,
        by_person.map(|id| id.0),
        by_organisations,
        today
    )
    .fetch_one(db)
    .await?)
}

/// Whether a person was entered by this person or by one of these organisations.
pub async fn was_entered_by(
    db: &mut PgConnection,
    person: PersonId,
    by_person: Option<PersonId>,
    by_organisations: &[uuid::Uuid],
) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (
               SELECT 1 FROM people
               WHERE id = $1 AND (created_by_person = $2 OR created_by_organisation = ANY ($3))) AS "entered!""#,
        person.0,
        by_person.map(|id| id.0),
        by_organisations
    )
    .fetch_one(db)
    .await?)
}

/// Adds a client program, and the actor that it is.
pub async fn add_program(db: &mut PgConnection, program: &ClientProgram, secret_hash: &[u8]) -> Result<()> {
    let words: Vec<String> = program.scopes.iter().map(ToString::to_string).collect();
    sqlx::query!("INSERT INTO actors (id, kind) VALUES ($1, 'program')", program.id.0)
        .execute(&mut *db)
        .await?;
    sqlx::query!(
        "INSERT INTO client_programs (id, organisation_id, name, secret_hash, created_at, scopes)
         VALUES ($1, $2, $3, $4, $5, $6)",
        program.id.0,
        program.organisation_id.0,
        program.name,
        secret_hash,
        program.created_at,
        &words
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A client program.
pub async fn program(db: &mut PgConnection, id: ClientProgramId) -> Result<Option<ClientProgram>> {
    Ok(select_programs!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Client programs of an organisation.
pub async fn programs(
    db: &mut PgConnection,
    organisation: OrganisationId,
    portion: Portion,
) -> Result<Vec<ClientProgram>> {
    Ok(select_programs!(
        "WHERE organisation_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        organisation.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Shuts a client program out.
pub async fn revoke_program(db: &mut PgConnection, id: ClientProgramId, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE client_programs SET revoked_at = $2 WHERE id = $1 AND revoked_at IS NULL",
        id.0,
        now
    )
    .execute(db)
    .await?;
    wrote("client_programs", 1, &done)
}

/// What a person still has in this register, each in a few words: nobody is erased meanwhile.
pub async fn ties(db: &mut PgConnection, person: PersonId, today: Date) -> Result<Vec<String>> {
    let found = sqlx::query_scalar!(
        r#"SELECT what AS "what!" FROM (VALUES
             ('an authority', EXISTS (SELECT FROM authorities WHERE person_id = $1 AND revoked_at IS NULL
                 AND (last_day IS NULL OR last_day >= $2))),
             ('keys', EXISTS (SELECT FROM keys WHERE holder_id = $1 AND state = 'with_person')),
             ('a card', EXISTS (SELECT FROM cards WHERE person_id = $1 AND state <> 'revoked'
                 AND expires_on >= $2)),
             ('a place in an organisation', EXISTS (SELECT FROM memberships WHERE person_id = $1
                 AND ended_at IS NULL AND (last_day IS NULL OR last_day >= $2))),
             ('an open request', EXISTS (SELECT FROM copy_requests
                 WHERE (asked_by = $1 OR recipient_id = $1) AND request_is_open(state))),
             ('a mandate', EXISTS (SELECT FROM mandates WHERE (recipient_id = $1 OR collector_id = $1)
                 AND revoked_at IS NULL AND last_day >= $2)),
             ('an open hold', EXISTS (SELECT FROM holds WHERE barred_person_id = $1 AND lifted_at IS NULL))
           ) AS ties (what, has) WHERE has"#,
        person.0,
        today
    )
    .fetch_all(db)
    .await?;
    Ok(found)
}

/// Erases a person: name, address, account, PINs, signatures, and what entries of the log committed to
/// about them. Gives back which disclosures those were, with their entries; nothing when it was done before.
pub async fn erase(
    db: &mut PgConnection,
    person: PersonId,
    now: OffsetDateTime,
) -> Result<Option<Vec<(EntryId, String)>>> {
    // Waits for whoever gives the person something at this moment, and makes those who come later wait.
    sqlx::query_scalar!("SELECT id FROM people WHERE id = $1 FOR UPDATE", person.0)
        .fetch_optional(&mut *db)
        .await?;
    let done = sqlx::query!(
        "WITH signed AS (DELETE FROM signatures
                         WHERE hand_over_id IN (SELECT id FROM hand_overs WHERE collected_by = $1)
                            OR plot_hand_over_id IN (SELECT id FROM plot_hand_overs WHERE collected_by = $1)),
              pins AS (UPDATE cards SET pin_hash = NULL, changed_at = $2
                       WHERE person_id = $1 AND pin_hash IS NOT NULL),
              told AS (DELETE FROM notices WHERE person_id = $1),
              offered AS (DELETE FROM authority_offers WHERE person_id = $1),
              stated AS (DELETE FROM statements WHERE content LIKE '%' || $1::text || '%'),
              account AS (DELETE FROM accounts WHERE person_id = $1),
              reset AS (UPDATE account_resets SET email = NULL, reason = NULL WHERE person_id = $1),
              invited AS (DELETE FROM invitations WHERE person_id = $1),
              refreshed AS (DELETE FROM refresh_tokens USING sessions
                            WHERE session_id = sessions.id AND sessions.person_id = $1),
              signed_in AS (DELETE FROM sessions WHERE person_id = $1),
              -- Replies that are kept for a few days name whom they are about.
              answered AS (DELETE FROM idempotency_keys
                           WHERE actor_id = $1 OR reply::text LIKE '%' || $1::text || '%')
         UPDATE people SET name = 'erased', email = NULL, erased_at = $2 WHERE id = $1 AND erased_at IS NULL",
        person.0,
        now
    )
    .execute(&mut *db)
    .await?;
    if done.rows_affected() == 0 {
        return Ok(None);
    }
    let gone = sqlx::query!(
        "DELETE FROM disclosures WHERE about = $1 OR (name IN ('signature', 'document') AND entry_id IN (
             SELECT entry_id FROM hand_overs JOIN decisions ON decisions.id = decision_id
             WHERE collected_by = $1
             UNION ALL
             SELECT entry_id FROM plot_hand_overs
             JOIN changes ON subject_id = plot_id AND kind = 'plot.handed_over'
             WHERE collected_by = $1))
         RETURNING entry_id, disclosure",
        person.0
    )
    .fetch_all(db)
    .await?;
    Ok(Some(gone.into_iter().map(|row| (EntryId(row.entry_id), row.disclosure)).collect()))
}
