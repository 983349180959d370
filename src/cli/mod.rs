//! Subcommands.

mod client;
mod cluster;
mod config;
mod counter;
mod demo;
mod differs;
mod keys;
mod log;
mod migrate;
mod options;
mod serve;
mod set_up;

use std::error::Error;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};

use crate::cli::keys::{Keys, new_master_key, new_signing_key, write_secret};
use crate::cli::options::{Database, MasterKeyOptions};
use application::outside::Outside;
use application::people::{invitations, sessions};
use application::{App, people, secrets};
use domain::copies::decision::RULES;
use domain::people::InvitationKind;
use domain::text::{Email, Name};

/// What a command gives back.
type Done = Result<(), Box<dyn Error>>;

#[derive(Parser)]
#[command(version, about)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Serve the API.
    Serve(Box<serve::Options>),
    /// Bring the tables of a database up to date.
    Migrate(migrate::Options),
    /// Make a folder with keys, configuration and policy, open the log, and say what to keep apart.
    SetUp(set_up::Options),
    /// Enter the supplier and its first account; prints the invitation with which it sets its password.
    Begin {
        #[command(flatten)]
        database: Database,
        /// The supplier's name.
        #[arg(long)]
        supplier: String,
        /// The name of the person at its head.
        #[arg(long)]
        person: String,
        /// That person's address.
        #[arg(long)]
        email: String,
    },
    /// Print the invitations and new passwords that wait to be sent, each with its address and its token. They are
    /// printed once: send each to its address, and to nobody else.
    Invitations {
        #[command(flatten)]
        database: Database,
    },
    /// End every session of everybody, as after a break-in: all sign in again.
    EndSessions {
        #[command(flatten)]
        database: Database,
    },
    /// Migrate, load an invented scenario, serve it on this machine, and print how to sign in.
    Demo(demo::Options),
    /// Run a private `PostgreSQL` cluster in a folder of its own until standard input closes.
    PrivatePostgres {
        /// Keep the folder; without one a temporary folder is used and removed.
        #[arg(long)]
        folder: Option<PathBuf>,
        /// Do not wait for the disk: for tests, where nothing has to survive.
        #[arg(long)]
        no_fsync: bool,
    },
    /// Make a signing key for access tokens (Ed25519, PKCS#8 PEM).
    NewKey {
        /// Where to write it; refuses to overwrite.
        file: PathBuf,
    },
    /// Make a master key, which wraps the keys of what is encrypted in the database (32 bytes, base64url).
    NewMasterKey {
        /// Where to write it; refuses to overwrite. Keep a copy apart from the database's backups: without
        /// it what is encrypted is lost.
        file: PathBuf,
    },
    /// Wrap every data key under the first master key, and encrypt everything anew under a new data key.
    RotateSecrets {
        #[command(flatten)]
        database: Database,
        #[command(flatten)]
        master: MasterKeyOptions,
    },
    /// The code of a second factor for now, from its base32 secret: for trying things out.
    Code {
        /// The secret.
        secret: String,
    },
    /// A counter without a network: check cards, record cuts, bring them in later.
    #[command(subcommand)]
    Counter(counter::Command),
    /// The differs of a section's geometry: count them, list them.
    #[command(subcommand)]
    Differs(differs::Command),
    /// The evidence log: open it, verify and audit it.
    #[command(subcommand)]
    Log(log::Command),
    /// Print the `OpenAPI` document.
    Openapi,
    /// Print the table of rules, as in docs/rules.md.
    Rules,
}

/// Runs the command that was asked for.
pub fn run() -> ExitCode {
    let command = match config::apply(Cli::command()) {
        Ok(command) => command,
        Err(error) => return exit_code(Err(error)),
    };
    let cli = Cli::from_arg_matches(&command.get_matches()).unwrap_or_else(|error| error.exit());
    let done = match cli.command {
        Command::Serve(options) => asynchronously(serve::run(*options)),
        Command::Migrate(options) => asynchronously(migrate::run(options)),
        Command::SetUp(options) => asynchronously(set_up::run(options)),
        Command::Begin { database, supplier, person, email } => {
            asynchronously(begin(database, &supplier, &person, &email))
        }
        Command::Invitations { database } => {
            asynchronously(async move { send_invitations(&database.app_without_keys().await?).await })
        }
        Command::EndSessions { database } => asynchronously(async move {
            let ended = sessions::end_everybodys(&database.app_without_keys().await?).await?;
            println!("{ended} sessions ended");
            Ok(())
        }),
        Command::Demo(options) => demo::run(&options),
        Command::PrivatePostgres { folder, no_fsync } => cluster::run(folder, !no_fsync),
        Command::NewKey { file } => new_signing_key().and_then(|key| new_key(&file, &key)),
        Command::NewMasterKey { file } => new_key(&file, &format!("{}\n", new_master_key())),
        Command::RotateSecrets { database, master } => asynchronously(rotate_secrets(database, master)),
        Command::Code { secret } => code(&secret),
        Command::Counter(command) => return counter::run(command),
        Command::Differs(command) => differs::run(command),
        Command::Log(command) => return log::run(command),
        Command::Openapi => openapi(),
        Command::Rules => {
            print!("{}", rules_table());
            Ok(())
        }
    };
    exit_code(done)
}

fn exit_code(done: Done) -> ExitCode {
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("wardbook: {error}");
            ExitCode::FAILURE
        }
    }
}

fn asynchronously<T>(work: impl Future<Output = Result<T, Box<dyn Error>>>) -> Result<T, Box<dyn Error>> {
    tokio::runtime::Builder::new_multi_thread().enable_all().build()?.block_on(work)
}

async fn begin(database: Database, supplier: &str, person: &str, email: &str) -> Done {
    let app = database.app_without_keys().await?;
    let (supplier, person, address) = (Name::parse(supplier)?, Name::parse(person)?, Email::parse(email)?);
    people::begin_register(&app, &supplier, &person, &address).await?;
    send_invitations(&app).await
}

/// Prints what waits to be sent, each with its address and its token, for whoever sends it.
async fn send_invitations(app: &App) -> Done {
    let sent = invitations::send(app).await?;
    for invitation in &sent {
        let (what, good) = match invitation.kind {
            InvitationKind::Account => ("invitation", "seven days"),
            InvitationKind::Password => ("new password", "a day"),
        };
        println!("{what} for {}, good for {good}:", invitation.email);
        println!("{}", sessions::shown_once(&invitation.token));
    }
    println!("{} to send. A password is set with POST /v1/invitations/accept.", sent.len());
    Ok(())
}

fn new_key(file: &std::path::Path, text: &str) -> Done {
    write_secret(file, text)?;
    println!("wrote {}", file.display());
    Ok(())
}

async fn rotate_secrets(database: Database, master: MasterKeyOptions) -> Done {
    let keys = Keys { master: master.read()?, ..Keys::of_the_moment("none")? };
    let app = options::app(database.pool().await?, &keys)?;
    let rotated = secrets::rotate(&app).await?;
    println!(
        "{} data keys wrapped under the first master key, {} secrets sealed anew, {} old data keys deleted",
        rotated.wrapped, rotated.sealed, rotated.deleted
    );
    Ok(())
}

fn code(secret: &str) -> Done {
    let bytes = totp_rs::Secret::Encoded(secret.to_owned()).to_bytes().map_err(|_| "not a base32 secret")?;
    println!("{}", demo::code_now(bytes)?);
    Ok(())
}

fn openapi() -> Done {
    println!("{}", web::openapi::document().to_pretty_json()?);
    Ok(())
}

/// A folder that was not there, under a name that nobody guesses.
fn temporary_folder(outside: &Outside, what: &str) -> std::io::Result<PathBuf> {
    let name = format!("wardbook-{what}-{:016x}", u64::from_be_bytes(outside.bytes()));
    let folder = std::env::temp_dir().join(name);
    std::fs::create_dir(&folder)?;
    Ok(folder)
}

/// The table of rules as Markdown.
fn rules_table() -> String {
    let mut text = String::from(
        "# The rules of the decision\n\n\
         Made by `wardbook rules` from the table in crates/domain/src/copies/decision/mod.rs; do not edit by hand.\n\n\
         | rule | name | what it asks | codes |\n|---|---|---|---|\n",
    );
    for rule in RULES {
        let codes: Vec<String> = rule.codes.iter().map(|code| format!("`{code}`")).collect();
        let line = format!("| {} | {} | {} | {} |\n", rule.number, rule.name, rule.asks, codes.join(", "));
        text.push_str(&line);
    }
    text
}
