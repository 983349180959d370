//! Owner's cards, their PINs, and the lists that say which of them count.

use serde_json::Value;
use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::{Portion, Result, wrote};
use domain::cards::{Card, CardState};
use domain::ids::{ActorId, CardId, CounterId, OrganisationId, PersonId, RegistrationId};
use domain::numbers::TypedNumber;
use domain::register::registrations::Registration;

macro_rules! select_cards {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Card,
            r#"SELECT id, registration_id, person_id, number, state, expires_on,
                      pin_hash IS NOT NULL AS "pin_set!", status_list, status_index, replaces_id
               FROM cards "# + $rest
            $(, $argument)*
        )
    };
}

/// Adds a card.
pub async fn add(db: &mut PgConnection, card: &Card, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO cards (id, registration_id, person_id, number, state, expires_on, pin_failures, status_list,
                            status_index, replaces_id, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, 0, $8, $9, $10, $7)",
        card.id.0,
        card.registration_id.0,
        card.person_id.0,
        card.number.as_str(),
        card.state.as_str(),
        card.expires_on,
        now,
        card.status_list,
        card.status_index,
        card.replaces_id.map(|id| id.0)
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A card.
pub async fn card(db: &mut PgConnection, id: CardId) -> Result<Option<Card>> {
    Ok(select_cards!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Cards of a registration.
pub async fn all(db: &mut PgConnection, registration: RegistrationId, portion: Portion) -> Result<Vec<Card>> {
    Ok(select_cards!(
        "WHERE registration_id = $1 AND id > $2 ORDER BY id LIMIT $3",
        registration.0,
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// A card that is shown at a counter, with what is behind it.
pub struct CardAtCounter {
    /// The card.
    pub card: ShownCard,
    /// Its registration.
    pub registration: Registration,
    /// The rules in force there.
    pub rules: Value,
    /// The holder's name.
    pub holder: String,
    /// The counter is appointed for the section today.
    pub appointed: bool,
}

/// Whose counter it is, and the card with a number with what is behind it: in one query, since a counter
/// waits for it. Nothing, where there is no such counter.
pub async fn at_counter(
    db: &mut PgConnection,
    counter: CounterId,
    number: Option<&TypedNumber>,
    today: Date,
) -> Result<Option<(OrganisationId, Option<CardAtCounter>)>> {
    let row = sqlx::query!(
        r#"SELECT dealer_id AS dealer, shown.id AS "card?",
                  shown.person_id AS "person?", shown.state AS "state?",
                  shown.expires_on AS "expires_on?", shown.pin_hash AS "pin_hash?",
                  registrations.id AS "registration?",
                  registrations.number AS "number?", section_id AS "section?",
                  owner_id AS "owner?", premises AS "premises?",
                  registrations.rules_version AS "rules_version?", registrations.version AS "version?",
                  registrations.created_at AS "created_at?", registrations.owner_since, registrations.ended_at,
                  rules AS "rules?", people.name AS "holder?",
                  EXISTS (SELECT 1 FROM appointments
                          WHERE counter_id = counters.id AND appointments.section_id = registrations.section_id
                            AND in_force(first_day, last_day, revoked_at, $3)) AS "appointed!"
           FROM counters
           LEFT JOIN cards AS shown ON shown.number = $2
           LEFT JOIN people ON people.id = shown.person_id
           LEFT JOIN registrations ON registrations.id = shown.registration_id
           LEFT JOIN rule_versions ON rule_versions.registration_id = registrations.id
                                  AND rule_versions.version = registrations.rules_version
           WHERE counters.id = $1"#,
        counter.0,
        number.map(TypedNumber::as_str),
        today
    )
    .fetch_optional(db)
    .await?;
    let Some(row) = row else { return Ok(None) };
    let behind = (|| {
        let registration_id = row.registration?;
        let card = ShownCard {
            id: row.card?,
            registration_id,
            person_id: row.person?,
            state: row.state?,
            expires_on: row.expires_on?,
            pin_hash: row.pin_hash,
        };
        let registration = Registration {
            id: registration_id,
            number: row.number?,
            section_id: row.section?,
            owner_id: row.owner?,
            premises: row.premises?,
            rules_version: row.rules_version?,
            version: row.version?,
            created_at: row.created_at?,
            owner_since: row.owner_since,
            ended_at: row.ended_at,
        };
        let (rules, holder) = (row.rules?, row.holder?);
        Some(CardAtCounter { card, registration, rules, holder, appointed: row.appointed })
    })();
    Ok(Some((row.dealer, behind)))
}

/// The numbers of the cards of people on a registration that count.
pub async fn current_numbers(
    db: &mut PgConnection,
    registration: RegistrationId,
    people: &[PersonId],
) -> Result<Vec<TypedNumber>> {
    let people: Vec<Uuid> = people.iter().map(|id| id.0).collect();
    Ok(sqlx::query_scalar!(
        "SELECT number FROM cards
         WHERE registration_id = $1 AND person_id = ANY ($2) AND state = 'valid' ORDER BY number",
        registration.0,
        &people
    )
    .fetch_all(db)
    .await?)
}

/// Sets where a card stands.
pub async fn set_state(
    db: &mut PgConnection,
    id: CardId,
    state: CardState,
    now: OffsetDateTime,
) -> Result<()> {
    let done =
        sqlx::query!("UPDATE cards SET state = $2, changed_at = $3 WHERE id = $1", id.0, state.as_str(), now)
            .execute(db)
            .await?;
    wrote("cards", 1, &done)
}

/// Sets or takes away the PIN of a card, and forgets wrong attempts.
pub async fn set_pin(
    db: &mut PgConnection,
    id: CardId,
    pin_hash: Option<&str>,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE cards SET pin_hash = $2, pin_failures = 0, pin_blocked_until = NULL, changed_at = $3
         WHERE id = $1",
        id.0,
        pin_hash,
        now
    )
    .execute(db)
    .await?;
    wrote("cards", 1, &done)
}

/// A card as it is shown at a counter.
#[derive(Clone)]
pub struct ShownCard {
    /// Its id.
    pub id: CardId,
    /// The registration that it belongs to.
    pub registration_id: RegistrationId,
    /// Its holder.
    pub person_id: PersonId,
    /// Its state.
    pub state: CardState,
    /// Its last day.
    pub expires_on: Date,
    /// Argon2id of the PIN.
    pub pin_hash: Option<String>,
}

macro_rules! select_shown_cards {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            ShownCard,
            "SELECT id, registration_id, person_id, state, expires_on, pin_hash
             FROM cards " + $rest
            $(, $argument)*
        )
    };
}

/// The card with a number.
pub async fn shown_by_number(db: &mut PgConnection, number: &TypedNumber) -> Result<Option<ShownCard>> {
    Ok(select_shown_cards!("WHERE number = $1", number.as_str()).fetch_optional(db).await?)
}

/// A card that was shown, as it stands now.
pub async fn shown(db: &mut PgConnection, id: CardId) -> Result<Option<ShownCard>> {
    Ok(select_shown_cards!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Counts a PIN attempt before it is looked at. `false` when the PIN is blocked.
pub async fn count_pin_attempt(
    db: &mut PgConnection,
    id: CardId,
    now: OffsetDateTime,
    free: i32,
) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE cards
         SET pin_failures = pin_failures + 1,
             changed_at = $2,
             pin_blocked_until = CASE WHEN pin_failures + 1 < $3 THEN NULL
                 ELSE $2::timestamptz
                      + least(5 * power(4, least(pin_failures + 1 - $3, 6)), 1440) * interval '1 minute' END
         WHERE id = $1 AND (pin_blocked_until IS NULL OR pin_blocked_until <= $2)",
        id.0,
        now,
        free
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Forgets wrong PIN attempts after the right PIN.
pub async fn forget_pin_attempts(db: &mut PgConnection, id: CardId, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE cards SET pin_failures = 0, pin_blocked_until = NULL, changed_at = $2 WHERE id = $1",
        id.0,
        now
    )
    .execute(db)
    .await?;
    wrote("cards", 1, &done)
}

/// A list, for update: its number, size, and how many of its places were ever used.
pub struct List {
    /// Its number.
    pub number: i32,
    /// Places.
    pub size: i32,
    /// Places that were ever used.
    pub used: i32,
}

/// The newest list, for update.
pub async fn newest_list_for_update(db: &mut PgConnection) -> Result<List> {
    Ok(sqlx::query_as!(
        List,
        "SELECT number, size, used FROM status_lists ORDER BY number DESC LIMIT 1 FOR UPDATE"
    )
    .fetch_one(db)
    .await?)
}

/// Opens the list after another, of the same size, unless somebody else did.
pub async fn open_list_after(db: &mut PgConnection, list: &List) -> Result<()> {
    sqlx::query!(
        "INSERT INTO status_lists (number, size, used) VALUES ($1, $2, 0) ON CONFLICT DO NOTHING",
        list.number + 1,
        list.size
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Takes a place in a list that was taken for update. `false` when it was ever used before.
pub async fn take_place(db: &mut PgConnection, list: i32, index: i32) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE status_lists SET used = used + 1
         WHERE number = $1 AND NOT EXISTS (SELECT FROM cards WHERE status_list = $1 AND status_index = $2)",
        list,
        index
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The numbers of all lists.
pub async fn list_numbers(db: &mut PgConnection) -> Result<Vec<i32>> {
    Ok(sqlx::query_scalar!("SELECT number FROM status_lists ORDER BY number").fetch_all(db).await?)
}

/// The size of a list.
pub async fn list_size(db: &mut PgConnection, number: i32) -> Result<Option<i32>> {
    Ok(sqlx::query_scalar!("SELECT size FROM status_lists WHERE number = $1", number)
        .fetch_optional(db)
        .await?)
}

/// The cards of a list that do not count, by their places.
pub async fn not_valid(db: &mut PgConnection, list: i32) -> Result<Vec<(i32, CardState)>> {
    let rows = sqlx::query!(
        "SELECT status_index, state FROM cards
         WHERE status_list = $1 AND state <> 'valid'",
        list
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.status_index, row.state)).collect())
}

/// A key that signs cards is needed until the last day of those that it may have signed.
pub async fn need_key(db: &mut PgConnection, kid: &str, until: Option<Date>) -> Result<()> {
    sqlx::query!(
        "INSERT INTO card_keys (kid, needed_until)
         SELECT $1, until FROM (SELECT coalesce($2, (SELECT max(expires_on) FROM cards)) AS until) AS cards
         WHERE until IS NOT NULL
         ON CONFLICT (kid) DO UPDATE SET needed_until = excluded.needed_until
         WHERE card_keys.needed_until < excluded.needed_until",
        kid,
        until
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The keys that are needed on a day. Those that no card needs any more are forgotten.
pub async fn needed_keys(db: &mut PgConnection, today: Date) -> Result<Vec<String>> {
    sqlx::query!("DELETE FROM card_keys WHERE needed_until < $1", today).execute(&mut *db).await?;
    Ok(sqlx::query_scalar!("SELECT kid FROM card_keys ORDER BY kid").fetch_all(db).await?)
}

/// A check that ended with a no.
pub struct CheckRefusal<'a> {
    /// Its id.
    pub id: Uuid,
    /// The counter.
    pub counter: CounterId,
    /// Of which card, where it is one.
    pub card: Option<CardId>,
    /// The code of the reason.
    pub code: &'a str,
    /// Who checked.
    pub by: ActorId,
}

/// Adds a check that ended with a no.
pub async fn add_refusal(
    db: &mut PgConnection,
    refusal: &CheckRefusal<'_>,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO card_refusals (id, counter_id, card_id, code, by_actor, at) VALUES ($1, $2, $3, $4, $5, $6)",
        refusal.id,
        refusal.counter.0,
        refusal.card.map(|id| id.0),
        refusal.code,
        refusal.by.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Forgets checks that are older than any signal looks at.
pub async fn forget_refusals(db: &mut PgConnection, before: OffsetDateTime, most: i64) -> Result<u64> {
    let done = sqlx::query!(
        "DELETE FROM card_refusals WHERE id = ANY (ARRAY(SELECT id FROM card_refusals WHERE at < $1 LIMIT $2))",
        before,
        most
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected())
}
