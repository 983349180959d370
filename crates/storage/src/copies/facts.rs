//! What decisions are taken on: read for as many requests of a registration at once as there are, in as many
//! statements as for one.

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::count::{Count, MaybeCount};
use crate::{Result, StorageError};
use domain::calendar::Period;
use domain::copies::decision::facts::{
    AuthorityFacts, CounterFacts, DifferFacts, EarlierKeys, HoldFacts, KeyFacts, PersonFacts, ReplacedKey,
};
use domain::differs::{DifferState, Level};
use domain::ids::{CopyRequestId, CounterId, DifferId, KeyId, PersonId, RegistrationId, SectionId};
use domain::keys::{ChargeState, KeyState};
use domain::text::Slug;

fn slug(table: &'static str, text: Option<&str>) -> Result<Option<Slug>> {
    text.map(Slug::parse)
        .transpose()
        .map_err(|error| StorageError::Corrupt { table, problem: error.to_string() })
}

/// Whoever acts in person acts for these organisations only: seats that ask for a second factor sleep
/// in a session without one.
pub struct ActingPerson<'a> {
    /// The person who acts.
    pub person: PersonId,
    /// The organisations that the person may act for.
    pub organisations: &'a [Uuid],
}

/// An authority of a person, over every differ or over some.
struct FoundAuthority {
    person: PersonId,
    every_differ: bool,
    differs: Vec<DifferId>,
    /// As it is for a differ that it covers.
    facts: AuthorityFacts,
}

/// Authorities of people on a registration.
pub struct FoundAuthorities(Vec<FoundAuthority>);

impl FoundAuthorities {
    /// A person, with the authorities as they are for a differ.
    #[must_use]
    pub fn of(&self, id: PersonId, differ: DifferId) -> PersonFacts {
        let own = self.0.iter().filter(|found| found.person == id);
        let for_differ = |found: &FoundAuthority| AuthorityFacts {
            covers: found.every_differ || found.differs.contains(&differ),
            ..found.facts.clone()
        };
        PersonFacts { id, authorities: own.map(for_differ).collect() }
    }
}

/// The people's authorities on a registration, with those of the organisations for which they act.
pub async fn authorities(
    db: &mut PgConnection,
    registration: RegistrationId,
    people: &[PersonId],
    acting: Option<&ActingPerson<'_>>,
    today: Date,
) -> Result<FoundAuthorities> {
    let ids: Vec<Uuid> = people.iter().map(|id| id.0).collect();
    let rows = sqlx::query!(
        r#"SELECT acts.person_id AS "person_id!: PersonId", class, post, standing, every_differ,
                  ARRAY(SELECT differ_id FROM authority_differs
                        WHERE authority_id = authorities.id) AS "differ_ids!: Vec<DifferId>",
                  may_order, may_approve, occupier, most_per_request AS "most_per_request!: MaybeCount",
                  most_keys AS "most_keys!: MaybeCount", authorities.first_day, authorities.last_day, revoked_at IS NOT NULL AS "revoked!"
           FROM authorities
           JOIN LATERAL (
               SELECT authorities.person_id AS person_id WHERE authorities.person_id = ANY ($2)
               UNION ALL
               SELECT memberships.person_id FROM memberships
               WHERE memberships.organisation_id = authorities.organisation_id
                 AND memberships.person_id = ANY ($2)
                 AND (memberships.person_id IS DISTINCT FROM $4 OR memberships.organisation_id = ANY ($5))
                 AND in_force(memberships.first_day, memberships.last_day, memberships.ended_at, $3)
           ) acts ON true
           WHERE registration_id = $1
           ORDER BY authorities.id"#,
        registration.0,
        &ids,
        today,
        acting.map(|acting| acting.person.0),
        acting.map(|acting| acting.organisations).unwrap_or_default()
    )
    .fetch_all(db)
    .await?;
    let mut found = Vec::with_capacity(rows.len());
    for row in rows {
        let facts = AuthorityFacts {
            class: row.class,
            post: slug("authorities", row.post.as_deref())?,
            standing: slug("authorities", row.standing.as_deref())?,
            covers: true,
            may_order: row.may_order,
            may_approve: row.may_approve,
            occupier: row.occupier,
            most_per_request: row.most_per_request.into(),
            most_keys: row.most_keys.into(),
            period: Period { first_day: row.first_day, last_day: row.last_day },
            revoked: row.revoked,
        };
        let (person, every_differ, differs) = (row.person_id, row.every_differ, row.differ_ids);
        found.push(FoundAuthority { person, every_differ, differs, facts });
    }
    Ok(FoundAuthorities(found))
}

/// Takes the memberships of people for share until the transaction ends: who acts for an organisation at a cut
/// still does when it commits.
pub async fn memberships_for_share(db: &mut PgConnection, people: &[PersonId]) -> Result<()> {
    let ids: Vec<Uuid> = people.iter().map(|id| id.0).collect();
    sqlx::query!("SELECT id FROM memberships WHERE person_id = ANY ($1) ORDER BY id FOR SHARE", &ids)
        .fetch_all(db)
        .await?;
    Ok(())
}

/// A hold in force, on one differ or on all.
pub struct FoundHold {
    differ: Option<DifferId>,
    facts: HoldFacts,
}

/// The holds that stop copies of a differ.
#[must_use]
pub fn holds_on(found: &[FoundHold], differ: DifferId) -> Vec<HoldFacts> {
    let on = |hold: &&FoundHold| hold.differ.is_none_or(|held| held == differ);
    found.iter().filter(on).map(|hold| hold.facts.clone()).collect()
}

/// Holds on a registration that are in force on a day.
pub async fn holds(
    db: &mut PgConnection,
    registration: RegistrationId,
    today: Date,
) -> Result<Vec<FoundHold>> {
    let rows = sqlx::query!(
        "SELECT kind, barred_person_id AS barred, differ_id FROM holds
         WHERE registration_id = $1 AND lifted_at IS NULL AND (ends_on IS NULL OR ends_on >= $2)",
        registration.0,
        today
    )
    .fetch_all(db)
    .await?;
    let hold = |kind, barred, differ| FoundHold { differ, facts: HoldFacts { kind, barred } };
    Ok(rows.into_iter().map(|row| hold(row.kind, row.barred, row.differ_id)).collect())
}

/// The approvals of some requests, each with the request that it is of, in the order in which they were given.
pub async fn approvals(
    db: &mut PgConnection,
    requests: &[Uuid],
) -> Result<Vec<(CopyRequestId, PersonId, bool)>> {
    let rows = sqlx::query!(
        "SELECT request_id, approver_id, emergency FROM approvals
         WHERE request_id = ANY ($1) ORDER BY given_at, id",
        requests
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.request_id, row.approver_id, row.emergency)).collect())
}

/// One request, or one that is only thought of: which keys it is about, and what its counts leave out.
pub struct Lookup {
    /// Keys of which differ.
    pub differ: DifferId,
    /// The counter that is to cut.
    pub counter: Option<CounterId>,
    /// For whom, where it is for somebody.
    pub recipient: Option<PersonId>,
    /// The request itself, where it is one.
    pub request: Option<CopyRequestId>,
    /// The key that it replaces.
    pub replaces: Option<KeyId>,
    /// That key is handed in with the step.
    pub handed_in: bool,
    /// The request whose keys it wants to keep out longer.
    pub extends: Option<CopyRequestId>,
    /// Since when keys that were authorised count as earlier ones.
    pub earlier_since: OffsetDateTime,
}

/// What the register knows of a request's differ, keys and counter.
pub struct FoundFacts {
    /// The differ.
    pub differ: DifferFacts,
    /// Its keys.
    pub keys: KeyFacts,
    /// The counter.
    pub counter: CounterFacts,
    /// How often the issue was extended.
    pub extensions: u32,
    /// The key that is replaced, where one is named; nothing is known of one that is not the recipient's.
    pub replaced: Option<ReplacedKey>,
}

/// A lookup's row.
struct FactsRow {
    position: i64,
    level: Level,
    state: DifferState,
    in_service: bool,
    room_classes: Vec<String>,
    existing: u32,
    missing: u32,
    open_elsewhere: u32,
    with_recipient: u32,
    unaccounted: u32,
    extensions: u32,
    appointed: bool,
    blanks: Option<u32>,
}

impl TryFrom<FactsRow> for FoundFacts {
    type Error = StorageError;

    fn try_from(row: FactsRow) -> Result<Self> {
        let room_classes = row.room_classes.iter().filter_map(|class| slug("locks", Some(class)).transpose());
        Ok(Self {
            differ: DifferFacts {
                level: row.level,
                room_classes: room_classes.collect::<Result<Vec<Slug>>>()?,
                in_service: row.in_service,
                state: row.state,
            },
            keys: KeyFacts {
                existing: row.existing,
                missing: row.missing,
                open_elsewhere: row.open_elsewhere,
                with_recipient: row.with_recipient,
                earlier: vec![],
                unaccounted: row.unaccounted,
            },
            counter: CounterFacts { appointed: row.appointed, blanks: row.blanks.unwrap_or(0) },
            extensions: row.extensions,
            replaced: None,
        })
    }
}

/// What the register knows for each lookup, in their order; `None` when the differ is not of this registration.
pub async fn of_requests(
    db: &mut PgConnection,
    registration: (RegistrationId, SectionId),
    lookups: &[Lookup],
    today: Date,
) -> Result<Vec<Option<FoundFacts>>> {
    let mut found: Vec<Option<FoundFacts>> = lookups.iter().map(|_| None).collect();
    for row in rows(db, registration, lookups, today).await? {
        let index = index_of(row.position);
        if let (Some(slot), Some(lookup)) = (found.get_mut(index), lookups.get(index)) {
            let replaced = lookup.replaces.map(|_| ReplacedKey::default());
            *slot = Some(FoundFacts { replaced, ..row.try_into()? });
        }
    }
    add_earlier(db, registration.0, lookups, &mut found).await?;
    if lookups.iter().any(|lookup| lookup.replaces.is_some()) {
        add_replaced(db, lookups, &mut found).await?;
    }
    Ok(found)
}

/// Which lookup a row is of.
fn index_of(position: i64) -> usize {
    usize::try_from(position).map_or(usize::MAX, |position| position.saturating_sub(1))
}

/// An id of each lookup, as a column.
fn ids(lookups: &[Lookup], of: fn(&Lookup) -> Option<Uuid>) -> Vec<Option<Uuid>> {
    lookups.iter().map(of).collect()
}

async fn rows(
    db: &mut PgConnection,
    (registration, section): (RegistrationId, SectionId),
    lookups: &[Lookup],
    today: Date,
) -> Result<Vec<FactsRow>> {
    // An authorised replacement of a worn key brings no key more: the old one goes when it is cut.
    Ok(sqlx::query_as!(
        FactsRow,
        r#"SELECT position AS "position!", level, state,
               EXISTS (SELECT 1 FROM answers WHERE differ_id = differs.id AND until IS NULL) AS "in_service!",
               ARRAY(SELECT DISTINCT room_class FROM locks JOIN answers ON lock_id = locks.id
                     WHERE differ_id = differs.id AND until IS NULL AND room_class IS NOT NULL
                     ORDER BY room_class) AS "room_classes!",
               (SELECT count(*) FROM keys WHERE differ_id = differs.id AND key_exists(state)) AS "existing!: Count",
               (SELECT count(*) FROM keys WHERE differ_id = differs.id AND key_is_missing(state)) AS "missing!: Count",
               (SELECT coalesce(sum(quantity - cut_count
                    - CASE WHEN purpose = 'replace_worn' AND cut_count = 0 THEN 1 ELSE 0 END), 0)
                FROM copy_requests WHERE differ_id = differs.id AND state = 'authorised'
                AND id IS DISTINCT FROM asked.request) AS "open_elsewhere!: Count",
               (SELECT count(*) FROM keys WHERE differ_id = differs.id AND holder_id = asked.recipient
                AND state = 'with_person')
               + (SELECT coalesce(sum(CASE WHEN id = asked.request THEN cut_count ELSE quantity END
                                      - handed_count), 0)
                  FROM copy_requests WHERE differ_id = differs.id AND recipient_id = asked.recipient
                  AND state = 'authorised') AS "with_recipient!: Count",
               (SELECT count(*) FROM keys LEFT JOIN cuts ON cuts.id = cut_id
                WHERE keys.registration_id = $1 AND holder_id = asked.recipient AND (
                    (state = 'with_person' AND due_back_on < $3
                     AND (asked.extended IS NULL OR request_id IS DISTINCT FROM asked.extended))
                    OR (key_is_missing(state) AND keys.id IS DISTINCT FROM asked.replaced
                        AND NOT EXISTS (SELECT 1 FROM copy_requests replacing
                            WHERE replacing.replaces_key_id = keys.id
                              AND replacing.state IN ('authorised', 'completed'))))) AS "unaccounted!: Count",
               CASE WHEN asked.extended IS NULL THEN 0 ELSE
                   (SELECT count(*) FROM copy_requests
                    WHERE extends_request_id = asked.extended AND state = 'completed') END AS "extensions!: Count",
               EXISTS (SELECT 1 FROM appointments WHERE counter_id = asked.counter AND section_id = $2
                       AND in_force(first_day, last_day, revoked_at, $3)) AS "appointed!",
               (SELECT on_hand FROM blank_accounts WHERE counter_id = asked.counter AND section_id = $2)
                 AS "blanks!: MaybeCount"
           FROM unnest($4::uuid[], $5::uuid[], $6::uuid[], $7::uuid[], $8::uuid[], $9::uuid[])
                WITH ORDINALITY AS asked(differ, counter, recipient, request, replaced, extended, position)
           JOIN differs ON differs.id = asked.differ AND registration_id = $1"#,
        registration.0,
        section.0,
        today,
        &ids(lookups, |lookup| Some(lookup.differ.0)) as &[Option<Uuid>],
        &ids(lookups, |lookup| lookup.counter.map(|id| id.0)) as &[Option<Uuid>],
        &ids(lookups, |lookup| lookup.recipient.map(|id| id.0)) as &[Option<Uuid>],
        &ids(lookups, |lookup| lookup.request.map(|id| id.0)) as &[Option<Uuid>],
        &ids(lookups, |lookup| lookup.replaces.map(|id| id.0)) as &[Option<Uuid>],
        &ids(lookups, |lookup| lookup.extends.map(|id| id.0)) as &[Option<Uuid>]
    )
    .fetch_all(db)
    .await?)
}

/// What was authorised for the recipients on the registration since their instants, other requests only.
async fn add_earlier(
    db: &mut PgConnection,
    registration: RegistrationId,
    lookups: &[Lookup],
    found: &mut [Option<FoundFacts>],
) -> Result<()> {
    let since: Vec<OffsetDateTime> = lookups.iter().map(|lookup| lookup.earlier_since).collect();
    let rows = sqlx::query!(
        r#"SELECT position AS "position!", authorised_at AS "at!", quantity
           FROM unnest($2::uuid[], $3::uuid[], $4::timestamptz[])
                WITH ORDINALITY AS asked(recipient, request, since, position)
           JOIN copy_requests ON registration_id = $1 AND recipient_id = asked.recipient
                AND authorised_at > asked.since AND id IS DISTINCT FROM asked.request
           WHERE extends_request_id IS NULL AND (state IN ('authorised', 'completed') OR cut_count > 0)"#,
        registration.0,
        &ids(lookups, |lookup| lookup.recipient.map(|id| id.0)) as &[Option<Uuid>],
        &ids(lookups, |lookup| lookup.request.map(|id| id.0)) as &[Option<Uuid>],
        &since
    )
    .fetch_all(db)
    .await?;
    for row in rows {
        if let Some(Some(facts)) = found.get_mut(index_of(row.position)) {
            facts.keys.earlier.push(EarlierKeys { at: row.at, quantity: row.quantity.into() });
        }
    }
    Ok(())
}

/// The keys that are replaced, as far as they are the recipients': of any other nothing is known.
async fn add_replaced(
    db: &mut PgConnection,
    lookups: &[Lookup],
    found: &mut [Option<FoundFacts>],
) -> Result<()> {
    let rows = sqlx::query!(
        r#"SELECT position AS "position!", keys.state, charge AS "charge?", waived_by_post AS "waived_by?",
                  EXISTS (SELECT 1 FROM copy_requests
                          WHERE replaces_key_id = keys.id AND copy_requests.id IS DISTINCT FROM asked.request
                            AND copy_requests.state IN ('authorised', 'completed')) AS "replaced_before!"
           FROM unnest($1::uuid[], $2::uuid[], $3::uuid[], $4::uuid[])
                WITH ORDINALITY AS asked(replaced, differ, recipient, request, position)
           JOIN keys ON keys.id = asked.replaced AND keys.differ_id = asked.differ
                AND keys.holder_id = asked.recipient
           LEFT JOIN losses ON losses.key_id = keys.id AND found_at IS NULL"#,
        &ids(lookups, |lookup| lookup.replaces.map(|id| id.0)) as &[Option<Uuid>],
        &ids(lookups, |lookup| Some(lookup.differ.0)) as &[Option<Uuid>],
        &ids(lookups, |lookup| lookup.recipient.map(|id| id.0)) as &[Option<Uuid>],
        &ids(lookups, |lookup| lookup.request.map(|id| id.0)) as &[Option<Uuid>]
    )
    .fetch_all(db)
    .await?;
    for row in rows {
        let index = index_of(row.position);
        if let (Some(Some(facts)), Some(lookup)) = (found.get_mut(index), lookups.get(index)) {
            facts.replaced = Some(ReplacedKey {
                with_recipient: row.state == KeyState::WithPerson,
                missing: row.state.is_missing(),
                handed_in: lookup.handed_in,
                replaced_before: row.replaced_before,
                charge: row.charge.unwrap_or(ChargeState::None),
                waived_by: slug("losses", row.waived_by.as_deref())?,
            });
        }
    }
    Ok(())
}
