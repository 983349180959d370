//! What a decision is taken on, read once its registration is taken for update.

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::Result;
use domain::calendar::Period;
use domain::copies::decision::facts::{
    AuthorityFacts, DifferFacts, EarlierKeys, HoldFacts, KeyFacts, PersonFacts, RegistrationFacts,
};
use domain::ids::{CopyRequestId, DifferId, KeyId, PersonId, RegistrationId};
use domain::text::Slug;

fn slug(table: &'static str, text: Option<&str>) -> Result<Option<Slug>> {
    text.map(Slug::parse)
        .transpose()
        .map_err(|error| crate::StorageError::Corrupt { table, problem: error.to_string() })
}

fn count(number: i64) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}

/// Whoever acts in person acts for these organisations only: seats that ask for a second factor sleep
/// in a session without one.
pub struct ActingPerson<'a> {
    /// The person who acts.
    pub person: PersonId,
    /// The organisations that the person may act for.
    pub organisations: &'a [Uuid],
}

/// The people's authorities on a registration, with those of the organisations for which they act.
pub async fn people(
    db: &mut PgConnection,
    registration: RegistrationId,
    differ: DifferId,
    people: &[PersonId],
    acting: Option<&ActingPerson<'_>>,
    today: Date,
) -> Result<Vec<PersonFacts>> {
    let ids: Vec<Uuid> = people.iter().map(|id| id.0).collect();
    let rows = sqlx::query!(
        r#"SELECT acts.person_id AS "person_id!: PersonId", class, post, standing,
                  every_differ OR EXISTS (
                      SELECT 1 FROM authority_differs
                      WHERE authority_id = authorities.id AND differ_id = $2) AS "covers!",
                  may_order, may_approve, occupier, most_per_request, most_keys,
                  authorities.first_day, authorities.last_day, revoked_at IS NOT NULL AS "revoked!"
           FROM authorities
           JOIN LATERAL (
               SELECT authorities.person_id AS person_id WHERE authorities.person_id = ANY ($3)
               UNION ALL
               SELECT memberships.person_id FROM memberships
               WHERE memberships.organisation_id = authorities.organisation_id
                 AND memberships.person_id = ANY ($3)
                 AND (memberships.person_id IS DISTINCT FROM $5 OR memberships.organisation_id = ANY ($6))
                 AND in_force(memberships.first_day, memberships.last_day, NULL, $4)
           ) acts ON true
           WHERE registration_id = $1
           ORDER BY authorities.id"#,
        registration.0,
        differ.0,
        &ids,
        today,
        acting.map(|acting| acting.person.0),
        acting.map(|acting| acting.organisations).unwrap_or_default()
    )
    .fetch_all(db)
    .await?;
    let mut found: Vec<PersonFacts> =
        people.iter().map(|id| PersonFacts { id: *id, authorities: vec![] }).collect();
    for row in rows {
        let authority = AuthorityFacts {
            class: row.class,
            post: slug("authorities", row.post.as_deref())?,
            standing: slug("authorities", row.standing.as_deref())?,
            covers: row.covers,
            may_order: row.may_order,
            may_approve: row.may_approve,
            occupier: row.occupier,
            most_per_request: row.most_per_request.map(i32::unsigned_abs),
            most_keys: row.most_keys.map(i32::unsigned_abs),
            period: Period { first_day: row.first_day, last_day: row.last_day },
            revoked: row.revoked,
        };
        for person in found.iter_mut().filter(|person| person.id == row.person_id) {
            person.authorities.push(authority.clone());
        }
    }
    Ok(found)
}

/// Holds the memberships of people until the transaction ends: who acts for an organisation at a cut
/// still does when it commits.
pub async fn memberships_for_share(db: &mut PgConnection, people: &[PersonId]) -> Result<()> {
    let ids: Vec<Uuid> = people.iter().map(|id| id.0).collect();
    sqlx::query!("SELECT id FROM memberships WHERE person_id = ANY ($1) ORDER BY id FOR SHARE", &ids)
        .fetch_all(db)
        .await?;
    Ok(())
}

/// Holds in force on a day that stop copies of a differ.
pub async fn registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    differ: DifferId,
    ended: bool,
    today: Date,
) -> Result<RegistrationFacts> {
    let rows = sqlx::query!(
        "SELECT kind, barred_person_id AS barred FROM holds
         WHERE registration_id = $1 AND lifted_at IS NULL AND (ends_on IS NULL OR ends_on >= $2)
           AND (differ_id IS NULL OR differ_id = $3)",
        registration.0,
        today,
        differ.0
    )
    .fetch_all(db)
    .await?;
    let holds = rows.into_iter().map(|row| HoldFacts { kind: row.kind, barred: row.barred }).collect();
    Ok(RegistrationFacts { ended, holds })
}

/// Which request the counts leave out, and which keys it is about.
pub struct KeyScope {
    /// On which registration.
    pub registration: RegistrationId,
    /// Keys of which differ.
    pub differ: DifferId,
    /// For whom, where it is for somebody.
    pub recipient: Option<PersonId>,
    /// The request itself, where it is one.
    pub request: Option<CopyRequestId>,
    /// The key that it replaces.
    pub replaces: Option<KeyId>,
    /// The request whose keys it wants to keep out longer.
    pub extends: Option<CopyRequestId>,
}

/// The differ and its keys; `None` when the differ is not of this registration.
pub async fn differ_and_keys(
    db: &mut PgConnection,
    counted: &KeyScope,
    today: Date,
    earlier_since: OffsetDateTime,
) -> Result<Option<(DifferFacts, KeyFacts)>> {
    // An authorised replacement of a worn key brings no key more: the old one goes when it is cut.
    let row = sqlx::query!(
        r#"SELECT level, state,
               EXISTS (SELECT 1 FROM answers WHERE differ_id = differs.id AND until IS NULL) AS "in_service!",
               ARRAY(SELECT DISTINCT room_class FROM locks JOIN answers ON lock_id = locks.id
                     WHERE differ_id = differs.id AND until IS NULL AND room_class IS NOT NULL
                     ORDER BY room_class) AS "room_classes!",
               (SELECT count(*) FROM keys WHERE differ_id = differs.id
                AND key_exists(state)) AS "existing!",
               (SELECT count(*) FROM keys WHERE differ_id = differs.id
                AND key_is_missing(state)) AS "missing!",
               (SELECT coalesce(sum(quantity - cut_count
                    - CASE WHEN purpose = 'replace_worn' AND cut_count = 0 THEN 1 ELSE 0 END), 0)
                FROM copy_requests
                WHERE differ_id = differs.id AND state = 'authorised' AND id IS DISTINCT FROM $4) AS "open_elsewhere!",
               (SELECT count(*) FROM keys WHERE differ_id = differs.id AND holder_id = $3
                AND state = 'with_person')
               + (SELECT coalesce(sum(CASE WHEN id = $4 THEN cut_count ELSE quantity END - handed_count), 0)
                  FROM copy_requests
                  WHERE differ_id = differs.id AND recipient_id = $3 AND state = 'authorised')
                  AS "with_recipient!",
               (SELECT count(*) FROM keys
                LEFT JOIN cuts ON cuts.id = cut_id
                WHERE keys.registration_id = $2 AND holder_id = $3 AND (
                    (state = 'with_person' AND due_back_on < $6
                     AND ($7::uuid IS NULL OR request_id IS DISTINCT FROM $7))
                    OR (key_is_missing(state) AND keys.id IS DISTINCT FROM $5
                        AND NOT EXISTS (SELECT 1 FROM copy_requests replacing
                            WHERE replacing.replaces_key_id = keys.id
                              AND replacing.state IN ('authorised', 'completed'))))) AS "unaccounted!"
           FROM differs WHERE id = $1 AND registration_id = $2"#,
        counted.differ.0,
        counted.registration.0,
        counted.recipient.map(|id| id.0),
        counted.request.map(|id| id.0),
        counted.replaces.map(|id| id.0),
        today,
        counted.extends.map(|id| id.0)
    )
    .fetch_optional(&mut *db)
    .await?;
    let Some(row) = row else { return Ok(None) };
    let room_classes = row
        .room_classes
        .iter()
        .filter_map(|class| slug("locks", Some(class)).transpose())
        .collect::<Result<Vec<Slug>>>()?;
    let earlier = earlier_keys(db, counted, earlier_since).await?;
    let differ = DifferFacts { level: row.level, room_classes, in_service: row.in_service, state: row.state };
    let keys = KeyFacts {
        existing: count(row.existing),
        missing: count(row.missing),
        open_elsewhere: count(row.open_elsewhere),
        with_recipient: count(row.with_recipient),
        earlier,
        unaccounted: count(row.unaccounted),
    };
    Ok(Some((differ, keys)))
}

/// What was authorised for the recipient on the registration since an instant, other requests only.
async fn earlier_keys(
    db: &mut PgConnection,
    counted: &KeyScope,
    earlier_since: OffsetDateTime,
) -> Result<Vec<EarlierKeys>> {
    let rows = sqlx::query!(
        r#"SELECT authorised_at AS "at!", quantity FROM copy_requests
           WHERE registration_id = $1 AND recipient_id = $2 AND authorised_at > $3 AND id IS DISTINCT FROM $4
             AND extends_request_id IS NULL AND (state IN ('authorised', 'completed') OR cut_count > 0)"#,
        counted.registration.0,
        counted.recipient.map(|id| id.0),
        earlier_since,
        counted.request.map(|id| id.0)
    )
    .fetch_all(db)
    .await?;
    let keys = |at, quantity: i32| EarlierKeys { at, quantity: quantity.unsigned_abs() };
    Ok(rows.into_iter().map(|row| keys(row.at, row.quantity)).collect())
}
