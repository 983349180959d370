//! Owner's cards: tokens, status lists, PINs, and the check at a counter.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::{Value, json};
use time::Duration;

use crate::harness::{ISSUER, PIN, Reply, Town};
use crypto::tokens::status_list::StatusList;
use domain::cards::CardState;

async fn token(town: &Town, card: &str) -> String {
    let answer = town.supplier.get(format!("/v1/cards/{card}/token")).await.expect(200);
    answer["token"].as_str().unwrap().to_owned()
}

async fn check(town: &Town, body: Value) -> Reply {
    town.counter_staff.post(format!("/v1/counters/{}/card-checks", town.counter), body).await
}

fn code(reply: &Reply) -> &str {
    assert_eq!(reply.status, 200, "{}", reply.text);
    reply.body["refused"]["code"].as_str().unwrap_or("none")
}

/// What the published list says of a card.
async fn listed(town: &Town, card: &str) -> CardState {
    let card = town.supplier.get(format!("/v1/cards/{card}")).await.expect(200);
    let (list, index) = (card["status_list"].as_i64().unwrap(), card["status_index"].as_u64().unwrap());
    let served = town.anon.get(format!("/status-lists/{list}")).await;
    assert_eq!(served.headers["content-type"], "application/statuslist+jwt");
    let uri = format!("{ISSUER}/status-lists/{list}");
    let now = town.app.outside.clock.now();
    let list = StatusList::verify(&town.app.cards.keys, &served.text, &uri, now).unwrap();
    list.state(u32::try_from(index).unwrap()).unwrap()
}

#[tokio::test]
async fn a_check_says_whose_card_it_is_what_may_be_ordered_and_what_is_still_to_do() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.cut(&id, 1).await;
    for body in [json!({"token": token(&town, &town.card.0).await}), json!({"card_number": town.card.1})] {
        let found = check(&town, body).await;
        assert_eq!(code(&found), "none");
        assert_eq!((&found.body["checked"], &found.body["pin"]), (&json!("online"), &json!("not_given")));
        assert_eq!(found.body["holder"]["name"], "Tenant");
        assert_eq!(found.body["holder"]["classes"], json!(["keyholder"]));
        let may = &found.body["may_order"][0];
        assert_eq!((&may["differ"], &may["decision"]["outcome"]), (&json!("A-1"), &json!("needs_approval")));
        let waiting = &found.body["waiting"][0];
        assert_eq!((&waiting["next"], &waiting["otherwise_permitted"]), (&json!("hand_over"), &json!(true)));
        assert_eq!(
            waiting["still_to_do"],
            json!(["pin_not_given", "document_not_seen", "signature_not_given"])
        );
        assert!(!found.text.contains("3 Alder Rise"), "{}", found.text);
    }
    let full =
        check(&town, json!({"card_number": town.card.1, "pin": PIN, "document_seen": "passport"})).await;
    assert_eq!(full.body["pin"], "right");
    assert_eq!(full.body["waiting"][0]["still_to_do"], json!(["signature_not_given"]));
    assert_eq!(town.count("SELECT count(*) FROM card_refusals").await, 0);
    town.close().await;
}

/// The facts of all differs and requests are read at once: none may get those of another.
#[tokio::test]
async fn a_check_decides_on_each_differ_and_request_as_if_it_were_alone() {
    let town = Town::open().await;
    let at = format!("/v1/registrations/{}", town.registration);
    let old = town.tenants_key(json!({})).await;
    let first = town.authorised(json!({})).await;
    let worn = town.authorised(json!({"purpose": "replace_worn", "replaces_key_id": old})).await;
    let second = town.ask(&town.tenant, json!({"due_back_on": "2026-11-05"})).await.request_id();
    let differ = |number: &str| json!({"number": number, "level": "lock"});
    town.supplier.post(format!("{at}/differs"), differ("A-2")).await.expect(201);
    let lost = town.supplier.post(format!("{at}/differs"), differ("A-3")).await.id();
    let answers = json!({"differ_id": lost});
    town.supplier.post(format!("/v1/locks/{}/answers", town.locks[0]), answers).await.expect(201);
    let pack = json!({"differ_id": lost, "number": "LP-3"});
    let pack = town.supplier.post(format!("{at}/lever-packs"), pack).await.expect(201);
    let key = pack["keys"][0]["id"].as_str().unwrap();
    let person = json!({"person_id": town.tenant.id});
    town.supplier.post(format!("/v1/keys/{key}/issue"), person).await.expect(200);
    let replacement = json!({"differ_id": lost, "purpose": "replace_lost", "replaces_key_id": key});
    town.tenant.post(format!("/v1/keys/{key}/loss"), json!({"kind": "lost"})).await.expect(201);
    let asked = town.ask(&town.tenant, replacement.clone()).await;
    assert_eq!(asked.outcome(), "refused", "{}", asked.text);
    let check = check(&town, json!({"card_number": town.card.1})).await.expect(200);
    let may_order = check["may_order"].as_array().unwrap();
    assert_eq!(may_order.len(), 3);
    let mut decisions = vec![];
    for found in may_order {
        let ask = json!({"differ_id": found["differ_id"], "counter_id": town.counter});
        let alone = town.tenant.post(format!("{at}/copy-requests/dry-run"), ask).await.expect(200);
        assert_eq!(found["decision"], alone, "{}", found["differ"]);
        assert!(!decisions.contains(&alone), "{alone}");
        decisions.push(alone);
    }
    let waiting = check["waiting"].as_array().unwrap();
    let next = |id: &str| waiting.iter().find(|found| found["copy_request"]["id"] == id).unwrap();
    assert_eq!(waiting.len(), 3);
    for (id, step) in [(&first, "cut"), (&worn, "cut"), (&second, "approve")] {
        assert_eq!(next(id)["next"], step);
    }
    let surrender = |id: &str| next(id)["decision"].to_string().contains("worn_key_not_surrendered");
    assert_eq!((surrender(&first), surrender(&worn), surrender(&second)), (false, true, false));
    town.close().await;
}

#[tokio::test]
async fn what_is_not_a_good_card_is_refused_each_with_its_own_code() {
    let town = Town::open().await;
    let good = token(&town, &town.card.0).await;
    let [head, body, signature] = good.split('.').collect::<Vec<_>>()[..] else { panic!() };
    let header = |alg: &str, typ: &str, kid: &Value| {
        URL_SAFE_NO_PAD.encode(json!({"alg": alg, "typ": typ, "kid": kid}).to_string())
    };
    let kid: Value =
        serde_json::from_slice::<Value>(&URL_SAFE_NO_PAD.decode(head).unwrap()).unwrap()["kid"].clone();
    let access = town.tenant.token.clone();
    for (token, expected) in [
        ("hello".to_owned(), "token_malformed"),
        (
            format!("{}.{body}.{signature}", header("HS256", "wardbook-card+jwt", &kid)),
            "token_other_algorithm",
        ),
        (format!("{}.{body}.", header("none", "wardbook-card+jwt", &kid)), "token_other_algorithm"),
        (access, "token_other_type"),
        (
            format!("{}.{body}.{signature}", header("EdDSA", "wardbook-card+jwt", &json!("x"))),
            "token_unknown_key",
        ),
        (format!("{head}.{}.{signature}", body.replace('a', "b")), "token_forged"),
    ] {
        assert_eq!(code(&check(&town, json!({"token": token})).await), expected);
    }
    assert_eq!(code(&check(&town, json!({"card_number": "1234-5678-9012-44"})).await), "card_unknown");
    // A slip in typing is told from an unknown card.
    let slip = check(&town, json!({"card_number": "1234-5678-9021-44"})).await;
    assert_eq!(slip.status, 422);
    assert_eq!(slip.body["errors"][0]["pointer"], "/card_number");
    check(&town, json!({})).await.expect(422);
    check(&town, json!({"token": good, "card_number": town.card.1})).await.expect(422);
    let elsewhere = format!("/v1/counters/{}/card-checks", town.counter);
    town.other_counter_staff.post(elsewhere, json!({"card_number": town.card.1})).await.expect(404);
    let set = |state: &str| json!({"state": state});
    let path = format!("/v1/cards/{}/state", town.card.0);
    town.owner.post(&path, set("suspended")).await.expect(200);
    let refused = check(&town, json!({"token": good})).await;
    assert_eq!((code(&refused), &refused.body["card"]["state"]), ("card_suspended", &json!("suspended")));
    assert_eq!((refused.body["holder"].is_null(), refused.text.contains("Tenant")), (true, false));
    town.owner.post(&path, set("revoked")).await.expect(200);
    assert_eq!(code(&check(&town, json!({"token": good})).await), "card_revoked");
    let kept = town.count("SELECT count(*) FROM card_refusals").await;
    assert_eq!(kept, 9);
    town.close().await;
}

#[tokio::test]
async fn a_card_expires_and_one_whose_holder_has_no_right_any_more_is_none() {
    let town = Town::open().await;
    let good = token(&town, &town.card.0).await;
    let revocation = format!("/v1/authorities/{}/revocation", town.authority["signatory"]);
    let signatory = town.card_for(&town.signatory).await;
    town.supplier.post(&revocation, json!({})).await.expect(200);
    assert_eq!(code(&check(&town, json!({"card_number": signatory.1})).await), "card_revoked");
    town.supplier
        .post(format!("/v1/appointments/{}/revocation", town.appointment), json!({}))
        .await
        .expect(200);
    let elsewhere = check(&town, json!({"token": good})).await;
    assert_eq!((code(&elsewhere), elsewhere.body["card"].is_null()), ("counter_not_appointed", true));
    // A number alone is as good as unknown there, and no PIN is tried.
    for _ in 0..4 {
        let typed = check(&town, json!({"card_number": town.card.1, "pin": "0001"})).await;
        assert_eq!((code(&typed), typed.body["card"].is_null()), ("card_unknown", true));
        assert_eq!(typed.body["pin"], "wrong");
    }
    assert_eq!(town.count("SELECT sum(pin_failures) FROM cards").await, 0);
    town.pass(Duration::days(800));
    assert_eq!(code(&check(&town, json!({"token": good})).await), "token_expired");
    // What has expired makes room for a new card, and is not printed.
    town.supplier.get(format!("/v1/cards/{}/card.pdf", town.card.0)).await.expect(409);
    let path = format!("/v1/registrations/{}/cards", town.registration);
    town.supplier.post(&path, json!({"person_id": town.tenant.id})).await.expect(201);
    town.supplier.post(&path, json!({"person_id": town.tenant.id})).await.expect(409);
    town.close().await;
}

#[tokio::test]
async fn the_status_list_tells_of_a_change_within_seconds_and_carries_a_checkpoint() {
    let town = Town::open().await;
    let (card, _) = &town.card;
    assert_eq!(listed(&town, card).await, CardState::Valid);
    for (state, expected) in
        [("suspended", CardState::Suspended), ("valid", CardState::Valid), ("revoked", CardState::Revoked)]
    {
        town.owner.post(format!("/v1/cards/{card}/state"), json!({"state": state})).await.expect(200);
        town.pass(Duration::seconds(2));
        assert_eq!(listed(&town, card).await, expected);
    }
    while town.sequencer.round().await.unwrap() > 0 {}
    town.pass(Duration::seconds(2));
    let served = town.anon.get("/status-lists/1").await;
    let claims = served.text.split('.').nth(1).unwrap();
    let claims: Value = serde_json::from_slice(&URL_SAFE_NO_PAD.decode(claims).unwrap()).unwrap();
    let note = claims["log_checkpoint"].as_str().unwrap();
    assert_eq!(note, town.anon.get("/log/checkpoint").await.text);
    town.policy().verify(note).unwrap();
    assert_eq!(claims["ttl"], 60);
    assert_eq!(served.headers["cache-control"], "public, max-age=60");
    let tag = served.headers["etag"].to_str().unwrap();
    let again = town.anon.call("GET", "/status-lists/1", &[("if-none-match", tag)], vec![]).await;
    assert_eq!((again.status.as_u16(), again.text.len()), (304, 0));
    let lists = town.anon.get("/status-lists").await.expect(200);
    assert_eq!(lists["status_lists"], json!([format!("{ISSUER}/status-lists/1")]));
    for missing in ["/status-lists/2", "/status-lists/01", "/status-lists/-1", "/status-lists/x"] {
        town.anon.get(missing).await.expect(404);
    }
    town.close().await;
}

#[tokio::test]
async fn places_are_never_used_again_and_another_list_is_opened_when_one_is_half_used() {
    let town = Town::open().await;
    // A small list, of which one place was used.
    sqlx::query("INSERT INTO status_lists (number, size, used) VALUES (2, 8, 0)")
        .execute(&town.admin)
        .await
        .unwrap();
    let mut card = town.card.0.clone();
    for _ in 0..10 {
        let new = town.supplier.post(format!("/v1/cards/{card}/replacement"), json!({})).await.expect(201);
        assert_eq!(new["replaces_id"], card);
        card = new["id"].as_str().unwrap().to_owned();
        assert_eq!(listed(&town, &card).await, CardState::Valid);
    }
    let lists = town.anon.get("/status-lists").await.expect(200);
    assert_eq!(lists["status_lists"].as_array().unwrap().len(), 4);
    let places = "SELECT count(DISTINCT (status_list, status_index)) FROM cards";
    assert_eq!(town.count(places).await, 11);
    assert_eq!(listed(&town, &town.card.0).await, CardState::Revoked);
    town.owner.post(format!("/v1/cards/{}/replacement", town.card.0), json!({})).await.expect(409);
    town.close().await;
}

#[tokio::test]
async fn many_cards_at_once_each_have_a_place_of_their_own_where_a_list_ends() {
    let town = Town::open().await;
    sqlx::query("INSERT INTO status_lists (number, size, used) VALUES (2, 4, 0)")
        .execute(&town.admin)
        .await
        .unwrap();
    let mut tries = vec![];
    for at in 0..8 {
        let (registration, ..) = town.premises(&format!("{at} Elm Rise"), &format!("E-{at}")).await;
        town.grant(&registration, "keyholder", &town.tenant.id, json!({})).await;
        let (supplier, tenant) = (town.supplier.clone(), town.tenant.id.clone());
        tries.push(tokio::spawn(async move {
            supplier
                .post(format!("/v1/registrations/{registration}/cards"), json!({"person_id": tenant}))
                .await
                .status
        }));
    }
    for tried in tries {
        assert_eq!(tried.await.unwrap(), 201);
    }
    let beyond = "SELECT count(*) FROM status_lists WHERE used > size / 2 AND number > 1";
    assert_eq!(town.count(beyond).await, 0);
    assert_eq!(town.count("SELECT count(*) FROM status_lists").await, 5);
    town.close().await;
}

#[tokio::test]
async fn the_cards_of_a_registration_end_with_it() {
    let town = Town::open().await;
    town.supplier.post(format!("/v1/registrations/{}/end", town.registration), json!({})).await.expect(200);
    assert_eq!(listed(&town, &town.card.0).await, CardState::Revoked);
    town.supplier.post(format!("/v1/cards/{}/replacement", town.card.0), json!({})).await.expect(409);
    town.close().await;
}

#[tokio::test]
async fn somebody_with_a_mandate_collects_without_a_card_of_their_own() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.cut(&id, 1).await;
    let without = json!({"collected_by_id": town.stranger.id, "card_number": null, "pin": null});
    let refused = town.hand_over(&id, 1, without.clone()).await;
    assert_eq!(refused.codes(), ["card_not_shown", "pin_not_given", "collector_not_named"]);
    let mandate = json!({"recipient_id": town.tenant.id, "collector_id": town.stranger.id,
        "first_day": "2026-11-01", "last_day": "2026-11-30"});
    town.tenant.post(format!("/v1/registrations/{}/mandates", town.registration), mandate).await.expect(201);
    let mut unseen = without.clone();
    unseen["document_seen"] = Value::Null;
    assert_eq!(town.hand_over(&id, 1, unseen).await.codes(), ["document_not_seen"]);
    assert_eq!(town.hand_over(&id, 1, without).await.outcome(), "permitted");
    town.close().await;
}

#[tokio::test]
async fn a_pin_is_set_once_changed_with_the_old_one_and_reset_by_somebody_else() {
    let town = Town::open().await;
    let path = format!("/v1/cards/{}/pin", town.card.0);
    let without = town.tenant.post(&path, json!({"pin": "8642"})).await;
    assert_eq!(without.body["errors"][0]["pointer"], "/current_pin");
    let wrong = town.tenant.post(&path, json!({"pin": "8642", "current_pin": "9999"})).await;
    assert_eq!(wrong.body["errors"][0]["pointer"], "/current_pin");
    town.tenant.post(&path, json!({"pin": "8642", "current_pin": PIN})).await.expect(200);
    let checked = check(&town, json!({"card_number": town.card.1, "pin": "8642"})).await;
    assert_eq!(checked.body["pin"], "right");
    let reset = format!("/v1/cards/{}/pin-reset", town.card.0);
    town.tenant.post(&reset, json!({})).await.expect(403);
    let reset_card = town.owner.post(&reset, json!({})).await.expect(200);
    assert_eq!(reset_card["pin_set"], false);
    assert_eq!(check(&town, json!({"card_number": town.card.1, "pin": "8642"})).await.body["pin"], "wrong");
    town.tenant.post(&path, json!({"pin": "7531"})).await.expect(200);
    // An owner's own card is reset by another who governs: an account that was taken over is not enough.
    let (own, _) = town.card_for(&town.owner).await;
    town.owner.post(format!("/v1/cards/{own}/pin-reset"), json!({})).await.expect(403);
    // Nor does another card help: its PIN is the old one's, and nobody issues a card to themselves.
    let new = town.owner.post(format!("/v1/cards/{own}/replacement"), json!({})).await.expect(201);
    assert_eq!(new["pin_set"], true);
    let own = new["id"].as_str().unwrap().to_owned();
    let pin = town.owner.post(format!("/v1/cards/{own}/pin"), json!({"pin": "8642"})).await;
    assert_eq!(pin.body["errors"][0]["pointer"], "/current_pin");
    town.owner.post(format!("/v1/cards/{own}/state"), json!({"state": "revoked"})).await.expect(200);
    let issue = format!("/v1/registrations/{}/cards", town.registration);
    town.owner.post(&issue, json!({"person_id": town.owner.id})).await.expect(403);
    let (own, _) = town.card_for(&town.owner).await;
    town.manager.post(format!("/v1/cards/{own}/pin-reset"), json!({})).await.expect(200);
    town.close().await;
}

/// How far a script gets that tries every PIN without pause, at the counter or through the holder's
/// account: the attempts that are looked at in an hour and in a year.
#[tokio::test]
async fn a_script_gets_five_attempts_in_an_hour_and_a_pin_outlives_its_card() {
    let town = Town::open().await;
    let right: i64 = PIN.parse().unwrap();
    let mut looked_at = 0;
    let mut by_then = vec![];
    let mut minutes = 0;
    let mut next = 0;
    for until in [60, 24 * 60, 365 * 24 * 60] {
        while minutes < until {
            if next == right {
                next += 1;
            }
            let pin = format!("{next:04}");
            let tried = check(&town, json!({"card_number": town.card.1, "pin": pin})).await;
            match tried.body["pin"].as_str().unwrap() {
                "wrong" => {
                    looked_at += 1;
                    next += 1;
                }
                "blocked" => {
                    // As soon as it is open again, without wasting a minute.
                    let step = sqlx::query_scalar::<_, i64>(
                        "SELECT ceil(extract(epoch FROM pin_blocked_until - $1) / 60)::bigint FROM cards WHERE id = $2::uuid",
                    )
                    .bind(town.app.outside.clock.now())
                    .bind(town.card.0.parse::<uuid::Uuid>().unwrap())
                    .fetch_one(&town.admin)
                    .await
                    .unwrap()
                    .max(1);
                    town.pass(Duration::minutes(step));
                    minutes += step;
                }
                other => panic!("{other}"),
            }
        }
        by_then.push(looked_at);
    }
    println!("PIN attempts looked at in an hour, a day, a year: {by_then:?}");
    assert_eq!(by_then[0], 5);
    assert!(by_then[1] <= 7, "{by_then:?}");
    // Ten thousand PINs: one in 25 that a year of trying, unnoticed, finds one of them.
    assert!(by_then[2] <= 380, "{by_then:?}");
    town.close().await;
}

#[tokio::test]
async fn many_at_once_get_no_more_attempts_than_one_after_the_other() {
    let town = Town::open().await;
    let path = format!("/v1/counters/{}/card-checks", town.counter);
    let tries: Vec<_> = (0..12)
        .map(|at| {
            let (staff, path, number) = (town.counter_staff.clone(), path.clone(), town.card.1.clone());
            tokio::spawn(async move {
                staff.post(&path, json!({"card_number": number, "pin": format!("{at:04}")})).await.body["pin"]
                    .clone()
            })
        })
        .collect();
    let mut wrong = 0;
    for tried in tries {
        wrong += u32::from(tried.await.unwrap() == "wrong");
    }
    assert_eq!(wrong, 3);
    town.close().await;
}

#[tokio::test]
async fn a_card_is_printed_for_those_who_may_and_names_nobody() {
    let town = Town::open().await;
    for (file, kind, begins) in [
        ("card.pdf", "application/pdf", "%PDF-"),
        ("letter.pdf", "application/pdf", "%PDF-"),
        ("card.svg", "image/svg+xml; charset=utf-8", "<svg "),
    ] {
        let path = format!("/v1/cards/{}/{file}", town.card.0);
        for who in [&town.tenant, &town.owner, &town.manager, &town.supplier] {
            let printed = who.get(&path).await;
            assert_eq!(
                (printed.status.as_u16(), printed.headers["content-type"].to_str().unwrap()),
                (200, kind)
            );
            assert!(printed.text.starts_with(begins));
            assert_eq!(printed.headers["cache-control"], "no-store");
        }
        town.signatory.get(&path).await.expect(403);
        town.stranger.get(&path).await.expect(404);
        assert_eq!(town.tenant.bytes(&path).await, town.supplier.bytes(&path).await, "{file}");
    }
    let svg = town.tenant.get(format!("/v1/cards/{}/card.svg", town.card.0)).await.text;
    assert!(svg.contains("Marrowby") && !svg.contains("Tenant") && !svg.contains("Alder"));
    town.close().await;
}
