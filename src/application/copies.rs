//! The life of a copy: ask, approve, decline, withdraw, cut, hand over, lapse.
//!
//! Every step locks the registration, loads the facts, decides again, and writes the decision with
//! its entry: refusals too. A dry run does the same without a lock and writes nothing.

use serde_json::{Value, json};
use sqlx::PgConnection;
use time::{Date, Duration, OffsetDateTime};
use uuid::Uuid;

use super::access::{self, Access, Caller};
use super::cards::Shown;
use super::keys::{add_keys, move_key};
use super::registrations::rules_in_force;
use super::{Act, ActError, App};
use crate::domain::copy_request::{Progress, RequestState};
use crate::domain::decision::facts::{
    Act as Step, ApprovalFacts, AuthorisationFacts, CardFacts, Collector, CounterFacts, Facts, PersonFacts,
    PinOutcome, ReplacedKey, RequestFacts, ShownFacts,
};
use crate::domain::decision::{Decision, Outcome, decide};
use crate::domain::ids::{CopyRequestId, CounterId, DecisionId, DifferId, KeyId, PersonId, RegistrationId};
use crate::domain::key::{KeyAct, KeyState};
use crate::domain::records::{CopyRequest, Key, Registration};
use crate::domain::register::{CardState, ChargeState, DocumentKind, Purpose};
use crate::domain::rules::Rules;
use crate::domain::text::{Remark, Slug};
use crate::storage::{Page, authorities, copies, facts, keys, people, register, sections};

use super::act::Taken;

/// What is asked for.
pub struct Ask {
    /// A key of which differ.
    pub differ: DifferId,
    /// For whom; for the asker, when absent.
    pub recipient: Option<PersonId>,
    /// Where it is to be cut.
    pub counter: CounterId,
    /// How many.
    pub quantity: i32,
    /// Why.
    pub purpose: Purpose,
    /// The key that it replaces.
    pub replaces: Option<KeyId>,
    /// From when it is needed.
    pub needed_from: Option<OffsetDateTime>,
    /// By when it comes back.
    pub due_back_on: Option<Date>,
    /// The request whose keys are to stay out longer.
    pub extends: Option<CopyRequestId>,
    /// Why the normal authority cannot act.
    pub emergency_reason: Option<Remark>,
}

/// A request and the decision that was taken on it.
pub struct Decided {
    /// The request as it is now.
    pub request: CopyRequest,
    /// The decision.
    pub decision: Decision,
    /// Its id; a dry run has none.
    pub decision_id: Option<DecisionId>,
}

/// What a step brings to the facts besides what is stored.
#[derive(Default)]
struct Brought {
    approver: Option<(PersonId, bool)>,
    shown: ShownFacts,
    surrendered: bool,
    quantity: u32,
}

/// Which step is taken, when, and by whom.
#[derive(Clone, Copy)]
struct Taking<'a> {
    step: Step,
    now: OffsetDateTime,
    caller: &'a Caller,
}

/// Whoever acts himself, with the organisations for which he may now.
fn acting<'a>(caller: &Caller, organisations: &'a [Uuid]) -> Option<facts::Acting<'a>> {
    caller.person().map(|person| facts::Acting { person, organisations })
}

/// Loads the facts of a step. The request may be a draft that is not stored.
async fn gather(
    db: &mut PgConnection,
    registration: &Registration,
    rules: &Rules,
    request: &CopyRequest,
    taking: Taking<'_>,
    brought: Brought,
) -> Result<Facts, ActError> {
    let Taking { step, now, caller } = taking;
    let today = now.date();
    let counted = facts::Counted {
        registration: registration.id,
        differ: request.differ_id,
        recipient: request.recipient_id,
        request: request.id,
        replaces: request.replaces_key_id,
        extends: request.extends_request_id,
    };
    let since = request.asked_at - Duration::days(i64::from(rules.longest_period()));
    let (differ, key_facts) = facts::differ_and_keys(db, &counted, today, since)
        .await?
        .ok_or_else(|| ActError::invalid("/differ_id", "is not a differ of this registration"))?;
    let approved = if request.id.0.is_nil() { vec![] } else { copies::approvals(db, request.id).await? };
    let mut ids = vec![request.asked_by, request.recipient_id];
    ids.extend(approved.iter().map(|(person, _)| *person));
    ids.extend(brought.approver.map(|(person, _)| person));
    if matches!(step, Step::Cut | Step::HandOver) {
        facts::hold_memberships(db, &ids).await?;
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
        registration: facts::registration(db, registration.id, registration.ended_at.is_some(), today)
            .await?,
        differ,
        request: request_facts(db, request, brought.surrendered).await?,
        asker: of(request.asked_by),
        recipient: of(request.recipient_id),
        approvals: approved.into_iter().map(approval).collect(),
        approver: brought.approver.map(approval),
        keys: key_facts,
        counter: counter_facts(db, registration, request, step, today).await?,
        shown: brought.shown,
        authorisation: progress.authorisation.map(|given| AuthorisationFacts {
            lapses_at: given.lapses_at,
            left: if step == Step::HandOver { progress.left_to_hand_over() } else { progress.left_to_cut() },
        }),
        act_quantity: brought.quantity,
        ..Facts::at(step, now)
    })
}

async fn request_facts(
    db: &mut PgConnection,
    request: &CopyRequest,
    surrendered: bool,
) -> Result<RequestFacts, ActError> {
    let extensions = match request.extends_request_id {
        Some(extended) => copies::extensions_of(db, extended).await?.saturating_add(1),
        None => 0,
    };
    let replaced = match request.replaces_key_id {
        Some(key) => Some(replaced_key(db, request, key, surrendered).await?),
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
    surrendered: bool,
) -> Result<ReplacedKey, ActError> {
    let key = keys::key(db, id).await?;
    let theirs =
        key.filter(|key| key.differ_id == request.differ_id && key.holder_id == Some(request.recipient_id));
    let Some(key) = theirs else { return Ok(ReplacedKey::default()) };
    let loss = keys::loss_of(db, id).await?;
    Ok(ReplacedKey {
        with_recipient: key.state == KeyState::WithPerson,
        missing: key.state.is_missing(),
        surrendered,
        replaced_before: keys::is_replaced(db, id, request.id).await?,
        charge: loss.as_ref().map_or(ChargeState::None, |loss| loss.charge),
        waived_by: loss.and_then(|loss| Slug::parse(loss.waived_by_post.as_deref()?).ok()),
    })
}

async fn counter_facts(
    db: &mut PgConnection,
    registration: &Registration,
    request: &CopyRequest,
    step: Step,
    today: Date,
) -> Result<CounterFacts, ActError> {
    let (counter, section) = (request.counter_id, registration.section_id);
    if step == Step::Cut {
        sections::hold_appointments(db, counter, section).await?;
        let blanks = sections::blanks_locked(db, counter, section).await?.unsigned_abs();
        let appointed = sections::is_appointed(db, counter, section, today).await?;
        return Ok(CounterFacts { appointed, blanks });
    }
    Ok(CounterFacts { appointed: sections::is_appointed(db, counter, section, today).await?, blanks: 0 })
}

/// A request as it is asked for, not stored yet.
async fn draft(
    db: &mut PgConnection,
    registration: &Registration,
    asker: PersonId,
    ask: Ask,
    now: OffsetDateTime,
) -> Result<CopyRequest, ActError> {
    let mut problems = Vec::new();
    let mut say = |pointer: &str, problem: &str| problems.push(super::FieldProblem::new(pointer, problem));
    let mut quantity = ask.quantity;
    let recipient = ask.recipient.unwrap_or(asker);
    if people::person(db, recipient).await?.is_none() {
        say("/recipient_id", "is not known");
    }
    if sections::counter(db, ask.counter).await?.is_none() {
        say("/counter_id", "is not known");
    }
    if register::own_differs(db, registration.id, &[ask.differ]).await?.is_empty() {
        say("/differ_id", "is not a differ of this registration");
    }
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
    if let Some(extended) = ask.extends {
        let extended = copies::request(db, extended).await?;
        let fits = extended.is_some_and(|extended| {
            extended.registration_id == registration.id
                && extended.differ_id == ask.differ
                && extended.recipient_id == recipient
                && extended.due_back_on.is_some()
                && extended.extends_request_id.is_none()
                && extended.state == RequestState::Completed
        });
        // It is about the keys that are out, however many were asked for.
        let out = match ask.extends {
            Some(extended) if fits => keys::out_of_request(db, extended, recipient).await?.len(),
            _ => 0,
        };
        quantity = i32::try_from(out).unwrap_or(i32::MAX);
        if out == 0 {
            say(
                "/extends_request_id",
                "is not a temporary issue of this differ whose keys are with this person",
            );
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
        id: CopyRequestId(Uuid::nil()),
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

fn apply(request: &mut CopyRequest, progress: Progress) {
    let count = |number: u32| i32::try_from(number).unwrap_or(i32::MAX);
    request.state = progress.state;
    request.authorised_at = progress.authorisation.map(|given| given.at);
    request.lapses_at = progress.authorisation.map(|given| given.lapses_at);
    request.cut_count = count(progress.cut);
    request.handed_count = count(progress.handed);
}

/// "May I?" The decision that asking would bring, and nothing written.
pub async fn may_i(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    ask: Ask,
) -> Result<Decision, ActError> {
    let asker = caller.require_person()?;
    let now = app.outside.clock.now();
    let mut db = app.pool.acquire().await?;
    let (record, _) = access::visible(&mut db, caller, registration, now.date()).await?;
    let rules = rules_in_force(&mut db, &record).await?;
    let request = draft(&mut db, &record, asker, ask, now).await?;
    let facts = gather(
        &mut db,
        &record,
        &rules,
        &request,
        Taking { step: Step::Ask, now, caller },
        Brought::default(),
    )
    .await?;
    Ok(decide(&facts, &rules))
}

/// Asks for a copy.
pub async fn ask(act: &mut Act<'_>, registration: RegistrationId, ask: Ask) -> Result<Decided, ActError> {
    let asker = act.caller.require_person()?;
    let (record, _) = access::locked_for(act, registration).await?;
    let rules = rules_in_force(act.db(), &record).await?;
    let (caller, now) = (act.caller, act.now);
    let mut request = draft(act.db(), &record, asker, ask, now).await?;
    let brought = Brought::default();
    let facts =
        gather(act.db(), &record, &rules, &request, Taking { step: Step::Ask, now, caller }, brought).await?;
    let decision = decide(&facts, &rules);
    request.id = act.id();
    apply(&mut request, Progress::asked(facts.request.quantity, decision.outcome, now, &rules.lapse));
    copies::add(act.db(), &request).await?;
    let decision_id = record_step(act, &record, &request, "ask", "copy.ask", Some(&decision), vec![]).await?;
    extend_if_authorised(act, &mut request).await?;
    Ok(Decided { request, decision, decision_id: Some(decision_id) })
}

async fn record_step(
    act: &mut Act<'_>,
    registration: &Registration,
    request: &CopyRequest,
    step: &'static str,
    what: &'static str,
    decision: Option<&Decision>,
    more: Vec<(&'static str, Value)>,
) -> Result<DecisionId, ActError> {
    let mut personal = vec![
        ("asker", json!(request.asked_by)),
        ("recipient", json!(request.recipient_id)),
        ("quantity", json!(request.quantity)),
    ];
    personal.extend(more);
    let taken = Taken {
        act: step,
        what,
        registration: registration.id,
        request: request.id,
        rules_version: registration.rules_version,
        decision,
        personal,
    };
    Ok(act.record_decision(taken).await?.0)
}

async fn store(act: &mut Act<'_>, request: &mut CopyRequest, progress: Progress) -> Result<(), ActError> {
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

/// The request, with its registration locked, if `may_see` says that the caller is one of its parties.
async fn locked_request(
    act: &mut Act<'_>,
    id: CopyRequestId,
) -> Result<(Registration, Access, CopyRequest), ActError> {
    let found = copies::request(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (record, access) = access::locked_for(act, found.registration_id).await?;
    let request = copies::request(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if sees(act.caller, &access, &request) { Ok((record, access, request)) } else { Err(ActError::NotFound) }
}

fn sees(caller: &Caller, access: &Access, request: &CopyRequest) -> bool {
    let own =
        caller.person().is_some_and(|person| person == request.asked_by || person == request.recipient_id);
    // An officer's post may let him override, whatever his scope.
    let may_approve = access
        .authorities
        .iter()
        .any(|held| (held.may_approve && held.covers(request.differ_id)) || held.post.is_some());
    own || may_approve || access.sees_all()
}

/// Approves a request. An approval that the rules do not accept is a decision too, and changes nothing.
pub async fn approve(act: &mut Act<'_>, id: CopyRequestId, emergency: bool) -> Result<Decided, ActError> {
    let approver = act.caller.require_person()?;
    let (record, _, mut request) = locked_request(act, id).await?;
    let progress = request.progress();
    let rules = rules_in_force(act.db(), &record).await?;
    let now = act.now;
    if copies::approvals(act.db(), id).await?.iter().any(|(person, _)| *person == approver) {
        return Err(ActError::Conflict("this person approved the request before"));
    }
    let brought = Brought { approver: Some((approver, emergency)), ..Brought::default() };
    let caller = act.caller;
    let facts =
        gather(act.db(), &record, &rules, &request, Taking { step: Step::Approve, now, caller }, brought)
            .await?;
    let decision = decide(&facts, &rules);
    let after = progress.approved(decision.outcome, now, &rules.lapse)?;
    let more = vec![("approver", json!(approver)), ("emergency", json!(emergency))];
    let decision_id =
        record_step(act, &record, &request, "approve", "copy.approve", Some(&decision), more).await?;
    if decision.outcome != Outcome::Refused {
        let approval =
            copies::NewApproval { id: act.id(), request: id, approver, decision: decision_id, emergency };
        copies::approve(act.db(), &approval, now).await?;
        store(act, &mut request, after).await?;
        extend_if_authorised(act, &mut request).await?;
    }
    Ok(Decided { request, decision, decision_id: Some(decision_id) })
}

/// Declines a request: by somebody with approving authority for its differ.
pub async fn decline(act: &mut Act<'_>, id: CopyRequestId) -> Result<CopyRequest, ActError> {
    act.caller.require_person()?;
    let (record, access, mut request) = locked_request(act, id).await?;
    let may = access.authorities.iter().any(|own| own.may_approve && own.covers(request.differ_id));
    access.require(may)?;
    let after = request.progress().declined()?;
    store(act, &mut request, after).await?;
    record_step(act, &record, &request, "decline", "copy.decline", None, vec![]).await?;
    Ok(request)
}

/// Withdraws a request: by the asker, the recipient, or whoever governs the registration.
pub async fn withdraw(act: &mut Act<'_>, id: CopyRequestId) -> Result<CopyRequest, ActError> {
    let (record, access, mut request) = locked_request(act, id).await?;
    let own = act
        .caller
        .person()
        .is_some_and(|person| person == request.asked_by || person == request.recipient_id);
    access.require(own || access.governs_differ(request.differ_id))?;
    let after = request.progress().withdrawn()?;
    store(act, &mut request, after).await?;
    record_step(act, &record, &request, "withdraw", "copy.withdraw", None, vec![]).await?;
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
        record_step(act, registration, &request, "stop", "copy.stop", None, vec![]).await?;
    }
    Ok(())
}

/// Whether the request is at a counter of the caller's dealer: before a PIN is looked at.
pub async fn require_at_counter(app: &App, caller: &Caller, id: CopyRequestId) -> Result<(), ActError> {
    let mut db = app.pool.acquire().await?;
    let found = copies::request(&mut db, id).await?.ok_or(ActError::NotFound)?;
    if caller.works_at(&mut db, found.counter_id).await? { Ok(()) } else { Err(ActError::NotFound) }
}

/// The request at a counter of the caller's dealer, with its registration locked.
async fn at_counter(act: &mut Act<'_>, id: CopyRequestId) -> Result<(Registration, CopyRequest), ActError> {
    let found = copies::request(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let caller = act.caller;
    if !caller.works_at(act.db(), found.counter_id).await? {
        return Err(ActError::NotFound);
    }
    let record = register::lock(act.db(), found.registration_id).await?.ok_or(ActError::NotFound)?;
    act.read_clock();
    let request = copies::request(act.db(), id).await?.ok_or(ActError::NotFound)?;
    Ok((record, request))
}

/// What was shown, as the facts have it. The card is read again under the lock: it may have been
/// revoked, or its PIN changed, since the PIN was checked.
async fn shown_facts(
    act: &mut Act<'_>,
    registration: &Registration,
    shown: &Shown,
    person: PersonId,
    document: Option<DocumentKind>,
    collector: Collector,
) -> Result<ShownFacts, ActError> {
    let now_card = match &shown.card {
        Some(card) => authorities::shown_card(act.db(), card.id).await?,
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
    Ok(ShownFacts { card, pin, document, collector, collected_by: Some(person) })
}

/// What a counter does and what it sees when it cuts.
pub struct CutStep {
    /// How many keys now.
    pub quantity: u16,
    /// What was shown.
    pub shown: Shown,
    /// The identity document that was seen.
    pub document: Option<DocumentKind>,
    /// The worn key was handed in.
    pub surrendered: bool,
}

/// Cuts keys for a request, all or some. The blanks are taken from the counter's account.
pub async fn cut(
    act: &mut Act<'_>,
    id: CopyRequestId,
    step: CutStep,
) -> Result<(Decided, Vec<Key>), ActError> {
    let (record, mut request) = at_counter(act, id).await?;
    let progress = request.progress().ready_to_cut()?;
    let rules = rules_in_force(act.db(), &record).await?;
    let now = act.now;
    let person = step.shown.card.as_ref().map_or(request.recipient_id, |card| card.person_id);
    let stands_there = if person == request.asked_by { request.asked_by } else { request.recipient_id };
    let shown =
        shown_facts(act, &record, &step.shown, stands_there, step.document, Collector::Recipient).await?;
    let quantity = u32::from(step.quantity);
    let brought = Brought { shown, surrendered: step.surrendered, quantity, approver: None };
    let caller = act.caller;
    let facts =
        gather(act.db(), &record, &rules, &request, Taking { step: Step::Cut, now, caller }, brought).await?;
    let decision = decide(&facts, &rules);
    let more = vec![("counter", json!(request.counter_id)), ("cut", json!(quantity))];
    let decision_id = record_step(act, &record, &request, "cut", "copy.cut", Some(&decision), more).await?;
    let mut made = Vec::new();
    if decision.is_permitted() {
        sections::take_blanks(act.db(), request.counter_id, record.section_id, i32::from(step.quantity))
            .await?;
        let cut = copies::NewCut {
            id: act.id(),
            request: id,
            counter: request.counter_id,
            quantity: i32::from(step.quantity),
            decision: decision_id,
        };
        copies::add_cut(act.db(), &cut, now).await?;
        if request.purpose == Purpose::ReplaceWorn {
            surrender(act, &request).await?;
        }
        made = add_keys(act, &record, request.differ_id, step.quantity, keys::Origin::Cut(cut.id)).await?;
        store(act, &mut request, progress.cut(quantity)?).await?;
    }
    Ok((Decided { request, decision, decision_id: Some(decision_id) }, made))
}

/// The old key is destroyed before the new one exists: the cap holds at every instant.
async fn surrender(act: &mut Act<'_>, request: &CopyRequest) -> Result<(), ActError> {
    let Some(id) = request.replaces_key_id else { return Ok(()) };
    let key = keys::key(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let holder = key.holder_id;
    move_key(act, key, KeyAct::Destroy, holder, None).await?;
    Ok(())
}

/// What a counter sees when keys are collected.
pub struct HandOverStep {
    /// How many keys now.
    pub quantity: u16,
    /// What was shown.
    pub shown: Shown,
    /// The identity document that was seen.
    pub document: Option<DocumentKind>,
    /// Who stands there; the recipient, when absent.
    pub collector: Option<PersonId>,
}

/// Hands keys over: they are with the recipient afterwards, whoever collects.
pub async fn hand_over(
    act: &mut Act<'_>,
    id: CopyRequestId,
    step: HandOverStep,
) -> Result<(Decided, Vec<Key>), ActError> {
    let (record, mut request) = at_counter(act, id).await?;
    let progress = request.progress().ready_to_hand_over()?;
    let rules = rules_in_force(act.db(), &record).await?;
    let (now, today) = (act.now, act.today());
    let person = step.collector.unwrap_or(request.recipient_id);
    if people::person(act.db(), person).await?.is_none() {
        return Err(ActError::invalid("/collected_by_id", "is not known"));
    }
    let collector = if person == request.recipient_id {
        Collector::Recipient
    } else if authorities::may_collect(act.db(), record.id, request.recipient_id, person, today).await? {
        Collector::Mandated
    } else {
        Collector::Other
    };
    let shown = shown_facts(act, &record, &step.shown, person, step.document, collector).await?;
    let quantity = u32::from(step.quantity);
    let brought = Brought { shown, quantity, ..Brought::default() };
    let caller = act.caller;
    let facts =
        gather(act.db(), &record, &rules, &request, Taking { step: Step::HandOver, now, caller }, brought)
            .await?;
    let decision = decide(&facts, &rules);
    let more = vec![("collector", json!(person)), ("document", json!(step.document))];
    let decision_id =
        record_step(act, &record, &request, "hand_over", "copy.hand_over", Some(&decision), more).await?;
    let mut handed = Vec::new();
    if decision.is_permitted() {
        let waiting = keys::to_hand_over(act.db(), id).await?;
        for mut key in waiting.into_iter().take(usize::from(step.quantity)) {
            key.state = key.state.after(KeyAct::Issue)?;
            key.holder_id = Some(request.recipient_id);
            key.due_back_on = request.due_back_on;
            key.version += 1;
            keys::change(act.db(), &key, now).await?;
            handed.push(key);
        }
        if handed.len() != usize::from(step.quantity) {
            return Err(ActError::WrongState {
                state: request.state.as_str(),
                detail: "some of the keys that were cut are no longer in store".to_owned(),
            });
        }
        let ids: Vec<KeyId> = handed.iter().map(|key| key.id).collect();
        let hand_over = copies::NewHandOver {
            id: act.id(),
            request: id,
            collected_by: person,
            card: step.shown.card.as_ref().map(|card| card.id),
            document: step.document,
            decision: decision_id,
            keys: &ids,
        };
        copies::add_hand_over(act.db(), &hand_over, now).await?;
        store(act, &mut request, progress.handed_over(quantity)?).await?;
    }
    Ok((Decided { request, decision, decision_id: Some(decision_id) }, handed))
}

/// Lets one authorisation lapse, if its time has run out and nobody else did. `true` when it did.
pub async fn lapse(
    act: &mut Act<'_>,
    id: CopyRequestId,
    registration: RegistrationId,
) -> Result<bool, ActError> {
    let Some(record) = register::lock(act.db(), registration).await? else { return Ok(false) };
    act.read_clock();
    let Some(mut request) = copies::request(act.db(), id).await? else { return Ok(false) };
    let due = request.lapses_at.is_some_and(|lapses_at| lapses_at <= act.now);
    if request.state != RequestState::Authorised || !due {
        return Ok(false);
    }
    let after = request.progress().lapsed()?;
    store(act, &mut request, after).await?;
    record_step(act, &record, &request, "lapse", "copy.lapse", None, vec![]).await?;
    Ok(true)
}

/// One request, for its parties and for the counter where it is to be cut.
pub async fn request(app: &App, caller: &Caller, id: CopyRequestId) -> Result<CopyRequest, ActError> {
    let mut db = app.pool.acquire().await?;
    visible_request(app, &mut db, caller, id).await
}

async fn visible_request(
    app: &App,
    db: &mut PgConnection,
    caller: &Caller,
    id: CopyRequestId,
) -> Result<CopyRequest, ActError> {
    let today = app.outside.clock.now().date();
    let request = copies::request(db, id).await?.ok_or(ActError::NotFound)?;
    if caller.works_at(db, request.counter_id).await? {
        return Ok(request);
    }
    let (_, access) = access::visible(db, caller, request.registration_id, today).await?;
    if sees(caller, &access, &request) { Ok(request) } else { Err(ActError::NotFound) }
}

/// Requests on a registration: all for those who see all or approve, else one's own.
pub async fn all(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    state: Option<RequestState>,
    page: Page,
) -> Result<Vec<CopyRequest>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    let (_, access) = access::visible(&mut db, caller, registration, today).await?;
    let approving = || access.authorities.iter().filter(|own| own.may_approve);
    let whole = access.sees_all() || approving().any(|own| own.every_differ);
    let differs: Vec<Uuid> = approving().flat_map(|own| &own.differ_ids).map(|differ| differ.0).collect();
    let only = if whole { None } else { Some((caller.person(), differs.as_slice())) };
    Ok(copies::of_registration(&mut db, registration, only, state, page).await?)
}

/// The decisions on a request, oldest first.
pub async fn decisions(
    app: &App,
    caller: &Caller,
    id: CopyRequestId,
) -> Result<Vec<copies::TakenDecision>, ActError> {
    let mut db = app.pool.acquire().await?;
    visible_request(app, &mut db, caller, id).await?;
    Ok(copies::decisions(&mut db, id).await?)
}

/// Overrides on every registration, listed apart for the supplier.
pub async fn overrides(app: &App, caller: &Caller, page: Page) -> Result<Vec<copies::Override>, ActError> {
    caller.require_keeper()?;
    Ok(copies::overrides(&mut *app.pool.acquire().await?, page).await?)
}
