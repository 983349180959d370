//! What a restored backup had lost is entered again, as far as the entries that came back say it; what they do not say is
//! listed, and until somebody has looked nothing is copied there.

use std::collections::BTreeSet;

use serde_json::json;
use sqlx::PgConnection;
use uuid::Uuid;

use crate::caller::Caller;
use crate::rights::holds::place_hold;
use crate::{Act, ActError, App};
use domain::copies::decision::{Code, Reason, RecordedStep};
use domain::entry::ReadEntry;
use domain::ids::{CopyRequestId, CounterId, CutId, DecisionId, PersonId, RegistrationId};
use domain::rights::holds::{Hold, HoldKind};
use domain::standing::SaidRow;
use storage::log::again;
use storage::people::sessions;

/// What became of the entries that came back.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct EnteredAgain {
    /// How many rows were written as the entries say them.
    pub rows: u64,
    /// What somebody has to enter, or look at, a line each.
    pub to_enter: Vec<String>,
}

impl EnteredAgain {
    fn list(&mut self, lost: &ReadEntry, what: &str, why: &str) {
        let of = lost.registration.map(|id| format!(" of registration {id}")).unwrap_or_default();
        let (at, act, subject, entry) = (lost.at, &lost.what, lost.subject, lost.entry);
        self.to_enter.push(format!("{at} {act}{of}, of {subject}: {what}: {why} (entry {entry})"));
    }
}

/// Stops what concerns the registrations and the people whom lost entries name, until the register has looked: before
/// anything comes back, so that nothing is decided in between.
///
/// # Errors
/// When the database says no.
pub(super) async fn hold(app: &App, lost: &[ReadEntry]) -> Result<(), ActError> {
    let named: BTreeSet<Uuid> = lost.iter().filter_map(|entry| entry.registration).map(|id| id.0).collect();
    let named: Vec<Uuid> = named.into_iter().collect();
    let apart: Vec<Uuid> =
        lost.iter().filter(|entry| entry.registration.is_none()).map(|entry| entry.subject).collect();
    let caller = Caller::system();
    Act::done(app, &caller, async |act| {
        for registration in again::known(act.db(), &named).await? {
            hold_one(act, registration, None).await?;
        }
        let now = act.now;
        for person in again::people(act.db(), &apart).await? {
            sessions::end_all(act.db(), person, now).await?;
            for registration in again::registrations_of(act.db(), person).await? {
                hold_one(act, registration, Some(person)).await?;
            }
        }
        Ok(())
    })
    .await
}

async fn hold_one(
    act: &mut Act<'_>,
    registration: RegistrationId,
    person: Option<PersonId>,
) -> Result<(), ActError> {
    if again::is_held(act.db(), registration, person).await? {
        return Ok(());
    }
    let hold = Hold::new(act.id(), registration, HoldKind::Recovery, act.now);
    let hold = Hold { barred_person_id: person, ..hold };
    place_hold(act, &hold).await
}

/// Enters again what an entry says, as far as it says it.
///
/// # Errors
/// When the database cannot be written.
pub(super) async fn enter(
    db: &mut PgConnection,
    lost: &ReadEntry,
    done: &mut EnteredAgain,
) -> Result<(), storage::StorageError> {
    let rows = lost.said_rows();
    // The request stands before the decision on it, and the cut before its keys.
    let (requests, others): (Vec<_>, Vec<_>) = rows.iter().partition(|row| row.table.name == "copy_requests");
    for row in requests {
        enter_row(db, lost, row, done).await?;
    }
    if let Some(outcome) = &lost.outcome {
        if let Some(decision) = enter_decision(db, lost, outcome, done).await? {
            enter_cut(db, lost, decision, (&rows, done)).await?;
        }
    } else {
        let what = (lost.what.as_str(), lost.subject);
        if let Err(why) = again::change(db, lost.entry, what, lost.registration, lost.at).await? {
            done.list(lost, "the change", &why);
        }
    }
    for row in others {
        enter_row(db, lost, row, done).await?;
    }
    if rows.is_empty() {
        done.list(lost, "what it was about", "its entry does not say it");
    }
    Ok(())
}

async fn enter_row(
    db: &mut PgConnection,
    lost: &ReadEntry,
    row: &SaidRow,
    done: &mut EnteredAgain,
) -> Result<(), storage::StorageError> {
    let name = format!("{} {}", row.table.name, row.id);
    let Some(columns) = row.again() else {
        let why =
            if row.gone { "the register had given it up" } else { "with whom it is stands in no entry" };
        done.list(lost, &name, why);
        return Ok(());
    };
    match again::row(db, row, &columns, lost.at).await? {
        Ok(()) => {
            done.rows += 1;
            if !row.table.keeps_what_it_commits_to {
                done.list(lost, &name, "entered again; look whether names, people and texts are right");
            }
        }
        Err(why) => done.list(lost, &name, &why),
    }
    Ok(())
}

async fn enter_decision(
    db: &mut PgConnection,
    lost: &ReadEntry,
    outcome: &str,
    done: &mut EnteredAgain,
) -> Result<Option<DecisionId>, storage::StorageError> {
    let step = RecordedStep::ALL.iter().find(|step| step.entry() == lost.what);
    let known = step.zip(lost.registration).zip(lost.rules_version);
    let Some(((step, registration), rules_version)) = known else {
        done.list(lost, "the decision", "it is of a kind that is not known here");
        return Ok(None);
    };
    let codes = lost.reasons.iter().filter_map(|code| code.parse::<Code>().ok());
    let reasons: Vec<Reason> = codes.map(Reason::as_logged).collect();
    let of = (registration, CopyRequestId(lost.subject));
    let said = (step.as_str(), outcome, &json!(reasons), rules_version);
    match again::decision(db, lost.entry, said, of, lost.at).await? {
        Ok(id) => Ok(Some(id)),
        Err(why) => {
            done.list(lost, "the decision", &why);
            Ok(None)
        }
    }
}

/// The cut that keys came from: it stands in the keys, and at which counter in the request.
async fn enter_cut(
    db: &mut PgConnection,
    lost: &ReadEntry,
    decision: DecisionId,
    (rows, done): (&[SaidRow], &mut EnteredAgain),
) -> Result<(), storage::StorageError> {
    let id_in = |row: &SaidRow, column: &str| row.plain.get(column)?.as_str()?.parse::<Uuid>().ok();
    let keys = rows.iter().filter(|row| row.table.name == "keys");
    let cut: Vec<Uuid> = keys.filter_map(|key| id_in(key, "cut_id")).collect();
    let request = rows.iter().find(|row| row.table.name == "copy_requests");
    let counter = request.and_then(|request| id_in(request, "counter_id"));
    let is_cut = [RecordedStep::Cut, RecordedStep::CutOffline].iter().any(|step| step.entry() == lost.what);
    let (Some(first), Some(counter), true) = (cut.first(), counter, is_cut) else { return Ok(()) };
    let quantity = i32::try_from(cut.iter().filter(|id| *id == first).count()).unwrap_or(i32::MAX);
    let of = (CopyRequestId(lost.subject), CounterId(counter), quantity);
    if let Err(why) = again::cut(db, CutId(*first), of, decision, lost.at).await? {
        done.list(lost, "the cut", &why);
    }
    Ok(())
}
