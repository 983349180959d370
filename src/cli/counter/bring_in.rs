//! `wardbook counter bring-in`.

use std::error::Error;
use std::process::ExitCode;

use clap::Args;
use serde_json::{Value, json};
use time::format_description::well_known::Rfc3339;

use crate::cli::client::{Program, Service};
use crate::cli::counter::folder::{Cut, CutReply, Files};

/// Options of `counter bring-in`.
#[derive(Args)]
pub struct Options {
    #[command(flatten)]
    program: Program,
    #[command(flatten)]
    folder: super::Folder,
}

/// Brings in what was cut, and says in its exit status whether some was decided no.
pub fn run(options: Options) -> ExitCode {
    match bring_in(options) {
        Ok(0) => ExitCode::SUCCESS,
        Ok(_) => ExitCode::from(4),
        Err(error) => {
            eprintln!("wardbook: {error}");
            ExitCode::FAILURE
        }
    }
}

/// How many were flagged. Broken off, it goes on where it was: what was sent twice is recorded once.
fn bring_in(options: Options) -> Result<usize, Box<dyn Error>> {
    let files = Files::new(&options.folder.folder);
    let _lock = files.lock()?;
    let register = files.register()?;
    let service = Service::new(&register.address, options.program);
    let path = format!("/v1/counters/{}/offline-cuts", register.counter);
    let done: Vec<uuid::Uuid> = files.brought_in()?.into_iter().map(|brought| brought.id).collect();
    let mut flagged = 0;
    let waiting: Vec<Cut> = files.cuts()?.into_iter().filter(|cut| !done.contains(&cut.id)).collect();
    println!("{} cuts to bring in", waiting.len());
    for cut in waiting {
        let content = json!({
            "id": cut.id,
            "copy_request_id": cut.copy_request,
            "quantity": cut.quantity,
            "cut_at": cut.at.format(&Rfc3339)?,
            "old_key_handed_in": cut.old_key_handed_in,
        });
        let reply: Value = serde_json::from_slice(&service.change(&path, &cut.id.to_string(), &content)?)?;
        files.add_brought_in(&CutReply { id: cut.id, reply: reply.clone() })?;
        flagged += usize::from(report(&cut, &reply));
    }
    Ok(flagged)
}

/// Says what became of a cut; whether it was decided no.
fn report(cut: &Cut, reply: &Value) -> bool {
    let at = |pointer: &str| reply.pointer(pointer).cloned().unwrap_or_default();
    let numbers: Vec<String> = at("/keys")
        .as_array()
        .map(|keys| keys.iter().filter_map(|key| key.get("copy_number")).map(Value::to_string).collect())
        .unwrap_or_default();
    let flagged = at("/flagged") != json!(false);
    let verdict = if flagged { "FLAGGED, decided no" } else { "in order" };
    println!("{}: {} cut, {verdict}; stamp {}", cut.copy_request, cut.quantity, numbers.join(", "));
    if flagged {
        for reason in at("/decision/reasons").as_array().into_iter().flatten() {
            println!("  {}", reason.get("sentence").and_then(Value::as_str).unwrap_or_default());
        }
        println!("  keep these keys; owner and supplier find the cut listed");
    }
    flagged
}
