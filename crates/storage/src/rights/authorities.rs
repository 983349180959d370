//! Authorities, and mandates under them.

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};

use crate::count::{MaybeCount, stored};
use crate::{Portion, Result, wrote};
use domain::ids::{ActorId, AuthorityId, DifferId, MandateId, OrganisationId, PersonId, RegistrationId};
use domain::people::Membership;
use domain::rights::Right;
use domain::rights::authorities::{Authority, Mandate};

macro_rules! select_authorities {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Authority,
            r#"SELECT id, registration_id, class, person_id,
                      organisation_id, post, standing, every_differ,
                      ARRAY(SELECT differ_id FROM authority_differs WHERE authority_id = authorities.id
                            ORDER BY differ_id) AS "differ_ids!: Vec<DifferId>",
                      may_order, may_approve, may_pass_on, occupier,
                      most_per_request AS "most_per_request!: MaybeCount", most_keys AS "most_keys!: MaybeCount",
                      first_day, last_day, given_under, given_at, revoked_at, left_on, confirmed_by
               FROM authorities "# + $rest
            $(, $argument)*
        )
    };
}

macro_rules! select_mandates {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Mandate,
            "SELECT id, registration_id, recipient_id, collector_id, first_day, last_day, revoked_at
             FROM mandates " + $rest
            $(, $argument)*
        )
    };
}

/// Adds an authority.
pub async fn add(db: &mut PgConnection, authority: &Authority, by: ActorId) -> Result<()> {
    sqlx::query!(
        "INSERT INTO authorities
             (id, registration_id, class, person_id, organisation_id, post, standing, every_differ, may_order,
              may_approve, may_pass_on, occupier, most_per_request, most_keys, first_day, last_day,
              given_under, given_by, given_at, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $19)",
        authority.id.0,
        authority.registration_id.0,
        authority.class.as_str(),
        authority.person_id.map(|id| id.0),
        authority.organisation_id.map(|id| id.0),
        authority.post,
        authority.standing,
        authority.every_differ,
        authority.may_order,
        authority.may_approve,
        authority.may_pass_on,
        authority.occupier,
        authority.most_per_request.map(stored).transpose()?,
        authority.most_keys.map(stored).transpose()?,
        authority.first_day,
        authority.last_day,
        authority.given_under.map(|id| id.0),
        by.0,
        authority.given_at
    )
    .execute(&mut *db)
    .await?;
    let differs: Vec<uuid::Uuid> = authority.differ_ids.iter().map(|id| id.0).collect();
    sqlx::query!(
        "INSERT INTO authority_differs (authority_id, differ_id, registration_id, changed_at)
         SELECT $1, differ_id, $2, $4 FROM unnest($3::uuid[]) AS given (differ_id)",
        authority.id.0,
        authority.registration_id.0,
        &differs,
        authority.given_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Makes the authorities in force that are for an old differ be for a new one too, and gives back which.
pub async fn extend_to(
    db: &mut PgConnection,
    registration: RegistrationId,
    old: DifferId,
    new: DifferId,
    now: OffsetDateTime,
) -> Result<Vec<AuthorityId>> {
    Ok(sqlx::query_scalar!(
        "INSERT INTO authority_differs (authority_id, differ_id, registration_id, changed_at)
           SELECT authority_id, $3, $1, $4 FROM authority_differs JOIN authorities ON authorities.id = authority_id
           WHERE authority_differs.registration_id = $1 AND differ_id = $2 AND revoked_at IS NULL
           RETURNING authority_id AS id",
        registration.0,
        old.0,
        new.0,
        now
    )
    .fetch_all(db)
    .await?)
}

/// An authority.
pub async fn authority(db: &mut PgConnection, id: AuthorityId) -> Result<Option<Authority>> {
    Ok(select_authorities!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Authorities of a registration, those that are over too.
pub async fn of_registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Authority>> {
    Ok(select_authorities!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// The authorities of a person, or of these organisations, that are in force on a registration.
pub async fn in_force(
    db: &mut PgConnection,
    registration: RegistrationId,
    person: Option<PersonId>,
    organisations: &[uuid::Uuid],
    today: Date,
) -> Result<Vec<Authority>> {
    Ok(select_authorities!(
        "WHERE registration_id = $1 AND (person_id = $2 OR organisation_id = ANY ($3))
         AND in_force(first_day, last_day, revoked_at, $4)",
        registration.0,
        person.map(|id| id.0),
        organisations,
        today
    )
    .fetch_all(db)
    .await?)
}

/// The authorities in force of a person, and of the organisations for which the person acts.
pub async fn in_force_of(
    db: &mut PgConnection,
    registration: RegistrationId,
    person: PersonId,
    today: Date,
) -> Result<Vec<Authority>> {
    Ok(select_authorities!(
        "WHERE registration_id = $1 AND in_force(first_day, last_day, revoked_at, $3)
           AND (person_id = $2 OR organisation_id IN (
               SELECT memberships.organisation_id FROM memberships
               WHERE memberships.person_id = $2 AND in_force(memberships.first_day, memberships.last_day, memberships.ended_at, $3)))
         ORDER BY id",
        registration.0,
        person.0,
        today
    )
    .fetch_all(db)
    .await?)
}

/// An authority and all that were given under it, directly or not, that are not revoked.
pub async fn tree(db: &mut PgConnection, id: AuthorityId) -> Result<Vec<Authority>> {
    Ok(select_authorities!(
        "WHERE revoked_at IS NULL AND id IN (
             WITH RECURSIVE below AS (
                 SELECT authorities.id FROM authorities WHERE authorities.id = $1
                 UNION
                 SELECT child.id FROM authorities child JOIN below ON child.given_under = below.id
             ) SELECT below.id FROM below)
         ORDER BY id",
        id.0
    )
    .fetch_all(db)
    .await?)
}

/// The authorities that ended with a seat if it ended: what its person gave under an authority of the
/// organisation on a registration and nobody confirmed, and what was given under that.
pub async fn given_by_seat(
    db: &mut PgConnection,
    registration: RegistrationId,
    seat: &Membership,
) -> Result<Vec<Authority>> {
    Ok(select_authorities!(
        "WHERE revoked_at IS NULL AND id IN (
             WITH RECURSIVE below AS (
                 SELECT given.id FROM authorities given JOIN authorities own ON own.id = given.given_under
                 WHERE given.registration_id = $1 AND given.given_by = $2 AND given.confirmed_by IS NULL
                   AND own.organisation_id = $3
                 UNION
                 SELECT child.id FROM authorities child JOIN below ON child.given_under = below.id
             ) SELECT below.id FROM below)
         ORDER BY id",
        registration.0,
        seat.person_id.0,
        seat.organisation_id.0
    )
    .fetch_all(db)
    .await?)
}

/// Whether a person has or had an authority on a registration that was given after the one with this id.
pub async fn had(
    db: &mut PgConnection,
    registration: RegistrationId,
    person: PersonId,
    after: uuid::Uuid,
) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT FROM authorities WHERE registration_id = $1 AND person_id = $2 AND id > $3)
           AS "had!""#,
        registration.0,
        person.0,
        after
    )
    .fetch_one(db)
    .await?)
}

/// Whether an authority was given by this person.
pub async fn was_given_by(db: &mut PgConnection, id: AuthorityId, person: PersonId) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT FROM authorities WHERE id = $1 AND given_by = $2) AS "given!""#,
        id.0,
        person.0
    )
    .fetch_one(db)
    .await?)
}

/// Writes that an authority outlasts the seat of its giver.
pub async fn confirm(
    db: &mut PgConnection,
    id: AuthorityId,
    by: PersonId,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE authorities SET confirmed_by = $2, changed_at = $3
         WHERE id = $1 AND revoked_at IS NULL AND confirmed_by IS NULL",
        id.0,
        by.0,
        now
    )
    .execute(db)
    .await?;
    wrote("authorities", 1, &done)
}

/// Writes that an authority has ended.
pub async fn end(db: &mut PgConnection, ended: &Authority) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE authorities SET revoked_at = $2, left_on = $3, changed_at = $2
         WHERE id = $1 AND revoked_at IS NULL",
        ended.id.0,
        ended.revoked_at,
        ended.left_on
    )
    .execute(db)
    .await?;
    wrote("authorities", 1, &done)
}

/// The rights that people have or had on a registration, their own and through organisations.
pub async fn rights(db: &mut PgConnection, registration: RegistrationId) -> Result<Vec<Right>> {
    let given = of_registration(db, registration, Portion::ALL).await?;
    let mut organisations: Vec<OrganisationId> = given.iter().filter_map(|one| one.organisation_id).collect();
    organisations.sort_unstable();
    organisations.dedup();
    let mut seats = Vec::new();
    for organisation in organisations {
        seats.extend(crate::people::memberships::members(db, organisation, Portion::ALL).await?);
    }
    let mut found = Vec::new();
    for authority in given {
        let of_it = seats.iter().filter(|seat| Some(seat.organisation_id) == authority.organisation_id);
        found.extend(of_it.map(|seat| Right {
            person: seat.person_id,
            authority: authority.clone(),
            seat: Some(seat.clone()),
        }));
        found.extend(authority.person_id.map(|person| Right { person, authority, seat: None }));
    }
    Ok(found)
}

/// Adds a mandate.
pub async fn add_mandate(db: &mut PgConnection, mandate: &Mandate, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO mandates
             (id, registration_id, recipient_id, collector_id, first_day, last_day, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
        mandate.id.0,
        mandate.registration_id.0,
        mandate.recipient_id.0,
        mandate.collector_id.0,
        mandate.first_day,
        mandate.last_day,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A mandate.
pub async fn mandate(db: &mut PgConnection, id: MandateId) -> Result<Option<Mandate>> {
    Ok(select_mandates!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Mandates of a registration.
pub async fn mandates(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Mandate>> {
    Ok(select_mandates!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Revokes a mandate.
pub async fn revoke_mandate(db: &mut PgConnection, id: MandateId, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE mandates SET revoked_at = $2, changed_at = $2 WHERE id = $1 AND revoked_at IS NULL",
        id.0,
        now
    )
    .execute(db)
    .await?;
    wrote("mandates", 1, &done)
}

/// For whom somebody may collect keys on a day, by mandates on a registration.
pub async fn collects_for(
    db: &mut PgConnection,
    registration: RegistrationId,
    collector: PersonId,
    today: Date,
) -> Result<Vec<PersonId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT DISTINCT recipient_id FROM mandates
           WHERE registration_id = $1 AND collector_id = $2 AND in_force(first_day, last_day, revoked_at, $3)"#,
        registration.0,
        collector.0,
        today
    )
    .fetch_all(db)
    .await?)
}
