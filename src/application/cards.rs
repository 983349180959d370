//! Owner's cards as records: number, state, PIN.

use secrecy::SecretString;
use serde_json::json;
use time::{Date, Duration};

use super::access::{self, Caller};
use super::{Act, ActError, App};
use crate::domain::decision::facts::PinOutcome;
use crate::domain::ids::{CardId, PersonId, RegistrationId};
use crate::domain::number::TypedNumber;
use crate::domain::records::Card;
use crate::domain::register::CardState;
use crate::storage::{Page, authorities};

/// PIN attempts before a pause is asked for.
pub const FREE_PIN_ATTEMPTS: i32 = 3;

/// Issues a card to a person with an authority in force.
pub async fn issue(
    act: &mut Act<'_>,
    registration: RegistrationId,
    person: PersonId,
    expires_on: Option<Date>,
) -> Result<Card, ActError> {
    let (record, access) = access::locked_for(act, registration).await?;
    access.require(access.governs())?;
    access::require_active(&record)?;
    let today = act.today();
    if authorities::in_force(act.db(), registration, Some(person), &[], today).await?.is_empty() {
        return Err(ActError::invalid("/person_id", "has no authority in force on this registration"));
    }
    let latest = today + Duration::days(366 * 5);
    let expires_on = expires_on.unwrap_or(today + Duration::days(365 * 2));
    if expires_on < today || expires_on > latest {
        return Err(ActError::invalid("/expires_on", "must be from today to five years ahead"));
    }
    let digits = u64::from_be_bytes(act.outside().bytes());
    let card = Card {
        id: act.id(),
        registration_id: registration,
        person_id: person,
        number: TypedNumber::from_value(digits),
        state: CardState::Valid,
        expires_on,
        pin_set: false,
    };
    let now = act.now;
    if let Err(error) = authorities::add_card(act.db(), &card, now).await {
        return Err(match error.violated() {
            Some("cards_one_current") => ActError::Conflict("this person has a card; revoke it first"),
            _ => error.into(),
        });
    }
    act.record_change("card.issued", Some(registration), card.id.0, vec![("person", json!(person))]).await?;
    Ok(card)
}

/// Cards of a registration: all for those who see all, else one's own.
pub async fn all(
    app: &App,
    caller: &Caller,
    registration: RegistrationId,
    page: Page,
) -> Result<Vec<Card>, ActError> {
    let today = app.outside.clock.now().date();
    let mut db = app.pool.acquire().await?;
    let (_, access) = access::visible(&mut db, caller, registration, today).await?;
    if access.sees_all() {
        return Ok(authorities::cards(&mut db, registration, page).await?);
    }
    let mut own = authorities::cards(&mut db, registration, Page::ALL).await?;
    own.retain(|card| caller.person() == Some(card.person_id));
    Ok(page.of(own, |card| card.id.0))
}

/// Suspends, reinstates or revokes a card; a revoked card stays revoked. Holders may suspend or
/// revoke their own.
pub async fn set_state(act: &mut Act<'_>, id: CardId, state: CardState) -> Result<Card, ActError> {
    let found = authorities::card(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = access::locked_for(act, found.registration_id).await?;
    let own = act.caller.person() == Some(found.person_id);
    if !own && !access.sees_all() {
        return Err(ActError::NotFound);
    }
    access.require(access.governs() || (own && state != CardState::Valid))?;
    let found = authorities::card(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if found.state == CardState::Revoked || found.state == state {
        return Err(ActError::WrongState {
            state: found.state.as_str(),
            detail: format!("a card that is {} cannot be set to {state}", found.state),
        });
    }
    let now = act.now;
    authorities::set_card_state(act.db(), id, state, now).await?;
    let what = match state {
        CardState::Valid => "card.reinstated",
        CardState::Suspended => "card.suspended",
        CardState::Revoked => "card.revoked",
    };
    act.record_change(what, Some(found.registration_id), id.0, vec![]).await?;
    Ok(Card { state, ..found })
}

/// Sets the PIN of the caller's own card; the hash was made before.
pub async fn set_pin(act: &mut Act<'_>, id: CardId, pin_hash: &str) -> Result<Card, ActError> {
    let person = act.caller.require_person()?;
    let found = authorities::card(act.db(), id).await?.ok_or(ActError::NotFound)?;
    if found.person_id != person {
        return Err(ActError::NotFound);
    }
    access::locked_for(act, found.registration_id).await?;
    if found.state == CardState::Revoked {
        return Err(ActError::WrongState {
            state: "revoked",
            detail: "a revoked card gets no PIN".to_owned(),
        });
    }
    let now = act.now;
    authorities::set_pin(act.db(), id, pin_hash, now).await?;
    act.record_change("card.pin_set", Some(found.registration_id), id.0, vec![]).await?;
    Ok(Card { pin_set: true, ..found })
}

/// What was shown at a counter: looked at before the transaction of the act.
pub struct Shown {
    /// The card, if its number is known.
    pub card: Option<authorities::ShownCard>,
    /// A number was given.
    pub number_given: bool,
    /// What came of the PIN.
    pub pin: PinOutcome,
}

/// Looks at a card and checks its PIN. Each attempt counts before it is looked at.
pub async fn look_at(
    app: &App,
    number: Option<&TypedNumber>,
    pin: Option<SecretString>,
) -> Result<Shown, ActError> {
    let Some(number) = number else {
        return Ok(Shown { card: None, number_given: false, pin: PinOutcome::NotGiven });
    };
    let now = app.outside.clock.now();
    let card = authorities::card_by_number(&mut *app.pool.acquire().await?, number).await?;
    let Some(pin) = pin else {
        return Ok(Shown { card, number_given: true, pin: PinOutcome::NotGiven });
    };
    let hash = card.as_ref().and_then(|card| card.pin_hash.clone());
    if let Some(card) = &card {
        let counted =
            authorities::count_pin_attempt(&mut *app.pool.acquire().await?, card.id, now, FREE_PIN_ATTEMPTS)
                .await?;
        if !counted {
            return Ok(Shown { card: None, number_given: true, pin: PinOutcome::Blocked }.with(card));
        }
    }
    let right = app.passwords.is_right(pin, hash).await?;
    if let (true, Some(card)) = (right, &card) {
        authorities::forget_pin_attempts(&mut *app.pool.acquire().await?, card.id, now).await?;
    }
    let pin = if right { PinOutcome::Right } else { PinOutcome::Wrong };
    Ok(Shown { card, number_given: true, pin })
}

impl Shown {
    fn with(self, card: &authorities::ShownCard) -> Self {
        Self { card: Some(card.clone()), ..self }
    }
}
