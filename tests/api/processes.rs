//! The program itself, as processes: servers that are killed, the auditor, the verifier.

use std::io::Write;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use sqlx::{ConnectOptions, PgPool};

use super::harness::{ORIGIN, Town, key_pem};

static NEXT: AtomicU32 = AtomicU32::new(0);

const PROGRAM: &str = env!("CARGO_BIN_EXE_wardbook");

/// A register, and what is needed to run the program on it.
pub struct Machine {
    pub town: Town,
    database: String,
    /// The auditor's client program and its secret.
    auditor: (String, String),
}

/// A running server; it is killed when this is dropped.
pub struct Server {
    process: Child,
    /// As the database knows it.
    name: String,
    pub address: String,
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Machine {
    pub async fn new(pool: PgPool) -> Self {
        let town = Town::open(pool).await;
        // Rows that are made at the time of the test's clock would look old to a server.
        let organisation = json!({"kind": "auditor", "name": "Fennick"});
        let auditor = town.keeper.post("/v1/organisations", organisation).await.id();
        let program = format!("/v1/organisations/{auditor}/client-programs");
        let program = town.keeper.post(program, json!({"name": "mirror"})).await.expect(201);
        let text = |name: &str| program[name].as_str().unwrap().to_owned();
        let auditor = (text("id"), text("client_secret"));
        let database = address(&town.admin.connect_options());
        while town.sequencer.round().await.unwrap() > 0 {}
        std::fs::write(town.scratch.0.join("key.pem"), key_pem()).unwrap();
        let key = town.sequencer.verifiers().next().unwrap().to_string();
        std::fs::write(town.scratch.0.join("policy"), format!("log {key}\nquorum none\n")).unwrap();
        Self { town, database, auditor }
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.town.scratch.0.join(name)
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(PROGRAM);
        command
            .args(arguments)
            .env("WARDBOOK_DATABASE_URL", &self.database)
            .env("WARDBOOK_ADMIN_URL", &self.database)
            .env("WARDBOOK_LOG_ORIGIN", ORIGIN)
            .env("WARDBOOK_LOG_KEYS", self.file("key.pem"))
            .env("WARDBOOK_LOG_ARCHIVE", self.file("checkpoints"))
            .env("WARDBOOK_TOKEN_KEYS", self.file("key.pem"))
            .env("WARDBOOK_ISSUER", "https://register.example")
            .env("WARDBOOK_AUDITOR_ID", &self.auditor.0)
            .env("WARDBOOK_AUDITOR_SECRET", &self.auditor.1)
            .env("WARDBOOK_CALLS_PER_SECOND", "100000")
            .env("WARDBOOK_SIGN_INS_PER_MINUTE", "100000")
            .current_dir(&self.town.scratch.0);
        command
    }

    /// Starts a server and waits until it listens.
    pub fn serve(&self) -> Server {
        let name = format!("server-{}", NEXT.fetch_add(1, Ordering::SeqCst));
        let and = if self.database.contains('?') { '&' } else { '?' };
        let database = format!("{}{and}application_name={name}", self.database);
        let mut process = self
            .command(&["serve", "--listen", "127.0.0.1:0", "--connections", "8"])
            .env("WARDBOOK_DATABASE_URL", database)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = std::io::BufRead::lines(std::io::BufReader::new(process.stdout.take().unwrap()));
        let address = lines
            .by_ref()
            .map(|line| line.unwrap())
            .find_map(|line| {
                let line: Value = serde_json::from_str(&line).ok()?;
                (line["message"] == "serve.listening").then(|| line["address"].as_str().unwrap().to_owned())
            })
            .expect("the server listens");
        // Its lines are read on, so that it never waits for somebody to read them.
        std::thread::spawn(move || lines.for_each(drop));
        Server { process, name, address: format!("http://{address}") }
    }

    pub async fn audit(&self, server: &Server, mirror: &str, more: &[&str]) -> Output {
        let mut command = self.command(&["log", "audit", &server.address, "--policy", "policy"]);
        command.args(["--mirror", mirror]).args(more);
        tokio::task::spawn_blocking(move || command.output().unwrap()).await.unwrap()
    }
}

pub fn said(output: &Output) -> String {
    String::from_utf8_lossy(&[&output.stdout[..], &output.stderr[..]].concat()).into_owned()
}

/// Waits until something holds; a deadline only ends a test that would never end.
pub async fn until<T, F: Future<Output = Option<T>>>(what: &str, mut holds: impl FnMut() -> F) -> T {
    let deadline = Instant::now() + Duration::from_secs(120);
    loop {
        if let Some(found) = holds().await {
            return found;
        }
        assert!(Instant::now() < deadline, "never: {what}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// An address that other programs understand too: without what only this library knows.
fn address(options: &sqlx::postgres::PgConnectOptions) -> String {
    let mut url = options.to_url_lossy();
    let pairs: Vec<(String, String)> = url
        .query_pairs()
        .filter(|(name, _)| name != "statement-cache-capacity")
        .map(|(name, value)| (name.into_owned(), value.into_owned()))
        .collect();
    url.query_pairs_mut().clear().extend_pairs(pairs);
    url.to_string()
}

/// Everything that was written so far is published.
async fn published(machine: &Machine) {
    until("everything is published", async || {
        let waits: i64 = sqlx::query_scalar(
            "SELECT (SELECT count(*) FROM log_pending) + (SELECT size FROM logs) - (SELECT size FROM log_published)",
        )
        .fetch_one(&machine.town.admin)
        .await
        .unwrap();
        (waits == 0).then_some(())
    })
    .await;
}

/// One change over HTTP; whether it was answered. A server that is killed meanwhile does not.
fn append(agent: &ureq::Agent, address: &str, token: &str, key: &str) -> bool {
    agent
        .post(format!("{address}/v1/people"))
        .header("authorization", format!("Bearer {token}"))
        .header("idempotency-key", key)
        .header("content-type", "application/json")
        .send(r#"{"name": "Somebody"}"#)
        .is_ok()
}

fn agent() -> ureq::Agent {
    ureq::Agent::config_builder().timeout_global(Some(Duration::from_secs(10))).build().into()
}

#[sqlx::test]
async fn an_audit_finds_the_log_in_order_and_a_receipt_verifies_offline(pool: PgPool) {
    let machine = Machine::new(pool).await;
    let town = &machine.town;
    let entry = town.ask(&town.tenant, json!({})).await.body["entry_id"].as_str().unwrap().to_owned();
    let server = machine.serve();
    published(&machine).await;
    let first = machine.audit(&server, "mirror", &[]).await;
    assert_eq!(first.status.code(), Some(0), "{}", said(&first));
    town.ask(&town.tenant, json!({})).await;
    published(&machine).await;
    for more in [&[][..], &["--all"]] {
        let again = machine.audit(&server, "mirror", more).await;
        assert_eq!(again.status.code(), Some(0), "{}", said(&again));
    }

    let receipt = town.tenant.get(format!("/v1/log-entries/{entry}/receipt")).await;
    std::fs::write(machine.file("receipt"), &receipt.text).unwrap();
    let shown = town.tenant.get(format!("/v1/log-entries/{entry}/disclosures")).await.expect(200);
    let disclosure = shown["items"].as_array().unwrap().iter().find(|item| item["name"] == "asker").unwrap()
        ["disclosure"]
        .as_str()
        .unwrap()
        .to_owned();
    let verify = |disclosure: &str| {
        machine
            .command(&["log", "verify", "receipt", "--policy", "policy", "--disclosure", disclosure])
            .output()
            .unwrap()
    };
    let good = verify(&disclosure);
    assert!(good.status.success(), "{}", said(&good));
    assert!(said(&good).contains(&format!("asker: \"{}\"", town.tenant.id)), "{}", said(&good));
    let wrong = verify(&format!("{disclosure}x"));
    assert!(!wrong.status.success() && said(&wrong).contains("does not commit"), "{}", said(&wrong));
    std::fs::write(machine.file("receipt"), receipt.text.replace("\nindex ", "\nindex 1")).unwrap();
    assert!(!verify(&disclosure).status.success());

    drop(server);
    let gone = Server {
        process: Command::new("true").spawn().unwrap(),
        name: String::new(),
        address: "http://127.0.0.1:1".to_owned(),
    };
    assert_eq!(machine.audit(&gone, "mirror", &[]).await.status.code(), Some(2));
}

#[sqlx::test]
async fn a_flipped_byte_is_found_by_the_auditor_and_named(pool: PgPool) {
    let machine = Machine::new(pool).await;
    // More than one full tile, so that there is a tile of level 1.
    for _ in 0..300 {
        machine.town.keeper.post("/v1/people", json!({"name": "Somebody"})).await.expect(201);
    }
    while machine.town.sequencer.round().await.unwrap() > 0 {}
    let server = machine.serve();
    let first = machine.audit(&server, "mirror", &[]).await;
    assert_eq!(first.status.code(), Some(0), "{}", said(&first));
    // To somebody who has a mirror, and to somebody who looks for the first time.
    for (flip, mend, known, new) in [
        (
            "UPDATE log_entries SET body = set_byte(body, 30, get_byte(body, 30) # 1)
             WHERE id = (SELECT entry_id FROM log_leaves WHERE index = 17)",
            None,
            "entry 17: it is not what the mirror has",
            "entry 17: its hash is not the one in tile/0/000",
        ),
        (
            "UPDATE log_tiles SET hashes = set_byte(hashes, 100, get_byte(hashes, 100) # 1)
             WHERE level = 0 AND index = 0",
            None,
            "tile/0/000: hash 3 is not that of entry 3",
            "tile/0/000: hash 3 is not that of entry 3",
        ),
        (
            "UPDATE log_tiles SET hashes = set_byte(hashes, 5, get_byte(hashes, 5) # 1) WHERE level = 1",
            None,
            "tile/1/000.p/1: it is not what is made of the tiles below",
            "tile/1/000.p/1: it is not what is made of the tiles below",
        ),
        (
            "UPDATE log_published SET note = overlay(note placing
                 CASE substring(note FROM length(note) - 20 FOR 1) WHEN 'A' THEN 'B' ELSE 'A' END
                 FROM length(note) - 20 FOR 1)",
            Some("UPDATE log_published SET note = (SELECT note FROM logs)"),
            "checkpoint: the signature of town.example/register is not good",
            "checkpoint: the signature of town.example/register is not good",
        ),
    ] {
        run(&machine, flip).await;
        for (mirror, named) in [("mirror", known), ("new-mirror", new)] {
            let found = machine.audit(&server, mirror, &["--all"]).await;
            assert_eq!(found.status.code(), Some(4), "{named}: {}", said(&found));
            assert!(said(&found).contains(named), "{named}: {}", said(&found));
        }
        let _ = std::fs::remove_dir_all(machine.file("new-mirror"));
        // Flipped back.
        run(&machine, mend.unwrap_or(flip)).await;
        let good = machine.audit(&server, "mirror", &["--all"]).await;
        assert_eq!(good.status.code(), Some(0), "{}", said(&good));
    }
    machine.town.close().await;
}

/// As somebody who owns the database could: past every trigger.
async fn run(machine: &Machine, sql: &'static str) {
    let mut db = machine.town.admin.acquire().await.unwrap();
    sqlx::query("SET session_replication_role = replica").execute(&mut *db).await.unwrap();
    let done = sqlx::query(sql).execute(&mut *db).await.unwrap();
    assert_eq!(done.rows_affected(), 1, "{sql}");
    sqlx::query("SET session_replication_role = origin").execute(&mut *db).await.unwrap();
}

#[sqlx::test]
async fn without_a_log_nothing_is_served_and_it_is_opened_by_a_command(pool: PgPool) {
    let machine = Machine::new(pool).await;
    let again = machine.command(&["log", "init"]).output().unwrap();
    assert!(!again.status.success() && said(&again).contains("there is a log already"), "{}", said(&again));
    sqlx::raw_sql(
        "SET session_replication_role = replica; DELETE FROM log_leaves; DELETE FROM log_tiles;
         DELETE FROM log_published; DELETE FROM logs; SET session_replication_role = origin",
    )
    .execute(&machine.town.admin)
    .await
    .unwrap();
    let refused = machine.command(&["serve", "--listen", "127.0.0.1:0"]).output().unwrap();
    assert!(!refused.status.success() && said(&refused).contains("wardbook log init"), "{}", said(&refused));
    std::fs::remove_file(machine.file("checkpoints")).unwrap();
    let opened = machine.command(&["log", "init"]).output().unwrap();
    assert!(opened.status.success(), "{}", said(&opened));
    let policy = machine.command(&["log", "policy"]).output().unwrap();
    assert_eq!(said(&policy), std::fs::read_to_string(machine.file("policy")).unwrap());
    machine.serve();
}

/// Again and again the process that sequences at this moment is killed, and another is started.
#[sqlx::test]
async fn servers_that_are_killed_lose_nothing_and_write_nothing_twice(pool: PgPool) {
    let machine = Machine::new(pool).await;
    let mut servers: Vec<Server> = (0..3).map(|_| machine.serve()).collect();
    let addresses = std::sync::Arc::new(std::sync::Mutex::new(
        servers.iter().map(|server| server.address.clone()).collect::<Vec<_>>(),
    ));
    let stop = std::sync::Arc::new(AtomicBool::new(false));
    let writers: Vec<_> = (0..6)
        .map(|writer| {
            let (addresses, stop) = (addresses.clone(), stop.clone());
            let token = machine.town.keeper.token.clone();
            std::thread::spawn(move || {
                let agent = agent();
                let mut answered = 0_u32;
                for number in 0_usize.. {
                    if stop.load(Ordering::SeqCst) {
                        break;
                    }
                    let address = addresses.lock().unwrap()[(number + writer) % 3].clone();
                    let key = format!("kill-{writer}-{number}");
                    answered += u32::from(append(&agent, &address, &token, &key));
                }
                answered
            })
        })
        .collect();
    let mut caught = 0;
    for round in 0..12 {
        tokio::time::sleep(Duration::from_millis(250)).await;
        let found = sequencing(&machine, &servers).await;
        caught += u32::from(found.is_some());
        let victim = found.unwrap_or(round % 3);
        // SIGKILL: nothing of the process is left to tidy up.
        servers[victim].process.kill().unwrap();
        servers[victim].process.wait().unwrap();
        servers[victim] = machine.serve();
        addresses.lock().unwrap()[victim] = servers[victim].address.clone();
        // Appends that roll back: their places in the queue are gaps.
        let mut tx = machine.town.admin.begin().await.unwrap();
        let insert = "INSERT INTO log_entries SELECT gen_random_uuid(), 'change', '\\x7b7d', now()";
        sqlx::query(insert).execute(&mut *tx).await.unwrap();
        tx.rollback().await.unwrap();
    }
    stop.store(true, Ordering::SeqCst);
    let answered: u32 = writers.into_iter().map(|writer| writer.join().unwrap()).sum();
    assert!(answered > 100, "only {answered} were answered");
    assert!(caught > 0, "no process was killed while it held the lock");
    published(&machine).await;

    // What was answered is there, and each row has its entry and its index.
    let people: i64 = sqlx::query_scalar("SELECT count(*) FROM people WHERE name = 'Somebody'")
        .fetch_one(&machine.town.admin)
        .await
        .unwrap();
    assert!(people >= i64::from(answered), "{answered} answered, {people} there");
    let audited = machine.audit(&servers[0], "mirror", &["--all"]).await;
    assert_eq!(audited.status.code(), Some(0), "{}", said(&audited));
    let entries: Vec<uuid::Uuid> =
        sqlx::query_scalar("SELECT entry_id FROM log_leaves").fetch_all(&machine.town.admin).await.unwrap();
    for entry in entries {
        let receipt = machine.town.keeper.get(format!("/v1/log-entries/{entry}/receipt")).await;
        let receipt: wardbook::domain::log::receipt::Receipt = receipt.text.parse().unwrap();
        receipt.verify(&machine.town.policy()).unwrap();
    }
    every_two_are_consistent(&machine).await;
    drop(servers);
    machine.town.close().await;
}

/// Which server's connection holds the sequencer's lock at this moment.
async fn sequencing(machine: &Machine, servers: &[Server]) -> Option<usize> {
    for _ in 0..200 {
        let name: Option<String> = sqlx::query_scalar(
            "SELECT a.application_name FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid
             WHERE l.locktype = 'advisory' AND l.granted AND a.datname = current_database()
             AND a.application_name LIKE 'server-%' LIMIT 1",
        )
        .fetch_optional(&machine.town.admin)
        .await
        .unwrap();
        if let Some(found) = name.and_then(|name| servers.iter().position(|server| server.name == name)) {
            return Some(found);
        }
    }
    None
}

/// Every checkpoint that was ever archived leads to the newest one.
async fn every_two_are_consistent(machine: &Machine) {
    let archive = std::fs::read_to_string(machine.file("checkpoints")).unwrap();
    let seen: Vec<_> = archive
        .split_terminator(".\n")
        .map(|note| machine.town.policy().verify(note).unwrap().checkpoint)
        .filter(|checkpoint| checkpoint.size > 0)
        .collect();
    assert!(seen.len() > 3);
    let mut db = machine.town.app.pool.acquire().await.unwrap();
    for pair in seen.windows(2) {
        let (old, new) = (&pair[0], &pair[1]);
        assert!(old.size < new.size);
        let proof = wardbook::application::log::reading::consistency(&mut db, 1, old.size, new.size).await;
        wardbook::domain::log::tree::verify_consistency(
            old.size,
            new.size,
            old.root,
            new.root,
            &proof.unwrap(),
        )
        .unwrap();
    }
}

#[test]
fn a_file_that_is_no_receipt_is_refused_in_a_sentence() {
    let scratch = super::harness::Scratch::new();
    let mut file = std::fs::File::create(scratch.0.join("receipt")).unwrap();
    file.write_all(b"nonsense").unwrap();
    let key = "log log.example/register+dd0cadee+AQOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4\nquorum none\n";
    std::fs::write(scratch.0.join("policy"), key).unwrap();
    let output = Command::new(PROGRAM)
        .args(["log", "verify", "receipt", "--policy", "policy"])
        .current_dir(&scratch.0)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(said(&output), "wardbook: receipt: it has no empty line\n");
}

/// A running witness.
fn witness(machine: &Machine, name: &str, store: &str) -> (Server, String) {
    std::fs::write(machine.file(&format!("{name}.pem")), super::harness::pem_of([11; 32])).unwrap();
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
    let server = Server { process, name: String::new(), address: words[3].to_owned() };
    (server, words[1].to_owned())
}

fn ask_witness(address: &str, question: &str) -> (u16, String) {
    let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
    let mut answer = agent.post(format!("{address}/add-checkpoint")).send(question).unwrap();
    (answer.status().as_u16(), answer.body_mut().read_to_string().unwrap())
}

#[sqlx::test]
async fn a_witness_signs_what_leads_on_and_nothing_else(pool: PgPool) {
    let machine = Machine::new(pool).await;
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
    let policy: wardbook::domain::log::policy::Policy = policy.parse().unwrap();
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
    let proof = wardbook::application::log::reading::consistency(&mut db, 1, size, new).await.unwrap();
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

#[sqlx::test]
async fn heads_are_cosigned_before_they_are_published_and_a_larger_log_is_an_alarm(pool: PgPool) {
    let machine = Machine::new(pool).await;
    let town = &machine.town;
    let (witness, vkey) = witness(&machine, "w1", "witness");
    let log = town.sequencer.verifiers().next().unwrap().to_string();
    let policy = format!("log {log}\nwitness w {vkey} {}\nquorum w\n", witness.address);
    let policy: wardbook::domain::log::policy::Policy = policy.parse().unwrap();
    let sequencer = || {
        let keys = wardbook::application::log::sequencer::keys(ORIGIN, &[key_pem()]).unwrap();
        let archive = wardbook::archive::Archive::new(machine.file("checkpoints"));
        wardbook::application::log::sequencer::Sequencer::new(town.app.clone(), keys, archive)
            .with_witnesses(wardbook::application::log::cosigning::Witnesses::new(policy.witnesses()))
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
    let root = wardbook::domain::log::hash::Hash::from_slice(&head.1).unwrap();
    let file = std::fs::read_dir(machine.file("witness"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .find(|path| path.file_name().unwrap().len() == 64)
        .unwrap();
    std::fs::write(file, format!("{ORIGIN}\n{}\n{}\n", head.0 + 5, root.to_base64())).unwrap();
    town.ask(&town.tenant, json!({})).await;
    let alarm = cosigning.round().await.unwrap_err().to_string();
    assert!(alarm.contains("refusing to sign: the witness w has seen size"), "{alarm}");
    // One that does not answer holds nothing up.
    drop(witness);
    town.ask(&town.tenant, json!({})).await;
    sequencer().round().await.unwrap();
    machine.town.close().await;
}

/// A dump of the database, as a backup is made.
fn dump(machine: &Machine) {
    let done = Command::new("pg_dump")
        .args(["--format=custom", "--file"])
        .arg(machine.file("backup"))
        .arg(&machine.database)
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", said(&done));
}

/// The backup, restored into a database of its own.
async fn restored(machine: &Machine) -> (String, PgPool) {
    let options = machine.town.admin.connect_options();
    // PostgreSQL cuts names after 63 bytes.
    let name = format!("restored_{}", &options.get_database().unwrap()[10..]);
    let sql = format!("CREATE DATABASE \"{name}\"");
    sqlx::query(sqlx::AssertSqlSafe(sql)).execute(&machine.town.admin).await.unwrap();
    let options = (*options).clone().database(&name);
    let url = address(&options);
    let done =
        Command::new("pg_restore").args(["--dbname", &url]).arg(machine.file("backup")).output().unwrap();
    assert!(done.status.success(), "{}", said(&done));
    (url, PgPool::connect_with(options).await.unwrap())
}

#[sqlx::test]
async fn an_old_backup_is_noticed_and_mended_from_a_mirror(pool: PgPool) {
    let mut machine = Machine::new(pool).await;
    dump(&machine);
    for _ in 0..3 {
        machine.town.ask(&machine.town.tenant, json!({})).await.expect(201);
    }
    let server = machine.serve();
    published(&machine).await;
    assert_eq!(machine.audit(&server, "mirror", &[]).await.status.code(), Some(0));
    drop(server);

    // The backup comes back under the running archive.
    let (url, pool) = restored(&machine).await;
    machine.database = url;
    let server = machine.serve();
    sqlx::query("SELECT pg_sleep(0.5)").execute(&pool).await.unwrap();
    let (size, published): (i64, i64) =
        sqlx::query_as("SELECT (SELECT size FROM logs), (SELECT size FROM log_published)")
            .fetch_one(&pool)
            .await
            .unwrap();
    assert_eq!(size, published);
    let found = machine.audit(&server, "mirror", &[]).await;
    assert_eq!(found.status.code(), Some(4), "{}", said(&found));
    assert!(said(&found).contains(&format!("and now has {size}")), "{}", said(&found));
    // New work meanwhile waits: nothing is signed.
    assert!(append(&agent(), &server.address, &machine.town.keeper.token, "meanwhile"));
    sqlx::query("SELECT pg_sleep(0.5)").execute(&pool).await.unwrap();
    let waiting: i64 = sqlx::query_scalar("SELECT count(*) FROM log_pending").fetch_one(&pool).await.unwrap();
    assert_eq!(waiting, 1);
    drop(server);

    let recovered = machine.command(&["log", "recover", "--mirror", "mirror"]).output().unwrap();
    assert!(recovered.status.success(), "{}", said(&recovered));
    assert!(said(&recovered).contains("3 entries came back"), "{}", said(&recovered));
    assert!(said(&recovered).contains("\"what\":\"copy.ask\""), "{}", said(&recovered));
    let server = machine.serve();
    until("the entry that waited is in the log", async || {
        let waiting: i64 =
            sqlx::query_scalar("SELECT count(*) FROM log_pending").fetch_one(&pool).await.unwrap();
        (waiting == 0).then_some(())
    })
    .await;
    until("and is published", async || {
        (machine.audit(&server, "mirror", &["--all"]).await.status.code() == Some(0)).then_some(())
    })
    .await;
    let entries: (i64, i64) = sqlx::query_as(
        "SELECT (SELECT size FROM logs), (SELECT count(*) FROM log_leaves l JOIN log_entries e ON e.id = l.entry_id)",
    )
    .fetch_one(&pool)
    .await
    .unwrap();
    assert_eq!(entries, (size + 4, size + 4));
    drop(server);
    let again = machine.command(&["log", "recover", "--mirror", "mirror"]).output().unwrap();
    assert!(said(&again).contains("nothing to recover"), "{}", said(&again));
    drop_restored(&machine, pool).await;
}

#[sqlx::test]
async fn without_a_mirror_another_log_says_which_one_it_continues(pool: PgPool) {
    let mut machine = Machine::new(pool).await;
    dump(&machine);
    let entry = machine.town.ask(&machine.town.tenant, json!({})).await.body["entry_id"].clone();
    while machine.town.sequencer.round().await.unwrap() > 0 {}
    let (url, pool) = restored(&machine).await;
    machine.database = url;
    std::fs::create_dir(machine.file("mirror")).unwrap();
    let without = machine.command(&["log", "recover", "--mirror", "mirror"]).output().unwrap();
    assert!(!without.status.success() && said(&without).contains("no checkpoint"), "{}", said(&without));
    std::fs::write(machine.file("new.pem"), super::harness::pem_of([5; 32])).unwrap();
    let elsewhere = |arguments: &[&str]| {
        let mut command = machine.command(arguments);
        command.env("WARDBOOK_LOG_ORIGIN", "town.example/second").env("WARDBOOK_LOG_KEYS", "new.pem");
        command.output().unwrap()
    };
    let done = elsewhere(&["log", "recover", "--continue-elsewhere"]);
    assert!(done.status.success(), "{}", said(&done));
    let again = elsewhere(&["log", "recover", "--continue-elsewhere"]);
    assert!(!again.status.success(), "{}", said(&again));
    let body: Vec<u8> = sqlx::query_scalar(
        "SELECT e.body FROM log_leaves l JOIN log_entries e ON e.id = l.entry_id WHERE log = 2 AND index = 0",
    )
    .fetch_one(&pool)
    .await
    .unwrap();
    let first: Value = serde_json::from_slice(&body).unwrap();
    assert_eq!(first["what"], "log.continued");
    assert_eq!(first["continues"]["origin"], ORIGIN);
    let (size,): (i64,) =
        sqlx::query_as("SELECT size FROM logs").fetch_one(&machine.town.admin).await.unwrap();
    assert_eq!(first["continues"]["size"], size, "the size that the archive has, beyond the backup's");
    assert!(entry.is_string());
    let keys = wardbook::application::log::sequencer::keys(
        "town.example/second",
        &[super::harness::pem_of([5; 32])],
    );
    let archive = wardbook::archive::Archive::new(machine.file("checkpoints"));
    let app = wardbook::application::App { pool: pool.clone(), ..machine.town.app.clone() };
    let second = wardbook::application::log::sequencer::Sequencer::new(app, keys.unwrap(), archive);
    while second.round().await.unwrap() > 0 {}
    // The old keys go no further.
    assert!(machine.town.sequencer.round().await.unwrap_err().to_string().contains("another log's"));
    drop_restored(&machine, pool).await;
}

async fn drop_restored(machine: &Machine, pool: PgPool) {
    let name = pool.connect_options().get_database().unwrap().to_owned();
    pool.close().await;
    let sql = format!("DROP DATABASE \"{name}\" WITH (FORCE)");
    sqlx::query(sqlx::AssertSqlSafe(sql)).execute(&machine.town.admin).await.unwrap();
}
