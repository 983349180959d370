//! Cuts that were made without a network.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::count::{Count, stored};
use crate::{Portion, Result, wrote};
use domain::copies::decision::Outcome;
use domain::copies::{CutClaim, FlaggedCut};
use domain::ids::{
    CopyRequestId, CounterId, CutClaimId, CutId, DecisionId, EntryId, PersonId, RegistrationId,
};

/// What is particular to a cut that was made without a network.
pub struct NewOfflineCut {
    /// The cut.
    pub cut: CutId,
    /// The counter.
    pub counter: CounterId,
    /// The id that the counter chose.
    pub chosen: Uuid,
    /// When, by the counter's clock.
    pub made_at: OffsetDateTime,
    /// It was decided no.
    pub flagged: bool,
    /// Keys beyond what was authorised.
    pub beyond: u32,
}

/// Adds what is particular to a cut that was made without a network.
pub async fn add_offline_cut(db: &mut PgConnection, row: &NewOfflineCut) -> Result<()> {
    sqlx::query!(
        "INSERT INTO offline_cuts (cut_id, counter_id, chosen_id, made_at, flagged, beyond)
         VALUES ($1, $2, $3, $4, $5, $6)",
        row.cut.0,
        row.counter.0,
        row.chosen,
        row.made_at,
        row.flagged,
        stored(row.beyond)?
    )
    .execute(db)
    .await?;
    Ok(())
}

/// What was brought in before under an id of a counter's choice.
pub struct BroughtIn {
    /// The cut; absent where all of it was beyond what was authorised.
    pub cut: Option<CutId>,
    /// Keys that are claimed beyond.
    pub claimed: u32,
    /// The copy request.
    pub request: CopyRequestId,
    /// It was decided no.
    pub flagged: bool,
    /// The decision.
    pub decision: DecisionId,
    /// What it came to.
    pub outcome: Outcome,
    /// Why the decision was no.
    pub reasons: Value,
    /// Its entry.
    pub entry: EntryId,
    /// When it was brought in.
    pub at: OffsetDateTime,
}

/// What was brought in under an id of a counter's choice.
pub async fn brought_in(
    db: &mut PgConnection,
    counter: CounterId,
    chosen: Uuid,
) -> Result<Option<BroughtIn>> {
    Ok(sqlx::query_as!(
        BroughtIn,
        r#"SELECT cuts.id AS "cut?: CutId", coalesce(claims.quantity, 0) AS "claimed!: Count",
                  decisions.request_id AS "request!: CopyRequestId", outcome <> 'permitted' AS "flagged!",
                  decisions.id AS "decision!: DecisionId", outcome AS "outcome: _", reasons,
                  entry_id AS "entry!: EntryId", decisions.at
           FROM decisions
           LEFT JOIN (cuts JOIN offline_cuts ON cut_id = cuts.id AND offline_cuts.counter_id = $1 AND chosen_id = $2)
             ON cuts.decision_id = decisions.id
           LEFT JOIN cut_claims claims
             ON claims.decision_id = decisions.id AND claims.counter_id = $1 AND claims.chosen_id = $2
           WHERE decisions.id IN (
               SELECT cuts.decision_id FROM offline_cuts JOIN cuts ON cuts.id = cut_id
               WHERE offline_cuts.counter_id = $1 AND chosen_id = $2
               UNION
               SELECT cut_claims.decision_id FROM cut_claims WHERE counter_id = $1 AND chosen_id = $2)"#,
        counter.0,
        chosen
    )
    .fetch_optional(db)
    .await?)
}

/// Keys that a counter says it cut beyond what was authorised.
pub struct NewClaim {
    /// Its id.
    pub id: CutClaimId,
    /// The copy request.
    pub request: CopyRequestId,
    /// The counter.
    pub counter: CounterId,
    /// The id that the counter chose.
    pub chosen: Uuid,
    /// How many.
    pub quantity: u32,
    /// When, by the counter's clock.
    pub made_at: OffsetDateTime,
    /// The decision that was taken when it was brought in.
    pub decision: DecisionId,
}

/// Adds a claim.
pub async fn add_claim(db: &mut PgConnection, claim: &NewClaim, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO cut_claims
             (id, request_id, counter_id, chosen_id, quantity, made_at, brought_in_at, decision_id)
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
        claim.id.0,
        claim.request.0,
        claim.counter.0,
        claim.chosen,
        stored(claim.quantity)?,
        claim.made_at,
        now,
        claim.decision.0
    )
    .execute(db)
    .await?;
    Ok(())
}

macro_rules! select_claims {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            CutClaim,
            r#"SELECT cut_claims.id, decisions.registration_id, cut_claims.request_id AS copy_request_id,
                      cut_claims.counter_id, quantity, made_at, brought_in_at, reasons, entry_id, settled_at, accepted
               FROM cut_claims JOIN decisions ON decisions.id = decision_id "# + $rest
            $(, $argument)*
        )
    };
}

/// A claim.
pub async fn claim(db: &mut PgConnection, id: CutClaimId) -> Result<Option<CutClaim>> {
    Ok(select_claims!("WHERE cut_claims.id = $1", id.0).fetch_optional(db).await?)
}

/// Claims on one registration or on all, those that were settled too.
pub async fn claims(
    db: &mut PgConnection,
    registration: Option<RegistrationId>,
    portion: Portion,
) -> Result<Vec<CutClaim>> {
    Ok(select_claims!(
        "WHERE ($1::uuid IS NULL OR decisions.registration_id = $1) AND cut_claims.id > $2
         ORDER BY cut_claims.id LIMIT $3",
        registration.map(|id| id.0),
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}

/// Writes what became of a claim.
pub async fn settle_claim(
    db: &mut PgConnection,
    id: CutClaimId,
    by: PersonId,
    accepted: bool,
    now: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE cut_claims SET settled_at = $2, settled_by = $3, accepted = $4 WHERE id = $1 AND settled_at IS NULL",
        id.0,
        now,
        by.0,
        accepted
    )
    .execute(db)
    .await?;
    wrote("cut_claims", 1, &done)
}

/// Cuts that were brought in and decided no, on one registration or on all.
pub async fn flagged_cuts(
    db: &mut PgConnection,
    registration: Option<RegistrationId>,
    portion: Portion,
) -> Result<Vec<FlaggedCut>> {
    Ok(sqlx::query_as!(
        FlaggedCut,
        "SELECT cuts.id, decisions.registration_id, cuts.request_id AS copy_request_id, cuts.counter_id,
                quantity, beyond, made_at, cuts.at AS brought_in_at, reasons, entry_id
         FROM offline_cuts JOIN cuts ON cuts.id = cut_id JOIN decisions ON decisions.id = decision_id
         WHERE flagged AND ($1::uuid IS NULL OR decisions.registration_id = $1) AND cuts.id > $2
         ORDER BY cuts.id LIMIT $3",
        registration.map(|id| id.0),
        portion.after,
        portion.limit
    )
    .fetch_all(db)
    .await?)
}
