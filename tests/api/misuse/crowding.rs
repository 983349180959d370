//! Callers who take more than their share: of the log, of connections, of the wait for a registration.

use std::num::NonZeroU32;

use serde_json::json;
use sqlx::{Postgres, Transaction};

use crate::harness::{Actor, Town};
use application::App;
use application::rates::{WriteLimits, WritesPerMinute};
use web::limits::Limits;

/// The town with limits on those who write, for somebody of it.
fn limited(town: &Town, who: &Actor, (person, staff, registration): (u32, u32, u32)) -> Actor {
    let most = |count| NonZeroU32::new(count).unwrap();
    let limits =
        WritesPerMinute { person: most(person), staff: most(staff), registration: most(registration) };
    let app = App { limits: WriteLimits::new(limits), ..town.app.clone() };
    Actor { router: web::router(app, Limits::default()), ..who.clone() }
}

/// What a test that would wait for ever ends with.
async fn at_once<T>(call: impl Future<Output = T>) -> T {
    tokio::time::timeout(std::time::Duration::from_secs(60), call).await.expect("it is answered at once")
}

/// Somebody else has the registration for now.
async fn taken(town: &Town) -> Transaction<'static, Postgres> {
    let mut tx = storage::begin(&town.admin).await.unwrap();
    sqlx::query("SELECT FROM registrations WHERE id = $1::uuid FOR UPDATE")
        .bind(town.registration.parse::<uuid::Uuid>().unwrap())
        .execute(&mut *tx)
        .await
        .unwrap();
    tx
}

/// One tenant adds 240 entries in 15 seconds to a log that never shrinks.
#[tokio::test]
async fn one_tenant_does_not_fill_the_log() {
    let town = Town::open().await;
    let before = town.count("SELECT count(*) FROM log_entries").await;
    let tenant = limited(&town, &town.tenant, (30, 600, 120));
    let mut refused = 0;
    for _ in 0..240 {
        let reply = town.ask(&tenant, json!({})).await;
        if reply.status == 429 {
            assert!(reply.headers.contains_key("retry-after"));
            refused += 1;
        }
    }
    let added = town.count("SELECT count(*) FROM log_entries").await - before;
    assert_eq!(added + refused, 240);
    // Those of a minute, and what came back meanwhile on a slow machine.
    assert!(added < 120, "{added} entries");
    // A dry run adds nothing, and others are not concerned.
    let path = format!("/v1/registrations/{}/copy-requests/dry-run", town.registration);
    tenant.post(path, town.ask_body()).await.expect(200);
    let owner = Actor { router: tenant.router.clone(), ..town.owner.clone() };
    town.ask(&owner, json!({})).await.expect(201);
    town.close().await;
}

#[tokio::test]
async fn a_registration_has_its_share_whoever_writes() {
    let town = Town::open().await;
    let owner = limited(&town, &town.owner, (1000, 1000, 3));
    let tenant = Actor { router: owner.router.clone(), ..town.tenant.clone() };
    for who in [&owner, &tenant, &owner] {
        town.ask(who, json!({})).await.expect(201);
    }
    town.ask(&tenant, json!({})).await.expect(429);
    // The register itself is not stopped by those who crowd it.
    let supplier = Actor { router: owner.router.clone(), ..town.supplier.clone() };
    supplier
        .post(format!("/v1/registrations/{}/holds", town.registration), json!({"kind": "dispute"}))
        .await
        .expect(201);
    town.close().await;
}

/// An outsider's 404 waits behind the lock, and so tells that there is something; sixteen of them exhaust the pool.
#[tokio::test]
async fn outsiders_wait_for_nothing() {
    let town = Town::open().await;
    let asked = town.ask(&town.tenant, json!({})).await.request_id();
    let taken = taken(&town).await;
    let at = |path: &str| format!("/v1/registrations/{}/{path}", town.registration);
    let calls = [
        (at("copy-requests"), town.ask_body()),
        (at("holds"), json!({"kind": "dispute"})),
        (at("end"), json!({})),
        (format!("/v1/copy-requests/{asked}/approvals"), json!({})),
        (format!("/v1/copy-requests/{asked}/withdrawal"), json!({})),
        (format!("/v1/authorities/{}/revocation", town.authority["tenant"]), json!({})),
        (format!("/v1/authorities/{}/confirmation", town.authority["tenant"]), json!({})),
        (format!("/v1/cards/{}/state", town.card.0), json!({"state": "suspended"})),
        (format!("/v1/keys/{}/return", town.keys[0]), json!({})),
        (format!("/v1/locks/{}/answers", town.locks[0]), json!({"differ_id": town.differ})),
    ];
    for (path, body) in calls {
        let reply = at_once(town.stranger.post(&path, body)).await;
        assert_eq!(reply.status, 404, "{path}: {}", reply.text);
    }
    drop(taken);
    town.close().await;
}

/// Acts that wait for one registration do so without a connection in hand, but for two.
#[tokio::test]
async fn those_who_wait_for_one_registration_leave_connections_to_others() {
    let town = Town::open().await;
    let owner = limited(&town, &town.owner, (1000, 1000, 1000));
    let taken = taken(&town).await;
    let body = town.ask_body();
    let waiting: Vec<_> = (0..40)
        .map(|_| {
            let (owner, body) = (owner.clone(), body.clone());
            let path = format!("/v1/registrations/{}/copy-requests", town.registration);
            tokio::spawn(async move { owner.post(path, body).await })
        })
        .collect();
    // The pool has 24: others are served.
    let supplier = Actor { router: owner.router.clone(), ..town.supplier.clone() };
    for name in ["Ada", "Bea", "Cid"] {
        at_once(supplier.post("/v1/people", json!({"name": name}))).await.expect(201);
    }
    drop(taken);
    for waiting in waiting {
        waiting.await.unwrap().expect(201);
    }
    town.close().await;
}
