//! `wardbook log …`: open the log, verify a receipt, audit.

mod audit;
mod client;
mod recover;
mod verify;
mod witness;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;

use super::serve::{Database, LogOptions};
use super::{Done, asynchronously, exit_code};
use wardbook::domain::log::policy::Policy;

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
    for vkey in log.vkeys()? {
        println!("log {vkey}");
    }
    println!("quorum none");
    Ok(())
}

/// Reads a policy from its file.
pub fn read_policy(file: &Path) -> Result<Policy, Box<dyn std::error::Error>> {
    let text = std::fs::read_to_string(file).map_err(|error| format!("{}: {error}", file.display()))?;
    Ok(text.parse()?)
}
