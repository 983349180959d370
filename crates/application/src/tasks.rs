//! What happens by the passing of time. Safe to run in several processes and to kill: each step is
//! one short transaction that finds its work anew.

use std::fmt::Debug;
use std::time::Duration;

use serde_json::json;
use time::{Duration as Days, OffsetDateTime};

use crate::caller::Caller;
use crate::keys::audits;
use crate::people::memberships;
use crate::{Act, ActError, App, copies};
use domain::ids::{KeyId, RegistrationId};
use domain::keys::{KeyState, is_overdue};
use storage::keys::audits as stored_audits;
use storage::people::memberships as stored_memberships;
use storage::people::{invitations, places, sessions};
use storage::rights::offers;
use storage::{cards, copies as stored, idempotency, keys};

/// The most of each kind in one round.
const BATCH: i64 = 100;
/// The most rows that one statement sweeps away, and how often it does in a round: more than is written meanwhile.
const SWEPT: i64 = 1000;
const SWEEPS: u32 = 200;
/// How long a reply is kept for a request that is sent again.
const REPLIES_KEPT: Days = Days::days(7);
/// How long an authority that was offered is seen after it could be accepted.
const OFFERS_KEPT: Days = Days::days(90);
/// How long checks of cards that ended with a no are kept: longer than any signal looks back.
const REFUSALS_KEPT: Days = Days::days(100);

/// What one round did.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Round {
    /// Authorisations that lapsed.
    pub lapsed: u32,
    /// Memberships that ended, their last day having passed.
    pub memberships_ended: u32,
    /// Keys that were marked overdue.
    pub overdue: u32,
    /// Key audits that were opened.
    pub audits_opened: u32,
    /// Key audits that were closed.
    pub audits_closed: u32,
}

/// One round of everything. What fails is told, and tried again in the next round; everything else goes on.
///
/// # Errors
/// When the database cannot say what is due; what was done before stands.
pub async fn round(app: &App) -> Result<Round, ActError> {
    let now = app.outside.clock.now();
    let today = now.date();
    // Died between two: what was done stands and says so, the others are found again in the next round.
    let due = stored::to_lapse(&mut *app.pool.acquire().await?, now, BATCH).await?;
    let lapsed =
        each(app, due, async |act, (request, registration)| copies::lapse(act, request, registration).await)
            .await;
    let due = stored_memberships::to_end(&mut *app.pool.acquire().await?, today, BATCH).await?;
    let memberships_ended = each(app, due, async |act, id| memberships::end_due(act, id).await).await;
    let due = keys::due(&mut *app.pool.acquire().await?, today, BATCH).await?;
    let overdue =
        each(app, due, async |act, (key, registration)| mark_overdue(act, key, registration).await).await;
    let due = stored_audits::due(&mut *app.pool.acquire().await?, today, BATCH).await?;
    let audits_opened =
        each(app, due, async |act, registration| audits::open_due(act, registration).await).await;
    let due = stored_audits::to_close(&mut *app.pool.acquire().await?, today, BATCH).await?;
    let audits_closed =
        each(app, due, async |act, (audit, registration)| audits::close_due(act, audit, registration).await)
            .await;
    sweep(app, now).await?;
    Ok(Round { lapsed, memberships_ended, overdue, audits_opened, audits_closed })
}

/// Does each in a transaction of its own, and counts those in which something happened.
async fn each<T, F>(app: &App, due: Vec<T>, act: F) -> u32
where
    T: Copy + Debug,
    F: for<'a, 'b> AsyncFn(&'a mut Act<'b>, T) -> Result<bool, ActError>,
{
    let caller = Caller::system();
    let mut done = 0;
    for one in due {
        match Act::done(app, &caller, async |begun| act(begun, one).await).await {
            Ok(happened) => done += u32::from(happened),
            Err(error) => tracing::error!(row = ?one, error = %error, "tasks.failed"),
        }
    }
    done
}

/// Sweeps away what is kept for a while, until nothing is left that is older, or a round has done enough.
async fn sweep(app: &App, now: OffsetDateTime) -> Result<(), ActError> {
    let mut db = app.pool.acquire().await?;
    let before = now - REPLIES_KEPT;
    for _ in 0..SWEEPS {
        let swept = [
            idempotency::forget(&mut db, before, SWEPT).await?,
            sessions::sweep(&mut db, before, SWEPT).await?,
            invitations::sweep(&mut db, before, SWEPT).await?,
            places::sweep(&mut db, before, now, SWEPT).await?,
            offers::sweep(&mut db, now - OFFERS_KEPT, SWEPT).await?,
            cards::forget_refusals(&mut db, now - REFUSALS_KEPT, SWEPT).await?,
        ];
        if swept.iter().all(|count| *count < SWEPT.unsigned_abs()) {
            break;
        }
    }
    Ok(())
}

async fn mark_overdue(act: &mut Act<'_>, id: KeyId, registration: RegistrationId) -> Result<bool, ActError> {
    act.take_registration(registration).await?;
    let Some(mut key) = keys::key(act.db(), id).await? else { return Ok(false) };
    let (now, today) = (act.now, act.today());
    let due = key.state == KeyState::WithPerson && is_overdue(key.due_back_on, today);
    if !due || key.overdue_since.is_some() {
        return Ok(false);
    }
    key.overdue_since = Some(now);
    key.version += 1;
    keys::change(act.db(), &key, now).await?;
    act.enter_change("key.overdue", Some(registration), id.0, vec![("holder", json!(key.holder_id))]).await?;
    Ok(true)
}

/// Rounds until the process ends.
pub async fn run(app: App, every: Duration) {
    let mut ticks = tokio::time::interval(every);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        ticks.tick().await;
        match round(&app).await {
            Ok(done) if done == Round::default() => {}
            Ok(done) => tracing::info!(
                lapsed = done.lapsed,
                memberships_ended = done.memberships_ended,
                overdue = done.overdue,
                audits_opened = done.audits_opened,
                audits_closed = done.audits_closed,
                "tasks.round"
            ),
            Err(error) => tracing::error!(error = %error, "tasks.failed"),
        }
    }
}
