//! Cuts that a counter made without a network.
//!
//! Beforehand it takes in its open authorisations as a signed bundle. What it cut under them is brought
//! in later, and decided again as things are then. A key that was cut exists whatever is decided: after
//! a no the cut is recorded as a fact, flagged, and listed for owner and supplier.

use serde_json::json;
use time::{Duration, OffsetDateTime};
use uuid::Uuid;

use crate::act::DecisionEntry;
use crate::caller::Caller;
use crate::copies::counter::{KeysToMake, at_counter, make_keys};
use crate::copies::gather::{DecisionContext, Question, StepInput, gather_for_act, gather_one};
use crate::copies::{DecidedRequest, enter_step};
use crate::register::rules;
use crate::{Act, ActError, Read};
use crypto::tokens::bundle;
use crypto::tokens::bundle::OfflineAuthorisation;
use domain::copies::decision::facts::Step;
use domain::copies::decision::{Decision, RecordedStep, decide};
use domain::copies::{CopyRequest, FlaggedCut, RequestState};
use domain::ids::{CopyRequestId, CounterId, RegistrationId};
use domain::keys::Key;
use storage::copies::offline;
use storage::register::{registrations, sections};
use storage::{Portion, cards, copies, differs, keys};

/// The most authorisations in one bundle.
const MOST: i64 = 500;
/// How far a counter's clock may be ahead.
const AHEAD: Duration = Duration::minutes(5);

/// The open authorisations of a counter that may be cut without a network, signed: those that would be
/// permitted now, and for which nothing has to be shown that only the register can check.
pub async fn bundle(read: &mut Read<'_>, counter: CounterId) -> Result<String, ActError> {
    if !read.caller.works_at(&mut read.db, counter).await? {
        return Err(ActError::NotFound);
    }
    let mut authorised = Vec::new();
    for request in copies::to_cut(&mut read.db, counter, MOST).await? {
        if may_be_cut_now(&mut read.db, read.caller, &request, read.now).await? {
            let left = request.progress().left_to_cut();
            authorised.push(entry(&mut read.db, &request, left).await?);
        }
    }
    Ok(bundle::sign(&read.app.cards.keys, counter, authorised, read.now)?)
}

async fn may_be_cut_now(
    db: &mut sqlx::PgConnection,
    caller: &Caller,
    request: &CopyRequest,
    now: OffsetDateTime,
) -> Result<bool, ActError> {
    let registration =
        registrations::registration(db, request.registration_id).await?.ok_or(ActError::NotFound)?;
    let rules = rules::in_force(db, &registration).await?;
    let context = DecisionContext { registration: &registration, rules: &rules, now, caller };
    // A worn key is looked at by whoever cuts: that it was handed in is said when the cut is brought in.
    let brought = StepInput { handed_in: true, quantity: 1, ..StepInput::default() };
    let question = Question { step: Step::Cut, request, input: brought };
    let facts = gather_one(db, context, question).await?;
    Ok(decide(&facts, &rules).is_permitted())
}

async fn entry(
    db: &mut sqlx::PgConnection,
    request: &CopyRequest,
    left: u32,
) -> Result<OfflineAuthorisation, ActError> {
    let lost = || ActError::Internal("a request without its registration, section or differ".to_owned());
    let registration = registrations::registration(db, request.registration_id).await?.ok_or_else(lost)?;
    let section = sections::section(db, registration.section_id).await?.ok_or_else(lost)?;
    let differ = differs::differ(db, request.differ_id).await?.ok_or_else(lost)?;
    let lapses_at = request.lapses_at.ok_or_else(lost)?;
    Ok(OfflineAuthorisation {
        copy_request: request.id,
        registration: registration.number.clone(),
        section: section.name,
        differ: differ.number,
        left,
        lapses_at: lapses_at.unix_timestamp(),
        cards: cards::current_numbers(db, registration.id, &[request.asked_by, request.recipient_id]).await?,
    })
}

/// A cut that was made without a network.
pub struct OfflineCut {
    /// Chosen by the counter: the same cut is recorded once.
    pub id: Uuid,
    /// The copy request.
    pub request: CopyRequestId,
    /// The number of keys.
    pub quantity: u32,
    /// When, by the counter's clock.
    pub made_at: OffsetDateTime,
    /// The worn key was handed in.
    pub handed_in: bool,
}

/// What became of a cut that was brought in.
pub struct OfflineCutOutcome {
    /// The decision as things are now.
    pub decided: DecidedRequest,
    /// The keys that exist.
    pub keys: Vec<Key>,
    /// The decision was no.
    pub flagged: bool,
}

/// Takes in a cut that a counter made without a network.
pub async fn bring_in(
    act: &mut Act<'_>,
    counter: CounterId,
    made: OfflineCut,
) -> Result<OfflineCutOutcome, ActError> {
    let (registration, mut request) = at_counter(act, Some(counter), made.request).await?;
    if let Some(earlier) = offline::offline_cut(act.db(), counter, made.id).await? {
        return recorded_before(act, request, earlier).await;
    }
    if made.made_at > act.now + AHEAD {
        return Err(ActError::invalid("/cut_at", "is in the future: look at the clock of the counter"));
    }
    let rules = rules::in_force(act.db(), &registration).await?;
    let quantity = made.quantity;
    let brought = StepInput { handed_in: made.handed_in, quantity, ..StepInput::default() };
    let question = Question { step: Step::Cut, request: &request, input: brought };
    let mut facts = gather_for_act(act, &registration, &rules, question).await?;
    // What was withdrawn or stopped is authorised no more, and what was cut before it was authorised was
    // not; what lapsed says so by itself.
    let open = matches!(request.state, RequestState::Authorised | RequestState::Lapsed);
    let in_time = request.authorised_at.is_some_and(|at| made.made_at >= at - AHEAD);
    if !open || !in_time {
        facts.authorisation = None;
    }
    let decision = decide(&facts, &rules);
    let flagged = !decision.is_permitted();
    let more = vec![
        ("counter", json!(counter)),
        ("cut", json!(quantity)),
        ("made_at", json!(made.made_at.unix_timestamp())),
    ];
    let recorded =
        enter_step(act, &registration, &request, RecordedStep::CutOffline, Some(&decision), more).await?;
    let making = KeysToMake {
        quantity: made.quantity,
        handed_in: made.handed_in && request.authorised_at.is_some(),
        decision: recorded.decision,
        dead: !facts.differ.in_service,
    };
    let (cut, beyond, keys) = make_keys(act, &registration, &mut request, &making, flagged).await?;
    let row =
        offline::NewOfflineCut { cut, counter, chosen: made.id, made_at: made.made_at, flagged, beyond };
    offline::add_offline_cut(act.db(), &row).await?;
    Ok(OfflineCutOutcome { decided: DecidedRequest { request, decision, recorded }, keys, flagged })
}

/// A cut that was brought in before: as it was recorded then, however long ago and by whichever program.
async fn recorded_before(
    act: &mut Act<'_>,
    request: CopyRequest,
    earlier: offline::EarlierOfflineCut,
) -> Result<OfflineCutOutcome, ActError> {
    if earlier.request != request.id {
        return Err(ActError::Conflict("this id is that of a cut for another request"));
    }
    let corrupt = |error: serde_json::Error| ActError::Internal(format!("decisions: {error}"));
    let reasons = serde_json::from_value(earlier.reasons).map_err(corrupt)?;
    let decision = Decision { outcome: earlier.outcome, reasons };
    let recorded = DecisionEntry { decision: earlier.decision, entry: earlier.entry, at: earlier.at };
    let keys = keys::of_cut(act.db(), earlier.cut).await?;
    Ok(OfflineCutOutcome {
        decided: DecidedRequest { request, decision, recorded },
        keys,
        flagged: earlier.flagged,
    })
}

/// Cuts that were brought in and decided no, on a registration, for those who see all of it.
pub async fn flagged_of(
    read: &mut Read<'_>,
    registration_id: RegistrationId,
    portion: Portion,
) -> Result<Vec<FlaggedCut>, ActError> {
    let (registration, access) = read.registration(registration_id).await?;
    access.require(access.sees_all())?;
    Ok(offline::flagged_cuts(&mut read.db, Some(registration.id), portion).await?)
}

/// Flagged cuts of every registration, for the supplier.
pub async fn flagged(read: &mut Read<'_>, portion: Portion) -> Result<Vec<FlaggedCut>, ActError> {
    read.caller.require_supplier()?;
    Ok(offline::flagged_cuts(&mut read.db, None, portion).await?)
}
