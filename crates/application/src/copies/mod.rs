//! The life of a copy: ask, approve, decline, withdraw, cut, hand over, lapse.
//!
//! Every step takes the registration for update, loads the facts, decides again, and writes the decision with
//! its entry: refusals too. A dry run takes nothing for update and writes nothing.

mod counter;
mod gather;
mod sheet;

pub mod offline;
pub(crate) mod outlook;
pub mod uncollected;

pub(super) use crate::copies::counter::signature_error;
pub use crate::copies::counter::{CutStep, HandOverStep, cut, hand_over};
pub use crate::copies::sheet::{CuttingSheet, look};

use serde_json::{Value, json};
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::access::Access;
use crate::act::{DecisionEntry, StepTaken};
use crate::caller::Caller;
use crate::copies::gather::{DecisionContext, Question, StepInput, draft, gather_for_act, gather_one};
use crate::register::rules;
use crate::{Act, ActError, Read};
use domain::copies::decision::facts::Step;
use domain::copies::decision::{Decision, Outcome, RecordedStep, decide};
use domain::copies::{CopyRequest, Purpose, RequestProgress, RequestState};
use domain::ids::{CopyRequestId, CounterId, DifferId, KeyId, PersonId, RegistrationId};
use domain::register::registrations::Registration;
use domain::text::Remark;
use storage::copies::facts;
use storage::{Portion, copies, keys};

/// What is asked for.
pub struct Ask {
    /// The differ of the key.
    pub differ: DifferId,
    /// For whom; for the asker, when absent.
    pub recipient: Option<PersonId>,
    /// Where it is to be cut.
    pub counter: CounterId,
    /// The number of keys.
    pub quantity: u32,
    /// What the copy is for.
    pub purpose: Purpose,
    /// The key that it replaces.
    pub replaces: Option<KeyId>,
    /// The instant from which it is needed.
    pub needed_from: Option<OffsetDateTime>,
    /// The day by which it is to come back.
    pub due_back_on: Option<Date>,
    /// The request whose keys are to stay out longer.
    pub extends: Option<CopyRequestId>,
    /// Why the normal authority cannot act.
    pub emergency_reason: Option<Remark>,
}

/// A request and the decision that was taken on it.
pub struct DecidedRequest {
    /// The request as it is now.
    pub request: CopyRequest,
    /// The decision.
    pub decision: Decision,
    /// Where it was recorded.
    pub recorded: DecisionEntry,
}

fn apply(request: &mut CopyRequest, progress: RequestProgress) {
    request.state = progress.state;
    request.authorised_at = progress.authorisation.map(|given| given.at);
    request.lapses_at = progress.authorisation.map(|given| given.lapses_at);
    request.cut_count = progress.cut;
    request.handed_count = progress.handed;
}

/// "May I?" The decision that asking would bring, and nothing written.
pub async fn dry_run(
    read: &mut Read<'_>,
    registration_id: RegistrationId,
    ask: Ask,
) -> Result<Decision, ActError> {
    let asker = read.caller.require_person()?;
    read.app.log.require_agreement()?;
    let (registration, _) = read.registration(registration_id).await?;
    let rules = rules::in_force(&mut read.db, &registration).await?;
    let id = read.app.outside.id(read.now).into();
    let request = draft(&mut read.db, &registration, asker, ask, (id, read.now)).await?;
    let context =
        DecisionContext { registration: &registration, rules: &rules, now: read.now, caller: read.caller };
    let question = Question { step: Step::Ask, request: &request, input: StepInput::default() };
    let facts = gather_one(&mut read.db, context, question).await?;
    Ok(decide(&facts, &rules))
}

/// Asks for a copy.
pub async fn ask(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    ask: Ask,
) -> Result<DecidedRequest, ActError> {
    let asker = act.caller.require_person()?;
    let (registration, _) = act.registration_for_update(registration_id).await?;
    let rules = rules::in_force(act.db(), &registration).await?;
    let (id, now) = (act.id(), act.now);
    let mut request = draft(act.db(), &registration, asker, ask, (id, now)).await?;
    let question = Question { step: Step::Ask, request: &request, input: StepInput::default() };
    let facts = gather_for_act(act, &registration, &rules, question).await?;
    let decision = decide(&facts, &rules);
    apply(&mut request, RequestProgress::asked(facts.request.quantity, decision.outcome, now, &rules.lapse));
    copies::add(act.db(), &request).await?;
    let recorded =
        enter_step(act, &registration, &request, RecordedStep::Ask, Some(&decision), vec![]).await?;
    extend_if_authorised(act, &mut request).await?;
    Ok(DecidedRequest { request, decision, recorded })
}

async fn enter_step(
    act: &mut Act<'_>,
    registration: &Registration,
    request: &CopyRequest,
    step: RecordedStep,
    decision: Option<&Decision>,
    more: Vec<(&'static str, Value)>,
) -> Result<DecisionEntry, ActError> {
    let mut personal = vec![
        ("asker", json!(request.asked_by)),
        ("recipient", json!(request.recipient_id)),
        ("quantity", json!(request.quantity)),
    ];
    personal.extend(more);
    let taken = StepTaken {
        step,
        registration: registration.id,
        request: request.id,
        rules_version: registration.rules_version,
        decision,
        personal,
    };
    act.enter_decision(taken).await
}

async fn store(
    act: &mut Act<'_>,
    request: &mut CopyRequest,
    progress: RequestProgress,
) -> Result<(), ActError> {
    apply(request, progress);
    request.version += 1;
    let now = act.now;
    copies::change(act.db(), request, now).await?;
    Ok(())
}

/// An extension cuts nothing: once authorised it moves the due-back date of the keys that are out.
async fn extend_if_authorised(act: &mut Act<'_>, request: &mut CopyRequest) -> Result<(), ActError> {
    let Some(extended) = request.extends_request_id else { return Ok(()) };
    if request.state != RequestState::Authorised {
        return Ok(());
    }
    let now = act.now;
    for mut key in keys::out_of_request(act.db(), extended, request.recipient_id).await? {
        key.due_back_on = request.due_back_on;
        key.overdue_since = None;
        key.version += 1;
        keys::change(act.db(), &key, now).await?;
    }
    let progress = request.progress().extended()?;
    store(act, request, progress).await
}

/// The request, with its registration taken for update, if the caller is one of its parties ([`sees`]).
async fn request_for_update(
    act: &mut Act<'_>,
    id: CopyRequestId,
) -> Result<(Registration, Access, CopyRequest), ActError> {
    let found = copies::request(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = act.registration_for_update(found.registration_id).await?;
    let request = copies::request(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if sees(act.caller, &access, &request) {
        Ok((registration, access, request))
    } else {
        Err(ActError::NotFound)
    }
}

fn sees(caller: &Caller, access: &Access, request: &CopyRequest) -> bool {
    let own =
        caller.person().is_some_and(|person| person == request.asked_by || person == request.recipient_id);
    // An officer's post may let them override, whatever the scope.
    let may_approve = access
        .authorities
        .iter()
        .any(|own| (own.may_approve && own.covers(request.differ_id)) || own.post.is_some());
    own || may_approve || access.sees_all()
}

/// Approves a request. An approval that the rules do not accept is a decision too, and changes nothing.
pub async fn approve(
    act: &mut Act<'_>,
    id: CopyRequestId,
    emergency: bool,
) -> Result<DecidedRequest, ActError> {
    let approver = act.caller.require_person()?;
    let (registration, _, mut request) = request_for_update(act, id).await?;
    let progress = request.progress();
    let rules = rules::in_force(act.db(), &registration).await?;
    let now = act.now;
    if facts::approvals(act.db(), &[id.0]).await?.iter().any(|(_, person, _)| *person == approver) {
        return Err(ActError::Conflict("this person approved the request before"));
    }
    let input = StepInput { approver: Some((approver, emergency)), ..StepInput::default() };
    let question = Question { step: Step::Approve, request: &request, input };
    let facts = gather_for_act(act, &registration, &rules, question).await?;
    let decision = decide(&facts, &rules);
    if decision.outcome != Outcome::Refused {
        act.caller.require_second_factor()?;
    }
    let after = progress.approved(decision.outcome, now, &rules.lapse)?;
    let more = vec![("approver", json!(approver)), ("emergency", json!(emergency))];
    let recorded =
        enter_step(act, &registration, &request, RecordedStep::Approve, Some(&decision), more).await?;
    if decision.outcome != Outcome::Refused {
        let approval = copies::NewApproval {
            id: act.id(),
            request: id,
            approver,
            decision: recorded.decision,
            emergency,
        };
        copies::approve(act.db(), &approval, now).await?;
        store(act, &mut request, after).await?;
        extend_if_authorised(act, &mut request).await?;
    }
    Ok(DecidedRequest { request, decision, recorded })
}

/// Declines a request: by somebody with approving authority for its differ.
pub async fn decline(act: &mut Act<'_>, id: CopyRequestId) -> Result<CopyRequest, ActError> {
    act.caller.require_person()?;
    let (registration, access, mut request) = request_for_update(act, id).await?;
    let may = access.authorities.iter().any(|own| own.may_approve && own.covers(request.differ_id));
    access.require(may)?;
    let after = request.progress().declined()?;
    store(act, &mut request, after).await?;
    enter_step(act, &registration, &request, RecordedStep::Decline, None, vec![]).await?;
    Ok(request)
}

/// Withdraws a request: by the asker, the recipient, or whoever governs the registration.
pub async fn withdraw(act: &mut Act<'_>, id: CopyRequestId) -> Result<CopyRequest, ActError> {
    let (registration, access, mut request) = request_for_update(act, id).await?;
    let own = act
        .caller
        .person()
        .is_some_and(|person| person == request.asked_by || person == request.recipient_id);
    access.require(own || access.governs_differ(request.differ_id))?;
    let after = request.progress().withdrawn()?;
    store(act, &mut request, after).await?;
    enter_step(act, &registration, &request, RecordedStep::Withdraw, None, vec![]).await?;
    Ok(request)
}

/// Stops requests whose ground is gone: one entry each.
pub async fn stop(
    act: &mut Act<'_>,
    registration: &Registration,
    requests: Vec<CopyRequest>,
) -> Result<(), ActError> {
    for mut request in requests {
        let after = request.progress().stopped()?;
        store(act, &mut request, after).await?;
        enter_step(act, registration, &request, RecordedStep::Stop, None, vec![]).await?;
    }
    Ok(())
}

/// Lets one authorisation lapse, if its time has run out and nobody else did. `true` when it did.
pub async fn lapse(
    act: &mut Act<'_>,
    id: CopyRequestId,
    registration_id: RegistrationId,
) -> Result<bool, ActError> {
    let Some(registration) = act.take_registration(registration_id).await? else { return Ok(false) };
    let Some(mut request) = copies::request(act.db(), id).await? else { return Ok(false) };
    let due = request.lapses_at.is_some_and(|lapses_at| lapses_at <= act.now);
    if request.state != RequestState::Authorised || !due {
        return Ok(false);
    }
    let after = request.progress().lapsed()?;
    store(act, &mut request, after).await?;
    enter_step(act, &registration, &request, RecordedStep::Lapse, None, vec![]).await?;
    Ok(true)
}

/// One request, for its parties and for the counter where it is to be cut.
pub async fn request(read: &mut Read<'_>, id: CopyRequestId) -> Result<CopyRequest, ActError> {
    let request = copies::request(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    if read.caller.works_at(&mut read.db, request.counter_id).await? {
        return Ok(request);
    }
    let (_, access) = read.registration_of(request.registration_id, request.id).await?;
    access.require_sight(sees(read.caller, &access, &request))?;
    Ok(request)
}

/// Requests on a registration: all for those who see all or approve, else one's own.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    state: Option<RequestState>,
    portion: Portion,
) -> Result<Vec<CopyRequest>, ActError> {
    let (_, access) = read.registration(registration).await?;
    let approving = || access.authorities.iter().filter(|own| own.may_approve);
    let whole = access.sees_all() || approving().any(|own| own.every_differ);
    let differs: Vec<Uuid> = approving().flat_map(|own| &own.differ_ids).map(|differ| differ.0).collect();
    let only = if whole { None } else { Some((read.caller.person(), differs.as_slice())) };
    Ok(copies::of_registration(&mut read.db, registration, only, state, access.portion(portion)).await?)
}

/// The decisions on a request, oldest first.
pub async fn decisions(
    read: &mut Read<'_>,
    id: CopyRequestId,
) -> Result<Vec<copies::RecordedDecision>, ActError> {
    request(read, id).await?;
    Ok(copies::decisions(&mut read.db, id).await?)
}

/// The signatures of the hand-overs of a request; a counter sees that there are some, and not how they
/// were drawn.
pub async fn signatures(
    read: &mut Read<'_>,
    id: CopyRequestId,
) -> Result<Vec<copies::KeptSignature>, ActError> {
    let request = request(read, id).await?;
    let mut kept = copies::signatures(&mut read.db, id).await?;
    if read.caller.works_at(&mut read.db, request.counter_id).await? {
        for signature in &mut kept {
            signature.strokes = None;
        }
    }
    Ok(kept)
}

/// Overrides on every registration, listed apart for the supplier.
pub async fn overrides(read: &mut Read<'_>, portion: Portion) -> Result<Vec<copies::Override>, ActError> {
    read.caller.require_supplier()?;
    Ok(copies::overrides(&mut read.db, portion).await?)
}
