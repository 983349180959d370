//! `wardbook log check`: compares the register with the log.

use std::error::Error;
use std::process::ExitCode;
use std::time::Duration;

use crate::cli::options::{Database, LogOptions};
use crate::cli::{Done, asynchronously, exit_code};
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
    let Checked { entries, registrations, count, differences, .. } =
        check::whole(&app, Duration::ZERO).await?;
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

/// Looks at every record of the archive.
pub async fn archive(database: Database, log: LogOptions) -> Done {
    let look = log.sequencer(database.app_without_keys().await?)?.look_at_archive().await?;
    for line in &look.wrong {
        println!("{line}");
    }
    println!("{} records looked at, {} of them signed by other keys", look.records, look.by_others);
    if look.wrong.is_empty() { Ok(()) } else { Err("the archive is not in order".into()) }
}
