//! Key audits: who is asked, what silence means, what is missing; and counts of the keys in store.

use serde_json::{Value, json};
use time::Duration;

use crate::harness::{Actor, Town};
use application::tasks;

async fn open_lines(who: &Actor) -> Vec<Value> {
    who.get("/v1/me/audit-lines").await.expect(200)["items"].as_array().unwrap().clone()
}

fn answer(line: &Value) -> String {
    format!("/v1/audit-lines/{}/answer", line["id"].as_str().unwrap())
}

/// Tenant and signatory with a key each.
async fn two_holders(town: &Town) {
    town.tenants_key(json!({})).await;
    let issue = json!({"person_id": town.signatory.id});
    town.supplier.post(format!("/v1/keys/{}/issue", town.keys[0]), issue).await.expect(200);
}

#[tokio::test]
async fn holders_are_asked_and_silence_is_chased() {
    let town = Town::open().await;
    two_holders(&town).await;
    let audits = format!("/v1/registrations/{}/audits", town.registration);
    let audit = town.owner.post(&audits, json!({})).await.expect(201);
    assert_eq!(
        (&audit["keys"], &audit["due_on"], &audit["silence"]),
        (&json!(2), &json!("2026-12-02"), &json!("chase"))
    );
    let told = town.tenant.get("/v1/me/notices").await.expect(200);
    assert_eq!(
        (&told["items"][0]["kind"], &told["items"][0]["subject_id"]),
        (&json!("audit_opened"), &audit["id"])
    );
    let line = &open_lines(&town.tenant).await[0];
    town.stranger.post(answer(line), json!({"has_it": true})).await.expect(404);
    let said = town.tenant.post(answer(line), json!({"has_it": true})).await.expect(200);
    assert_eq!(said["answer"], "has_it");
    town.tenant.post(answer(line), json!({"has_it": false})).await.expect(409);
    assert!(open_lines(&town.tenant).await.is_empty());
    // Nothing is overdue before its day, and nobody is let off afterwards.
    let lines = format!("/v1/audits/{}/lines", audit["id"].as_str().unwrap());
    let open = town.owner.get(format!("{lines}?answer=open")).await.expect(200);
    assert_eq!((open["items"].as_array().unwrap().len(), &open["items"][0]["overdue"]), (1, &json!(false)));
    town.pass(Duration::days(31));
    assert_eq!(tasks::round(&town.app).await.unwrap().audits_closed, 0);
    let open = town.owner.get(format!("{lines}?answer=open")).await.expect(200);
    assert_eq!(open["items"][0]["overdue"], true);
    // The owner answers for the signatory, who has lost it.
    town.owner.post(answer(&open["items"][0]), json!({"has_it": false})).await.expect(200);
    let missing = town.owner.get(format!("{lines}?answer=missing")).await.expect(200);
    assert_eq!(missing["items"][0]["holder_id"], json!(town.signatory.id));
    let path = format!("/v1/audits/{}/close", audit["id"].as_str().unwrap());
    let closed = town.owner.post(&path, json!({})).await.expect(200);
    assert_eq!((&closed["open"], &closed["missing"]), (&json!(0), &json!(1)));
    town.owner.post(&path, json!({})).await.expect(409);
    town.close().await;
}

/// Missouri State University: annual audit; sheets that do not come back leave the register as it stands
/// ("accurate as written").
#[tokio::test]
async fn a_yearly_audit_opens_by_itself_and_silence_may_mean_right() {
    let town = Town::open().await;
    two_holders(&town).await;
    town.set_rules(json!({"audit": {"every": "year", "silence": "right", "answer_days": 14}})).await;
    assert_eq!(tasks::round(&town.app).await.unwrap().audits_opened, 0);
    town.pass(Duration::days(365));
    assert_eq!(tasks::round(&town.app).await.unwrap().audits_opened, 1);
    assert_eq!(tasks::round(&town.app).await.unwrap().audits_opened, 0);
    let line = &open_lines(&town.tenant).await[0];
    town.tenant.post(answer(line), json!({"has_it": true})).await.expect(200);
    town.pass(Duration::days(15));
    assert_eq!(tasks::round(&town.app).await.unwrap().audits_closed, 1);
    let audits = town.owner.get(format!("/v1/registrations/{}/audits", town.registration)).await.expect(200);
    let audit = &audits["items"][0];
    assert_eq!((&audit["open"], audit["closed_at"].is_null()), (&json!(0), false));
    let lines = format!("/v1/audits/{}/lines?answer=taken_as_right", audit["id"].as_str().unwrap());
    let silent = town.owner.get(lines).await.expect(200);
    assert_eq!(silent["items"][0]["holder_id"], json!(town.signatory.id));
    // A year later the next one; none, once the rules say never.
    town.pass(Duration::days(351));
    town.set_rules(json!({"audit": {"every": "never"}})).await;
    assert_eq!(tasks::round(&town.app).await.unwrap().audits_opened, 0);
    town.set_rules(json!({"audit": {"every": "half_year"}})).await;
    assert_eq!(tasks::round(&town.app).await.unwrap().audits_opened, 1);
    town.close().await;
}

#[tokio::test]
async fn an_audit_is_of_a_person_or_of_a_level_or_of_everything() {
    let town = Town::open().await;
    two_holders(&town).await;
    let audits = format!("/v1/registrations/{}/audits", town.registration);
    for (scope, keys) in [
        (json!({}), 2),
        (json!({"person_id": town.signatory.id}), 1),
        (json!({"level": "lock"}), 2),
        (json!({"level": "building"}), 0),
    ] {
        assert_eq!(town.owner.post(&audits, scope).await.expect(201)["keys"], keys);
    }
    let both = json!({"level": "lock", "person_id": town.signatory.id});
    town.owner.post(&audits, both).await.expect(422);
    let wrong = json!({"rules": {"audit": {"every": "term", "terms": []}}});
    let refused =
        town.owner.change("PUT", format!("/v1/registrations/{}/rules", town.registration), 1, wrong).await;
    assert_eq!(refused.expect(422)["errors"][0]["pointer"], "/audit/terms");
    town.close().await;
}

#[tokio::test]
async fn keys_in_store_are_counted_beside_the_book() {
    let town = Town::open().await;
    let path = format!("/v1/registrations/{}/stock-counts", town.registration);
    let count = |counted: u32| json!({"differ_id": town.differ, "counted": counted, "remark": "in the safe"});
    let right = town.owner.post(&path, count(2)).await.expect(201);
    assert_eq!((&right["book"], &right["counted"]), (&json!(2), &json!(2)));
    town.owner.post(&path, count(1)).await.expect(201);
    assert_eq!(town.count("SELECT count(*) FROM changes WHERE kind = 'stock.differs'").await, 1);
    town.tenant.post(&path, count(1)).await.expect(403);
    assert_eq!(town.owner.get(&path).await.expect(200)["items"].as_array().unwrap().len(), 2);
    town.close().await;
}

/// Those whose right has ended are whom an audit is for.
#[tokio::test]
async fn whoever_has_a_key_answers_for_it_without_a_right_to_it() {
    let town = Town::open().await;
    two_holders(&town).await;
    let revoke = format!("/v1/authorities/{}/revocation", town.authority["tenant"]);
    town.owner.post(revoke, json!({})).await.expect(200);
    town.owner.post(format!("/v1/registrations/{}/audits", town.registration), json!({})).await.expect(201);
    let line = &open_lines(&town.tenant).await[0];
    assert_eq!(town.tenant.post(answer(line), json!({"has_it": true})).await.expect(200)["answer"], "has_it");
    // A term that began long ago opens none.
    town.pass(Duration::days(800));
    let term = json!({"audit": {"every": "term", "terms": [{"month": 9, "day": 1}]}});
    town.set_rules(term).await;
    assert_eq!(tasks::round(&town.app).await.unwrap().audits_opened, 0);
    town.close().await;
}
