//! Authorities that were given to somebody whom the giver does not know.

use serde_json::json;
use time::Duration;

use crate::harness::{Actor, Town};

/// The owner gives an authority to the stranger's number.
async fn offer(town: &Town) -> String {
    let body = json!({"class": "keyholder", "person_id": town.stranger.id, "first_day": "2026-11-01"});
    let path = format!("/v1/registrations/{}/authorities", town.registration);
    let offer = town.owner.post(path, body).await.expect(202);
    assert_eq!(offer["authority"]["person_id"], json!(town.stranger.id));
    assert!(!offer.to_string().contains("stranger@"), "{offer}");
    offer["id"].as_str().unwrap().to_owned()
}

async fn accept(who: &Actor, offer: &str) -> crate::harness::Reply {
    who.post(format!("/v1/authority-offers/{offer}/acceptance"), json!({})).await
}

/// Giving an authority to a stranger's id shows that person's name and address.
#[tokio::test]
async fn the_number_of_a_person_shows_nobody_their_name_and_address() {
    let town = Town::open().await;
    let (person, registration) =
        (format!("/v1/people/{}", town.stranger.id), format!("/v1/registrations/{}", town.registration));
    town.owner.get(&person).await.expect(404);
    let offer = offer(&town).await;
    town.owner.get(&person).await.expect(404);
    town.stranger.get(&registration).await.expect(404);
    let told = town.stranger.get("/v1/me/notices").await.expect(200);
    assert_eq!(told["items"][0]["kind"], "authority_offered");
    let own = town.stranger.get("/v1/me/authority-offers").await.expect(200);
    assert_eq!(own["items"][0]["id"], json!(offer));
    assert_eq!(own["items"][0]["premises"], "3 Alder Rise");
    // Nobody accepts for somebody else, and nobody else sees it.
    accept(&town.owner, &offer).await.expect(404);
    accept(&town.supplier, &offer).await.expect(404);
    town.tenant.get(format!("/v1/authority-offers/{offer}")).await.expect(404);
    let given = accept(&town.stranger, &offer).await.expect(201);
    assert_eq!(given["id"], json!(offer));
    town.owner.get(&person).await.expect(200);
    town.stranger.get(&registration).await.expect(200);
    assert_eq!(accept(&town.stranger, &offer).await.expect(409)["state"], "accepted");
    let entries = "SELECT count(*) FROM changes WHERE kind IN ('authority.offered', 'authority.given')
                   AND subject_id = (SELECT id FROM authority_offers)";
    assert_eq!(town.count(entries).await, 2);
    town.close().await;
}

/// Whom somebody entered, or who has an authority there already, is no stranger.
#[tokio::test]
async fn whom_one_entered_oneself_one_knows() {
    let town = Town::open().await;
    let friend = town.owner.post("/v1/people", json!({"name": "Friend"})).await.id();
    town.owner.get(format!("/v1/people/{friend}")).await.expect(200);
    let path = format!("/v1/registrations/{}/authorities", town.registration);
    for person in [&friend, &town.tenant.id] {
        let body = json!({"class": "keyholder", "person_id": person, "first_day": "2026-11-01"});
        town.owner.post(&path, body).await.expect(201);
    }
    town.close().await;
}

/// A seat of the agent offers; the seat ends; the offer gives nothing any more. Nor does one whose giver's authority
/// is gone, which is too old, or was declined.
#[tokio::test]
async fn what_an_offer_rests_on_is_looked_at_when_it_is_accepted() {
    let town = Town::open().await;
    let staff = town.person("Staff").await;
    let joined = json!({"person_id": staff.id, "post": "staff", "first_day": "2026-01-01"});
    let members = format!("/v1/organisations/{}/members", town.agent);
    let seat = town.manager.post(members, joined).await.id();
    let body = json!({"class": "keyholder", "person_id": town.stranger.id, "first_day": "2026-11-01"});
    let path = format!("/v1/registrations/{}/authorities", town.registration);
    let by_seat = staff.post(&path, body.clone()).await.expect(202);
    let by_seat = by_seat["id"].as_str().unwrap();
    let today = json!({"last_day": "2026-11-02"});
    town.manager.post(format!("/v1/memberships/{seat}/end"), today).await.expect(200);
    accept(&town.stranger, by_seat).await.expect(409);
    let declined = offer(&town).await;
    let path = format!("/v1/authority-offers/{declined}/withdrawal");
    town.stranger.post(&path, json!({})).await.expect(200);
    town.owner.post(&path, json!({})).await.expect(409);
    assert_eq!(accept(&town.stranger, &declined).await.expect(409)["state"], "withdrawn");
    let by_signatory =
        town.signatory.post(format!("/v1/registrations/{}/authorities", town.registration), body.clone());
    let by_signatory = by_signatory.await.expect(202);
    let revoked = format!("/v1/authorities/{}/revocation", town.authority["signatory"]);
    town.owner.post(revoked, json!({})).await.expect(200);
    accept(&town.stranger, by_signatory["id"].as_str().unwrap()).await.expect(409);
    let old = offer(&town).await;
    town.pass(Duration::days(31));
    assert_eq!(accept(&town.stranger, &old).await.expect(409)["state"], "lapsed");
    assert_eq!(town.count("SELECT count(*) FROM authorities WHERE person_id = (SELECT id FROM people WHERE name = 'Stranger')").await, 0);
    town.close().await;
}
