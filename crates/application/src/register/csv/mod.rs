//! A register in and out as CSV (RFC 4180).
//!
//! One file, one header, five kinds of line, told apart by their first column; columns that a kind
//! does not use stay empty:
//!
//! ```text
//! registration  registration, section, owner, premises
//! lock          registration, label, kind, hand, standard, escape_route, room_class
//! answer        registration, label, differ, level
//! holder        registration, person, email, class, post, standing, may_order, may_approve, may_pass_on,
//!               occupier, differs (numbers, apart by spaces; all, when empty), most_per_request, most_keys,
//!               first_day, last_day
//! key           registration, differ, pack, copy_number, state, person, email
//! ```
//!
//! `registration` is a registration's number, or any reference for one that is new in this file. All
//! of a file comes in, or nothing of it does; the report says of each line what became of it and why.

pub mod export;
pub mod import;
pub(crate) mod report;

use crate::caller::Caller;
use crate::{Act, ActError, App, Idempotency, Reply};

pub use crate::register::csv::export::{export, written};
pub use crate::register::csv::import::import;
pub use crate::register::csv::report::{ColumnProblem, ImportReport, LineReport};

use serde::{Deserialize, Serialize};

/// The most lines of one import.
pub const MOST_LINES: usize = 5_000;
/// The pack under which keys are recorded whose pack is not known.
const UNKNOWN_PACK: &str = "BROUGHT-IN";

/// A line, as it stands in the file.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    record: String,
    registration: String,
    section: String,
    owner: String,
    premises: String,
    label: String,
    kind: String,
    hand: String,
    standard: String,
    escape_route: String,
    room_class: String,
    differ: String,
    level: String,
    person: String,
    email: String,
    class: String,
    post: String,
    standing: String,
    may_order: String,
    may_approve: String,
    may_pass_on: String,
    occupier: String,
    differs: String,
    most_per_request: String,
    most_keys: String,
    first_day: String,
    last_day: String,
    pack: String,
    copy_number: String,
    state: String,
}

/// Brings a file in once for a key: all of it, or nothing of it and a report that says why. Then the same
/// key may be used for the mended file.
pub async fn once<F>(app: &App, caller: &Caller, key: &Idempotency, import: F) -> Result<Reply, ActError>
where
    F: for<'a> AsyncFnOnce(&mut Act<'a>) -> Result<ImportReport, ActError>,
{
    let mut begun = Act::begin(app, caller, key).await?;
    let report = import(&mut begun).await?;
    if report.imported { begun.finish(Reply::new(201, &report)?).await } else { Reply::ok(&report) }
}
