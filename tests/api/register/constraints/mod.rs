//! Every constraint of the database has a row here that violates it, and is named when it is.
//!
//! A register with something in every table is made over HTTP. Foreign keys are tried by pointing a
//! row at nothing, primary keys by the same row again; checks, unique and exclusion constraints have
//! their own line in [`broken::BROKEN`].

mod broken;
mod foreign;

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;
use sqlx::{PgPool, Row};
use time::Duration;

use crate::harness::{PASSWORD, Town};
use crate::register::constraints::broken::BROKEN;
use crate::register::constraints::foreign::{FOREIGN, otherwise};

async fn fill_every_table(town: &Town) {
    let program = format!("/v1/organisations/{}/client-programs", town.dealer);
    town.counter_staff.post(program, json!({"name": "till"})).await.expect(201);
    town.supplier.change("PUT", "/v1/default-rules", 0, json!({"rules": {}})).await.expect(200);
    town.owner.post("/v1/people", json!({"name": "Friend"})).await.expect(201);
    let narrow = json!({"differ_ids": [town.differ]});
    town.give(&town.owner, &town.stranger, narrow).await.expect(201);
    confirm_what_a_seat_gave(town).await;
    let mandate = json!({"recipient_id": town.tenant.id, "collector_id": town.signatory.id,
        "first_day": "2026-11-01", "last_day": "2026-11-30"});
    town.tenant.post(format!("/v1/registrations/{}/mandates", town.registration), mandate).await.expect(201);
    let open = town.ask(&town.owner, json!({"quantity": 2})).await.request_id();
    let key = town.tenants_key(json!({})).await;
    town.tenant.post(format!("/v1/keys/{key}/loss"), json!({"kind": "lost"})).await.expect(201);
    let hold = json!({"kind": "loss"});
    town.owner.post(format!("/v1/registrations/{}/holds", town.registration), hold).await.expect(201);
    let ada = town.account("Ada").await;
    town.account("Bea").await;
    let sign_in = json!({"email": "ada@town.example", "password": PASSWORD});
    town.anon.post("/v1/sessions", sign_in).await.expect(201);
    town.second_factor(&ada).await;
    let reset = json!({"reason": "Lost.", "email": "ada@quay.example"});
    town.supplier.post(format!("/v1/people/{}/account-resets", ada.id), reset).await.expect(201);
    let confirmed = "UPDATE account_resets SET confirmed_at = asked_at, confirmed_by = (SELECT id FROM people
                     WHERE id NOT IN (asked_by, person_id) LIMIT 1)";
    sqlx::query(confirmed).execute(&town.admin).await.unwrap();
    fill_the_counter(town, &key, &open).await;
    fill_the_audits(town).await;
    fill_the_site(town).await;
    town.pass(Duration::seconds(1));
    town.sequencer.round().await.unwrap();
    let erased = "INSERT INTO erased_disclosures SELECT id, 'x' FROM log_entries LIMIT 1";
    sqlx::query(erased).execute(&town.admin).await.unwrap();
    let recovered = "INSERT INTO log_recovered SELECT id FROM log_entries LIMIT 1";
    sqlx::query(recovered).execute(&town.admin).await.unwrap();
    town.ask(&town.tenant, json!({})).await.expect(201);
}

async fn confirm_what_a_seat_gave(town: &Town) {
    let giver = town.member("Giver", &town.agent).await;
    let given = json!({"class": "keyholder", "person_id": town.stranger.id, "first_day": "2026-01-01"});
    let given = giver.post(format!("/v1/registrations/{}/authorities", town.registration), given).await.id();
    town.manager.post(format!("/v1/authorities/{given}/confirmation"), json!({})).await.expect(200);
}

/// Audits, a count of the keys in store, a statement.
async fn fill_the_audits(town: &Town) {
    let at = |what: &str| format!("/v1/registrations/{}/{what}", town.registration);
    let issue = json!({"person_id": town.tenant.id});
    town.supplier.post(format!("/v1/keys/{}/issue", town.keys[0]), issue).await.expect(200);
    let audit = json!({"person_id": town.tenant.id});
    town.owner.post(at("audits"), audit).await.expect(201);
    let lines = town.tenant.get("/v1/me/audit-lines").await.expect(200);
    let line = format!("/v1/audit-lines/{}/answer", lines["items"][0]["id"].as_str().unwrap());
    town.tenant.post(line, json!({"has_it": true})).await.expect(200);
    let counted = json!({"differ_id": town.differ, "counted": 1});
    town.owner.post(at("stock-counts"), counted).await.expect(201);
    town.owner.post(at("statements"), json!({})).await.expect(201);
}

/// A rekey that was carried out, prices, and a plot that was handed over.
async fn fill_the_site(town: &Town) {
    let site = crate::sites::site(town).await;
    let prices = json!({"prices": {"currency": "GBP", "pack": 1, "key": 1}});
    town.supplier.change("PUT", format!("/v1/sections/{}/prices", town.section), 0, prices).await.expect(200);
    crate::sites::add_plots(town, &site, crate::sites::TEN_PLOTS).await.expect(201);
    crate::sites::first_plot(town, &site).await;
    let losses =
        town.supplier.get(format!("/v1/registrations/{}/losses", town.registration)).await.expect(200);
    let loss = losses["items"][0]["id"].as_str().unwrap().to_owned();
    let decided = json!({"decision": "rekey", "reason": "x"});
    town.owner.post(format!("/v1/losses/{loss}/decision"), decided).await.expect(200);
    let rekey = json!({"differ_ids": [town.differ], "loss_id": loss, "reason": "x"});
    let rekey =
        town.supplier.post(format!("/v1/registrations/{}/rekeys", town.registration), rekey).await.id();
    let fitting = json!({"lock_id": town.locks[0], "pack_number": "RK-1", "fitted_by": town.owner.id});
    town.supplier.post(format!("/v1/rekeys/{rekey}/fittings"), fitting).await.expect(200);
}

/// Bitting, second factors, blanks that differ, a replaced card, a refused check, a cut without a network.
async fn fill_the_counter(town: &Town, key: &str, authorised: &str) {
    let spare = json!({"number": "X-2", "level": "lock"});
    town.supplier.post(format!("/v1/registrations/{}/differs", town.registration), spare).await.expect(201);
    let heights = json!({"heights": [1, 2, 3, 4, 5]});
    town.supplier.post(format!("/v1/differs/{}/bitting", town.differ), heights).await.expect(201);
    let at = |what: &str| format!("/v1/counters/{}/{what}", town.counter);
    let asked = town.supplier.get(format!("/v1/keys/{key}")).await.expect(200);
    assert_eq!(asked["state"], "lost");
    let request: uuid::Uuid = sqlx::query_scalar("SELECT id FROM copy_requests WHERE handed_count > 0")
        .fetch_one(&town.admin)
        .await
        .unwrap();
    let spoiled = json!({"section_id": town.section, "quantity": 1, "copy_request_id": request});
    town.counter_staff.post(at("spoiled-blanks"), spoiled).await.expect(201);
    let counted = json!({"section_id": town.section, "counted": 30});
    town.counter_staff.post(at("blank-counts"), counted).await.expect(201);
    let open = town.supplier.get(at("blank-differences")).await.expect(200);
    let difference = open["items"][0]["id"].as_str().unwrap().to_owned();
    let explained = json!({"explanation": "missing"});
    let path = format!("/v1/blank-differences/{difference}/explanation");
    town.supplier.post(path, explained).await.expect(200);
    // Keys beyond what was authorised, and more than there are blanks.
    let offline = |id: &str, request: &str, quantity: u32| json!({"id": id, "copy_request_id": request, "quantity": quantity, "cut_at": town.clock_text()});
    let request = request.to_string();
    town.counter_staff.post(at("offline-cuts"), offline(&request, &request, 40)).await.expect(201);
    let claims = town.supplier.get("/v1/cut-claims").await.expect(200);
    let claim = claims["items"][0]["id"].as_str().unwrap();
    town.supplier.post(format!("/v1/cut-claims/{claim}/dismissal"), json!({})).await.expect(200);
    let left =
        town.counter_staff.get(at("blanks")).await.expect(200)["items"][0]["on_hand"].as_u64().unwrap();
    let back = json!({"section_id": town.section, "quantity": left - 1});
    town.counter_staff.post(at("blank-returns"), back).await.expect(201);
    town.counter_staff.post(at("offline-cuts"), offline(authorised, authorised, 2)).await.expect(201);
    let announced = "INSERT INTO destructions (id, request_id, made_by, made_at)
                     SELECT gen_random_uuid(), id, asked_by, asked_at FROM copy_requests LIMIT 1";
    sqlx::query(announced).execute(&town.admin).await.unwrap();
    let hours = json!({"time_zone": "Europe/London",
        "hours": [{"weekday": 1, "opens": "09:00", "closes": "17:30"}]});
    town.supplier.post(at("opening-hours"), hours).await.expect(200);
    town.supplier.post(format!("/v1/cards/{}/replacement", town.card.0), json!({})).await.expect(201);
    let check = json!({"card_number": town.card.1});
    town.counter_staff.post(at("card-checks"), check).await.expect(200);
}

struct Constraint {
    name: String,
    table: String,
    kind: char,
    columns: Vec<String>,
}

async fn constraints(pool: &PgPool) -> Vec<Constraint> {
    let rows = sqlx::query(
        "SELECT c.conname AS name, t.relname AS tab, c.contype::text AS kind,
                ARRAY(SELECT a.attname::text FROM unnest(c.conkey) k JOIN pg_attribute a
                      ON a.attrelid = c.conrelid AND a.attnum = k) AS columns
         FROM pg_constraint c JOIN pg_class t ON t.oid = c.conrelid
         WHERE c.connamespace = 'public'::regnamespace AND t.relname <> '_sqlx_migrations'
         UNION ALL
         SELECT i.relname, t.relname, 'u', '{}' FROM pg_index x JOIN pg_class i ON i.oid = x.indexrelid
         JOIN pg_class t ON t.oid = x.indrelid
         WHERE x.indisunique AND i.relnamespace = 'public'::regnamespace
         AND NOT EXISTS (SELECT 1 FROM pg_constraint c WHERE c.conindid = x.indexrelid)",
    )
    .fetch_all(pool)
    .await
    .unwrap();
    rows.iter()
        .map(|row| Constraint {
            name: row.get("name"),
            table: row.get("tab"),
            kind: row.get::<String, _>("kind").chars().next().unwrap(),
            columns: row.get("columns"),
        })
        .collect()
}

/// A copy of a row with some columns set; a new id, unless it is to be the same row again.
async fn copy_row(pool: &PgPool, table: &str, set: &str, same: bool) -> String {
    let columns: Vec<String> = sqlx::query_scalar(
        "SELECT column_name::text FROM information_schema.columns
         WHERE table_schema = 'public' AND table_name = $1 AND is_generated = 'NEVER' ORDER BY ordinal_position",
    )
    .bind(table)
    .fetch_all(pool)
    .await
    .unwrap();
    let mut values: BTreeMap<&str, String> =
        columns.iter().map(|column| (column.as_str(), column.clone())).collect();
    if !same && columns.iter().any(|column| column == "id") {
        values.insert("id", "gen_random_uuid()".to_owned());
    }
    for (column, value) in set.split(", ").filter_map(|part| part.split_once(" = ")) {
        values.insert(columns.iter().find(|name| *name == column).unwrap(), value.to_owned());
    }
    let position = values.remove("position");
    let names: Vec<&str> = values.keys().copied().collect();
    let list: Vec<String> = values.into_values().collect();
    let (more, overriding) =
        if position.is_some() && same { (", position", " OVERRIDING SYSTEM VALUE") } else { ("", "") };
    format!(
        "INSERT INTO {table} ({}{more}){overriding} SELECT {}{more} FROM {table} LIMIT 1",
        names.join(", "),
        list.join(", ")
    )
}

/// The name of the constraint that a statement violates; whatever it does is undone.
async fn violated(pool: &PgPool, table: &str, sql: &str) -> Option<String> {
    let mut tx = storage::begin(pool).await.unwrap();
    // Evidence refuses updates before its constraints are looked at.
    let disable = format!("ALTER TABLE {table} DISABLE TRIGGER USER");
    sqlx::query(sqlx::AssertSqlSafe(disable)).execute(&mut *tx).await.unwrap();
    let all = "SET CONSTRAINTS ALL IMMEDIATE";
    let mut done = sqlx::query(sqlx::AssertSqlSafe(sql.to_owned())).execute(&mut *tx).await.map(|_| ());
    if done.is_ok() {
        done = sqlx::query(all).execute(&mut *tx).await.map(|_| ());
    }
    match done {
        Ok(()) => None,
        Err(sqlx::Error::Database(error)) => Some(error.constraint().unwrap_or(error.message()).to_owned()),
        Err(error) => panic!("{sql}: {error}"),
    }
}

#[tokio::test]
async fn every_constraint_is_violated_by_something() {
    let town = Town::open().await;
    fill_every_table(&town).await;
    let found = constraints(&town.admin).await;
    let (mut seen, mut wrong) = (BTreeSet::new(), vec![]);
    for constraint in &found {
        let (name, table) = (constraint.name.as_str(), constraint.table.as_str());
        let own = BROKEN.iter().chain(FOREIGN).find(|(broken, _, _)| *broken == name);
        let sql = match (own, constraint.kind) {
            (Some((_, _, "PRIMARY")), _) | (None, 'p') => copy_row(&town.admin, table, "", true).await,
            (Some((_, _, set)), _) if set.starts_with('+') => {
                copy_row(&town.admin, table, set.trim_start_matches(['+', ' ']), false).await
            }
            (Some((_, _, set)), _) => {
                format!("UPDATE {table} SET {set} WHERE ctid = (SELECT ctid FROM {table} LIMIT 1)")
            }
            (None, 'f') if otherwise(name).is_some() => otherwise(name).unwrap().to_owned(),
            (None, 'f') => {
                let column = &constraint.columns[0];
                format!(
                    "UPDATE {table} SET {column} = gen_random_uuid()
                     WHERE ctid = (SELECT ctid FROM {table} WHERE {column} IS NOT NULL LIMIT 1)"
                )
            }
            _ => {
                wrong.push(format!("{name} has no line"));
                continue;
            }
        };
        let got = violated(&town.admin, table, &sql).await;
        // The same row again violates the primary key first; a second unique constraint over it and
        // more columns can never be violated alone.
        let primary = own.is_some_and(|(_, _, set)| *set == "PRIMARY");
        let expected = if primary { format!("{table}_pkey") } else { name.to_owned() };
        if got.as_deref() != Some(expected.as_str()) {
            wrong.push(format!("{name}: {got:?} by {sql}"));
        }
        seen.insert(name);
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let stale: Vec<_> = BROKEN.iter().map(|(name, _, _)| *name).filter(|name| !seen.contains(name)).collect();
    assert!(stale.is_empty(), "no such constraints: {stale:?}");
    assert!(found.len() > 180, "{}", found.len());
    town.close_touched().await;
}

#[tokio::test]
async fn the_service_role_cannot_unmake_evidence() {
    let town = Town::open().await;
    town.tenants_key(json!({})).await;
    for table in [
        "log_entries",
        "log_pending",
        "log_leaves",
        "erased_disclosures",
        "changes",
        "decisions",
        "approvals",
        "cuts",
        "hand_overs",
        "hand_over_keys",
        "rule_versions",
        "default_rules",
        "history",
        "actors",
    ] {
        for sql in [
            format!("DELETE FROM {table}"),
            format!("TRUNCATE {table} CASCADE"),
            format!("UPDATE {table} SET ctid = ctid"),
        ] {
            // `ctid` cannot be set by anybody: the right to update is asked for by name.
            if sql.starts_with("UPDATE") {
                let may: bool = sqlx::query_scalar("SELECT has_any_column_privilege($1, 'UPDATE')")
                    .bind(table)
                    .fetch_one(&town.app.pool)
                    .await
                    .unwrap();
                assert!(!may, "{table}");
                continue;
            }
            let refused =
                sqlx::query(sqlx::AssertSqlSafe(sql.clone())).execute(&town.app.pool).await.unwrap_err();
            let code =
                refused.as_database_error().and_then(|error| error.code().map(std::borrow::Cow::into_owned));
            // An entry leaves the queue only with its index: the database sees to it by itself.
            let expected = if sql == "DELETE FROM log_pending" { "23000" } else { "42501" };
            assert_eq!(code.as_deref(), Some(expected), "{sql}: {refused}");
        }
    }
    // Not even the owner of the tables changes an entry without taking the triggers away first.
    for table in ["log_entries", "changes", "decisions", "rule_versions", "default_rules"] {
        let sql = format!("DELETE FROM {table}");
        let refused = sqlx::query(sqlx::AssertSqlSafe(sql)).execute(&town.admin).await.unwrap_err();
        assert!(refused.to_string().contains("is evidence"), "{refused}");
    }
    town.close().await;
}
