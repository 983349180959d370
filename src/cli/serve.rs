//! `wardbook serve`.

use std::error::Error;
use std::io::IsTerminal as _;
use std::net::SocketAddr;
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use clap::Args;
use sqlx::PgPool;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use tokio::net::TcpListener;

use super::{Done, MIGRATIONS};
use wardbook::application::log::cosigning::Witnesses;
use wardbook::application::log::sequencer::{self, LogWork, Sequencer};
use wardbook::application::log::{Backpressure, LogView};
use wardbook::application::{App, cards, secrets, tasks};
use wardbook::archive::Archive;
use wardbook::http::{self, limits::Limits};
use wardbook::metrics;
use wardbook::outside::Outside;
use wardbook::passwords::Passwords;
use wardbook::tokens::TokenKeys;
use wardbook::tokens::card::CardKeys;
use wardbook::tokens::keys::KeySet;
use wardbook::vault::Vault;

/// The role as which the service works: it cannot unmake evidence.
const SERVICE_ROLE: &str = "SET ROLE wardbook_service";

/// Where the register is.
#[derive(Args, Clone)]
pub struct Database {
    /// As a login that is a member of `wardbook_service`.
    #[arg(long, env = "WARDBOOK_DATABASE_URL")]
    pub database_url: String,
    /// The most connections.
    #[arg(long, env = "WARDBOOK_CONNECTIONS", default_value_t = 16)]
    pub connections: u32,
}

/// Options of `serve`.
#[derive(Args)]
pub struct Options {
    #[command(flatten)]
    database: Database,
    /// Where to listen.
    #[arg(long, env = "WARDBOOK_LISTEN", default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    #[command(flatten)]
    keys: KeyOptions,
    /// Where to listen for whoever collects figures (`GET /metrics`); nowhere, when absent.
    #[arg(long, env = "WARDBOOK_METRICS")]
    metrics: Option<SocketAddr>,
    #[command(flatten)]
    log: LogOptions,
    #[command(flatten)]
    sequencing: SequencingOptions,
    #[command(flatten)]
    limits: LimitOptions,
}

/// Who the service is, and its keys: files, or in the environment the keys themselves.
#[derive(Args, Clone)]
struct KeyOptions {
    /// The address of the service: what its tokens and cards name as their issuer. Printed cards carry it.
    #[arg(long, env = "WARDBOOK_ISSUER", default_value = "http://localhost:8080")]
    issuer: String,
    /// Keys of access tokens; the first signs, all verify.
    #[arg(
        long = "token-key",
        env = "WARDBOOK_TOKEN_KEYS",
        hide_env_values = true,
        value_delimiter = ',',
        required = true
    )]
    token_keys: Vec<PathBuf>,
    /// Keys of owner's cards and status lists; the first signs, all verify. Of those that only verify
    /// the public half is enough.
    #[arg(
        long = "card-key",
        env = "WARDBOOK_CARD_KEYS",
        hide_env_values = true,
        value_delimiter = ',',
        required = true
    )]
    card_keys: Vec<PathBuf>,
    /// Ids of card keys that became known to somebody else: cards that they signed count no more.
    #[arg(long = "withdrawn-card-key", env = "WARDBOOK_WITHDRAWN_CARD_KEYS", value_delimiter = ',')]
    withdrawn_card_keys: Vec<String>,
    #[command(flatten)]
    master: MasterKeyOptions,
}

/// What wraps the keys of what is encrypted in the database.
#[derive(Args, Clone)]
pub struct MasterKeyOptions {
    /// Master keys: files, or in the environment the keys themselves; the first wraps, all unwrap.
    #[arg(
        long = "master-key",
        env = "WARDBOOK_MASTER_KEYS",
        hide_env_values = true,
        value_delimiter = ',',
        required = true
    )]
    master_keys: Vec<PathBuf>,
}

impl MasterKeyOptions {
    /// The keys.
    pub fn read(&self) -> Result<Vec<String>, Box<dyn Error>> {
        let read = |given: &PathBuf| {
            if given.exists() {
                return Ok(std::fs::read_to_string(given)?);
            }
            // The environment may hold the key itself: it is not repeated where it is no file either.
            let text = given.to_str().filter(|text| text.len() == 43);
            text.map(str::to_owned).ok_or_else(|| "a master key is neither a file nor a key".into())
        };
        self.master_keys.iter().map(read).collect()
    }
}

/// The keys of a service, as texts.
pub struct Keys {
    /// What its tokens and cards name as their issuer.
    pub issuer: String,
    /// Access tokens.
    pub token: Vec<String>,
    /// Cards and status lists.
    pub card: Vec<String>,
    /// What is encrypted.
    pub master: Vec<String>,
}

impl KeyOptions {
    fn read(&self) -> Result<Keys, Box<dyn Error>> {
        Ok(Keys {
            issuer: self.issuer.clone(),
            token: read_keys(&self.token_keys)?,
            card: read_keys(&self.card_keys)?,
            master: self.master.read()?,
        })
    }
}

impl Keys {
    /// Keys that nobody else has: for the demo, and for commands that sign and seal nothing.
    pub fn of_the_moment(issuer: &str) -> Result<Self, Box<dyn Error>> {
        Ok(Self {
            issuer: issuer.to_owned(),
            token: vec![super::new_key_pem()?],
            card: vec![super::new_key_pem()?],
            master: vec![Outside::system().secret()],
        })
    }
}

/// The evidence log.
#[derive(Args, Clone)]
pub struct LogOptions {
    /// The log's name: a host and path of yours, without a scheme.
    #[arg(long = "log-origin", env = "WARDBOOK_LOG_ORIGIN")]
    origin: String,
    /// Files with the log's signing keys, or in the environment the keys themselves; all of them sign.
    #[arg(
        long = "log-key",
        env = "WARDBOOK_LOG_KEYS",
        hide_env_values = true,
        value_delimiter = ',',
        required = true
    )]
    keys: Vec<PathBuf>,
    /// The archive of checkpoints: a file on another disk than the database's.
    #[arg(long = "log-archive", env = "WARDBOOK_LOG_ARCHIVE")]
    archive: PathBuf,
    /// A policy whose witnesses are shown each head before it is published.
    #[arg(long = "log-witnesses", env = "WARDBOOK_LOG_WITNESSES")]
    witnesses: Option<PathBuf>,
}

/// How this process works on the log.
#[derive(Args, Clone, Copy)]
struct SequencingOptions {
    /// Leave indexes, signing and publishing to other processes.
    #[arg(long)]
    no_sequencing: bool,
    /// How many entries may wait for the log before new work is refused.
    #[arg(long, env = "WARDBOOK_LOG_MOST_WAITING", default_value_t = 10_000)]
    log_most_waiting: u64,
    /// How many seconds one may wait.
    #[arg(long, env = "WARDBOOK_LOG_LONGEST_WAIT", default_value_t = 60)]
    log_longest_wait: u64,
}

impl LogOptions {
    /// The sequencer of an app.
    pub fn sequencer(&self, app: App) -> Result<Sequencer, Box<dyn Error>> {
        let keys = sequencer::keys(&self.origin, &read_keys(&self.keys)?)?;
        let sequencer = Sequencer::new(app, keys, Archive::new(self.archive.clone()));
        Ok(match &self.witnesses {
            Some(file) => {
                sequencer.with_witnesses(Witnesses::new(super::log::read_policy(file)?.witnesses()))
            }
            None => sequencer,
        })
    }

    /// The name of the log, and its keys as verifiers know them.
    pub fn vkeys(&self) -> Result<Vec<String>, Box<dyn Error>> {
        let keys = sequencer::keys(&self.origin, &read_keys(&self.keys)?)?;
        Ok(keys.iter().map(|key| key.verifier().to_string()).collect())
    }
}

/// Signing keys from their files, or as they are.
fn read_keys(files: &[PathBuf]) -> Result<Vec<String>, Box<dyn Error>> {
    let read = |file: &PathBuf| {
        // The environment may hold the key itself, which is never repeated in an error.
        if let Some(pem) = file.to_str().filter(|text| text.contains("-----BEGIN ")) {
            return Ok(pem.trim().to_owned());
        }
        std::fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()).into())
    };
    files.iter().map(read).collect()
}

/// How often an address may call.
#[derive(Args, Clone, Copy)]
pub struct LimitOptions {
    /// Calls a second for one address; bursts may be four times as large.
    #[arg(long, env = "WARDBOOK_CALLS_PER_SECOND", default_value = "50")]
    calls_per_second: NonZeroU32,
    /// Attempts to sign in a minute for one address.
    #[arg(long, env = "WARDBOOK_SIGN_INS_PER_MINUTE", default_value = "20")]
    sign_ins_per_minute: NonZeroU32,
    /// Proxies of your own in front of the service, each of which adds to `X-Forwarded-For`.
    #[arg(long, env = "WARDBOOK_PROXIES", default_value_t = 0)]
    proxies: usize,
}

impl LimitOptions {
    /// As the service has them.
    pub fn limits(self) -> Limits {
        Limits::new(self.calls_per_second, self.sign_ins_per_minute, self.proxies)
    }
}

impl Database {
    /// Connections as the service role.
    pub async fn pool(&self) -> Result<PgPool, Box<dyn Error>> {
        let options: PgConnectOptions = self.database_url.parse()?;
        let plain = PgPoolOptions::new().max_connections(1).connect_with(options.clone()).await?;
        require_migrated(&plain).await?;
        plain.close().await;
        let pool = PgPoolOptions::new()
            .max_connections(self.connections)
            .acquire_timeout(Duration::from_secs(5))
            // A connection that died is found by the statement that fails, which answers 503: asking
            // each time first would cost every request two more round trips.
            .test_before_acquire(false)
            .after_connect(|connection, _| {
                Box::pin(async move {
                    sqlx::query(SERVICE_ROLE).execute(connection).await?;
                    Ok(())
                })
            })
            .connect_with(options)
            .await?;
        Ok(pool)
    }

    /// For commands that sign and seal nothing.
    pub async fn app_without_keys(&self) -> Result<App, Box<dyn Error>> {
        app(self.pool().await?, &Keys::of_the_moment("none")?)
    }
}

/// What every act works with.
pub fn app(pool: PgPool, keys: &Keys) -> Result<App, Box<dyn Error>> {
    Ok(App {
        pool,
        outside: Outside::system(),
        passwords: Passwords::new(2)?,
        tokens: Arc::new(TokenKeys::from_pem(&keys.issuer, &keys.token)?),
        cards: Arc::new(CardKeys::new(&keys.issuer, KeySet::from_pem(&keys.card)?)),
        status_lists: Arc::default(),
        spaces: Arc::default(),
        vault: Arc::new(Vault::new(&keys.master)?),
        log: LogView::new(Backpressure::default()),
    })
}

/// Migrations are a decision of whoever runs the service, not a surprise of its start.
async fn require_migrated(pool: &PgPool) -> Done {
    let applied: Result<Vec<i64>, _> =
        sqlx::query_scalar("SELECT version FROM _sqlx_migrations WHERE success").fetch_all(pool).await;
    let applied = applied.unwrap_or_default();
    let missing = MIGRATIONS.iter().filter(|migration| !applied.contains(&migration.version)).count();
    if missing == 0 {
        Ok(())
    } else {
        Err(format!("{missing} migrations are missing: run `wardbook migrate` first").into())
    }
}

/// Serves until a signal comes.
pub async fn run(options: Options) -> Done {
    log_to_stdout(Lines::Json);
    let keys = options.keys.read()?;
    let SequencingOptions { no_sequencing, log_most_waiting, log_longest_wait } = options.sequencing;
    let pressure = Backpressure { most: log_most_waiting, longest: Duration::from_secs(log_longest_wait) };
    let app = App { log: LogView::new(pressure), ..app(options.database.pool().await?, &keys)? };
    let sequencer = options.log.sequencer(app.clone())?;
    let listener = listen(options.listen).await?;
    if let Some(address) = options.metrics {
        let listener = listen(address).await?;
        tracing::info!(address = %listener.local_addr()?, "metrics.listening");
        tokio::spawn(serve_metrics(listener, app.log.clone()));
    }
    tracing::info!(address = %listener.local_addr()?, "serve.listening");
    let log = if no_sequencing { LogWork::Watch } else { LogWork::Sequence };
    let withdrawn = &options.keys.withdrawn_card_keys;
    serve(app, withdrawn, (sequencer, log), listener, options.limits.limits()).await
}

/// Figures, on an address of their own: they are nobody's business who calls the API.
async fn serve_metrics(listener: TcpListener, log: LogView) {
    use axum::{Router, http::header::CONTENT_TYPE, routing::get};
    let text = move || async move { ([(CONTENT_TYPE, metrics::MEDIA_TYPE)], log.metrics.text()) };
    if let Err(error) = axum::serve(listener, Router::new().route("/metrics", get(text))).await {
        tracing::error!(error = %error, "metrics.failed");
    }
}

/// Serves an app on a socket, with its background tasks, until a signal comes.
pub async fn serve(
    app: App,
    withdrawn: &[String],
    (sequencer, work): (Sequencer, LogWork),
    listener: TcpListener,
    limits: Limits,
) -> Done {
    sequencer.require_log().await?;
    cards::require_keys(&app, withdrawn).await?;
    secrets::require_master_keys(&app).await?;
    let tasks = tokio::spawn(tasks::run(app.clone(), Duration::from_secs(30)));
    let log = tokio::spawn(sequencer.run(work));
    let sequencing = log.abort_handle();
    let service = http::router(app, limits).into_make_service_with_connect_info::<SocketAddr>();
    axum::serve(listener, service)
        .with_graceful_shutdown(async move {
            tokio::select! {
                () = signal() => {}
                // Without its sequencer a process would not even know how much waits.
                _ = log => tracing::error!("log.ended"),
            }
        })
        .await?;
    tasks.abort();
    if sequencing.is_finished() {
        return Err("the sequencer broke: see the lines before".into());
    }
    sequencing.abort();
    tracing::info!("serve.ended");
    Ok(())
}

/// Listens on an address, and names it where that cannot be.
pub async fn listen(address: SocketAddr) -> Result<TcpListener, Box<dyn Error>> {
    TcpListener::bind(address).await.map_err(|error| format!("{address}: {error}").into())
}

/// Waits for a signal to end.
pub async fn signal() {
    use tokio::signal::unix::{SignalKind, signal};
    let Ok(mut terminate) = signal(SignalKind::terminate()) else { return };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        _ = terminate.recv() => {}
    }
}

/// Who reads the log lines.
#[derive(Clone, Copy)]
pub enum Lines {
    /// Another program: everything, as JSON.
    Json,
    /// A person at a terminal: what went wrong, as text.
    Text,
}

/// Log lines to standard output; `WARDBOOK_LOG` says which.
pub fn log_to_stdout(lines: Lines) {
    use tracing_subscriber::EnvFilter;
    let levels = |usual| EnvFilter::try_from_env("WARDBOOK_LOG").unwrap_or_else(|_| EnvFilter::new(usual));
    let builder = tracing_subscriber::fmt().with_ansi(std::io::stdout().is_terminal());
    match lines {
        Lines::Json => builder.with_env_filter(levels("info,sqlx=warn")).json().flatten_event(true).init(),
        Lines::Text => builder.with_env_filter(levels("warn")).with_target(false).init(),
    }
}
