//! What somebody would try who means ill.

use serde_json::json;
use time::Duration;

use crate::harness::{Actor, PIN, Town, signature};

#[tokio::test]
async fn nobody_passes_on_a_post_or_standing_that_he_has_not() {
    let town = Town::open().await;
    town.set_rules(json!({"emergency": {"posts": ["duty_officer"]}})).await;
    let friend = town.person("Friend").await;
    for more in [json!({"post": "duty_officer"}), json!({"standing": "staff"}), json!({"occupier": true})] {
        town.give(&town.signatory, &friend, more).await.expect(403);
    }
    let post = json!({"post": "duty_officer"});
    town.give(&town.manager, &friend, post.clone()).await.expect(403);
    town.give(&town.owner, &friend, post).await.expect(201);
    town.close().await;
}

/// With one client secret: two people invited, an authority for each, one asks, the other approves, a card, a PIN.
#[tokio::test]
async fn a_client_program_does_nothing_for_which_a_person_answers() {
    let town = Town::open().await;
    let path = format!("/v1/organisations/{}/client-programs", town.agent);
    let program = json!({"name": "lettings", "scopes": domain::people::Scope::ALL});
    let program = town.manager.post(path, program).await.expect(201);
    let program = town.program(program["id"].as_str().unwrap(), domain::people::Scope::ALL);
    let at = |path: &str| format!("/v1/registrations/{}/{path}", town.registration);
    program.get(at("authorities")).await.expect(200);
    let asked = town.ask(&town.tenant, json!({})).await.request_id();
    let authority = json!({"class": "signatory", "person_id": town.stranger.id, "may_approve": true,
        "first_day": "2026-11-01"});
    for (path, body) in [
        ("/v1/people".to_owned(), json!({"name": "Dummy", "email": "dummy@town.example"})),
        (format!("/v1/people/{}/invitations", town.stranger.id), json!({})),
        (at("authorities"), authority),
        (at("copy-requests"), town.ask_body()),
        (format!("/v1/copy-requests/{asked}/approvals"), json!({})),
        (at("cards"), json!({"person_id": town.tenant.id})),
        (format!("/v1/cards/{}/pin", town.card.0), json!({"pin": "1234"})),
        (format!("/v1/cards/{}/state", town.card.0), json!({"state": "suspended"})),
        (at("holds"), json!({"kind": "dispute"})),
        (format!("/v1/keys/{}/issue", town.keys[0]), json!({"person_id": town.tenant.id})),
        (format!("/v1/keys/{}/transfer", town.keys[0]), json!({"person_id": town.tenant.id})),
        (
            format!("/v1/organisations/{}/members", town.agent),
            json!({"person_id": town.stranger.id, "post": "head",
            "first_day": "2026-11-01"}),
        ),
    ] {
        let refused = program.post(&path, body).await;
        assert_eq!(refused.expect(403)["detail"], "only a person may do this", "{path}");
    }
    town.close().await;
}

#[tokio::test]
async fn an_address_that_somebody_else_entered_gets_nothing_by_an_import() {
    let town = Town::open().await;
    let person = json!({"name": "Squatter", "email": "victim@town.example"});
    let squatter = town.counter_staff.post("/v1/people", person).await.id();
    let header = "record,registration,section,owner,premises,label,kind,hand,standard,escape_route,room_class,differ,\
                  level,person,email,class,post,standing,may_order,may_approve,may_pass_on,occupier,differs,\
                  most_per_request,most_keys,first_day,last_day,pack,copy_number,state";
    let found = town.supplier.get(format!("/v1/registrations/{}", town.registration)).await.expect(200);
    let mut cells = vec![""; header.split(',').count()];
    for (column, value) in [
        ("record", "holder"),
        ("registration", found["number"].as_str().unwrap()),
        ("person", "Victim"),
        ("email", "victim@town.example"),
        ("class", "owner"),
        ("first_day", "2026-01-01"),
    ] {
        cells[header.split(',').position(|name| name == column).unwrap()] = value;
    }
    let file = format!("{header}\r\n{}\r\n", cells.join(","));
    let headers = [("content-type", "text/csv"), ("idempotency-key", "squat")];
    town.supplier.call("POST", "/v1/imports", &headers, file.into_bytes()).await.expect(201);
    let given =
        town.supplier.get(format!("/v1/registrations/{}/authorities", town.registration)).await.expect(200);
    let owns = |person: &str| {
        let all = given["items"].as_array().unwrap();
        all.iter().filter(|one| one["class"] == "owner" && one["person_id"] == person).count()
    };
    let owners = given["items"].as_array().unwrap().iter().filter(|one| one["class"] == "owner").count();
    assert_eq!((owners, owns(&town.owner.id), owns(&squatter)), (2, 1, 0));
    // Once the address has proved whose it is, a file finds that person.
    let sent = town.sent().await.into_iter().filter(|(email, _)| email == "victim@town.example");
    let tokens: Vec<String> = sent.map(|(_, token)| token).collect();
    assert_eq!(tokens.len(), 2);
    let accept = json!({"token": tokens[0], "password": "twelve letters and more"});
    assert_eq!(town.anon.post("/v1/invitations/accept", accept).await.status, 204);
    town.close().await;
}

#[tokio::test]
async fn somebody_whom_a_court_bars_does_not_collect_either() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.cut(&id, 1).await;
    let mandate = json!({"recipient_id": town.tenant.id, "collector_id": town.signatory.id,
        "first_day": "2026-11-01", "last_day": "2026-11-30"});
    town.tenant.post(format!("/v1/registrations/{}/mandates", town.registration), mandate).await.expect(201);
    let card = town.card_for(&town.signatory).await;
    let order = json!({"kind": "court_order", "court": "County Court at Tolverne", "barred_person_id": town.signatory.id,
        "order_reference": "K01TV 205"});
    town.supplier.post(format!("/v1/registrations/{}/holds", town.registration), order).await.expect(201);
    let more = json!({"collected_by_id": town.signatory.id, "card_number": card.1});
    assert_eq!(town.hand_over(&id, 1, more).await.codes(), ["barred_by_court"]);
    town.close().await;
}

#[tokio::test]
async fn an_authority_for_one_differ_governs_nothing_else() {
    let town = Town::open().await;
    let master = json!({"number": "M-1", "level": "building"});
    let master =
        town.supplier.post(format!("/v1/registrations/{}/differs", town.registration), master).await.id();
    let pack = json!({"differ_id": master, "number": "LP-M"});
    let pack = town
        .supplier
        .post(format!("/v1/registrations/{}/lever-packs", town.registration), pack)
        .await
        .expect(201);
    let master_key = pack["keys"][0]["id"].as_str().unwrap();
    let narrow = town.person("Narrow").await;
    let more = json!({"differ_ids": [town.differ], "may_approve": true});
    town.grant(&town.registration, "agent", &narrow.id, more).await;
    narrow.get(format!("/v1/keys/{}", town.keys[0])).await.expect(200);
    narrow.post(format!("/v1/keys/{}/destruction", town.keys[0]), json!({})).await.expect(200);
    narrow.get(format!("/v1/keys/{master_key}")).await.expect(404);
    narrow.post(format!("/v1/keys/{master_key}/destruction"), json!({})).await.expect(404);
    let base = format!("/v1/registrations/{}", town.registration);
    narrow.get(format!("{base}/holds")).await.expect(403);
    narrow.get(format!("{base}/register.csv")).await.expect(403);
    narrow.post(format!("{base}/cards"), json!({"person_id": town.tenant.id})).await.expect(403);
    let revocation = format!("/v1/authorities/{}/revocation", town.authority["signatory"]);
    narrow.post(revocation, json!({})).await.expect(404);
    town.close().await;
}

#[tokio::test]
async fn a_seat_that_sleeps_without_a_second_factor_does_not_approve() {
    let town = Town::open().await;
    let staff = town.member("Sleepy", &town.agent).await;
    town.grant(&town.registration, "keyholder", &staff.id, json!({})).await;
    sqlx::query("UPDATE sessions SET second_factor = false WHERE person_id = $1::uuid")
        .bind(staff.id.parse::<uuid::Uuid>().unwrap())
        .execute(&town.admin)
        .await
        .unwrap();
    let id = town.ask(&town.tenant, json!({})).await.request_id();
    staff.post(format!("/v1/copy-requests/{id}/approvals"), json!({})).await.expect(404);
    // Where she sees the request anyway, a sleeping seat does not count.
    let own = town.ask(&staff, json!({})).await;
    assert_eq!(own.outcome(), "needs_approval");
    let for_him = town.ask(&town.manager, json!({"recipient_id": staff.id})).await.request_id();
    let approved = staff.post(format!("/v1/copy-requests/{for_him}/approvals"), json!({})).await;
    assert!([403, 404, 409].contains(&approved.status.as_u16()) || approved.outcome() == "refused");
    town.close().await;
}

#[tokio::test]
async fn extensions_are_capped_and_count_the_keys_that_are_out() {
    let town = Town::open().await;
    town.set_rules(json!({"temporary": {"most_extensions": 2, "most_days": 300}})).await;
    let issue = town.authorised(json!({"due_back_on": "2026-11-05", "quantity": 2})).await;
    town.cut(&issue, 2).await;
    town.hand_over(&issue, 2, json!({})).await;
    for (day, outcome) in [(10, "needs_approval"), (15, "needs_approval"), (20, "refused")] {
        let more = json!({"due_back_on": format!("2026-11-{day}"), "extends_request_id": issue});
        let asked = town.ask(&town.tenant, more).await;
        assert_eq!(asked.outcome(), outcome, "{}", asked.text);
        assert_eq!(asked.body["copy_request"]["quantity"], 2);
        if outcome == "refused" {
            assert_eq!(asked.codes()[1..], ["extensions_used_up"]);
        } else {
            let path = format!("/v1/copy-requests/{}/approvals", asked.request_id());
            assert_eq!(town.owner.post(path, json!({})).await.outcome(), "permitted");
        }
    }
    let chained =
        town.ask(&town.tenant, json!({"due_back_on": "2026-11-25", "extends_request_id": town.keys[0]}));
    chained.await.expect(422);
    town.close().await;
}

#[tokio::test]
async fn one_lost_key_is_replaced_once_and_may_be_lost_again() {
    let town = Town::open().await;
    let key = town.tenants_key(json!({})).await;
    let lose = |who: Actor| {
        let path = format!("/v1/keys/{key}/loss");
        async move { who.post(path, json!({"kind": "lost"})).await }
    };
    town.keep_locks(&lose(town.tenant.clone()).await.expect(201)).await;
    lose(town.owner.clone()).await.expect(409);
    let replace = json!({"purpose": "replace_lost", "replaces_key_id": key});
    let first = town.authorised(replace.clone()).await;
    assert_eq!(
        town.ask(&town.tenant, replace.clone()).await.codes(),
        ["replaced_before", "approval_needed"].map(str::to_owned).into_iter().rev().collect::<Vec<_>>()
    );
    town.cut(&first, 1).await;
    town.hand_over(&first, 1, json!({})).await;
    assert!(town.ask(&town.tenant, replace).await.codes().contains(&"replaced_before".to_owned()));
    // Found, issued again, lost again.
    town.owner.post(format!("/v1/keys/{key}/return"), json!({})).await.expect(200);
    town.owner.post(format!("/v1/keys/{key}/issue"), json!({"person_id": town.tenant.id})).await.expect(200);
    lose(town.tenant.clone()).await.expect(201);
    town.close().await;
}

#[tokio::test]
async fn dead_keys_do_not_come_back_to_life() {
    let town = Town::open().await;
    let differ = json!({"differ_id": town.differ});
    for lock in &town.locks {
        town.supplier.post(format!("/v1/locks/{lock}/answers/end"), differ.clone()).await.expect(200);
    }
    town.supplier.post(format!("/v1/locks/{}/answers", town.locks[0]), differ).await.expect(409);
    town.close().await;
}

#[tokio::test]
async fn a_key_that_waits_at_the_counter_is_not_issued_past_it() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    let cut = town.cut(&id, 1).await;
    let key = cut.body["keys"][0]["id"].as_str().unwrap();
    let issue = json!({"person_id": town.signatory.id});
    town.owner.post(format!("/v1/keys/{key}/issue"), issue).await.expect(409);
    assert_eq!(town.hand_over(&id, 1, json!({})).await.outcome(), "permitted");
    town.close().await;
}

#[tokio::test]
async fn a_wrong_pin_that_is_sent_again_counts_once() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.cut(&id, 1).await;
    let path = format!("/v1/copy-requests/{id}/hand-overs");
    let drawn = signature();
    let body = |pin: &str| {
        json!({"quantity": 1, "card_number": town.card.1, "pin": pin,
        "document_seen": "passport", "signature": drawn})
    };
    let first = town.counter_staff.post_keyed(&path, "wrong", body("0001")).await;
    for _ in 0..5 {
        let again = town.counter_staff.post_keyed(&path, "wrong", body("0001")).await;
        assert_eq!(again.text, first.text);
    }
    assert_eq!(town.count("SELECT sum(pin_failures) FROM cards").await, 1);
    // The key keeps nothing from which the PIN could be guessed.
    let hashes =
        town.count("SELECT count(DISTINCT request_hash) FROM idempotency_keys WHERE key = 'wrong'").await;
    assert_eq!(hashes, 1);
    let other = town.counter_staff.post_keyed(&path, "wrong", body(PIN)).await;
    assert_eq!(other.text, first.text);
    assert_eq!(town.counter_staff.post(&path, body(PIN)).await.outcome(), "permitted");
    town.close().await;
}

#[tokio::test]
async fn rules_that_would_break_the_service_are_refused() {
    let town = Town::open().await;
    let path = format!("/v1/registrations/{}/rules", town.registration);
    let nul = json!({"rules": {"eligibility": [{"instead": "a\u{0}b"}]}});
    town.owner.change("PUT", &path, 1, nul).await.expect(422);
    let many: Vec<_> = (0..101).map(|_| json!({})).collect();
    town.owner.change("PUT", &path, 1, json!({"rules": {"eligibility": many}})).await.expect(422);
    let hundred: Vec<_> = (0..100).map(|_| json!({})).collect();
    town.owner.change("PUT", &path, 1, json!({"rules": {"eligibility": hundred}})).await.expect(200);
    assert_eq!(town.ask(&town.tenant, json!({})).await.outcome(), "refused");
    let long = format!("{}@x", "\u{130}".repeat(130));
    town.supplier.post("/v1/people", json!({"name": "x", "email": long})).await.expect(422);
    town.close().await;
}

#[tokio::test]
async fn what_held_when_the_clock_was_read_must_still_hold_under_the_lock() {
    let town = Town::open().await;
    let id = town.authorised(json!({})).await;
    town.pass(Duration::days(30) - Duration::seconds(1));
    // Somebody holds the registration while the authorisation runs out.
    let mut tx = storage::begin(&town.admin).await.unwrap();
    sqlx::query("SELECT 1 FROM registrations WHERE id = $1::uuid FOR UPDATE")
        .bind(town.registration.parse::<uuid::Uuid>().unwrap())
        .execute(&mut *tx)
        .await
        .unwrap();
    let cut = {
        let (staff, path) = (town.counter_staff.clone(), format!("/v1/copy-requests/{id}/cuts"));
        tokio::spawn(async move { staff.post(path, json!({"quantity": 1})).await })
    };
    // Until the cut waits for the lock.
    loop {
        let waiting = town.count("SELECT count(*) FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND datname = current_database()").await;
        if waiting > 0 {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(5)).await;
    }
    town.pass(Duration::seconds(2));
    tx.commit().await.unwrap();
    assert_eq!(cut.await.unwrap().codes(), ["authorisation_lapsed"]);
    town.close().await;
}

#[tokio::test]
async fn the_log_names_no_person() {
    let town = Town::open().await;
    town.tenants_key(json!({})).await;
    let bodies: Vec<Vec<u8>> =
        sqlx::query_scalar("SELECT body FROM log_entries").fetch_all(&town.admin).await.unwrap();
    let people: Vec<uuid::Uuid> =
        sqlx::query_scalar("SELECT id FROM people").fetch_all(&town.admin).await.unwrap();
    assert!(bodies.len() > 40 && people.len() > 5);
    for body in bodies {
        let text = String::from_utf8(body).unwrap();
        assert!(people.iter().all(|person| !text.contains(&person.to_string())), "{text}");
        assert!(!text.contains('@') && !text.contains("Alder"), "{text}");
    }
    town.close().await;
}

/// A counter tries the PIN of any card of the register, and blocks it, by a cut for a request of its own.
#[tokio::test]
async fn a_counter_tries_no_pin_of_a_card_that_is_not_of_its_request() {
    let town = Town::open().await;
    let elsewhere = town.premises("9 Alder Rise", "A-9").await.0;
    town.grant(&elsewhere, "keyholder", &town.stranger.id, json!({})).await;
    let card = town
        .supplier
        .post(format!("/v1/registrations/{elsewhere}/cards"), json!({"person_id": town.stranger.id}));
    let card = card.await.expect(201);
    let pin = format!("/v1/cards/{}/pin", card["id"].as_str().unwrap());
    town.stranger.post(pin, json!({"pin": PIN})).await.expect(200);
    let open = town.authorised(json!({})).await;
    town.cut(&open, 1).await;
    // Right and wrong look alike, and neither counts.
    for pin in [PIN, "0001"] {
        let shown = json!({"card_number": card["number"], "pin": pin});
        let refused = town.hand_over(&open, 1, shown).await;
        assert_eq!(refused.codes(), ["card_of_another", "pin_wrong"], "{}", refused.text);
    }
    assert_eq!(town.count("SELECT sum(pin_failures) FROM cards").await, 0);
    // A request that is over shows nothing either.
    assert_eq!(town.hand_over(&open, 1, json!({})).await.outcome(), "permitted");
    town.hand_over(&open, 1, json!({"pin": "0001"})).await.expect(409);
    assert_eq!(town.count("SELECT sum(pin_failures) FROM cards").await, 0);
    town.close().await;
}

/// One person of the register lets a program act for a dealer: the two who see every parcel would be one.
#[tokio::test]
async fn the_register_lets_no_program_act_for_somebody_who_has_a_head() {
    let town = Town::open().await;
    let path = format!("/v1/organisations/{}/client-programs", town.dealer);
    let program = json!({"name": "till", "scopes": ["blanks"]});
    town.supplier.post(&path, program.clone()).await.expect(403);
    town.counter_staff.post(&path, program).await.expect(201);
    town.close().await;
}
