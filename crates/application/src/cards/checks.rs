//! The check of a card at a counter: one call, from a token that was scanned or a number that was typed.
//!
//! Nothing is decided here: like a dry run, a check says what a decision would be. It counts PIN
//! attempts, and keeps the checks that ended with a no for the supplier's signals.

use std::collections::BTreeSet;

use secrecy::{ExposeSecret, SecretString};
use serde::Serialize;
use sqlx::PgConnection;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;

use crate::caller::Caller;
use crate::cards::{Credentials, pin_outcome};
use crate::copies::outlook;
use crate::copies::outlook::{MayOrder, PersonAtCounter, WaitingRequest};
use crate::register::rules;
use crate::{ActError, App};
use domain::cards::{CardStanding, CardState};
use domain::copies::decision::facts::{CardFacts, PinOutcome, ShownFacts};
use domain::ids::{CardId, CounterId, PersonId, RegistrationId};
use domain::numbers::TypedNumber;
use domain::rights::authorities::AuthorityClass;
use storage::cards;
use storage::cards::{CardAtCounter, CheckRefusal, ShownCard};
use storage::rights::authorities;

/// A card to check: by what its QR code holds, or by the number that was typed.
pub struct CardToCheck {
    /// What the QR code holds.
    pub token: Option<SecretString>,
    /// What is shown besides.
    pub credentials: Credentials,
}

/// Why a check ended with a no.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CardRefusal {
    /// A stable code: `card_unknown`, `card_revoked`, `card_suspended`, `card_expired`,
    /// `holder_without_authority`, `counter_not_appointed`, or `token_…` for a token that is not taken.
    code: &'static str,
    /// For a person to read.
    sentence: String,
}

impl CardRefusal {
    fn new(code: &'static str, sentence: impl Into<String>) -> Self {
        Self { code, sentence: sentence.into() }
    }
}

/// The card that was checked.
#[derive(Debug, Serialize, ToSchema)]
pub struct CheckedCard {
    /// Its id.
    id: CardId,
    /// Its state.
    state: CardState,
    /// Its last day.
    expires_on: Date,
    /// A PIN was set.
    pin_set: bool,
}

impl From<&ShownCard> for CheckedCard {
    fn from(card: &ShownCard) -> Self {
        Self { id: card.id, state: card.state, expires_on: card.expires_on, pin_set: card.pin_hash.is_some() }
    }
}

/// Whose the card is.
#[derive(Debug, Serialize, ToSchema)]
pub struct CardHolder {
    /// The person.
    id: PersonId,
    /// The name, to be compared with the document.
    name: String,
    /// The classes of the authorities in force.
    classes: BTreeSet<AuthorityClass>,
    /// It is the holder's own home.
    occupier: bool,
}

/// The registration that the card is of.
#[derive(Debug, Serialize, ToSchema)]
pub struct CheckedRegistration {
    /// Its id.
    id: RegistrationId,
    /// Its number.
    number: TypedNumber,
}

/// Whose a card is that counts, and what it opens; nothing of one that is refused.
#[derive(Debug, Default, Serialize, ToSchema)]
pub struct CardRights {
    /// The person whose card it is.
    holder: Option<CardHolder>,
    /// The registration that it belongs to.
    registration: Option<CheckedRegistration>,
    /// What the holder may order here now, and why not.
    may_order: Vec<MayOrder>,
    /// What waits here for the holder.
    waiting: Vec<WaitingRequest>,
}

/// What the check of a card found.
#[derive(Debug, Serialize, ToSchema)]
pub struct CardCheck {
    /// Checked with the register itself; a check without a network says `offline`.
    #[schema(examples("online"))]
    checked: &'static str,
    /// When the card was checked.
    #[serde(with = "time::serde::rfc3339")]
    at: OffsetDateTime,
    /// Why not; absent when the card counts.
    refused: Option<CardRefusal>,
    /// The card, where it is one of this register.
    card: Option<CheckedCard>,
    /// What came of the PIN.
    pin: PinOutcome,
    #[serde(flatten)]
    behind: CardRights,
}

/// Checks a card at a counter of the caller's dealer.
pub async fn check(
    app: &App,
    caller: &Caller,
    counter: CounterId,
    CardToCheck { token, credentials }: CardToCheck,
) -> Result<CardCheck, ActError> {
    app.log.require_agreement()?;
    let now = app.outside.clock.now();
    let number = match (&token, credentials.card) {
        (Some(token), None) => app.cards.verify(token.expose_secret(), now).map(|claims| claims.sub),
        (None, Some(number)) => Ok(number),
        _ => return Err(ActError::invalid("/token", "give either a token or a card_number")),
    };
    let mut db = app.pool.acquire().await?;
    let found = cards::at_counter(&mut db, counter, number.as_ref().ok(), now.date()).await?;
    let behind = match found {
        Some((dealer, behind)) if caller.sits_in(dealer) => behind,
        _ => return Err(ActError::NotFound),
    };
    // Cards of sections for which the counter is not appointed are none of its business: a number that was
    // typed is as good as unknown, and no PIN is tried.
    let elsewhere = behind.as_ref().is_some_and(|behind| !behind.appointed);
    let behind = behind.filter(|behind| behind.appointed);
    let pin_given = credentials.pin.is_some() && number.is_ok();
    let pin = if pin_given {
        // Not while a connection is held: the hash takes its time.
        drop(db);
        let pin = pin_outcome(app, behind.as_ref().map(|behind| &behind.card), credentials.pin).await?;
        db = app.pool.acquire().await?;
        pin
    } else {
        PinOutcome::NotGiven
    };
    let card = behind.as_ref().map(|behind| CheckedCard::from(&behind.card));
    let found = match (number, behind) {
        (Err(error), _) => Err(CardRefusal::new(error.code(), error.to_string())),
        (Ok(_), None) if elsewhere && token.is_some() => Err(CardRefusal::new(
            "counter_not_appointed",
            "This counter is not appointed for the key section of this card.",
        )),
        (Ok(_), None) => Err(CardRefusal::new("card_unknown", "No card of this register has this number.")),
        (Ok(_), Some(behind)) => {
            let standing = PersonAtCounter {
                outside: &app.outside,
                caller,
                counter,
                person: behind.card.person_id,
                now,
            };
            let shown = ShownFacts { pin, document: credentials.document, ..shown(&behind.card) };
            opened(&mut db, behind, standing, shown).await?
        }
    };
    let (refused, behind) = match found {
        Ok(behind) => (None, behind),
        Err(no) => (Some(no), CardRights::default()),
    };
    let checked = CardCheck { checked: "online", at: now, refused, card, pin, behind };
    if let Some(code) = checked.refusal() {
        let card = checked.card.as_ref().map(|card| card.id);
        let refusal = CheckRefusal { id: app.outside.id(now), counter, card, code, by: caller.actor() };
        cards::add_refusal(&mut db, &refusal, now).await?;
    }
    Ok(checked)
}

impl CardCheck {
    /// The code under which the check counts as one that failed.
    fn refusal(&self) -> Option<&'static str> {
        match (&self.refused, self.pin) {
            (Some(no), _) => Some(no.code),
            (None, PinOutcome::Wrong) => Some("pin_wrong"),
            (None, PinOutcome::Blocked) => Some("pin_blocked"),
            (None, PinOutcome::Right | PinOutcome::NotGiven) => None,
        }
    }
}

/// The card as the facts have it.
fn shown(card: &ShownCard) -> ShownFacts {
    let card_facts =
        CardFacts { state: card.state, expires_on: card.expires_on, of_registration: true, of_person: true };
    ShownFacts { card: Some(card_facts), collected_by: Some(card.person_id), ..ShownFacts::default() }
}

/// What a card opens, or why it does not.
async fn opened(
    db: &mut PgConnection,
    behind: CardAtCounter,
    standing: PersonAtCounter<'_>,
    shown: ShownFacts,
) -> Result<Result<CardRights, CardRefusal>, ActError> {
    let CardAtCounter { card, registration, rules, holder, .. } = behind;
    if let Some(no) = not_current(&card, standing.now) {
        return Ok(Err(no));
    }
    let today = standing.now.date();
    let authorities = authorities::in_force_of(db, registration.id, card.person_id, today).await?;
    if authorities.is_empty() {
        let sentence = "The holder has no authority in force on the registration any more.";
        return Ok(Err(CardRefusal::new("holder_without_authority", sentence)));
    }
    let rules = rules::parsed(rules)?;
    let (may_order, waiting) =
        outlook::at_counter(db, (&registration, &rules), &authorities, &standing, &shown).await?;
    let holder = CardHolder {
        id: card.person_id,
        name: holder,
        classes: authorities.iter().map(|own| own.class).collect(),
        occupier: authorities.iter().any(|own| own.occupier),
    };
    let registration = CheckedRegistration { id: registration.id, number: registration.number };
    Ok(Ok(CardRights { holder: Some(holder), registration: Some(registration), may_order, waiting }))
}

fn not_current(card: &ShownCard, now: OffsetDateTime) -> Option<CardRefusal> {
    match card.state.on(now.date(), card.expires_on) {
        CardStanding::Revoked => {
            Some(CardRefusal::new("card_revoked", "The card was revoked. Keep it, and tell the supplier."))
        }
        CardStanding::Suspended => Some(CardRefusal::new(
            "card_suspended",
            "The card is suspended. Its owner can have it reinstated.",
        )),
        CardStanding::Expired => Some(CardRefusal::new(
            "card_expired",
            "The card is past its last day. Its owner can have it replaced.",
        )),
        CardStanding::Good => None,
    }
}
