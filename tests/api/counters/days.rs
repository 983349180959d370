//! What else happens at a counter: cuts without a network, signatures, keys that nobody collects, and
//! what the supplier is told of.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::{Value, json};
use time::Duration;

use crate::harness::{PIN, Reply, Town, signature};

async fn bring_in(town: &Town, request: &str, quantity: u32) -> Reply {
    let id = town.app.outside.id(town.clock_now());
    let cut =
        json!({"id": id, "copy_request_id": request, "quantity": quantity, "cut_at": town.clock_text()});
    town.counter_staff.post(format!("/v1/counters/{}/offline-cuts", town.counter), cut).await
}

async fn flagged(town: &Town) -> Vec<Value> {
    let all = town.supplier.get("/v1/flagged-cuts").await.expect(200);
    let own =
        town.owner.get(format!("/v1/registrations/{}/flagged-cuts", town.registration)).await.expect(200);
    assert_eq!(all, own);
    all["items"].as_array().unwrap().clone()
}

#[tokio::test]
async fn a_cut_without_a_network_that_is_still_right_is_like_any_other() {
    let town = Town::open().await;
    let id = town.authorised(json!({"quantity": 2})).await;
    let brought = bring_in(&town, &id, 1).await;
    assert_eq!((brought.outcome(), &brought.body["flagged"]), ("permitted", &json!(false)));
    assert_eq!(brought.body["keys"][0]["copy_number"], 3);
    assert_eq!(brought.body["copy_request"]["cut_count"], 1);
    assert_eq!(town.hand_over(&id, 1, json!({})).await.outcome(), "permitted");
    assert!(flagged(&town).await.is_empty());
    let future = json!({"id": id, "copy_request_id": id, "quantity": 1, "cut_at": "2026-11-02T12:00:00Z"});
    let path = format!("/v1/counters/{}/offline-cuts", town.counter);
    let future = town.counter_staff.post(&path, future).await;
    assert_eq!(future.body["errors"][0]["pointer"], "/cut_at");
    let elsewhere = json!({"id": id, "copy_request_id": id, "quantity": 1, "cut_at": town.clock_text()});
    let path = format!("/v1/counters/{}/offline-cuts", town.other_counter);
    town.other_counter_staff.post(path, elsewhere).await.expect(404);
    town.close().await;
}

#[tokio::test]
async fn a_cut_that_is_no_longer_right_is_a_fact_flagged_and_told() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.supplier
        .post(format!("/v1/authorities/{}/revocation", town.authority["tenant"]), json!({}))
        .await
        .expect(200);
    let brought = bring_in(&town, &id, 1).await;
    assert_eq!((brought.status.as_u16(), brought.outcome()), (201, "refused"));
    assert!(brought.codes().contains(&"asker_without_authority".to_owned()), "{:?}", brought.codes());
    assert!(brought.codes().contains(&"no_authorisation".to_owned()));
    assert_eq!(
        (&brought.body["flagged"], &brought.body["copy_request"]["state"]),
        (&json!(true), &json!("stopped"))
    );
    let told = flagged(&town).await;
    assert_eq!((told.len(), &told[0]["beyond"], &told[0]["copy_request_id"]), (1, &json!(0), &json!(id)));
    assert_eq!(told[0]["entry_id"], brought.body["entry_id"]);
    // The key exists and is accounted for; nobody is handed it.
    assert_eq!(
        town.count("SELECT count(*) FROM keys WHERE state = 'in_store' AND cut_id IS NOT NULL").await,
        1
    );
    town.hand_over(&id, 1, json!({})).await.expect(409);
    // The receipt of that decision is there as of any other.
    while town.sequencer.round().await.unwrap() > 0 {}
    let entry = brought.body["entry_id"].as_str().unwrap();
    assert_eq!(town.owner.get(format!("/v1/log-entries/{entry}/receipt")).await.status, 200);
    town.close().await;
}

async fn claims(town: &Town) -> Vec<Value> {
    let all = town.supplier.get("/v1/cut-claims").await.expect(200);
    let path = format!("/v1/registrations/{}/cut-claims", town.registration);
    assert_eq!(all, town.owner.get(path).await.expect(200));
    all["items"].as_array().unwrap().clone()
}

/// One call of a counter puts 999 keys into existence for a spent request, and the owner's cap stands against the owner.
#[tokio::test]
async fn a_counter_puts_no_keys_into_existence_that_nobody_authorised() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.cut(&id, 1).await;
    let keys = "SELECT count(*) FROM keys";
    let before = town.count(keys).await;
    let brought = bring_in(&town, &id, 999).await;
    assert_eq!((brought.outcome(), &brought.body["flagged"]), ("refused", &json!(true)));
    assert_eq!((&brought.body["keys"], &brought.body["claimed"]), (&json!([]), &json!(999)));
    assert_eq!(town.count(keys).await, before);
    assert!(flagged(&town).await.is_empty());
    let told = claims(&town).await;
    assert_eq!((told.len(), &told[0]["quantity"], &told[0]["settled_at"]), (1, &json!(999), &Value::Null));
    // The owner asks on as if nothing were.
    assert_eq!(town.ask(&town.owner, json!({})).await.outcome(), "permitted");
    let claim = |what: &str| format!("/v1/cut-claims/{}/{what}", told[0]["id"].as_str().unwrap());
    town.owner.post(claim("acceptance"), json!({})).await.expect(403);
    town.counter_staff.post(claim("acceptance"), json!({})).await.expect(403);
    // At most what the blanks allow; and undone as one.
    town.supplier.post(claim("acceptance"), json!({})).await.expect(409);
    town.supplier.post(claim("dismissal"), json!({})).await.expect(200);
    town.supplier.post(claim("dismissal"), json!({})).await.expect(409);
    assert_eq!(town.count(keys).await, before);
    // One that the blanks allow, and that the register has looked at.
    bring_in(&town, &id, 2).await;
    let told = claims(&town).await;
    let open = told.iter().find(|one| one["settled_at"].is_null()).unwrap();
    let path = format!("/v1/cut-claims/{}/acceptance", open["id"].as_str().unwrap());
    assert_eq!(town.supplier.post(path, json!({})).await.expect(200)["accepted"], true);
    assert_eq!(town.count(keys).await, before + 2);
    assert_eq!(flagged(&town).await[0]["beyond"], 2);
    town.close().await;
}

#[tokio::test]
async fn more_than_there_were_blanks_is_not_dropped() {
    let town = Town::open().await;
    let id = town.authorised(json!({"quantity": 3})).await;
    let back = json!({"section_id": town.section, "quantity": 39});
    town.counter_staff.post(format!("/v1/counters/{}/blank-returns", town.counter), back).await.expect(201);
    let brought = bring_in(&town, &id, 3).await;
    assert_eq!(brought.codes(), ["blanks_short"]);
    assert_eq!((brought.body["keys"].as_array().unwrap().len(), &brought.body["claimed"]), (3, &json!(0)));
    assert_eq!(brought.body["copy_request"]["cut_count"], 3);
    assert_eq!(flagged(&town).await[0]["beyond"], 0);
    let path = format!("/v1/counters/{}/blank-differences?open=true", town.counter);
    let open = town.supplier.get(path).await.expect(200);
    assert_eq!((&open["items"][0]["quantity"], open["items"][0]["cut_id"].is_string()), (&json!(2), true));
    // The same cut sent again, as by a counter whose network broke off, is recorded once.
    let cut = json!({"id": id, "copy_request_id": id, "quantity": 1, "cut_at": town.clock_text()});
    let path = format!("/v1/counters/{}/offline-cuts", town.counter);
    let first = town.counter_staff.post_keyed(&path, "offline-1", cut.clone()).await;
    let again = town.counter_staff.post_keyed(&path, "offline-1", cut.clone()).await;
    assert_eq!((first.status.as_u16(), first.text == again.text), (201, true));
    // Weeks later, when no answer is kept any more, or by another program: the same cut all the same.
    town.pass(Duration::days(20));
    let witness = town.member("Second At Counter", &town.dealer).await;
    let later = witness.post(&path, cut.clone()).await;
    for field in ["decision", "decision_id", "entry_id", "keys", "flagged", "claimed"] {
        assert_eq!(later.body[field], first.body[field], "{field}");
    }
    let mut other = cut;
    other["copy_request_id"] = json!(town.authorised(json!({})).await);
    town.counter_staff.post(&path, other).await.expect(409);
    assert_eq!(
        town.count("SELECT (SELECT count(*) FROM offline_cuts) + (SELECT count(*) FROM cut_claims)").await,
        2
    );
    town.close().await;
}

#[tokio::test]
async fn a_cut_before_it_was_authorised_and_one_for_a_dead_differ_are_flagged() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    let early = json!({"id": id, "copy_request_id": id, "quantity": 1, "cut_at": "2026-11-01T12:00:00Z"});
    let path = format!("/v1/counters/{}/offline-cuts", town.counter);
    let early = town.counter_staff.post(&path, early).await;
    assert_eq!((early.codes(), &early.body["flagged"]), (vec!["no_authorisation".to_owned()], &json!(true)));
    let id = town.authorised(json!({})).await;
    for lock in &town.locks {
        let path = format!("/v1/locks/{lock}/answers/end");
        town.supplier.post(path, json!({"differ_id": town.differ})).await.expect(200);
    }
    let dead = bring_in(&town, &id, 1).await;
    assert_eq!(dead.body["keys"][0]["state"], "dead", "{}", dead.text);
    town.close().await;
}

#[tokio::test]
async fn a_worn_key_that_went_another_way_is_not_destroyed_by_a_flagged_cut() {
    let town = Town::open().await;
    town.set_rules(json!({"limits": [], "transfer": "by_form"})).await;
    let old = town.tenants_key(json!({})).await;
    let id = town.authorised(json!({"purpose": "replace_worn", "replaces_key_id": old})).await;
    let passed = json!({"person_id": town.signatory.id});
    town.owner.post(format!("/v1/keys/{old}/transfer"), passed).await.expect(200);
    let cut = json!({"id": id, "copy_request_id": id, "quantity": 1, "cut_at": town.clock_text(), "old_key_handed_in": true});
    let cut = town.counter_staff.post(format!("/v1/counters/{}/offline-cuts", town.counter), cut).await;
    assert_eq!(cut.body["flagged"], true);
    assert_eq!(town.supplier.get(format!("/v1/keys/{old}")).await.expect(200)["state"], "with_person");
    town.close().await;
}

#[tokio::test]
async fn a_cut_that_is_brought_in_and_one_that_is_made_share_what_is_left() {
    let town = Town::open().await;
    let id = town.authorised(json!({"quantity": 2})).await;
    let mut tries = vec![];
    for at in 0..4 {
        let (staff, id, now) = (town.counter_staff.clone(), id.clone(), town.clock_text());
        let (chosen, counter) = (town.app.outside.id(town.clock_now()), town.counter.clone());
        tries.push(tokio::spawn(async move {
            if at % 2 == 0 {
                let cut = json!({"id": chosen, "copy_request_id": id, "quantity": 1, "cut_at": now});
                staff.post(format!("/v1/counters/{counter}/offline-cuts"), cut).await
            } else {
                staff.post(format!("/v1/copy-requests/{id}/cuts"), json!({"quantity": 1})).await
            }
        }));
    }
    let mut permitted = 0;
    for tried in tries {
        permitted += u32::from(tried.await.unwrap().outcome() == "permitted");
    }
    assert_eq!(permitted, 2);
    // What the cuts without a network made beyond that is flagged; `close` adds it all up.
    let beyond = "SELECT coalesce(sum(beyond), 0)::bigint FROM offline_cuts";
    let made = town.count("SELECT sum(quantity) FROM cuts").await;
    assert_eq!(made, 2 + town.count(beyond).await);
    town.close().await;
}

#[tokio::test]
async fn a_bundle_holds_what_may_be_cut_now_and_no_person() {
    let town = Town::open().await;
    let id = town.authorised(json!({"quantity": 2})).await;
    town.ask(&town.tenant, json!({})).await;
    let path = format!("/v1/counters/{}/offline-authorisations", town.counter);
    let taken = town.counter_staff.get(&path).await;
    assert_eq!(
        (taken.status.as_u16(), taken.headers["content-type"].to_str().unwrap()),
        (200, "application/jwt")
    );
    let counter = domain::ids::CounterId(town.counter.parse().unwrap());
    let now = town.app.outside.clock.now();
    let keys = &town.app.cards.keys;
    let bundle = crypto::tokens::bundle::Bundle::verify(keys, &taken.text, counter, now).unwrap();
    assert_eq!(bundle.authorised.len(), 1);
    assert_eq!((bundle.authorised[0].copy_request.to_string(), bundle.authorised[0].left), (id, 2));
    assert_eq!(bundle.authorised[0].cards[0].as_str(), town.card.1.replace('-', ""));
    let clear = serde_json::to_string(&bundle).unwrap();
    assert!(!clear.contains("Tenant") && !clear.contains("Alder"), "{clear}");
    // What is on hold, and what asks for a PIN before it is cut, is not for a counter without a network.
    let hold = json!({"kind": "dispute"});
    let holds = format!("/v1/registrations/{}/holds", town.registration);
    let hold = town.owner.post(&holds, hold).await.id();
    let left = |text: &str| {
        crypto::tokens::bundle::Bundle::verify(keys, text, counter, now).unwrap().authorised.len()
    };
    assert_eq!(left(&town.counter_staff.get(&path).await.text), 0);
    town.owner.post(format!("/v1/holds/{hold}/lift"), json!({})).await.expect(200);
    assert_eq!(left(&town.counter_staff.get(&path).await.text), 1);
    town.set_rules(json!({"at_cut": {"card": true, "pin": true, "document": false}})).await;
    assert_eq!(left(&town.counter_staff.get(&path).await.text), 0);
    town.close().await;
}

#[tokio::test]
async fn keys_are_signed_for_and_the_entry_commits_to_the_signature() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.cut(&id, 1).await;
    let drawn = signature();
    let before = town.authorised(json!({})).await;
    town.cut(&before, 1).await;
    let earlier = town.hand_over(&before, 1, json!({"signature": drawn})).await;
    assert_eq!(earlier.outcome(), "permitted");
    let replayed = town.hand_over(&id, 1, json!({"signature": drawn})).await;
    assert_eq!(replayed.body["errors"][0]["pointer"], "/signature");
    let drawn = signature();
    assert_eq!(town.hand_over(&id, 1, json!({"signature": null})).await.codes(), ["signature_not_given"]);
    let dot = town.hand_over(&id, 1, json!({"signature": [[[1, 1, 1]]]})).await;
    assert_eq!(dot.body["errors"][0]["pointer"], "/signature");
    let handed = town.hand_over(&id, 1, json!({"signature": drawn})).await;
    assert_eq!(handed.outcome(), "permitted", "{}", handed.text);
    let seen = town.counter_staff.get(format!("/v1/copy-requests/{id}/signatures")).await.expect(200);
    assert_eq!(seen["items"][0]["strokes"], Value::Null);
    let kept = town.owner.get(format!("/v1/copy-requests/{id}/signatures")).await.expect(200);
    let kept = &kept["items"][0];
    assert_eq!(serde_json::from_str::<Value>(kept["strokes"].as_str().unwrap()).unwrap(), drawn);
    let entry = handed.body["entry_id"].as_str().unwrap();
    let shown = town.owner.get(format!("/v1/log-entries/{entry}/disclosures")).await.expect(200);
    let mut shown = shown["items"].as_array().unwrap().iter();
    let shown = shown.find(|shown| shown["name"] == "signature").unwrap()["disclosure"].as_str().unwrap();
    let shown: Value = serde_json::from_slice(&URL_SAFE_NO_PAD.decode(shown).unwrap()).unwrap();
    assert_eq!(shown[2], kept["hash"]);
    // Erasing whoever signed takes the strokes away, and leaves the log.
    town.supplier
        .post(format!("/v1/authorities/{}/revocation", town.authority["tenant"]), json!({}))
        .await
        .expect(200);
    for reply in [&handed, &earlier] {
        let key = reply.body["keys"][0]["id"].as_str().unwrap();
        town.owner.post(format!("/v1/keys/{key}/return"), json!({})).await.expect(200);
    }
    town.supplier
        .post(format!("/v1/people/{}/erasure", town.tenant.id), json!({"under": "x"}))
        .await
        .expect(200);
    assert_eq!(town.count("SELECT count(*) FROM signatures").await, 0);
    let left = "SELECT count(*) FROM disclosures WHERE name IN ('signature', 'document')";
    // The refused attempts to hand over are no hand-overs of anybody: what they show was seen of nobody.
    assert_eq!(town.count(left).await, 2);
    while town.sequencer.round().await.unwrap() > 0 {}
    town.check_log().await;
}

#[tokio::test]
async fn keys_that_nobody_collects_are_destroyed_before_a_witness() {
    let town = Town::open().await;
    let id = town.authorised(json!({"quantity": 2})).await;
    town.cut(&id, 2).await;
    town.hand_over(&id, 1, json!({})).await;
    let witness = town.member("Second At Counter", &town.dealer).await;
    let path = format!("/v1/copy-requests/{id}/destructions");
    town.counter_staff.post(&path, json!({})).await.expect(409);
    town.pass(Duration::days(31));
    application::tasks::round(&town.app).await.unwrap();
    let list = format!("/v1/counters/{}/uncollected-keys", town.counter);
    assert_eq!(town.counter_staff.get(&list).await.expect(200)["items"].as_array().unwrap().len(), 1);
    let announced = town.counter_staff.post(&path, json!({})).await.id();
    town.counter_staff.post(&path, json!({})).await.expect(409);
    assert_eq!(town.counter_staff.get(&list).await.expect(200)["items"].as_array().unwrap().len(), 1);
    let confirmation = format!("/v1/destructions/{announced}/confirmation");
    town.counter_staff.post(&confirmation, json!({})).await.expect(403);
    for stranger in [&town.other_counter_staff, &town.tenant, &town.supplier] {
        stranger.post(&confirmation, json!({})).await.expect(404);
    }
    let gone = witness.post(&confirmation, json!({})).await.expect(200);
    witness.post(&confirmation, json!({})).await.expect(409);
    assert_eq!(gone["items"][0]["state"], "destroyed");
    assert_eq!(town.counter_staff.get(&list).await.expect(200)["items"], json!([]));
    town.counter_staff.post(&path, json!({})).await.expect(409);
    town.close().await;
}

async fn signals(town: &Town) -> Vec<(String, i64)> {
    let found = town.supplier.get("/v1/signals").await.expect(200);
    let signal = |signal: &Value| {
        assert!(signal["explanation"].as_str().unwrap().len() > 20);
        (signal["rule"].as_str().unwrap().to_owned(), signal["found"].as_i64().unwrap())
    };
    found["items"].as_array().unwrap().iter().map(signal).collect()
}

#[tokio::test]
async fn what_is_out_of_pattern_is_signalled_with_its_rule_and_what_is_not_is_not() {
    let town = Town::open().await;
    assert_eq!(signals(&town).await, []);
    let at = |what: &str| format!("/v1/counters/{}/{what}", town.counter);
    let staff = &town.counter_staff;
    for _ in 0..4 {
        staff.post(at("card-checks"), json!({"card_number": "1234-5678-9012-44"})).await.expect(200);
    }
    assert_eq!(signals(&town).await, []);
    staff.post(at("card-checks"), json!({"card_number": town.card.1, "pin": "0001"})).await.expect(200);
    let mut expected = vec![("refused_cards".to_owned(), 5)];
    assert_eq!(signals(&town).await, expected);
    // A good check is none.
    staff.post(at("card-checks"), json!({"card_number": town.card.1, "pin": PIN})).await.expect(200);
    assert_eq!(signals(&town).await, expected);
    staff.post(at("spoiled-blanks"), json!({"section_id": town.section, "quantity": 5})).await.expect(201);
    expected.push(("spoiled_blanks".to_owned(), 5));
    assert_eq!(signals(&town).await, expected);
    // On Monday 2 November 2026 at 09:00 UTC it is 09:00 in London, and 18:00 in Tokyo.
    town.set_rules(json!({"limits": []})).await;
    let id = town.authorised(json!({"quantity": 3})).await;
    for _ in 0..3 {
        assert_eq!(town.cut(&id, 1).await.outcome(), "permitted");
    }
    let hours = |zone: &str| json!({"time_zone": zone, "hours": [{"weekday": 1, "opens": "08:30", "closes": "17:30"}]});
    town.supplier.post(at("opening-hours"), hours("Europe/London")).await.expect(200);
    assert_eq!(signals(&town).await, expected);
    town.supplier.post(at("opening-hours"), hours("Asia/Tokyo")).await.expect(200);
    expected.push(("cuts_outside_hours".to_owned(), 3));
    assert_eq!(signals(&town).await, expected);
    for wrong in [
        json!({"time_zone": "Mars/Olympus", "hours": []}),
        json!({"time_zone": "UTC", "hours": [{"weekday": 8, "opens": "08:30", "closes": "17:30"}]}),
        json!({"time_zone": "UTC", "hours": [{"weekday": 1, "opens": "18:30", "closes": "17:30"}]}),
        json!({"time_zone": "UTC", "hours": [{"weekday": 1, "opens": "08:30", "closes": "17:30"},
            {"weekday": 1, "opens": "17:00", "closes": "18:00"}]}),
    ] {
        town.supplier.post(at("opening-hours"), wrong).await.expect(422);
    }
    // Days later nobody has witnessed, explained or collected; the refused checks are old.
    let count = json!({"section_id": town.section, "counted": 1});
    staff.post(at("blank-counts"), count).await.expect(201);
    town.owner.post(format!("/v1/copy-requests/{id}/withdrawal"), json!({})).await.expect(200);
    town.pass(Duration::days(15));
    let later: Vec<String> = signals(&town).await.into_iter().map(|(rule, _)| rule).collect();
    assert_eq!(
        later,
        [
            "spoiled_blanks",
            "spoils_without_witness",
            "open_differences",
            "cuts_outside_hours",
            "uncollected_keys"
        ]
    );
    town.close().await;
}

#[tokio::test]
async fn one_holder_at_many_counters_and_flagged_cuts_are_signalled() {
    let town = Town::open().await;
    town.set_rules(json!({"limits": []})).await;
    let counter = json!({"dealer_id": town.dealer, "name": "Quay"});
    let third = town.supplier.post("/v1/counters", counter).await.id();
    for (at, counter) in [&town.counter, &town.other_counter, &third].into_iter().enumerate() {
        assert_eq!(signals(&town).await, [], "{at}");
        town.ask(&town.tenant, json!({"counter_id": counter})).await.expect(201);
    }
    assert_eq!(signals(&town).await, [("holder_at_many_counters".to_owned(), 3)]);
    let id = town.authorised(json!({})).await;
    bring_in(&town, &id, 2).await.expect(201);
    let found: Vec<String> = signals(&town).await.into_iter().map(|(rule, _)| rule).collect();
    assert_eq!(found, ["flagged_cuts", "holder_at_many_counters"]);
    town.close().await;
}
