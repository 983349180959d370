//! `wardbook log check`: compares the register with the log.

use std::error::Error;
use std::process::ExitCode;
use std::time::Duration;

use crate::cli::options::Database;
use crate::cli::{asynchronously, exit_code};
use application::log::check;
use application::log::check::Checked;

/// What the register and the log do not agree on.
const DIFFERS: u8 = 4;

/// Compares, and says where they differ.
pub fn run(database: Database) -> ExitCode {
    match asynchronously(compare(database)) {
        Ok(0) => ExitCode::SUCCESS,
        Ok(_) => ExitCode::from(DIFFERS),
        Err(error) => exit_code(Err(error)),
    }
}

async fn compare(database: Database) -> Result<u64, Box<dyn Error>> {
    let app = database.app_without_keys().await?;
    let Checked { entries, registrations, count, differences } = check::whole(&app, Duration::ZERO).await?;
    for difference in &differences {
        println!("{difference}");
    }
    let named = differences.len() as u64;
    if count > named {
        println!("and {} more", count - named);
    }
    println!("{entries} entries and {registrations} registrations compared: {count} differences");
    Ok(count)
}
