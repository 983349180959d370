//! The program: one binary with subcommands.

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    cli::run()
}
