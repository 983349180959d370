//! `wardbook log verify`: a receipt, with only a policy.

use std::path::Path;

use time::OffsetDateTime;
use time::format_description::well_known::Rfc3339;

use crate::cli::Done;
use crate::cli::options::read_policy;
use domain::disclosures;
use evidence_log::receipt::Receipt;

/// Checks a receipt and the fields that were disclosed, and says what it shows.
pub fn run(policy: &Path, receipt: &Path, disclosures: &[String]) -> Done {
    let policy = read_policy(policy)?;
    let text = std::fs::read_to_string(receipt).map_err(|error| format!("{}: {error}", receipt.display()))?;
    let receipt: Receipt = text.parse()?;
    let seen = receipt.verify(&policy)?;
    println!(
        "entry {} of {}, whose size was {}",
        receipt.index, seen.checkpoint.origin, seen.checkpoint.size
    );
    for (witness, seconds) in seen.witnesses {
        let seconds = i64::try_from(seconds)?;
        println!("seen by {witness} at {}", OffsetDateTime::from_unix_timestamp(seconds)?.format(&Rfc3339)?);
    }
    let body = std::str::from_utf8(&receipt.entry)?;
    println!("{body}");
    for disclosure in disclosures {
        let (name, value) = disclosures::disclosed(body, disclosure)
            .ok_or_else(|| format!("the entry does not commit to {disclosure}"))?;
        println!("{name}: {value}");
    }
    Ok(())
}
