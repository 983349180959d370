//! Owner's cards: issued, replaced, suspended, revoked; their PINs; what is printed on them.

pub mod checks;
pub mod status_lists;

use secrecy::{ExposeSecret, SecretString};
use serde_json::json;
use time::{Date, Duration};

use crate::access::Access;
use crate::caller::Caller;
use crate::{Act, ActError, App, Idempotency, Read, Reply, access};
use crypto::passwords::Lane;
use domain::cards::{Card, CardStanding, CardState, is_pin};
use domain::copies::DocumentKind;
use domain::copies::decision::facts::PinOutcome;
use domain::ids::{CardId, PersonId, RegistrationId};
use domain::numbers::TypedNumber;
use storage::cards::ShownCard;
use storage::register::registrations;
use storage::rights::authorities;
use storage::{Portion, cards, people};

/// PIN attempts before a pause is asked for.
pub const FREE_PIN_ATTEMPTS: i32 = 3;

/// Issues a card to a person with an authority in force.
pub async fn issue(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    person: PersonId,
    expires_on: Option<Date>,
) -> Result<Card, ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    // Whoever took over an account would have a card with a PIN of their own as well.
    access.require(access.governs() && act.caller.person() != Some(person))?;
    act.caller.require_second_factor()?;
    access::require_active(&registration)?;
    let today = act.today();
    let current = cards::all(act.db(), registration_id, Portion::ALL).await?.into_iter();
    for card in current.filter(|card| card.person_id == person) {
        match card.state.on(today, card.expires_on) {
            CardStanding::Revoked => {}
            CardStanding::Expired => retire(act, &card, "card.expired").await?,
            CardStanding::Good | CardStanding::Suspended => {
                return Err(ActError::Conflict("this person has a card; replace or revoke it"));
            }
        }
    }
    add(act, registration_id, person, expires_on, None).await
}

/// Revokes the cards of a registration that ends.
pub(super) async fn revoke_all(act: &mut Act<'_>, registration: RegistrationId) -> Result<(), ActError> {
    let all = cards::all(act.db(), registration, Portion::ALL).await?;
    for card in all.iter().filter(|card| card.state != CardState::Revoked) {
        revoke_with_right(act, card).await?;
    }
    Ok(())
}

/// Revokes a card since the right behind it has ended.
pub(super) async fn revoke_with_right(act: &mut Act<'_>, card: &Card) -> Result<(), ActError> {
    retire(act, card, "card.revoked").await
}

/// Issues a card in place of one that is worn, lost or about to expire; the old one counts no more. The
/// PIN stays: to replace a card is no way round it.
pub async fn replace(act: &mut Act<'_>, id: CardId, expires_on: Option<Date>) -> Result<Card, ActError> {
    let (old, access) = card_for_update(act, id).await?;
    access.require(access.governs())?;
    act.caller.require_second_factor()?;
    let registration =
        registrations::registration(act.db(), old.registration_id).await?.ok_or(ActError::NotFound)?;
    access::require_active(&registration)?;
    match old.state {
        CardState::Valid | CardState::Suspended => retire(act, &old, "card.replaced").await?,
        CardState::Revoked => {
            return Err(ActError::WrongState {
                state: "revoked",
                detail: "a revoked card is not replaced; a new one may be issued".to_owned(),
            });
        }
    }
    let new = add(act, old.registration_id, old.person_id, expires_on, Some(id)).await?;
    let Some(hash) = cards::shown(act.db(), id).await?.and_then(|card| card.pin_hash) else { return Ok(new) };
    let now = act.now;
    cards::set_pin(act.db(), new.id, Some(&hash), now).await?;
    Ok(Card { pin_set: true, ..new })
}

async fn retire(act: &mut Act<'_>, card: &Card, what: &'static str) -> Result<(), ActError> {
    let now = act.now;
    cards::set_state(act.db(), card.id, CardState::Revoked, now).await?;
    act.enter_change(what, Some(card.registration_id), card.id.0, vec![]).await
}

async fn add(
    act: &mut Act<'_>,
    registration: RegistrationId,
    person: PersonId,
    expires_on: Option<Date>,
    replaces_id: Option<CardId>,
) -> Result<Card, ActError> {
    let today = act.today();
    if authorities::in_force_of(act.db(), registration, person, today).await?.is_empty() {
        return Err(ActError::invalid("/person_id", "has no authority in force on this registration"));
    }
    let latest = today + Duration::days(366 * 5);
    let expires_on = expires_on.unwrap_or(today + Duration::days(365 * 2));
    if expires_on < today || expires_on > latest {
        return Err(ActError::invalid("/expires_on", "must be from today to five years ahead"));
    }
    let (status_list, status_index) = status_lists::draw_place(act).await?;
    let digits = u64::from_be_bytes(act.outside().bytes());
    let card = Card {
        id: act.id(),
        registration_id: registration,
        person_id: person,
        number: TypedNumber::from_value(digits),
        state: CardState::Valid,
        expires_on,
        pin_set: false,
        status_list,
        status_index,
        replaces_id,
    };
    let (now, app) = (act.now, act.app());
    cards::add(act.db(), &card, now).await?;
    cards::need_key(act.db(), app.cards.keys.signs_with()?, Some(expires_on)).await?;
    act.enter_change("card.issued", Some(registration), card.id.0, vec![("person", json!(person))]).await?;
    Ok(card)
}

/// A card with its registration taken for update, for those who see it: its holder, and those who see all.
async fn card_for_update(act: &mut Act<'_>, id: CardId) -> Result<(Card, Access), ActError> {
    let found = cards::card(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = act.registration_for_update(found.registration_id).await?;
    access.require_sight(act.caller.person() == Some(found.person_id) || access.sees_all())?;
    Ok((cards::card(act.db(), id).await?.ok_or(ActError::NotFound)?, access))
}

/// A card, for its holder and for those who see all.
pub async fn card(read: &mut Read<'_>, id: CardId) -> Result<Card, ActError> {
    let found = cards::card(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = read.registration_of(found.registration_id, found.id).await?;
    let may = read.caller.person() == Some(found.person_id) || access.sees_all();
    access.require_sight(may)?;
    Ok(found)
}

/// What is printed on a card.
pub struct Face {
    /// The card.
    pub card: Card,
    /// Its token, which the QR code holds.
    pub token: String,
    /// Whose register it is.
    pub supplier: String,
    /// Whose card it is, for the letter; never on the card.
    pub holder: String,
    /// The number of its registration, for the letter.
    pub registration: TypedNumber,
}

/// What is printed on a card: for its holder and for whoever governs the registration.
pub async fn face(read: &mut Read<'_>, id: CardId) -> Result<Face, ActError> {
    let card = cards::card(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (registration, access) = read.registration_of(card.registration_id, card.id).await?;
    let own = read.caller.person() == Some(card.person_id);
    access.require_sight(own || access.sees_all())?;
    access.require(own || access.governs())?;
    let no_more = |state| ActError::WrongState {
        state,
        detail: "a card that counts no more is not printed".to_owned(),
    };
    match card.state.on(read.today, card.expires_on) {
        CardStanding::Revoked => return Err(no_more("revoked")),
        CardStanding::Expired => return Err(no_more("expired")),
        CardStanding::Good | CardStanding::Suspended => {}
    }
    let index = u32::try_from(card.status_index).map_err(|error| ActError::Internal(error.to_string()))?;
    let token = read.app.cards.token(&card.number, card.expires_on, (card.status_list, index))?;
    let supplier = people::supplier(&mut read.db)
        .await?
        .ok_or_else(|| ActError::Internal("a register without a supplier".to_owned()))?;
    let holder = people::person(&mut read.db, card.person_id).await?.ok_or(ActError::NotFound)?.name;
    Ok(Face { card, token, supplier: supplier.name, holder, registration: registration.number })
}

/// Cards of a registration: all for those who see all, else one's own.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Card>, ActError> {
    let (_, access) = read.registration(registration).await?;
    if access.sees_all() {
        return Ok(cards::all(&mut read.db, registration, access.portion(portion)).await?);
    }
    let mut own = cards::all(&mut read.db, registration, Portion::ALL).await?;
    own.retain(|card| read.caller.person() == Some(card.person_id));
    Ok(portion.of(own, |card| card.id.0))
}

/// Suspends, reinstates or revokes a card; a revoked card stays revoked. Holders may suspend or
/// revoke their own.
pub async fn set_state(act: &mut Act<'_>, id: CardId, state: CardState) -> Result<Card, ActError> {
    let (found, access) = card_for_update(act, id).await?;
    let own = act.caller.person() == Some(found.person_id);
    access.require(access.governs() || (own && state != CardState::Valid))?;
    if found.state == CardState::Revoked || found.state == state {
        return Err(ActError::WrongState {
            state: found.state.as_str(),
            detail: format!("a card that is {} cannot be set to {state}", found.state),
        });
    }
    let now = act.now;
    cards::set_state(act.db(), id, state, now).await?;
    let what = match state {
        CardState::Valid => "card.reinstated",
        CardState::Suspended => "card.suspended",
        CardState::Revoked => "card.revoked",
    };
    act.enter_change(what, Some(found.registration_id), id.0, vec![]).await?;
    Ok(Card { state, ..found })
}

/// Whether the caller's own card has a PIN that was proved now: looked at before the transaction.
enum Proof {
    /// The present PIN was right; its hash.
    Right(String),
    /// It was not given.
    NotGiven,
}

/// Looks at the present PIN of the caller's own card, before it is changed. The attempt counts.
async fn prove_pin(
    app: &App,
    caller: &Caller,
    id: CardId,
    present: Option<SecretString>,
) -> Result<Proof, ActError> {
    let Some(present) = present else { return Ok(Proof::NotGiven) };
    let card = cards::shown(&mut *app.pool.acquire().await?, id).await?.ok_or(ActError::NotFound)?;
    if Some(card.person_id) != caller.person() {
        return Err(ActError::NotFound);
    }
    let wrong = || ActError::invalid("/current_pin", "is wrong, or was wrong too often");
    match (try_pin(app, &card, present).await?, card.pin_hash) {
        (PinOutcome::Right, Some(hash)) => Ok(Proof::Right(hash)),
        _ => Err(wrong()),
    }
}

/// Sets the PIN of the caller's own card. The first one freely; another against the present one. A
/// forgotten PIN is reset by somebody who governs the registration.
///
/// Both PINs are hashed before the transaction, never in it: a hash takes tens of milliseconds.
pub async fn set_pin(
    app: &App,
    caller: &Caller,
    key: &Idempotency,
    id: CardId,
    (new, present): (SecretString, Option<SecretString>),
) -> Result<Reply, ActError> {
    if !is_pin(new.expose_secret()) {
        return Err(ActError::invalid("/pin", "must be four to eight digits, not all the same"));
    }
    Act::replay(app, caller, key).await?;
    let proof = prove_pin(app, caller, id, present).await?;
    let hash = app.hash(Lane::Pin, new).await?;
    Act::once(app, caller, key, async |act| Reply::ok(&keep_pin(act, id, &hash, proof).await?)).await
}

async fn keep_pin(act: &mut Act<'_>, id: CardId, hash: &str, proof: Proof) -> Result<Card, ActError> {
    let person = act.caller.require_person()?;
    let (found, _) = card_for_update(act, id).await?;
    if found.person_id != person {
        return Err(ActError::NotFound);
    }
    if found.state == CardState::Revoked {
        return Err(ActError::WrongState {
            state: "revoked",
            detail: "a revoked card gets no PIN".to_owned(),
        });
    }
    let present = cards::shown(act.db(), id).await?.and_then(|card| card.pin_hash);
    match (present, proof) {
        (None, _) => {}
        (Some(present), Proof::Right(proved)) if present == proved => {}
        (Some(_), _) => {
            return Err(ActError::invalid(
                "/current_pin",
                "is needed: the card has a PIN. Whoever governs the registration can reset it",
            ));
        }
    }
    let now = act.now;
    cards::set_pin(act.db(), id, Some(hash), now).await?;
    act.enter_change("card.pin_set", Some(found.registration_id), id.0, vec![]).await?;
    Ok(Card { pin_set: true, ..found })
}

/// Takes a forgotten PIN away, so that its holder sets a new one. Nobody does it for their own card:
/// whoever took over an account would have the card as well.
pub async fn reset_pin(act: &mut Act<'_>, id: CardId) -> Result<Card, ActError> {
    let (found, access) = card_for_update(act, id).await?;
    let own = act.caller.person() == Some(found.person_id);
    access.require(access.governs() && !own)?;
    act.caller.require_second_factor()?;
    if !found.pin_set {
        return Err(ActError::WrongState { state: "no_pin", detail: "the card has no PIN".to_owned() });
    }
    let now = act.now;
    cards::set_pin(act.db(), id, None, now).await?;
    act.enter_change("card.pin_reset", Some(found.registration_id), id.0, vec![]).await?;
    Ok(Card { pin_set: false, ..found })
}

/// What is shown at a counter.
pub struct Credentials {
    /// The number of an owner's card.
    pub card: Option<TypedNumber>,
    /// The PIN that its holder entered.
    pub pin: Option<SecretString>,
    /// The identity document that was seen.
    pub document: Option<DocumentKind>,
}

/// What was shown at a counter: looked at before the transaction of the act.
pub(crate) struct ShownAtCounter {
    /// The card, if its number is known.
    pub card: Option<ShownCard>,
    /// A number was given.
    pub number_given: bool,
    /// What came of the PIN.
    pub pin: PinOutcome,
    /// The identity document that was seen.
    pub document: Option<DocumentKind>,
}

/// Looks at a card and checks its PIN, if it is a card of the registration; of any other no PIN is tried, so that a
/// counter learns and blocks nothing that is not its business. It takes as long.
pub(crate) async fn look_at(
    app: &App,
    registration: Option<RegistrationId>,
    credentials: Credentials,
) -> Result<ShownAtCounter, ActError> {
    let Credentials { card: number, pin, document } = credentials;
    let Some(number) = number else {
        let pin = PinOutcome::NotGiven;
        return Ok(ShownAtCounter { card: None, number_given: false, pin, document });
    };
    let card = cards::shown_by_number(&mut *app.pool.acquire().await?, &number).await?;
    let own = card.as_ref().filter(|card| Some(card.registration_id) == registration);
    let pin = pin_outcome(app, own, pin).await?;
    Ok(ShownAtCounter { card, number_given: true, pin, document })
}

/// What comes of a PIN that was entered, or was not.
pub(super) async fn pin_outcome(
    app: &App,
    card: Option<&ShownCard>,
    pin: Option<SecretString>,
) -> Result<PinOutcome, ActError> {
    match (card, pin) {
        (_, None) => Ok(PinOutcome::NotGiven),
        (Some(card), Some(pin)) => try_pin(app, card, pin).await,
        // It takes as long as with a card.
        (None, Some(pin)) => {
            app.is_right(Lane::Pin, pin, None).await?;
            Ok(PinOutcome::Wrong)
        }
    }
}

/// Tries a PIN. Each attempt counts before it is looked at.
async fn try_pin(app: &App, card: &ShownCard, pin: SecretString) -> Result<PinOutcome, ActError> {
    let now = app.outside.clock.now();
    let mut db = app.pool.acquire().await?;
    let counted = cards::count_pin_attempt(&mut db, card.id, now, FREE_PIN_ATTEMPTS).await?;
    drop(db);
    if !counted {
        tracing::warn!(card.id = %card.id, "pin.blocked");
        return Ok(PinOutcome::Blocked);
    }
    if !app.is_right(Lane::Pin, pin, card.pin_hash.clone()).await? {
        tracing::warn!(card.id = %card.id, "pin.wrong");
        return Ok(PinOutcome::Wrong);
    }
    cards::forget_pin_attempts(&mut *app.pool.acquire().await?, card.id, now).await?;
    Ok(PinOutcome::Right)
}

/// Every key that signed cards which are still good has to be known, at least its public half: without
/// it they would be refused. From now on that holds for the key that signs, too. Keys that were withdrawn,
/// since somebody else knows them, are not asked for.
pub async fn require_keys(app: &App, withdrawn: &[String]) -> Result<(), ActError> {
    let signs_with = app.cards.keys.signs_with()?;
    tracing::info!(signs_with, withdrawn = ?withdrawn, "card_keys.in_use");
    let mut db = app.pool.acquire().await?;
    cards::need_key(&mut db, signs_with, None).await?;
    let needed = cards::needed_keys(&mut db, app.outside.clock.now().date()).await?;
    if let Some(given) = withdrawn.iter().find(|kid| app.cards.keys.has(kid)) {
        return Err(ActError::Internal(format!(
            "the card key {given} was withdrawn and is given all the same"
        )));
    }
    let unknown = |kid: &String| !app.cards.keys.has(kid) && !withdrawn.contains(kid);
    let missing: Vec<String> = needed.into_iter().filter(unknown).collect();
    if missing.is_empty() {
        Ok(())
    } else {
        Err(ActError::Internal(format!(
            "cards that are still good need the card keys {}",
            missing.join(", ")
        )))
    }
}
