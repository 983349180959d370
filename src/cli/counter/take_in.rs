//! `wardbook counter take-in`.

use clap::Args;
use serde_json::Value;

use crate::cli::Done;
use crate::cli::client::{NotReached, Program, Service};
use crate::cli::counter::folder::{Files, Register};
use application::outside::Outside;
use crypto::tokens::bundle::Bundle;
use crypto::tokens::card::CardKeys;
use crypto::tokens::status_list::StatusList;
use domain::ids::CounterId;

/// Options of `counter take-in`.
#[derive(Args)]
pub struct Options {
    /// The service, such as <https://register.example>.
    address: String,
    /// What cards name as their register, where it is not the address.
    #[arg(long)]
    issuer: Option<String>,
    /// Which counter this is.
    #[arg(long)]
    counter: uuid::Uuid,
    #[command(flatten)]
    program: Program,
    #[command(flatten)]
    folder: super::Folder,
}

fn json(service: &Service, path: &str) -> Result<Value, NotReached> {
    serde_json::from_slice(&service.read(path)?).map_err(|_| NotReached::new(path, "it is not JSON"))
}

/// Takes in keys, lists and authorisations; each is verified before it takes the place of the old one.
pub fn run(options: Options) -> Done {
    let files = Files::new(&options.folder.folder);
    let _lock = files.lock()?;
    let now = Outside::system().clock.now();
    let register = Register {
        issuer: options.issuer.unwrap_or_else(|| options.address.trim_end_matches('/').to_owned()),
        address: options.address,
        counter: CounterId(options.counter),
    };
    if files.register_if_any()?.is_some_and(|before| before != register) {
        return Err("this folder is that of another counter or register".into());
    }
    let cuts = files.cuts()?.len();
    if files.brought_in()?.len() < cuts {
        return Err("bring in first what was cut here".into());
    }
    let service = Service::new(&register.address, options.program);
    let keys = json(&service, "/.well-known/card-keys.json")?;
    let cards = CardKeys::published(&register.issuer, &keys)?;
    let lists = json(&service, "/status-lists")?;
    let lists = lists.get("status_lists").and_then(Value::as_array).cloned().unwrap_or_default();
    let mut taken = Vec::new();
    for uri in lists.iter().filter_map(Value::as_str) {
        let number = cards.list_number(uri).ok_or("a status list of another register")?;
        let text = String::from_utf8(service.read(&format!("/status-lists/{number}"))?)?;
        taken.push((number, StatusList::verify(&cards.keys, &text, uri, now)?, text));
    }
    let path = format!("/v1/counters/{}/offline-authorisations", register.counter);
    let authorised = String::from_utf8(service.read_signed_in(&path)?)?;
    let bundle = Bundle::verify(&cards.keys, &authorised, register.counter, now)?;
    files.write("register.json", &serde_json::to_vec(&register)?)?;
    files.write("card-keys.json", &serde_json::to_vec(&keys)?)?;
    for (number, list, text) in &taken {
        files.write(&format!("lists/{number}.jwt"), text.as_bytes())?;
        if let Some(note) = &list.log_checkpoint {
            files.keep_checkpoint(note)?;
        }
    }
    files.write("authorised.jwt", authorised.as_bytes())?;
    files.write("cuts-before", cuts.to_string().as_bytes())?;
    println!("taken in: {} status lists, {} open authorisations", taken.len(), bundle.authorised.len());
    for open in &bundle.authorised {
        println!(
            "  {}  {} {}, registration {}: {} to cut",
            open.copy_request,
            open.section,
            open.differ,
            open.registration.grouped(),
            open.left
        );
    }
    Ok(())
}
