//! A building site from its CSV to the last hand-over: one key for all, and a key of its own for each house.

use serde_json::{Value, json};
use time::Duration;

use crate::harness::{Actor, Reply, Town, signature};

/// Ten plots with a front and a back door, keyed alike in each: common practice.
pub const TEN_PLOTS: &str = include_str!("../../src/cli/demo/site.csv");

pub struct Site {
    pub builder: Actor,
    pub id: String,
    pub registration: String,
    pub temporary: String,
}

pub async fn site(town: &Town) -> Site {
    let path = format!("/v1/sections/{}/geometry", town.section);
    if town.supplier.get(path).await.status == 404 {
        let apart = json!({"positions": 2, "steps": 2});
        town.set_geometry(
            json!({"positions": 5, "heights": 6, "most_alike_in_a_row": 2, "separation": apart}),
        )
        .await;
    }
    let organisation = json!({"kind": "builder", "name": "Holmbury Homes"});
    let organisation = town.supplier.post("/v1/organisations", organisation).await.id();
    let builder = town.member("Site Manager", &organisation).await;
    let site = json!({"section_id": town.section, "builder_id": organisation, "name": "Larkrise",
        "premises": "Larkrise, Tannery Lane"});
    let site = town.supplier.post("/v1/sites", site).await.expect(201);
    let text = |name: &str| site[name].as_str().unwrap().to_owned();
    Site {
        builder,
        id: text("id"),
        registration: text("registration_id"),
        temporary: text("temporary_differ_id"),
    }
}

pub async fn add_plots(town: &Town, site: &Site, csv: &str) -> Reply {
    let key = uuid::Uuid::from_bytes(town.app.outside.bytes()).to_string();
    let headers = [("content-type", "text/csv"), ("idempotency-key", key.as_str())];
    let path = format!("/v1/sites/{}/plots", site.id);
    town.supplier.call("POST", &path, &headers, csv.as_bytes().to_vec()).await
}

/// A buyer: the organisation that owns the house, and the person who collects.
pub async fn buyer(town: &Town, name: &str) -> (String, Actor) {
    let owner = town.supplier.post("/v1/organisations", json!({"kind": "owner", "name": name})).await.id();
    (owner, town.person(name).await)
}

/// The last plot of a site, handed over: whoever collected.
pub async fn handed_over(town: &Town, site: &Site) -> Actor {
    let plots = site.progress().await["each"].as_array().unwrap().clone();
    let id = plots.last().unwrap()["plot_id"].as_str().unwrap().to_owned();
    for (at, lock) in ids(&site.plot(&id).await).iter().enumerate() {
        site.fit(&id, lock, &format!("H-{at}")).await.expect(200);
        site.try_keys(&id, lock, true).await.expect(200);
    }
    let buyer = buyer(town, "Plot Buyer").await;
    site.hand_over(&id, &buyer).await.expect(201);
    buyer.1
}

impl Site {
    async fn progress(&self) -> Value {
        self.builder.get(format!("/v1/sites/{}/progress", self.id)).await.expect(200)
    }

    async fn plot(&self, id: &str) -> Value {
        self.builder.get(format!("/v1/plots/{id}")).await.expect(200)
    }

    async fn fit(&self, plot: &str, lock: &str, pack: &str) -> Reply {
        let body = json!({"lock_id": lock, "pack_number": pack, "fitted_by": self.builder.id});
        self.builder.post(format!("/v1/plots/{plot}/fittings"), body).await
    }

    async fn try_keys(&self, plot: &str, lock: &str, dead: bool) -> Reply {
        let body = json!({"lock_id": lock, "tried_by": self.builder.id, "final_key_works": true,
            "site_key_dead": dead});
        self.builder.post(format!("/v1/plots/{plot}/trials"), body).await
    }

    async fn hand_over(&self, plot: &str, buyer: &(String, Actor)) -> Reply {
        let body = json!({"buyer_id": buyer.0, "collected_by": buyer.1.id, "document_seen": "passport",
            "signature": signature()});
        self.builder.post(format!("/v1/plots/{plot}/hand-over"), body).await
    }
}

/// The first plot, from its fitting to its hand-over.
pub async fn first_plot(town: &Town, site: &Site) -> String {
    let plot = site.progress().await["each"][0]["plot_id"].as_str().unwrap().to_owned();
    for (at, lock) in ids(&site.plot(&plot).await).iter().enumerate() {
        site.fit(&plot, lock, &format!("FP-{at}")).await.expect(200);
        site.try_keys(&plot, lock, true).await.expect(200);
    }
    site.hand_over(&plot, &buyer(town, "First Buyer").await).await.expect(201);
    plot
}

fn ids(plot: &Value) -> Vec<String> {
    plot["locks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|lock| lock["lock_id"].as_str().unwrap().to_owned())
        .collect()
}

/// 10 plots: 20 locks, 20 packs, 10 differs, 40 keys with the packs (common practice).
async fn ten_plots_are_ordered(town: &Town, site: &Site) {
    let order = site.builder.get(format!("/v1/sites/{}/order-list", site.id)).await.expect(200);
    let figures =
        ["plots", "locks", "packs", "differs", "keys_with_packs"].map(|name| order[name].as_u64().unwrap());
    assert_eq!(figures, [10, 20, 20, 10, 40]);
    assert_eq!(order["cost"], Value::Null);
    let prices = json!({"currency": "GBP", "pack": 3150, "key": 900, "fitting": 500,
        "parts": [{"name": "spring", "per": "lock", "quantity": 2, "price": 25}]});
    let path = format!("/v1/sections/{}/prices", town.section);
    town.supplier.change("PUT", &path, 0, json!({ "prices": prices })).await.expect(200);
    let order = site.builder.get(format!("/v1/sites/{}/order-list", site.id)).await.expect(200);
    assert_eq!(order["cost"], 20 * (3150 + 500) + 40 * 25);
    assert_eq!(order["parts"][0], json!({"name": "spring", "quantity": 40, "cost": 1000}));
}

/// A key of the site: recorded with a pack, issued to the builder's people.
async fn key_of(town: &Town, site: &Site) -> String {
    let pack = json!({"differ_id": site.temporary, "number": "SITE-1", "keys": 6});
    let pack = town.supplier.post(format!("/v1/registrations/{}/lever-packs", site.registration), pack);
    let site_key = pack.await.expect(201)["keys"][0]["id"].as_str().unwrap().to_owned();
    town.grant(&site.registration, "keyholder", &site.builder.id, json!({})).await;
    let issued = json!({"person_id": site.builder.id});
    town.supplier.post(format!("/v1/keys/{site_key}/issue"), issued).await.expect(200);
    site_key
}

/// From the site's key to a key of its own; the buyer.
async fn plot_is_fitted_and_handed_over(
    town: &Town,
    site: &Site,
    (at, plot): (usize, &str),
) -> (String, Actor) {
    let buyer = buyer(town, &format!("Buyer {}", at + 1)).await;
    let locks = ids(&site.plot(plot).await);
    assert_eq!(locks.len(), 2);
    let refused = site.hand_over(plot, &buyer).await.expect(409);
    assert_eq!(
        refused["detail"].as_str().unwrap(),
        "Front door is still on the site key; Back door is still on the site key"
    );
    for (door, lock) in locks.iter().enumerate() {
        site.try_keys(plot, lock, true).await.expect(409);
        let fitted = site.fit(plot, lock, &format!("P{at}-{door}")).await.expect(200);
        assert_eq!(fitted["keys"].as_array().unwrap().len(), 2);
        let last = at == 9 && door == 1;
        assert_eq!(fitted["site_key_dead"], last);
        site.fit(plot, lock, "P-AGAIN").await.expect(409);
    }
    // A trial that fails is on record, and the lock is not ready.
    let failed = site.try_keys(plot, &locks[0], false).await.expect(200);
    assert_eq!(failed["site_key_dead_at"], Value::Null);
    let refused = site.hand_over(plot, &buyer).await.expect(409);
    assert!(refused["detail"].as_str().unwrap().contains("still to be tried in Front door"));
    for lock in &locks {
        site.try_keys(plot, lock, true).await.expect(200);
    }
    let handed = site.hand_over(plot, &buyer).await.expect(201);
    assert_eq!(handed["keys_handed"], 4);
    assert_eq!(handed["keys"][0]["holder_id"], json!(buyer.1.id));
    buyer
}

/// At that instant the builder's rights are over and the buyer's have begun.
async fn plot_is_the_buyers(town: &Town, site: &Site, plot: &str, buyer: &(String, Actor)) {
    let (owner, person) = buyer;
    site.builder.get(format!("/v1/plots/{plot}")).await.expect(404);
    site.hand_over(plot, buyer).await.expect(404);
    let own = person.get(format!("/v1/plots/{plot}")).await.expect(200);
    let registration = format!("/v1/registrations/{}", own["registration_id"].as_str().unwrap());
    let mine = person.get(&registration).await.expect(200);
    assert_eq!(mine["owner_id"], json!(owner));
    let given = json!({"class": "keyholder", "person_id": town.tenant.id,
        "first_day": town.clock_now().date().to_string()});
    let offer = person.post(format!("{registration}/authorities"), given).await.expect(202);
    let offer = format!("/v1/authority-offers/{}/acceptance", offer["id"].as_str().unwrap());
    town.tenant.post(offer, json!({})).await.expect(201);
    let order = json!({"differ_id": own["locks"][0]["final_differ_id"], "counter_id": town.counter,
        "recipient_id": town.tenant.id});
    let requests = format!("{registration}/copy-requests");
    let asked = person.post(&requests, order.clone()).await;
    assert_eq!(asked.outcome(), "permitted", "{}", asked.text);
    site.builder.post(requests, order).await.expect(404);
}

#[tokio::test]
async fn ten_plots_go_from_one_site_key_to_a_key_of_their_own_each() {
    let town = Town::open().await;
    let site = site(&town).await;
    add_plots(&town, &site, TEN_PLOTS).await.expect(201);
    ten_plots_are_ordered(&town, &site).await;
    let site_key = key_of(&town, &site).await;
    let progress = site.progress().await;
    assert_eq!((&progress["plots"], &progress["on_site_key"]), (&json!(10), &json!(20)));
    let plots: Vec<String> = progress["each"]
        .as_array()
        .unwrap()
        .iter()
        .map(|plot| plot["plot_id"].as_str().unwrap().to_owned())
        .collect();
    for (at, plot) in plots.iter().enumerate() {
        town.pass(Duration::days(3));
        let buyer = plot_is_fitted_and_handed_over(&town, &site, (at, plot)).await;
        plot_is_the_buyers(&town, &site, plot, &buyer).await;
    }
    let progress = site.progress().await;
    assert_eq!((&progress["handed_over"], &progress["on_site_key"]), (&json!(10), &json!(0)));
    let key = town.supplier.get(format!("/v1/keys/{site_key}")).await.expect(200);
    assert_eq!(key["state"], "dead");
    let told = site.builder.get("/v1/me/notices").await.expect(200);
    assert_eq!(
        (&told["items"][0]["kind"], &told["items"][0]["subject_id"]),
        (&json!("key_dead"), &json!(site_key))
    );
    // Nobody gets another site key.
    let asked = json!({"differ_id": site.temporary, "counter_id": town.counter});
    let asked =
        site.builder.post(format!("/v1/registrations/{}/copy-requests", site.registration), asked).await;
    assert!(asked.codes().contains(&"differ_dead".to_owned()), "{}", asked.text);
    let signed = "SELECT count(*) FROM signatures WHERE plot_hand_over_id IS NOT NULL";
    assert_eq!(town.count(signed).await, 10);
    town.close().await;
}

#[tokio::test]
async fn the_builder_orders_site_keys_and_no_final_ones() {
    let town = Town::open().await;
    let site = site(&town).await;
    add_plots(&town, &site, TEN_PLOTS).await.expect(201);
    let plot = site.progress().await["each"][0].clone();
    let (id, registration) = (plot["plot_id"].as_str().unwrap(), plot["registration_id"].as_str().unwrap());
    let ask = |registration: &str, differ: &Value| {
        let body = json!({"differ_id": differ, "counter_id": town.counter, "quantity": 1});
        let path = format!("/v1/registrations/{registration}/copy-requests");
        let builder = site.builder.clone();
        async move { builder.post(path, body).await }
    };
    // The site's differ opens everything: two approve besides the one who asks, by default.
    let asked = ask(&site.registration, &json!(site.temporary)).await;
    assert_eq!(asked.outcome(), "needs_approval", "{}", asked.text);
    let locks = site.plot(id).await;
    let differ = locks["locks"][0]["final_differ_id"].clone();
    assert_eq!(ask(registration, &differ).await.codes(), ["differ_reserved", "differ_out_of_service"]);
    for (at, lock) in ids(&locks).iter().enumerate() {
        site.fit(id, lock, &format!("P-{at}")).await.expect(200);
    }
    // The packs are there, the locks answer to it, and still nobody orders or takes a key.
    assert_eq!(ask(registration, &differ).await.codes(), ["differ_reserved"]);
    let keys = site.builder.get(format!("/v1/registrations/{registration}/keys")).await.expect(200);
    let key = keys["items"][0]["id"].as_str().unwrap().to_owned();
    town.grant(registration, "keyholder", &site.builder.id, json!({})).await;
    let issue = json!({"person_id": site.builder.id});
    site.builder.post(format!("/v1/keys/{key}/issue"), issue).await.expect(409);
    // Another builder sees nothing of it.
    let other =
        town.supplier.post("/v1/organisations", json!({"kind": "builder", "name": "Elsewhere"})).await.id();
    let other = town.member("Other Builder", &other).await;
    other.get(format!("/v1/sites/{}", site.id)).await.expect(404);
    other.get(format!("/v1/plots/{id}")).await.expect(404);
    assert_eq!(other.get("/v1/sites").await.expect(200)["items"], json!([]));
    town.close().await;
}

#[tokio::test]
async fn a_file_with_a_wrong_line_brings_nothing_in() {
    let town = Town::open().await;
    let site = site(&town).await;
    let wrong =
        TEN_PLOTS.replacen("mortice_deadlock", "portcullis", 1).replacen("Back door", "Front door", 1);
    let report = add_plots(&town, &site, &wrong).await.expect(200);
    assert_eq!(report["imported"], false);
    let said: Vec<_> =
        report["lines"].as_array().unwrap().iter().filter(|line| line["outcome"] == "wrong").collect();
    assert!(!said.is_empty() && said[0]["line"] == 2, "{report}");
    assert_eq!(town.count("SELECT count(*) FROM plots").await, 0);
    add_plots(&town, &site, "plot,label\n1,Front door\n").await.expect(422);
    add_plots(&town, &site, TEN_PLOTS).await.expect(201);
    add_plots(&town, &site, TEN_PLOTS).await.expect(409);
    town.close().await;
}

/// Doors without a mark get a differ each; the site's differs are all apart, its own too.
#[tokio::test]
async fn locks_of_different_plots_are_fitted_at_once() {
    let town = Town::open().await;
    let site = site(&town).await;
    let csv = TEN_PLOTS.replace(",house", ",");
    add_plots(&town, &site, &csv).await.expect(201);
    let order = site.builder.get(format!("/v1/sites/{}/order-list", site.id)).await.expect(200);
    assert_eq!((&order["locks"], &order["differs"]), (&json!(20), &json!(20)));
    let mut tasks = tokio::task::JoinSet::new();
    for plot in site.progress().await["each"].as_array().unwrap() {
        let id = plot["plot_id"].as_str().unwrap().to_owned();
        for (at, lock) in ids(&site.plot(&id).await).into_iter().enumerate() {
            let body =
                json!({"lock_id": lock, "pack_number": format!("P-{at}"), "fitted_by": site.builder.id});
            let (builder, path) = (site.builder.clone(), format!("/v1/plots/{id}/fittings"));
            tasks.spawn(async move { builder.post(path, body).await.expect(200)["site_key_dead"] == true });
        }
    }
    // The last one, whichever it is, kills the site key, once.
    let dead = tasks.join_all().await.into_iter().filter(|dead| *dead).count();
    assert_eq!(dead, 1);
    assert_eq!(town.count("SELECT count(*) FROM changes WHERE kind = 'differ.dead'").await, 1);
    town.close().await;
}

/// A key is missing: the plot is rekeyed before it is handed over, and its successor is as reserved as it was.
async fn plot_is_rekeyed(
    town: &Town,
    site: &Site,
    (plot, registration): (&str, &str),
    (differ, missing): (&str, &str),
    buyer: &(String, Actor),
) {
    let lost = site.builder.post(format!("/v1/keys/{missing}/loss"), json!({"kind": "lost"})).await;
    let lost = lost.expect(201);
    let refused = site.hand_over(plot, buyer).await.expect(409);
    assert!(refused["detail"].as_str().unwrap().contains("1 key of the plot is lost"), "{refused}");
    let loss = lost["loss"]["id"].as_str().unwrap();
    let rekey = json!({"differ_ids": [differ], "loss_id": loss, "reason": "A key is lost."});
    let rekey = town.supplier.post(format!("/v1/registrations/{registration}/rekeys"), rekey).await.id();
    for (at, lock) in ids(&site.plot(plot).await).iter().enumerate() {
        let body = json!({"lock_id": lock, "pack_number": format!("Q-{at}"), "fitted_by": site.builder.id});
        site.builder.post(format!("/v1/rekeys/{rekey}/fittings"), body).await.expect(200);
    }
    let now = site.plot(plot).await;
    assert_ne!(now["locks"][0]["final_differ_id"], json!(differ));
    let ask = json!({"differ_id": now["locks"][0]["final_differ_id"], "counter_id": town.counter});
    let asked = site.builder.post(format!("/v1/registrations/{registration}/copy-requests"), ask).await;
    assert!(asked.codes().contains(&"differ_reserved".to_owned()), "{}", asked.text);
}

/// The ways round a hand-over: each is closed.
#[tokio::test]
async fn a_plot_goes_to_its_buyer_with_every_key_and_to_nobody_else() {
    let town = Town::open().await;
    let site = site(&town).await;
    add_plots(&town, &site, TEN_PLOTS).await.expect(201);
    let plot = site.progress().await["each"][0].clone();
    let (id, registration) = (plot["plot_id"].as_str().unwrap(), plot["registration_id"].as_str().unwrap());
    let locks = ids(&site.plot(id).await);
    let mut keys = vec![];
    for (at, lock) in locks.iter().enumerate() {
        let fitted = site.fit(id, lock, &format!("P-{at}")).await.expect(200);
        keys.extend(
            fitted["keys"].as_array().unwrap().iter().map(|key| key["id"].as_str().unwrap().to_owned()),
        );
        site.try_keys(id, lock, true).await.expect(200);
    }
    let buyer = buyer(&town, "Buyer").await;
    // Not to the builder's own people, and not while a failed trial is the last one.
    let (owner, person) = &buyer;
    site.hand_over(id, &(owner.clone(), site.builder.clone())).await.expect(422);
    site.try_keys(id, &locks[0], false).await.expect(200);
    site.hand_over(id, &buyer).await.expect(409);
    site.try_keys(id, &locks[0], true).await.expect(200);
    // The final differ is neither released nor taken away from the plot.
    let differ = site.plot(id).await["locks"][0]["final_differ_id"].as_str().unwrap().to_owned();
    town.supplier.post(format!("/v1/differs/{differ}/state"), json!({"state": "released"})).await.expect(409);
    plot_is_rekeyed(&town, &site, (id, registration), (&differ, &keys[0]), &buyer).await;
    let refused = site.hand_over(id, &buyer).await.expect(409);
    assert!(refused["detail"].as_str().unwrap().contains("still to be tried"), "{refused}");
    for lock in &locks {
        site.try_keys(id, lock, true).await.expect(200);
    }
    // A key that came back is handed over like the others; what the builder had on the plot ends.
    let all =
        site.builder.get(format!("/v1/registrations/{registration}/keys?state=in_store")).await.expect(200);
    let spare = all["items"][0]["id"].as_str().unwrap();
    let loss = site.builder.post(format!("/v1/keys/{spare}/loss"), json!({"kind": "lost"})).await;
    loss.expect(201);
    site.builder.post(format!("/v1/keys/{spare}/return"), json!({})).await.expect(200);
    let mandate = json!({"recipient_id": person.id, "collector_id": site.builder.id,
        "first_day": "2026-11-01", "last_day": "2027-11-01"});
    site.builder.post(format!("/v1/registrations/{registration}/mandates"), mandate).await.expect(201);
    let statement =
        site.builder.post(format!("/v1/registrations/{registration}/statements"), json!({})).await;
    let statement = statement.expect(201)["content"]["statement_id"].as_str().unwrap().to_owned();
    town.pass(Duration::days(1));
    assert_eq!(site.hand_over(id, &buyer).await.expect(201)["keys_handed"], 4);
    let mandates = town.supplier.get(format!("/v1/registrations/{registration}/mandates")).await.expect(200);
    assert!(!mandates["items"][0]["revoked_at"].is_null());
    // Nothing of the builder's time is the buyer's to see.
    person.get(format!("/v1/statements/{statement}")).await.expect(404);
    town.supplier.get(format!("/v1/statements/{statement}")).await.expect(200);
    let path = format!("/v1/registrations/{registration}/statements");
    assert_eq!(person.get(&path).await.expect(200)["items"], json!([]));
    person.post(&path, json!({"on": "2026-11-02"})).await.expect(422);
    person.get(format!("/v1/people/{}", site.builder.id)).await.expect(404);
    nothing_of_the_builders_time_is_read(&town, registration, person).await;
    town.close().await;
}

/// The buyer of a plot reads the builder's time: as it stood then, lists, receipts and what they disclose.
async fn nothing_of_the_builders_time_is_read(town: &Town, registration: &str, buyer: &Actor) {
    let at = |what: &str| format!("/v1/registrations/{registration}/{what}");
    buyer.get(at("as-of?at=2026-11-02T12:00:00Z")).await.expect(404);
    let now = buyer.get(at(&format!("as-of?at={}", town.clock_text()))).await.expect(200)["records"].clone();
    let tables: Vec<&str> = now.as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(tables, ["answers", "authorities", "differs", "keys", "locks", "plots", "registrations"]);
    let count = |table: &str| now[table].as_array().unwrap().len();
    assert_eq!((count("answers"), count("authorities"), count("keys")), (2, 1, 4), "{now}");
    for list in ["mandates", "losses", "rekeys", "statements", "audits", "holds", "copy-requests", "cards"] {
        assert_eq!(buyer.get(at(list)).await.expect(200)["items"], json!([]), "{list}");
    }
    let items = async |list: &str| buyer.get(at(list)).await.expect(200)["items"].as_array().unwrap().clone();
    let authorities = items("authorities").await;
    assert!(authorities.len() == 1 && authorities[0]["person_id"] == *buyer.id, "{authorities:?}");
    assert!(items("answers").await.iter().all(|answer| answer["until"].is_null()));
    assert!(items("keys").await.len() == 4 && items("locks").await.len() == 2);
    // One by one: what happened then is not there.
    let theirs = town.supplier.get(at("rekeys")).await.expect(200)["items"][0]["id"].clone();
    buyer.get(format!("/v1/rekeys/{}", theirs.as_str().unwrap())).await.expect(404);
    let theirs = town.supplier.get(at("losses")).await.expect(200)["items"][0]["id"].clone();
    buyer.get(format!("/v1/losses/{}/exposure", theirs.as_str().unwrap())).await.expect(404);
    while town.sequencer.round().await.unwrap() > 0 {}
    let entries: Vec<(uuid::Uuid, bool)> = sqlx::query_as(
        "SELECT entry_id, at >= (SELECT owner_since FROM registrations WHERE id = $1)
         FROM changes WHERE registration_id = $1",
    )
    .bind(registration.parse::<uuid::Uuid>().unwrap())
    .fetch_all(&town.admin)
    .await
    .unwrap();
    assert!(entries.iter().any(|(_, own)| *own) && entries.iter().any(|(_, own)| !own));
    for (entry, own) in entries {
        for what in ["receipt", "disclosures"] {
            let status = buyer.get(format!("/v1/log-entries/{entry}/{what}")).await.status.as_u16();
            assert_eq!(status, if own { 200 } else { 404 }, "{what} of {entry}");
        }
    }
}

#[tokio::test]
async fn a_site_key_that_is_dead_opens_no_further_plots_and_one_given_up_lets_it_die() {
    let town = Town::open().await;
    let site = site(&town).await;
    let one: String = TEN_PLOTS.lines().take(5).map(|line| format!("{line}\n")).collect();
    add_plots(&town, &site, &one).await.expect(201);
    let pack = json!({"differ_id": site.temporary, "number": "SITE-1", "keys": 3});
    town.supplier
        .post(format!("/v1/registrations/{}/lever-packs", site.registration), pack)
        .await
        .expect(201);
    let each = site.progress().await["each"].clone();
    let (first, second) =
        (each[0]["plot_id"].as_str().unwrap(), each[1]["registration_id"].as_str().unwrap());
    // The keys of the site open the plot's doors, and a statement on the plot counts them.
    let stated =
        town.supplier.post(format!("/v1/registrations/{second}/statements"), json!({})).await.expect(201);
    assert_eq!(stated["content"]["keys"]["in_existence"], 3);
    assert_eq!(stated["content"]["locks"][0]["keys"], 3);
    for (at, lock) in ids(&site.plot(first).await).iter().enumerate() {
        assert_eq!(site.fit(first, lock, &format!("P-{at}")).await.expect(200)["site_key_dead"], false);
    }
    town.supplier.post(format!("/v1/registrations/{second}/end"), json!({})).await.expect(200);
    let differs =
        town.supplier.get(format!("/v1/registrations/{}/differs", site.registration)).await.expect(200);
    assert_eq!(differs["items"][0]["state"], "dead");
    // A second phase would hang on keys that are dead.
    let refused = add_plots(&town, &site, &one.replace("Plot ", "Plot 2")).await;
    assert!(refused.expect(409)["detail"].as_str().unwrap().contains("site key is dead"));
    town.close().await;
}
