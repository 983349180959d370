//! What steps are decided on: the request as it is asked for, and the facts; in an act, read once its registration
//! is taken for update.

use sqlx::PgConnection;
use time::{Duration, OffsetDateTime};
use uuid::Uuid;

use crate::caller::Caller;
use crate::copies::Ask;
use crate::{Act, ActError, FieldProblem};
use domain::copies::decision::facts::{
    ApprovalFacts, AuthorisationFacts, Facts, RegistrationFacts, RequestFacts, ShownFacts, Step,
};
use domain::copies::{CopyRequest, Purpose, RequestState};
use domain::count::number_of;
use domain::ids::{CopyRequestId, PersonId};
use domain::register::registrations::Registration;
use domain::register::rules::Rules;
use storage::copies::facts::{self, FoundFacts, Lookup};
use storage::counters::blanks;
use storage::{copies, counters, differs, keys, people};

/// What a step brings to the facts besides what is stored.
#[derive(Default)]
pub(super) struct StepInput {
    pub(super) approver: Option<(PersonId, bool)>,
    pub(super) shown: ShownFacts,
    pub(super) handed_in: bool,
    pub(super) quantity: u32,
}

/// A step of a request on which is to be decided. The request may be a draft that is not stored.
pub(super) struct Question<'a> {
    pub(super) step: Step,
    pub(super) request: &'a CopyRequest,
    pub(super) input: StepInput,
}

/// On which registration, under which rules, when, and for whom.
#[derive(Clone, Copy)]
pub(super) struct DecisionContext<'a> {
    pub(super) registration: &'a Registration,
    pub(super) rules: &'a Rules,
    pub(super) now: OffsetDateTime,
    pub(super) caller: &'a Caller,
}

/// The facts of one step, inside the transaction of an act: what it relies on stays as it is until the
/// transaction ends.
///
/// Rights, cards, keys, holds and rules of a registration change only while its row is taken, so that what an
/// act reads of them here stays so until it commits. Seats and appointments belong to no registration: a look
/// at a cutting sheet, a cut and a hand-over take those that they rely on for share (I1). Asking and approving
/// need not, since a cut decides again.
pub(super) async fn gather_for_act(
    act: &mut Act<'_>,
    registration: &Registration,
    rules: &Rules,
    question: Question<'_>,
) -> Result<Facts, ActError> {
    let (now, caller) = (act.now, act.caller);
    let (step, request, section) = (question.step, question.request, registration.section_id);
    let db = act.db();
    let questions = vec![question];
    let approvals = approvals(db, &questions).await?;
    if matches!(step, Step::Look | Step::Cut | Step::HandOver) {
        let mut people = vec![request.asked_by, request.recipient_id];
        people.extend(approvals.iter().map(|(_, person, _)| *person));
        facts::memberships_for_share(db, &people).await?;
    }
    if matches!(step, Step::Look | Step::Cut) {
        counters::appointments_for_share(db, request.counter_id, section).await?;
    }
    if step == Step::Cut {
        blanks::account_for_update(db, request.counter_id, section).await?;
    }
    let context = DecisionContext { registration, rules, now, caller };
    only(facts_with(db, context, questions, approvals).await?)
}

/// The facts of one step. No row is taken.
pub(super) async fn gather_one(
    db: &mut PgConnection,
    context: DecisionContext<'_>,
    question: Question<'_>,
) -> Result<Facts, ActError> {
    only(gather(db, context, vec![question]).await?)
}

fn only(mut gathered: Vec<Facts>) -> Result<Facts, ActError> {
    gathered.pop().ok_or_else(|| ActError::Internal("a step without its facts".to_owned()))
}

/// The facts of each step, in as many statements as for one. No row is taken.
pub(super) async fn gather(
    db: &mut PgConnection,
    context: DecisionContext<'_>,
    questions: Vec<Question<'_>>,
) -> Result<Vec<Facts>, ActError> {
    let approvals = approvals(db, &questions).await?;
    facts_with(db, context, questions, approvals).await
}

/// An approval: of which request, by whom, and whether in place of an authority that cannot act.
type Approval = (CopyRequestId, PersonId, bool);

/// The approvals of the requests; nobody has approved what is only being asked for.
async fn approvals(db: &mut PgConnection, questions: &[Question<'_>]) -> Result<Vec<Approval>, ActError> {
    let stored = questions.iter().filter(|question| question.step != Step::Ask);
    let stored: Vec<Uuid> = stored.map(|question| question.request.id.0).collect();
    Ok(if stored.is_empty() { vec![] } else { facts::approvals(db, &stored).await? })
}

async fn facts_with(
    db: &mut PgConnection,
    context: DecisionContext<'_>,
    questions: Vec<Question<'_>>,
    approvals: Vec<Approval>,
) -> Result<Vec<Facts>, ActError> {
    let DecisionContext { registration, rules, now, caller } = context;
    let today = now.date();
    let mut people: Vec<PersonId> = approvals.iter().map(|(_, person, _)| *person).collect();
    for Question { request, input, .. } in &questions {
        people.extend([request.asked_by, request.recipient_id]);
        people.extend(input.approver.map(|(person, _)| person));
    }
    people.sort_unstable();
    people.dedup();
    let organisations = caller.organisations();
    let acting = caller.person().map(|person| facts::ActingPerson { person, organisations: &organisations });
    let authorities = facts::authorities(db, registration.id, &people, acting.as_ref(), today).await?;
    let holds = facts::holds(db, registration.id, today).await?;
    let lookups: Vec<Lookup> = questions.iter().map(|question| lookup(question, rules)).collect();
    let found = facts::of_requests(db, (registration.id, registration.section_id), &lookups, today).await?;
    let mut gathered = Vec::with_capacity(questions.len());
    for (Question { step, request, input }, found) in questions.into_iter().zip(found) {
        let found =
            found.ok_or_else(|| ActError::invalid("/differ_id", "is not a differ of this registration"))?;
        let person = |id: PersonId| authorities.of(id, request.differ_id);
        let approval = |(by, emergency): (PersonId, bool)| ApprovalFacts { person: person(by), emergency };
        let given = approvals.iter().filter(|(of, ..)| *of == request.id);
        let holds = facts::holds_on(&holds, request.differ_id);
        gathered.push(Facts {
            registration: RegistrationFacts { ended: registration.ended_at.is_some(), holds },
            asker: person(request.asked_by),
            recipient: person(request.recipient_id),
            approvals: given.map(|(_, by, emergency)| approval((*by, *emergency))).collect(),
            approver: input.approver.map(approval),
            request: request_facts(request, &found),
            differ: found.differ,
            keys: found.keys,
            counter: found.counter,
            shown: input.shown,
            authorisation: authorisation(request, step),
            step_quantity: input.quantity,
            ..Facts::at(step, now)
        });
    }
    Ok(gathered)
}

fn lookup(Question { request, input, .. }: &Question<'_>, rules: &Rules) -> Lookup {
    Lookup {
        differ: request.differ_id,
        counter: Some(request.counter_id),
        recipient: Some(request.recipient_id),
        request: Some(request.id),
        replaces: request.replaces_key_id,
        handed_in: input.handed_in,
        extends: request.extends_request_id,
        earlier_since: request.asked_at - Duration::days(i64::from(rules.longest_period())),
    }
}

fn request_facts(request: &CopyRequest, found: &FoundFacts) -> RequestFacts {
    let extends = request.extends_request_id.is_some();
    RequestFacts {
        quantity: request.quantity,
        purpose: request.purpose,
        asked_at: request.asked_at,
        needed_from: request.needed_from,
        due_back_on: request.due_back_on,
        extends,
        extensions: if extends { found.extensions.saturating_add(1) } else { 0 },
        emergency_reason: request.emergency_reason.is_some(),
        replaced: found.replaced.clone(),
    }
}

fn authorisation(request: &CopyRequest, step: Step) -> Option<AuthorisationFacts> {
    let progress = request.progress();
    progress.authorisation.map(|given| AuthorisationFacts {
        lapses_at: given.lapses_at,
        left: if step == Step::HandOver { progress.left_to_hand_over() } else { progress.left_to_cut() },
    })
}

/// A request as it is asked for, not stored yet.
pub(super) async fn draft(
    db: &mut PgConnection,
    registration: &Registration,
    asker: PersonId,
    ask: Ask,
    (id, now): (CopyRequestId, OffsetDateTime),
) -> Result<CopyRequest, ActError> {
    let mut problems = Vec::new();
    let mut say = |pointer: &str, problem: &str| problems.push(FieldProblem::new(pointer, problem));
    let mut quantity = ask.quantity;
    let recipient = ask.recipient.unwrap_or(asker);
    if people::present(db, recipient).await?.is_none() {
        say("/recipient_id", "is not known");
    }
    if counters::counter(db, ask.counter).await?.is_none() {
        say("/counter_id", "is not known");
    }
    if differs::own(db, registration.id, &[ask.differ]).await?.is_empty() {
        say("/differ_id", "is not a differ of this registration");
    }
    replacement_problems(db, registration, &ask, &mut say).await?;
    if let Some(extended) = ask.extends {
        // It is about the keys that are out, however many were asked for.
        let out = keys_to_extend(db, registration, &ask, recipient, extended).await?;
        quantity = number_of(out);
        if out == 0 {
            let problem = "is not a temporary issue of this differ whose keys are with this person";
            say("/extends_request_id", problem);
        }
        if ask.due_back_on.is_none() {
            say("/due_back_on", "is needed for an extension");
        }
        if ask.purpose != Purpose::Additional {
            say("/purpose", "must be additional for an extension");
        }
    }
    if !problems.is_empty() {
        return Err(ActError::Invalid(problems));
    }
    Ok(CopyRequest {
        id,
        registration_id: registration.id,
        differ_id: ask.differ,
        asked_by: asker,
        recipient_id: recipient,
        counter_id: ask.counter,
        quantity,
        purpose: ask.purpose,
        replaces_key_id: ask.replaces,
        needed_from: ask.needed_from,
        due_back_on: ask.due_back_on,
        extends_request_id: ask.extends,
        emergency_reason: ask.emergency_reason.map(String::from),
        state: RequestState::Waiting,
        asked_at: now,
        authorised_at: None,
        lapses_at: None,
        cut_count: 0,
        handed_count: 0,
        version: 1,
    })
}

/// What is wrong with the key that a copy is to replace.
async fn replacement_problems(
    db: &mut PgConnection,
    registration: &Registration,
    ask: &Ask,
    say: &mut impl FnMut(&str, &str),
) -> Result<(), ActError> {
    match (ask.purpose, ask.replaces) {
        (Purpose::Additional, Some(_)) => say("/replaces_key_id", "belongs to a replacement only"),
        (Purpose::ReplaceWorn | Purpose::ReplaceLost, None) => {
            say("/replaces_key_id", "is needed for a replacement");
        }
        (Purpose::ReplaceWorn | Purpose::ReplaceLost, Some(key)) => {
            let key = keys::key(db, key).await?;
            if key.is_none_or(|key| key.registration_id != registration.id) {
                say("/replaces_key_id", "is not a key of this registration");
            }
            if ask.quantity != 1 {
                say("/quantity", "must be 1 for a replacement");
            }
        }
        (Purpose::Additional, None) => {}
    }
    Ok(())
}

/// How many keys of a temporary issue are out; none, where it is not one that may be extended.
async fn keys_to_extend(
    db: &mut PgConnection,
    registration: &Registration,
    ask: &Ask,
    recipient: PersonId,
    extended: CopyRequestId,
) -> Result<usize, ActError> {
    let Some(issue) = copies::request(db, extended).await? else { return Ok(0) };
    let fits = issue.registration_id == registration.id
        && issue.differ_id == ask.differ
        && issue.recipient_id == recipient
        && issue.due_back_on.is_some()
        && issue.extends_request_id.is_none()
        && issue.state == RequestState::Completed;
    if fits { Ok(keys::out_of_request(db, extended, recipient).await?.len()) } else { Ok(0) }
}
