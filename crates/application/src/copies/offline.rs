//! Cuts that a counter made without a network.
//!
//! Beforehand it takes in its open authorisations as a signed bundle. What it cut under them is brought
//! in later, and decided again as things are then. A key that was cut under an authorisation exists whatever is
//! decided: after a no the cut is recorded as a fact, flagged, and listed for owner and supplier. What a counter
//! says it cut beyond what was ever authorised is a claim: its keys are none until the register has looked.

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
use domain::copies::decision::{Decision, Outcome, RecordedStep, decide};
use domain::copies::{CopyRequest, CutClaim, FlaggedCut, RequestState};
use domain::differs::DifferState;
use domain::ids::{CopyRequestId, CounterId, CutClaimId, RegistrationId};
use domain::keys::Key;
use domain::register::registrations::Registration;
use storage::copies::offline;
use storage::counters::blanks;
use storage::register::{registrations, sections};
use storage::{Portion, cards, copies, differs, keys};

/// The most authorisations in one bundle.
const MOST: i64 = 500;
/// How far a counter's clock may be ahead.
const AHEAD: Duration = Duration::minutes(5);

/// The open authorisations of a counter that may be cut without a network, signed: those that would be
/// permitted now, and for which nothing has to be shown that only the register can check.
pub async fn bundle(read: &mut Read<'_>, counter: CounterId) -> Result<String, ActError> {
    read.app.log.require_agreement()?;
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
    /// Keys beyond what was authorised, which wait for the register.
    pub claimed: u32,
}

/// Takes in a cut that a counter made without a network.
pub async fn bring_in(
    act: &mut Act<'_>,
    counter: CounterId,
    made: OfflineCut,
) -> Result<OfflineCutOutcome, ActError> {
    let (registration, mut request) = at_counter(act, Some(counter), made.request).await?;
    if let Some(earlier) = offline::brought_in(act.db(), counter, made.id).await? {
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
    let within = request.progress().authorised_of(quantity);
    let claimed = quantity - within;
    let mut keys = Vec::new();
    if within > 0 {
        let making = KeysToMake {
            quantity: within,
            handed_in: made.handed_in && request.authorised_at.is_some(),
            decision: recorded.decision,
            dead: !facts.differ.in_service,
        };
        let cut;
        (cut, keys) = make_keys(act, &registration, &mut request, &making, flagged).await?;
        let chosen = made.id;
        let row = offline::NewOfflineCut { cut, counter, chosen, made_at: made.made_at, flagged, beyond: 0 };
        offline::add_offline_cut(act.db(), &row).await?;
    }
    if claimed > 0 {
        let claim = offline::NewClaim {
            id: act.id(),
            request: request.id,
            counter,
            chosen: made.id,
            quantity: claimed,
            made_at: made.made_at,
            decision: recorded.decision,
        };
        let now = act.now;
        offline::add_claim(act.db(), &claim, now).await?;
    }
    Ok(OfflineCutOutcome { decided: DecidedRequest { request, decision, recorded }, keys, flagged, claimed })
}

/// The register settles a claim: its keys are there from now on, as many as the blanks allow, or are none.
pub async fn settle(act: &mut Act<'_>, id: CutClaimId, accepted: bool) -> Result<CutClaim, ActError> {
    act.caller.require_supplier()?;
    let settled_by = act.caller.require_person()?;
    let found = offline::claim(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, _) = act.registration_for_update(found.registration_id).await?;
    let found = offline::claim(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if found.settled_at.is_some() {
        let detail = "this claim was settled before".to_owned();
        return Err(ActError::WrongState { state: "settled", detail });
    }
    let now = act.now;
    if accepted {
        accept(act, &registration, &found).await?;
    }
    offline::settle_claim(act.db(), id, settled_by, accepted, now).await?;
    let kind = if accepted { "cut_claim.accepted" } else { "cut_claim.dismissed" };
    act.enter_change(kind, Some(registration.id), id.0, vec![("quantity", json!(found.quantity))]).await?;
    Ok(CutClaim { settled_at: Some(now), accepted: Some(accepted), ..found })
}

/// The keys of a claim come into existence, by a decision of their own that says no as the first did.
async fn accept(act: &mut Act<'_>, registration: &Registration, claim: &CutClaim) -> Result<(), ActError> {
    let mut request = copies::request(act.db(), claim.copy_request_id).await?.ok_or(ActError::NotFound)?;
    let account = blanks::account_for_update(act.db(), claim.counter_id, registration.section_id).await?;
    if account.is_none_or(|account| account.on_hand < claim.quantity) {
        return Err(ActError::Conflict("the counter's account has fewer blanks: have them counted first"));
    }
    let corrupt = |error: serde_json::Error| ActError::Internal(format!("decisions: {error}"));
    let reasons = serde_json::from_value(claim.reasons.clone()).map_err(corrupt)?;
    let decision = Decision { outcome: Outcome::Refused, reasons };
    let more = vec![("counter", json!(claim.counter_id)), ("cut", json!(claim.quantity))];
    let recorded =
        enter_step(act, registration, &request, RecordedStep::CutOffline, Some(&decision), more).await?;
    let differ = differs::differ(act.db(), request.differ_id).await?.ok_or(ActError::NotFound)?;
    let making = KeysToMake {
        quantity: claim.quantity,
        handed_in: false,
        decision: recorded.decision,
        dead: differ.state == DifferState::Dead,
    };
    let (cut, _) = make_keys(act, registration, &mut request, &making, true).await?;
    let row = offline::NewOfflineCut {
        cut,
        counter: claim.counter_id,
        chosen: claim.id.0,
        made_at: claim.made_at,
        flagged: true,
        beyond: claim.quantity,
    };
    Ok(offline::add_offline_cut(act.db(), &row).await?)
}

/// Claims on one registration, for those who see all of it.
pub async fn claims_of(
    read: &mut Read<'_>,
    registration_id: RegistrationId,
    portion: Portion,
) -> Result<Vec<CutClaim>, ActError> {
    let (registration, access) = read.registration(registration_id).await?;
    access.require(access.sees_all())?;
    Ok(offline::claims(&mut read.db, Some(registration.id), access.portion(portion)).await?)
}

/// Claims on every registration, for the supplier.
pub async fn claims(read: &mut Read<'_>, portion: Portion) -> Result<Vec<CutClaim>, ActError> {
    read.caller.require_supplier()?;
    Ok(offline::claims(&mut read.db, None, portion).await?)
}

/// A cut that was brought in before: as it was recorded then, however long ago and by whichever program.
async fn recorded_before(
    act: &mut Act<'_>,
    request: CopyRequest,
    earlier: offline::BroughtIn,
) -> Result<OfflineCutOutcome, ActError> {
    if earlier.request != request.id {
        return Err(ActError::Conflict("this id is that of a cut for another request"));
    }
    let corrupt = |error: serde_json::Error| ActError::Internal(format!("decisions: {error}"));
    let reasons = serde_json::from_value(earlier.reasons).map_err(corrupt)?;
    let decision = Decision { outcome: earlier.outcome, reasons };
    let recorded = DecisionEntry { decision: earlier.decision, entry: earlier.entry, at: earlier.at };
    let keys = match earlier.cut {
        Some(cut) => keys::of_cut(act.db(), cut).await?,
        None => vec![],
    };
    Ok(OfflineCutOutcome {
        decided: DecidedRequest { request, decision, recorded },
        keys,
        flagged: earlier.flagged,
        claimed: earlier.claimed,
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
    Ok(offline::flagged_cuts(&mut read.db, Some(registration.id), access.portion(portion)).await?)
}

/// Flagged cuts of every registration, for the supplier.
pub async fn flagged(read: &mut Read<'_>, portion: Portion) -> Result<Vec<FlaggedCut>, ActError> {
    read.caller.require_supplier()?;
    Ok(offline::flagged_cuts(&mut read.db, None, portion).await?)
}
