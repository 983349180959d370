//! Cutting and handing over, across the counter.

use serde_json::json;

use crate::caller::Caller;
use crate::cards::{Credentials, ShownAtCounter, look_at};
use crate::copies::gather::{Question, StepInput, gather_for_act};
use crate::copies::outlook::{collector_of, collects_for};
use crate::copies::{DecidedRequest, enter_step, store};
use crate::counters::blanks::{Origin, add_difference};
use crate::keys::{add_keys, move_key, put_key};
use crate::register::rules;
use crate::{Act, ActError, App, Idempotency, Reply};
use domain::cards::CardState;
use domain::copies::decision::facts::{CardFacts, Collector, PinOutcome, ShownFacts, Step};
use domain::copies::decision::{RecordedStep, decide};
use domain::copies::signature::Signature;
use domain::copies::{CopyRequest, Purpose, RequestState};
use domain::count::number_of;
use domain::counters::blanks::surplus;
use domain::disclosures::commitment;
use domain::ids::{CopyRequestId, CounterId, CutId, DecisionId, KeyId, PersonId};
use domain::keys::{Key, KeyAct, KeyState};
use domain::register::registrations::Registration;
use storage::counters::blanks;
use storage::{StorageError, cards, copies, keys, people};

/// What goes before an act at a counter, in this order: a reply that was kept leaves here; so does somebody at
/// another counter; then the card and its PIN are looked at, which counts as an attempt and takes a hash, and
/// therefore is never done in the transaction.
async fn before_the_act(
    app: &App,
    caller: &Caller,
    key: &Idempotency,
    id: CopyRequestId,
    credentials: Credentials,
) -> Result<ShownAtCounter, ActError> {
    Act::replay(app, caller, key).await?;
    let mut db = app.pool.acquire().await?;
    let found = copies::request(&mut db, id).await?.ok_or(ActError::NotFound)?;
    if !caller.works_at(&mut db, found.counter_id).await? {
        return Err(ActError::NotFound);
    }
    drop(db);
    // A request that is over shows nothing of anybody's PIN.
    let open = found.state == RequestState::Authorised;
    look_at(app, open.then_some(found.registration_id), credentials).await
}

/// The request, its registration taken for update, at a counter where the caller works: the one that is named,
/// if one is.
pub(super) async fn at_counter(
    act: &mut Act<'_>,
    counter: Option<CounterId>,
    id: CopyRequestId,
) -> Result<(Registration, CopyRequest), ActError> {
    let found = copies::request(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let caller = act.caller;
    let elsewhere = counter.is_some_and(|counter| counter != found.counter_id);
    if elsewhere || !caller.works_at(act.db(), found.counter_id).await? {
        return Err(ActError::NotFound);
    }
    let registration = act.take_registration(found.registration_id).await?.ok_or(ActError::NotFound)?;
    let request = copies::request(act.db(), id).await?.ok_or(ActError::NotFound)?;
    Ok((registration, request))
}

/// What was shown, as the facts have it. The card is read again in the transaction: it may have been
/// revoked, or its PIN changed, since the PIN was checked.
async fn shown_facts(
    act: &mut Act<'_>,
    registration: &Registration,
    shown: &ShownAtCounter,
    (person, collector): (PersonId, Collector),
    signature: bool,
) -> Result<ShownFacts, ActError> {
    let now_card = match &shown.card {
        Some(card) => cards::shown(act.db(), card.id).await?,
        None => None,
    };
    let same_pin =
        now_card.as_ref().map(|card| &card.pin_hash) == shown.card.as_ref().map(|card| &card.pin_hash);
    let today = act.today();
    let card = match now_card {
        Some(card) => Some(CardFacts {
            state: card.state,
            expires_on: card.expires_on,
            of_registration: card.registration_id == registration.id,
            of_person: card.person_id == person,
        }),
        // A number that belongs to no card at all.
        None if shown.number_given => Some(CardFacts {
            state: CardState::Valid,
            expires_on: today,
            of_registration: false,
            of_person: false,
        }),
        None => None,
    };
    let pin = match shown.pin {
        _ if card.is_none() => PinOutcome::NotGiven,
        PinOutcome::Right if !same_pin => PinOutcome::Wrong,
        outcome => outcome,
    };
    let document = shown.document;
    Ok(ShownFacts { card, pin, document, signature, collector, collected_by: Some(person) })
}

/// What a counter does and what it sees when it cuts.
pub struct CutStep {
    /// How many keys now.
    pub quantity: u32,
    /// The worn key was handed in.
    pub handed_in: bool,
}

/// Cuts keys for a request, all or some. The blanks are taken from the counter's account.
pub async fn cut(
    app: &App,
    caller: &Caller,
    key: &Idempotency,
    (id, credentials): (CopyRequestId, Credentials),
    step: CutStep,
    reply: impl FnOnce(DecidedRequest, Vec<Key>) -> Result<Reply, ActError>,
) -> Result<Reply, ActError> {
    let shown = before_the_act(app, caller, key, id, credentials).await?;
    Act::once(app, caller, key, async |act| {
        let (decided, keys) = cut_shown(act, id, &shown, &step).await?;
        reply(decided, keys)
    })
    .await
}

async fn cut_shown(
    act: &mut Act<'_>,
    id: CopyRequestId,
    shown: &ShownAtCounter,
    step: &CutStep,
) -> Result<(DecidedRequest, Vec<Key>), ActError> {
    let CutStep { quantity, handed_in } = *step;
    let (registration, mut request) = at_counter(act, None, id).await?;
    request.progress().ready_to_cut()?;
    let rules = rules::in_force(act.db(), &registration).await?;
    let person = shown.card.as_ref().map_or(request.recipient_id, |card| card.person_id);
    let stands_there = if person == request.asked_by { request.asked_by } else { request.recipient_id };
    let shown = shown_facts(act, &registration, shown, (stands_there, Collector::Recipient), false).await?;
    let input = StepInput { shown, handed_in, quantity, approver: None };
    let question = Question { step: Step::Cut, request: &request, input };
    let facts = gather_for_act(act, &registration, &rules, question).await?;
    let decision = decide(&facts, &rules);
    let more = vec![("counter", json!(request.counter_id)), ("cut", json!(quantity))];
    let recorded = enter_step(act, &registration, &request, RecordedStep::Cut, Some(&decision), more).await?;
    let mut made = Vec::new();
    if decision.is_permitted() {
        let making = KeysToMake { quantity, handed_in, decision: recorded.decision, dead: false };
        (_, made) = make_keys(act, &registration, &mut request, &making, false).await?;
    }
    Ok((DecidedRequest { request, decision, recorded }, made))
}

/// Keys that are made under a decision.
pub(super) struct KeysToMake {
    pub(super) quantity: u32,
    pub(super) handed_in: bool,
    pub(super) decision: DecisionId,
    /// No lock answers to the differ any more.
    pub(super) dead: bool,
}

/// Makes keys: blanks are taken, a worn key goes, the new ones exist. Gives back the cut and the keys.
///
/// Without a network keys are cut before this service hears of them. Such a cut is a fact: refusing it would
/// leave keys in the world that no register knows. What the account does not cover is then recorded as a difference, and keys of a differ that died meanwhile are recorded and dead at once.
pub(super) async fn make_keys(
    act: &mut Act<'_>,
    registration: &Registration,
    request: &mut CopyRequest,
    making: &KeysToMake,
    as_fact: bool,
) -> Result<(CutId, Vec<Key>), ActError> {
    let (quantity, now) = (making.quantity, act.now);
    let account = blanks::account_for_update(act.db(), request.counter_id, registration.section_id).await?;
    let account = account.ok_or(ActError::Conflict("the counter has no account for this section"))?;
    let cut = copies::NewCut {
        id: act.id(),
        request: request.id,
        counter: request.counter_id,
        quantity,
        decision: making.decision,
    };
    copies::add_cut(act.db(), &cut, now).await?;
    let (account, unknown) =
        if as_fact { account.cut_as_fact(quantity)? } else { (account.cut(quantity)?, 0) };
    blanks::save(act.db(), &account).await?;
    add_difference(act, &account, surplus(unknown, 0), Origin::Cut(cut.id)).await?;
    if request.purpose == Purpose::ReplaceWorn && making.handed_in {
        surrender(act, request).await?;
    }
    let origin = keys::Origin::Cut(cut.id);
    let mut made = add_keys(act, registration, request.differ_id, making.quantity, origin).await?;
    if making.dead {
        for key in &mut made {
            *key = move_key(act, key.clone(), KeyAct::Die, None, None).await?;
        }
    }
    let progress = request.progress();
    let progress =
        if as_fact { progress.cut_as_fact(making.quantity) } else { progress.cut(making.quantity)? };
    store(act, request, progress).await?;
    Ok((cut.id, made))
}

/// The old key is destroyed before the new one exists: the cap holds at every instant.
async fn surrender(act: &mut Act<'_>, request: &CopyRequest) -> Result<(), ActError> {
    let Some(id) = request.replaces_key_id else { return Ok(()) };
    let key = keys::key(act.db(), id).await?.ok_or(ActError::NotFound)?;
    // A cut that is brought in late may find that the old key went another way meanwhile.
    if key.state == KeyState::WithPerson && key.holder_id == Some(request.recipient_id) {
        let holder = key.holder_id;
        move_key(act, key, KeyAct::Destroy, holder, None).await?;
    }
    Ok(())
}

/// What a counter sees when keys are collected.
pub struct HandOverStep {
    /// How many keys now.
    pub quantity: u32,
    /// Who stands there; the recipient, when absent.
    pub collector: Option<PersonId>,
    /// The signature that was drawn.
    pub signature: Option<Signature>,
}

/// Hands keys over: they are with the recipient afterwards, whoever collects.
pub async fn hand_over(
    app: &App,
    caller: &Caller,
    key: &Idempotency,
    (id, credentials): (CopyRequestId, Credentials),
    step: HandOverStep,
    reply: impl FnOnce(DecidedRequest, Vec<Key>) -> Result<Reply, ActError>,
) -> Result<Reply, ActError> {
    let shown = before_the_act(app, caller, key, id, credentials).await?;
    Act::once(app, caller, key, async |act| {
        let (decided, keys) = hand_over_shown(act, id, &shown, &step).await?;
        reply(decided, keys)
    })
    .await
}

async fn hand_over_shown(
    act: &mut Act<'_>,
    id: CopyRequestId,
    seen: &ShownAtCounter,
    step: &HandOverStep,
) -> Result<(DecidedRequest, Vec<Key>), ActError> {
    let (registration, mut request) = at_counter(act, None, id).await?;
    let progress = request.progress().ready_to_hand_over()?;
    let rules = rules::in_force(act.db(), &registration).await?;
    let (now, today) = (act.now, act.today());
    let person = step.collector.unwrap_or(request.recipient_id);
    if people::present(act.db(), person).await?.is_none() {
        return Err(ActError::invalid("/collected_by_id", "is not known"));
    }
    let collects_for = collects_for(act.db(), std::slice::from_ref(&request), person, today).await?;
    let collector = collector_of(&request, person, &collects_for);
    let signed = step.signature.is_some();
    let shown = shown_facts(act, &registration, seen, (person, collector), signed).await?;
    let input = StepInput { shown, quantity: step.quantity, ..StepInput::default() };
    let question = Question { step: Step::HandOver, request: &request, input };
    let facts = gather_for_act(act, &registration, &rules, question).await?;
    let decision = decide(&facts, &rules);
    let signature = step.signature.as_ref().map(Signature::json);
    let more = vec![
        ("collector", json!(person)),
        ("document", json!(seen.document)),
        ("signature", json!(signature.as_deref().map(commitment))),
    ];
    let recorded =
        enter_step(act, &registration, &request, RecordedStep::HandOver, Some(&decision), more).await?;
    let mut handed = Vec::new();
    if decision.is_permitted() {
        handed = keys_out(act, &request, step.quantity).await?;
        let ids: Vec<KeyId> = handed.iter().map(|key| key.id).collect();
        let hand_over = copies::NewHandOver {
            id: act.id(),
            request: id,
            collected_by: person,
            card: seen.card.as_ref().map(|card| card.id),
            document: seen.document,
            decision: recorded.decision,
            keys: &ids,
        };
        copies::add_hand_over(act.db(), &hand_over, now).await?;
        if let Some(strokes) = &signature {
            let added = copies::add_signature(act.db(), hand_over.id, strokes, &commitment(strokes)).await;
            added.map_err(signature_error)?;
        }
        store(act, &mut request, progress.handed_over(step.quantity)?).await?;
    }
    Ok((DecidedRequest { request, decision, recorded }, handed))
}

/// A signature stands for one hand-over: the same strokes again are a copy of them.
pub(crate) fn signature_error(error: StorageError) -> ActError {
    match error.violated() {
        Some("signatures_pkey") => ActError::invalid("/signature", "was given before: sign anew"),
        _ => error.into(),
    }
}

/// Keys of a request that were cut go to its recipient, whoever collects them.
async fn keys_out(act: &mut Act<'_>, request: &CopyRequest, quantity: u32) -> Result<Vec<Key>, ActError> {
    let mut handed = Vec::new();
    let waiting = keys::to_hand_over(act.db(), request.id).await?;
    for (key, _) in waiting.into_iter().zip(0..quantity) {
        let recipient = Some(request.recipient_id);
        handed.push(put_key(act, key, KeyAct::Issue, recipient, request.due_back_on).await?);
    }
    if number_of(handed.len()) == quantity {
        Ok(handed)
    } else {
        Err(ActError::WrongState {
            state: request.state.as_str(),
            detail: "some of the keys that were cut are no longer in store".to_owned(),
        })
    }
}
