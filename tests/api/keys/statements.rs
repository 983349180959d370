//! The statement for an insurer or a solicitor: what it says, what it never says, and that it was made.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use time::Duration;

use crate::harness::Town;
use domain::disclosures::disclosed;
use evidence_log::receipt::Receipt;

#[tokio::test]
async fn a_statement_tells_how_it_stood_on_a_day_and_its_receipt_proves_it() {
    let town = Town::open().await;
    town.set_geometry(json!({"positions": 5, "heights": 6})).await;
    let key = town.tenants_key(json!({})).await;
    let first_day = town.clock_now().date();
    town.pass(Duration::days(10));
    let loss = json!({"kind": "stolen", "crime_reference": "CR/77"});
    town.tenant.post(format!("/v1/keys/{key}/loss"), loss).await.expect(201);
    town.pass(Duration::days(10));
    let path = format!("/v1/registrations/{}/statements", town.registration);
    let made = town.owner.post(&path, json!({})).await.expect(201);
    let content = &made["content"];
    assert_eq!(content["premises"], "3 Alder Rise");
    assert_eq!(content["keys"], json!({"in_existence": 2, "with_people": 0, "in_store": 2, "missing": 1}));
    let loss =
        json!({"kind": "stolen", "reported_on": "2026-11-12", "crime_reference": "CR/77", "decision": null});
    assert_eq!(content["open_losses"], json!([loss]));
    let names: Vec<_> =
        content["may_order"].as_array().unwrap().iter().map(|own| own["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["Owner", "Signatory", "Tenant", "Underhay"]);
    let lock = &content["locks"][0];
    assert_eq!(
        (&lock["label"], &lock["alike_with"], &lock["keys"], &lock["missing"]),
        (&json!("Back door"), &json!(1), &json!(2), &json!(1))
    );
    // As it stood before the loss.
    let before = town.owner.post(&path, json!({"on": first_day.to_string()})).await.expect(201);
    assert_eq!(before["content"]["keys"]["with_people"], 1);
    assert_eq!(before["content"]["open_losses"], json!([]));
    town.owner.post(&path, json!({"on": "2031-01-01"})).await.expect(422);

    // No differ, no bitting, nowhere in it.
    let text = made["text"].as_str().unwrap();
    assert!(!text.contains("A-1") && !text.contains(&town.differ), "{text}");

    // The entry commits to the hash, and its receipt verifies without the register.
    let hash = URL_SAFE_NO_PAD.encode(Sha256::digest(text.as_bytes()));
    assert_eq!(made["hash"], json!(hash));
    while town.sequencer.round().await.unwrap() > 0 {}
    let entry = made["entry_id"].as_str().unwrap();
    let receipt = town.owner.get(format!("/v1/log-entries/{entry}/receipt")).await;
    let receipt: Receipt = receipt.text.parse().unwrap();
    receipt.verify(&town.policy()).unwrap();
    let body = String::from_utf8(receipt.entry).unwrap();
    let shown = disclosed(&body, made["disclosure"].as_str().unwrap());
    assert_eq!(shown, Some(("statement".to_owned(), json!(hash))));
    // Another statement is not what the entry commits to.
    assert_ne!(before["hash"], made["hash"]);
    assert_eq!(disclosed(&body, before["disclosure"].as_str().unwrap()), None);

    let pdf = format!("/v1/statements/{}/statement.pdf", content["statement_id"].as_str().unwrap());
    assert!(town.owner.bytes(&pdf).await.starts_with(b"%PDF-"));
    town.tenant.get(&pdf).await.expect(404);
    assert_eq!(town.owner.get(&path).await.expect(200)["items"].as_array().unwrap().len(), 2);
    town.close().await;
}

#[tokio::test]
async fn a_rekey_shows_in_the_statements_after_it() {
    let town = Town::open().await;
    town.set_geometry(json!({"positions": 5, "heights": 6})).await;
    let new = json!({"differ_ids": [town.differ], "reason": "A tenant left."});
    let rekey = town.supplier.post(format!("/v1/registrations/{}/rekeys", town.registration), new).await.id();
    town.pass(Duration::days(5));
    for (at, lock) in town.locks.iter().enumerate() {
        let body = json!({"lock_id": lock, "pack_number": format!("N-{at}"), "fitted_by": town.owner.id});
        town.supplier.post(format!("/v1/rekeys/{rekey}/fittings"), body).await.expect(200);
    }
    let path = format!("/v1/registrations/{}/statements", town.registration);
    let after = town.owner.post(&path, json!({})).await.expect(201);
    assert_eq!(
        (&after["content"]["last_rekey_on"], &after["content"]["locks"][0]["keyed_on"]),
        (&json!("2026-11-07"), &json!("2026-11-07"))
    );
    let before = town.owner.post(&path, json!({"on": "2026-11-03"})).await.expect(201);
    assert_eq!(before["content"]["last_rekey_on"], Value::Null);
    town.close().await;
}
