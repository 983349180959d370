//! What somebody who stands at a counter may order, and what waits there for them.

use serde::Serialize;
use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::ActError;
use crate::caller::Caller;
use crate::copies::gather::{DecisionContext, Question, StepInput, gather};
use crate::outside::Outside;
use domain::copies::decision::facts::{Collector, ShownFacts, Step};
use domain::copies::decision::reason::Code;
use domain::copies::decision::{Decision, decide};
use domain::copies::{CopyRequest, Purpose, RequestState};
use domain::differs::{Differ, Level};
use domain::ids::{CopyRequestId, CounterId, DifferId, PersonId};
use domain::register::registrations::Registration;
use domain::register::rules::Rules;
use domain::rights::authorities::Authority;
use storage::rights::authorities;
use storage::{copies, differs};

/// The most differs about which is decided in one look.
const MOST_DIFFERS: usize = 50;

/// Whether one more key of a differ may be ordered now.
#[derive(Debug, Serialize, ToSchema)]
pub struct MayOrder {
    /// The differ.
    differ_id: DifferId,
    /// Its number.
    differ: String,
    /// What it opens.
    level: Level,
    /// The decision that asking for one key would bring, with every reason.
    decision: Decision,
}

/// A request that waits at this counter: the holder asked for it, is to have its keys, or may collect them.
#[derive(Debug, Serialize, ToSchema)]
pub struct WaitingRequest {
    /// The request.
    copy_request: CopyRequest,
    /// Its next step.
    next: Step,
    /// What is only still to be shown, entered, signed or approved.
    still_to_do: Vec<Code>,
    /// Whether nothing else stands against it.
    otherwise_permitted: bool,
    /// The decision as things are now.
    decision: Decision,
}

/// Who stands where.
pub(crate) struct PersonAtCounter<'a> {
    /// Clock and randomness.
    pub(crate) outside: &'a Outside,
    /// Who looks.
    pub(crate) caller: &'a Caller,
    /// The counter.
    pub(crate) counter: CounterId,
    /// The person who stands there.
    pub(crate) person: PersonId,
    /// When the person stands there.
    pub(crate) now: OffsetDateTime,
}

/// What the person may order, and what waits. Nothing is written, and no row is taken.
pub(crate) async fn at_counter(
    db: &mut PgConnection,
    (registration, rules): (&Registration, &Rules),
    authorities: &[Authority],
    standing: &PersonAtCounter<'_>,
    shown: &ShownFacts,
) -> Result<(Vec<MayOrder>, Vec<WaitingRequest>), ActError> {
    let PersonAtCounter { caller, counter, person, now, .. } = *standing;
    let every = authorities.iter().any(|own| own.every_differ);
    let named: Vec<Uuid> = authorities.iter().flat_map(|own| &own.differ_ids).map(|id| id.0).collect();
    let differs = differs::in_scope(db, registration.id, every, &named, MOST_DIFFERS).await?;
    let new: Vec<CopyRequest> = differs
        .iter()
        .map(|differ| one_more(standing.outside.id(now).into(), registration, differ, standing))
        .collect();
    let waiting = copies::waiting_for(db, registration.id, counter, person, now.date()).await?;
    let collects_for = collects_for(db, &waiting, person, now.date()).await?;
    let input = |request: &CopyRequest| {
        let collector = collector_of(request, person, &collects_for);
        StepInput { shown: ShownFacts { collector, ..shown.clone() }, quantity: 1, ..StepInput::default() }
    };
    let ask = |request| Question { step: Step::Ask, request, input: StepInput::default() };
    let next = |request| Question { step: next_step(request), request, input: input(request) };
    let questions = new.iter().map(ask).chain(waiting.iter().map(next)).collect();
    let context = DecisionContext { registration, rules, now, caller };
    let gathered = gather(db, context, questions).await?;
    let mut of_new: Vec<Decision> = gathered.iter().map(|facts| decide(facts, rules)).collect();
    let of_waiting = of_new.split_off(differs.len());
    let may_order = differs.into_iter().zip(of_new).map(|(differ, decision)| MayOrder {
        differ_id: differ.id,
        differ: differ.number,
        level: differ.level,
        decision,
    });
    let waiting = waiting.into_iter().zip(of_waiting).map(|(request, decision)| WaitingRequest {
        next: next_step(&request),
        copy_request: request,
        still_to_do: decision.still_to_do(),
        otherwise_permitted: decision.is_otherwise_permitted(),
        decision,
    });
    Ok((may_order.collect(), waiting.collect()))
}

/// What is done next with a request that waits at a counter.
fn next_step(request: &CopyRequest) -> Step {
    match request.state {
        RequestState::Authorised if request.progress().left_to_hand_over() > 0 => Step::HandOver,
        RequestState::Authorised => Step::Cut,
        _ => Step::Approve,
    }
}

/// For whom somebody may collect who stands there for some requests of a registration; looked up only where
/// one is for somebody else.
pub(super) async fn collects_for(
    db: &mut PgConnection,
    requests: &[CopyRequest],
    person: PersonId,
    today: Date,
) -> Result<Vec<PersonId>, ActError> {
    match requests.iter().find(|request| request.recipient_id != person) {
        Some(other) => Ok(authorities::collects_for(db, other.registration_id, person, today).await?),
        None => Ok(vec![]),
    }
}

/// As whom somebody stands there for the keys of a request, who may collect for some.
pub(super) fn collector_of(request: &CopyRequest, person: PersonId, collects_for: &[PersonId]) -> Collector {
    if person == request.recipient_id {
        Collector::Recipient
    } else if collects_for.contains(&request.recipient_id) {
        Collector::Mandated
    } else {
        Collector::Other
    }
}

/// One more key of a differ for whoever stands there, cut here.
fn one_more(
    id: CopyRequestId,
    registration: &Registration,
    differ: &Differ,
    standing: &PersonAtCounter<'_>,
) -> CopyRequest {
    CopyRequest {
        id,
        registration_id: registration.id,
        differ_id: differ.id,
        asked_by: standing.person,
        recipient_id: standing.person,
        counter_id: standing.counter,
        quantity: 1,
        purpose: Purpose::Additional,
        replaces_key_id: None,
        needed_from: None,
        due_back_on: None,
        extends_request_id: None,
        emergency_reason: None,
        state: RequestState::Waiting,
        asked_at: standing.now,
        authorised_at: None,
        lapses_at: None,
        cut_count: 0,
        handed_count: 0,
        version: 1,
    }
}
