//! Cuts that were made without a network.

use serde_json::Value;
use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::count::stored;
use crate::{Portion, Result};
use domain::copies::FlaggedCut;
use domain::copies::decision::Outcome;
use domain::ids::{CopyRequestId, CounterId, CutId, DecisionId, EntryId, RegistrationId};

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

/// A cut that was brought in before.
pub struct EarlierOfflineCut {
    /// The cut.
    pub cut: CutId,
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
    /// When it was cut.
    pub at: OffsetDateTime,
}

/// The cut that was brought in under an id of a counter's choice.
pub async fn offline_cut(
    db: &mut PgConnection,
    counter: CounterId,
    chosen: Uuid,
) -> Result<Option<EarlierOfflineCut>> {
    Ok(sqlx::query_as!(
        EarlierOfflineCut,
        r#"SELECT cut_id AS cut, cuts.request_id AS request, flagged, decision_id AS decision,
                  outcome AS "outcome: _", reasons, entry_id AS entry, decisions.at
           FROM offline_cuts JOIN cuts ON cuts.id = cut_id JOIN decisions ON decisions.id = decision_id
           WHERE offline_cuts.counter_id = $1 AND chosen_id = $2"#,
        counter.0,
        chosen
    )
    .fetch_optional(db)
    .await?)
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
