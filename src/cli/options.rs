//! Options that several commands share: where the register is, its keys, its log, its limits.

use std::error::Error;
use std::num::NonZeroU32;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use clap::{Args, ValueHint};
use sqlx::PgPool;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};

use crate::cli::Done;
use crate::cli::keys::{KeySource, Keys};
use crate::cli::migrate::MIGRATIONS;
use application::App;
use application::log::archive::Archive;
use application::log::cosigning::Witnesses;
use application::log::sequencer::Sequencer;
use application::log::{Backpressure, LogView, signing};
use application::outside::Outside;
use application::rates::{WriteLimits, WritesPerMinute};
use application::undisturbed::Undisturbed;
use crypto::passwords::Passwords;
use crypto::tokens::TokenKeys;
use crypto::tokens::card::CardKeys;
use crypto::tokens::keys::KeySet;
use crypto::vault::Vault;
use evidence_log::policy::Policy;
use web::connections::Most;
use web::limits::Limits;

/// The role as which the service works: it cannot unmake evidence.
const SERVICE_ROLE: &str = "SET ROLE wardbook_service";

/// Where the register is.
#[derive(Args, Clone)]
pub struct Database {
    /// As a login that is a member of `wardbook_service`.
    #[arg(long, env = "WARDBOOK_DATABASE_URL", hide_env_values = true)]
    pub database_url: String,
    /// The most connections.
    #[arg(long, env = "WARDBOOK_CONNECTIONS", default_value_t = 16)]
    pub connections: u32,
}

impl Database {
    /// Connections as the service role.
    pub async fn pool(&self) -> Result<PgPool, Box<dyn Error>> {
        connect(self.database_url.parse()?, self.connections).await
    }

    /// For commands that sign and seal nothing.
    pub async fn app_without_keys(&self) -> Result<App, Box<dyn Error>> {
        app(self.pool().await?, &Keys::of_the_moment("none")?)
    }
}

/// What `PostgreSQL` ends by itself, in milliseconds: a statement, a wait for a row, a transaction in which nothing
/// is said. The longest that a call may take is 30 s; a signature of the log waits for a disk.
const TIME_LIMITS: [(&str, &str); 3] = [
    ("statement_timeout", "30000"),
    ("lock_timeout", "10000"),
    ("idle_in_transaction_session_timeout", "60000"),
];

/// Connections as the service role, to a database that is up to date.
pub async fn connect(options: PgConnectOptions, most: u32) -> Result<PgPool, Box<dyn Error>> {
    let options = options.options(TIME_LIMITS);
    let pool = PgPoolOptions::new()
        .max_connections(most)
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
    require_migrated(&pool).await?;
    Ok(pool)
}

/// What every act works with.
pub fn app(pool: PgPool, keys: &Keys) -> Result<App, Box<dyn Error>> {
    let cards = CardKeys::new(&keys.issuer, KeySet::from_pem(&keys.card)?);
    Ok(App {
        pool,
        outside: Outside::system(),
        passwords: Passwords::new(2)?,
        tokens: Arc::new(TokenKeys::from_pem(&keys.issuer, &keys.token)?),
        cards: Arc::new(cards.known_before_as(&keys.earlier_issuers)),
        status_lists: Arc::default(),
        spaces: Arc::default(),
        vault: Arc::new(Vault::new(&keys.master)?),
        log: LogView::new(Backpressure::default()),
        limits: WriteLimits::default(),
        work: Undisturbed::default(),
    })
}

/// Migrations are a decision of whoever runs the service, not a surprise of its start.
async fn require_migrated(pool: &PgPool) -> Done {
    /// `undefined_table`
    const NO_TABLE: &str = "42P01";
    let applied =
        sqlx::query_scalar("SELECT version FROM _sqlx_migrations WHERE success").fetch_all(pool).await;
    let applied: Vec<i64> = match applied {
        Ok(versions) => versions,
        Err(sqlx::Error::Database(error)) if error.code().as_deref() == Some(NO_TABLE) => vec![],
        Err(error) => return Err(format!("which migrations were run cannot be seen: {error}").into()),
    };
    let missing = MIGRATIONS.iter().filter(|migration| !applied.contains(&migration.version)).count();
    if missing == 0 {
        Ok(())
    } else {
        Err(format!("{missing} migrations are missing: run `wardbook migrate` first").into())
    }
}

/// Who the service is, and its keys: files, or in the environment the keys themselves.
#[derive(Args, Clone)]
pub struct KeyOptions {
    /// The address of the service: what its tokens and cards name as their issuer. Printed cards carry it.
    #[arg(long, env = "WARDBOOK_ISSUER", default_value = "http://localhost:8080")]
    issuer: String,
    /// Addresses that the service had before: cards that carry them stay good.
    #[arg(long = "earlier-issuer", env = "WARDBOOK_EARLIER_ISSUERS", value_delimiter = ',')]
    earlier_issuers: Vec<String>,
    /// Keys of access tokens; the first signs, all verify.
    #[arg(
        long = "token-key",
        env = "WARDBOOK_TOKEN_KEYS",
        hide_env_values = true,
        value_delimiter = ',',
        value_hint = ValueHint::FilePath,
        required = true
    )]
    token_keys: Vec<KeySource>,
    /// Keys of owner's cards and status lists; the first signs, all verify. Of those that only verify
    /// the public half is enough.
    #[arg(
        long = "card-key",
        env = "WARDBOOK_CARD_KEYS",
        hide_env_values = true,
        value_delimiter = ',',
        value_hint = ValueHint::FilePath,
        required = true
    )]
    card_keys: Vec<KeySource>,
    /// Ids of card keys that became known to somebody else: cards that they signed count no more.
    #[arg(long = "withdrawn-card-key", env = "WARDBOOK_WITHDRAWN_CARD_KEYS", value_delimiter = ',')]
    pub withdrawn_card_keys: Vec<String>,
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
        value_hint = ValueHint::FilePath,
        required = true
    )]
    master_keys: Vec<KeySource>,
}

impl MasterKeyOptions {
    /// The keys.
    pub fn read(&self) -> Result<Vec<String>, Box<dyn Error>> {
        KeySource::read_all(&self.master_keys)
    }
}

impl KeyOptions {
    /// The keys.
    pub fn read(&self) -> Result<Keys, Box<dyn Error>> {
        Ok(Keys {
            issuer: self.issuer.clone(),
            earlier_issuers: self.earlier_issuers.clone(),
            token: KeySource::read_all(&self.token_keys)?,
            card: KeySource::read_all(&self.card_keys)?,
            master: self.master.read()?,
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
        value_hint = ValueHint::FilePath,
        required = true
    )]
    keys: Vec<KeySource>,
    /// The archive of checkpoints: a file on another disk than the database's.
    #[arg(long = "log-archive", env = "WARDBOOK_LOG_ARCHIVE", value_hint = ValueHint::FilePath)]
    archive: PathBuf,
    /// A policy whose witnesses are shown each head before it is published.
    #[arg(long = "log-witnesses", env = "WARDBOOK_LOG_WITNESSES", value_hint = ValueHint::FilePath)]
    witnesses: Option<PathBuf>,
}

impl LogOptions {
    /// The sequencer of an app.
    pub fn sequencer(&self, app: App) -> Result<Sequencer, Box<dyn Error>> {
        let keys = signing::keys(&self.origin, &KeySource::read_all(&self.keys)?)?;
        let view = app.log.clone();
        let sequencer = Sequencer::new(app, keys, Archive::new(self.archive.clone()));
        Ok(match &self.witnesses {
            Some(file) => {
                let policy = read_policy(file)?;
                let witnesses = Witnesses::new(policy.witnesses());
                view.asks_for(policy);
                sequencer.with_witnesses(witnesses)
            }
            None => sequencer,
        })
    }

    /// The name of the log, and its keys as verifiers know them.
    pub fn vkeys(&self) -> Result<Vec<String>, Box<dyn Error>> {
        let keys = signing::keys(&self.origin, &KeySource::read_all(&self.keys)?)?;
        Ok(keys.iter().map(|key| key.verifier().to_string()).collect())
    }
}

/// Reads a policy from its file.
pub fn read_policy(file: &std::path::Path) -> Result<Policy, Box<dyn Error>> {
    let text = std::fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()))?;
    Ok(text.parse()?)
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
    /// The most connections; fewer, where the process may not have as many descriptors.
    #[arg(long, env = "WARDBOOK_MOST_CALLERS", default_value_t = 1024)]
    most_callers: usize,
    /// The most connections of one address, where there are no proxies of your own.
    #[arg(long, env = "WARDBOOK_MOST_CALLERS_BY_ADDRESS", default_value_t = 64)]
    most_callers_by_address: usize,
    /// Changes a minute of a person who speaks for nobody else.
    #[arg(long, env = "WARDBOOK_WRITES_PER_MINUTE", default_value = "60")]
    writes_per_minute: NonZeroU32,
    /// Changes a minute of a person in a seat, and of a client program.
    #[arg(long, env = "WARDBOOK_STAFF_WRITES_PER_MINUTE", default_value = "600")]
    staff_writes_per_minute: NonZeroU32,
    /// Changes a minute on one registration, whoever makes them; the supplier's do not count.
    #[arg(long, env = "WARDBOOK_REGISTRATION_WRITES_PER_MINUTE", default_value = "120")]
    registration_writes_per_minute: NonZeroU32,
    /// Proxies of your own in front of the service, each of which adds to `X-Forwarded-For`.
    #[arg(long, env = "WARDBOOK_PROXIES", default_value_t = 0)]
    proxies: usize,
}

/// Descriptors that no caller gets: the log's files, standard output, what the libraries have.
const OWN_DESCRIPTORS: usize = 48;

/// So many connections as there are descriptors for, beside so many of ours.
pub fn callers(wanted: usize, ours: usize) -> Result<usize, Box<dyn Error>> {
    let (soft, _) = nix::sys::resource::getrlimit(nix::sys::resource::Resource::RLIMIT_NOFILE)?;
    let left = usize::try_from(soft).unwrap_or(usize::MAX).saturating_sub(ours + OWN_DESCRIPTORS);
    match left.min(wanted) {
        0 => Err(format!("{soft} descriptors are too few to serve with").into()),
        most => Ok(most),
    }
}

impl LimitOptions {
    /// How many connections there may be, beside so many descriptors of ours.
    pub fn most(self, ours: u32) -> Result<Most, Box<dyn Error>> {
        let in_all = callers(self.most_callers, usize::try_from(ours)?)?;
        let by_address = if self.proxies == 0 { self.most_callers_by_address } else { in_all };
        Ok(Most { in_all, by_address })
    }

    /// What limits those who write.
    pub fn writes(self) -> WriteLimits {
        WriteLimits::new(WritesPerMinute {
            person: self.writes_per_minute,
            staff: self.staff_writes_per_minute,
            registration: self.registration_writes_per_minute,
        })
    }

    /// As the service has them.
    pub fn limits(self) -> Limits {
        Limits::new(self.calls_per_second, self.sign_ins_per_minute, self.proxies)
    }
}
