//! Places in organisations, and what ends with one.

use serde_json::{Value, json};
use time::Duration;

use crate::harness::{Actor, Town};

/// Somebody on the staff of the agent, with the membership.
async fn staff(town: &Town) -> (Actor, String) {
    let person = town.person("Staff").await;
    let joined = json!({"person_id": person.id, "post": "staff", "first_day": "2026-01-01"});
    let path = format!("/v1/organisations/{}/members", town.agent);
    let membership = town.manager.post(path, joined).await.id();
    (person, membership)
}

async fn give(town: &Town, giver: &Actor, who: &Actor, more: Value) -> crate::harness::Reply {
    let mut body = json!({"class": "signatory", "may_approve": true});
    body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    town.give(giver, who, body).await
}

async fn approve(town: &Town, who: &Actor) -> u16 {
    let asked = town.ask(&town.tenant, json!({})).await.request_id();
    who.post(format!("/v1/copy-requests/{asked}/approvals"), json!({})).await.status.as_u16()
}

const TODAY: &str = "2026-11-02";

/// A seat of an agent gives itself a personal approving authority; the seat ends, the authority stays, and approves.
#[tokio::test]
async fn what_a_seat_gives_is_never_its_own_and_ends_with_it() {
    let town = Town::open().await;
    let (staff, membership) = staff(&town).await;
    let friend = town.person("Friend").await;
    let refused = give(&town, &staff, &staff, json!({})).await.expect(403);
    assert_eq!(refused["detail"], "nobody gives an authority to themselves");
    let given = give(&town, &staff, &friend, json!({"may_pass_on": false})).await.id();
    assert_eq!(approve(&town, &friend).await, 201);
    // What the seat has: a card, a key, an open request.
    let issue = json!({"person_id": staff.id});
    town.owner.post(format!("/v1/keys/{}/issue", town.keys[0]), issue).await.expect(200);
    let (card, _) = town.card_for(&staff).await;
    let asked = town.ask(&staff, json!({})).await.request_id();
    let path = format!("/v1/memberships/{membership}/end");
    staff.get(&path).await.expect(403);
    town.owner.get(&path).await.expect(404);
    let shown = town.manager.get(&path).await.expect(200);
    let ids = |list: &Value| -> Vec<String> {
        list.as_array().unwrap().iter().map(|one| one["id"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(ids(&shown["authorities"]), std::slice::from_ref(&given));
    assert_eq!(shown["card_ids"], json!([card]));
    assert_eq!(shown["copy_request_ids"], json!([asked]));
    assert_eq!(shown["keys_to_call_in"], json!([town.keys[0]]));
    // Showing changed nothing.
    staff.get("/v1/me").await.expect(200);
    let ended = town.manager.post(&path, json!({"last_day": TODAY})).await.expect(200);
    assert_eq!(ended["consequences"], shown_as_ended(&town, &shown, &given).await);
    assert!(ended["membership"]["ended_at"].is_string(), "{ended}");
    // At once, not at midnight: the session is over, and so is what was given.
    staff.get("/v1/me").await.expect(401);
    assert_eq!(approve(&town, &friend).await, 404);
    let staff = town.signed_in(&staff.id).await;
    staff.get(format!("/v1/registrations/{}", town.registration)).await.expect(404);
    let entries = "SELECT count(*) FROM changes WHERE kind IN ('membership.ended', 'authority.revoked', 'card.revoked')";
    assert_eq!(town.count(entries).await, 3);
    town.manager.post(&path, json!({"last_day": TODAY})).await.expect(409);
    town.close().await;
}

/// What was shown, with the authority as it is now shown.
async fn shown_as_ended(town: &Town, shown: &Value, given: &str) -> Value {
    let mut shown = shown.clone();
    let now = town.owner.get(format!("/v1/authorities/{given}")).await.expect(200);
    assert!(now["revoked_at"].is_string(), "{now}");
    shown["authorities"][0]["revoked_at"] = Value::Null;
    shown
}

#[tokio::test]
async fn a_head_who_did_not_give_it_lets_an_authority_outlast_the_seat() {
    let town = Town::open().await;
    let (staff, membership) = staff(&town).await;
    let (first, second, third) =
        (town.person("First").await, town.person("Second").await, town.person("Third").await);
    let confirmed = give(&town, &staff, &first, json!({})).await.id();
    let kept = give(&town, &staff, &second, json!({})).await.id();
    give(&town, &staff, &third, json!({})).await.expect(201);
    let confirm = |id: &str| format!("/v1/authorities/{id}/confirmation");
    staff.post(confirm(&confirmed), json!({})).await.expect(403);
    town.owner.post(confirm(&confirmed), json!({})).await.expect(403);
    let after = town.manager.post(confirm(&confirmed), json!({})).await.expect(200);
    assert_eq!(after["confirmed_by"], town.manager.id.as_str());
    town.manager.post(confirm(&confirmed), json!({})).await.expect(409);
    // What the head gave somebody else confirms, and what the supplier gave nobody has to.
    let own = give(&town, &town.manager, &town.stranger, json!({})).await.id();
    town.manager.post(confirm(&own), json!({})).await.expect(403);
    town.manager.post(confirm(&town.authority["tenant"]), json!({})).await.expect(403);
    let path = format!("/v1/memberships/{membership}/end");
    let end = |keep: &str| json!({"last_day": TODAY, "keep_authority_ids": [keep]});
    let wrong = town.manager.post(&path, end(&own)).await.expect(422);
    assert_eq!(wrong["errors"][0]["pointer"], "/keep_authority_ids/0");
    town.supplier.post(&path, end(&kept)).await.expect(403);
    town.manager.post(&path, end(&kept)).await.expect(200);
    assert_eq!(
        [approve(&town, &first).await, approve(&town, &second).await, approve(&town, &third).await],
        [201, 201, 404]
    );
    town.close().await;
}

#[tokio::test]
async fn a_membership_ends_by_itself_once_its_last_day_has_passed() {
    let town = Town::open().await;
    let (staff, membership) = staff(&town).await;
    let friend = town.person("Friend").await;
    give(&town, &staff, &friend, json!({})).await.expect(201);
    let path = format!("/v1/memberships/{membership}/end");
    let shortened = town.manager.post(&path, json!({"last_day": "2026-11-03"})).await.expect(200);
    assert_eq!(shortened["membership"]["ended_at"], Value::Null);
    town.manager.post(&path, json!({"last_day": "2026-11-04"})).await.expect(409);
    staff.get("/v1/me").await.expect(200);
    assert_eq!(application::tasks::round(&town.app).await.unwrap().memberships_ended, 0);
    assert_eq!(approve(&town, &friend).await, 201);
    town.pass(Duration::days(2));
    assert_eq!(application::tasks::round(&town.app).await.unwrap().memberships_ended, 1);
    assert_eq!(application::tasks::round(&town.app).await.unwrap().memberships_ended, 0);
    assert_eq!(approve(&town, &friend).await, 404);
    staff.get("/v1/me").await.expect(401);
    town.close().await;
}

#[tokio::test]
async fn whoever_approves_has_shown_a_second_factor() {
    let town = Town::open().await;
    let asked = town.ask(&town.tenant, json!({})).await.request_id();
    let path = format!("/v1/copy-requests/{asked}/approvals");
    sqlx::query("UPDATE sessions SET second_factor = false WHERE person_id = $1")
        .bind(town.owner.id.parse::<uuid::Uuid>().unwrap())
        .execute(&town.admin)
        .await
        .unwrap();
    let refused = town.owner.post(&path, json!({})).await.expect(403);
    assert!(refused["detail"].as_str().unwrap().contains("second factor"), "{refused}");
    // Asking and reading go on without.
    town.owner.get(format!("/v1/copy-requests/{asked}")).await.expect(200);
    town.signatory.post(&path, json!({})).await.expect(201);
    town.close().await;
}

/// Staff of the register makes itself head of somebody else's organisation.
#[tokio::test]
async fn the_register_names_the_first_head_alone_and_never_itself() {
    let town = Town::open().await;
    let new = json!({"kind": "agent", "name": "Elsewhere"});
    let new = town.supplier.post("/v1/organisations", new).await.id();
    let path = |organisation: &str| format!("/v1/organisations/{organisation}/members");
    let joins =
        |who: &Actor, post: &str| json!({"person_id": who.id, "post": post, "first_day": "2026-01-01"});
    town.supplier.post(path(&new), joins(&town.supplier, "head")).await.expect(403);
    town.supplier.post(path(&town.agent), joins(&town.supplier, "head")).await.expect(403);
    town.supplier.post(path(&town.agent), joins(&town.stranger, "head")).await.expect(403);
    town.supplier.post(path(&town.agent), joins(&town.stranger, "staff")).await.expect(403);
    town.supplier.post(path(&new), joins(&town.stranger, "staff")).await.expect(403);
    town.supplier.post(path(&new), joins(&town.stranger, "head")).await.expect(201);
    // An organisation whose only head has left gets another; its people and the owners hear of it.
    let (staff, _) = staff(&town).await;
    let head: uuid::Uuid = sqlx::query_scalar("SELECT id FROM memberships WHERE person_id = $1")
        .bind(town.manager.id.parse::<uuid::Uuid>().unwrap())
        .fetch_one(&town.admin)
        .await
        .unwrap();
    let end = format!("/v1/memberships/{head}/end");
    town.supplier.post(end, json!({"last_day": TODAY})).await.expect(200);
    let next = town.person("Next").await;
    town.supplier.post(path(&town.agent), joins(&next, "head")).await.expect(201);
    for who in [&staff, &town.owner] {
        let told = who.get("/v1/me/notices").await.expect(200);
        assert_eq!(told["items"][0]["kind"], "head_named", "{told}");
    }
    assert_eq!(next.get("/v1/me/notices").await.expect(200)["items"], json!([]));
    town.close().await;
}
