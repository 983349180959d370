//! Many tasks at once over real connections, repeated.

use std::sync::Arc;

use serde_json::json;
use time::Duration;
use tokio::task::JoinSet;

use crate::harness::{Reply, Town};

const ROUNDS: usize = 10;

/// Runs the same call so many times at once.
async fn at_once<F>(times: usize, call: impl Fn(usize) -> F) -> Vec<Reply>
where
    F: Future<Output = Reply> + Send + 'static,
{
    let mut tasks = JoinSet::new();
    for time in 0..times {
        tasks.spawn(call(time));
    }
    tasks.join_all().await
}

/// I2: keys in existence and open authorisations never exceed the cap.
#[tokio::test]
async fn the_last_permitted_copy_is_given_once() {
    let town = Arc::new(Town::open().await);
    for round in 0..ROUNDS {
        let existing = town.count("SELECT count(*) FROM keys").await + i64::try_from(round).unwrap();
        let cap = existing + 1;
        town.set_rules(json!({"limits": [{"cap": cap}], "unaccounted_blocks": false})).await;
        let replies = at_once(12, |_| {
            let town = town.clone();
            async move { town.ask(&town.signatory, json!({})).await }
        })
        .await;
        let permitted = replies.iter().filter(|reply| reply.outcome() == "permitted").count();
        let over = replies.iter().filter(|reply| reply.codes() == ["over_cap"]).count();
        assert_eq!((permitted, over), (1, 11), "round {round}");
    }
    let over = town.count("SELECT count(*) FROM copy_requests WHERE state = 'authorised'").await;
    assert_eq!(over, i64::try_from(ROUNDS).unwrap());
    Arc::into_inner(town).unwrap().close().await;
}

/// I7: an authorisation is spent once.
#[tokio::test]
async fn an_authorisation_for_one_key_cuts_one_key() {
    let town = Arc::new(Town::open().await);
    town.set_rules(json!({"limits": []})).await;
    for _ in 0..ROUNDS {
        let id = town.authorised(json!({})).await;
        let replies = at_once(8, |_| {
            let (town, id) = (town.clone(), id.clone());
            async move { town.cut(&id, 1).await }
        })
        .await;
        assert_eq!(replies.iter().filter(|reply| reply.outcome() == "permitted").count(), 1);
        let handed = at_once(8, |_| {
            let (town, id) = (town.clone(), id.clone());
            async move { town.hand_over(&id, 1, json!({})).await }
        })
        .await;
        assert_eq!(handed.iter().filter(|reply| reply.outcome() == "permitted").count(), 1);
    }
    Arc::into_inner(town).unwrap().close().await;
}

/// I1: no cut commits after what it relied on was revoked.
#[tokio::test]
async fn a_cut_that_races_a_revocation_never_commits_after_it() {
    let town = Arc::new(Town::open().await);
    town.set_rules(json!({"limits": [], "at_cut": {"card": true, "pin": false, "document": false}})).await;
    let (mut cuts, mut refusals) = (0, 0);
    for round in 0..4 * ROUNDS {
        let card = if round == 0 { town.card.clone() } else { town.card_for(&town.tenant).await };
        let id = town.authorised(json!({})).await;
        // What is taken away while the key is being cut, and how it is given back afterwards.
        let (path, body) = match round % 4 {
            0 => (format!("/v1/cards/{}/state", card.0), json!({"state": "revoked"})),
            1 => (format!("/v1/authorities/{}/revocation", tenants_authority(&town).await), json!({})),
            2 => (format!("/v1/appointments/{}/revocation", appointment(&town).await), json!({})),
            _ => (format!("/v1/registrations/{}/holds", town.registration), json!({"kind": "dispute"})),
        };
        let cut = {
            let (town, id, number) = (town.clone(), id.clone(), card.1.clone());
            async move {
                let body = json!({"quantity": 1, "card_number": number});
                town.counter_staff.post(format!("/v1/copy-requests/{id}/cuts"), body).await
            }
        };
        let revoke = {
            let town = town.clone();
            async move {
                // Now before the cut, now after it, now in the middle.
                tokio::time::sleep(std::time::Duration::from_millis((round as u64 * 7) % 12)).await;
                town.supplier.post(path, body).await
            }
        };
        let (cut, revoked) = tokio::join!(tokio::spawn(cut), tokio::spawn(revoke));
        let (cut, revoked) = (cut.unwrap(), revoked.unwrap());
        assert!(revoked.status.is_success(), "{}", revoked.text);
        if cut.outcome() == "permitted" {
            cuts += 1;
        } else {
            refusals += 1;
        }
        restore(&town, round, &card.0, &id, &revoked).await;
    }
    // In the order of commits: the lock that both take decides. Read from the log's own queue, whose
    // positions are given out under that lock.
    let wrong = town
        .count(
            "SELECT count(*) FROM cuts
             JOIN decisions d ON d.id = cuts.decision_id
             JOIN log_pending cut_at ON cut_at.entry_id = d.entry_id
             JOIN copy_requests r ON r.id = cuts.request_id
             JOIN changes c ON c.kind IN ('card.revoked', 'authority.revoked', 'appointment.revoked', 'hold.placed')
             JOIN log_pending changed_at ON changed_at.entry_id = c.entry_id
             WHERE changed_at.position < cut_at.position
               AND c.at > r.authorised_at
               AND NOT EXISTS (SELECT 1 FROM changes back JOIN log_pending p ON p.entry_id = back.entry_id
                   WHERE back.kind IN ('card.issued', 'authority.given', 'appointment.added', 'hold.lifted')
                     AND p.position > changed_at.position AND p.position < cut_at.position)",
        )
        .await;
    assert_eq!(wrong, 0);
    assert!(cuts > 0 && refusals > 0, "the race was never close: {cuts} cuts, {refusals} refusals");
    Arc::into_inner(town).unwrap().close().await;
}

async fn tenants_authority(town: &Town) -> String {
    sqlx::query_scalar::<_, uuid::Uuid>(
        "SELECT id FROM authorities WHERE person_id = $1::uuid AND revoked_at IS NULL ORDER BY id DESC LIMIT 1",
    )
    .bind(town.tenant.id.parse::<uuid::Uuid>().unwrap())
    .fetch_one(&town.admin)
    .await
    .unwrap()
    .to_string()
}

async fn appointment(town: &Town) -> String {
    sqlx::query_scalar::<_, uuid::Uuid>(
        "SELECT id FROM appointments WHERE counter_id = $1::uuid AND revoked_at IS NULL",
    )
    .bind(town.counter.parse::<uuid::Uuid>().unwrap())
    .fetch_one(&town.admin)
    .await
    .unwrap()
    .to_string()
}

async fn restore(town: &Town, round: usize, card: &str, request: &str, revoked: &Reply) {
    // Keys that were cut stay in store; what is left of the request is withdrawn.
    let _ = town.tenant.post(format!("/v1/copy-requests/{request}/withdrawal"), json!({})).await;
    match round % 4 {
        0 => {}
        1 => {
            town.grant(&town.registration, "keyholder", &town.tenant.id, json!({})).await;
        }
        2 => {
            let again = json!({"section_id": town.section, "first_day": "2026-01-01"});
            town.supplier
                .post(format!("/v1/counters/{}/appointments", town.counter), again)
                .await
                .expect(201);
        }
        _ => {
            let hold = revoked.body["id"].as_str().unwrap();
            town.supplier.post(format!("/v1/holds/{hold}/lift"), json!({})).await.expect(200);
        }
    }
    let _ = town.supplier.post(format!("/v1/cards/{card}/state"), json!({"state": "revoked"})).await;
}

/// I8: the same request sent again has one effect and one answer.
#[tokio::test]
async fn the_same_key_twenty_times_at_once_has_one_effect_and_one_answer() {
    let town = Arc::new(Town::open().await);
    for round in 0..ROUNDS {
        let key = format!("round-{round}");
        let replies = at_once(20, |_| {
            let (town, key) = (town.clone(), key.clone());
            async move {
                let path = format!("/v1/registrations/{}/copy-requests", town.registration);
                town.tenant.post_keyed(path, &key, town.ask_body()).await
            }
        })
        .await;
        for reply in &replies {
            assert_eq!((reply.status.as_u16(), &reply.text), (201, &replies[0].text));
            assert_eq!(reply.headers["location"], replies[0].headers["location"]);
        }
        let requests = town.count("SELECT count(*) FROM copy_requests").await;
        assert_eq!(requests, i64::try_from(round + 1).unwrap());
    }
    Arc::into_inner(town).unwrap().close().await;
}

/// I4: blanks are never negative, whoever cuts at the same time.
#[tokio::test]
async fn blanks_never_go_negative() {
    let town = Arc::new(Town::open().await);
    let free = json!({"rules": {"limits": [], "approvals": []}});
    town.supplier.change("PUT", "/v1/default-rules", 0, free).await.expect(200);
    // Requests on several registrations, so that the registration's lock does not hide the account's.
    let mut requests = vec![];
    for house in 0..6 {
        let (registration, differ, _, _) =
            town.premises(&format!("{house} Mill Lane"), &format!("M-{house}")).await;
        town.grant(&registration, "owner", &town.owner.id, json!({"may_approve": true})).await;
        for _ in 0..2 {
            let body = json!({"differ_id": differ, "counter_id": town.counter, "quantity": 6});
            let asked =
                town.owner.post(format!("/v1/registrations/{registration}/copy-requests"), body).await;
            assert_eq!(asked.outcome(), "permitted", "{}", asked.text);
            requests.push(asked.request_id());
        }
    }
    // 12 requests for 6 keys each, cut one by one, and 40 blanks.
    let replies = at_once(requests.len() * 6, |time| {
        let (town, id) = (town.clone(), requests[time % requests.len()].clone());
        async move { town.cut(&id, 1).await }
    })
    .await;
    let permitted = replies.iter().filter(|reply| reply.outcome() == "permitted").count();
    let short = replies.iter().filter(|reply| reply.codes() == ["blanks_short"]).count();
    assert_eq!((permitted, short), (40, 32));
    assert_eq!(town.count("SELECT min(on_hand)::bigint FROM blank_accounts").await, 0);
    Arc::into_inner(town).unwrap().close().await;
}

/// Two approvers at once: both count, and the request is authorised once.
#[tokio::test]
async fn approvals_at_the_same_time_all_count() {
    let town = Arc::new(Town::open().await);
    town.set_rules(json!({"limits": [], "approvals": [{"needs": [{"count": 2}]}]})).await;
    for _ in 0..ROUNDS {
        let id = town.ask(&town.tenant, json!({})).await.request_id();
        let replies = at_once(6, |time| {
            let (town, id) = (town.clone(), id.clone());
            async move {
                let who = [&town.owner, &town.manager, &town.signatory][time % 3];
                who.post(format!("/v1/copy-requests/{id}/approvals"), json!({})).await
            }
        })
        .await;
        assert_eq!(replies.iter().filter(|reply| reply.outcome() == "permitted").count(), 1);
        let read = town.tenant.get(format!("/v1/copy-requests/{id}")).await.expect(200);
        assert_eq!(read["state"], "authorised");
    }
    town.pass(Duration::days(31));
    Arc::into_inner(town).unwrap().close().await;
}

/// Takes something away in a transaction that is still open when the cut comes, and commits once the
/// cut waits for it. The cut must wait, and must not be permitted.
async fn cut_while_taken_away(town: &Town, id: &str, sql: &'static str, subject: &str) -> Reply {
    let mut tx = storage::begin(&town.admin).await.unwrap();
    let done = sqlx::query(sql).bind(subject.parse::<uuid::Uuid>().unwrap()).execute(&mut *tx).await.unwrap();
    assert_eq!(done.rows_affected(), 1);
    let (staff, path) = (town.counter_staff.clone(), format!("/v1/copy-requests/{id}/cuts"));
    let cut = tokio::spawn(async move { staff.post(path, json!({"quantity": 1})).await });
    let waiting = "SELECT count(*) FROM pg_stat_activity
                   WHERE wait_event_type = 'Lock' AND datname = current_database()";
    while !cut.is_finished() && town.count(waiting).await == 0 {
        tokio::time::sleep(std::time::Duration::from_millis(5)).await;
    }
    assert!(!cut.is_finished(), "the cut did not wait: {}", cut.await.unwrap().text);
    tx.commit().await.unwrap();
    cut.await.unwrap()
}

/// I1, without luck: each of these is revoked while a cut is under way.
#[tokio::test]
async fn a_cut_waits_for_a_revocation_under_way_and_heeds_it() {
    let town = Town::open().await;
    town.set_rules(json!({"limits": []})).await;
    let id = town.authorised(json!({})).await;
    let revoke = "UPDATE appointments SET revoked_at = changed_at WHERE id = $1";
    let cut = cut_while_taken_away(&town, &id, revoke, &town.appointment.clone()).await;
    assert_eq!(cut.codes(), ["counter_not_appointed"]);
    let again = json!({"section_id": town.section, "first_day": "2026-01-01"});
    town.supplier.post(format!("/v1/counters/{}/appointments", town.counter), again).await.expect(201);

    // The approval came from a member of the agent, who leaves.
    let id = town.ask(&town.tenant, json!({})).await.request_id();
    let approved = town.manager.post(format!("/v1/copy-requests/{id}/approvals"), json!({})).await;
    assert_eq!(approved.outcome(), "permitted");
    let leave = "UPDATE memberships SET last_day = '2026-11-01' WHERE person_id = $1";
    let cut = cut_while_taken_away(&town, &id, leave, &town.manager.id.clone()).await;
    assert_eq!(cut.codes(), ["approval_needed"]);

    // Whatever belongs to the registration is changed while its row is taken.
    let id = town.authorised(json!({})).await;
    let end = "UPDATE registrations SET ended_at = changed_at, version = version + 1 WHERE id = $1";
    let cut = cut_while_taken_away(&town, &id, end, &town.registration.clone()).await;
    assert_eq!(cut.codes(), ["registration_ended"]);
    assert_eq!(town.count("SELECT count(*) FROM cuts").await, 0);
    town.close_touched().await;
}
