//! The witness, and a log that asks one.

use crate::processes::*;

/// A running witness.
fn witness(machine: &Machine, name: &str, store: &str) -> (Server, String) {
    write_key(&machine.file(&format!("{name}.pem")), &crate::harness::pem_of([11; 32]));
    let mut process = machine
        .command(&["log", "witness", "--listen", "127.0.0.1:0", "--name", "witness.example/w1"])
        .args(["--key", &format!("{name}.pem"), "--policy", "policy", "--store", store])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    std::io::BufRead::read_line(&mut std::io::BufReader::new(process.stdout.as_mut().unwrap()), &mut line)
        .unwrap();
    // witness VKEY at ADDRESS
    let words: Vec<&str> = line.split_whitespace().collect();
    (Server::at(process, words[3]), words[1].to_owned())
}

fn ask_witness(address: &str, question: &str) -> (u16, String) {
    let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
    let mut answer = agent.post(format!("{address}/add-checkpoint")).send(question).unwrap();
    (answer.status().as_u16(), answer.body_mut().read_to_string().unwrap())
}

#[tokio::test]
async fn a_witness_signs_what_leads_on_and_nothing_else() {
    let machine = Machine::new().await;
    let town = &machine.town;
    let (mut running, vkey) = witness(&machine, "w1", "witness");
    let first = town.anon.get("/log/checkpoint").await.text;
    let size = town.policy().verify(&first).unwrap().checkpoint.size;
    let address = running.address.clone();
    let ask = |question: String| ask_witness(&address, &question);
    assert_eq!(ask("nonsense".to_owned()).0, 400);
    assert_eq!(ask(format!("old 0\n\n{}", first.replace("town.example", "city.example"))).0, 404);
    assert_eq!(
        ask(format!("old 0\n\n{}", first.replace(&format!("\n{size}\n"), &format!("\n{}\n", size + 1)))).0,
        403
    );
    assert_eq!(ask(format!("old {}\n\n{first}", size + 1)).0, 400);
    assert_eq!(ask(format!("old 1\n\n{first}")), (409, "0\n".to_owned()));
    assert_eq!(ask(format!("old 0\nXcnaeacGWamtVZy3Ad7ZoqudgjqtL0lgz+Nw7/RgQyg=\n\n{first}")).0, 422);
    let (status, line) = ask(format!("old 0\n\n{first}"));
    assert_eq!(status, 200);
    let policy = format!(
        "{}witness w {vkey}\nquorum w\n",
        std::fs::read_to_string(machine.file("policy")).unwrap().replace("quorum none\n", "")
    );
    let policy: evidence_log::policy::Policy = policy.parse().unwrap();
    assert_eq!(policy.verify(&format!("{first}{line}")).unwrap().witnesses.len(), 1);
    // What it has seen it remembers, also after it was killed.
    assert_eq!(ask(format!("old 0\n\n{first}")), (409, format!("{size}\n")));
    assert_eq!(ask(format!("old {size}\n\n{first}")).0, 200);
    running.process.kill().unwrap();
    running.process.wait().unwrap();
    let (running, _) = witness(&machine, "w1", "witness");
    let ask = |question: String| ask_witness(&running.address, &question);
    assert_eq!(ask(format!("old 0\n\n{first}")), (409, format!("{size}\n")));
    town.ask(&town.tenant, json!({})).await;
    town.sequencer.round().await.unwrap();
    let second = town.anon.get("/log/checkpoint").await.text;
    let new = town.policy().verify(&second).unwrap().checkpoint.size;
    let mut db = town.app.pool.acquire().await.unwrap();
    let proof = application::log::reading::consistency(&mut db, 1, size, new).await.unwrap();
    drop(db);
    let lines: String = proof.iter().map(|hash| hash.to_base64() + "\n").collect();
    let wrong = lines.replacen(|c: char| c.is_ascii_lowercase(), "A", 1);
    assert_eq!(ask(format!("old {size}\n{wrong}\n{second}")).0, 422);
    assert_eq!(ask(format!("old {size}\n{lines}\n{second}")).0, 200);
    // Two processes on one store could each sign another checkpoint.
    let second = machine
        .command(&["log", "witness", "--listen", "127.0.0.1:0", "--name", "witness.example/w1"])
        .args(["--key", "w1.pem", "--policy", "policy", "--store", "witness"])
        .output()
        .unwrap();
    assert!(!second.status.success() && said(&second).contains("in use"), "{}", said(&second));
    machine.town.close().await;
}

#[tokio::test]
async fn heads_are_cosigned_before_they_are_published_and_a_larger_log_is_an_alarm() {
    let machine = Machine::new().await;
    let town = &machine.town;
    let (witness, vkey) = witness(&machine, "w1", "witness");
    let log = town.sequencer.verifiers().next().unwrap().to_string();
    let policy = format!("log {log}\nwitness w {vkey} {}\nquorum w\n", witness.address);
    let policy: evidence_log::policy::Policy = policy.parse().unwrap();
    let sequencer = || {
        let keys = application::log::signing::keys(ORIGIN, &[key_pem()]).unwrap();
        let archive = application::log::archive::Archive::new(machine.file("checkpoints"));
        application::log::sequencer::Sequencer::new(town.app.clone(), keys, archive)
            .with_witnesses(application::log::cosigning::Witnesses::new(policy.witnesses()))
    };
    let cosigning = sequencer();
    for _ in 0..3 {
        town.ask(&town.tenant, json!({})).await;
        cosigning.round().await.unwrap();
        let note = town.anon.get("/log/checkpoint").await.text;
        assert_eq!(policy.verify(&note).unwrap().witnesses.len(), 1, "{note}");
    }
    // A process that has forgotten what the witness saw asks once more, and goes on.
    let forgetful = sequencer();
    town.ask(&town.tenant, json!({})).await;
    forgetful.round().await.unwrap();
    policy.verify(&town.anon.get("/log/checkpoint").await.text).unwrap();
    // The witness has seen a larger log than this one: somebody signed what we do not know.
    let head: (i64, Vec<u8>) =
        sqlx::query_as("SELECT size, root FROM logs").fetch_one(&town.admin).await.unwrap();
    let root = evidence_log::hash::Hash::from_slice(&head.1).unwrap();
    let file = std::fs::read_dir(machine.file("witness"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .find(|path| path.file_name().unwrap().len() == 64)
        .unwrap();
    std::fs::write(file, head_signed_by_us(u64::try_from(head.0 + 5).unwrap(), root)).unwrap();
    town.ask(&town.tenant, json!({})).await;
    let alarm = cosigning.round().await.unwrap_err().to_string();
    assert!(alarm.contains("refusing to sign: the witness w shows a head of size"), "{alarm}");
    // It stays, and nothing is decided; a process that begins anew finds it too.
    assert!(cosigning.round().await.is_err());
    assert_eq!(town.anon.get("/health/ready").await.status, 503);
    town.ask(&town.tenant, json!({})).await.expect(503);
    assert!(sequencer().round().await.is_err());
    town.app.log.require_agreement().unwrap_err();
    // One that does not answer holds nothing up.
    drop(witness);
    sequencer().round().await.unwrap();
    town.ask(&town.tenant, json!({})).await.expect(201);
    machine.town.close().await;
}

/// A head of the town's log with its own signature.
fn head_signed_by_us(size: u64, root: evidence_log::hash::Hash) -> String {
    let keys = application::log::signing::keys(ORIGIN, &[key_pem()]).unwrap();
    let checkpoint = evidence_log::checkpoint::Checkpoint { origin: ORIGIN.to_owned(), size, root };
    evidence_log::note::Note::sign(checkpoint.to_string(), &keys, 0).to_string()
}

/// A witness that says whatever it is told to, to every question.
async fn liar(status: u16, header: Option<String>, body: &'static str) -> String {
    let reply = move || async move {
        let header = header.map(|value| (evidence_log::witness::SEEN, value));
        (axum::http::StatusCode::from_u16(status).unwrap(), axum::response::AppendHeaders(header), body)
    };
    let router = axum::Router::new().route("/add-checkpoint", axum::routing::post(reply));
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}", listener.local_addr().unwrap());
    let most = web::connections::Most { in_all: 8, by_address: 8 };
    tokio::spawn(web::connections::serve(listener, router, most, std::future::pending()));
    address
}

/// One that says 422 (our log is a fork) is a warning; one that answers 409 with `9999999999`, unsigned, stops the
/// register within two seconds, and a restart does not help.
#[tokio::test(flavor = "multi_thread")]
async fn a_word_without_proof_stops_nothing_and_proof_does() {
    use application::log::cosigning::Witnesses;
    let machine = Machine::new().await;
    let town = &machine.town;
    let log = town.sequencer.verifiers().next().unwrap().to_string();
    let key = crate::harness::pem_of([11; 32]);
    let key =
        application::log::signing::signer("w.example/w", evidence_log::note::KeyKind::TextAndTime, &key);
    let vkey = key.unwrap().verifier().to_string();
    let sequencer = |address: &str| {
        let policy = format!("log {log}\nwitness w {vkey} {address}\nquorum none\n");
        let policy: evidence_log::policy::Policy = policy.parse().unwrap();
        let keys = application::log::signing::keys(ORIGIN, &[key_pem()]).unwrap();
        let archive = application::log::archive::Archive::new(machine.file("checkpoints"));
        application::log::sequencer::Sequencer::new(town.app.clone(), keys, archive)
            .with_witnesses(Witnesses::new(policy.witnesses()))
    };
    let stolen = application::log::signing::keys(ORIGIN, &[crate::harness::pem_of([7; 32])]).unwrap();
    let root = evidence_log::hash::Hash([5; 32]);
    let checkpoint = evidence_log::checkpoint::Checkpoint { origin: ORIGIN.to_owned(), size: 99_999, root };
    let not_ours = evidence_log::note::Note::sign(checkpoint.to_string(), &stolen, 0).to_string();
    let first = town.anon.get("/log/checkpoint").await.text;
    for (status, header, body) in [
        (409, None, "9999999999\n"),
        (409, Some("nonsense".to_owned()), "9999999999\n"),
        (409, Some(evidence_log::witness::shown(&not_ours)), "99999\n"),
        (422, None, "fork\n"),
        // A head that is ours proves nothing against us.
        (422, Some(evidence_log::witness::shown(&first)), "fork\n"),
    ] {
        let address = liar(status, header, body).await;
        town.ask(&town.tenant, json!({})).await.expect(201);
        let cosigning = sequencer(&address);
        for _ in 0..3 {
            cosigning.round().await.unwrap_or_else(|error| panic!("{status} {body}: {error}"));
        }
        town.app.log.require_agreement().unwrap();
    }
    // Two heads of one size under our own signature.
    let (size, _): (i64, i64) =
        sqlx::query_as("SELECT size, size FROM logs").fetch_one(&town.admin).await.unwrap();
    let forked = head_signed_by_us(u64::try_from(size - 1).unwrap(), root);
    let address = liar(422, Some(evidence_log::witness::shown(&forked)), "fork\n").await;
    town.ask(&town.tenant, json!({})).await.expect(201);
    let alarm = sequencer(&address).round().await.unwrap_err().to_string();
    assert!(alarm.contains("that these keys have signed"), "{alarm}");
    machine.town.close().await;
}

/// An auditor with that witness in its quorum says INCONSISTENT and not stale; a word alone accuses nobody.
#[tokio::test(flavor = "multi_thread")]
async fn an_auditor_asks_the_witnesses_that_have_not_signed_what_they_have_seen() {
    let machine = Machine::new().await;
    let town = &machine.town;
    town.ask(&town.tenant, json!({})).await.expect(201);
    while town.sequencer.round().await.unwrap() > 0 {}
    let server = machine.serve();
    published(&machine).await;
    let policy = std::fs::read_to_string(machine.file("policy")).unwrap();
    let key = crate::harness::pem_of([11; 32]);
    let kind = evidence_log::note::KeyKind::TextAndTime;
    let vkey = application::log::signing::signer("w.example/w", kind, &key).unwrap().verifier().to_string();
    let (size, root): (i64, Vec<u8>) =
        sqlx::query_as("SELECT size, root FROM logs").fetch_one(&town.admin).await.unwrap();
    let (size, root) = (u64::try_from(size).unwrap(), evidence_log::hash::Hash::from_slice(&root).unwrap());
    let other = evidence_log::hash::Hash([5; 32]);
    let shown = |size, root| Some(evidence_log::witness::shown(&head_signed_by_us(size, root)));
    for (header, status, words) in [
        (None, 3, "stale"),
        (shown(size, root), 3, "stale"),
        (shown(size + 5, other), 4, "INCONSISTENT: checkpoint: the witness w shows a head of size"),
        (shown(size, other), 4, "does not contain it"),
        (shown(size - 1, other), 4, "does not contain it"),
    ] {
        let address = liar(409, header, "9999999999\n").await;
        let asks = policy.replace("quorum none", &format!("witness w {vkey} {address}\nquorum w"));
        std::fs::write(machine.file("policy"), asks).unwrap();
        let found = machine.audit(&server, "mirror", &[]).await;
        assert_eq!(found.status.code(), Some(status), "{}", said(&found));
        assert!(said(&found).contains(words), "{words}: {}", said(&found));
    }
    drop(server);
    machine.town.close().await;
}
