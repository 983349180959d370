//! The lists that say which cards still count.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use time::{Duration, OffsetDateTime};

use crate::{Act, ActError, App};
use crypto::tokens::status_list;
use crypto::tokens::status_list::{BITS, Statuses, TTL, value_of};
use storage::{cards, log};

/// For how long a list is served before it is looked at again: changes are in it this late at most.
const FRESH: Duration = Duration::seconds(2);

/// A list as it was signed, and what was signed.
struct SignedList {
    token: Arc<str>,
    statuses: Statuses,
    checkpoint: Option<String>,
    /// When it was signed.
    since: OffsetDateTime,
    /// When it was last found to say what the register says.
    looked_at: OffsetDateTime,
}

/// The lists that this process signed.
#[derive(Default)]
pub struct SignedLists(Mutex<HashMap<i32, SignedList>>);

impl SignedLists {
    fn fresh(&self, number: i32, now: OffsetDateTime) -> Option<Arc<str>> {
        let lists = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let found = lists.get(&number)?;
        (found.looked_at <= now && now < found.looked_at + FRESH).then(|| Arc::clone(&found.token))
    }

    /// The list that was signed, where it says the same and is not old.
    fn unchanged(
        &self,
        number: i32,
        statuses: &Statuses,
        checkpoint: Option<&str>,
        now: OffsetDateTime,
    ) -> Option<Arc<str>> {
        let mut lists = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let found = lists.get_mut(&number)?;
        let same = found.statuses == *statuses && found.checkpoint.as_deref() == checkpoint;
        if !same || now >= found.since + Duration::seconds(TTL) {
            return None;
        }
        found.looked_at = now;
        Some(Arc::clone(&found.token))
    }

    fn keep(&self, number: i32, signed: SignedList) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).insert(number, signed);
    }
}

/// The signed list of a number; nothing, where there is none.
pub async fn list(app: &App, number: i32) -> Result<Option<Arc<str>>, ActError> {
    // A list from a restored database could say that a card counts which was revoked since.
    app.log.require_agreement()?;
    let now = app.outside.clock.now();
    if let Some(token) = app.status_lists.fresh(number, now) {
        return Ok(Some(token));
    }
    let mut db = app.pool.acquire().await?;
    let Some(size) = cards::list_size(&mut db, number).await? else { return Ok(None) };
    let size = usize::try_from(size).map_err(|error| ActError::Internal(error.to_string()))?;
    let Some(mut statuses) = Statuses::new(BITS, size) else {
        return Err(ActError::Internal("a width that the draft does not know".to_owned()));
    };
    for (index, state) in cards::not_valid(&mut db, number).await? {
        statuses.set(usize::try_from(index).unwrap_or(usize::MAX), value_of(state));
    }
    let checkpoint = log::published(&mut db, None).await?.map(|published| published.note);
    drop(db);
    if let Some(token) = app.status_lists.unchanged(number, &statuses, checkpoint.as_deref(), now) {
        return Ok(Some(token));
    }
    let uri = app.cards.list_uri(number);
    let token = status_list::sign(&app.cards.keys, uri, &statuses, checkpoint.clone(), now)?;
    let token: Arc<str> = token.into();
    let signed = SignedList { token: Arc::clone(&token), statuses, checkpoint, since: now, looked_at: now };
    app.status_lists.keep(number, signed);
    Ok(Some(token))
}

/// The addresses of all lists.
pub async fn addresses(app: &App) -> Result<Vec<String>, ActError> {
    let numbers = cards::list_numbers(&mut *app.pool.acquire().await?).await?;
    Ok(numbers.into_iter().map(|number| app.cards.list_uri(number)).collect())
}

/// Draws a place that was never used, in a list that is not half used; another list is opened when
/// there is none. The newest list is taken for update until the transaction ends.
pub(crate) async fn draw_place(act: &mut Act<'_>) -> Result<(i32, i32), ActError> {
    let mut list = cards::newest_list_for_update(act.db()).await?;
    while list.used >= list.size / 2 {
        // Whoever waited for the row may find that it was opened meanwhile.
        cards::open_list_after(act.db(), &list).await?;
        list = cards::newest_list_for_update(act.db()).await?;
    }
    loop {
        // At least half of the places are free: two draws on average. 2^32 is a multiple of the size.
        let drawn = u32::from_be_bytes(act.outside().bytes()) % list.size.unsigned_abs();
        let index = i32::try_from(drawn).map_err(|error| ActError::Internal(error.to_string()))?;
        if cards::take_place(act.db(), list.number, index).await? {
            return Ok((list.number, index));
        }
    }
}
