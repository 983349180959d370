//! Signing in and out, the second factor, refresh tokens, client programs.

use base64::Engine;
use serde_json::{Value, json};
use time::Duration;

use crate::harness::{Actor, PASSWORD, Town};

/// A person with a password, by way of an invitation, and their address.
async fn enrolled(town: &Town, name: &str, seat: Option<&str>) -> (Actor, String) {
    let person = town.account(name).await;
    if let Some(organisation) = seat {
        let joined = json!({"person_id": person.id, "post": "staff", "first_day": "2026-01-01"});
        let path = format!("/v1/organisations/{organisation}/members");
        town.head_of(organisation).post(path, joined).await.expect(201);
    }
    (Actor { token: String::new(), ..person }, format!("{}@town.example", name.to_lowercase()))
}

async fn sign_in(town: &Town, email: &str, password: &str, code: Option<&str>) -> crate::harness::Reply {
    town.anon.post("/v1/sessions", json!({"email": email, "password": password, "code": code})).await
}

fn with(actor: &Actor, tokens: &Value) -> Actor {
    Actor { token: tokens["access_token"].as_str().unwrap().to_owned(), ..actor.clone() }
}

#[tokio::test]
async fn a_person_signs_in_refreshes_and_signs_out() {
    let town = Town::open().await;
    let (anon, email) = enrolled(&town, "Ada", None).await;
    let tokens = sign_in(&town, &email, PASSWORD, None).await.expect(201);
    let ada = with(&anon, &tokens);
    assert_eq!(ada.get("/v1/me").await.expect(200)["second_factor_missing"], false);
    town.pass(Duration::seconds(601));
    ada.get("/v1/me").await.expect(401);
    let refresh = json!({"refresh_token": tokens["refresh_token"]});
    let fresh = town.anon.post("/v1/sessions/refresh", refresh).await.expect(200);
    let ada = with(&anon, &fresh);
    ada.get("/v1/me").await.expect(200);
    assert_eq!(ada.call("DELETE", "/v1/sessions/current", &[], vec![]).await.status, 204);
    ada.get("/v1/me").await.expect(401);
    let refresh = json!({"refresh_token": fresh["refresh_token"]});
    town.anon.post("/v1/sessions/refresh", refresh).await.expect(401);
    town.close().await;
}

#[tokio::test]
async fn a_refresh_token_that_is_used_twice_ends_the_session() {
    let town = Town::open().await;
    let (anon, email) = enrolled(&town, "Ada", None).await;
    let tokens = sign_in(&town, &email, PASSWORD, None).await.expect(201);
    let refresh = json!({"refresh_token": tokens["refresh_token"]});
    let thief = with(&anon, &town.anon.post("/v1/sessions/refresh", refresh.clone()).await.expect(200));
    thief.get("/v1/me").await.expect(200);
    town.anon.post("/v1/sessions/refresh", refresh).await.expect(401);
    thief.get("/v1/me").await.expect(401);
    town.close().await;
}

#[tokio::test]
async fn wrong_attempts_block_the_account_for_longer_each_time() {
    let town = Town::open().await;
    let (_, email) = enrolled(&town, "Ada", None).await;
    for _ in 0..5 {
        sign_in(&town, &email, "not the password", None).await.expect(401);
    }
    let blocked = sign_in(&town, &email, PASSWORD, None).await;
    assert_eq!(blocked.status, 429);
    assert!(blocked.headers.contains_key("retry-after"));
    town.pass(Duration::seconds(61));
    sign_in(&town, &email, "not the password", None).await.expect(401);
    town.pass(Duration::seconds(61));
    sign_in(&town, &email, PASSWORD, None).await.expect(429);
    town.pass(Duration::seconds(61));
    sign_in(&town, &email, PASSWORD, None).await.expect(201);
    // Nobody is told whether there is such an account.
    let unknown = sign_in(&town, "nobody@town.example", PASSWORD, None).await;
    assert_eq!((unknown.status.as_u16(), unknown.body["code"].as_str()), (401, Some("unauthenticated")));
    town.close().await;
}

#[tokio::test]
async fn staff_has_no_rights_until_a_second_factor_is_set_up() {
    let town = Town::open().await;
    let agent = town.agent.clone();
    let (anon, email) = enrolled(&town, "Sunniva", Some(&agent)).await;
    let first = with(&anon, &sign_in(&town, &email, PASSWORD, None).await.expect(201));
    let me = first.get("/v1/me").await.expect(200);
    assert_eq!(
        (me["second_factor_missing"].clone(), me["seats"].as_array().unwrap().len()),
        (json!(true), 0)
    );
    first.get(format!("/v1/registrations/{}", town.registration)).await.expect(404);
    let (secret, _) = town.second_factor(&first).await;
    first.get("/v1/me").await.expect(401);
    let needed = sign_in(&town, &email, PASSWORD, None).await.expect(401);
    assert_eq!(needed["detail"], "the code of the second factor is needed");
    // The code with which it was set is spent; the next one signs in, once.
    let spent = town.code(&secret);
    sign_in(&town, &email, PASSWORD, Some(&spent)).await.expect(401);
    town.pass(Duration::seconds(30));
    let next = town.code(&secret);
    let both = with(&anon, &sign_in(&town, &email, PASSWORD, Some(&next)).await.expect(201));
    assert_eq!(both.get("/v1/me").await.expect(200)["seats"].as_array().unwrap().len(), 1);
    both.get(format!("/v1/registrations/{}", town.registration)).await.expect(200);
    sign_in(&town, &email, PASSWORD, Some(&next)).await.expect(401);
    town.close().await;
}

#[tokio::test]
async fn a_client_program_acts_for_its_organisation_until_it_is_shut_out() {
    let town = Town::open().await;
    let path = format!("/v1/organisations/{}/client-programs", town.dealer);
    let program = town
        .counter_staff
        .post(&path, json!({"name": "till", "scopes": ["read", "card-checks"]}))
        .await
        .expect(201);
    let (id, secret) = (program["id"].as_str().unwrap(), program["client_secret"].as_str().unwrap());
    let ask = |body: String, headers: Vec<(&'static str, String)>| {
        let anon = town.anon.clone();
        async move {
            let mut all = vec![("content-type", "application/x-www-form-urlencoded")];
            all.extend(headers.iter().map(|(name, value)| (*name, value.as_str())));
            anon.call("POST", "/v1/oauth/token", &all, body.into_bytes()).await
        }
    };
    let form = format!("grant_type=client_credentials&client_id={id}&client_secret={secret}");
    let token = ask(form, vec![]).await.expect(200);
    let till = with(&town.anon, &token);
    let me = till.get("/v1/me").await.expect(200);
    assert_eq!((me["person_id"].clone(), me["seats"][0]["kind"].clone()), (Value::Null, json!("dealer")));
    till.get(format!("/v1/counters/{}/blanks", town.counter)).await.expect(200);
    let basic = base64::engine::general_purpose::STANDARD.encode(format!("{id}:{secret}"));
    let basic = vec![("authorization", format!("Basic {basic}"))];
    ask("grant_type=client_credentials".into(), basic).await.expect(200);
    let wrong = ask(format!("grant_type=client_credentials&client_id={id}&client_secret=x"), vec![]).await;
    assert_eq!(wrong.expect(401)["error"], "invalid_client");
    assert_eq!(
        ask("grant_type=password".into(), vec![]).await.expect(400)["error"],
        "unsupported_grant_type"
    );
    assert_eq!(ask("nothing".into(), vec![]).await.expect(400)["error"], "invalid_request");
    // A token is for what it was asked for, and never for more than the program has.
    let form = format!("grant_type=client_credentials&client_id={id}&client_secret={secret}&scope=");
    let narrow = ask(format!("{form}card-checks"), vec![]).await.expect(200);
    assert_eq!(
        (token["scope"].as_str(), narrow["scope"].as_str()),
        (Some("read card-checks"), Some("card-checks"))
    );
    let barred = with(&town.anon, &narrow).get(format!("/v1/counters/{}/blanks", town.counter)).await;
    let says = barred.headers["www-authenticate"].to_str().unwrap().to_owned();
    assert_eq!(
        (barred.status.as_u16(), &*says),
        (403, "Bearer error=\"insufficient_scope\", scope=\"read\"")
    );
    for scope in ["blanks", "read%20blanks", "everything"] {
        let refused = ask(format!("{form}{scope}"), vec![]).await;
        assert_eq!(refused.expect(400)["error"], "invalid_scope");
    }
    town.counter_staff.post(format!("/v1/client-programs/{id}/revocation"), json!({})).await.expect(200);
    till.get("/v1/me").await.expect(401);
    town.close().await;
}

#[tokio::test]
async fn a_password_is_changed_against_the_old_one_and_every_session_ends() {
    let town = Town::open().await;
    let (anon, email) = enrolled(&town, "Ada", None).await;
    let ada = with(&anon, &sign_in(&town, &email, PASSWORD, None).await.expect(201));
    let change = |old: &str| json!({"old_password": old, "new_password": "another twelve letters"});
    ada.post("/v1/me/password", change("wrong")).await.expect(422);
    assert_eq!(ada.post("/v1/me/password", change(PASSWORD)).await.status, 204);
    ada.get("/v1/me").await.expect(401);
    sign_in(&town, &email, PASSWORD, None).await.expect(401);
    sign_in(&town, &email, "another twelve letters", None).await.expect(201);
    town.close().await;
}

#[tokio::test]
async fn the_key_set_verifies_and_tokens_of_others_do_not() {
    let town = Town::open().await;
    let keys = town.anon.get("/.well-known/jwks.json").await.expect(200);
    assert_eq!(
        (keys["keys"][0]["crv"].as_str(), keys["keys"][0]["kty"].as_str()),
        (Some("Ed25519"), Some("OKP"))
    );
    for token in ["x", "a.b.c", "", &town.tenant.token[1..]] {
        let caller = Actor { token: token.to_owned(), ..town.anon.clone() };
        caller.get("/v1/me").await.expect(401);
    }
    town.close().await;
}

/// Somebody who calls from an address.
fn from(town: &Town, address: &str) -> Actor {
    let socket: std::net::SocketAddr = format!("{address}:1024").parse().unwrap();
    let router = town.router.clone().layer(axum::Extension(axum::extract::ConnectInfo(socket)));
    Actor { router, ..town.anon.clone() }
}

/// Anybody locks any account out.
#[tokio::test]
async fn nobody_locks_somebody_else_out() {
    let town = Town::open().await;
    let (_, email) = enrolled(&town, "Ada", None).await;
    let right = json!({"email": email, "password": PASSWORD});
    let home = from(&town, "192.0.2.1");
    home.post("/v1/sessions", right.clone()).await.expect(201);
    let wrong = json!({"email": email, "password": "guessed, twelve letters"});
    let mut seen = vec![];
    for number in 0..60 {
        let attacker = from(&town, &format!("198.51.100.{number}"));
        seen.push(attacker.post("/v1/sessions", wrong.clone()).await.status.as_u16());
    }
    // Guessing from everywhere ends.
    assert_eq!((&seen[..49], &seen[50..]), (&[401; 49][..], &[429; 10][..]));
    from(&town, "203.0.113.9").post("/v1/sessions", right.clone()).await.expect(429);
    // Its owner comes in from where they were before, and a wrong guess of theirs counts as theirs.
    home.post("/v1/sessions", wrong).await.expect(401);
    home.post("/v1/sessions", right).await.expect(201);
    town.close().await;
}

/// The difference between 401 and 429 tells who has an account.
#[tokio::test]
async fn unknown_and_known_addresses_look_alike() {
    let town = Town::open().await;
    enrolled(&town, "Ada", None).await;
    let mut tried = vec![];
    for email in ["ada@town.example", "nobody@town.example"] {
        let mut replies = vec![];
        for _ in 0..8 {
            let body = json!({"email": email, "password": "guessed, twelve letters"});
            let mut reply = from(&town, "198.51.100.7").post("/v1/sessions", body).await;
            reply.body["request_id"] = Value::Null;
            let waits = reply.headers.get("retry-after").map(|value| value.to_str().unwrap().to_owned());
            replies.push((reply.status.as_u16(), reply.body, waits.is_some()));
        }
        tried.push(replies);
    }
    assert_eq!(tried[0], tried[1]);
    assert_eq!(
        tried[0].iter().map(|(status, ..)| *status).collect::<Vec<_>>(),
        [401, 401, 401, 401, 401, 429, 429, 429]
    );
    town.close().await;
}

#[tokio::test]
async fn an_attack_leaves_lines_by_which_it_is_found() {
    let town = Town::open().await;
    let lines = crate::harness::lines::Lines::listen();
    let (_, email) = enrolled(&town, "Ada", None).await;
    let attacker = from(&town, "198.51.100.7");
    for _ in 0..6 {
        attacker.post("/v1/sessions", json!({"email": email, "password": "guessed, twelve letters"})).await;
    }
    for pin in ["0000", "1111", "2222", "3333"] {
        let check = json!({"card_number": town.card.1, "pin": pin});
        town.counter_staff
            .post(format!("/v1/counters/{}/card-checks", town.counter), check)
            .await
            .expect(200);
    }
    let revocation = format!("/v1/authorities/{}/revocation", town.authority["owner"]);
    town.tenant.post(revocation, json!({})).await;
    let said = lines.said();
    let count = |message: &str| said.iter().filter(|line| line.contains(message)).count();
    assert_eq!((count("sign_in.failed"), count("sign_in.blocked")), (5, 1), "{said:?}");
    assert!(count("pin.wrong") >= 3 && count("pin.blocked") >= 1, "{said:?}");
    let refused = said.iter().find(|line| line.contains("request.done") && line.contains("http.status=404"));
    let refused = refused.unwrap_or_else(|| panic!("{said:?}"));
    assert!(refused.contains(&format!("actor.id={}", town.tenant.id)), "{refused}");
    let failed = said.iter().find(|line| line.contains("sign_in.failed")).unwrap();
    assert!(failed.contains("network=198.51.100.0/24"), "{failed}");
    // And nothing that is nobody's business.
    for secret in [&*email, "guessed, twelve letters", "198.51.100.7", "0000 ", &*town.card.1] {
        assert!(said.iter().all(|line| !line.contains(secret)), "{secret}");
    }
    town.close().await;
}

#[tokio::test]
async fn sessions_are_seen_and_ended_by_their_owner_and_end_when_nobody_uses_them() {
    let town = Town::open().await;
    let (anon, email) = enrolled(&town, "Ada", None).await;
    let first = with(&anon, &sign_in(&town, &email, PASSWORD, None).await.expect(201));
    town.pass(Duration::seconds(1));
    let tokens = sign_in(&town, &email, PASSWORD, None).await.expect(201);
    let second = with(&anon, &tokens);
    let own = async || second.get("/v1/me/sessions").await.expect(200)["items"].as_array().unwrap().clone();
    // The harness has signed her in once more, without a sign-in.
    let listed = own().await;
    assert_eq!(listed.len(), 3, "{listed:?}");
    let id = |session: &Value| session["id"].as_str().unwrap().to_owned();
    let before = listed.iter().filter(|session| !session["used_at"].is_null()).map(id).collect::<Vec<_>>();
    let path = format!("/v1/me/sessions/{}", before[0]);
    town.tenant.call("DELETE", &path, &[], vec![]).await.expect(404);
    assert_eq!(second.call("DELETE", &path, &[], vec![]).await.status, 204);
    second.call("DELETE", &path, &[], vec![]).await.expect(404);
    first.get("/v1/me").await.expect(401);
    assert_eq!(own().await.len(), 2);
    // Two weeks in a drawer.
    town.pass(Duration::days(15));
    let refresh = json!({"refresh_token": tokens["refresh_token"]});
    town.anon.post("/v1/sessions/refresh", refresh).await.expect(401);
    town.close().await;
}

#[tokio::test]
async fn replies_by_tls_say_that_nothing_else_is_spoken() {
    let town = Town::open().await;
    for path in ["/health/live", "/v1/me", "/docs/"] {
        let headers = town.anon.get(path).await.headers;
        // The issuer of the town has https.
        assert_eq!(headers["strict-transport-security"], "max-age=31536000; includeSubDomains", "{path}");
        let policy = headers["content-security-policy"].to_str().unwrap();
        assert!(
            policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'none'"),
            "{policy}"
        );
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!(headers["referrer-policy"], "no-referrer", "{path}");
    }
    town.close().await;
}

/// A device is lost and its owner cannot sign in; somebody becomes staff with a session of a month.
#[tokio::test]
async fn the_register_ends_sessions_and_those_of_staff_end_with_the_day() {
    let town = Town::open().await;
    let ada = town.account("Ada").await;
    let sign_in = json!({"email": "ada@town.example", "password": PASSWORD});
    let first = town.anon.post("/v1/sessions", sign_in.clone()).await.expect(201);
    let path = format!("/v1/people/{}/session-end", ada.id);
    town.owner.post(&path, json!({})).await.expect(403);
    town.supplier.post(&path, json!({})).await.expect(200);
    let refresh = |tokens: &Value| json!({"refresh_token": tokens["refresh_token"]});
    town.anon.post("/v1/sessions/refresh", refresh(&first)).await.expect(401);
    let second = town.anon.post("/v1/sessions", sign_in).await.expect(201);
    let joined = json!({"person_id": ada.id, "post": "staff", "first_day": "2026-01-01"});
    town.counter_staff.post(format!("/v1/organisations/{}/members", town.dealer), joined).await.expect(201);
    let mut tokens = second;
    for _ in 0..5 {
        town.pass(Duration::hours(2));
        tokens = town.anon.post("/v1/sessions/refresh", refresh(&tokens)).await.expect(200);
    }
    town.pass(Duration::minutes(150));
    town.anon.post("/v1/sessions/refresh", refresh(&tokens)).await.expect(401);
    town.close().await;
}
