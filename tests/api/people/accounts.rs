//! To whom an account belongs: whoever reads what is sent to its address, and shows its factors.

use serde_json::{Value, json};
use time::Duration;

use crate::harness::{Actor, PASSWORD, Reply, Town};

async fn sign_in(town: &Town, email: &str, more: Value) -> Reply {
    let mut body = json!({"email": email, "password": PASSWORD});
    body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    town.anon.post("/v1/sessions", body).await
}

async fn accept(town: &Town, token: &str, password: &str) -> Reply {
    town.anon.post("/v1/invitations/accept", json!({"token": token, "password": password})).await
}

/// Whoever enters an address first is handed the token that sets its password, and everybody else learns that it
/// is taken.
#[tokio::test]
async fn an_address_is_its_owners_whoever_enters_it() {
    let town = Town::open().await;
    town.sent().await;
    let entered = json!({"name": "Ada", "email": "ada@quay.example"});
    let first = town.counter_staff.post("/v1/people", entered.clone()).await;
    let first = (first.status, first.body);
    assert_eq!(first.1.as_object().unwrap().len(), 3, "no token: {}", first.1);
    let second = town.manager.post("/v1/people", entered.clone()).await.expect(201);
    assert_ne!(first.1["id"], second["id"]);
    // Both invitations go to the address, and are good for one account of it.
    let sent = town.sent().await;
    assert!(sent.len() == 2 && sent.iter().all(|(email, _)| email == "ada@quay.example"), "{sent:?}");
    assert!(town.sent().await.is_empty(), "each is sent once");
    assert_eq!(accept(&town, &sent[1].1, PASSWORD).await.status, 204);
    let taken = accept(&town, &sent[0].1, PASSWORD).await.expect(409);
    assert!(taken["detail"].as_str().unwrap().starts_with("somebody signs in with this address"), "{taken}");
    sign_in(&town, "ada@quay.example", json!({})).await.expect(201);
    // A known address gets the same answer as a new one.
    let known = town.other_counter_staff.post("/v1/people", entered).await;
    let new = json!({"name": "Ada", "email": "ada@mill.example"});
    let new = town.other_counter_staff.post("/v1/people", new).await;
    let shape = |reply: &Reply| {
        let names: Vec<String> = reply.body.as_object().unwrap().keys().cloned().collect();
        (reply.status, names, reply.headers.keys().map(ToString::to_string).collect::<Vec<_>>())
    };
    assert_eq!(shape(&known), shape(&new));
    town.close().await;
}

/// A dealer takes over a person who meanwhile owns a registration, by asking for a new token.
#[tokio::test]
async fn whoever_entered_somebody_does_not_open_their_account_later() {
    let town = Town::open().await;
    let entered = json!({"name": "Ada", "email": "ada@quay.example"});
    let entered = town.counter_staff.post("/v1/people", entered).await.id();
    let again = format!("/v1/people/{entered}/invitations");
    // While there is no account, the invitation is sent again, to the address alone; the one before is void.
    let lost = town.token_for("ada@quay.example").await;
    assert_eq!(town.counter_staff.post(&again, json!({})).await.expect(201), json!({}));
    let token = town.token_for("ada@quay.example").await;
    accept(&town, &lost, PASSWORD).await.expect(404);
    assert_eq!(accept(&town, &token, PASSWORD).await.status, 204);
    town.grant(&town.registration, "owner", &entered, json!({"may_approve": true})).await;
    for who in [&town.counter_staff, &town.supplier] {
        who.post(&again, json!({})).await.expect(409);
    }
    town.manager.post(&again, json!({})).await.expect(404);
    assert!(town.sent().await.is_empty());
    accept(&town, &token, "another twelve letters").await.expect(404);
    sign_in(&town, "ada@quay.example", json!({})).await.expect(201);
    town.close().await;
}

#[tokio::test]
async fn a_forgotten_password_is_set_anew_by_whoever_reads_the_address() {
    let town = Town::open().await;
    let ada = town.account("Ada").await;
    let (secret, _) = town.second_factor(&ada).await;
    let ask = async |email: &str| {
        let reply = town.anon.post("/v1/password-requests", json!({"email": email})).await;
        (reply.status.as_u16(), reply.text)
    };
    // Nobody learns whether there is such an account, and asking again fills no mailbox.
    assert_eq!(ask("ada@town.example").await, ask("nobody@town.example").await);
    ask("ada@town.example").await;
    let sent = town.sent().await;
    assert_eq!(sent.iter().map(|(email, _)| &**email).collect::<Vec<_>>(), ["ada@town.example"]);
    assert_eq!(accept(&town, &sent[0].1, "another twelve letters").await.status, 204);
    sign_in(&town, "ada@town.example", json!({})).await.expect(401);
    town.pass(Duration::seconds(60));
    // The second factor stands.
    let both = |code: Option<&str>| json!({"password": "another twelve letters", "code": code});
    sign_in(&town, "ada@town.example", both(None)).await.expect(401);
    sign_in(&town, "ada@town.example", both(Some(&town.code(&secret)))).await.expect(201);
    // A token is good for a day.
    town.pass(Duration::hours(2));
    ask("ada@town.example").await;
    let late = town.token_for("ada@town.example").await;
    town.pass(Duration::hours(25));
    accept(&town, &late, PASSWORD).await.expect(404);
    town.close().await;
}

/// A stolen access token sets up a second factor, and nobody can ever take it away.
#[tokio::test]
async fn a_stolen_token_changes_no_factor() {
    let town = Town::open().await;
    let ada = town.account("Ada").await;
    let thief = ada.clone();
    let drawn = thief.post("/v1/me/second-factor/draw", json!({})).await.expect(200);
    assert!(drawn["address"].as_str().unwrap().starts_with("otpauth://totp/"), "{drawn}");
    let secret = drawn["secret"].as_str().unwrap().to_owned();
    let set = |password: &str, more: Value| {
        let mut body = json!({"password": password, "secret": secret, "code": town.code(&secret)});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        body
    };
    let refused = async |who: &Actor, body: Value| {
        let reply = who.post("/v1/me/second-factor", body).await.expect(422);
        reply["errors"][0]["pointer"].as_str().unwrap().to_owned()
    };
    assert_eq!(refused(&thief, set("guessed, twelve letters", json!({}))).await, "/password");
    assert_eq!(refused(&thief, set(PASSWORD, json!({"code": "000000"}))).await, "/code");
    assert_eq!(refused(&thief, set(PASSWORD, json!({"secret": "GEZDGNBV"}))).await, "/secret");
    let (old, codes) = town.second_factor(&ada).await;
    assert_eq!(codes.len(), 10);
    // Where there is one, another takes its place against it alone; so does none.
    town.pass(Duration::seconds(60));
    let ada = town.signed_in(&ada.id).await;
    assert_eq!(refused(&ada, set(PASSWORD, json!({}))).await, "/old_code");
    assert_eq!(refused(&ada, set(PASSWORD, json!({"old_code": "000000"}))).await, "/old_code");
    let removal = |more: Value| {
        let mut body = json!({"password": PASSWORD});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        body
    };
    let path = "/v1/me/second-factor/removal";
    ada.post(path, removal(json!({}))).await.expect(422);
    town.pass(Duration::minutes(2));
    let code = town.code(&old);
    let replaced =
        ada.post("/v1/me/second-factor", set(PASSWORD, json!({"old_code": code}))).await.expect(200);
    assert_eq!(replaced["recovery_codes"].as_array().unwrap().len(), 10);
    ada.get("/v1/me").await.expect(401);
    // The recovery codes of the one before are void.
    sign_in(&town, "ada@town.example", json!({"recovery_code": codes[0]})).await.expect(401);
    town.pass(Duration::minutes(2));
    let ada = town.signed_in(&ada.id).await;
    ada.post(path, removal(json!({"old_code": town.code(&old)}))).await.expect(422);
    town.pass(Duration::minutes(2));
    assert_eq!(ada.post(path, removal(json!({"old_code": town.code(&secret)}))).await.status, 204);
    ada.get("/v1/me").await.expect(401);
    sign_in(&town, "ada@town.example", json!({})).await.expect(201);
    town.close().await;
}

#[tokio::test]
async fn a_lost_telephone_is_not_a_lost_account() {
    let town = Town::open().await;
    let ada = town.account("Ada").await;
    let (_, codes) = town.second_factor(&ada).await;
    let with = |code: &str| json!({"recovery_code": code});
    // However it is typed, each is good once.
    let typed = codes[0].to_lowercase().replace('-', " ");
    let signed_in = sign_in(&town, "ada@town.example", with(&typed)).await.expect(201);
    assert_eq!(signed_in["second_factor"], true);
    sign_in(&town, "ada@town.example", with(&codes[0])).await.expect(401);
    sign_in(&town, "ada@town.example", with("AAAA-AAAA-AAAA-AAAA")).await.expect(401);
    let ada = Actor { token: signed_in["access_token"].as_str().unwrap().to_owned(), ..ada };
    let body = json!({"password": PASSWORD, "recovery_code": codes[1]});
    assert_eq!(ada.post("/v1/me/second-factor/removal", body).await.status, 204);
    let kept = "SELECT count(*) FROM recovery_codes";
    assert_eq!(town.count(kept).await, 0);
    town.close().await;
}

#[tokio::test]
async fn two_people_of_the_register_open_a_way_into_a_lost_account() {
    let town = Town::open().await;
    let ada = town.account("Ada").await;
    town.second_factor(&ada).await;
    let supplier = town.supplier.get("/v1/me").await.expect(200);
    let supplier = supplier["seats"][0]["organisation_id"].as_str().unwrap().to_owned();
    let (second, staff) = (town.member("Second", &supplier).await, town.account("Registrar").await);
    let joined = json!({"person_id": staff.id, "post": "staff", "first_day": "2026-01-01"});
    town.supplier.post(format!("/v1/organisations/{supplier}/members"), joined).await.expect(201);
    let path = format!("/v1/people/{}/account-resets", ada.id);
    let body = json!({"reason": "Telephone and address lost; known in person.", "email": "ada@mill.example"});
    town.manager.post(&path, body.clone()).await.expect(403);
    let reset = town.supplier.post(&path, body.clone()).await.expect(201);
    let confirm = format!("/v1/account-resets/{}/confirmation", reset["id"].as_str().unwrap());
    // One person alone does nothing, and nobody does it for themselves.
    town.supplier.post(&confirm, json!({})).await.expect(403);
    town.manager.post(&confirm, json!({})).await.expect(403);
    let own = format!("/v1/people/{}/account-resets", staff.id);
    staff.post(&own, body.clone()).await.expect(403);
    let of_staff = town.supplier.post(&own, body.clone()).await.expect(201);
    staff
        .post(format!("/v1/account-resets/{}/confirmation", of_staff["id"].as_str().unwrap()), json!({}))
        .await
        .expect(403);
    let running = town.signed_in(&ada.id).await;
    town.pass(Duration::seconds(1));
    town.sent().await;
    second.post(&confirm, json!({})).await.expect(200);
    second.post(&confirm, json!({})).await.expect(409);
    running.get("/v1/me").await.expect(401);
    sign_in(&town, "ada@town.example", json!({})).await.expect(401);
    // Neither of them has anything to sign in with: that goes to the address.
    let sent = town.sent().await;
    assert_eq!(sent.iter().map(|(email, _)| &**email).collect::<Vec<_>>(), ["ada@mill.example"]);
    assert_eq!(accept(&town, &sent[0].1, PASSWORD).await.status, 204);
    sign_in(&town, "ada@mill.example", json!({})).await.expect(201);
    let told = town.signed_in(&ada.id).await.get("/v1/me/notices").await.expect(200);
    let kinds: Vec<_> =
        told["items"].as_array().unwrap().iter().map(|one| one["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["account_reset_asked", "account_reset"]);
    let entries =
        "SELECT count(*) FROM changes WHERE kind IN ('account_reset.asked', 'account_reset.confirmed')";
    assert_eq!(town.count(entries).await, 3);
    // One that nobody confirmed lapses.
    town.pass(Duration::days(8));
    let late = format!("/v1/account-resets/{}/confirmation", of_staff["id"].as_str().unwrap());
    assert_eq!(second.post(late, json!({})).await.expect(409)["state"], "lapsed");
    assert_eq!(
        town.supplier.get("/v1/account-resets").await.expect(200)["items"].as_array().unwrap().len(),
        2
    );
    town.close().await;
}

#[tokio::test]
async fn passwords_that_are_tried_first_are_refused() {
    let town = Town::open().await;
    town.counter_staff
        .post("/v1/people", json!({"name": "Ada", "email": "ada.quillon@quay.example"}))
        .await
        .expect(201);
    let token = town.token_for("ada.quillon@quay.example").await;
    for poor in [
        "short",
        "password1234",
        "qwertyuiop123",
        "123456789012",
        "wardbookwardbook",
        "ada.quillon@quay.example",
        "Quillon-2026",
    ] {
        let refused = accept(&town, &token, poor).await.expect(422);
        assert_eq!(refused["errors"][0]["pointer"], "/password", "{poor}");
    }
    assert_eq!(accept(&town, &token, PASSWORD).await.status, 204);
    town.close().await;
}
