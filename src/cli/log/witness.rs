//! `wardbook log witness`: remembers the newest checkpoint of each log that it knows, and signs those
//! that lead on from it (C2SP tlog-witness). An owners' association or an auditor can run one.
//!
//! The store is a folder with a file for each log, named by the SHA-256 of its origin, which holds the
//! newest checkpoint that was signed, with the log's own signature. It is on the disk before the signature is sent, and
//! is shown to whoever asks about another one: it proves what was seen.

use std::fs::File;
use std::io::Write;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::{fs, io};

use axum::Router;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::{HeaderName, StatusCode, header};
use axum::response::{AppendHeaders, IntoResponse, Response};
use axum::routing::post;
use clap::Args;
use sha2::{Digest, Sha256};

use crate::cli::options::{callers, read_policy};
use crate::cli::{Done, serve};
use application::log::signing;
use application::outside::Outside;
use evidence_log::checkpoint::Checkpoint;
use evidence_log::hash::Hash;
use evidence_log::note::{KeyKind, Note, SignerKey, VerifierKey};
use evidence_log::witness::{Question, Refusal, SEEN, shown};
use web::connections::{self, Most};

/// More than any question has.
const MOST_BYTES: usize = 64 * 1024;

/// Logs are few.
const MOST_CALLERS: usize = 256;

/// Options of `log witness`.
#[derive(Args)]
pub struct Options {
    /// Where to listen.
    #[arg(long, default_value = "127.0.0.1:8087")]
    listen: SocketAddr,
    /// The witness's name.
    #[arg(long)]
    name: String,
    /// Its signing key (`wardbook new-key`).
    #[arg(long)]
    key: PathBuf,
    /// A policy whose logs it knows.
    #[arg(long)]
    policy: PathBuf,
    /// The folder in which it remembers what it signed.
    #[arg(long)]
    store: PathBuf,
}

/// A witness.
struct Witness {
    logs: Vec<VerifierKey>,
    key: SignerKey,
    // Comparing and storing is one step.
    store: Mutex<PathBuf>,
}

/// Serves until a signal comes.
pub async fn run(options: Options) -> Done {
    let pem =
        fs::read_to_string(&options.key).map_err(|error| format!("{}: {error}", options.key.display()))?;
    let key = signing::signer(&options.name, KeyKind::TextAndTime, &pem)?;
    fs::create_dir_all(&options.store)?;
    // One process a store: two could each sign another checkpoint.
    let lock = File::create(options.store.join("lock"))?;
    lock.try_lock().map_err(|_| format!("{} is in use", options.store.display()))?;
    let listener = serve::listen(options.listen).await?;
    println!("witness {} at http://{}", key.verifier(), listener.local_addr()?);
    let logs = read_policy(&options.policy)?.logs().to_vec();
    let witness = Arc::new(Witness { logs, key, store: Mutex::new(options.store) });
    let app = Router::new()
        .route("/add-checkpoint", post(add_checkpoint))
        .layer(DefaultBodyLimit::max(MOST_BYTES))
        .with_state(witness);
    let in_all = callers(MOST_CALLERS, 0)?;
    let most = Most { in_all, by_address: in_all.min(64) };
    connections::serve(listener, app, most, serve::signal()).await;
    drop(lock);
    Ok(())
}

async fn add_checkpoint(State(witness): State<Arc<Witness>>, question: String) -> Response {
    let answered = tokio::task::spawn_blocking(move || witness.answer(&question)).await;
    let (refusal, seen) = match answered {
        Ok(Ok(Ok(line))) => return line.into_response(),
        Ok(Ok(Err(refused))) => refused,
        Ok(Err(error)) => {
            eprintln!("wardbook: {error}");
            return StatusCode::INTERNAL_SERVER_ERROR.into_response();
        }
        Err(_) => return StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    };
    let status = match refusal {
        Refusal::Malformed(_) | Refusal::Backwards => StatusCode::BAD_REQUEST,
        Refusal::UnknownLog => StatusCode::NOT_FOUND,
        Refusal::NotSigned => StatusCode::FORBIDDEN,
        Refusal::OtherSize(size) => {
            let kind = [(header::CONTENT_TYPE, "text/x.tlog.size")];
            return (StatusCode::CONFLICT, kind, shows(seen), format!("{size}\n")).into_response();
        }
        Refusal::Inconsistent => StatusCode::UNPROCESSABLE_ENTITY,
    };
    (status, shows(seen), format!("{refusal}\n")).into_response()
}

/// The header with what was seen.
fn shows(seen: Option<String>) -> AppendHeaders<Option<(HeaderName, String)>> {
    AppendHeaders(seen.map(|note| (HeaderName::from_static(SEEN), shown(&note))))
}

/// A question that was refused, and what the witness has seen of that log.
type Refused = (Refusal, Option<String>);

impl Witness {
    /// The line under the checkpoint, once it is stored.
    fn answer(&self, question: &str) -> io::Result<Result<String, Refused>> {
        let question: Question = match question.parse() {
            Ok(question) => question,
            Err(refusal) => return Ok(Err((refusal, None))),
        };
        let store = self.store.lock().map_err(|_| io::Error::other("the store is not usable any more"))?;
        let origin = match question.checkpoint() {
            Ok(checkpoint) => checkpoint.origin,
            Err(refusal) => return Ok(Err((refusal, None))),
        };
        let file = store.join(Hash(Sha256::digest(&origin).into()).to_string());
        let stored = match fs::read_to_string(&file) {
            Ok(text) => Some(text),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => return Err(error),
        };
        let corrupt = |error: &dyn std::fmt::Display| io::Error::other(format!("{origin}: {error}"));
        let seen: Option<Checkpoint> = match &stored {
            Some(text) => {
                let note: Note = text.parse().map_err(|error| corrupt(&error))?;
                Some(note.text().parse().map_err(|error| corrupt(&error))?)
            }
            None => None,
        };
        if let Err(refusal) = question.consider(&self.logs, seen.as_ref()) {
            return Ok(Err((refusal, stored)));
        }
        let half = file.with_extension("half");
        let mut out = File::create(&half)?;
        out.write_all(question.note.to_string().as_bytes())?;
        out.sync_all()?;
        fs::rename(&half, &file)?;
        File::open(store.as_path())?.sync_all()?;
        // Died here: it is remembered and not signed; the same question is then answered with the size.
        let now = Outside::system().clock.now().unix_timestamp().unsigned_abs();
        Ok(Ok(format!("{}\n", self.key.sign(question.note.text(), now))))
    }
}
