//! The life of a copy, over HTTP.

mod policies;
mod sequences;

use serde_json::{Value, json};
use time::Duration;

use crate::harness::Town;

#[tokio::test]
async fn a_tenant_asks_the_owner_approves_the_counter_cuts_and_hands_over() {
    let town = Town::open().await;
    let asked = town.ask(&town.tenant, json!({})).await;
    assert_eq!((asked.status.as_u16(), asked.outcome()), (201, "needs_approval"));
    let id = asked.request_id();
    let approved = town.owner.post(format!("/v1/copy-requests/{id}/approvals"), json!({})).await;
    assert_eq!(approved.outcome(), "permitted");
    assert_eq!(
        approved.body["copy_request"]["lapses_at"],
        "2026-12-02T09:00:00.000199Z".replace("000199", &micros(&approved.body))
    );
    let cut = town.cut(&id, 1).await;
    assert_eq!(cut.outcome(), "permitted");
    assert_eq!(cut.body["keys"][0]["copy_number"], 3);
    let handed = town.hand_over(&id, 1, json!({})).await;
    assert_eq!(handed.outcome(), "permitted", "{}", handed.text);
    assert_eq!(handed.body["copy_request"]["state"], "completed");
    assert_eq!(handed.body["keys"][0]["holder_id"], town.tenant.id);
    let blanks = town.counter_staff.get(format!("/v1/counters/{}/blanks", town.counter)).await.expect(200);
    assert_eq!(
        (blanks["items"][0]["cut"].as_i64(), blanks["items"][0]["on_hand"].as_i64()),
        (Some(1), Some(39))
    );
    let decisions = town.tenant.get(format!("/v1/copy-requests/{id}/decisions")).await.expect(200);
    let steps: Vec<(&str, &str)> = decisions["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|taken| (taken["step"].as_str().unwrap(), taken["outcome"].as_str().unwrap()))
        .collect();
    assert_eq!(
        steps,
        [
            ("ask", "needs_approval"),
            ("approve", "permitted"),
            ("cut", "permitted"),
            ("hand_over", "permitted")
        ]
    );
    town.close().await;
}

/// The microseconds of an authorisation, which the test clock moves on.
fn micros(body: &Value) -> String {
    let at = body["copy_request"]["authorised_at"].as_str().unwrap();
    at.split('.').nth(1).unwrap().trim_end_matches('Z').to_owned()
}

#[tokio::test]
async fn a_dry_run_says_what_asking_would_and_writes_nothing() {
    let town = Town::open().await;
    let before =
        town.count("SELECT (SELECT count(*) FROM log_entries) + (SELECT count(*) FROM history)").await;
    let path = format!("/v1/registrations/{}/copy-requests/dry-run", town.registration);
    let answer = town.tenant.post(path, town.ask_body()).await.expect(200);
    assert_eq!(answer["outcome"], "needs_approval");
    assert_eq!(answer["reasons"][0]["code"], "approval_needed");
    let after =
        town.count("SELECT (SELECT count(*) FROM log_entries) + (SELECT count(*) FROM history)").await;
    assert_eq!(before, after);
    assert_eq!(town.count("SELECT count(*) FROM copy_requests").await, 0);
    town.close().await;
}

#[tokio::test]
async fn a_refusal_is_committed_with_every_reason() {
    let town = Town::open().await;
    let hold = json!({"kind": "theft"});
    town.owner.post(format!("/v1/registrations/{}/holds", town.registration), hold).await.expect(201);
    let asked = town.ask(&town.tenant, json!({"quantity": 20})).await;
    assert_eq!((asked.status.as_u16(), asked.outcome()), (201, "refused"));
    assert_eq!(
        asked.codes(),
        [
            "registration_on_hold",
            "approval_needed",
            "over_request_limit",
            "over_person_limit",
            "over_period_limit",
            "over_cap"
        ]
    );
    assert_eq!(asked.body["copy_request"]["state"], "refused");
    town.close().await;
}

#[tokio::test]
async fn a_yes_on_monday_does_not_survive_a_revocation_on_tuesday() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.pass(Duration::days(1));
    let path = format!("/v1/authorities/{}/revocation", town.authority["tenant"]);
    let revoked = town.manager.post(path, json!({})).await.expect(200);
    assert_eq!(revoked["copy_request_ids"], json!([id]));
    let cut = town.cut(&id, 1).await;
    assert_eq!((cut.status.as_u16(), cut.body["state"].as_str()), (409, Some("stopped")));
    town.close().await;
}

#[tokio::test]
async fn a_revoked_signatory_cannot_collect_what_he_ordered() {
    let town = Town::open().await;
    let asked = town.ask(&town.signatory, json!({})).await;
    assert_eq!(asked.outcome(), "permitted");
    let id = asked.request_id();
    assert_eq!(town.cut(&id, 1).await.outcome(), "permitted");
    let path = format!("/v1/authorities/{}/revocation", town.authority["signatory"]);
    town.owner.post(path, json!({})).await.expect(200);
    let handed = town.hand_over(&id, 1, json!({})).await;
    assert_eq!((handed.status.as_u16(), handed.body["state"].as_str()), (409, Some("stopped")));
    town.close().await;
}

#[tokio::test]
async fn an_approval_counts_only_while_its_giver_may_approve() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    let path = format!("/v1/authorities/{}/revocation", town.authority["owner"]);
    town.supplier.post(path, json!({})).await.expect(200);
    let cut = town.cut(&id, 1).await;
    assert_eq!((cut.outcome(), cut.codes()), ("needs_approval", vec!["approval_needed".to_owned()]));
    assert_eq!(town.count("SELECT count(*) FROM cuts").await, 0);
    town.close().await;
}

#[tokio::test]
async fn keys_are_cut_and_handed_over_in_parts_and_no_further() {
    let town = Town::open().await;
    let id = town.authorised(json!({"quantity": 3})).await;
    assert_eq!(town.cut(&id, 2).await.outcome(), "permitted");
    assert_eq!(town.cut(&id, 2).await.codes(), ["authorisation_spent"]);
    assert_eq!(town.hand_over(&id, 1, json!({})).await.outcome(), "permitted");
    assert_eq!(town.cut(&id, 1).await.outcome(), "permitted");
    assert_eq!(town.hand_over(&id, 3, json!({})).await.codes(), ["authorisation_spent"]);
    let last = town.hand_over(&id, 2, json!({})).await;
    assert_eq!(last.body["copy_request"]["state"], "completed");
    assert_eq!(town.cut(&id, 1).await.body["state"], "completed");
    town.close().await;
}

#[tokio::test]
async fn the_counter_sees_card_pin_and_document_and_the_right_person() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.cut(&id, 1).await;
    let refused = town.hand_over(&id, 1, json!({"pin": "9999"})).await;
    assert_eq!(refused.codes(), ["pin_wrong"]);
    let refused = town.hand_over(&id, 1, json!({"document_seen": null})).await;
    assert_eq!(refused.codes(), ["document_not_seen"]);
    let refused = town.hand_over(&id, 1, json!({"collected_by_id": town.signatory.id})).await;
    assert_eq!(refused.codes(), ["card_of_another", "collector_not_named"]);
    let unknown = town.hand_over(&id, 1, json!({"card_number": "1234-5678-9012-44"})).await;
    assert_eq!(unknown.codes(), ["card_of_another", "pin_wrong"]);
    let slip = town.hand_over(&id, 1, json!({"card_number": "1234-5678-9021-44"})).await;
    assert_eq!(slip.body["errors"][0]["pointer"], "/card_number");
    // With a mandate and a card of their own the signatory collects; the key is the tenant's.
    let mandate = json!({"recipient_id": town.tenant.id, "collector_id": town.signatory.id,
        "first_day": "2026-11-01", "last_day": "2026-11-30"});
    town.tenant.post(format!("/v1/registrations/{}/mandates", town.registration), mandate).await.expect(201);
    let card = town.card_for(&town.signatory).await;
    let more = json!({"collected_by_id": town.signatory.id, "card_number": card.1});
    let handed = town.hand_over(&id, 1, more).await;
    assert_eq!(handed.outcome(), "permitted", "{}", handed.text);
    assert_eq!(handed.body["keys"][0]["holder_id"], town.tenant.id);
    town.close().await;
}

#[tokio::test]
async fn a_pin_is_blocked_after_three_wrong_ones_and_for_longer_each_time() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.cut(&id, 1).await;
    for _ in 0..3 {
        assert_eq!(town.hand_over(&id, 1, json!({"pin": "0001"})).await.codes(), ["pin_wrong"]);
    }
    assert_eq!(town.hand_over(&id, 1, json!({})).await.codes(), ["pin_blocked"]);
    town.pass(Duration::minutes(6));
    assert_eq!(town.hand_over(&id, 1, json!({"pin": "0001"})).await.codes(), ["pin_wrong"]);
    town.pass(Duration::minutes(6));
    assert_eq!(town.hand_over(&id, 1, json!({})).await.codes(), ["pin_blocked"]);
    town.pass(Duration::minutes(20));
    assert_eq!(town.hand_over(&id, 1, json!({})).await.outcome(), "permitted");
    town.close().await;
}

#[tokio::test]
async fn a_key_that_its_recipient_has_no_more_is_not_handed_in_whatever_is_said() {
    let town = Town::open().await;
    let old = town.tenants_key(json!({})).await;
    let id = town.authorised(json!({"purpose": "replace_worn", "replaces_key_id": old})).await;
    town.owner.post(format!("/v1/keys/{old}/return"), json!({})).await.expect(200);
    let path = format!("/v1/copy-requests/{id}/cuts");
    let cut = town.counter_staff.post(path, json!({"quantity": 1, "old_key_handed_in": true})).await;
    assert_eq!(cut.codes(), ["replaced_key_not_held", "worn_key_not_surrendered"]);
    town.close().await;
}

#[tokio::test]
async fn a_worn_key_is_destroyed_when_its_replacement_is_cut() {
    let town = Town::open().await;
    let old = town.tenants_key(json!({})).await;
    let replacing = json!({"purpose": "replace_worn", "replaces_key_id": old});
    let id = town.authorised(replacing).await;
    assert_eq!(town.cut(&id, 1).await.codes(), ["worn_key_not_surrendered"]);
    let path = format!("/v1/copy-requests/{id}/cuts");
    let cut = town.counter_staff.post(path, json!({"quantity": 1, "old_key_handed_in": true})).await;
    assert_eq!(cut.outcome(), "permitted", "{}", cut.text);
    let key = town.owner.get(format!("/v1/keys/{old}")).await.expect(200);
    assert_eq!(key["state"], "destroyed");
    town.close().await;
}

#[tokio::test]
async fn a_lost_key_stops_further_copies_until_it_is_replaced() {
    let town = Town::open().await;
    let old = town.tenants_key(json!({})).await;
    let report =
        town.tenant.post(format!("/v1/keys/{old}/loss"), json!({"kind": "stolen"})).await.expect(201);
    assert_eq!(
        (report["crime_reference_missing"].as_bool(), report["review_due"].as_bool()),
        (Some(true), Some(false))
    );
    town.keep_locks(&report).await;
    let more = town.ask(&town.tenant, json!({})).await;
    assert!(more.codes().contains(&"earlier_key_unaccounted_for".to_owned()));
    let replacing = json!({"purpose": "replace_lost", "replaces_key_id": old});
    let id = town.authorised(replacing).await;
    assert_eq!(town.cut(&id, 1).await.outcome(), "permitted");
    town.close().await;
}

#[tokio::test]
async fn a_temporary_issue_is_due_back_and_is_extended_by_a_fresh_request() {
    let town = Town::open().await;
    let asked = town.authorised(json!({"due_back_on": "2026-11-05"})).await;
    town.cut(&asked, 1).await;
    let handed = town.hand_over(&asked, 1, json!({})).await;
    let key = handed.body["keys"][0]["id"].as_str().unwrap().to_owned();
    assert_eq!(handed.body["keys"][0]["due_back_on"], "2026-11-05");
    let extension = json!({"due_back_on": "2026-11-20", "extends_request_id": asked});
    let id = town.authorised(extension).await;
    let extended = town.tenant.get(format!("/v1/copy-requests/{id}")).await.expect(200);
    assert_eq!(extended["state"], "completed");
    let key = town.tenant.get(format!("/v1/keys/{key}")).await.expect(200);
    assert_eq!(key["due_back_on"], "2026-11-20");
    assert_eq!(town.count("SELECT count(*) FROM cuts").await, 1);
    town.close().await;
}

#[tokio::test]
async fn keys_of_a_differ_are_dead_once_no_lock_answers_to_it() {
    let town = Town::open().await;
    town.tenants_key(json!({})).await;
    let end = json!({"differ_id": town.differ});
    let first = town.supplier.post(format!("/v1/locks/{}/answers/end", town.locks[0]), end.clone()).await;
    assert_eq!(first.expect(200)["dead_keys"], 0);
    let last = town.supplier.post(format!("/v1/locks/{}/answers/end", town.locks[1]), end).await;
    assert_eq!(last.expect(200)["dead_keys"], 3);
    let asked = town.ask(&town.tenant, json!({})).await;
    assert!(asked.codes().contains(&"differ_dead".to_owned()));
    town.close().await;
}

#[tokio::test]
async fn an_override_is_by_a_named_officer_with_a_reason_and_is_listed_apart() {
    let town = Town::open().await;
    town.set_rules(json!({"emergency": {"posts": ["duty_officer"]}})).await;
    let officer = town.person("Officer").await;
    town.grant(&town.registration, "signatory", &officer.id, json!({"post": "duty_officer"})).await;
    let plain = town.ask(&town.tenant, json!({})).await.request_id();
    let path = format!("/v1/copy-requests/{plain}/approvals");
    let refused = officer.post(path, json!({"emergency": true})).await;
    assert_eq!(
        refused.codes(),
        ["override_without_reason", "approval_needed"]
            .map(str::to_owned)
            .into_iter()
            .rev()
            .collect::<Vec<_>>()
    );
    let urgent =
        town.ask(&town.tenant, json!({"emergency_reason": "owner cannot be reached, pipe burst"})).await;
    let id = urgent.request_id();
    let by_manager =
        town.manager.post(format!("/v1/copy-requests/{id}/approvals"), json!({"emergency": true})).await;
    assert!(by_manager.codes().contains(&"officer_not_named".to_owned()));
    let given = officer.post(format!("/v1/copy-requests/{id}/approvals"), json!({"emergency": true})).await;
    assert_eq!((given.outcome(), given.codes()), ("permitted", vec!["override_used".to_owned()]));
    let listed = town.supplier.get("/v1/overrides").await.expect(200);
    assert_eq!(listed["items"][0]["copy_request_id"], id);
    town.close().await;
}

#[tokio::test]
async fn a_request_is_declined_or_withdrawn_once() {
    let town = Town::open().await;
    let id = town.ask(&town.tenant, json!({})).await.request_id();
    let decline = format!("/v1/copy-requests/{id}/decline");
    town.tenant.post(&decline, json!({})).await.expect(403);
    assert_eq!(town.manager.post(&decline, json!({})).await.expect(200)["state"], "declined");
    assert_eq!(town.manager.post(&decline, json!({})).await.expect(409)["state"], "declined");
    let id = town.ask(&town.tenant, json!({})).await.request_id();
    let withdraw = format!("/v1/copy-requests/{id}/withdrawal");
    assert_eq!(town.tenant.post(&withdraw, json!({})).await.expect(200)["state"], "withdrawn");
    let approval = town.owner.post(format!("/v1/copy-requests/{id}/approvals"), json!({})).await;
    assert_eq!(approval.expect(409)["state"], "withdrawn");
    town.close().await;
}

#[tokio::test]
async fn everything_can_be_read_as_it_stood() {
    let town = Town::open().await;
    let before = town.clock_text();
    town.pass(Duration::hours(1));
    let path = format!("/v1/authorities/{}/revocation", town.authority["tenant"]);
    town.owner.post(path, json!({})).await.expect(200);
    let path = format!("/v1/registrations/{}/as-of?at=", town.registration);
    let standing = |body: Value| {
        let authorities = body["records"]["authorities"].as_array().unwrap().clone();
        authorities.iter().filter(|row| row["revoked_at"].is_null()).count()
    };
    assert_eq!(standing(town.owner.get(format!("{path}{before}")).await.expect(200)), 4);
    let now = town.clock_text();
    let then = town.owner.get(format!("{path}{now}")).await.expect(200);
    assert!(!then.to_string().contains("pin_hash"));
    let section = town.supplier.get(format!("/v1/sections/{}", town.section)).await.expect(200);
    let renamed = json!({"name": "MB41", "protection": "agreement"});
    town.supplier.change("PUT", format!("/v1/sections/{}", town.section), 1, renamed).await.expect(200);
    let was = town.supplier.get(format!("/v1/history/{}?at={now}", town.section)).await.expect(200);
    assert_eq!(was["records"]["sections"][0]["name"], section["name"]);
    assert_eq!(standing(then), 3);
    town.close().await;
}
