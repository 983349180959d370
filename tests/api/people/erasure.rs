//! Erasing a person (I12).

use serde_json::{Value, json};

use crate::harness::Town;
use crate::log::asked;
use crate::sites;
use domain::disclosures;
use evidence_log::receipt::Receipt;

#[tokio::test]
async fn erasing_a_person_leaves_the_log_verifiable_and_says_so() {
    let town = Town::open().await;
    let entry = asked(&town).await;
    town.sequencer.round().await.unwrap();
    let path = format!("/v1/people/{}/erasure", town.tenant.id);
    let under = json!({"under": "uk_gdpr_17"});
    let refused = town.supplier.post(&path, under.clone()).await;
    assert_eq!(refused.status, 409);
    assert_eq!(refused.body["state"], "in_use");
    let detail = refused.body["detail"].as_str().unwrap();
    assert!(["an authority", "a card", "an open request"].iter().all(|tie| detail.contains(tie)), "{detail}");
    // Nothing of it happened.
    town.tenant.get("/v1/me").await.expect(200);

    let authority = format!("/v1/authorities/{}/revocation", town.authority["tenant"]);
    town.owner.post(authority, json!({})).await.expect(200);
    town.supplier.post(&path, under.clone()).await.expect(200);
    town.supplier.post(&path, under).await.expect(409);
    // Nothing is given to somebody who was erased.
    let again = json!({"class": "keyholder", "person_id": town.tenant.id, "first_day": "2026-01-01"});
    let refused =
        town.owner.post(format!("/v1/registrations/{}/authorities", town.registration), again).await;
    assert_eq!(refused.status, 422);
    town.tenant.get("/v1/me").await.expect(401);
    let person = town.supplier.get(format!("/v1/people/{}", town.tenant.id)).await.expect(200);
    assert_eq!((&person["name"], &person["email"]), (&json!("erased"), &Value::Null));

    // Its entries verify as before, and show nothing about the person any more.
    while town.sequencer.round().await.unwrap() > 0 {}
    let receipt = town.supplier.get(format!("/v1/log-entries/{entry}/receipt")).await.text;
    receipt.parse::<Receipt>().unwrap().verify(&town.policy()).unwrap();
    let shown = town.supplier.get(format!("/v1/log-entries/{entry}/disclosures")).await.expect(200);
    let names: Vec<&str> =
        shown["items"].as_array().unwrap().iter().map(|item| item["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["quantity"]);
    let left: Vec<String> = sqlx::query_scalar(
        "SELECT name FROM disclosures WHERE convert_from(decode(
             rpad(translate(disclosure, '-_', '+/'), (length(disclosure) + 3) / 4 * 4, '='), 'base64'), 'UTF8')
         LIKE '%' || $1 || '%'",
    )
    .bind(&town.tenant.id)
    .fetch_all(&town.admin)
    .await
    .unwrap();
    assert_eq!(left, [""; 0]);
    let (last,): (Vec<u8>,) = sqlx::query_as(
        "SELECT e.body FROM log_leaves l JOIN log_entries e ON e.id = l.entry_id ORDER BY index DESC LIMIT 1",
    )
    .fetch_one(&town.admin)
    .await
    .unwrap();
    let last: Value = serde_json::from_slice(&last).unwrap();
    assert_eq!((&last["what"], &last["under"]), (&json!("person.erased"), &json!("uk_gdpr_17")));
    assert!(!last.to_string().contains(&town.tenant.id));
    check_commitments(&town).await;
    town.sequencer.round().await.unwrap();
}

/// Every disclosure that is left belongs to a commitment of its entry.
async fn check_commitments(town: &Town) {
    let rows: Vec<(Vec<u8>, String)> =
        sqlx::query_as("SELECT body, disclosure FROM disclosures d JOIN log_entries e ON e.id = d.entry_id")
            .fetch_all(&town.admin)
            .await
            .unwrap();
    for (body, disclosure) in rows {
        assert!(disclosures::disclosed(std::str::from_utf8(&body).unwrap(), &disclosure).is_some());
    }
}

/// A buyer who signed for a plot and stands in statements is erased from both.
#[tokio::test]
async fn what_a_buyer_signed_goes_with_the_buyer() {
    let town = Town::open().await;
    let site = sites::site(&town).await;
    sites::add_plots(&town, &site, sites::TEN_PLOTS).await.expect(201);
    let plot = sites::first_plot(&town, &site).await;
    let plot = town.supplier.get(format!("/v1/plots/{plot}")).await.expect(200);
    let registration = format!("/v1/registrations/{}", plot["registration_id"].as_str().unwrap());
    town.supplier.post(format!("{registration}/statements"), json!({})).await.expect(201);
    let authorities = town.supplier.get(format!("{registration}/authorities")).await.expect(200);
    let owner = authorities["items"].as_array().unwrap().iter().find(|own| own["class"] == "owner").unwrap();
    let buyer = owner["person_id"].as_str().unwrap();
    let keys = town.supplier.get(format!("{registration}/keys?state=with_person")).await.expect(200);
    for key in keys["items"].as_array().unwrap() {
        let path = format!("/v1/keys/{}/return", key["id"].as_str().unwrap());
        town.supplier.post(path, json!({})).await.expect(200);
    }
    let revoke = format!("/v1/authorities/{}/revocation", owner["id"].as_str().unwrap());
    town.supplier.post(revoke, json!({})).await.expect(200);
    let left = "SELECT (SELECT count(*) FROM signatures) + (SELECT count(*) FROM statements)
                + (SELECT count(*) FROM disclosures WHERE name IN ('signature', 'document'))";
    assert_eq!(town.count(left).await, 4);
    let erase = format!("/v1/people/{buyer}/erasure");
    town.supplier.post(erase, json!({"under": "uk_gdpr_17"})).await.expect(200);
    assert_eq!(town.count(left).await, 0);
    check_commitments(&town).await;
    town.app.pool.close().await;
}
