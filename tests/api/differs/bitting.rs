//! Bitting: encrypted at rest, shown on a cutting sheet to the counter that may cut, and nowhere else (I10).

use serde_json::json;

use crate::harness::{MASTER_KEY, Town};
use application::secrets;
use crypto::vault::Vault;

const HEIGHTS: [u8; 6] = [13, 7, 29, 3, 17, 11];

async fn with_bitting(town: &Town) {
    let path = format!("/v1/differs/{}/bitting", town.differ);
    town.supplier.post(&path, json!({"heights": HEIGHTS})).await.expect(201);
}

#[tokio::test]
async fn a_counter_sees_the_bitting_of_an_open_authorisation_and_each_look_is_an_entry() {
    let town = Town::open().await;
    with_bitting(&town).await;
    let id = town.authorised(json!({"quantity": 2})).await;
    let path = format!("/v1/copy-requests/{id}/cutting-sheet");
    for _ in 0..2 {
        let look = town.counter_staff.post(&path, json!({})).await;
        assert_eq!(look.outcome(), "permitted", "{}", look.text);
        assert_eq!(look.body["sheet"]["heights"], json!(HEIGHTS));
        assert_eq!(look.body["sheet"]["left"], 2);
        assert_eq!(look.headers["cache-control"], "no-store");
    }
    let looks = "SELECT count(*) FROM decisions WHERE step = 'look'";
    assert_eq!(town.count(looks).await, 2);
    town.cut(&id, 1).await;
    let look = town.counter_staff.post(&path, json!({})).await;
    assert_eq!(look.body["sheet"]["left"], 1);
    // Nothing left to cut: no more to see.
    town.cut(&id, 1).await;
    let look = town.counter_staff.post(&path, json!({})).await;
    assert_eq!(look.codes(), ["authorisation_spent"]);
    assert_eq!(look.body["sheet"], json!(null));
    town.close().await;
}

#[tokio::test]
async fn nobody_else_and_nothing_that_is_on_hold_or_over_shows_bitting() {
    let town = Town::open().await;
    with_bitting(&town).await;
    let id = town.authorised(json!({})).await;
    let path = format!("/v1/copy-requests/{id}/cutting-sheet");
    for who in [&town.supplier, &town.owner, &town.tenant, &town.other_counter_staff, &town.stranger] {
        who.post(&path, json!({})).await.expect(404);
    }
    let hold = json!({"kind": "dispute"});
    let holds = format!("/v1/registrations/{}/holds", town.registration);
    let hold = town.owner.post(&holds, hold).await.id();
    let look = town.counter_staff.post(&path, json!({})).await;
    assert_eq!((look.codes(), look.body["sheet"].is_null()), (vec!["registration_on_hold".to_owned()], true));
    town.owner.post(format!("/v1/holds/{hold}/lift"), json!({})).await.expect(200);
    town.supplier
        .post(format!("/v1/appointments/{}/revocation", town.appointment), json!({}))
        .await
        .expect(200);
    let look = town.counter_staff.post(&path, json!({})).await;
    assert_eq!(look.codes(), ["counter_not_appointed"]);
    town.owner.post(format!("/v1/copy-requests/{id}/withdrawal"), json!({})).await.expect(200);
    town.counter_staff.post(&path, json!({})).await.expect(409);
    town.close().await;
}

#[tokio::test]
async fn bitting_is_recorded_once_and_a_wrong_one_is_not_repeated() {
    let town = Town::open().await;
    let path = format!("/v1/differs/{}/bitting", town.differ);
    for wrong in [json!([1]), json!([1, 777]), json!("1 2 3"), json!([1, 2.5]), json!(null)] {
        let refused = town.supplier.post(&path, json!({"heights": wrong})).await;
        assert_eq!(refused.body["errors"][0]["pointer"], "/heights");
        // The id of the request holds any digits.
        let said = refused.text.replace(refused.headers["x-request-id"].to_str().unwrap(), "");
        assert!(!said.contains("777"), "{said}");
    }
    with_bitting(&town).await;
    town.supplier.post(&path, json!({"heights": [1, 2, 3]})).await.expect(409);
    town.close().await;
}

/// What a dump of the whole database holds, row by row.
async fn dump(town: &Town) -> String {
    let tables: Vec<String> = sqlx::query_scalar(
        "SELECT tablename::text FROM pg_tables WHERE schemaname = 'public' ORDER BY tablename",
    )
    .fetch_all(&town.admin)
    .await
    .unwrap();
    let mut text = String::new();
    for table in tables {
        let sql = format!("SELECT coalesce(string_agg(t::text, E'\\n'), '') FROM {table} t");
        let rows: String = sqlx::query_scalar(sqlx::AssertSqlSafe(sql)).fetch_one(&town.admin).await.unwrap();
        text.push_str(&rows);
    }
    text
}

#[tokio::test]
async fn a_dump_holds_no_bitting_and_no_second_factor_in_the_clear() {
    let town = Town::open().await;
    with_bitting(&town).await;
    let secret = town.second_factor(&town.account("Twofold").await).await.0;
    let secret = totp_bytes(&secret);
    let id = town.authorised(json!({})).await;
    town.counter_staff.post(format!("/v1/copy-requests/{id}/cutting-sheet"), json!({})).await.expect(201);
    town.cut(&id, 1).await;
    // What a metric or an answer to whoever asks for too much could show.
    let mut text = dump(&town).await + &town.app.log.metrics.text();
    for who in [&town.tenant, &town.owner, &town.manager, &town.supplier, &town.counter_staff] {
        for path in [
            format!("/v1/registrations/{}/differs", town.registration),
            format!("/v1/registrations/{}/register.csv", town.registration),
            format!("/v1/registrations/{}/as-of?at={}", town.registration, town.clock_text()),
            format!("/v1/history/{}?at={}", town.differ, town.clock_text()),
            format!("/v1/differs/{}/bitting", town.differ),
            format!("/v1/copy-requests/{id}"),
            format!("/v1/copy-requests/{id}/decisions"),
        ] {
            text.push_str(&who.get(path).await.text);
        }
    }
    let again =
        town.supplier.post(format!("/v1/differs/{}/bitting", town.differ), json!({"heights": HEIGHTS}));
    text.push_str(&again.await.text);
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    let spelled = |between: &str| HEIGHTS.map(|height| height.to_string()).join(between);
    for planted in [hex(&HEIGHTS), spelled(", "), spelled(","), spelled(" "), spelled("-"), hex(&secret)] {
        assert!(!text.contains(&planted), "{planted}");
    }
    // The dump is one that would show them: the registration's premises are in it.
    assert!(text.contains("3 Alder Rise"));
    town.close().await;
}

fn totp_bytes(base32: &str) -> Vec<u8> {
    let alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
    let bits: String =
        base32.chars().map(|letter| format!("{:05b}", alphabet.find(letter).unwrap())).collect();
    bits.as_bytes()
        .chunks_exact(8)
        .map(|byte| u8::from_str_radix(std::str::from_utf8(byte).unwrap(), 2).unwrap())
        .collect()
}

#[tokio::test]
async fn what_was_sealed_is_still_read_after_its_keys_were_rotated() {
    let mut town = Town::open().await;
    with_bitting(&town).await;
    let id = town.authorised(json!({})).await;
    let old: Vec<u8> =
        sqlx::query_scalar("SELECT sealed FROM bittings").fetch_one(&town.admin).await.unwrap();
    let new_master = "ICEiIyQlJicoKSorLC0uLzAxMjM0NTY3ODk6Ozw9Pj8".to_owned();
    town.app.vault = std::sync::Arc::new(Vault::new(&[new_master.clone(), MASTER_KEY.to_owned()]).unwrap());
    let rotated = secrets::rotate(&town.app).await.unwrap();
    assert_eq!((rotated.wrapped, rotated.sealed, rotated.deleted), (1, 1, 1));
    let sealed: Vec<u8> =
        sqlx::query_scalar("SELECT sealed FROM bittings").fetch_one(&town.admin).await.unwrap();
    assert_ne!(old, sealed);
    // The old master key is gone; a service that has only the new one still shows the sheet.
    town.app.vault = std::sync::Arc::new(Vault::new(&[new_master]).unwrap());
    let router = web::router(town.app.clone(), Default::default());
    let staff = crate::harness::Actor { router, ..town.counter_staff.clone() };
    let look = staff.post(format!("/v1/copy-requests/{id}/cutting-sheet"), json!({})).await;
    assert_eq!(look.body["sheet"]["heights"], json!(HEIGHTS));
    // Another row's bitting does not open here.
    let (_, other, ..) = town.premises("8 Alder Rise", "N-1").await;
    let path = format!("/v1/differs/{other}/bitting");
    let supplier = crate::harness::Actor { router: staff.router.clone(), ..town.supplier.clone() };
    // What was taken before the rotation is taken after it.
    supplier.post(&path, json!({"heights": HEIGHTS})).await.expect(409);
    supplier.post(&path, json!({"heights": [2, 2, 2, 2, 2, 2]})).await.expect(201);
    let copied = "UPDATE bittings SET sealed = (SELECT sealed FROM bittings other
                  WHERE other.differ_id <> bittings.differ_id)";
    sqlx::query(copied).execute(&town.admin).await.unwrap();
    let broken = staff.post(format!("/v1/copy-requests/{id}/cutting-sheet"), json!({})).await;
    assert_eq!(broken.status, 500);
    assert!(!broken.text.contains("bitting"), "{}", broken.text);
    // Each where it belongs again.
    sqlx::query(copied).execute(&town.admin).await.unwrap();
    town.close().await;
}
