//! The configuration file: settings under the names that they have in the environment, without the prefix
//! and in small letters.
//!
//! ```toml
//! database_url = "postgres://wardbook_login:…@localhost/register"
//! issuer = "https://register.example"
//! token_keys = ["token.pem"]        # files are looked for beside the configuration file
//! ```
//!
//! An option on the command line comes before the environment, and the environment before the file.

use std::collections::BTreeMap;
use std::error::Error;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

use clap::builder::OsStr;
use clap::{Arg, Command, ValueHint};

/// What all settings begin with in the environment.
const PREFIX: &str = "WARDBOOK_";
/// Where the file is named in the environment.
const FILE: &str = "WARDBOOK_CONFIG";

/// The option that names the file.
pub fn option() -> Arg {
    Arg::new("config")
        .long("config")
        .env(FILE)
        .global(true)
        .value_hint(ValueHint::FilePath)
        .help("A configuration file, as `wardbook set-up` writes it")
}

/// A command whose settings have the file's values where neither command line nor environment says
/// otherwise.
///
/// # Errors
/// When the file cannot be read, or has a setting that no command knows.
pub fn apply(command: Command) -> Result<Command, Box<dyn Error>> {
    let command = command.arg(option());
    let Some(file) = named() else { return Ok(command) };
    let problem = |problem: &dyn std::fmt::Display| format!("{}: {problem}", file.display());
    let text = std::fs::read_to_string(&file).map_err(|error| problem(&error))?;
    let table: toml::Table = text.parse().map_err(|error: toml::de::Error| problem(&error.message()))?;
    let folder = std::path::absolute(&file)?.parent().map(Path::to_path_buf).unwrap_or_default();
    let mut settings = Settings { folder, values: BTreeMap::new(), known: vec![] };
    for (name, value) in table {
        let values =
            texts(value).ok_or_else(|| problem(&format!("{name} is neither text, number, yes or no")))?;
        settings.values.insert(format!("{PREFIX}{}", name.to_uppercase()), values);
    }
    let command = settings.give(command);
    let unknown = settings.values.keys().find(|name| !settings.known.contains(name));
    match unknown.and_then(|name| name.strip_prefix(PREFIX)) {
        Some(name) => Err(problem(&format!("there is no setting {}", name.to_lowercase())).into()),
        None => Ok(command),
    }
}

/// The file that command line or environment names.
fn named() -> Option<PathBuf> {
    let mut arguments = std::env::args_os().skip(1);
    while let Some(argument) = arguments.next() {
        if argument == "--config" {
            return arguments.next().map(PathBuf::from);
        }
        if let Some(file) = argument.to_str().and_then(|text| text.strip_prefix("--config=")) {
            return Some(PathBuf::from(file));
        }
    }
    std::env::var_os(FILE).map(PathBuf::from)
}

/// A value, or several, as they would stand on the command line.
fn texts(value: toml::Value) -> Option<Vec<String>> {
    match value {
        toml::Value::String(text) => Some(vec![text]),
        toml::Value::Integer(number) => Some(vec![number.to_string()]),
        toml::Value::Boolean(yes) => Some(vec![yes.to_string()]),
        toml::Value::Array(list) => {
            let texts: Option<Vec<_>> = list.into_iter().map(texts).collect();
            texts.map(|texts| texts.into_iter().flatten().collect())
        }
        _ => None,
    }
}

struct Settings {
    folder: PathBuf,
    values: BTreeMap<String, Vec<String>>,
    known: Vec<String>,
}

impl Settings {
    fn give(&mut self, command: Command) -> Command {
        let subcommands: Vec<String> =
            command.get_subcommands().map(|command| command.get_name().to_owned()).collect();
        let mut command = command.mut_args(|argument| self.give_value(argument));
        for name in subcommands {
            command = command.mut_subcommand(name, |subcommand| self.give(subcommand));
        }
        command
    }

    fn give_value(&mut self, argument: Arg) -> Arg {
        let Some(name) = argument.get_env().and_then(std::ffi::OsStr::to_str) else { return argument };
        let Some(values) = self.values.get(name) else { return argument };
        self.known.push(name.to_owned());
        let is_file = argument.get_value_hint() == ValueHint::FilePath;
        let value = |text: &String| -> OsStr {
            let value: OsString = if is_file { self.folder.join(text).into() } else { text.into() };
            value.into()
        };
        let values: Vec<OsStr> = values.iter().map(value).collect();
        argument.default_values(values).required(false)
    }
}
