//! `wardbook log recover`: mends a log whose database was set back.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;
use sqlx::postgres::PgPoolOptions;

use crate::cli::keys::Keys;
use crate::cli::log::audit;
use crate::cli::options::LogOptions;
use crate::cli::{Done, options};
use evidence_log::tile;
use evidence_log::tile::{Content, TilePath, WIDTH};

/// Options of `log recover`.
#[derive(Args)]
pub struct Options {
    /// As the owner of the tables: the service's own role may not do this.
    #[arg(long, env = "WARDBOOK_ADMIN_URL")]
    admin_url: String,
    #[command(flatten)]
    log: LogOptions,
    #[command(flatten)]
    how: How,
    /// Close a log even though it is in order.
    #[arg(long, requires = "continue_elsewhere")]
    although_in_order: bool,
}

#[derive(Args)]
#[group(required = true, multiple = false)]
struct How {
    /// An auditor's mirror, from which the entries come back that the archive has and the database lacks.
    #[arg(long)]
    mirror: Option<PathBuf>,
    /// Give up on the log instead: close it, and open another under the origin and with the keys that are
    /// given, whose first entry says so.
    #[arg(long)]
    continue_elsewhere: bool,
}

/// Mends the log. No server may run meanwhile; one that does refuses to sign.
pub async fn run(options: Options) -> Done {
    let pool = PgPoolOptions::new().max_connections(2).connect(&options.admin_url).await?;
    let sequencer = options.log.sequencer(options::app(pool, &Keys::of_the_moment("none")?)?)?;
    let Some(mirror) = options.how.mirror else {
        sequencer.continue_elsewhere(options.although_in_order).await?;
        println!("the log is closed; another is open. Publish its policy: wardbook log policy");
        return Ok(());
    };
    let (size, archived) = sequencer.sizes().await?;
    if size >= archived {
        return Err(format!("there is nothing to recover: database {size}, archive {archived}").into());
    }
    let recovered = sequencer.replay(&mirrored(&mirror, size, archived)?).await?;
    println!("{} entries came back; the log is at size {archived} again", recovered.entries);
    println!("{} rows were entered again as the entries say them", recovered.again.rows);
    println!("what the entries name is on hold: the supplier lifts each hold once it has looked");
    if !recovered.again.to_enter.is_empty() {
        println!("to enter again, or to look at (the rest is in `wardbook log check`):");
    }
    for line in recovered.again.to_enter {
        println!("  {line}");
    }
    Ok(())
}

/// The entries of a mirror from one index up to another.
fn mirrored(mirror: &Path, from: u64, to: u64) -> Result<Vec<Vec<u8>>, Box<dyn Error>> {
    let size = audit::known(mirror)?.ok_or("the mirror has no checkpoint")?.size;
    if size < to {
        return Err(format!(
            "the mirror ends at {size}, the archive has {to}: find another mirror, or see --continue-elsewhere"
        )
        .into());
    }
    let width = u64::from(WIDTH);
    let mut entries = vec![];
    for index in from / width..to.div_ceil(width) {
        let path = TilePath::at_size(Content::Entries, index, size).ok_or("the mirror is too short")?;
        let file = mirror.join(path.to_string());
        let bytes = fs::read(&file).map_err(|error| format!("{}: {error}", file.display()))?;
        let bundle = tile::unbundle(&bytes).ok_or_else(|| format!("{}: half an entry", file.display()))?;
        let numbered = (index * width..).zip(bundle);
        entries.extend(numbered.filter(|(at, _)| (from..to).contains(at)).map(|(_, entry)| entry.to_vec()));
    }
    Ok(entries)
}
