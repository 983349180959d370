//! A lost key: the hold, what it exposes, the decision, and the rekey carried out lock by lock.

use serde_json::{Value, json};

use crate::harness::{Actor, Town};

async fn lose(who: &Actor, key: &str, more: Value) -> Value {
    let mut body = json!({"kind": "lost", "happened_on": "2026-11-01", "place": "Number 4 bus"});
    body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    who.post(format!("/v1/keys/{key}/loss"), body).await.expect(201)
}

#[tokio::test]
async fn nothing_is_copied_from_the_report_of_a_loss_until_somebody_decided() {
    let town = Town::open().await;
    let key = town.tenants_key(json!({})).await;
    let report = lose(&town.tenant, &key, json!({})).await;
    let loss = report["loss"]["id"].as_str().unwrap().to_owned();
    assert_eq!(
        (&report["loss"]["place"], &report["loss"]["happened_on"]),
        (&json!("Number 4 bus"), &json!("2026-11-01"))
    );
    assert_eq!(town.ask(&town.owner, json!({})).await.codes(), ["registration_on_hold"]);
    let holds = town.owner.get(format!("/v1/registrations/{}/holds", town.registration)).await.expect(200);
    assert_eq!(
        (&holds["items"][0]["differ_id"], &holds["items"][0]["loss_id"]),
        (&json!(town.differ), &json!(loss))
    );
    // Another differ of the registration is not stopped.
    let other = json!({"number": "A-2", "level": "lock"});
    let other =
        town.supplier.post(format!("/v1/registrations/{}/differs", town.registration), other).await.id();
    let answers = format!("/v1/locks/{}/answers", town.locks[0]);
    town.supplier.post(answers, json!({"differ_id": other})).await.expect(201);
    assert_eq!(town.ask(&town.owner, json!({"differ_id": other})).await.outcome(), "permitted");
    // A named person decides, with a reason.
    let path = format!("/v1/losses/{loss}/decision");
    town.owner.post(&path, json!({"decision": "keep"})).await.expect(422);
    town.tenant.post(&path, json!({"decision": "keep", "reason": "x"})).await.expect(404);
    let kept = json!({"decision": "keep", "reason": "It fell into the river."});
    let decided = town.owner.post(&path, kept).await.expect(200);
    assert_eq!(decided["decided_by"], json!(town.owner.id));
    assert_eq!(town.ask(&town.owner, json!({})).await.outcome(), "permitted");
    town.close().await;
}

#[tokio::test]
async fn a_key_that_is_found_lifts_the_hold_by_itself_and_rules_may_do_without_one() {
    let town = Town::open().await;
    let key = town.tenants_key(json!({})).await;
    lose(&town.tenant, &key, json!({})).await;
    assert_eq!(town.ask(&town.owner, json!({})).await.outcome(), "refused");
    town.owner.post(format!("/v1/keys/{key}/return"), json!({})).await.expect(200);
    assert_eq!(town.ask(&town.owner, json!({})).await.outcome(), "permitted");
    town.set_rules(json!({"losses": {"hold": false}})).await;
    lose(&town.owner, &key, json!({"kind": "stolen", "crime_reference": "C-77"})).await;
    assert_eq!(town.ask(&town.owner, json!({})).await.outcome(), "permitted");
    lose_in_the_future(&town).await;
    town.close().await;
}

async fn lose_in_the_future(town: &Town) {
    let body = json!({"kind": "lost", "happened_on": "2031-01-01"});
    town.supplier.post(format!("/v1/keys/{}/loss", town.keys[0]), body).await.expect(422);
}

/// SUNY Oneonta, "Guidelines for re-keying" (oneonta.edu, Attachment 1): the share of lost keys at which the
/// locks are reviewed, by class of room; read as reached, and as a share of all keys that open the lock.
#[tokio::test]
async fn the_share_of_lost_keys_by_class_of_room_calls_for_a_review() {
    let town = Town::open().await;
    // Class of room, keys in existence, keys lost: review or not (C1 to C8; C9 is a master below).
    let cases = [
        ("C1", "entrance", 40, 4, true),
        ("C2", "entrance", 40, 3, false),
        ("C3", "office", 20, 1, true),
        ("C4", "office", 25, 1, false),
        ("C5", "critical_office", 30, 1, true),
        ("C6", "classroom", 30, 5, false),
        ("C6", "classroom", 30, 6, true),
        ("C7", "lab", 20, 3, true),
        ("C8", "mechanical", 50, 9, false),
    ];
    let share = |class: &str, percent: u8| json!({"when": {"room_classes": [class]}, "percent": percent});
    let rules = json!({"limits": [], "losses": {"reviews": [
        {"when": {"levels": ["suite", "building"]}, "keys": 1},
        share("entrance", 10), share("office", 5), share("classroom", 20), share("lab", 15),
        share("mechanical", 20), {"when": {"room_classes": ["critical_office"]}, "keys": 1},
    ]}});
    town.set_rules(rules).await;
    for (at, (case, class, keys, lost, due)) in cases.iter().enumerate() {
        let (exposure, report) = losing(&town, at, class, "lock", *keys, *lost).await;
        assert_eq!(report["review_due"], json!(due), "{case}");
        let lock = &exposure["locks"][0];
        assert_eq!(
            (&lock["keys"], &lock["missing"], &lock["review_due"]),
            (&json!(keys), &json!(lost), &json!(due))
        );
    }
    // C9: one sub-master of a building.
    let (exposure, report) = losing(&town, 90, "mechanical", "building", 12, 1).await;
    assert_eq!((&report["review_due"], &exposure["review_due"]), (&json!(true), &json!(true)), "C9");
    town.close().await;
}

/// A lock of a class with so many keys, of which so many are lost: exposure and report of the last one.
async fn losing(town: &Town, at: usize, class: &str, level: &str, keys: u32, lost: usize) -> (Value, Value) {
    let registration = format!("/v1/registrations/{}", town.registration);
    let lock = json!({"label": format!("Room {at}"), "kind": "mortice_deadlock", "escape_route": false,
        "room_class": class});
    let lock = town.supplier.post(format!("{registration}/locks"), lock).await.id();
    let differ = json!({"number": format!("R-{at}"), "level": level});
    let differ = town.supplier.post(format!("{registration}/differs"), differ).await.id();
    town.supplier.post(format!("/v1/locks/{lock}/answers"), json!({"differ_id": differ})).await.expect(201);
    let mut made = vec![];
    while made.len() < keys as usize {
        let more = (keys as usize - made.len()).min(20);
        let pack = json!({"differ_id": differ, "number": format!("R-{at}-{}", made.len()), "keys": more});
        let pack = town.supplier.post(format!("{registration}/lever-packs"), pack).await.expect(201);
        made.extend(pack["keys"].as_array().unwrap().clone());
    }
    let mut report = Value::Null;
    for key in &made[..lost] {
        report = lose(&town.owner, key["id"].as_str().unwrap(), json!({})).await;
    }
    let path = format!("/v1/losses/{}/exposure", report["loss"]["id"].as_str().unwrap());
    (town.owner.get(path).await.expect(200), report)
}

/// A key of a pair of doors is stolen, and the rekey decided; the key and the loss.
async fn stolen(town: &Town) -> (String, String) {
    let lost = town.tenants_key(json!({})).await;
    for (key, person) in [(&town.keys[0], &town.owner), (&town.keys[1], &town.signatory)] {
        town.supplier
            .post(format!("/v1/keys/{key}/issue"), json!({"person_id": person.id}))
            .await
            .expect(200);
    }
    let report = lose(&town.tenant, &lost, json!({"kind": "stolen", "crime_reference": "C-1"})).await;
    let loss = report["loss"]["id"].as_str().unwrap();
    let exposure = town.owner.get(format!("/v1/losses/{loss}/exposure")).await.expect(200);
    assert_eq!(exposure["locks"].as_array().unwrap().len(), 2);
    assert_eq!(exposure["people"].as_array().unwrap().len(), 2);
    let decision = json!({"decision": "rekey", "reason": "Stolen with the address."});
    town.owner.post(format!("/v1/losses/{loss}/decision"), decision).await.expect(200);
    (lost, loss.to_owned())
}

/// Two locks, one differ: one pack with keys is enough for two people, the third key is cut.
async fn a_pair_is_planned(town: &Town) {
    let compromised = json!({"differ_ids": [town.differ]});
    let plans = format!("/v1/registrations/{}/rekey-plans", town.registration);
    let plan = town.owner.post(&plans, compromised).await.expect(200);
    assert_eq!((&plan["packs"], &plan["levers_without_keys"]), (&json!(1), &json!(1)));
    assert_eq!(
        (&plan["differs"][0]["keys_with_packs"], &plan["differs"][0]["keys_to_cut"]),
        (&json!(2), &json!(1))
    );
    assert_eq!(plan["cost"], 3000 + 2000 + 800 + 2 * 500);
    assert_eq!(plan["differs"][0]["keys_to_call_in"].as_array().unwrap().len(), 2);
    assert!(plan["cautions"][0].as_str().unwrap().contains("Protection from Eviction Act 1977"));
}

/// Copies of it are refused with that reason; what is lost is dead as well, and who has a key is told.
async fn the_old_differ_is_dead(town: &Town, lost: &str) {
    assert_eq!(town.ask(&town.owner, json!({})).await.codes(), ["differ_dead"]);
    assert_eq!(town.owner.get(format!("/v1/keys/{lost}")).await.expect(200)["state"], "dead");
    let told = town.signatory.get("/v1/me/notices").await.expect(200);
    let dead = told["items"].as_array().unwrap().iter().find(|told| told["kind"] == "key_dead").unwrap();
    assert_eq!((&dead["subject_id"], &dead["read_at"]), (&json!(town.keys[1]), &Value::Null));
    let notice = dead["id"].as_str().unwrap();
    town.signatory.call("PUT", &format!("/v1/me/notices/{notice}/read"), &[], vec![]).await.expect(204);
}

async fn new_keys_go_out_against_old_ones(town: &Town, new_key: &str) {
    let issue = format!("/v1/keys/{new_key}/issue");
    let against = |key: &str| json!({"person_id": town.signatory.id, "against_key_id": key});
    town.owner.post(&issue, against(&town.keys[0])).await.expect(422);
    town.owner.post(&issue, against(&town.keys[1])).await.expect(200);
    let old = town.owner.get(format!("/v1/keys/{}", town.keys[1])).await.expect(200);
    assert_eq!(old["state"], "destroyed");
}

#[tokio::test]
async fn a_pair_of_doors_is_rekeyed_lock_by_lock() {
    let town = Town::open().await;
    town.prepare_rekeys().await;
    let (lost, loss) = stolen(&town).await;
    a_pair_is_planned(&town).await;
    let rekeys = format!("/v1/registrations/{}/rekeys", town.registration);
    let new = json!({"differ_ids": [town.differ], "loss_id": loss, "reason": "A stolen key."});
    town.owner.post(&rekeys, new.clone()).await.expect(403);
    let rekey = town.supplier.post(&rekeys, new.clone()).await.id();
    town.supplier.post(&rekeys, new).await.expect(409);
    let told = town.signatory.get("/v1/me/notices").await.expect(200);
    assert_eq!(told["items"][0]["kind"], "rekey_begun");
    let path = format!("/v1/rekeys/{rekey}");
    let standing = town.owner.get(&path).await.expect(200);
    let successor = standing["differs"][0]["new_differ_id"].as_str().unwrap().to_owned();

    let fit = |lock: &str, pack: &str, old: Vec<String>| {
        let body = json!({"lock_id": lock, "pack_number": pack, "fitted_by": town.counter_staff.id, "old_key_ids": old});
        let (owner, path) = (town.owner.clone(), format!("{path}/fittings"));
        async move { owner.post(path, body).await }
    };
    let first = fit(&town.locks[0], "N-1", vec![town.keys[0].clone()]).await.expect(200);
    assert_eq!((&first["rekey"]["state"], &first["dead_differ_ids"]), (&json!("under_way"), &json!([])));
    fit(&town.locks[0], "N-9", vec![]).await.expect(409);
    town.supplier.post(format!("{path}/stop"), json!({})).await.expect(409);
    let last = fit(&town.locks[1], "N-2", vec![]).await.expect(200);
    assert_eq!((&last["rekey"]["state"], &last["dead_differ_ids"]), (&json!("done"), &json!([town.differ])));
    let made = first["keys"].as_array().unwrap().len() + last["keys"].as_array().unwrap().len();
    assert_eq!(made, 2);

    the_old_differ_is_dead(&town, &lost).await;
    let new_key = first["keys"].as_array().unwrap().iter().chain(last["keys"].as_array().unwrap()).next();
    new_keys_go_out_against_old_ones(&town, new_key.unwrap()["id"].as_str().unwrap()).await;
    let standing = town.owner.get(&path).await.expect(200);
    let has = standing["holders"]
        .as_array()
        .unwrap()
        .iter()
        .find(|own| own["person_id"] == town.signatory.id)
        .unwrap();
    assert_eq!((&has["old_keys"], &has["new_keys"]), (&json!(0), &json!(1)));
    // The third is asked for like any other copy.
    let asked = town.ask(&town.owner, json!({"differ_id": successor})).await;
    assert_eq!(asked.outcome(), "permitted", "{}", asked.text);
    town.close().await;
}

#[tokio::test]
async fn whoever_a_court_bars_is_planned_no_new_key() {
    let town = Town::open().await;
    town.prepare_rekeys().await;
    town.tenants_key(json!({})).await;
    let at = format!("/v1/registrations/{}", town.registration);
    let planned = async || {
        let plan = json!({"differ_ids": [town.differ]});
        town.owner.post(format!("{at}/rekey-plans"), plan).await.expect(200)["differs"][0]["people"].clone()
    };
    assert_eq!(planned().await, json!([town.tenant.id]));
    let order = json!({"kind": "court_order", "court": "County Court at Tolverne", "ordered_on": "2026-10-30",
        "barred_person_id": town.tenant.id, "order_reference": "K01TV 206"});
    let hold = town.supplier.post(format!("{at}/holds"), order).await.id();
    assert_eq!(planned().await, json!([]));
    town.supplier.post(format!("/v1/holds/{hold}/lift"), json!({})).await.expect(200);
    assert_eq!(planned().await, json!([town.tenant.id]));
    town.close().await;
}

#[tokio::test]
async fn a_rekey_that_is_given_up_releases_its_differs() {
    let town = Town::open().await;
    town.prepare_rekeys().await;
    let rekeys = format!("/v1/registrations/{}/rekeys", town.registration);
    let new = json!({"differ_ids": [town.differ], "reason": "A tenant left."});
    let rekey = town.supplier.post(&rekeys, new.clone()).await.id();
    town.supplier.post(format!("/v1/rekeys/{rekey}/stop"), json!({})).await.expect(200);
    town.supplier.post(format!("/v1/rekeys/{rekey}/stop"), json!({})).await.expect(409);
    let differs =
        town.owner.get(format!("/v1/registrations/{}/differs", town.registration)).await.expect(200);
    let drawn = differs["items"].as_array().unwrap().iter().find(|differ| differ["id"] != json!(town.differ));
    assert_eq!(drawn.unwrap()["state"], "released");
    town.supplier.post(&rekeys, new).await.expect(201);
    town.close().await;
}

/// A suite's master is lost: the doors keep their own differs, and only the master's is replaced.
#[tokio::test]
async fn a_lost_master_is_replaced_under_every_door_and_their_own_keys_stay() {
    let town = Town::open().await;
    town.prepare_rekeys().await;
    let master = json!({"number": "M-1", "level": "suite"});
    let master =
        town.supplier.post(format!("/v1/registrations/{}/differs", town.registration), master).await.id();
    for lock in &town.locks {
        town.supplier
            .post(format!("/v1/locks/{lock}/answers"), json!({"differ_id": master}))
            .await
            .expect(201);
    }
    let new = json!({"differ_ids": [master], "reason": "The master is lost."});
    let rekey = town.supplier.post(format!("/v1/registrations/{}/rekeys", town.registration), new).await.id();
    for (at, lock) in town.locks.iter().enumerate() {
        let body = json!({"lock_id": lock, "pack_number": format!("M-{at}"), "fitted_by": town.owner.id});
        town.supplier.post(format!("/v1/rekeys/{rekey}/fittings"), body).await.expect(200);
    }
    assert_eq!(town.ask(&town.owner, json!({})).await.outcome(), "permitted");
    assert_eq!(town.ask(&town.owner, json!({"differ_id": master})).await.codes()[0], "differ_dead");
    town.close().await;
}

/// Rights for one differ go on to the one in its place; a hold for a loss is not lifted past its decision.
#[tokio::test]
async fn rights_follow_the_rekey_and_a_hold_waits_for_its_decision() {
    let town = Town::open().await;
    town.prepare_rekeys().await;
    let scoped = json!({"differ_ids": [town.differ], "occupier": true});
    town.grant(&town.registration, "keyholder", &town.stranger.id, scoped).await;
    let issue = json!({"person_id": town.stranger.id});
    town.supplier.post(format!("/v1/keys/{}/issue", town.keys[0]), issue.clone()).await.expect(200);
    let report = lose(&town.stranger, &town.keys[0], json!({})).await;
    let loss = report["loss"]["id"].as_str().unwrap().to_owned();
    let holds = town.owner.get(format!("/v1/registrations/{}/holds", town.registration)).await.expect(200);
    let hold = format!("/v1/holds/{}/lift", holds["items"][0]["id"].as_str().unwrap());
    assert_eq!(town.owner.post(&hold, json!({})).await.expect(409)["state"], "undecided");
    // Kept first, and then not: the hold stands again.
    town.keep_locks(&report).await;
    let rekey = json!({"decision": "rekey", "reason": "It was found by a stranger after all."});
    town.owner.post(format!("/v1/losses/{loss}/decision"), rekey).await.expect(200);
    assert!(town.ask(&town.owner, json!({})).await.codes().contains(&"registration_on_hold".to_owned()));
    let other = json!({"number": "Z-1", "level": "lock"});
    let other =
        town.supplier.post(format!("/v1/registrations/{}/differs", town.registration), other).await.id();
    town.supplier
        .post(format!("/v1/locks/{}/answers", town.locks[0]), json!({"differ_id": other}))
        .await
        .expect(201);
    let rekeys = format!("/v1/registrations/{}/rekeys", town.registration);
    let wrong = json!({"differ_ids": [other], "loss_id": loss, "reason": "x"});
    town.supplier.post(&rekeys, wrong).await.expect(422);
    let new = json!({"differ_ids": [town.differ], "loss_id": loss, "reason": "x"});
    let rekey = town.supplier.post(&rekeys, new).await.id();
    let mut made = vec![];
    for (at, lock) in town.locks.iter().enumerate() {
        let body = json!({"lock_id": lock, "pack_number": format!("N-{at}"), "fitted_by": town.owner.id});
        let fitted = town.supplier.post(format!("/v1/rekeys/{rekey}/fittings"), body).await.expect(200);
        made.extend(fitted["keys"].as_array().unwrap().clone());
    }
    if made.is_empty() {
        let differ =
            town.owner.get(format!("/v1/rekeys/{rekey}")).await.expect(200)["differs"][0]["new_differ_id"]
                .clone();
        let pack = json!({"differ_id": differ, "number": "EXTRA", "keys": 1});
        let pack =
            town.supplier.post(format!("/v1/registrations/{}/lever-packs", town.registration), pack).await;
        made.push(pack.expect(201)["keys"][0].clone());
    }
    let key = format!("/v1/keys/{}/issue", made[0]["id"].as_str().unwrap());
    town.owner.post(key, issue).await.expect(200);
    town.close().await;
}
