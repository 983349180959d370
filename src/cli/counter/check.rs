//! `wardbook counter check`.

use std::error::Error;
use std::io::Read as _;
use std::process::ExitCode;

use clap::Args;
use time::{Duration, OffsetDateTime};

use crate::cli::counter::folder::Files;
use application::outside::Outside;
use crypto::tokens::status_list::StatusList;
use domain::cards::CardState;
use domain::numbers::TypedNumber;

/// Options of `counter check`.
#[derive(Args)]
pub struct Options {
    /// What the QR code holds; `-` reads it from standard input, as a scanner types it.
    token: String,
    #[command(flatten)]
    age: ListAge,
    #[command(flatten)]
    folder: super::Folder,
}

/// How old the status list may be.
#[derive(Args, Clone, Copy)]
pub struct ListAge {
    /// How many hours old the status list may be.
    #[arg(long, default_value_t = 12, value_parser = clap::value_parser!(u16).range(1..=24))]
    list_age: u16,
}

impl ListAge {
    /// As a stretch of time.
    pub fn most(self) -> Duration {
        Duration::hours(i64::from(self.list_age))
    }
}

/// A card that was checked without a network.
pub struct OfflineCheck {
    /// Its number.
    pub number: TypedNumber,
    /// What the list says.
    pub state: CardState,
    /// How old the list is.
    pub list_age: Duration,
}

/// The card of a token, by the files in a folder.
pub fn check(
    files: &Files,
    token: &str,
    most: Duration,
    now: OffsetDateTime,
) -> Result<OfflineCheck, Box<dyn Error>> {
    if TypedNumber::parse(token.trim()).is_ok() {
        return Err("a number alone cannot be checked without a network: scan the card".into());
    }
    let cards = files.card_keys()?;
    let claims = cards.verify(token, now)?;
    let place = claims.status.status_list;
    let number = cards.list_number(&place.uri).ok_or("a status list of another register")?;
    let text = files.text(&format!("lists/{number}.jwt"))?;
    let list = StatusList::verify(&cards.keys, &text, &cards.list_uri(number), now)?;
    let list_age = now - list.issued_at;
    if list_age > most {
        return Err(format!("the status list is {} old: take in a fresh one", spoken(list_age)).into());
    }
    Ok(OfflineCheck { number: claims.sub, state: list.state(place.idx)?, list_age })
}

fn spoken(age: Duration) -> String {
    let minutes = age.whole_minutes().max(0);
    format!("{} h {} min", minutes / 60, minutes % 60)
}

/// Reads what a scanner typed.
pub fn scanned(token: &str) -> Result<String, Box<dyn Error>> {
    if token != "-" {
        return Ok(token.to_owned());
    }
    let mut text = String::new();
    std::io::stdin().take(4096).read_to_string(&mut text)?;
    Ok(text)
}

/// Checks a card, and says in its exit status what was found.
pub fn run(options: &Options) -> ExitCode {
    let files = Files::new(&options.folder.folder);
    let now = Outside::system().clock.now();
    let most = options.age.most();
    match scanned(&options.token).and_then(|token| check(&files, &token, most, now)) {
        Ok(checked) => {
            let age = spoken(checked.list_age);
            println!("card {}: {}", checked.number.grouped(), checked.state);
            println!("checked offline, by a status list that is {age} old; this authorises no cut by itself");
            println!("still to do: PIN and identity document, when the keys are handed over");
            if checked.state == CardState::Valid { ExitCode::SUCCESS } else { ExitCode::from(3) }
        }
        Err(error) => {
            eprintln!("wardbook: {error}");
            ExitCode::FAILURE
        }
    }
}
