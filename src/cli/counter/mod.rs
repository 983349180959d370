//! `wardbook counter …`: a counter without a network.
//!
//! Everything is in a folder, as files:
//!
//! ```text
//! register.json     {"address":…,"issuer":…,"counter":…}       where it comes from
//! card-keys.json    the public keys of cards, lists and bundles
//! lists/<n>.jwt     status list n
//! authorised.jwt    the open authorisations of the counter
//! cuts-before       how many cuts had been made when these were taken in
//! checkpoints       each checkpoint of the log that came with a list, as it came
//! cuts.jsonl        the cuts that were made here, one a line
//! brought-in.jsonl  the replies to those that were brought in
//! ```
//!
//! Nothing here authorises a cut by itself: a check verifies, and a cut is taken only under an
//! authorisation that was taken in before.

mod bring_in;
mod check;
mod cut;
mod folder;
mod take_in;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Subcommand};

use crate::cli::exit_code;

/// Commands of a counter.
#[derive(Subcommand)]
pub enum Command {
    /// Take in what is needed without a network: keys, status lists, open authorisations.
    TakeIn(take_in::Options),
    /// Check a card from what its QR code holds. Status 0: it counts; 3: it does not; 1: it cannot be checked.
    Check(check::Options),
    /// Record keys that are cut without a network, under an authorisation that was taken in.
    Cut(cut::Options),
    /// Bring in the cuts that were made: each is decided again. Status 4: some were decided no.
    BringIn(bring_in::Options),
}

/// Where the files are.
#[derive(Args)]
struct Folder {
    /// The folder of this counter.
    #[arg(long, default_value = "counter")]
    folder: PathBuf,
}

/// Runs the command that was asked for.
pub fn run(command: Command) -> ExitCode {
    match command {
        Command::TakeIn(options) => exit_code(take_in::run(options)),
        Command::Check(options) => check::run(&options),
        Command::Cut(options) => exit_code(cut::run(&options)),
        Command::BringIn(options) => bring_in::run(options),
    }
}
