//! Receipts and disclosures, for the parties of an entry.

use std::time::Duration;

use serde::Serialize;
use sqlx::PgConnection;
use utoipa::ToSchema;

use crate::caller::Caller;
use crate::log::reading;
use crate::{ActError, App, Read, copies};
use domain::ids::EntryId;
use domain::people::OrganisationKind;
use domain::standing::is_of_row;
use evidence_log::receipt::Receipt;
use storage::log;
use storage::log::evidence;
use storage::log::evidence::Subject;

/// A field that an entry commits to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Disclosure {
    /// Its name.
    pub name: String,
    /// What shows it: handing this over shows this field and no other (RFC 9901 s. 4.2.1).
    pub disclosure: String,
}

/// Lets the parties of an entry go on: whoever sees the request that a decision is of, whoever sees
/// all of the registration that a change is of, and the supplier.
async fn require_party(read: &mut Read<'_>, entry: EntryId) -> Result<(), ActError> {
    // The supplier sees entries too whose rows were lost with a backup.
    if read.caller.is_supplier() && log::body(&mut read.db, entry).await?.is_some() {
        return Ok(());
    }
    match evidence::subject(&mut read.db, entry).await?.ok_or(ActError::NotFound)? {
        // What is decided on a request is never older than the request, which is of the caller's time.
        Subject::Request(request) => copies::request(read, request).await.map(drop),
        Subject::Registration(registration) => {
            let (_, access) = read.registration_of(registration, entry).await?;
            access.require_sight(access.sees_all())
        }
        Subject::Other => Err(ActError::NotFound),
    }
}

/// The receipt of an entry; waits for it so long, and gives nothing when the entry is not published
/// by then.
///
/// # Errors
/// When there is no such entry for the caller.
pub async fn receipt(
    app: &App,
    caller: &Caller,
    entry: EntryId,
    wait: Duration,
) -> Result<Option<Receipt>, ActError> {
    let mut standing = app.log.watch();
    let mut read = Read::begin(app, caller).await?;
    require_party(&mut read, entry).await?;
    let mut seen = standing.borrow_and_update().published;
    let found = receipt_now(app, &mut read.db, entry).await?;
    drop(read);
    // Nobody waits with a connection in hand, and not too many wait.
    let Ok(_place) = app.log.waiting_places.try_acquire() else { return Ok(found) };
    if found.is_some() {
        return Ok(found);
    }
    app.log.wake();
    let published_later = async {
        loop {
            if standing.wait_for(|standing| standing.published != seen).await.is_err() {
                return Ok(None);
            }
            seen = standing.borrow_and_update().published;
            let mut db = app.pool.acquire().await?;
            if let Some(receipt) = receipt_now(app, &mut db, entry).await? {
                return Ok(Some(receipt));
            }
        }
    };
    tokio::time::timeout(wait, published_later).await.unwrap_or(Ok(None))
}

async fn receipt_now(app: &App, db: &mut PgConnection, entry: EntryId) -> Result<Option<Receipt>, ActError> {
    let Some(leaf) = log::leaf(db, entry).await? else { return Ok(None) };
    let published = reading::published(db, &app.log, leaf.log).await?;
    let Some(published) = published.filter(|log| leaf.index < log.size) else { return Ok(None) };
    let proof = reading::inclusion(db, leaf.log, leaf.index, published.size).await?;
    let entry = log::bodies(db, leaf.log, leaf.index, leaf.index + 1).await?.pop();
    let entry = entry.ok_or(ActError::NotFound)?;
    Ok(Some(Receipt { entry, index: leaf.index, proof, checkpoint: published.note }))
}

/// The fields that an entry commits to, as far as they were not erased.
///
/// # Errors
/// When there is no such entry for the caller.
pub async fn disclosures(read: &mut Read<'_>, entry: EntryId) -> Result<Vec<Disclosure>, ActError> {
    require_party(read, entry).await?;
    let found = evidence::disclosures(&mut read.db, entry).await?;
    // What shows columns of rows is the register's own, which compares them.
    let shown = found.into_iter().filter(|(name, _)| read.caller.is_supplier() || !is_of_row(name));
    Ok(shown.map(|(name, disclosure)| Disclosure { name, disclosure }).collect())
}

/// Lets those read the entries themselves who keep the register or audit it.
///
/// # Errors
/// When the caller is neither.
pub fn require_auditor(caller: &Caller) -> Result<(), ActError> {
    match caller.organisation_of(&[OrganisationKind::Supplier, OrganisationKind::Auditor]) {
        Some(_) => Ok(()),
        None => Err(ActError::Forbidden("only the supplier and auditors read the entries")),
    }
}
