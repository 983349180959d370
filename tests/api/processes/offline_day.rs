//! A day at a counter without a network: check, cut, revoke meanwhile, come back.

use crate::processes::*;
use application::outside::Outside;
use crypto::tokens::status_list;
use crypto::tokens::status_list::Statuses;

/// The commands of a counter, as its program.
struct Shop<'a> {
    machine: &'a Machine,
    program: (String, String),
}

impl<'a> Shop<'a> {
    async fn new(machine: &'a Machine) -> Self {
        let town = &machine.town;
        let path = format!("/v1/organisations/{}/client-programs", town.dealer);
        let program = town
            .counter_staff
            .post(path, json!({"name": "till", "scopes": ["offline-cuts"]}))
            .await
            .expect(201);
        let text = |name: &str| program[name].as_str().unwrap().to_owned();
        Self { machine, program: (text("id"), text("client_secret")) }
    }

    async fn run(&self, arguments: &[&str]) -> (i32, String) {
        let mut command = self.machine.command(&["counter"]);
        command
            .args(arguments)
            .args(["--folder", "shop"])
            .env("WARDBOOK_CLIENT_ID", &self.program.0)
            .env("WARDBOOK_CLIENT_SECRET", &self.program.1);
        let output = tokio::task::spawn_blocking(move || command.output().unwrap()).await.unwrap();
        (output.status.code().unwrap(), said(&output))
    }

    async fn expect(&self, status: i32, arguments: &[&str]) -> String {
        let (found, text) = self.run(arguments).await;
        assert_eq!(found, status, "{arguments:?}: {text}");
        text
    }

    async fn take_in(&self, address: &str) -> (i32, String) {
        let counter = &self.machine.town.counter;
        self.run(&["take-in", address, "--issuer", "https://register.example", "--counter", counter]).await
    }
}

async fn token(town: &Town, card: &str) -> String {
    let answer = town.supplier.get(format!("/v1/cards/{card}/token")).await.expect(200);
    answer["token"].as_str().unwrap().to_owned()
}

/// The network is gone. What was taken in is enough to check, and to cut what was authorised.
async fn without_a_network(shop: &Shop<'_>, cards: &[&str; 2], requests: &[&str; 3]) {
    let ([tenants, others], [tenants_request, other_request, unknown]) = (*cards, *requests);
    let good = shop.expect(0, &["check", tenants]).await;
    assert!(good.contains("valid") && good.contains("offline") && good.contains("0 h 0 min old"), "{good}");
    let number = shop.expect(1, &["check", "1234-5678-9012-44"]).await;
    assert!(number.contains("scan the card"), "{number}");
    let forged = shop.expect(1, &["check", &format!("{tenants}x")]).await;
    assert!(forged.contains("no card of this register"), "{forged}");
    let cut = |request: &str, quantity: &str, card: &str| {
        ["cut", "--request", request, "--quantity", quantity, "--card", card].map(str::to_owned)
    };
    for (status, arguments, words) in [
        (1, cut(tenants_request, "3", tenants), "keys left under this authorisation: 2"),
        (1, cut(other_request, "1", tenants), "not one of this request"),
        (1, cut(unknown, "1", tenants), "not among the authorisations"),
        (0, cut(tenants_request, "1", tenants), "bring it in"),
        (1, cut(tenants_request, "2", tenants), "keys left under this authorisation: 1"),
        (0, cut(other_request, "1", others), "bring it in"),
    ] {
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        let text = shop.expect(status, &arguments).await;
        assert!(text.contains(words), "{arguments:?}: {text}");
    }
    // Nothing is brought in, and nothing is lost, while nobody answers.
    let unreached = shop.expect(1, &["bring-in"]).await;
    assert!(unreached.contains("2 cuts to bring in"), "{unreached}");
}

#[tokio::test]
async fn a_day_without_a_network_ends_with_every_key_in_the_register() {
    let machine = Machine::new().await;
    let town = &machine.town;
    town.pass(Outside::system().clock.now() - town.clock_now());
    let card = town.supplier.post(format!("/v1/cards/{}/replacement", town.card.0), json!({})).await.id();
    let (tenants, others) = (token(town, &card).await, town.card_for(&town.signatory).await);
    let tenants_request = town.authorised(json!({"quantity": 2})).await;
    let other_request = town.ask(&town.signatory, json!({})).await.request_id();
    let server = machine.serve();
    let address = server.address.clone();
    let shop = Shop::new(&machine).await;

    let early = shop.expect(1, &["check", &tenants]).await;
    assert!(early.contains("take in first"), "{early}");
    let (status, taken) = shop.take_in(&address).await;
    assert_eq!(status, 0, "{taken}");
    assert!(taken.contains("1 status lists, 2 open authorisations"), "{taken}");
    drop(server);

    let cards = [tenants.as_str(), &token(town, &others.0).await];
    without_a_network(&shop, &cards, &[&tenants_request, &other_request, &town.registration]).await;

    // Meanwhile the tenant leaves.
    let revocation = format!("/v1/authorities/{}/revocation", town.authority["tenant"]);
    town.manager.post(revocation, json!({})).await.expect(200);

    let back = machine.serve_at(address.trim_start_matches("http://"), &[]);
    let (status, refused) = shop.take_in(&address).await;
    assert!(status == 1 && refused.contains("bring in first"), "{refused}");
    let report = shop.expect(4, &["bring-in"]).await;
    let lines: Vec<&str> = report.lines().collect();
    assert!(lines[1].contains(&tenants_request) && lines[1].contains("FLAGGED"), "{report}");
    assert!(report.contains("no authority in force"), "{report}");
    assert!(report.contains(&format!("{other_request}: 1 cut, in order")), "{report}");
    let again = shop.expect(0, &["bring-in"]).await;
    assert!(again.contains("0 cuts to bring in"), "{again}");
    let told = town.supplier.get("/v1/flagged-cuts").await.expect(200);
    assert_eq!(
        (told["items"].as_array().unwrap().len(), &told["items"][0]["copy_request_id"]),
        (1, &json!(tenants_request))
    );
    let (status, taken) = shop.take_in(&address).await;
    assert_eq!(status, 0, "{taken}");
    assert!(taken.contains("0 open authorisations"), "{taken}");
    let revoked = shop.expect(3, &["check", &tenants]).await;
    assert!(revoked.contains("revoked"), "{revoked}");
    // Each checkpoint that came with a list was kept, and is one of this log.
    let kept = std::fs::read_to_string(machine.file("shop/checkpoints")).unwrap();
    for line in kept.lines() {
        town.policy().verify(&serde_json::from_str::<String>(line).unwrap()).unwrap();
    }
    drop(back);
    lists_that_are_not_taken(&shop, &tenants).await;
}

/// A list that is too old for this counter, that has expired, that says nothing of the card, that is broken.
async fn lists_that_are_not_taken(shop: &Shop<'_>, card: &str) {
    let town = &shop.machine.town;
    let file = shop.machine.file("shop/lists/1.jwt");
    let uri = "https://register.example/status-lists/1".to_owned();
    let now = Outside::system().clock.now();
    let hours = time::Duration::hours;
    for (age, size, words) in [
        (hours(2), 131_072, "2 h 0 min old"),
        (hours(25), 131_072, "has expired"),
        (hours(-1), 131_072, "from the future"),
        (hours(0), 0, "no place in the status list"),
    ] {
        let statuses = Statuses::new(2, size).unwrap();
        let list = status_list::sign(&town.app.cards.keys, uri.clone(), &statuses, None, now - age).unwrap();
        std::fs::write(&file, list).unwrap();
        let text = shop.expect(1, &["check", card, "--list-age", "1"]).await;
        assert!(text.contains(words), "{text}");
    }
    std::fs::write(&file, "not a list").unwrap();
    let text = shop.expect(1, &["check", card]).await;
    assert!(text.contains("not a signed token"), "{text}");
}
