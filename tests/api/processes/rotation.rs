//! Keys that are rotated: printed cards stay good, and a key that they need is not forgotten.

use crate::harness::{MASTER_KEY, card_key_pem, pem_of};
use crate::processes::*;
use application::outside::Outside;

fn wait(command: &mut Command) -> (bool, String) {
    let output = command.output().unwrap();
    (output.status.success(), said(&output))
}

#[tokio::test]
async fn printed_cards_outlive_the_key_that_signed_them_and_a_missing_key_stops_the_start() {
    let machine = Machine::new().await;
    let town = &machine.town;
    town.pass(Outside::system().clock.now() - town.clock_now());
    let card = town.supplier.post(format!("/v1/cards/{}/replacement", town.card.0), json!({})).await.id();
    let printed = town.supplier.get(format!("/v1/cards/{card}/token")).await.expect(200)["token"].clone();
    // The old key goes, all but its public half.
    use ed25519_dalek::pkcs8::{DecodePrivateKey, EncodePublicKey};
    let old = ed25519_dalek::SigningKey::from_pkcs8_pem(&card_key_pem()).unwrap();
    let public = old.verifying_key().to_public_key_pem(Default::default()).unwrap();
    write_key(&machine.file("new.pem"), &pem_of([5; 32]));
    std::fs::write(machine.file("old-public.pem"), public).unwrap();
    let (ran, text) = wait(
        machine
            .command(&["serve", "--listen", "127.0.0.1:0"])
            .env("WARDBOOK_CARD_KEYS", machine.file("new.pem")),
    );
    assert!(!ran && text.contains("still good need the card keys"), "{text}");
    let both = format!("{},{}", machine.file("new.pem").display(), machine.file("old-public.pem").display());
    let server = machine.serve_with(&["--card-key", &both]);
    let address = server.address.clone();
    let check = format!("{address}/v1/counters/{}/card-checks", town.counter);
    let (token, body) = (town.counter_staff.token.clone(), json!({"token": printed}).to_string());
    let answer = tokio::task::spawn_blocking(move || {
        let mut answer = ureq::post(check)
            .header("authorization", format!("Bearer {token}"))
            .header("content-type", "application/json")
            .send(body)
            .unwrap();
        answer.body_mut().read_to_string().unwrap()
    })
    .await
    .unwrap();
    let answer: Value = serde_json::from_str(&answer).unwrap();
    assert_eq!((&answer["refused"], &answer["holder"]["name"]), (&Value::Null, &json!("Tenant")));
    drop(server);
    // From now on the new key is needed, too.
    let (ran, text) = wait(&mut machine.command(&["serve", "--listen", "127.0.0.1:0"]));
    assert!(!ran && text.contains("still good need the card keys"), "{text}");
}

#[tokio::test]
async fn secrets_are_rotated_by_a_command_and_need_their_master_key() {
    let machine = Machine::new().await;
    let town = &machine.town;
    let bitting = json!({"heights": [4, 8, 15, 16, 23]});
    town.supplier.post(format!("/v1/differs/{}/bitting", town.differ), bitting).await.expect(201);
    let (made, text) = wait(&mut machine.command(&["new-master-key", "master"]));
    assert!(made, "{text}");
    let (again, _) = wait(&mut machine.command(&["new-master-key", "master"]));
    assert!(!again, "an existing key is not overwritten");
    // Without the old one nothing is lost: it says what it lacks.
    let file = machine.file("master").display().to_string();
    let (rotated, text) = wait(machine.command(&["rotate-secrets"]).env("WARDBOOK_MASTER_KEYS", &file));
    assert!(!rotated && text.contains("is needed and was not given"), "{text}");
    let both = format!("{file},{MASTER_KEY}");
    let (rotated, text) = wait(machine.command(&["rotate-secrets"]).env("WARDBOOK_MASTER_KEYS", &both));
    assert!(rotated && text.contains("1 secrets sealed anew, 1 old data keys deleted"), "{text}");
    let (rotated, text) = wait(machine.command(&["rotate-secrets"]).env("WARDBOOK_MASTER_KEYS", &file));
    assert!(rotated && text.contains("1 secrets sealed anew"), "{text}");
}
