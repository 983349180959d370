//! Conventions of the API: idempotent changes, versions, portions, problem details.

use serde_json::json;

use crate::harness::Town;

#[tokio::test]
async fn the_same_key_with_another_body_is_refused() {
    let town = Town::open().await;
    let path = format!("/v1/registrations/{}/copy-requests", town.registration);
    let first = town.tenant.post_keyed(&path, "k1", town.ask_body()).await;
    let again = town.tenant.post_keyed(&path, "k1", town.ask_body()).await;
    assert_eq!((again.status, &again.text), (first.status, &first.text));
    let mut other = town.ask_body();
    other["quantity"] = json!(2);
    let reused = town.tenant.post_keyed(&path, "k1", other).await.expect(422);
    assert_eq!(reused["code"], "idempotency_key_reused");
    // Another caller's key of the same name is another key.
    assert_eq!(town.owner.post_keyed(&path, "k1", town.ask_body()).await.status, 201);
    let none = town.tenant.call("POST", &path, &[("content-type", "application/json")], b"{}".to_vec()).await;
    assert_eq!(none.expect(400)["code"], "idempotency_key_missing");
    town.close().await;
}

#[tokio::test]
async fn a_secret_is_shown_with_the_first_answer_and_kept_nowhere() {
    let town = Town::open().await;
    let path = format!("/v1/organisations/{}/client-programs", town.dealer);
    let first = town.counter_staff.post_keyed(&path, "once", json!({"name": "till"})).await.expect(201);
    let secret = first["client_secret"].as_str().unwrap().to_owned();
    let again = town.counter_staff.post_keyed(&path, "once", json!({"name": "till"})).await.expect(201);
    assert_eq!((again["id"].clone(), again.get("client_secret")), (first["id"].clone(), None));
    let kept: Vec<String> =
        sqlx::query_scalar("SELECT reply::text FROM idempotency_keys WHERE reply IS NOT NULL")
            .fetch_all(&town.admin)
            .await
            .unwrap();
    assert!(kept.iter().all(|answer| !answer.contains(&secret)));
    town.close().await;
}

#[tokio::test]
async fn a_change_is_of_a_version() {
    let town = Town::open().await;
    let path = format!("/v1/registrations/{}", town.registration);
    let read = town.owner.get(&path).await;
    let version = read.body["version"].as_i64().unwrap();
    assert_eq!(read.headers["etag"], format!("\"v{version}\"").as_str());
    let body = json!({"premises": "5 Alder Rise"});
    let changed = town.owner.change("PATCH", &path, version, body.clone()).await;
    assert_eq!(changed.headers["etag"], format!("\"v{}\"", version + 1).as_str());
    let stale = town.owner.change("PATCH", &path, version, body.clone()).await.expect(412);
    assert_eq!(stale["code"], "stale");
    let headers = [("content-type", "application/json")];
    let missing = town.owner.call("PATCH", &path, &headers, body.to_string().into_bytes()).await;
    assert_eq!(missing.expect(428)["code"], "if_match_missing");
    let odd = [("content-type", "application/json"), ("if-match", "\"something\"")];
    town.owner.call("PATCH", &path, &odd, body.to_string().into_bytes()).await.expect(412);
    town.close().await;
}

#[tokio::test]
async fn lists_are_read_portion_by_portion() {
    let town = Town::open().await;
    let mut path = format!("/v1/registrations/{}/keys?limit=1&state=in_store", town.registration);
    let mut seen = vec![];
    loop {
        let portion = town.owner.get(&path).await;
        let items = portion.body["items"].as_array().unwrap().clone();
        seen.extend(items.iter().map(|item| item["id"].as_str().unwrap().to_owned()));
        let Some(link) = portion.headers.get("link") else { break };
        let link = link.to_str().unwrap();
        assert!(link.ends_with("; rel=\"next\""));
        path = link.trim_start_matches('<').split('>').next().unwrap().to_owned();
    }
    let mut expected = town.keys.clone();
    expected.sort();
    assert_eq!(seen, expected);
    town.owner.get(format!("/v1/registrations/{}/keys?limit=0", town.registration)).await.expect(400);
    town.owner.get(format!("/v1/registrations/{}/keys?colour=red", town.registration)).await.expect(400);
    town.close().await;
}

#[tokio::test]
async fn problems_carry_their_request_id_and_lead_somewhere() {
    let town = Town::open().await;
    let gone = town.tenant.get("/v1/nothing/here").await;
    assert_eq!(gone.headers["content-type"], "application/problem+json");
    assert_eq!(gone.body["request_id"], gone.headers["x-request-id"].to_str().unwrap());
    let kind = town.anon.get(gone.body["type"].as_str().unwrap()).await.expect(200);
    assert_eq!(kind["title"], gone.body["title"]);
    let method = town.tenant.call("DELETE", "/v1/me", &[], vec![]).await;
    assert_eq!(method.headers["allow"], "GET,HEAD");
    assert_eq!(method.expect(405)["code"], "method_not_allowed");
    let anonymous = town.anon.get("/v1/me").await;
    assert!(anonymous.headers["www-authenticate"].to_str().unwrap().starts_with("Bearer"));
    for path in ["/health/live", "/health/ready"] {
        assert_eq!(town.anon.get(path).await.status, 204);
    }
    let reader = town.anon.get("/docs/").await;
    assert!(reader.text.contains("swagger-ui"));
    town.close().await;
}

#[tokio::test]
async fn an_address_that_calls_too_often_is_turned_away_for_a_while() {
    use std::num::NonZeroU32;
    use web::limits::Limits;
    let town = Town::open().await;
    let few = |number| NonZeroU32::new(number).unwrap();
    let router = web::router(town.app.clone(), Limits::new(few(1000), few(2), 1));
    let anon = crate::harness::Actor { router, ..town.anon.clone() };
    let sign_in = |addresses: &'static str| {
        let anon = anon.clone();
        async move {
            let headers = [("content-type", "application/json"), ("x-forwarded-for", addresses)];
            anon.call("POST", "/v1/sessions", &headers, b"{}".to_vec()).await
        }
    };
    for _ in 0..2 {
        sign_in("192.0.2.7").await.expect(422);
    }
    // What the client itself says to the left is not believed.
    let late = sign_in("198.51.100.1, 192.0.2.7").await;
    assert_eq!(late.headers["ratelimit-policy"], "\"sign-ins\";q=2;w=60");
    assert!(late.headers.contains_key("retry-after") && late.headers.contains_key("ratelimit"));
    assert_eq!(late.expect(429)["code"], "too_many_requests");
    sign_in("192.0.2.8").await.expect(422);
    assert_eq!(anon.get("/health/live").await.status, 204);
    town.close().await;
}
