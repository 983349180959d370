//! Every constraint of the database has a row here that violates it, and is named when it is.
//!
//! A register with something in every table is made over HTTP. Foreign keys are tried by pointing a
//! row at nothing, primary keys by the same row again; checks, unique and exclusion constraints have
//! their own line in [`BROKEN`].

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;
use sqlx::{PgPool, Row};
use time::Duration;

use super::harness::Town;

/// Constraint, table, and what to set in a copy of a row (for uniqueness) or in the row (for checks).
/// A line that begins with `+` is a copy with a new id.
const BROKEN: &[(&str, &str, &str)] = &[
    ("accounts_failures", "accounts", "failures = -1"),
    ("accounts_password_argon2id", "accounts", "password_hash = 'plain'"),
    ("accounts_totp_confirmed", "accounts", "totp_secret = NULL, totp_confirmed_at = changed_at"),
    ("accounts_totp_length", "accounts", "totp_secret = 'short'"),
    (
        "accounts_totp_sealed",
        "accounts",
        "totp_secret = NULL, totp_key_id = gen_random_uuid(), totp_confirmed_at = NULL",
    ),
    ("actors_id_kind", "actors", "PRIMARY"),
    ("actors_kind", "actors", "kind = 'ghost'"),
    ("answers_one_at_a_time", "answers", "+"),
    ("answers_stretch", "answers", "until = since"),
    ("appointments_days", "appointments", "last_day = first_day - 1"),
    ("appointments_one_at_a_time", "appointments", "+"),
    ("approvals_once", "approvals", "+"),
    ("authorities_class", "authorities", "class = 'king'"),
    ("authorities_days", "authorities", "last_day = first_day - 1"),
    ("authorities_id_registration", "authorities", "PRIMARY"),
    ("authorities_most_keys", "authorities", "most_keys = 0"),
    ("authorities_most_per_request", "authorities", "most_per_request = 0"),
    (
        "authorities_occupier_is_person",
        "authorities",
        "occupier = true, class = 'agent', person_id = NULL, organisation_id = (SELECT id FROM organisations LIMIT 1)",
    ),
    ("authorities_one_holder", "authorities", "person_id = NULL, organisation_id = NULL"),
    (
        "authorities_organisation_is_agent",
        "authorities",
        "person_id = NULL, class = 'owner', organisation_id = (SELECT id FROM organisations LIMIT 1)",
    ),
    ("authorities_post_name", "authorities", "post = 'The Dean'"),
    ("authorities_standing", "authorities", "standing = 'A Student'"),
    ("blank_accounts_balance", "blank_accounts", "on_hand = on_hand + 1"),
    ("blank_accounts_cut", "blank_accounts", "cut = -1, received = received - 1 - cut"),
    ("blank_accounts_missing", "blank_accounts", "missing = -1, received = received - 1 - missing"),
    ("blank_accounts_most_held", "blank_accounts", "most_held = -1"),
    ("blank_accounts_on_the_way", "blank_accounts", "on_the_way = -1"),
    ("blank_accounts_on_hand", "blank_accounts", "on_hand = -1, received = received - 1 - on_hand"),
    ("blank_accounts_returned", "blank_accounts", "returned = -1, received = received - 1"),
    ("blank_accounts_spoiled", "blank_accounts", "spoiled = -1, received = received - 1"),
    ("bittings_sealed", "bittings", "sealed = 'short'"),
    (
        "blank_differences_cut_once",
        "blank_differences",
        "cut_id = (SELECT cut_id FROM blank_differences WHERE cut_id IS NOT NULL), movement_id = NULL",
    ),
    (
        "blank_differences_explained",
        "blank_differences",
        "explanation = NULL, explained_at = found_at, explained_by = NULL",
    ),
    (
        "blank_differences_explanation",
        "blank_differences",
        "explanation = 'elves', explained_at = found_at, explained_by = gen_random_uuid()",
    ),
    (
        "blank_differences_movement_once",
        "blank_differences",
        "+ cut_id = NULL, movement_id = (SELECT movement_id FROM blank_differences WHERE movement_id IS NOT NULL LIMIT 1)",
    ),
    ("blank_differences_one_origin", "blank_differences", "movement_id = NULL, cut_id = NULL"),
    ("blank_differences_quantity", "blank_differences", "quantity = 0"),
    ("blank_differences_remark", "blank_differences", "remark = ''"),
    (
        "blank_movements_confirmed",
        "blank_movements",
        "confirmed_by = NULL, confirmed_at = made_at, confirmed_quantity = 1",
    ),
    (
        "blank_movements_confirmed_quantity",
        "blank_movements",
        "confirmed_quantity = -1, confirmed_at = made_at, confirmed_by = gen_random_uuid()",
    ),
    ("blank_movements_kind", "blank_movements", "kind = 'flight', copy_request_id = NULL"),
    ("blank_movements_quantity", "blank_movements", "quantity = 0, kind = 'return'"),
    ("blank_movements_remark", "blank_movements", "remark = ''"),
    (
        "blank_movements_spoil_of_request",
        "blank_movements",
        "kind = 'return', copy_request_id = (SELECT id FROM copy_requests LIMIT 1)",
    ),
    (
        "blank_movements_two_sides",
        "blank_movements",
        "confirmed_by = made_by, confirmed_at = made_at, confirmed_quantity = 1",
    ),
    ("card_refusals_code", "card_refusals", "code = 'No'"),
    (
        "cards_replaced_once",
        "cards",
        "+ state = 'revoked', number = '00000000000001', status_index = 1, replaces_id = (SELECT replaces_id FROM cards WHERE replaces_id IS NOT NULL)",
    ),
    ("cards_status_index", "cards", "status_index = -1"),
    ("cards_status_index_once", "cards", "+ state = 'revoked', number = '00000000000001'"),
    ("cards_number", "cards", "number = '12345678901283'"),
    (
        "cards_number_once",
        "cards",
        "+ status_index = 1, person_id = (SELECT id FROM people ORDER BY id DESC LIMIT 1)",
    ),
    (
        "cards_one_current",
        "cards",
        "+ status_index = 1, replaces_id = NULL, state = 'valid', person_id = (SELECT person_id FROM cards WHERE state = 'valid' LIMIT 1), number = '00000000000001'",
    ),
    ("cards_pin_argon2id", "cards", "pin_hash = '1234'"),
    ("cards_pin_failures", "cards", "pin_failures = -1"),
    ("cards_state", "cards", "state = 'eaten'"),
    ("changes_entry_once", "changes", "+"),
    ("client_programs_name", "client_programs", "name = ''"),
    ("client_programs_secret", "client_programs", "secret_hash = 'short'"),
    ("copy_requests_authorised", "copy_requests", "lapses_at = NULL, authorised_at = asked_at"),
    (
        "copy_requests_authorised_state",
        "copy_requests",
        "state = 'completed', authorised_at = NULL, lapses_at = NULL, cut_count = 0, handed_count = 0",
    ),
    ("copy_requests_counts", "copy_requests", "handed_count = cut_count + 1"),
    (
        "copy_requests_cut_needs_authorisation",
        "copy_requests",
        "state = 'waiting', authorised_at = NULL, lapses_at = NULL, cut_count = 1, handed_count = 0",
    ),
    ("copy_requests_emergency_reason", "copy_requests", "emergency_reason = ''"),
    (
        "copy_requests_purpose",
        "copy_requests",
        "purpose = 'fun', replaces_key_id = (SELECT id FROM keys LIMIT 1), quantity = 1, cut_count = 0, handed_count = 0",
    ),
    ("copy_requests_quantity", "copy_requests", "quantity = 1001"),
    (
        "copy_requests_replaces",
        "copy_requests",
        "purpose = 'replace_worn', replaces_key_id = NULL, quantity = 1, cut_count = 0, handed_count = 0",
    ),
    (
        "copy_requests_replaces_one",
        "copy_requests",
        "purpose = 'replace_worn', quantity = 2, replaces_key_id = (SELECT id FROM keys LIMIT 1)",
    ),
    ("copy_requests_state", "copy_requests", "state = 'dreaming'"),
    ("copy_requests_version", "copy_requests", "version = 0"),
    ("counters_name", "counters", "name = ''"),
    ("counters_time_zone", "counters", "time_zone = ''"),
    ("cuts_decision_once", "cuts", "+"),
    ("cuts_quantity", "cuts", "quantity = 0"),
    ("data_keys_master_key", "data_keys", "master_key = 'x'"),
    ("data_keys_one_current", "data_keys", "+"),
    ("data_keys_wrapped", "data_keys", "wrapped = 'x'"),
    ("decisions_act", "decisions", "act = 'dance'"),
    ("decisions_entry_once", "decisions", "+"),
    ("decisions_outcome", "decisions", "outcome = 'perhaps'"),
    ("default_rules_version", "default_rules", "version = 0"),
    ("differs_id_registration", "differs", "PRIMARY"),
    ("differs_level", "differs", "level = 'planet'"),
    ("differs_number", "differs", "number = 'lower case'"),
    ("differs_number_once", "differs", "+"),
    ("hand_overs_decision_once", "hand_overs", "+"),
    ("hand_overs_document", "hand_overs", "document_seen = 'library card'"),
    (
        "holds_barred_by_court",
        "holds",
        "kind = 'loss', court = NULL, barred_person_id = (SELECT id FROM people LIMIT 1)",
    ),
    ("holds_court", "holds", "court = ''"),
    ("holds_court_named", "holds", "kind = 'court_order', court = NULL"),
    ("holds_kind", "holds", "kind = 'mood', court = NULL, barred_person_id = NULL"),
    ("holds_lifted", "holds", "lifted_at = placed_at, lifted_by = NULL"),
    ("holds_lifted_after", "holds", "lifted_at = placed_at - interval '1 day', lifted_by = placed_by"),
    ("idempotency_keys_hash", "idempotency_keys", "request_hash = 'short'"),
    ("idempotency_keys_key", "idempotency_keys", "key = ''"),
    ("invitations_hash", "invitations", "token_hash = 'short'"),
    ("keys_copy_number", "keys", "copy_number = 0"),
    ("keys_copy_number_once", "keys", "+"),
    ("keys_held_by_somebody", "keys", "state = 'with_person', holder_id = NULL"),
    ("keys_one_origin", "keys", "cut_id = NULL, lever_pack_id = NULL"),
    ("keys_state", "keys", "state = 'melted'"),
    ("keys_store_has_no_holder", "keys", "state = 'in_store', holder_id = (SELECT id FROM people LIMIT 1)"),
    ("keys_version", "keys", "version = 0"),
    ("lever_packs_number", "lever_packs", "number = 'lower case'"),
    ("lever_packs_number_once", "lever_packs", "+"),
    ("locks_hand", "locks", "hand = 'third'"),
    ("locks_id_registration", "locks", "PRIMARY"),
    ("locks_kind", "locks", "kind = 'door'"),
    ("locks_label", "locks", "label = ''"),
    ("locks_label_once", "locks", "+"),
    ("locks_room_class", "locks", "room_class = 'Big Room'"),
    ("locks_standard", "locks", "standard = ''"),
    ("locks_version", "locks", "version = 0"),
    ("log_entries_body_length", "log_entries", "body = ''"),
    ("log_entries_kind", "log_entries", "kind = 'rumour'"),
    ("log_leaves_entry_once", "log_leaves", "+ index = 999999"),
    ("log_leaves_index", "log_leaves", "index = -1"),
    ("log_leaves_log", "log_leaves", "log = 99"),
    ("log_pending_entry_once", "log_pending", "+ position = DEFAULT"),
    ("log_published_log", "log_published", "log = 99"),
    ("log_published_size", "log_published", "size = -1"),
    ("log_tiles_hashes", "log_tiles", "hashes = 'short'"),
    ("log_tiles_index", "log_tiles", "index = -1"),
    ("log_tiles_level", "log_tiles", "level = 64"),
    ("log_tiles_log", "log_tiles", "log = 99"),
    ("logs_number", "logs", "number = 0"),
    ("logs_one_open", "logs", "+ number = 2, origin = 'another.example'"),
    ("logs_origin_once", "logs", "+ number = 2"),
    ("logs_root", "logs", "root = 'short'"),
    ("logs_size", "logs", "size = -1"),
    ("losses_charge", "losses", "charge = 'someday', charge_amount = 1, charge_currency = 'GBP'"),
    ("losses_charge_amount", "losses", "charge_amount = -1"),
    ("losses_charge_currency", "losses", "charge_currency = 'pounds'"),
    ("losses_charge_stated", "losses", "charge = 'due', charge_amount = NULL"),
    ("losses_crime_reference", "losses", "crime_reference = ''"),
    ("losses_found_after", "losses", "found_at = reported_at - interval '1 day'"),
    ("losses_key_once", "losses", "+"),
    ("losses_kind", "losses", "kind = 'eaten'"),
    ("losses_waived", "losses", "waived_by_post = 'dean', charge = 'none'"),
    (
        "losses_waived_by_post",
        "losses",
        "waived_by_post = 'The Dean', charge = 'waived', charge_amount = 1, charge_currency = 'GBP'",
    ),
    ("mandates_days", "mandates", "last_day = first_day - 1"),
    ("mandates_two_people", "mandates", "collector_id = recipient_id"),
    ("memberships_days", "memberships", "last_day = first_day - 1"),
    ("memberships_one_at_a_time", "memberships", "+"),
    ("memberships_post", "memberships", "post = 'king'"),
    ("offline_cuts_beyond", "offline_cuts", "beyond = -1"),
    ("opening_hours_order", "opening_hours", "closes = opens"),
    ("opening_hours_weekday", "opening_hours", "weekday = 8"),
    ("organisations_kind", "organisations", "kind = 'guild'"),
    ("organisations_name", "organisations", "name = ''"),
    ("organisations_one_supplier", "organisations", "+ kind = 'supplier'"),
    ("people_erased", "people", "erased_at = created_at, email = 'left@town.example'"),
    ("people_email", "people", "email = 'LOUD@PLACE.EXAMPLE'"),
    (
        "people_email_once",
        "people",
        "email = (SELECT email FROM people p WHERE p.id <> people.id AND p.email IS NOT NULL LIMIT 1)",
    ),
    ("people_name", "people", "name = ''"),
    ("refresh_tokens_hash", "refresh_tokens", "token_hash = 'short'"),
    ("registrations_number", "registrations", "number = '12345678901283'"),
    ("registrations_number_once", "registrations", "+"),
    ("registrations_premises", "registrations", "premises = ''"),
    ("registrations_version", "registrations", "version = 0"),
    ("rule_versions_version", "rule_versions", "version = 0"),
    (
        "sections_dates_in_order",
        "sections",
        "protection = 'patent', territory = 'UK', filed_on = '2020-01-01', last_expiry_on = '2019-01-01'",
    ),
    ("sections_name", "sections", "name = ''"),
    ("sections_name_once", "sections", "+"),
    (
        "sections_protection",
        "sections",
        "protection = 'magic', territory = 'UK', filed_on = '2020-01-01', last_expiry_on = '2021-01-01'",
    ),
    ("sections_protection_dates", "sections", "protection = 'patent', territory = NULL"),
    ("sections_territory", "sections", "territory = ''"),
    ("sections_version", "sections", "version = 0"),
    ("signatures_strokes", "signatures", "strokes = ''"),
    ("status_lists_number", "status_lists", "number = 0"),
    ("status_lists_size", "status_lists", "size = 6"),
    ("status_lists_used", "status_lists", "used = size + 1"),
    ("sessions_end_after_start", "sessions", "expires_at = started_at"),
];

/// Foreign keys whose rows cannot be pointed elsewhere by an update of one column, and how to break them.
const FOREIGN: &[(&str, &str, &str)] = &[
    ("people_actor", "people", "+ email = NULL"),
    ("client_programs_actor", "client_programs", "+"),
    ("cards_status_list", "cards", "status_list = 99"),
];

async fn fill_every_table(town: &Town) {
    let program = format!("/v1/organisations/{}/client-programs", town.dealer);
    town.keeper.post(program, json!({"name": "till"})).await.expect(201);
    town.keeper.change("PUT", "/v1/default-rules", 0, json!({"rules": {}})).await.expect(200);
    let narrow = json!({"class": "keyholder", "person_id": town.stranger.id, "differ_ids": [town.differ],
        "first_day": "2026-01-01"});
    town.owner.post(format!("/v1/registrations/{}/authorities", town.registration), narrow).await.expect(201);
    let mandate = json!({"recipient_id": town.tenant.id, "collector_id": town.signatory.id,
        "first_day": "2026-11-01", "last_day": "2026-11-30"});
    town.tenant.post(format!("/v1/registrations/{}/mandates", town.registration), mandate).await.expect(201);
    let key = town.tenants_key(json!({})).await;
    town.tenant.post(format!("/v1/keys/{key}/loss"), json!({"kind": "lost"})).await.expect(201);
    let hold = json!({"kind": "loss"});
    town.owner.post(format!("/v1/registrations/{}/holds", town.registration), hold).await.expect(201);
    let invited = town.keeper.post("/v1/people", json!({"name": "Ada", "email": "ada@town.example"})).await;
    let accept = json!({"token": invited.body["invitation_token"], "password": "twelve letters and more"});
    town.anon.post("/v1/invitations/accept", accept).await;
    let sign_in = json!({"email": "ada@town.example", "password": "twelve letters and more"});
    town.anon.post("/v1/sessions", sign_in).await.expect(201);
    fill_the_counter(town, &key).await;
    town.pass(Duration::seconds(1));
    town.sequencer.round().await.unwrap();
    let recovered = "INSERT INTO log_recovered SELECT id FROM log_entries LIMIT 1";
    sqlx::query(recovered).execute(&town.admin).await.unwrap();
    town.ask(&town.tenant, json!({})).await.expect(201);
}

/// Bitting, second factors, blanks that differ, a replaced card, a refused check, a cut without a network.
async fn fill_the_counter(town: &Town, key: &str) {
    let heights = json!({"heights": [1, 2, 3, 4, 5]});
    town.keeper.post(format!("/v1/differs/{}/bitting", town.differ), heights).await.expect(201);
    let account = "INSERT INTO accounts (person_id, password_hash, changed_at) SELECT id, $1, created_at
                   FROM people WHERE id = $2::uuid";
    sqlx::query(account)
        .bind("$argon2id$x")
        .bind(town.manager.id.parse::<uuid::Uuid>().unwrap())
        .execute(&town.admin)
        .await
        .unwrap();
    town.manager.post("/v1/me/second-factor", json!({})).await.expect(201);
    let at = |what: &str| format!("/v1/counters/{}/{what}", town.counter);
    let asked = town.keeper.get(format!("/v1/keys/{key}")).await.expect(200);
    assert_eq!(asked["state"], "lost");
    let request: uuid::Uuid =
        sqlx::query_scalar("SELECT id FROM copy_requests LIMIT 1").fetch_one(&town.admin).await.unwrap();
    let spoiled = json!({"section_id": town.section, "quantity": 1, "copy_request_id": request});
    town.counter_staff.post(at("spoiled-blanks"), spoiled).await.expect(201);
    let counted = json!({"section_id": town.section, "counted": 30});
    town.counter_staff.post(at("blank-counts"), counted).await.expect(201);
    let open = town.keeper.get(at("blank-differences")).await.expect(200);
    let difference = open["items"][0]["id"].as_str().unwrap().to_owned();
    let explained = json!({"explanation": "missing"});
    let path = format!("/v1/blank-differences/{difference}/explanation");
    town.keeper.post(path, explained).await.expect(200);
    // More keys than there are blanks.
    let offline = json!({"copy_request_id": request, "quantity": 40, "cut_at": town.clock_text()});
    town.counter_staff.post(at("offline-cuts"), offline).await.expect(201);
    let hours = json!({"time_zone": "Europe/London",
        "hours": [{"weekday": 1, "opens": "09:00", "closes": "17:30"}]});
    town.keeper.post(at("opening-hours"), hours).await.expect(200);
    town.keeper.post(format!("/v1/cards/{}/replacement", town.card.0), json!({})).await.expect(201);
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
    let mut tx = pool.begin().await.unwrap();
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

#[sqlx::test]
async fn every_constraint_is_violated_by_something(pool: PgPool) {
    let town = Town::open(pool).await;
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
        let sql = if constraint.kind == 'f' && own.is_none() && needs_another_row(name) {
            other_row(name).to_owned()
        } else {
            sql
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
    town.close().await;
}

/// Foreign keys whose column is empty in every row of the fixture: they are given a value.
fn needs_another_row(name: &str) -> bool {
    !other_row(name).is_empty()
}

fn other_row(name: &str) -> &'static str {
    match name {
        "differs_registration" => {
            "INSERT INTO differs SELECT gen_random_uuid(), gen_random_uuid(), section_id, 'ZZ-9', level, changed_at
             FROM differs LIMIT 1"
        }
        "blank_accounts_counter" => {
            "INSERT INTO blank_accounts SELECT gen_random_uuid(), section_id, 0, 0, 0, 0, 0 FROM blank_accounts LIMIT 1"
        }
        "blank_accounts_section" => {
            "INSERT INTO blank_accounts SELECT counter_id, gen_random_uuid(), 0, 0, 0, 0, 0 FROM blank_accounts LIMIT 1"
        }
        "rule_versions_registration" => {
            "INSERT INTO rule_versions SELECT gen_random_uuid(), 1, rules, made_by, made_at FROM rule_versions LIMIT 1"
        }
        "locks_registration" => {
            "INSERT INTO locks (id, registration_id, label, kind, escape_route, version, changed_at)
             SELECT gen_random_uuid(), gen_random_uuid(), label, kind, escape_route, 1, changed_at FROM locks LIMIT 1"
        }
        "answers_differ" => "UPDATE answers SET differ_id = gen_random_uuid()",
        "authorities_registration" => {
            "UPDATE authorities SET registration_id = gen_random_uuid() WHERE class = 'keyholder' AND every_differ"
        }
        "copy_requests_differ" => "UPDATE copy_requests SET differ_id = gen_random_uuid()",
        "authorities_given_under" => "UPDATE authorities SET given_under = gen_random_uuid()",
        "copy_requests_extends" => "UPDATE copy_requests SET extends_request_id = gen_random_uuid()",
        "copy_requests_replaced_key" => {
            "UPDATE copy_requests SET purpose = 'replace_worn', quantity = 1, replaces_key_id = gen_random_uuid()"
        }
        "holds_barred_person" => {
            "UPDATE holds SET kind = 'court_order', court = 'x', barred_person_id = gen_random_uuid()"
        }
        "holds_lifted_by" => "UPDATE holds SET lifted_at = placed_at, lifted_by = gen_random_uuid()",
        "changes_registration" => "UPDATE changes SET registration_id = gen_random_uuid()",
        "registrations_rules" => "UPDATE registrations SET rules_version = 99",
        "registrations_section" => "UPDATE registrations SET section_id = gen_random_uuid()",
        _ => "",
    }
}

#[sqlx::test]
async fn the_service_role_cannot_unmake_evidence(pool: PgPool) {
    let town = Town::open(pool).await;
    town.tenants_key(json!({})).await;
    for table in [
        "log_entries",
        "log_pending",
        "log_leaves",
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
