//! Differs: geometry, allotment, and that two on one site are far enough apart (I13).

mod bitting;
mod keying;

use std::collections::{BTreeMap, BTreeSet};

use secrecy::ExposeSecret;
use serde_json::{Value, json};
use time::Duration;

use crate::harness::Town;
use application::secrets;
use application::secrets::Context;
use domain::differs::geometry::Separation;
use domain::ids::DifferId;

/// The heights of every differ on record, by registration.
async fn heights(town: &Town) -> BTreeMap<String, Vec<Vec<u8>>> {
    let all: Vec<(uuid::Uuid, uuid::Uuid)> = sqlx::query_as(
        "SELECT differ_id, registration_id FROM bittings JOIN differs ON differs.id = differ_id",
    )
    .fetch_all(&town.admin)
    .await
    .unwrap();
    let mut found: BTreeMap<String, Vec<Vec<u8>>> = BTreeMap::new();
    let mut db = town.app.pool.acquire().await.unwrap();
    for (differ, registration) in all {
        let differ = DifferId(differ);
        let sealed = storage::secrets::bitting(&mut db, differ).await.unwrap().unwrap();
        let plain = secrets::open(&town.app, &mut db, Context::Bitting(differ), &sealed).await.unwrap();
        found.entry(registration.to_string()).or_default().push(plain.expose_secret().to_vec());
    }
    found
}

async fn allot(town: &Town, registration: &str, more: Value) -> super::harness::Reply {
    let mut body = json!({"level": "lock"});
    body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    town.supplier.post(format!("/v1/registrations/{registration}/differ-allotments"), body).await
}

fn assert_apart(separation: Separation, heights: &[Vec<u8>]) {
    for (at, one) in heights.iter().enumerate() {
        for other in &heights[..at] {
            assert!(separation.holds(one, other), "{one:?} {other:?}");
        }
    }
}

#[tokio::test]
async fn a_section_without_a_differ_is_refused_and_one_below_its_standard_is_told() {
    let town = Town::open().await;
    let path = format!("/v1/sections/{}/geometry", town.section);
    town.supplier.get(&path).await.expect(404);
    let none = json!({"geometry": {"positions": 4, "heights": 4, "most_alike": 1, "fewest_heights": 5}});
    let refused = town.supplier.change("PUT", &path, 1, none).await.expect(422);
    assert_eq!(refused["errors"][0]["pointer"], "/geometry");
    let wrong = json!({"geometry": {"positions": 40, "heights": 4}});
    let refused = town.supplier.change("PUT", &path, 1, wrong).await.expect(422);
    assert_eq!(refused["errors"][0]["pointer"], "/geometry/positions");
    let told = town
        .set_geometry(json!({"positions": 4, "heights": 5, "largest_step": 3, "claims": ["bs_3621"]}))
        .await;
    assert_eq!(told["rules"][0], json!({"rule": "none", "left": "625"}));
    assert_eq!(told["rules"][1]["rule"], "largest_step");
    assert_eq!(told["shortfalls"].as_array().unwrap().len(), 2);
    assert_eq!((&told["taken"], &told["runs_dry_on"]), (&json!(0), &Value::Null));
    let tried = json!({"geometry": {"positions": 6, "heights": 7}});
    assert_eq!(town.supplier.post("/v1/differ-counts", tried).await.expect(200)["count"], "117649");
    let large = json!({"geometry": {"positions": 16, "heights": 31, "most_alike": 2, "largest_step": 9}});
    town.supplier.post("/v1/differ-counts", large).await.expect(422);
    // The number of positions stays, once a differ was given out.
    allot(&town, &town.registration, json!({})).await.expect(201);
    let version = town.supplier.get(&path).await.headers["etag"].to_str().unwrap().to_owned();
    let version: i64 = version.trim_matches(['"', 'v']).parse().unwrap();
    let longer = json!({"geometry": {"positions": 5, "heights": 5}});
    town.supplier.change("PUT", &path, version, longer).await.expect(422);
    let wider = json!({"geometry": {"positions": 4, "heights": 6}});
    town.supplier.change("PUT", &path, version, wider).await.expect(200);
    town.close().await;
}

#[tokio::test]
async fn a_differ_is_never_given_out_twice_and_a_released_one_is_free_again() {
    let town = Town::open().await;
    let refused = allot(&town, &town.registration, json!({})).await.expect(409);
    assert!(refused["detail"].as_str().unwrap().contains("geometry"), "{refused}");
    // 2^4 of them.
    town.set_geometry(json!({"positions": 4, "heights": 2})).await;
    town.pass(Duration::days(10));
    let made = allot(&town, &town.registration, json!({"count": 15, "reserve": true})).await.expect(201);
    assert_eq!(made["left"], "1");
    let numbers: BTreeSet<&str> =
        made["differs"].as_array().unwrap().iter().map(|differ| differ["number"].as_str().unwrap()).collect();
    assert_eq!(numbers.len(), 15);
    let last = allot(&town, &town.registration, json!({})).await.expect(201);
    assert_eq!((&last["left"], &last["differs"][0]["state"]), (&json!("0"), &json!("given_out")));
    allot(&town, &town.registration, json!({})).await.expect(409);
    let all = heights(&town).await.remove(&town.registration).unwrap();
    assert_eq!(all.iter().collect::<BTreeSet<_>>().len(), 16);
    // One that was never cut is released; its combination comes back, under another number.
    let differ = &made["differs"][3];
    let state = format!("/v1/differs/{}/state", differ["id"].as_str().unwrap());
    town.supplier.post(&state, json!({"state": "released"})).await.expect(200);
    town.supplier.post(&state, json!({"state": "given_out"})).await.expect(409);
    let again = allot(&town, &town.registration, json!({})).await.expect(201);
    assert_ne!(again["differs"][0]["number"], differ["number"]);
    assert_eq!(heights(&town).await[&town.registration].iter().collect::<BTreeSet<_>>().len(), 16);
    let usage = town.supplier.get(format!("/v1/sections/{}/geometry", town.section)).await.expect(200);
    assert_eq!((&usage["taken"], &usage["taken_per_mille"]), (&json!(16), &json!(1000)));
    // The first differ of the register has no bitting on record.
    assert_eq!((&usage["without_bitting"], &usage["drawn_in_a_year"]), (&json!(1), &json!(17)));
    assert_eq!(usage["runs_dry_on"], town.clock_now().date().to_string());
    // One that a lock answers to, and has keys, is not released.
    let used = format!("/v1/differs/{}/state", town.differ);
    town.supplier.post(used, json!({"state": "released"})).await.expect(409);
    town.close().await;
}

#[tokio::test]
async fn bitting_from_elsewhere_keeps_to_the_same_rules() {
    let town = Town::open().await;
    let separation = json!({"positions": 2, "steps": 3});
    town.set_geometry(json!({"positions": 4, "heights": 6, "largest_step": 4, "separation": separation}))
        .await;
    let (other, other_differ, ..) = town.premises("9 Alder Rise", "B-1").await;
    let record = |differ: &str, heights: Value| {
        let path = format!("/v1/differs/{differ}/bitting");
        let supplier = town.supplier.clone();
        async move { supplier.post(path, json!({ "heights": heights })).await }
    };
    record(&town.differ, json!([1, 6, 1, 1])).await.expect(422);
    record(&town.differ, json!([1, 2, 3, 4])).await.expect(201);
    record(&town.differ, json!([1, 2, 3, 5])).await.expect(409);
    // The same combination elsewhere in the section: no. Near it, elsewhere: yes.
    let twice = record(&other_differ, json!([1, 2, 3, 4])).await.expect(409);
    assert!(!twice.to_string().contains("1,2,3"), "{twice}");
    record(&other_differ, json!([1, 2, 3, 3])).await.expect(201);
    let second = json!({"number": "B-2", "level": "lock"});
    let second = town.supplier.post(format!("/v1/registrations/{other}/differs"), second).await.id();
    record(&second, json!([1, 2, 2, 4])).await.expect(409);
    record(&second, json!([3, 2, 4, 3])).await.expect(201);
    town.close().await;
}

/// Many tasks allot on two sites of one section at once: no differ twice, and I13 holds on each.
#[tokio::test]
async fn two_sites_allotted_at_once_share_no_differ_and_keep_their_distance() {
    let town = Town::open().await;
    let separation = Separation { positions: 2, steps: 3 };
    town.set_geometry(json!({"positions": 4, "heights": 4, "separation": separation})).await;
    let (other, ..) = town.premises("9 Alder Rise", "B-1").await;
    let mut tasks = tokio::task::JoinSet::new();
    for at in 0..48 {
        let supplier = town.supplier.clone();
        let registration = if at % 2 == 0 { town.registration.clone() } else { other.clone() };
        tasks.spawn(async move {
            let path = format!("/v1/registrations/{registration}/differ-allotments");
            supplier.post(path, json!({"level": "lock", "count": 2})).await.status.as_u16()
        });
    }
    let statuses = tasks.join_all().await;
    assert!(statuses.iter().all(|status| [201, 409].contains(status)), "{statuses:?}");
    let found = heights(&town).await;
    let whole: Vec<&Vec<u8>> = found.values().flatten().collect();
    assert_eq!(whole.iter().collect::<BTreeSet<_>>().len(), whole.len());
    assert_eq!(whole.len(), 2 * statuses.iter().filter(|status| **status == 201).count());
    for site in found.values() {
        assert!(site.len() >= 12, "{}", site.len());
        assert_apart(separation, site);
    }
    // Apart from the neighbour's, too, where that is asked.
    let (third, ..) = town.premises("11 Alder Rise", "C-1").await;
    allot(&town, &third, json!({"count": 3})).await.expect(201);
    let refused = allot(&town, &third, json!({"apart_from": [town.registration, other]})).await;
    let found = heights(&town).await;
    if refused.status == 201 {
        let latest = found[&third].last().unwrap();
        assert!(found[&other].iter().all(|heights| separation.holds(heights, latest)));
    }
    assert_apart(separation, &found[&third]);
    town.close().await;
}

#[tokio::test]
async fn nobody_orders_keys_of_a_differ_that_is_reserved_or_dead() {
    let town = Town::open().await;
    town.set_geometry(json!({"positions": 5, "heights": 6})).await;
    let made = allot(&town, &town.registration, json!({"reserve": true})).await.expect(201);
    let differ = made["differs"][0]["id"].as_str().unwrap().to_owned();
    let answers = format!("/v1/locks/{}/answers", town.locks[0]);
    town.supplier.post(&answers, json!({"differ_id": differ})).await.expect(201);
    let asked = town.ask(&town.owner, json!({"differ_id": differ})).await;
    assert_eq!(asked.codes(), ["differ_reserved"]);
    let state = format!("/v1/differs/{differ}/state");
    town.supplier.post(&state, json!({"state": "given_out"})).await.expect(200);
    assert_eq!(town.ask(&town.owner, json!({"differ_id": differ})).await.outcome(), "permitted");
    for lock in &town.locks {
        let path = format!("/v1/locks/{lock}/answers/end");
        town.supplier.post(path, json!({"differ_id": town.differ})).await.expect(200);
    }
    assert_eq!(town.ask(&town.owner, json!({})).await.codes(), ["differ_dead"]);
    town.supplier.post(&answers, json!({"differ_id": town.differ})).await.expect(409);
    town.close().await;
}

#[tokio::test]
async fn nothing_new_is_made_of_a_differ_that_is_dead_or_released() {
    let town = Town::open().await;
    town.set_geometry(json!({"positions": 5, "heights": 6})).await;
    let made = allot(&town, &town.registration, json!({})).await.expect(201);
    let differ = made["differs"][0]["id"].as_str().unwrap().to_owned();
    town.supplier.post(format!("/v1/differs/{differ}/state"), json!({"state": "released"})).await.expect(200);
    let pack = json!({"differ_id": differ, "number": "LP-7"});
    town.supplier
        .post(format!("/v1/registrations/{}/lever-packs", town.registration), pack)
        .await
        .expect(409);
    let heights = json!({"heights": [1, 2, 3, 4, 5]});
    town.supplier.post(format!("/v1/differs/{differ}/bitting"), heights).await.expect(409);
    let answers = format!("/v1/locks/{}/answers", town.locks[0]);
    town.supplier.post(&answers, json!({"differ_id": differ})).await.expect(409);
    for lock in &town.locks {
        let path = format!("/v1/locks/{lock}/answers/end");
        town.supplier.post(path, json!({"differ_id": town.differ})).await.expect(200);
    }
    let pack = json!({"differ_id": town.differ, "number": "LP-8"});
    town.supplier
        .post(format!("/v1/registrations/{}/lever-packs", town.registration), pack)
        .await
        .expect(409);
    let unreachable = json!({"geometry": {"positions": 5, "heights": 6, "separation": {"positions": 6}}});
    town.supplier.post("/v1/differ-counts", unreachable).await.expect(422);
    town.close().await;
}
