//! What people are told: written with what happened, read by whom it concerns.

use uuid::Uuid;

use crate::caller::Caller;
use crate::{Act, ActError, App, Read};
use domain::ids::{NoticeId, PersonId, RegistrationId};
use domain::rights::notices::{Notice, NoticeKind};
use storage::Portion;
use storage::rights::notices;

/// Tells a person something, in the transaction of what happened.
pub(crate) async fn tell(
    act: &mut Act<'_>,
    person: PersonId,
    kind: NoticeKind,
    registration: Option<RegistrationId>,
    subject: Uuid,
) -> Result<(), ActError> {
    let notice = Notice {
        id: act.id(),
        kind,
        registration_id: registration,
        subject_id: subject,
        made_at: act.now,
        read_at: None,
    };
    Ok(notices::add(act.db(), person, &notice).await?)
}

/// What the caller was told.
pub async fn own(read: &mut Read<'_>, portion: Portion) -> Result<Vec<Notice>, ActError> {
    let person = read.caller.require_person()?;
    Ok(notices::all(&mut read.db, person, portion).await?)
}

/// The caller read a notice.
pub async fn read(app: &App, caller: &Caller, id: NoticeId) -> Result<(), ActError> {
    let person = caller.require_person()?;
    let now = app.outside.clock.now();
    let read = notices::read(&mut *app.pool.acquire().await?, person, id, now).await?;
    if read { Ok(()) } else { Err(ActError::NotFound) }
}
