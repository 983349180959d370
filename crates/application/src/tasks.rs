//! What happens by the passing of time. Safe to run in several processes and to kill: each step is
//! one short transaction that finds its work anew.

use std::time::Duration;

use serde_json::json;
use time::Duration as Days;

use crate::caller::Caller;
use crate::keys::audits;
use crate::people::memberships;
use crate::{Act, ActError, App, copies};
use domain::ids::{KeyId, RegistrationId};
use domain::keys::{KeyState, is_overdue};
use storage::keys::audits as stored_audits;
use storage::people as stored_people;
use storage::people::{invitations, sessions};
use storage::register::registrations;
use storage::{cards, copies as stored, idempotency, keys};

/// The most of each kind in one round.
const BATCH: i64 = 100;
/// How long a reply is kept for a request that is sent again.
const REPLIES_KEPT: Days = Days::days(7);
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

/// One round of everything.
///
/// # Errors
/// When the database says no; what was done before stands.
pub async fn round(app: &App) -> Result<Round, ActError> {
    let mut done = Round::default();
    let now = app.outside.clock.now();
    let caller = Caller::system();
    let due = stored::to_lapse(&mut *app.pool.acquire().await?, now, BATCH).await?;
    for (request, registration) in due {
        let lapsed =
            Act::done(app, &caller, async |act| copies::lapse(act, request, registration).await).await?;
        // Died here: it lapsed and says so; the others are found again in the next round.
        done.lapsed += u32::from(lapsed);
    }
    let over = stored_people::memberships_to_end(&mut *app.pool.acquire().await?, now.date(), BATCH).await?;
    for membership in over {
        let ended = Act::done(app, &caller, async |act| memberships::end_due(act, membership).await).await?;
        // Died here: it ended with what rested on it; the others are found again.
        done.memberships_ended += u32::from(ended);
    }
    let due = keys::due(&mut *app.pool.acquire().await?, now.date(), BATCH).await?;
    for (key, registration) in due {
        let marked = Act::done(app, &caller, async |act| mark_overdue(act, key, registration).await).await?;
        // Died here: the key is marked and says so; the others are found again.
        done.overdue += u32::from(marked);
    }
    let due = stored_audits::due(&mut *app.pool.acquire().await?, now.date(), BATCH).await?;
    for registration in due {
        let opened = Act::done(app, &caller, async |act| audits::open_due(act, registration).await).await?;
        // Died here: the audit is open and the next one planned; the others are found again.
        done.audits_opened += u32::from(opened);
    }
    let over = stored_audits::to_close(&mut *app.pool.acquire().await?, now.date(), BATCH).await?;
    for (audit, registration) in over {
        let closed =
            Act::done(app, &caller, async |act| audits::close_due(act, audit, registration).await).await?;
        // Died here: the audit is closed and says so; the others are found again.
        done.audits_closed += u32::from(closed);
    }
    let mut db = app.pool.acquire().await?;
    idempotency::forget(&mut db, now - REPLIES_KEPT, BATCH).await?;
    sessions::sweep(&mut db, now - REPLIES_KEPT).await?;
    invitations::sweep(&mut db, now - REPLIES_KEPT).await?;
    cards::forget_refusals(&mut db, now - REFUSALS_KEPT).await?;
    Ok(done)
}

async fn mark_overdue(act: &mut Act<'_>, id: KeyId, registration: RegistrationId) -> Result<bool, ActError> {
    registrations::registration_for_update(act.db(), registration).await?;
    act.read_clock();
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
