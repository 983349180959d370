//! The program itself, as processes: servers that are killed, the auditor, the verifier, the witness.

mod audits;
mod backups;
mod connections;
mod first_start;
mod hang_ups;
mod kills;
mod offline_day;
mod rotation;
mod tampering;
mod witnesses;

use std::io::Write;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use sqlx::{ConnectOptions, PgPool};

use crate::harness::{MASTER_KEY, ORIGIN, Town, card_key_pem, key_pem};

static NEXT: AtomicU32 = AtomicU32::new(0);

const PROGRAM: &str = env!("CARGO_BIN_EXE_wardbook");

/// A register, and what is needed to run the program on it.
pub struct Machine {
    pub town: Town,
    pub database: String,
    /// The auditor's client program and its secret.
    auditor: (String, String),
}

/// A running server; it is killed when this is dropped.
pub struct Server {
    pub process: Child,
    /// As the database knows it.
    pub name: String,
    pub address: String,
    /// Where its figures are collected.
    pub figures: String,
    /// What it has said since it listens.
    pub lines: Arc<Mutex<Vec<Value>>>,
}

impl Server {
    /// A process that listens at an address, and is no register.
    pub fn at(process: Child, address: &str) -> Self {
        let address = address.to_owned();
        Self { process, name: String::new(), address, figures: String::new(), lines: Arc::default() }
    }

    /// A figure of the process, by its name.
    pub fn figure(&self, name: &str) -> f64 {
        let mut reply = agent().get(format!("{}/metrics", self.figures)).call().unwrap();
        let kind = reply.headers()["content-type"].to_str().unwrap().to_owned();
        assert!(kind.starts_with("application/openmetrics-text"), "{kind}");
        let text = reply.body_mut().read_to_string().unwrap();
        let line = text.lines().find_map(|line| line.strip_prefix(&format!("{name} ")));
        line.unwrap_or_else(|| panic!("{name}: {text}")).parse().unwrap()
    }

    /// Waits until so many further rounds have come to nothing.
    pub async fn fails_rounds(&self, more: u32) {
        let rounds = || self.figure("wardbook_log_failed_rounds_total");
        let before = rounds();
        until("nothing is signed", async || (rounds() >= before + f64::from(more)).then_some(())).await;
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Machine {
    pub async fn new() -> Self {
        let town = Town::open().await;
        // Rows that are made at the time of the test's clock would look old to a server.
        let organisation = json!({"kind": "auditor", "name": "Fennick"});
        let auditor = town.supplier.post("/v1/organisations", organisation).await.id();
        let program = format!("/v1/organisations/{auditor}/client-programs");
        let program =
            town.supplier.post(program, json!({"name": "mirror", "scopes": ["log"]})).await.expect(201);
        let text = |name: &str| program[name].as_str().unwrap().to_owned();
        let auditor = (text("id"), text("client_secret"));
        let database = address(&town.admin.connect_options());
        while town.sequencer.round().await.unwrap() > 0 {}
        write_key(&town.scratch.0.join("key.pem"), &key_pem());
        write_key(&town.scratch.0.join("card.pem"), &card_key_pem());
        let key = town.sequencer.verifiers().next().unwrap().to_string();
        std::fs::write(town.scratch.0.join("policy"), format!("log {key}\nquorum none\n")).unwrap();
        Self { town, database, auditor }
    }

    pub fn file(&self, name: &str) -> PathBuf {
        self.town.scratch.0.join(name)
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = self.prepared(Command::new(PROGRAM));
        command.args(arguments);
        command
    }

    /// With what every command of the program is told by its environment.
    fn prepared(&self, mut command: Command) -> Command {
        command
            .env("WARDBOOK_DATABASE_URL", &self.database)
            .env("WARDBOOK_ADMIN_URL", &self.database)
            .env("WARDBOOK_LOG_ORIGIN", ORIGIN)
            .env("WARDBOOK_LOG_KEYS", self.file("key.pem"))
            .env("WARDBOOK_LOG_ARCHIVE", self.file("checkpoints"))
            .env("WARDBOOK_TOKEN_KEYS", self.file("key.pem"))
            .env("WARDBOOK_CARD_KEYS", self.file("card.pem"))
            .env("WARDBOOK_MASTER_KEYS", MASTER_KEY)
            .env("WARDBOOK_ISSUER", "https://register.example")
            .env("WARDBOOK_CLIENT_ID", &self.auditor.0)
            .env("WARDBOOK_CLIENT_SECRET", &self.auditor.1)
            .env("WARDBOOK_CALLS_PER_SECOND", "100000")
            // The databases of tests do not wait for the disk.
            .env("WARDBOOK_COMMITS_MAY_BE_LOST", "true")
            .env("WARDBOOK_WRITES_PER_MINUTE", "1000000")
            .env("WARDBOOK_STAFF_WRITES_PER_MINUTE", "1000000")
            .env("WARDBOOK_REGISTRATION_WRITES_PER_MINUTE", "1000000")
            .env("WARDBOOK_SIGN_INS_PER_MINUTE", "100000")
            .current_dir(&self.town.scratch.0);
        command
    }

    /// Starts a server and waits until it listens.
    pub fn serve(&self) -> Server {
        self.serve_with(&[])
    }

    /// Starts a server with more arguments.
    pub fn serve_with(&self, more: &[&str]) -> Server {
        self.serve_at("127.0.0.1:0", more)
    }

    /// Starts a server at an address, with more arguments.
    pub fn serve_at(&self, listen: &str, more: &[&str]) -> Server {
        self.serve_by(Command::new(PROGRAM), listen, more)
    }

    /// Starts a server that may have so many descriptors.
    pub fn serve_with_descriptors(&self, descriptors: u32) -> Server {
        let mut shell = Command::new("sh");
        shell.args(["-c", &format!("ulimit -n {descriptors}; exec \"$0\" \"$@\""), PROGRAM]);
        self.serve_by(shell, "127.0.0.1:0", &[])
    }

    fn serve_by(&self, program: Command, listen: &str, more: &[&str]) -> Server {
        let name = format!("server-{}", NEXT.fetch_add(1, Ordering::SeqCst));
        let and = if self.database.contains('?') { '&' } else { '?' };
        let database = format!("{}{and}application_name={name}", self.database);
        let mut process = self
            .prepared(program)
            .args(["serve", "--listen", listen, "--metrics", "127.0.0.1:0", "--connections", "8"])
            .args(more)
            .env("WARDBOOK_DATABASE_URL", database)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let said = Arc::<Mutex<Vec<Value>>>::default();
        let kept = Arc::clone(&said);
        let lines = std::io::BufRead::lines(std::io::BufReader::new(process.stdout.take().unwrap()));
        let lines = lines.map_while(Result::ok).filter_map(|line| serde_json::from_str::<Value>(&line).ok());
        let mut lines = lines.inspect(move |line| kept.lock().unwrap().push(line.clone()));
        let mut listening = |message: &str| {
            let found = lines.by_ref().find(|line| line["message"] == message).expect("the server listens");
            format!("http://{}", found["address"].as_str().unwrap())
        };
        let (figures, address) = (listening("metrics.listening"), listening("serve.listening"));
        // Its lines are read on, so that it never waits for somebody to read them.
        std::thread::spawn(move || lines.for_each(drop));
        Server { process, name, address, figures, lines: said }
    }

    pub async fn audit(&self, server: &Server, mirror: &str, more: &[&str]) -> Output {
        let mut command = self.command(&["log", "audit", &server.address, "--policy", "policy"]);
        command.args(["--mirror", mirror]).args(more);
        tokio::task::spawn_blocking(move || command.output().unwrap()).await.unwrap()
    }
}

/// Writes a key that nobody else may read: others are refused.
pub fn write_key(file: &std::path::Path, key: &str) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::write(file, key).unwrap();
    std::fs::set_permissions(file, std::fs::Permissions::from_mode(0o600)).unwrap();
}

pub fn said(output: &Output) -> String {
    String::from_utf8_lossy(&[&output.stdout[..], &output.stderr[..]].concat()).into_owned()
}

impl Server {
    /// Asks it to end.
    pub fn terminate(&self) {
        let pid = self.process.id().to_string();
        assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
    }
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
pub fn address(options: &sqlx::postgres::PgConnectOptions) -> String {
    let mut url = options.to_url_lossy();
    let pairs: Vec<(String, String)> = url
        .query_pairs()
        .filter(|(name, _)| name != "statement-cache-capacity")
        .map(|(name, value)| (name.into_owned(), value.into_owned()))
        .collect();
    url.query_pairs_mut().clear().extend_pairs(pairs);
    url.to_string()
}

/// The register as if its log had never been opened.
pub async fn forget_log(machine: &Machine) {
    sqlx::raw_sql(
        "SET session_replication_role = replica; DELETE FROM log_leaves; DELETE FROM log_tiles;
         DELETE FROM log_published; DELETE FROM logs; SET session_replication_role = origin",
    )
    .execute(&machine.town.admin)
    .await
    .unwrap();
}

/// Everything that was written so far is published.
pub async fn published(machine: &Machine) {
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
pub fn append(agent: &ureq::Agent, address: &str, token: &str, key: &str) -> bool {
    agent
        .post(format!("{address}/v1/people"))
        .header("authorization", format!("Bearer {token}"))
        .header("idempotency-key", key)
        .header("content-type", "application/json")
        .send(r#"{"name": "Somebody"}"#)
        .is_ok()
}

pub fn agent() -> ureq::Agent {
    ureq::Agent::config_builder().timeout_global(Some(Duration::from_secs(10))).build().into()
}
