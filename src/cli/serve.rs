//! `wardbook serve`.

use std::error::Error;
use std::io::IsTerminal as _;
use std::net::SocketAddr;
use std::time::Duration;

use axum::Router;
use clap::Args;
use tokio::net::TcpListener;
use tokio::time::Instant;

use crate::cli::Done;
use crate::cli::options::{self, Database, KeyOptions, LimitOptions, LogOptions};
use application::log::check;
use application::log::sequencer::{LogWork, Sequencer};
use application::log::{Backpressure, LogView};
use application::{App, cards, secrets, tasks};
use web::Reader;
use web::connections::{self, Most};

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
    /// Serve although the database may lose what it has committed (`synchronous_commit = off`): for trying things out.
    #[arg(long, env = "WARDBOOK_COMMITS_MAY_BE_LOST")]
    commits_may_be_lost: bool,
    /// Serve neither the page that reads the document (`/docs`) nor the document.
    #[arg(long, env = "WARDBOOK_NO_READER")]
    no_reader: bool,
}

/// How this process works on the log.
#[derive(Args, Clone, Copy)]
struct SequencingOptions {
    /// Leave indexes, signing and publishing to other processes.
    #[arg(long, env = "WARDBOOK_NO_SEQUENCING")]
    no_sequencing: bool,
    /// How many entries may wait for the log before new work is refused.
    #[arg(long, env = "WARDBOOK_LOG_MOST_WAITING", default_value_t = 10_000)]
    log_most_waiting: u64,
    /// How many seconds one may wait.
    #[arg(long, env = "WARDBOOK_LOG_LONGEST_WAIT", default_value_t = 60)]
    log_longest_wait: u64,
}

/// Serves until a signal comes.
pub async fn run(options: Options) -> Done {
    log_to_stdout(Lines::Json);
    let keys = options.keys.read()?;
    let SequencingOptions { no_sequencing, log_most_waiting, log_longest_wait } = options.sequencing;
    let pressure = Backpressure { most: log_most_waiting, longest: Duration::from_secs(log_longest_wait) };
    let pool = options.database.pool().await?;
    if !options.commits_may_be_lost {
        require_lasting_commits(&pool).await?;
    }
    let limits = options.limits.writes();
    let app = App { log: LogView::new(pressure), limits, ..options::app(pool, &keys)? };
    let sequencer = options.log.sequencer(app.clone())?;
    let listener = listen(options.listen).await?;
    let most = options.limits.most(options.database.connections)?;
    if let Some(address) = options.metrics {
        let listener = listen(address).await?;
        tracing::info!(address = %listener.local_addr()?, "metrics.listening");
        tokio::spawn(serve_metrics(listener, app.log.clone()));
    }
    tracing::info!(address = %listener.local_addr()?, callers = most.in_all, "serve.listening");
    let log = if no_sequencing { LogWork::Watch } else { LogWork::Sequence };
    let withdrawn = &options.keys.withdrawn_card_keys;
    let reader = if options.no_reader { Reader::Absent } else { Reader::Served };
    let router = web::service(app.clone(), options.limits.limits(), reader);
    serve(app, withdrawn, (sequencer, log), listener, (router, most)).await
}

/// What was answered stays: a database that answers before it has written could lose it when it dies.
async fn require_lasting_commits(pool: &sqlx::PgPool) -> Done {
    let setting: String = sqlx::query_scalar("SHOW synchronous_commit").fetch_one(pool).await?;
    if setting == "off" {
        return Err("the database has synchronous_commit = off: what was answered could be lost".into());
    }
    Ok(())
}

/// Figures, on an address of their own: they are nobody's business who calls the API.
async fn serve_metrics(listener: TcpListener, log: LogView) {
    use axum::{Router, http::header::CONTENT_TYPE, routing::get};
    let text =
        move || async move { ([(CONTENT_TYPE, application::log::metrics::MEDIA_TYPE)], log.metrics.text()) };
    let router = Router::new().route("/metrics", get(text));
    connections::serve(listener, router, COLLECTORS, std::future::pending()).await;
}

/// Few collect figures, and their descriptors are ours.
const COLLECTORS: Most = Most { in_all: 8, by_address: 8 };

/// How long after its start a process first compares the register with the log.
const FIRST_CHECK: Duration = Duration::from_mins(10);

/// Serves an app on a socket, with its background tasks, until a signal comes.
pub async fn serve(
    app: App,
    withdrawn: &[String],
    (sequencer, work): (Sequencer, LogWork),
    listener: TcpListener,
    (router, most): (Router, Most),
) -> Done {
    sequencer.require_log().await?;
    cards::require_keys(&app, withdrawn).await?;
    secrets::require_master_keys(&app).await?;
    let tasks = tokio::spawn(tasks::run(app.clone(), Duration::from_secs(30)));
    let checks = matches!(work, LogWork::Sequence)
        .then(|| tokio::spawn(check::run(app.clone(), FIRST_CHECK, Duration::from_hours(24))));
    let log = tokio::spawn(sequencer.run(work));
    let sequencing = log.abort_handle();
    let under_way = app.work.clone();
    let (signalled, ends) = tokio::sync::oneshot::channel();
    connections::serve(listener, router, most, async move {
        tokio::select! {
            () = signal() => {}
            // Without its sequencer a process would not even know how much waits.
            _ = log => tracing::error!("log.ended"),
        }
        let _ = signalled.send(Instant::now() + connections::END);
    })
    .await;
    // What was begun for callers who have gone.
    if let Ok(end) = ends.await
        && tokio::time::timeout_at(end, under_way.ended()).await.is_err()
    {
        tracing::warn!("acts.cut");
    }
    tasks.abort();
    if let Some(checks) = checks {
        checks.abort();
    }
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
