//! What somebody who stands at a counter may order, and what waits there for them.

use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::ActError;
use crate::caller::Caller;
use crate::copies::gather::{StepContext, StepInput, gather};
use crate::outside::Outside;
use domain::copies::decision::facts::{Collector, ShownFacts, Step};
use domain::copies::decision::{Decision, decide};
use domain::copies::{CopyRequest, Purpose, RequestState};
use domain::differs::Differ;
use domain::ids::{CopyRequestId, CounterId, PersonId};
use domain::register::registrations::Registration;
use domain::register::rules::Rules;
use domain::rights::authorities::Authority;
use storage::rights::authorities;
use storage::{copies, differs};

/// The most differs about which is decided in one look.
const MOST_DIFFERS: usize = 50;

/// Whether one more key of a differ may be ordered now.
pub struct MayOrder {
    /// The differ.
    pub differ: Differ,
    /// The decision that asking would bring.
    pub decision: Decision,
}

/// A request that waits at the counter.
pub struct WaitingRequest {
    /// The request.
    pub request: CopyRequest,
    /// Its next step.
    pub step: Step,
    /// The decision that it would bring now, with what was shown.
    pub decision: Decision,
}

/// Who stands where.
pub struct PersonAtCounter<'a> {
    /// Clock and randomness.
    pub outside: &'a Outside,
    /// Who looks.
    pub caller: &'a Caller,
    /// At which counter.
    pub counter: CounterId,
    /// Who stands there.
    pub person: PersonId,
    /// When the person stands there.
    pub now: OffsetDateTime,
}

/// What the person may order, and what waits. Nothing is written, and no row is taken.
pub async fn at_counter(
    db: &mut PgConnection,
    (registration, rules): (&Registration, &Rules),
    held: &[Authority],
    standing: &PersonAtCounter<'_>,
    shown: &ShownFacts,
) -> Result<(Vec<MayOrder>, Vec<WaitingRequest>), ActError> {
    let PersonAtCounter { caller, counter, person, now, .. } = *standing;
    let context = |step| StepContext { step, takes_rows: false, now, caller };
    let every = held.iter().any(|authority| authority.every_differ);
    let named: Vec<Uuid> = held.iter().flat_map(|own| &own.differ_ids).map(|id| id.0).collect();
    let differs = differs::in_scope(db, registration.id, every, &named, MOST_DIFFERS).await?;
    let mut may_order = Vec::new();
    for differ in differs {
        let request = one_more(standing.outside.id(now).into(), registration, &differ, standing);
        let facts =
            gather(db, registration, rules, &request, context(Step::Ask), StepInput::default()).await?;
        may_order.push(MayOrder { differ, decision: decide(&facts, rules) });
    }
    let mut waiting = Vec::new();
    let today = now.date();
    for request in copies::waiting_for(db, registration.id, counter, person, today).await? {
        let progress = request.progress();
        let step = match request.state {
            RequestState::Authorised if progress.left_to_hand_over() > 0 => Step::HandOver,
            RequestState::Authorised => Step::Cut,
            _ => Step::Approve,
        };
        let collector = collector_of(db, &request, person, today).await?;
        let shown = ShownFacts { collector, ..shown.clone() };
        let input = StepInput { shown, quantity: 1, ..StepInput::default() };
        let facts = gather(db, registration, rules, &request, context(step), input).await?;
        waiting.push(WaitingRequest { step, decision: decide(&facts, rules), request });
    }
    Ok((may_order, waiting))
}

/// As whom somebody stands there for the keys of a request.
pub(super) async fn collector_of(
    db: &mut PgConnection,
    request: &CopyRequest,
    person: PersonId,
    today: Date,
) -> Result<Collector, ActError> {
    let recipient = request.recipient_id;
    if person == recipient {
        return Ok(Collector::Recipient);
    }
    let mandated = authorities::may_collect(db, request.registration_id, recipient, person, today).await?;
    Ok(if mandated { Collector::Mandated } else { Collector::Other })
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
