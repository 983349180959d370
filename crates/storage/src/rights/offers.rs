//! Authorities that wait for their person.

use sqlx::PgConnection;
use sqlx::types::Json;
use time::OffsetDateTime;

use crate::{Portion, Result, wrote};
use domain::ids::{ActorId, AuthorityId, PersonId, RegistrationId};
use domain::rights::authorities::{Authority, AuthorityOffer};

/// A row of it.
struct Row {
    id: AuthorityId,
    premises: String,
    authority: Json<Authority>,
    offered_by: ActorId,
    open_until: OffsetDateTime,
    settled_at: Option<OffsetDateTime>,
    accepted: bool,
}

impl From<Row> for AuthorityOffer {
    fn from(row: Row) -> Self {
        Self {
            id: row.id,
            premises: row.premises,
            authority: row.authority.0,
            offered_by: row.offered_by,
            open_until: row.open_until,
            settled_at: row.settled_at,
            accepted: row.accepted,
        }
    }
}

macro_rules! select_offers {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Row,
            r#"SELECT authority_offers.id, premises, authority AS "authority: Json<Authority>", offered_by,
                      open_until, settled_at, accepted
               FROM authority_offers JOIN registrations ON registrations.id = registration_id "# + $rest
            $(, $argument)*
        )
    };
}

/// Adds an offer to a person.
pub async fn add(db: &mut PgConnection, offer: &AuthorityOffer) -> Result<()> {
    sqlx::query!(
        "INSERT INTO authority_offers (id, registration_id, person_id, authority, offered_by, open_until)
         VALUES ($1, $2, $3, $4, $5, $6)",
        offer.id.0,
        offer.authority.registration_id.0,
        offer.authority.person_id.map(|id| id.0),
        Json(&offer.authority) as _,
        offer.offered_by.0,
        offer.open_until
    )
    .execute(db)
    .await?;
    Ok(())
}

/// An offer.
pub async fn offer(db: &mut PgConnection, id: AuthorityId) -> Result<Option<AuthorityOffer>> {
    let row = select_offers!("WHERE authority_offers.id = $1", id.0).fetch_optional(db).await?;
    Ok(row.map(AuthorityOffer::from))
}

/// The offers of a registration, those that are settled too.
pub async fn of_registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<AuthorityOffer>> {
    let rows = select_offers!(
        "WHERE registration_id = $1 AND authority_offers.id > $2 ORDER BY authority_offers.id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    );
    Ok(rows.fetch_all(db).await?.into_iter().map(AuthorityOffer::from).collect())
}

/// What was offered to a person, what is settled too.
pub async fn to_person(
    db: &mut PgConnection,
    person: PersonId,
    portion: Portion,
) -> Result<Vec<AuthorityOffer>> {
    let rows = select_offers!(
        "WHERE person_id = $1 AND authority_offers.id > $2 ORDER BY authority_offers.id LIMIT $3",
        person.0,
        portion.after,
        portion.limit
    );
    Ok(rows.fetch_all(db).await?.into_iter().map(AuthorityOffer::from).collect())
}

/// Settles an offer.
pub async fn settle(
    db: &mut PgConnection,
    id: AuthorityId,
    accepted: bool,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE authority_offers SET settled_at = $2, accepted = $3 WHERE id = $1 AND settled_at IS NULL",
        id.0,
        now,
        accepted
    )
    .execute(db)
    .await?;
    wrote("authority_offers", 1, &done)
}

/// Sweeps away offers that have not been open since before an instant; so many at most.
pub async fn sweep(db: &mut PgConnection, before: OffsetDateTime, most: i64) -> Result<u64> {
    let done = sqlx::query!(
        "DELETE FROM authority_offers WHERE id IN (
             SELECT id FROM authority_offers WHERE open_until < $1 ORDER BY open_until LIMIT $2)",
        before,
        most
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected())
}
