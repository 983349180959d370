//! Authorities: given no wider than one's own, revoked with all that hangs on them.

use serde_json::{Value, json};

use crate::harness::Town;
use application::log::LogStanding;

#[tokio::test]
async fn an_authority_is_passed_on_no_wider_and_no_longer_than_it_is() {
    let town = Town::open().await;
    let friend = town.person("Friend").await;
    let path = format!("/v1/registrations/{}/authorities", town.registration);
    let give = |class: &str, more: serde_json::Value| {
        let mut body = json!({"class": class, "person_id": friend.id, "first_day": "2026-11-01"});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        body
    };
    town.tenant.post(&path, give("keyholder", json!({}))).await.expect(403);
    town.signatory.post(&path, give("signatory", json!({}))).await.expect(403);
    town.manager.post(&path, give("agent", json!({}))).await.expect(403);
    town.owner.post(&path, give("owner", json!({}))).await.expect(403);
    // Before the giver's own first day.
    town.signatory.post(&path, give("keyholder", json!({"first_day": "2025-12-31"}))).await.expect(403);
    let given = town.give(&town.signatory, &friend, json!({})).await.expect(201);
    assert_eq!(given["given_under"], town.authority["signatory"].as_str());
    let narrow =
        json!({"class": "signatory", "differ_ids": [town.differ], "may_pass_on": true, "may_approve": true});
    let narrow = town.give(&town.owner, &friend, narrow).await.expect(201);
    assert_eq!(narrow["every_differ"], false);
    // Its holder cannot give more than that one differ.
    town.pass(time::Duration::hours(1));
    let other = town.person("Other").await;
    town.give(&friend, &other, json!({})).await.expect(403);
    town.give(&friend, &other, json!({"differ_ids": [town.differ]})).await.expect(201);
    town.close().await;
}

#[tokio::test]
async fn what_hangs_on_an_authority_is_shown_before_and_goes_with_it() {
    let town = Town::open().await;
    let friend = town.person("Friend").await;
    let given = town.give(&town.signatory, &friend, json!({})).await.expect(201);
    let issue = json!({"person_id": friend.id});
    town.owner.post(format!("/v1/keys/{}/issue", town.keys[0]), issue).await.expect(200);
    let (card, _) = town.card_for(&friend).await;
    let asked = town.ask(&friend, json!({})).await.request_id();
    let path = format!("/v1/authorities/{}/revocation", town.authority["signatory"]);
    let shown = town.owner.get(&path).await.expect(200);
    let ids: Vec<_> = shown["authorities"].as_array().unwrap().iter().map(|one| one["id"].clone()).collect();
    assert_eq!(ids.len(), 2);
    assert!(ids.contains(&given["id"]));
    assert_eq!(shown["keys_to_call_in"], json!([town.keys[0]]));
    assert_eq!(shown["card_ids"], json!([card]));
    assert_eq!(shown["copy_request_ids"], json!([asked]));
    assert_eq!(shown["cautions"], json!([]));
    // Showing changed nothing.
    friend.get(format!("/v1/registrations/{}", town.registration)).await.expect(200);
    let gone = town.owner.post(&path, json!({})).await.expect(200);
    assert_eq!(gone["keys_to_call_in"], shown["keys_to_call_in"]);
    friend.get(format!("/v1/registrations/{}", town.registration)).await.expect(404);
    town.owner.get(&path).await.expect(409);
    assert_eq!(town.count("SELECT count(*) FROM changes WHERE kind = 'authority.revoked'").await, 2);
    town.close().await;
}

#[tokio::test]
async fn an_occupier_keeps_the_key_to_his_home_and_the_manager_is_cautioned() {
    let town = Town::open().await;
    let occupier = town.person("Occupier").await;
    let id = town.grant(&town.registration, "keyholder", &occupier.id, json!({"occupier": true})).await;
    let issue = json!({"person_id": occupier.id});
    town.owner.post(format!("/v1/keys/{}/issue", town.keys[0]), issue).await.expect(200);
    let shown = town.manager.get(format!("/v1/authorities/{id}/revocation")).await.expect(200);
    assert_eq!(shown["keys_to_call_in"], json!([]));
    assert_eq!(shown["keys_kept_by_occupiers"], json!([town.keys[0]]));
    let cautions = shown["cautions"].to_string();
    assert!(cautions.contains("Protection from Eviction Act 1977"), "{cautions}");
    town.close().await;
}

#[tokio::test]
async fn holds_of_a_court_bar_one_person_and_are_lifted_by_the_supplier() {
    let town = Town::open().await;
    let path = format!("/v1/registrations/{}/holds", town.registration);
    let wrong = json!({"kind": "loss", "court": "Somewhere", "barred_person_id": town.tenant.id});
    let wrong = town.owner.post(&path, wrong).await.expect(422);
    assert_eq!(wrong["errors"].as_array().unwrap().len(), 2);
    let order = json!({"kind": "court_order", "court": "County Court at Tolverne", "ordered_on": "2026-10-30",
        "barred_person_id": town.tenant.id, "order_reference": "K01TV 204"});
    // Nobody bars somebody by a court's order from below: the register has seen the paper.
    for who in [&town.owner, &town.manager] {
        who.post(&path, order.clone()).await.expect(403);
    }
    let mut unseen = order.clone();
    unseen.as_object_mut().unwrap().remove("order_reference");
    let unseen = town.supplier.post(&path, unseen).await.expect(422);
    assert_eq!(unseen["errors"][0]["pointer"], "/order_reference");
    let hold = town.supplier.post(&path, order).await.id();
    assert_eq!(town.ask(&town.tenant, json!({})).await.codes(), ["barred_by_court", "approval_needed"]);
    assert_eq!(town.ask(&town.owner, json!({})).await.outcome(), "permitted");
    let issue = json!({"person_id": town.tenant.id});
    town.owner.post(format!("/v1/keys/{}/issue", town.keys[0]), issue).await.expect(422);
    town.owner.post(format!("/v1/holds/{hold}/lift"), json!({})).await.expect(403);
    town.supplier.post(format!("/v1/holds/{hold}/lift"), json!({})).await.expect(200);
    town.supplier.post(format!("/v1/holds/{hold}/lift"), json!({})).await.expect(409);
    town.close().await;
}

#[tokio::test]
async fn a_key_is_passed_on_only_where_the_rules_allow_it() {
    let town = Town::open().await;
    let issue = json!({"person_id": town.tenant.id});
    town.owner.post(format!("/v1/keys/{}/issue", town.keys[0]), issue).await.expect(200);
    let pass = json!({"person_id": town.signatory.id});
    let path = format!("/v1/keys/{}/transfer", town.keys[0]);
    town.owner.post(&path, pass.clone()).await.expect(409);
    town.set_rules(json!({"transfer": "by_form"})).await;
    town.owner.post(&path, json!({"person_id": town.stranger.id})).await.expect(422);
    assert_eq!(town.owner.post(&path, pass).await.expect(200)["holder_id"], town.signatory.id);
    town.close().await;
}

#[tokio::test]
async fn a_charge_is_waived_by_the_post_that_the_rules_name() {
    let town = Town::open().await;
    let rules = json!({"losses": {"charges": [{"amount": 4500, "currency": "GBP"}],
        "charge_before_replacement": true, "waived_by": ["bursar"], "reviews": [{"keys": 1}]}});
    town.set_rules(rules).await;
    let key = town.tenants_key(json!({})).await;
    let report = town.tenant.post(format!("/v1/keys/{key}/loss"), json!({"kind": "lost"})).await.expect(201);
    assert_eq!(
        (report["loss"]["charge"].as_str(), report["review_due"].as_bool()),
        (Some("due"), Some(true))
    );
    assert_eq!(report["cautions"].as_array().unwrap().len(), 1);
    town.keep_locks(&report).await;
    let replace = json!({"purpose": "replace_lost", "replaces_key_id": key});
    assert!(town.ask(&town.tenant, replace.clone()).await.codes().contains(&"loss_charge_open".to_owned()));
    let path = format!("/v1/losses/{}/settlement", report["loss"]["id"].as_str().unwrap());
    town.owner.post(&path, json!({"charge": "waived"})).await.expect(403);
    let bursar = town.person("Bursar").await;
    town.grant(&town.registration, "signatory", &bursar.id, json!({"post": "bursar"})).await;
    bursar.post(&path, json!({"charge": "paid"})).await.expect(403);
    assert_eq!(bursar.post(&path, json!({"charge": "waived"})).await.expect(200)["waived_by_post"], "bursar");
    bursar.post(&path, json!({"charge": "waived"})).await.expect(409);
    assert_eq!(town.ask(&town.tenant, replace).await.outcome(), "needs_approval");
    town.close().await;
}

#[tokio::test]
async fn keys_of_people_who_left_are_called_in_and_a_rekey_falls_due() {
    let town = Town::open().await;
    town.set_rules(json!({"leaving": {"notice_days": 7, "rekey_after_days": 10}})).await;
    town.owner
        .post(format!("/v1/keys/{}/issue", town.keys[0]), json!({"person_id": town.tenant.id}))
        .await
        .expect(200);
    let list = format!("/v1/registrations/{}/keys-to-call-in", town.registration);
    assert_eq!(town.manager.get(&list).await.expect(200)["items"], json!([]));
    let path = format!("/v1/authorities/{}/revocation", town.authority["tenant"]);
    // Ten days after the last day, where the rules give a week.
    let told = town.manager.post(&path, json!({"left_on": "2026-10-23"})).await.expect(200);
    assert_eq!(told["told_late"], true);
    let listed = |town: &Town| {
        let (manager, list) = (town.manager.clone(), list.clone());
        async move { manager.get(&list).await.expect(200)["items"].clone() }
    };
    let now = listed(&town).await;
    assert_eq!((&now[0]["key"]["id"], &now[0]["rekey_due"]), (&json!(town.keys[0]), &json!(false)));
    assert_eq!((&now[0]["last_day"], &now[0]["occupier"]), (&json!("2026-11-02"), &json!(false)));
    town.pass(time::Duration::days(10));
    assert_eq!(listed(&town).await[0]["rekey_due"], true);
    town.manager.post(format!("/v1/keys/{}/return", town.keys[0]), json!({})).await.expect(200);
    assert_eq!(listed(&town).await, json!([]));
    town.close().await;
}

/// What a revocation says beforehand, what it answers, and what happened, are one.
async fn revoked_as_shown(town: &Town, authority: &str, left_on: Option<&str>) -> Value {
    let path = format!("/v1/authorities/{authority}/revocation");
    let (query, body) = match left_on {
        Some(day) => (format!("?left_on={day}"), json!({"left_on": day})),
        None => (String::new(), json!({})),
    };
    let shown = town.supplier.get(format!("{path}{query}")).await.expect(200);
    let stopped = "SELECT count(*) FROM copy_requests WHERE state = 'stopped'";
    let revoked = "SELECT count(*) FROM cards WHERE state = 'revoked'";
    let before = (town.count(stopped).await, town.count(revoked).await);
    let mut answered = town.supplier.post(&path, body).await.expect(200);
    let went = (town.count(stopped).await - before.0, town.count(revoked).await - before.1);
    let listed = |field: &str| i64::try_from(answered[field].as_array().unwrap().len()).unwrap();
    assert_eq!(went, (listed("copy_request_ids"), listed("card_ids")), "{answered}");
    let to_call_in =
        town.supplier.get(format!("/v1/registrations/{}/keys-to-call-in", town.registration)).await;
    let to_call_in: Vec<Value> = to_call_in.expect(200)["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|item| item["key"]["id"].clone())
        .collect();
    assert_eq!(answered["keys_to_call_in"], json!(to_call_in));
    // The authorities themselves are shown as they were.
    answered["authorities"] = shown["authorities"].clone();
    assert_eq!(shown, answered);
    answered
}

#[tokio::test]
async fn the_right_of_an_organisation_stops_what_its_people_asked_for() {
    let town = Town::open().await;
    let request = town.ask(&town.manager, json!({})).await.request_id();
    let gone = revoked_as_shown(&town, &town.authority["agent"], None).await;
    assert_eq!(gone["copy_request_ids"], json!([request]));
    town.close().await;
}

#[tokio::test]
async fn what_an_organisation_still_gives_does_not_go() {
    let town = Town::open().await;
    let own = town.grant(&town.registration, "keyholder", &town.manager.id, json!({})).await;
    town.card_for(&town.manager).await;
    let issue = json!({"person_id": town.manager.id});
    town.owner.post(format!("/v1/keys/{}/issue", town.keys[0]), issue).await.expect(200);
    town.ask(&town.manager, json!({})).await.request_id();
    let gone = revoked_as_shown(&town, &own, None).await;
    assert_eq!(
        (&gone["copy_request_ids"], &gone["card_ids"], &gone["keys_to_call_in"]),
        (&json!([]), &json!([]), &json!([]))
    );
    // Once the organisation's right ends too, all of it goes.
    let gone = revoked_as_shown(&town, &town.authority["agent"], None).await;
    assert_eq!(gone["keys_to_call_in"], json!([town.keys[0]]));
    assert_eq!((gone["card_ids"].as_array().unwrap().len(), &gone["cautions"]), (1, &json!([])));
    town.close().await;
}

/// What is given rests on the same rights as what is taken: a key, a card and the key after a rekey.
#[tokio::test]
async fn an_organisation_gives_its_people_what_rests_on_its_right() {
    let town = Town::open().await;
    town.prepare_rekeys().await;
    town.card_for(&town.manager).await;
    let issue = json!({"person_id": town.manager.id});
    let at = format!("/v1/keys/{}/issue", town.keys[0]);
    town.owner.post(&at, issue.clone()).await.expect(200);
    let to_rekey = json!({"differ_ids": [town.differ]});
    let plans = format!("/v1/registrations/{}/rekey-plans", town.registration);
    let plan = town.owner.post(&plans, to_rekey.clone()).await.expect(200);
    assert_eq!(plan["differs"][0]["people"], json!([town.manager.id]));
    // The right ends: no new key, no card, and the old key again to nobody without one.
    revoked_as_shown(&town, &town.authority["agent"], None).await;
    let plan = town.owner.post(&plans, to_rekey).await.expect(200);
    assert_eq!(plan["differs"][0]["people"], json!([]));
    town.owner.post(format!("/v1/keys/{}/return", town.keys[0]), json!({})).await.expect(200);
    town.owner.post(at, issue).await.expect(422);
    let cards = format!("/v1/registrations/{}/cards", town.registration);
    town.supplier.post(cards, json!({"person_id": town.manager.id})).await.expect(422);
    town.close().await;
}

#[tokio::test]
async fn the_key_of_an_occupier_is_called_in_once_the_occupier_has_left() {
    let town = Town::open().await;
    let home = json!({"occupier": true});
    let (leaves, stays) = (town.person("Leaves").await, town.person("Stays").await);
    let leaving = town.grant(&town.registration, "keyholder", &leaves.id, home.clone()).await;
    let staying = town.grant(&town.registration, "keyholder", &stays.id, home).await;
    for (key, holder) in town.keys.iter().zip([&leaves, &stays]) {
        let issue = json!({"person_id": holder.id});
        town.owner.post(format!("/v1/keys/{key}/issue"), issue).await.expect(200);
    }
    let gone = revoked_as_shown(&town, &leaving, Some("2026-11-02")).await;
    assert_eq!(gone["keys_to_call_in"], json!([town.keys[0]]));
    assert_eq!(gone["keys_kept_by_occupiers"], json!([]));
    town.owner.post(format!("/v1/keys/{}/return", town.keys[0]), json!({})).await.expect(200);
    let kept = revoked_as_shown(&town, &staying, None).await;
    assert_eq!(kept["keys_to_call_in"], json!([]));
    assert_eq!(kept["keys_kept_by_occupiers"], json!([town.keys[1]]));
    town.close().await;
}

#[tokio::test]
async fn a_preview_is_a_read() {
    let town = Town::open().await;
    // Somebody else has the row of the registration, and the log takes no more for now.
    let mut other = storage::begin(&town.admin).await.unwrap();
    sqlx::query("SELECT id FROM registrations FOR UPDATE").fetch_all(&mut *other).await.unwrap();
    let late = town.clock_now() - time::Duration::hours(1);
    let full = LogStanding { oldest: Some(late), waiting: 1, ..LogStanding::default() };
    town.app.log.saw(full, town.clock_now());
    let path = format!("/v1/authorities/{}/revocation", town.authority["tenant"]);
    town.owner.post(&path, json!({})).await.expect(503);
    town.owner.get(&path).await.expect(200);
    other.rollback().await.unwrap();
    town.app.log.saw(LogStanding::default(), town.clock_now());
    town.close().await;
}
