//! `wardbook log …`: open the log, verify a receipt, audit.

mod audit;
mod check;
mod client;
mod recover;
mod verify;
mod witness;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Subcommand;

use crate::cli::options::{Database, LogOptions};
use crate::cli::{Done, asynchronously, exit_code};
use application::log::sequencer::Sequencer;

#[derive(Subcommand)]
pub enum Command {
    /// Open the log, empty. Refuses where there is one, in the database or in the archive.
    Init {
        #[command(flatten)]
        database: Database,
        #[command(flatten)]
        log: LogOptions,
    },
    /// Print a policy that trusts the log's keys and asks for no witness: for whoever verifies.
    Policy {
        #[command(flatten)]
        log: LogOptions,
    },
    /// Check a receipt, without a network.
    Verify {
        /// Whose signatures are asked for.
        #[arg(long)]
        policy: PathBuf,
        /// Fields of the entry that somebody disclosed.
        #[arg(long)]
        disclosure: Vec<String>,
        /// The receipt.
        receipt: PathBuf,
    },
    /// Check the whole log as it is served, and keep a mirror. Status 0: fine; 2: not reachable;
    /// 3: stale; 4: INCONSISTENT; 1: something here cannot be used.
    Audit(audit::Options),
    /// Compare the register with the log, whole. Status 0: they agree; 4: they differ, and where; 1: it could not be
    /// done.
    Check {
        #[command(flatten)]
        database: Database,
    },
    /// Look at every record of the archive: its signature, and whether the database contains it. Status 0: in order; 1:
    /// not, and what is wrong.
    Archive {
        #[command(flatten)]
        database: Database,
        #[command(flatten)]
        log: LogOptions,
    },
    /// Sign the checkpoints of logs that only grow, for others to rely on.
    Witness(witness::Options),
    /// Mend a log whose database was set back, as by a restored backup.
    Recover(recover::Options),
}

/// Runs the command that was asked for.
pub fn run(command: Command) -> ExitCode {
    match command {
        Command::Init { database, log } => exit_code(asynchronously(init(database, log))),
        Command::Policy { log } => exit_code(print_policy(&log)),
        Command::Verify { policy, disclosure, receipt } => {
            exit_code(verify::run(&policy, &receipt, &disclosure))
        }
        Command::Audit(options) => audit::run(&options),
        Command::Check { database } => check::run(database),
        Command::Archive { database, log } => exit_code(asynchronously(check::archive(database, log))),
        Command::Witness(options) => exit_code(asynchronously(witness::run(options))),
        Command::Recover(options) => exit_code(asynchronously(recover::run(options))),
    }
}

async fn init(database: Database, log: LogOptions) -> Done {
    let sequencer = log.sequencer(database.app_without_keys().await?)?;
    sequencer.init().await?;
    println!("the log is open; a policy for whoever verifies: wardbook log policy");
    Ok(())
}

fn print_policy(log: &LogOptions) -> Done {
    print!("{}", policy_with(log.vkeys()?.into_iter()));
    Ok(())
}

/// A policy that trusts the keys of a sequencer.
pub fn policy_of(sequencer: &Sequencer) -> String {
    policy_with(sequencer.verifiers().map(ToString::to_string))
}

fn policy_with(keys: impl Iterator<Item = String>) -> String {
    let lines: Vec<String> = keys.map(|key| format!("log {key}\n")).collect();
    lines.concat() + "quorum none\n"
}
