//! What a step is decided on: the request as it is asked for, and the facts, read once its registration is
//! taken.

use sqlx::PgConnection;
use time::{Duration, OffsetDateTime};
use uuid::Uuid;

use crate::caller::Caller;
use crate::copies::Ask;
use crate::{ActError, FieldProblem};
use domain::copies::decision::facts::{
    ApprovalFacts, AuthorisationFacts, CounterFacts, Facts, PersonFacts, ReplacedKey, RequestFacts,
    ShownFacts, Step,
};
use domain::copies::{CopyRequest, Purpose, RequestState};
use domain::ids::{CopyRequestId, KeyId, PersonId};
use domain::keys::{ChargeState, KeyState};
use domain::register::registrations::Registration;
use domain::register::rules::Rules;
use domain::text::Slug;
use storage::copies::facts;
use storage::counters::blanks;
use storage::keys::losses;
use storage::{copies, counters, differs, keys, people};

/// What a step brings to the facts besides what is stored.
#[derive(Default)]
pub(super) struct StepInput {
    pub(super) approver: Option<(PersonId, bool)>,
    pub(super) shown: ShownFacts,
    pub(super) handed_in: bool,
    pub(super) quantity: u32,
}

/// Which step is taken, when, and by whom.
#[derive(Clone, Copy)]
pub(super) struct StepContext<'a> {
    pub(super) step: Step,
    /// Inside the transaction of an act: what it relies on stays as it is until the transaction ends.
    pub(super) takes_rows: bool,
    pub(super) now: OffsetDateTime,
    pub(super) caller: &'a Caller,
}

/// Whoever acts in person, with the organisations for which they may now.
fn acting<'a>(caller: &Caller, organisations: &'a [Uuid]) -> Option<facts::ActingPerson<'a>> {
    caller.person().map(|person| facts::ActingPerson { person, organisations })
}

/// Loads the facts of a step. The request may be a draft that is not stored.
///
/// Rights, cards, keys, holds and rules of a registration change only while its row is taken, so that what an
/// act reads of them here stays so until it commits. Seats and appointments belong to no registration: a look
/// at a cutting sheet, a cut and a hand-over take those that they rely on for share (I1). Asking and approving
/// need not, since a cut decides again.
pub(super) async fn gather(
    db: &mut PgConnection,
    registration: &Registration,
    rules: &Rules,
    request: &CopyRequest,
    context: StepContext<'_>,
    input: StepInput,
) -> Result<Facts, ActError> {
    let StepContext { step, takes_rows, now, caller } = context;
    let takes_rows = takes_rows && matches!(step, Step::Look | Step::Cut | Step::HandOver);
    let today = now.date();
    let counted = facts::KeyScope {
        registration: registration.id,
        differ: request.differ_id,
        recipient: Some(request.recipient_id),
        request: Some(request.id),
        replaces: request.replaces_key_id,
        extends: request.extends_request_id,
    };
    let since = request.asked_at - Duration::days(i64::from(rules.longest_period()));
    let (differ, key_facts) = facts::differ_and_keys(db, &counted, today, since)
        .await?
        .ok_or_else(|| ActError::invalid("/differ_id", "is not a differ of this registration"))?;
    // Nobody has approved what is only being asked for.
    let approved = if step == Step::Ask { vec![] } else { copies::approvals(db, request.id).await? };
    let mut ids = vec![request.asked_by, request.recipient_id];
    ids.extend(approved.iter().map(|(person, _)| *person));
    ids.extend(input.approver.map(|(person, _)| person));
    if takes_rows {
        facts::memberships_for_share(db, &ids).await?;
    }
    let organisations = caller.organisations();
    let acting = acting(caller, &organisations);
    let found = facts::people(db, registration.id, request.differ_id, &ids, acting.as_ref(), today).await?;
    let of = |id: PersonId| {
        let unknown = PersonFacts { id, authorities: vec![] };
        found.iter().find(|person| person.id == id).cloned().unwrap_or(unknown)
    };
    let approval = |(person, emergency): (PersonId, bool)| ApprovalFacts { person: of(person), emergency };
    let progress = request.progress();
    Ok(Facts {
        registration: facts::registration(
            db,
            registration.id,
            request.differ_id,
            registration.ended_at.is_some(),
            today,
        )
        .await?,
        differ,
        request: request_facts(db, request, input.handed_in).await?,
        asker: of(request.asked_by),
        recipient: of(request.recipient_id),
        approvals: approved.into_iter().map(approval).collect(),
        approver: input.approver.map(approval),
        keys: key_facts,
        counter: counter_facts(db, registration, request, context).await?,
        shown: input.shown,
        authorisation: progress.authorisation.map(|given| AuthorisationFacts {
            lapses_at: given.lapses_at,
            left: if step == Step::HandOver { progress.left_to_hand_over() } else { progress.left_to_cut() },
        }),
        step_quantity: input.quantity,
        ..Facts::at(step, now)
    })
}

async fn request_facts(
    db: &mut PgConnection,
    request: &CopyRequest,
    handed_in: bool,
) -> Result<RequestFacts, ActError> {
    let extensions = match request.extends_request_id {
        Some(extended) => copies::extensions_of(db, extended).await?.saturating_add(1),
        None => 0,
    };
    let replaced = match request.replaces_key_id {
        Some(key) => Some(replaced_key(db, request, key, handed_in).await?),
        None => None,
    };
    Ok(RequestFacts {
        quantity: request.quantity.unsigned_abs(),
        purpose: request.purpose,
        asked_at: request.asked_at,
        needed_from: request.needed_from,
        due_back_on: request.due_back_on,
        extends: request.extends_request_id.is_some(),
        extensions,
        emergency_reason: request.emergency_reason.is_some(),
        replaced,
    })
}

async fn replaced_key(
    db: &mut PgConnection,
    request: &CopyRequest,
    id: KeyId,
    handed_in: bool,
) -> Result<ReplacedKey, ActError> {
    let key = keys::key(db, id).await?;
    let theirs =
        key.filter(|key| key.differ_id == request.differ_id && key.holder_id == Some(request.recipient_id));
    let Some(key) = theirs else { return Ok(ReplacedKey::default()) };
    let loss = losses::of_key(db, id).await?;
    Ok(ReplacedKey {
        with_recipient: key.state == KeyState::WithPerson,
        missing: key.state.is_missing(),
        handed_in,
        replaced_before: keys::is_replaced(db, id, request.id).await?,
        charge: loss.as_ref().map_or(ChargeState::None, |loss| loss.charge),
        waived_by: loss.and_then(|loss| Slug::parse(loss.waived_by_post.as_deref()?).ok()),
    })
}

async fn counter_facts(
    db: &mut PgConnection,
    registration: &Registration,
    request: &CopyRequest,
    context: StepContext<'_>,
) -> Result<CounterFacts, ActError> {
    let (counter, section, today) = (request.counter_id, registration.section_id, context.now.date());
    if context.takes_rows && matches!(context.step, Step::Look | Step::Cut) {
        counters::appointments_for_share(db, counter, section).await?;
    }
    let account = match (context.step, context.takes_rows) {
        (Step::Cut, true) => blanks::account_for_update(db, counter, section).await?,
        (Step::Cut, false) => blanks::account(db, counter, section).await?,
        _ => None,
    };
    let blanks = account.map_or(0, |account| account.on_hand.unsigned_abs());
    Ok(CounterFacts { appointed: counters::is_appointed(db, counter, section, today).await?, blanks })
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
        quantity = i32::try_from(out).unwrap_or(i32::MAX);
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
