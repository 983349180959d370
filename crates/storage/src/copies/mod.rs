//! Copy requests, approvals, cuts and hand-overs.

pub mod facts;
pub mod offline;

use serde::Serialize;
use serde_json::Value;
use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::count::stored;
use crate::{Portion, Result, wrote};
use domain::copies::decision::{Reason, RecordedStep};
use domain::copies::{CopyRequest, Destruction, DocumentKind, RequestState};
use domain::ids::{
    CardId, CopyRequestId, CounterId, CutId, DecisionId, DestructionId, EntryId, HandOverId, KeyId, PersonId,
    RegistrationId,
};

macro_rules! select_requests {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            CopyRequest,
            "SELECT id, registration_id, differ_id, asked_by, recipient_id, counter_id, quantity, purpose,
                    replaces_key_id, needed_from, due_back_on, extends_request_id, emergency_reason, state,
                    asked_at, authorised_at, lapses_at, cut_count, handed_count, version
             FROM copy_requests " + $rest
            $(, $argument)*
        )
    };
}

/// Adds a request.
pub async fn add(db: &mut PgConnection, request: &CopyRequest) -> Result<()> {
    sqlx::query!(
        "INSERT INTO copy_requests
             (id, registration_id, differ_id, asked_by, recipient_id, counter_id, quantity, purpose,
              replaces_key_id, needed_from, due_back_on, extends_request_id, emergency_reason, state, asked_at,
              authorised_at, lapses_at, cut_count, handed_count, version, changed_at)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $15)",
        request.id.0,
        request.registration_id.0,
        request.differ_id.0,
        request.asked_by.0,
        request.recipient_id.0,
        request.counter_id.0,
        stored(request.quantity)?,
        request.purpose.as_str(),
        request.replaces_key_id.map(|id| id.0),
        request.needed_from,
        request.due_back_on,
        request.extends_request_id.map(|id| id.0),
        request.emergency_reason,
        request.state.as_str(),
        request.asked_at,
        request.authorised_at,
        request.lapses_at,
        stored(request.cut_count)?,
        stored(request.handed_count)?,
        request.version
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Writes how far a request is; its version is the one that it gets.
pub async fn change(db: &mut PgConnection, request: &CopyRequest, now: OffsetDateTime) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE copy_requests SET state = $2, authorised_at = $3, lapses_at = $4, cut_count = $5,
             handed_count = $6, version = $7, changed_at = $8
         WHERE id = $1 AND version = $7 - 1",
        request.id.0,
        request.state.as_str(),
        request.authorised_at,
        request.lapses_at,
        stored(request.cut_count)?,
        stored(request.handed_count)?,
        request.version,
        now
    )
    .execute(db)
    .await?;
    wrote("copy_requests", 1, &done)
}

/// A request.
pub async fn request(db: &mut PgConnection, id: CopyRequestId) -> Result<Option<CopyRequest>> {
    Ok(select_requests!("WHERE id = $1", id.0).fetch_optional(db).await?)
}

/// Requests on a registration: all, or one person's own and those for some differs.
pub async fn of_registration(
    db: &mut PgConnection,
    registration: RegistrationId,
    only: Option<(Option<PersonId>, &[Uuid])>,
    state: Option<RequestState>,
    portion: Portion,
) -> Result<Vec<CopyRequest>> {
    Ok(select_requests!(
        "WHERE registration_id = $1 AND id > $2
         AND ($3 OR asked_by = $4 OR recipient_id = $4 OR differ_id = ANY ($5))
         AND ($6::text IS NULL OR state = $6)
         ORDER BY id LIMIT $7",
        registration.0,
        portion.after,
        only.is_none(),
        only.and_then(|(person, _)| person).map(|id| id.0),
        only.map(|(_, differs)| differs).unwrap_or_default(),
        state.map(RequestState::as_str),
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Requests to be cut at a counter.
pub async fn of_counter(
    db: &mut PgConnection,
    counter: CounterId,
    state: Option<RequestState>,
    portion: Portion,
) -> Result<Vec<CopyRequest>> {
    Ok(select_requests!(
        "WHERE counter_id = $1 AND id > $2 AND ($3::text IS NULL OR state = $3) ORDER BY id LIMIT $4",
        counter.0,
        portion.after,
        state.map(RequestState::as_str),
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Open requests on a registration.
pub async fn open(db: &mut PgConnection, registration: RegistrationId) -> Result<Vec<CopyRequest>> {
    Ok(select_requests!("WHERE registration_id = $1 AND request_is_open(state) ORDER BY id", registration.0)
        .fetch_all(db)
        .await?)
}

/// Authorised requests whose time has run out, with their registrations; the oldest first.
pub async fn to_lapse(
    db: &mut PgConnection,
    now: OffsetDateTime,
    most: i64,
) -> Result<Vec<(CopyRequestId, RegistrationId)>> {
    let rows = sqlx::query!(
        "SELECT id, registration_id
         FROM copy_requests WHERE state = 'authorised' AND lapses_at <= $1 ORDER BY lapses_at LIMIT $2",
        now,
        most
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.id, row.registration_id)).collect())
}

/// An approval.
pub struct NewApproval {
    /// Its id.
    pub id: Uuid,
    /// The copy request.
    pub request: CopyRequestId,
    /// Who approves.
    pub approver: PersonId,
    /// The decision that was taken with it.
    pub decision: DecisionId,
    /// In place of an authority that cannot act.
    pub emergency: bool,
}

/// Adds an approval.
pub async fn approve(db: &mut PgConnection, approval: &NewApproval, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO approvals (id, request_id, approver_id, decision_id, emergency, given_at)
         VALUES ($1, $2, $3, $4, $5, $6)",
        approval.id,
        approval.request.0,
        approval.approver.0,
        approval.decision.0,
        approval.emergency,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A cut.
pub struct NewCut {
    /// Its id.
    pub id: CutId,
    /// The copy request.
    pub request: CopyRequestId,
    /// The counter that cuts.
    pub counter: CounterId,
    /// The number of keys.
    pub quantity: u32,
    /// The decision that permitted it.
    pub decision: DecisionId,
}

/// Adds a cut.
pub async fn add_cut(db: &mut PgConnection, cut: &NewCut, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO cuts (id, request_id, counter_id, quantity, decision_id, at) VALUES ($1, $2, $3, $4, $5, $6)",
        cut.id.0,
        cut.request.0,
        cut.counter.0,
        stored(cut.quantity)?,
        cut.decision.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A hand-over.
pub struct NewHandOver<'a> {
    /// Its id.
    pub id: HandOverId,
    /// The copy request.
    pub request: CopyRequestId,
    /// The person who collected the keys.
    pub collected_by: PersonId,
    /// The card that was shown.
    pub card: Option<CardId>,
    /// The kind of document that was seen.
    pub document: Option<DocumentKind>,
    /// The decision that permitted it.
    pub decision: DecisionId,
    /// Which keys.
    pub keys: &'a [KeyId],
}

/// Adds a hand-over.
pub async fn add_hand_over(
    db: &mut PgConnection,
    hand_over: &NewHandOver<'_>,
    now: OffsetDateTime,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO hand_overs (id, request_id, collected_by, card_id, document_seen, decision_id, at)
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
        hand_over.id.0,
        hand_over.request.0,
        hand_over.collected_by.0,
        hand_over.card.map(|id| id.0),
        hand_over.document.map(DocumentKind::as_str),
        hand_over.decision.0,
        now
    )
    .execute(&mut *db)
    .await?;
    let keys: Vec<Uuid> = hand_over.keys.iter().map(|id| id.0).collect();
    sqlx::query!(
        "INSERT INTO hand_over_keys (hand_over_id, key_id) SELECT $1, id FROM unnest($2::uuid[]) AS given (id)",
        hand_over.id.0,
        &keys
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Adds the destruction of keys that nobody collected, to be confirmed.
pub async fn add_destruction(db: &mut PgConnection, destruction: &Destruction) -> Result<()> {
    sqlx::query!(
        "INSERT INTO destructions (id, request_id, made_by, made_at) VALUES ($1, $2, $3, $4)",
        destruction.id.0,
        destruction.copy_request_id.0,
        destruction.made_by.0,
        destruction.made_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A destruction.
pub async fn destruction(db: &mut PgConnection, id: DestructionId) -> Result<Option<Destruction>> {
    Ok(sqlx::query_as!(
        Destruction,
        "SELECT id, request_id AS copy_request_id, made_by, made_at, witness_id, witnessed_at
         FROM destructions WHERE id = $1",
        id.0
    )
    .fetch_optional(db)
    .await?)
}

/// Confirms a destruction, once.
pub async fn witness_destruction(
    db: &mut PgConnection,
    id: DestructionId,
    witness: PersonId,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE destructions SET witness_id = $2, witnessed_at = $3 WHERE id = $1 AND witnessed_at IS NULL",
        id.0,
        witness.0,
        now
    )
    .execute(db)
    .await?;
    wrote("destructions", 1, &done)
}

/// Open authorisations of a counter under which keys are left to cut.
pub async fn to_cut(db: &mut PgConnection, counter: CounterId, most: i64) -> Result<Vec<CopyRequest>> {
    Ok(select_requests!(
        "WHERE counter_id = $1 AND state = 'authorised' AND cut_count < quantity ORDER BY id LIMIT $2",
        counter.0,
        most
    )
    .fetch_all(db)
    .await?)
}

/// Open requests at a counter that a person asked for, is to receive, or may collect.
pub async fn waiting_for(
    db: &mut PgConnection,
    registration: RegistrationId,
    counter: CounterId,
    person: PersonId,
    today: Date,
) -> Result<Vec<CopyRequest>> {
    Ok(select_requests!(
        "WHERE registration_id = $1 AND counter_id = $2 AND request_is_open(state)
           AND (asked_by = $3 OR recipient_id = $3 OR recipient_id IN (
               SELECT mandates.recipient_id FROM mandates
               WHERE mandates.registration_id = $1 AND collector_id = $3 AND in_force(first_day, last_day, revoked_at, $4)))
         ORDER BY id",
        registration.0,
        counter.0,
        person.0,
        today
    )
    .fetch_all(db)
    .await?)
}

/// Keeps the signature of a hand-over.
pub async fn add_signature(
    db: &mut PgConnection,
    hand_over: HandOverId,
    strokes: &str,
    hash: &str,
) -> Result<()> {
    sqlx::query!(
        "INSERT INTO signatures (hand_over_id, strokes, hash) VALUES ($1, $2, $3)",
        hand_over.0,
        strokes,
        hash
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A signature that was drawn at a hand-over.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct KeptSignature {
    /// The hand-over.
    pub hand_over_id: HandOverId,
    /// When it was given.
    #[serde(with = "time::serde::rfc3339")]
    pub at: OffsetDateTime,
    /// The strokes, as compact JSON: the bytes that were hashed. A counter does not see them.
    pub strokes: Option<String>,
    /// base64url(SHA-256(strokes)), which the entry of the hand-over commits to.
    pub hash: String,
}

/// The signatures of the hand-overs of a request, oldest first.
pub async fn signatures(db: &mut PgConnection, request: CopyRequestId) -> Result<Vec<KeptSignature>> {
    Ok(sqlx::query_as!(
        KeptSignature,
        r#"SELECT id AS hand_over_id, at, strokes AS "strokes?", hash
           FROM hand_overs JOIN signatures ON hand_over_id = id
           WHERE request_id = $1 ORDER BY id"#,
        request.0
    )
    .fetch_all(db)
    .await?)
}

/// A decision that was taken on a request.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RecordedDecision {
    /// Its id.
    pub id: DecisionId,
    /// The step at which it was taken.
    pub step: RecordedStep,
    /// What it came to; `recorded` where there was nothing to decide.
    pub outcome: String,
    /// Every reason that was given.
    #[schema(value_type = Vec<Reason>)]
    pub reasons: Value,
    /// Under which version of the rules.
    pub rules_version: i32,
    /// When it was taken.
    #[serde(with = "time::serde::rfc3339")]
    pub at: OffsetDateTime,
    /// Its entry in the evidence log.
    pub entry_id: EntryId,
}

/// The decisions on a request, oldest first.
pub async fn decisions(db: &mut PgConnection, request: CopyRequestId) -> Result<Vec<RecordedDecision>> {
    Ok(sqlx::query_as!(
        RecordedDecision,
        "SELECT id, step, outcome, reasons, rules_version, at, entry_id
         FROM decisions WHERE request_id = $1 ORDER BY at, id",
        request.0
    )
    .fetch_all(db)
    .await?)
}

/// An approval that stood in for the normal authority.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Override {
    /// The approval.
    pub id: Uuid,
    /// The copy request.
    pub copy_request_id: CopyRequestId,
    /// Who gave the approval.
    pub approver_id: PersonId,
    /// Why the normal authority could not act.
    pub reason: Option<String>,
    /// When it was given.
    #[serde(with = "time::serde::rfc3339")]
    pub given_at: OffsetDateTime,
}

/// Overrides of every registration.
pub async fn overrides(db: &mut PgConnection, portion: Portion) -> Result<Vec<Override>> {
    Ok(sqlx::query_as!(
        Override,
        "SELECT approvals.id, request_id AS copy_request_id, approver_id, emergency_reason AS reason, given_at
         FROM approvals JOIN copy_requests ON copy_requests.id = request_id
         WHERE emergency AND approvals.id > $1 ORDER BY approvals.id LIMIT $2",
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}
