//! The register is compared with the log: whoever owns the database changes something, and it is named.

use std::time::Duration;

use application::App;
use application::log::check;
use domain::standing::{DifferenceKind, TABLES};
use serde_json::json;
use sqlx::PgPool;

use crate::harness::{Town, databases};

/// What is found, as `kind of columns`, each once.
async fn found(app: &App) -> Vec<String> {
    let checked = check::whole(app, Duration::ZERO).await.unwrap();
    let line = |one: &domain::standing::Difference| {
        format!("{} {} {}", one.kind, one.of, one.columns.join(" ")).trim_end().to_owned()
    };
    let mut lines: Vec<String> = checked.differences.iter().map(line).collect();
    lines.sort();
    lines.dedup();
    assert_eq!(checked.count == 0, lines.is_empty());
    lines
}

/// A day in which everything happens that leaves rows: asked, approved, cut, handed over, lost, revoked, erased.
async fn busy() -> Town {
    let town = Town::open().await;
    town.tenants_key(json!({})).await;
    let key = town.tenants_key(json!({})).await;
    town.tenant.post(format!("/v1/keys/{key}/loss"), json!({"kind": "lost"})).await.expect(201);
    let narrow = json!({"differ_ids": [town.differ], "most_keys": 2});
    town.give(&town.owner, &town.stranger, narrow).await.expect(201);
    town.ask(&town.tenant, json!({"quantity": 999})).await.expect(201);
    let gone = town.person("Gone").await;
    let given = town.grant(&town.registration, "keyholder", &gone.id, json!({})).await;
    town.supplier.post(format!("/v1/authorities/{given}/revocation"), json!({})).await.expect(200);
    town.supplier
        .post(format!("/v1/people/{}/erasure", gone.id), json!({"under": "gdpr_17"}))
        .await
        .expect(200);
    while town.sequencer.round().await.unwrap() > 0 {}
    // Some wait for their index.
    town.ask(&town.tenant, json!({})).await.expect(201);
    town
}

async fn owner_runs(admin: &PgPool, sql: &str) {
    let mut tx = storage::begin(admin).await.unwrap();
    sqlx::query("SET session_replication_role = replica").execute(&mut *tx).await.unwrap();
    let done = sqlx::query(sqlx::AssertSqlSafe(sql.to_owned())).execute(&mut *tx).await.unwrap();
    assert!(done.rows_affected() > 0, "{sql}");
    sqlx::query("SET session_replication_role = origin").execute(&mut *tx).await.unwrap();
    tx.commit().await.unwrap();
}

/// What somebody does to the database, and what the comparison says.
const TOUCHED: &[(&str, &[&str])] = &[
    // A decision changed, deleted or added.
    (
        "UPDATE decisions SET outcome = 'refused' WHERE ctid = (SELECT ctid FROM decisions
         WHERE outcome = 'permitted' LIMIT 1)",
        &["changed decisions outcome"],
    ),
    (
        "UPDATE decisions SET reasons = '[]' WHERE ctid = (SELECT ctid FROM decisions
         WHERE outcome = 'refused' LIMIT 1)",
        &["changed decisions reasons"],
    ),
    ("UPDATE decisions SET at = at - interval '1 day'", &["changed decisions at"]),
    ("DELETE FROM decisions WHERE step = 'hand_over'", &["gone decisions"]),
    (
        "INSERT INTO copy_requests SELECT gen_random_uuid(), registration_id, differ_id, asked_by, recipient_id,
         counter_id, quantity, purpose, replaces_key_id, needed_from, due_back_on, extends_request_id, emergency_reason,
         state, asked_at, authorised_at, lapses_at, cut_count, handed_count, version, changed_at
         FROM copy_requests LIMIT 1",
        &["unknown copy_requests"],
    ),
    // A key's state, who has it, one too many, one too few.
    ("UPDATE keys SET state = 'returned', holder_id = NULL WHERE state = 'lost'", &["changed keys state holder_id"]),
    (
        "UPDATE keys SET holder_id = (SELECT id FROM people WHERE name = 'Owner') WHERE state = 'with_person'",
        &["changed keys holder_id"],
    ),
    (
        "INSERT INTO keys SELECT gen_random_uuid(), registration_id, differ_id, 999, cut_id, lever_pack_id, state,
         holder_id, due_back_on, overdue_since, version, changed_at FROM keys LIMIT 1",
        &["unknown keys"],
    ),
    ("DELETE FROM keys WHERE state = 'in_store'", &["gone keys"]),
    // A right made wider, one that ended made to stand.
    ("UPDATE authorities SET may_approve = true WHERE class = 'keyholder'", &["changed authorities may_approve"]),
    ("UPDATE authorities SET most_keys = NULL WHERE most_keys IS NOT NULL", &["changed authorities most_keys"]),
    ("UPDATE authorities SET revoked_at = NULL WHERE revoked_at IS NOT NULL", &["changed authorities revoked_at"]),
    (
        "UPDATE authorities SET person_id = (SELECT id FROM people WHERE name = 'Stranger')
         WHERE class = 'owner'",
        &["changed authorities person_id"],
    ),
    ("DELETE FROM authority_differs", &["gone authority_differs"]),
    ("UPDATE cards SET state = 'suspended'", &["changed cards state"]),
    ("DELETE FROM holds", &["gone holds"]),
    ("UPDATE memberships SET first_day = first_day - 1", &["changed memberships first_day"]),
    ("UPDATE registrations SET premises = 'Elsewhere'", &["changed registrations premises"]),
    ("UPDATE changes SET kind = 'key.issued' WHERE kind = 'key.lost'", &["changed changes kind"]),
    ("DELETE FROM changes WHERE kind = 'authority.revoked'", &["gone changes"]),
    // Somebody else decided; a hold for one person alone; a right that outlasts its giver; a name under which nothing is
    // found.
    ("UPDATE decisions SET by_actor = (SELECT id FROM people WHERE name = 'Stranger')", &["changed decisions by_actor"]),
    ("UPDATE holds SET loss_id = NULL, differ_id = NULL, kind = 'recovery', barred_person_id = (SELECT id FROM people
      WHERE name = 'Stranger')", &["changed holds kind differ_id loss_id barred_person_id"]),
    ("UPDATE authorities SET confirmed_by = (SELECT id FROM people WHERE name = 'Manager') WHERE class = 'keyholder'
      AND revoked_at IS NULL", &["changed authorities confirmed_by"]),
    ("UPDATE disclosures SET name = 'x' WHERE name LIKE 'keys/%/holder_id'", &["changed disclosures"]),
    // What shows a field, taken away otherwise than by an erasure, and put there.
    ("DELETE FROM disclosures WHERE name = 'by'", &["gone disclosures"]),
    ("UPDATE disclosures SET disclosure = 'WyJhIiwiYnkiLDFd' WHERE name = 'recipient'",
     &["changed disclosures", "gone disclosures"]),
    (
        "INSERT INTO erased_disclosures SELECT id, 'x' FROM log_entries LIMIT 1",
        &["changed erased_disclosures count"],
    ),
    // An entry changed, and one that waits taken out after its 201.
    (
        "UPDATE log_entries SET body = convert_to(replace(convert_from(body, 'UTF8'), '\"lost\"', '\"dead\"'), 'UTF8')
         WHERE body LIKE '%\"lost\"%'",
        &["changed keys state", "changed log_entries body", "changed losses kind"],
    ),
    ("UPDATE log_entries SET registration_id = NULL WHERE body LIKE '%hold.placed%'",
     &["changed log_entries registration_id", "gone holds", "unknown holds"]),
    ("DELETE FROM log_pending", &["gone log_pending"]),
    ("DELETE FROM log_leaves WHERE index = 3", &["gone log_leaves log 1, index 3", "gone log_pending"]),
];

/// Nobody compared register and log: what the owner of the database changed, deleted or added went unseen by all.
#[tokio::test]
async fn what_the_owner_of_the_database_touches_is_named() {
    let town = busy().await;
    assert_eq!(found(&town.app).await, [""; 0]);
    let (app, database) = town.put_down().await;
    let mut wrong = vec![];
    for (sql, expected) in TOUCHED {
        let pool = databases::connect(&databases::copy_of(&database).await).await;
        owner_runs(&pool, sql).await;
        let named = found(&App { pool: pool.clone(), ..app.clone() }).await;
        if named != *expected {
            wrong.push(format!("{sql}\n  says {named:?}\n  not {expected:?}"));
        }
        databases::drop(pool).await;
    }
    databases::drop(databases::connect(&database).await).await;
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Every column of every table that has versions is said, committed to, or left out on purpose.
#[tokio::test]
async fn every_column_of_a_table_with_versions_is_said_or_left_out_on_purpose() {
    let town = Town::open().await;
    let tables: Vec<String> = sqlx::query_scalar(
        "SELECT DISTINCT event_object_table::text FROM information_schema.triggers
         WHERE trigger_name = event_object_table || '_history' ORDER BY 1",
    )
    .fetch_all(&town.admin)
    .await
    .unwrap();
    let known: Vec<&str> = TABLES.iter().map(|table| table.name).collect();
    assert_eq!(tables, known);
    for table in TABLES {
        let mut columns: Vec<String> = sqlx::query_scalar(
            "SELECT column_name::text FROM information_schema.columns
             WHERE table_schema = 'public' AND table_name = $1 AND is_generated = 'NEVER'",
        )
        .bind(table.name)
        .fetch_all(&town.admin)
        .await
        .unwrap();
        columns.sort();
        let mut said: Vec<&str> = [table.plain, table.committed, table.unsaid].concat();
        said.sort_unstable();
        assert_eq!(columns, said, "{}", table.name);
    }
    assert_eq!(DifferenceKind::ALL.len(), 3);
    town.close().await;
}

/// The comparison runs beside the work: what comes in meanwhile is no difference.
#[tokio::test(flavor = "multi_thread")]
async fn what_comes_in_while_it_is_compared_is_no_difference() {
    let town = std::sync::Arc::new(busy().await);
    let working = tokio::spawn({
        let town = town.clone();
        async move {
            for _ in 0..40 {
                town.ask(&town.tenant, json!({})).await.expect(201);
                while town.sequencer.round().await.unwrap() > 0 {}
            }
        }
    });
    while !working.is_finished() {
        let checked = check::whole(&town.app, Duration::from_millis(1)).await.unwrap();
        assert!(checked.differences.is_empty() && !checked.damaged, "{:#?}", checked.differences);
    }
    working.await.unwrap();
    let (_, database) = std::sync::Arc::into_inner(town).unwrap().put_down().await;
    databases::drop(databases::connect(&database).await).await;
}
