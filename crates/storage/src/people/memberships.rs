//! Memberships: who sits in which organisation, and what rests on it.

use serde::Serialize;
use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use crate::{Portion, Result, wrote};
use domain::ids::{MembershipId, OrganisationId, PersonId, RegistrationId};
use domain::people::{Membership, OrganisationKind, Post};

macro_rules! select_memberships {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Membership,
            "SELECT id, person_id, organisation_id, post, first_day, last_day, ended_at
             FROM memberships " + $rest
            $(, $argument)*
        )
    };
}

/// Adds a membership.
pub async fn add(db: &mut PgConnection, membership: &Membership, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO memberships (id, person_id, organisation_id, post, first_day, last_day, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
        membership.id.0,
        membership.person_id.0,
        membership.organisation_id.0,
        membership.post.as_str(),
        membership.first_day,
        membership.last_day,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A membership.
pub async fn membership(db: &mut PgConnection, id: MembershipId) -> Result<Option<Membership>> {
    Ok(select_memberships!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// A membership, taken for update.
pub async fn for_update(db: &mut PgConnection, id: MembershipId) -> Result<Option<Membership>> {
    Ok(select_memberships!("WHERE id = $1 FOR UPDATE", id.0).fetch_optional(db).await?)
}

/// Whether somebody is at the head of an organisation, today or from a day to come.
pub async fn has_head(db: &mut PgConnection, organisation: OrganisationId, today: Date) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT FROM memberships WHERE organisation_id = $1 AND post = 'head' AND ended_at IS NULL
                          AND (last_day IS NULL OR last_day >= $2)) AS "has!""#,
        organisation.0,
        today
    )
    .fetch_one(db)
    .await?)
}

/// Whom it concerns who is at the head of an organisation: its people, and the owners on whose registrations it has an
/// authority. Not the head.
pub async fn concerned_by_head(
    db: &mut PgConnection,
    head: &Membership,
    today: Date,
) -> Result<Vec<PersonId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT DISTINCT person_id AS "id!: PersonId" FROM (
               SELECT person_id FROM memberships
               WHERE organisation_id = $1 AND in_force(first_day, last_day, ended_at, $3)
               UNION ALL
               SELECT owners.person_id FROM authorities own
               JOIN authorities owners ON owners.registration_id = own.registration_id AND owners.class = 'owner'
               WHERE own.organisation_id = $1 AND in_force(own.first_day, own.last_day, own.revoked_at, $3)
                 AND in_force(owners.first_day, owners.last_day, owners.revoked_at, $3)
           ) AS concerned WHERE person_id <> $2 ORDER BY 1"#,
        head.organisation_id.0,
        head.person_id.0,
        today
    )
    .fetch_all(db)
    .await?)
}

/// Memberships whose last day has passed, and which have not ended yet.
pub async fn to_end(db: &mut PgConnection, today: Date, limit: i64) -> Result<Vec<MembershipId>> {
    Ok(sqlx::query_scalar!(
        "SELECT id FROM memberships WHERE ended_at IS NULL AND last_day < $1 ORDER BY last_day LIMIT $2",
        today,
        limit
    )
    .fetch_all(db)
    .await?)
}

/// The registrations on which something rests on a seat: what its person gave under an authority of the
/// organisation, and what the person has where the organisation has, or had, an authority. In their order.
pub async fn registrations_of(db: &mut PgConnection, seat: &Membership) -> Result<Vec<RegistrationId>> {
    Ok(sqlx::query_scalar!(
        r#"SELECT DISTINCT registration_id AS "id!: RegistrationId" FROM (
               SELECT given.registration_id FROM authorities given
               JOIN authorities own ON own.id = given.given_under
               WHERE given.given_by = $1 AND given.revoked_at IS NULL AND given.confirmed_by IS NULL
                 AND own.organisation_id = $2
               UNION ALL
               SELECT own.registration_id FROM authorities own
               WHERE own.organisation_id = $2 AND (
                   EXISTS (SELECT FROM cards WHERE cards.registration_id = own.registration_id
                           AND cards.person_id = $1 AND cards.state <> 'revoked')
                   OR EXISTS (SELECT FROM keys WHERE keys.registration_id = own.registration_id
                              AND holder_id = $1 AND keys.state = 'with_person')
                   OR EXISTS (SELECT FROM copy_requests WHERE copy_requests.registration_id = own.registration_id
                              AND (asked_by = $1 OR recipient_id = $1) AND request_is_open(copy_requests.state)))
           ) AS found ORDER BY 1"#,
        seat.person_id.0,
        seat.organisation_id.0
    )
    .fetch_all(db)
    .await?)
}

/// Memberships of an organisation, those that are over too.
pub async fn members(
    db: &mut PgConnection,
    organisation: OrganisationId,
    portion: Portion,
) -> Result<Vec<Membership>> {
    Ok(select_memberships!(
        "WHERE organisation_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        organisation.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Ends a membership: after a day, or at an instant.
pub async fn end(db: &mut PgConnection, ended: &Membership, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE memberships SET last_day = $2, ended_at = $3, changed_at = $4 WHERE id = $1",
        ended.id.0,
        ended.last_day,
        ended.ended_at,
        now
    )
    .execute(db)
    .await?;
    wrote("memberships", 1, &done)
}

/// Where a caller sits.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Seat {
    /// In which organisation.
    pub organisation_id: OrganisationId,
    /// What it is.
    pub kind: OrganisationKind,
    /// Whether the person is its head or of its staff.
    pub post: Post,
}

/// Where a person sits today.
pub async fn seats(db: &mut PgConnection, person: PersonId, today: Date) -> Result<Vec<Seat>> {
    Ok(sqlx::query_as!(
        Seat,
        "SELECT organisation_id, organisations.kind, post
         FROM memberships JOIN organisations ON organisations.id = organisation_id
         WHERE person_id = $1 AND in_force(first_day, last_day, ended_at, $2)",
        person.0,
        today
    )
    .fetch_all(db)
    .await?)
}
