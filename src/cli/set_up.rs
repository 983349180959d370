//! `wardbook set-up`: everything that a first start needs, in one folder.

use std::error::Error;
use std::os::unix::fs::{DirBuilderExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::{fs, io};

use clap::Args;

use crate::cli::Done;
use crate::cli::keys::{Keys, new_master_key, new_signing_key, write_secret};
use crate::cli::options::{Database, app};
use application::log::archive::Archive;
use application::log::sequencer::Sequencer;
use application::log::signing;
use storage::log;

const CONFIG: &str = "wardbook.toml";

/// Options of `set-up`.
#[derive(Args)]
pub struct Options {
    /// The folder to make; one that is there has to be empty.
    folder: PathBuf,
    #[command(flatten)]
    database: Database,
    /// The address of the service: what its tokens and cards name as their issuer. Printed cards carry it.
    #[arg(long, env = "WARDBOOK_ISSUER")]
    issuer: String,
    /// The log's name, for good: a host and path of yours, without a scheme. The issuer's host and `/keys`,
    /// when absent.
    #[arg(long, env = "WARDBOOK_LOG_ORIGIN")]
    log_origin: Option<String>,
    /// The archive of checkpoints: a file on another disk than the database's.
    #[arg(long, env = "WARDBOOK_LOG_ARCHIVE")]
    log_archive: PathBuf,
}

/// Makes the folder and opens the log.
pub async fn run(options: Options) -> Done {
    let origin = options.origin()?;
    let archive = std::path::absolute(&options.log_archive)?;
    // Whatever would stop it stops it before anything is written.
    let pool = options.database.pool().await?;
    if let Some(head) = log::head(&mut *pool.acquire().await?).await? {
        return Err(format!("this register has a log already: {}", head.origin).into());
    }
    make_folder(&options.folder).map_err(|error| format!("{}: {error}", options.folder.display()))?;
    let file = |name: &str| options.folder.join(name);
    for name in ["token.pem", "card.pem"] {
        write_secret(&file(name), &new_signing_key()?)?;
    }
    let log_key = new_signing_key()?;
    write_secret(&file("log.pem"), &log_key)?;
    write_secret(&file("master"), &format!("{}\n", new_master_key()))?;
    write_secret(&file(CONFIG), &options.config(&origin, &archive)?)?;
    let app = app(pool, &Keys::of_the_moment(&options.issuer)?)?;
    let sequencer = Sequencer::new(app, signing::keys(&origin, &[log_key])?, Archive::new(archive.clone()));
    sequencer.init().await?;
    fs::write(file("policy"), super::log::policy_of(&sequencer))?;
    options.say_what_was_made(&origin, &archive);
    Ok(())
}

/// A folder for nobody else, made here or there already and empty.
fn make_folder(folder: &Path) -> io::Result<()> {
    match fs::DirBuilder::new().mode(0o700).create(folder) {
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
        made => return made,
    }
    if fs::read_dir(folder)?.next().is_some() {
        return Err(io::Error::new(io::ErrorKind::DirectoryNotEmpty, "is there already and not empty"));
    }
    fs::set_permissions(folder, fs::Permissions::from_mode(0o700))
}

impl Options {
    fn origin(&self) -> Result<String, Box<dyn Error>> {
        if let Some(origin) = &self.log_origin {
            return Ok(origin.clone());
        }
        let (_, rest) = self
            .issuer
            .split_once("://")
            .ok_or("the issuer is an address such as https://register.example")?;
        Ok(format!("{}/keys", rest.split('/').next().unwrap_or(rest)))
    }

    fn config(&self, origin: &str, archive: &Path) -> Result<String, Box<dyn Error>> {
        let settings = toml::Table::from_iter([
            ("database_url".to_owned(), self.database.database_url.clone().into()),
            ("issuer".to_owned(), self.issuer.clone().into()),
            ("token_keys".to_owned(), toml::Value::from(vec!["token.pem"])),
            ("card_keys".to_owned(), toml::Value::from(vec!["card.pem"])),
            ("master_keys".to_owned(), toml::Value::from(vec!["master"])),
            ("log_origin".to_owned(), origin.into()),
            ("log_keys".to_owned(), toml::Value::from(vec!["log.pem"])),
            ("log_archive".to_owned(), archive.to_str().ok_or("the archive's path is no text")?.into()),
        ]);
        Ok(format!(
            "# Settings of wardbook; `wardbook serve --help` has all of them, by their names in the environment.\n\
             # Files are looked for beside this one.\n{settings}"
        ))
    }

    fn say_what_was_made(&self, origin: &str, archive: &Path) {
        let folder = self.folder.display();
        println!(
            "{folder}: keys, configuration and policy; the log {origin} is open and empty\n\n\
             Keep apart from the database and its backups:\n\
             \x20 {folder}/master     without it what is encrypted is lost: keep a copy in another place\n\
             \x20 {folder}/log.pem    who has it and the database can write another history\n\
             \x20 {folder}/card.pem   who has it can make cards\n\
             \x20 {folder}/token.pem  who has it can sign in as anybody\n\
             \x20 {}  what was signed: back it up by itself\n\n\
             Give {folder}/policy to whoever verifies receipts.\n\
             Next: wardbook begin, then wardbook serve, each with --config {folder}/{CONFIG}",
            archive.display()
        );
    }
}
