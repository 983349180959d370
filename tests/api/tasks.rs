//! What happens by the passing of time.

use serde_json::json;
use time::Duration;

use crate::harness::Town;
use application::tasks;
use application::tasks::Round;

#[tokio::test]
async fn an_authorisation_lapses_once_and_says_so() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.pass(Duration::days(29));
    assert_eq!(tasks::round(&town.app).await.unwrap(), Round::default());
    town.pass(Duration::days(1));
    let (one, other) = tokio::join!(tasks::round(&town.app), tasks::round(&town.app));
    assert_eq!(one.unwrap().lapsed + other.unwrap().lapsed, 1);
    assert_eq!(town.cut(&id, 1).await.body["state"], "lapsed");
    assert_eq!(town.count("SELECT count(*) FROM decisions WHERE step = 'lapse'").await, 1);
    town.close().await;
}

#[tokio::test]
async fn a_lapsed_authorisation_is_refused_before_the_task_comes_round() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.pass(Duration::days(30));
    assert_eq!(town.cut(&id, 1).await.codes(), ["authorisation_lapsed"]);
    town.close().await;
}

#[tokio::test]
async fn an_overdue_key_is_marked_once_and_stops_further_copies() {
    let town = Town::open().await;
    let key = town.tenants_key(json!({"due_back_on": "2026-11-05"})).await;
    town.pass(Duration::days(3));
    assert_eq!(tasks::round(&town.app).await.unwrap().overdue, 0);
    town.pass(Duration::days(1));
    assert_eq!(tasks::round(&town.app).await.unwrap().overdue, 1);
    assert_eq!(tasks::round(&town.app).await.unwrap().overdue, 0);
    let read = town.owner.get(format!("/v1/keys/{key}")).await.expect(200);
    assert!(read["overdue_since"].is_string());
    let asked = town.ask(&town.tenant, json!({})).await;
    assert!(asked.codes().contains(&"earlier_key_unaccounted_for".to_owned()));
    town.owner.post(format!("/v1/keys/{key}/return"), json!({})).await.expect(200);
    assert_eq!(town.ask(&town.tenant, json!({})).await.outcome(), "needs_approval");
    town.close().await;
}

/// Kept answers are swept more slowly than they are written.
#[tokio::test]
async fn one_round_sweeps_away_whatever_is_old() {
    let town = Town::open().await;
    let old = "INSERT INTO idempotency_keys (actor_id, key, request_hash, reply, created_at)
               SELECT id, 'old-' || number, sha256('x'), '{}', now() - interval '1000 days'
               FROM (SELECT id FROM people LIMIT 1) AS person, generate_series(1, 2500) AS number";
    sqlx::query(old).execute(&town.admin).await.unwrap();
    let old = "INSERT INTO sign_in_places (place, failures, changed_at)
               SELECT sha256(number::text::bytea), 1, now() - interval '1000 days' FROM generate_series(1, 1500) AS number";
    sqlx::query(old).execute(&town.admin).await.unwrap();
    tasks::round(&town.app).await.unwrap();
    assert_eq!(town.count("SELECT count(*) FROM idempotency_keys WHERE key LIKE 'old-%'").await, 0);
    assert_eq!(town.count("SELECT count(*) FROM sign_in_places").await, 0);
    town.close().await;
}

#[tokio::test]
async fn a_row_that_always_fails_does_not_stop_the_others() {
    let town = Town::open().await;
    let (one, other) = (town.authorised(json!({})).await, town.authorised(json!({})).await);
    let broken = format!(
        "CREATE FUNCTION always_fails() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
             IF NEW.id = '{one}' THEN RAISE EXCEPTION 'it always fails'; END IF; RETURN NEW; END $$;
         CREATE TRIGGER always_fails BEFORE UPDATE ON copy_requests FOR EACH ROW EXECUTE FUNCTION always_fails()"
    );
    sqlx::raw_sql(sqlx::AssertSqlSafe(broken)).execute(&town.admin).await.unwrap();
    town.pass(Duration::days(31));
    let round = tasks::round(&town.app).await.unwrap();
    assert_eq!(round.lapsed, 1);
    let state = town.owner.get(format!("/v1/copy-requests/{other}")).await.expect(200)["state"].clone();
    assert_eq!(state, "lapsed");
    sqlx::raw_sql("DROP TRIGGER always_fails ON copy_requests").execute(&town.admin).await.unwrap();
    assert_eq!(tasks::round(&town.app).await.unwrap().lapsed, 1);
    town.close().await;
}
