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
