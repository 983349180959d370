//! Every operation of the `OpenAPI` document against every kind of caller, on their own and on another
//! party's things. An operation that has no line here fails the test (I9).
//!
//! Each line says who may; everybody else gets 401 (nobody), 403 (sees it and may not) or 404 (does
//! not see it). What a caller who may gets is anything but 401, 403 and 404: the body that is sent is
//! empty, so that nothing changes and most answers are 422.

mod bodies;
mod lines;

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use crate::harness::{Actor, Town};
use crate::misuse::access_matrix::bodies::body_for;
use crate::misuse::access_matrix::lines::Else::*;
use crate::misuse::access_matrix::lines::Who::*;
use crate::misuse::access_matrix::lines::{Else, MATRIX, Who};
use crate::sites::Site;
use domain::people::Scope;

/// Operations that ask for no access token: they have nothing of anybody's to give.
const OPEN: [&str; 6] =
    ["sign_in", "refresh_session", "client_token", "ask_for_password", "accept_invitation", "key_set"];

struct Operation {
    id: String,
    method: String,
    path: String,
    /// The scope with which it is open to client programs.
    scope: Option<Scope>,
}

fn operations() -> Vec<Operation> {
    let document = serde_json::to_value(web::openapi::document()).unwrap();
    let mut found = vec![];
    for (path, item) in document["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            if let Some(id) = operation["operationId"].as_str() {
                found.push(Operation {
                    id: id.to_owned(),
                    method: method.to_uppercase(),
                    path: path.clone(),
                    scope: operation["security"][0]["access_token"][0]
                        .as_str()
                        .map(|word| word.parse().unwrap()),
                });
            }
        }
    }
    found
}

/// Somebody with the same kind of place on other premises.
async fn neighbours(town: &Town) -> (Actor, Actor) {
    let (registration, ..) = town.premises("8 Alder Rise", "N-1").await;
    let owner = town.person("Other Owner").await;
    town.grant(&registration, "owner", &owner.id, json!({"may_approve": true, "may_pass_on": true})).await;
    let agent =
        town.supplier.post("/v1/organisations", json!({"kind": "agent", "name": "Elsewhere"})).await.id();
    let manager = town.member("Other Manager", &agent).await;
    let body = json!({"class": "agent", "organisation_id": agent, "may_approve": true, "may_pass_on": true,
        "first_day": "2026-01-01"});
    town.supplier.post(format!("/v1/registrations/{registration}/authorities"), body).await.expect(201);
    (owner, manager)
}

/// A program of the dealer with each scope, and one without any: its id last.
async fn tills(town: &Town) -> (BTreeMap<Option<Scope>, Actor>, String) {
    let mut tills = BTreeMap::new();
    let mut id = String::new();
    for scope in Scope::ALL.iter().copied().map(Some).chain([None]) {
        let scopes: Vec<Scope> = scope.into_iter().collect();
        let program = json!({"name": "till", "scopes": scopes});
        let path = format!("/v1/organisations/{}/client-programs", town.dealer);
        let program = town.counter_staff.post(path, program).await.expect(201);
        program["id"].as_str().unwrap().clone_into(&mut id);
        tills.insert(scope, town.program(&id, &scopes));
    }
    (tills, id)
}

/// Somebody whose seat in the agent's office has ended, the buyer of a plot, and somebody who was invited and has not
/// accepted yet.
async fn besides(town: &Town, site: &Site) -> (Actor, Actor, Actor) {
    let former = town.member("Former", &town.agent).await;
    let membership: uuid::Uuid = sqlx::query_scalar("SELECT id FROM memberships WHERE person_id = $1::uuid")
        .bind(former.id.parse::<uuid::Uuid>().unwrap())
        .fetch_one(&town.admin)
        .await
        .unwrap();
    let end = format!("/v1/memberships/{membership}/end");
    town.manager.post(end, json!({"last_day": "2026-11-02"})).await.expect(200);
    let former = town.signed_in(&former.id).await;
    let buyer = crate::sites::handed_over(town, site).await;
    let invited = town.person("Invited").await;
    let sign_in = json!({"email": "invited@town.example", "password": "twelve letters and more"});
    let refused = town.anon.post("/v1/sessions", sign_in).await;
    assert_eq!(refused.status, 401);
    (former, buyer, Actor { token: String::new(), ..invited })
}

#[test]
fn each_operation_has_its_line() {
    let operations = operations();
    let missing: Vec<&str> = operations
        .iter()
        .map(|operation| operation.id.as_str())
        .filter(|id| !OPEN.contains(id) && !MATRIX.iter().any(|(line, _, _)| line == id))
        .collect();
    assert!(missing.is_empty(), "operations without a line in the matrix: {missing:?}");
    let known: BTreeSet<&str> = operations.iter().map(|operation| operation.id.as_str()).collect();
    let stale: Vec<&&str> = MATRIX.iter().map(|(id, _, _)| id).filter(|id| !known.contains(**id)).collect();
    assert!(stale.is_empty(), "lines without an operation: {stale:?}");
}

#[tokio::test]
async fn who_may_do_what_and_who_sees_nothing() {
    let town = Town::open().await;
    let (other_owner, other_agent) = neighbours(&town).await;
    let (tills, program) = tills(&town).await;
    let site = crate::sites::site(&town).await;
    crate::sites::add_plots(&town, &site, crate::sites::TEN_PLOTS).await.expect(201);
    let callers: BTreeMap<Who, &Actor> = BTreeMap::from([
        (Anon, &town.anon),
        (Supplier, &town.supplier),
        (Owner, &town.owner),
        (Agent, &town.manager),
        (Signatory, &town.signatory),
        (Keyholder, &town.tenant),
        (Counter, &town.counter_staff),
        (OtherOwner, &other_owner),
        (OtherAgent, &other_agent),
        (OtherCounter, &town.other_counter_staff),
        (Stranger, &town.stranger),
        (Builder, &site.builder),
    ]);
    let (former, buyer, invited) = besides(&town, &site).await;
    let ids = things(&town, &program, &site).await;
    sqlx::query(
        "INSERT INTO accounts (person_id, email, password_hash, changed_at) SELECT id, email, $1, created_at FROM people
         WHERE email IS NOT NULL",
    )
    .bind(town.app.hash(crypto::passwords::Lane::Password, "nobody's".to_owned().into()).await.unwrap())
    .execute(&town.admin)
    .await
    .unwrap();
    let operations = operations();
    let mut wrong = vec![];
    let before = snapshot(&town).await;
    for (id, may, otherwise) in MATRIX {
        let operation = operations.iter().find(|operation| operation.id == *id).unwrap();
        for (who, caller) in &callers {
            let status = try_it(&town, operation, caller, &ids, &before).await;
            if !is_as_said(status, *who, may, *otherwise) {
                wrong.push(format!("{id} by {who:?}: {status}"));
            }
        }
        // Whose column is that of somebody else: they have lost, or not yet won, what would make them different.
        for (who, like, caller) in [
            ("a former seat", Stranger, &former),
            ("the buyer of a plot", OtherOwner, &buyer),
            ("somebody invited", Anon, &invited),
        ] {
            let status = try_it(&town, operation, caller, &ids, &before).await;
            if !is_as_said(status, like, may, *otherwise) {
                wrong.push(format!("{id} by {who}: {status}"));
            }
        }
        for (scope, till) in &tills {
            let status = try_it(&town, operation, till, &ids, &before).await;
            let open = id == &"who_am_i" || (scope.is_some() && *scope == operation.scope);
            if if open { !is_as_said(status, Till, may, *otherwise) } else { status != 403 } {
                wrong.push(format!("{id} by a program with {scope:?}: {status}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    town.close_touched().await;
}

/// Whether what somebody got is what the line says.
fn is_as_said(status: u16, who: Who, may: &[Who], otherwise: Else) -> bool {
    if who == Anon {
        return status == 401;
    }
    if may.contains(&who) {
        return ![401, 403, 404].contains(&status) && status < 500;
    }
    match otherwise {
        Hidden => status == 404,
        Barred => status == 403,
        BarredFor(these) => status == if these.contains(&who) { 403 } else { 404 },
        Nobody => false,
    }
}

#[tokio::test]
async fn each_change_asks_for_a_key_where_the_document_says_so() {
    let town = Town::open().await;
    let (_, program) = tills(&town).await;
    let site = crate::sites::site(&town).await;
    crate::sites::add_plots(&town, &site, crate::sites::TEN_PLOTS).await.expect(201);
    let ids = things(&town, &program, &site).await;
    let document = serde_json::to_value(web::openapi::document()).unwrap();
    let (mut keyed, mut wrong) = (0, vec![]);
    for operation in operations().iter().filter(|operation| operation.method == "POST") {
        let described = &document["paths"][&operation.path]["post"]["parameters"];
        let parameters = described.as_array().into_iter().flatten();
        let says = parameters.filter(|parameter| parameter["name"] == "Idempotency-Key").count() == 1;
        let body = body_for(&operation.id, &town, &ids["copy_request_id"]).to_string().into_bytes();
        let headers = [("content-type", kind_of(&operation.id))];
        let reply = town.supplier.call("POST", &path_of(operation, &ids), &headers, body).await;
        let asks = reply.body["type"].as_str().is_some_and(|slug| slug.ends_with("idempotency_key_missing"));
        assert_eq!(asks, reply.status == 400, "{} {}", operation.id, reply.text);
        keyed += usize::from(asks);
        if asks != says {
            wrong.push(format!("{}: asks {asks}, says {says}", operation.id));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(keyed > 50, "{keyed}");
    town.close().await;
}

type Things = BTreeMap<&'static str, String>;

/// One of each thing, so that every path leads somewhere.
async fn things(town: &Town, program: &str, site: &Site) -> Things {
    let progress = town.supplier.get(format!("/v1/sites/{}/progress", site.id)).await.expect(200);
    let mut all = BTreeMap::from([
        ("organisation_id", town.dealer.clone()),
        ("program_id", program.to_owned()),
        ("person_id", town.tenant.id.clone()),
        ("section_id", town.section.clone()),
        ("record_id", town.section.clone()),
        ("counter_id", town.counter.clone()),
        ("appointment_id", town.appointment.clone()),
        ("registration_id", town.registration.clone()),
        ("session_id", uuid::Uuid::nil().to_string()),
        ("lock_id", town.locks[0].clone()),
        ("authority_id", town.authority["tenant"].clone()),
        ("offer_id", offered(town, &site.builder).await),
        ("differ_id", town.differ.clone()),
        ("card_id", town.card.0.clone()),
        ("site_id", site.id.clone()),
        ("plot_id", progress["each"][0]["plot_id"].as_str().unwrap().to_owned()),
    ]);
    all.extend(things_of_a_registration(town).await);
    all.extend(things_of_a_counter(town).await);
    town.sequencer.round().await.unwrap();
    all
}

/// An authority that the owner offers to somebody whom the owner does not know.
async fn offered(town: &Town, to: &Actor) -> String {
    let offer = json!({"class": "keyholder", "person_id": to.id, "first_day": "2026-11-01"});
    let reply = town.owner.post(format!("/v1/registrations/{}/authorities", town.registration), offer).await;
    reply.expect(202)["id"].as_str().unwrap().to_owned()
}

async fn things_of_a_registration(town: &Town) -> Things {
    let at = format!("/v1/registrations/{}", town.registration);
    let mandate = json!({"recipient_id": town.tenant.id, "collector_id": town.signatory.id,
        "first_day": "2026-11-01", "last_day": "2026-11-30"});
    let mandate = town.tenant.post(format!("{at}/mandates"), mandate).await.id();
    let key = town.tenants_key(json!({})).await;
    let lost = town.tenants_key(json!({})).await;
    let loss = town.tenant.post(format!("/v1/keys/{lost}/loss"), json!({"kind": "lost"})).await.expect(201);
    let loss = loss["loss"]["id"].as_str().unwrap().to_owned();
    let kept = json!({"decision": "keep", "reason": "x"});
    town.owner.post(format!("/v1/losses/{loss}/decision"), kept).await.expect(200);
    let rekey = json!({"differ_ids": [town.differ], "reason": "x"});
    let rekey = town.supplier.post(format!("{at}/rekeys"), rekey).await.id();
    let audit = town.owner.post(format!("{at}/audits"), json!({})).await.id();
    let first = |list: Value| list["items"][0]["id"].as_str().unwrap().to_owned();
    let audit_line = first(town.tenant.get("/v1/me/audit-lines").await.expect(200));
    let statement = town.owner.post(format!("{at}/statements"), json!({})).await.expect(201);
    let statement = statement["content"]["statement_id"].as_str().unwrap().to_owned();
    let notice = first(town.tenant.get("/v1/me/notices").await.expect(200));
    let hold = town.owner.post(format!("{at}/holds"), json!({"kind": "loss"})).await.id();
    let asked = town.ask(&town.tenant, json!({})).await;
    BTreeMap::from([
        ("mandate_id", mandate),
        ("key_id", key),
        ("loss_id", loss),
        ("rekey_id", rekey),
        ("audit_id", audit),
        ("audit_line_id", audit_line),
        ("statement_id", statement),
        ("notice_id", notice),
        ("hold_id", hold),
        ("copy_request_id", asked.request_id()),
        ("entry_id", asked.body["entry_id"].as_str().unwrap().to_owned()),
    ])
}

async fn things_of_a_counter(town: &Town) -> Things {
    let at = format!("/v1/counters/{}", town.counter);
    let parcel = json!({"section_id": town.section, "quantity": 5});
    let parcel = town.supplier.post(format!("{at}/consignments"), parcel).await.id();
    let count = json!({"section_id": town.section, "counted": 39});
    town.counter_staff.post(format!("{at}/blank-counts"), count).await.expect(201);
    let differences = town.supplier.get(format!("{at}/blank-differences")).await.expect(200);
    // Announced by somebody else, so that the counter's staff is its witness.
    let destruction: uuid::Uuid = sqlx::query_scalar(
        "INSERT INTO destructions (id, request_id, made_by, made_at)
         SELECT gen_random_uuid(), id, asked_by, asked_at FROM copy_requests LIMIT 1 RETURNING id",
    )
    .fetch_one(&town.admin)
    .await
    .unwrap();
    let membership: uuid::Uuid = sqlx::query_scalar("SELECT id FROM memberships WHERE person_id = $1::uuid")
        .bind(town.counter_staff.id.parse::<uuid::Uuid>().unwrap())
        .fetch_one(&town.admin)
        .await
        .unwrap();
    BTreeMap::from([
        ("movement_id", parcel),
        ("difference_id", differences["items"][0]["id"].as_str().unwrap().to_owned()),
        ("destruction_id", destruction.to_string()),
        ("account_reset_id", account_reset(town).await),
        ("cut_claim_id", cut_claim(town).await),
        ("membership_id", membership.to_string()),
    ])
}

/// Keys that the counter says it cut beyond what was authorised.
async fn cut_claim(town: &Town) -> String {
    let claim: uuid::Uuid = sqlx::query_scalar(
        "INSERT INTO cut_claims (id, request_id, counter_id, chosen_id, quantity, made_at, brought_in_at, decision_id)
         SELECT gen_random_uuid(), copy_requests.id, counter_id, gen_random_uuid(), 1, asked_at, asked_at, decisions.id
         FROM copy_requests JOIN decisions ON request_id = copy_requests.id LIMIT 1 RETURNING id",
    )
    .fetch_one(&town.admin)
    .await
    .unwrap();
    claim.to_string()
}

/// The reset of somebody's account, asked for by somebody else than the supplier's first.
async fn account_reset(town: &Town) -> String {
    let id: uuid::Uuid = sqlx::query_scalar(
        "INSERT INTO account_resets (id, person_id, reason, asked_by, asked_at)
         VALUES (gen_random_uuid(), $1, 'lost', $2, $3) RETURNING id",
    )
    .bind(town.tenant.id.parse::<uuid::Uuid>().unwrap())
    .bind(town.owner.id.parse::<uuid::Uuid>().unwrap())
    .bind(town.clock_now())
    .fetch_one(&town.admin)
    .await
    .unwrap();
    id.to_string()
}

/// The path of an operation on the things that there are.
fn path_of(operation: &Operation, ids: &Things) -> String {
    let mut path = operation.path.clone();
    for (name, id) in ids {
        path = path.replace(&format!("{{{name}}}"), id);
    }
    assert!(!path.contains('{'), "{path}");
    path
}

/// The media type of what an operation is sent.
fn kind_of(id: &str) -> &'static str {
    if ["import_register", "add_plots"].contains(&id) { "text/csv" } else { "application/json" }
}

/// Calls an operation and takes back whatever it did, so that the next caller finds the same things.
async fn try_it(town: &Town, operation: &Operation, who: &Actor, ids: &Things, before: &Snapshot) -> u16 {
    let mut path = path_of(operation, ids);
    if operation.id.ends_with("_as_of") {
        path += "?at=2026-11-02T10:00:00Z";
    }
    let body = body_for(&operation.id, town, &ids["copy_request_id"]);
    let key = format!("{}-{}", operation.id, uuid::Uuid::from_bytes(town.app.outside.bytes()));
    let headers = [
        ("content-type", kind_of(&operation.id)),
        ("idempotency-key", key.as_str()),
        ("if-match", "\"v9999\""),
    ];
    let bytes = if operation.method == "GET" { vec![] } else { body.to_string().into_bytes() };
    let reply = who.call(&operation.method, &path, &headers, bytes).await;
    let status = reply.status.as_u16();
    // What only reads changes nothing, and neither does what was turned away.
    if operation.method != "GET" && ![401, 403, 404].contains(&status) {
        restore(town, before).await;
    }
    status
}

/// The tables whose rows an operation may have changed, as they were.
type Snapshot = Vec<(&'static str, Value)>;

const CHANGED: [&str; 40] = [
    "cut_claims",
    "account_resets",
    "recovery_codes",
    "invitations",
    "audits",
    "audit_lines",
    "stock_counts",
    "statements",
    "answers",
    "rekeys",
    "rekey_locks",
    "notices",
    "price_lists",
    "plots",
    "plot_locks",
    "differs",
    "differ_spaces",
    "destructions",
    "cuts",
    "offline_cuts",
    "opening_hours",
    "counters",
    "bittings",
    "blank_accounts",
    "blank_differences",
    "blank_movements",
    "accounts",
    "authorities",
    "authority_offers",
    "cards",
    "holds",
    "keys",
    "losses",
    "mandates",
    "copy_requests",
    "registrations",
    "appointments",
    "client_programs",
    "sessions",
    "memberships",
];

async fn snapshot(town: &Town) -> Snapshot {
    let mut tables = vec![];
    for table in CHANGED {
        let sql = format!("SELECT coalesce(jsonb_agg(t ORDER BY t::text), '[]') FROM {table} t");
        let rows = sqlx::query_scalar(sqlx::AssertSqlSafe(sql)).fetch_one(&town.admin).await.unwrap();
        tables.push((table, rows));
    }
    tables
}

/// Puts back what is not as it was.
async fn restore(town: &Town, before: &Snapshot) {
    let after = snapshot(town).await;
    let changed: Vec<_> =
        before.iter().zip(&after).filter(|(old, new)| old != new).map(|(old, _)| old).collect();
    let mut tx = storage::begin(&town.admin).await.unwrap();
    sqlx::query("SET session_replication_role = replica").execute(&mut *tx).await.unwrap();
    for (table, rows) in changed {
        let columns: Vec<String> = sqlx::query_scalar(
            "SELECT column_name::text FROM information_schema.columns
             WHERE table_schema = 'public' AND table_name = $1 AND is_generated = 'NEVER'",
        )
        .bind(table)
        .fetch_all(&mut *tx)
        .await
        .unwrap();
        let list = columns.join(", ");
        for sql in [
            format!("DELETE FROM {table} WHERE $1::jsonb IS NOT NULL"),
            format!(
                "INSERT INTO {table} ({list}) SELECT {list} FROM jsonb_populate_recordset(NULL::{table}, $1)"
            ),
        ] {
            sqlx::query(sqlx::AssertSqlSafe(sql)).bind(rows).execute(&mut *tx).await.unwrap();
        }
    }
    sqlx::query("SET session_replication_role = origin").execute(&mut *tx).await.unwrap();
    tx.commit().await.unwrap();
}
