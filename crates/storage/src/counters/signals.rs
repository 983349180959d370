//! What is out of pattern, counted. Each query is one rule of [`domain::counters::signals`].

use sqlx::PgConnection;
use time::{Duration, OffsetDateTime};

use crate::Result;
use crate::count::Count;
use domain::counters::signals::{SPOILED_PERCENT, SignalRule};
use domain::ids::{CounterId, PersonId};

/// Something counted, at a counter or with a holder.
pub struct SignalCount {
    /// The counter.
    pub counter: Option<CounterId>,
    /// The holder.
    pub person: Option<PersonId>,
    /// How many were found.
    pub found: u32,
}

/// One query of a rule: its counts are all of a counter, or all of a person.
macro_rules! counted {
    ($db:expr, $sql:tt $(, $argument:expr)*) => {
        sqlx::query_as!(SignalCount, $sql $(, $argument)*).fetch_all($db).await
    };
}

/// What a rule finds at an instant.
pub async fn find(db: &mut PgConnection, rule: SignalRule, now: OffsetDateTime) -> Result<Vec<SignalCount>> {
    let bounds = rule.bounds();
    let (since, least) = (now - Duration::days(i64::from(bounds.days)), i64::from(bounds.least));
    Ok(match rule {
        SignalRule::RefusedCards => counted!(
            db,
            r#"SELECT counter_id AS "counter?", NULL::uuid AS "person?: _", count(*) AS "found!: Count"
               FROM card_refusals WHERE at >= $1 GROUP BY counter_id HAVING count(*) >= $2 ORDER BY counter_id"#,
            since,
            least
        )?,
        SignalRule::SpoiledBlanks => spoiled(db, since, least).await?,
        SignalRule::SpoilsWithoutWitness => counted!(
            db,
            r#"SELECT counter_id AS "counter?", NULL::uuid AS "person?: _", sum(quantity) AS "found!: Count"
               FROM blank_movements WHERE kind = 'spoil' AND confirmed_at IS NULL AND made_at < $1
               GROUP BY counter_id HAVING sum(quantity) >= $2 ORDER BY counter_id"#,
            since,
            least
        )?,
        SignalRule::OpenDifferences => counted!(
            db,
            r#"SELECT counter_id AS "counter?", NULL::uuid AS "person?: _", count(*) AS "found!: Count"
               FROM blank_differences WHERE explained_at IS NULL AND found_at < $1
               GROUP BY counter_id HAVING count(*) >= $2 ORDER BY counter_id"#,
            since,
            least
        )?,
        SignalRule::CutsOutsideHours => outside_hours(db, since, least).await?,
        SignalRule::FlaggedCuts => counted!(
            db,
            r#"SELECT cuts.counter_id AS "counter?", NULL::uuid AS "person?: _", count(*) AS "found!: Count"
               FROM offline_cuts JOIN cuts ON cuts.id = cut_id WHERE flagged AND at >= $1
               GROUP BY cuts.counter_id HAVING count(*) >= $2 ORDER BY cuts.counter_id"#,
            since,
            least
        )?,
        SignalRule::UncollectedKeys => counted!(
            db,
            r#"SELECT cuts.counter_id AS "counter?", NULL::uuid AS "person?: _", count(*) AS "found!: Count"
               FROM keys JOIN cuts ON cuts.id = cut_id JOIN copy_requests r ON r.id = cuts.request_id
               WHERE keys.state = 'in_store' AND NOT request_is_open(r.state) AND r.changed_at < $1
               GROUP BY cuts.counter_id HAVING count(*) >= $2 ORDER BY cuts.counter_id"#,
            since,
            least
        )?,
        SignalRule::HolderAtManyCounters => counted!(
            db,
            r#"SELECT NULL::uuid AS "counter?: _", asked_by AS "person?", count(DISTINCT counter_id) AS "found!: Count"
               FROM copy_requests WHERE asked_at >= $1
               GROUP BY asked_by HAVING count(DISTINCT counter_id) >= $2 ORDER BY asked_by"#,
            since,
            least
        )?,
    })
}

/// Cuts outside of the hours that a counter stated, by the clock of its place.
async fn outside_hours(db: &mut PgConnection, since: OffsetDateTime, least: i64) -> Result<Vec<SignalCount>> {
    Ok(counted!(
        db,
        r#"SELECT counter_id AS "counter?", NULL::uuid AS "person?: _", count(*) AS "found!: Count" FROM (
               SELECT cuts.counter_id, coalesce(made_at, at) AT TIME ZONE time_zone AS local
               FROM cuts JOIN counters ON counters.id = counter_id LEFT JOIN offline_cuts ON cut_id = cuts.id
               WHERE at >= $1 AND time_zone IS NOT NULL) AS cuts
           WHERE NOT EXISTS (SELECT FROM opening_hours h
               WHERE h.counter_id = cuts.counter_id AND weekday = extract(isodow FROM local)
                 AND local::time >= opens AND local::time < closes)
           GROUP BY counter_id HAVING count(*) >= $2 ORDER BY counter_id"#,
        since,
        least
    )?)
}

/// Spoiled blanks, where they are many of those that were used.
async fn spoiled(db: &mut PgConnection, since: OffsetDateTime, least: i64) -> Result<Vec<SignalCount>> {
    Ok(counted!(
        db,
        r#"SELECT counter_id AS "counter?", NULL::uuid AS "person?: _", spoiled AS "found!: Count" FROM (
                   SELECT counter_id, sum(quantity) AS spoiled,
                          (SELECT coalesce(sum(quantity), 0) FROM cuts
                           WHERE cuts.counter_id = m.counter_id AND cuts.at >= $1) AS cut
                   FROM blank_movements m WHERE kind = 'spoil' AND made_at >= $1 GROUP BY counter_id) AS spoils
               WHERE spoiled >= $2 AND spoiled * 100 >= $3 * (spoiled + cut) ORDER BY counter_id"#,
        since,
        least,
        SPOILED_PERCENT
    )?)
}
