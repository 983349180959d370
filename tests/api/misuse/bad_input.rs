//! Garbage, huge numbers, control characters, far dates, deep JSON, two megabytes: a problem each
//! time, never a 500, and nothing changed.

use serde_json::{Value, json};

use crate::harness::Town;

async fn state(town: &Town) -> Vec<i64> {
    let mut counts = vec![];
    for table in ["log_entries", "history", "idempotency_keys", "copy_requests", "people", "changes"] {
        let sql = format!("SELECT count(*) FROM {table}");
        counts.push(sqlx::query_scalar(sqlx::AssertSqlSafe(sql)).fetch_one(&town.admin).await.unwrap());
    }
    counts
}

fn pointers(body: &Value) -> Vec<&str> {
    body["errors"].as_array().unwrap().iter().map(|error| error["pointer"].as_str().unwrap()).collect()
}

#[tokio::test]
async fn every_wrong_field_is_told_at_once() {
    let town = Town::open().await;
    let before = state(&town).await;
    let lock = json!({"label": "a\u{0}b", "kind": "door", "hand": 7, "standard": "x".repeat(101),
        "escape_route": "yes", "room_class": "Big Room", "colour": "red", "a/b": 1});
    let path = format!("/v1/registrations/{}/locks", town.registration);
    let body = town.supplier.post(path, lock).await.expect(422);
    assert_eq!(
        pointers(&body),
        ["/label", "/kind", "/hand", "/standard", "/escape_route", "/room_class", "/a~1b", "/colour"]
    );
    let rules = json!({"rules": {"approvals": [{"needs": [{"count": 300}]}]}});
    let path = format!("/v1/registrations/{}/rules", town.registration);
    let body = town.owner.change("PUT", &path, 1, rules).await.expect(422);
    assert_eq!(pointers(&body), ["/rules/approvals/0/needs/0/count"]);
    let empty = town.ask(&town.tenant, json!({"differ_id": null, "counter_id": null})).await.expect(422);
    assert_eq!(pointers(&empty), ["/differ_id", "/counter_id"]);
    assert_eq!(before, state(&town).await);
    town.close().await;
}

#[tokio::test]
async fn a_section_is_told_everything_that_its_protection_lacks() {
    let town = Town::open().await;
    let body =
        town.supplier.post("/v1/sections", json!({"name": "S", "protection": "patent"})).await.expect(422);
    assert_eq!(pointers(&body), ["/territory", "/filed_on", "/last_expiry_on"]);
    let long = json!({"name": "S", "protection": "patent", "territory": "UK", "filed_on": "2020-01-01",
        "last_expiry_on": "2041-01-01", "next_renewal_on": "2019-01-01"});
    let body = town.supplier.post("/v1/sections", long).await.expect(422);
    assert_eq!(pointers(&body), ["/last_expiry_on", "/next_renewal_on"]);
    let good = json!({"name": "S", "protection": "patent", "territory": "UK", "filed_on": "2020-01-01",
        "last_expiry_on": "2040-01-01"});
    assert_eq!(
        town.supplier.post("/v1/sections", good.clone()).await.expect(201)["protection_state"],
        "in_force"
    );
    town.supplier.post("/v1/sections", good).await.expect(409);
    town.close().await;
}

#[tokio::test]
async fn what_is_no_request_gets_a_problem_and_changes_nothing() {
    let town = Town::open().await;
    let before = state(&town).await;
    let path = format!("/v1/registrations/{}/copy-requests", town.registration);
    let json_type = ("content-type", "application/json");
    let send = |kind: &'static str, bytes: Vec<u8>| {
        let (tenant, path) = (town.tenant.clone(), path.clone());
        async move { tenant.call("POST", &path, &[("content-type", kind), ("idempotency-key", "x")], bytes).await }
    };
    let deep = "[".repeat(100_000).into_bytes();
    let deep_object = ("{\"a\":".repeat(5_000) + "1" + &"}".repeat(5_000)).into_bytes();
    for (status, kind, bytes) in [
        (400, "application/json", b"{".to_vec()),
        (400, "application/json", b"\xff\xfe".to_vec()),
        (400, "application/json", deep),
        (400, "application/json", deep_object),
        (422, "application/json", b"[]".to_vec()),
        (422, "application/json", b"null".to_vec()),
        (422, "application/json", b"{\"differ_id\": 1e999}".to_vec()),
        (415, "text/plain", b"{}".to_vec()),
        (415, "application/xml", b"<a/>".to_vec()),
        (413, "application/json", vec![b' '; 2_000_000]),
    ] {
        // 1e999 is not a number that JSON readers keep.
        let status = if bytes.starts_with(b"{\"differ_id\": 1e999") { 400 } else { status };
        send(kind, bytes).await.expect(status);
    }
    let huge =
        [json!(u64::MAX), json!(-1), json!(0), json!(1e300), json!(2.5), json!("7"), json!([]), json!({})];
    for quantity in huge {
        let mut body = town.ask_body();
        body["quantity"] = quantity;
        assert_eq!(pointers(&town.ask(&town.tenant, body).await.expect(422)), ["/quantity"]);
    }
    for day in ["10000-01-01", "+10000-01-01", "0000-00-00", "2026-02-30", "9999-12-31", "\u{0}", ""] {
        let body = town.ask(&town.tenant, json!({"due_back_on": day})).await.expect(422);
        assert_eq!(pointers(&body), ["/due_back_on"], "{day}");
    }
    for moment in ["9999-12-31T23:59:59-12:00", "2026-11-02", "yesterday", "0000-01-01T00:00:00Z"] {
        let body = town.ask(&town.tenant, json!({"needed_from": moment})).await.expect(422);
        assert_eq!(pointers(&body), ["/needed_from"], "{moment}");
    }
    for id in ["x", "..", "%00", "00000000-0000-0000-0000-000000000000", "{id}"] {
        town.tenant.get(format!("/v1/registrations/{id}/locks")).await.expect(404);
    }
    for query in ["?limit=x", "?limit=201", "?limit=-1", "?after=x", "?limit=1&limit=2", "?%ff", "?state=zzz"]
    {
        town.tenant.get(format!("{path}{query}")).await.expect(400);
    }
    for key in ["", " ", "ключ"] {
        let headers = [json_type, ("idempotency-key", key)];
        town.tenant.call("POST", &path, &headers, b"{}".to_vec()).await.expect(400);
    }
    let long = "k".repeat(256);
    let headers = [json_type, ("idempotency-key", long.as_str())];
    town.tenant.call("POST", &path, &headers, b"{}".to_vec()).await.expect(400);
    assert_eq!(before, state(&town).await);
    town.close().await;
}

#[tokio::test]
async fn ids_of_other_registrations_are_not_taken() {
    let town = Town::open().await;
    let (other, differ, locks, keys) = town.premises("7 Mill Lane", "B-1").await;
    let foreign = town
        .ask(
            &town.tenant,
            json!({"differ_id": differ, "purpose": "replace_worn",
        "replaces_key_id": keys[0], "extends_request_id": keys[0]}),
        )
        .await
        .expect(422);
    assert_eq!(
        pointers(&foreign),
        ["/differ_id", "/replaces_key_id", "/extends_request_id", "/due_back_on", "/purpose"]
    );
    let answer = json!({"differ_id": differ});
    let crossed =
        town.supplier.post(format!("/v1/locks/{}/answers", town.locks[0]), answer).await.expect(422);
    assert_eq!(pointers(&crossed), ["/differ_id"]);
    let authority = json!({"class": "keyholder", "person_id": town.tenant.id, "differ_ids": [town.differ, differ],
        "first_day": "2026-01-01"});
    let path = format!("/v1/registrations/{}/authorities", town.registration);
    assert_eq!(pointers(&town.owner.post(&path, authority).await.expect(422)), ["/differ_ids/1"]);
    town.owner.get(format!("/v1/registrations/{other}")).await.expect(404);
    town.owner.get(format!("/v1/locks/{}", locks[0])).await.expect(404);
    town.owner.get(format!("/v1/keys/{}", keys[0])).await.expect(404);
    town.close().await;
}

#[tokio::test]
async fn a_member_that_comes_twice_is_no_request() {
    let town = Town::open().await;
    let headers = [("content-type", "application/json"), ("idempotency-key", "twice")];
    let body = br#"{"name": "Ada", "email": "ada@quay.example", "email": "eve@quay.example"}"#.to_vec();
    let refused = town.supplier.call("POST", "/v1/people", &headers, body).await.expect(400);
    assert!(refused["detail"].as_str().unwrap().starts_with("a member comes twice: line 1"), "{refused}");
    town.close().await;
}
