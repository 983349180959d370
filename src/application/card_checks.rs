//! The check of a card at a counter: one call, from a token that was scanned or a number that was typed.
//!
//! Nothing is decided here: like a dry run, a check says what a decision would be. It counts PIN
//! attempts, and keeps the checks that ended with a no for the supplier's signals.

use secrecy::{ExposeSecret, SecretString};
use time::OffsetDateTime;

use super::access::Caller;
use super::cards::{Shown, look_at};
use super::copies::check::{self, MayOrder, Standing, Waiting};
use super::{ActError, App};
use crate::domain::decision::facts::{CardFacts, Collector, PinOutcome, ShownFacts};
use crate::domain::ids::{CardId, CounterId, PersonId, RegistrationId};
use crate::domain::number::TypedNumber;
use crate::domain::records::{Authority, Person, Registration};
use crate::domain::register::{CardState, DocumentKind};
use crate::storage::cards::{Refusal, ShownCard};
use crate::storage::{authorities, cards, people, register, sections};

/// What was presented.
pub struct Presented {
    /// What the QR code holds.
    pub token: Option<SecretString>,
    /// The number, typed.
    pub number: Option<TypedNumber>,
    /// The PIN that was entered.
    pub pin: Option<SecretString>,
    /// The document that was seen.
    pub document: Option<DocumentKind>,
}

/// Why a check ended with a no.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct No {
    /// A stable code.
    pub code: &'static str,
    /// For a person to read.
    pub sentence: String,
}

impl No {
    fn new(code: &'static str, sentence: impl Into<String>) -> Self {
        Self { code, sentence: sentence.into() }
    }
}

/// A card that counts, and what it opens.
pub struct Good {
    /// Whose.
    pub holder: Person,
    /// Of which registration.
    pub registration: Registration,
    /// The holder's authorities in force.
    pub authorities: Vec<Authority>,
    /// What the holder may order here now, and why not.
    pub may_order: Vec<MayOrder>,
    /// What waits here for the holder, and what is still to do.
    pub waiting: Vec<Waiting>,
}

/// What a check found.
pub struct Checked {
    /// When.
    pub at: OffsetDateTime,
    /// The card, where it is one of this register.
    pub card: Option<ShownCard>,
    /// What came of the PIN.
    pub pin: PinOutcome,
    /// Why not, or what is behind the card.
    pub found: Result<Good, No>,
}

/// Checks a card at a counter of the caller's dealer.
pub async fn check(
    app: &App,
    caller: &Caller,
    counter: CounterId,
    presented: Presented,
) -> Result<Checked, ActError> {
    let now = app.outside.clock.now();
    if !caller.works_at(&mut *app.pool.acquire().await?, counter).await? {
        return Err(ActError::NotFound);
    }
    let number = match (&presented.token, presented.number) {
        (Some(token), None) => app.cards.verify(token.expose_secret(), now).map(|claims| claims.sub),
        (None, Some(number)) => Ok(number),
        _ => return Err(ActError::invalid("/token", "either a token or a card_number is checked")),
    };
    let (shown, found) = match number {
        Err(error) => (Shown::default(), Err(No::new(error.code(), error.to_string()))),
        Ok(number) => {
            let shown = look_at(app, Some(&number), presented.pin).await?;
            let found = behind(app, caller, counter, &shown, presented.document, now).await?;
            (shown, found)
        }
    };
    let checked = Checked { at: now, card: shown.card, pin: shown.pin, found };
    if let Some(code) = checked.refusal() {
        let card = checked.card.as_ref().map(|card| card.id);
        keep(app, caller, counter, card, code, now).await?;
    }
    Ok(checked)
}

impl Checked {
    /// The code under which the check counts as one that failed.
    fn refusal(&self) -> Option<&'static str> {
        match (&self.found, self.pin) {
            (Err(no), _) => Some(no.code),
            (Ok(_), PinOutcome::Wrong) => Some("pin_wrong"),
            (Ok(_), PinOutcome::Blocked) => Some("pin_blocked"),
            (Ok(_), PinOutcome::Right | PinOutcome::NotGiven) => None,
        }
    }
}

async fn keep(
    app: &App,
    caller: &Caller,
    counter: CounterId,
    card: Option<CardId>,
    code: &'static str,
    now: OffsetDateTime,
) -> Result<(), ActError> {
    let refusal = Refusal { id: app.outside.id(now), counter, card, code, by: caller.actor() };
    Ok(cards::add_refusal(&mut *app.pool.acquire().await?, &refusal, now).await?)
}

/// What is behind a card that was shown.
async fn behind(
    app: &App,
    caller: &Caller,
    counter: CounterId,
    shown: &Shown,
    document: Option<DocumentKind>,
    now: OffsetDateTime,
) -> Result<Result<Good, No>, ActError> {
    let today = now.date();
    let Some(card) = &shown.card else {
        return Ok(Err(No::new("card_unknown", "No card of this register has this number.")));
    };
    let mut db = app.pool.acquire().await?;
    let lost = || ActError::Internal("a card without its registration or holder".to_owned());
    let registration = register::registration(&mut db, card.registration_id).await?.ok_or_else(lost)?;
    if !sections::is_appointed(&mut db, counter, registration.section_id, today).await? {
        let sentence = "This counter is not appointed for the key section of this card.";
        return Ok(Err(No::new("counter_not_appointed", sentence)));
    }
    if let Some(no) = not_current(card, now) {
        return Ok(Err(no));
    }
    let Holder { holder, authorities } =
        holder_of(&mut db, card.registration_id, card.person_id, now).await?;
    if authorities.is_empty() {
        let sentence = "The holder has no authority in force on the registration any more.";
        return Ok(Err(No::new("holder_without_authority", sentence)));
    }
    let shown = ShownFacts {
        card: Some(CardFacts {
            state: card.state,
            expires_on: card.expires_on,
            of_registration: true,
            of_person: true,
        }),
        pin: shown.pin,
        document,
        collector: Collector::Recipient,
        collected_by: Some(card.person_id),
        signature: false,
    };
    let standing = Standing { caller, counter, person: card.person_id, shown, now };
    let (may_order, waiting) = check::at_counter(&mut db, &registration, &authorities, &standing).await?;
    Ok(Ok(Good { holder, registration, authorities, may_order, waiting }))
}

fn not_current(card: &ShownCard, now: OffsetDateTime) -> Option<No> {
    match card.state {
        CardState::Revoked => {
            Some(No::new("card_revoked", "The card was revoked. Keep it, and tell the supplier."))
        }
        CardState::Suspended => {
            Some(No::new("card_suspended", "The card is suspended. Its owner can have it reinstated."))
        }
        CardState::Valid if card.expires_on < now.date() => {
            Some(No::new("card_expired", "The card is past its last day. Its owner can have it replaced."))
        }
        CardState::Valid => None,
    }
}

struct Holder {
    holder: Person,
    authorities: Vec<Authority>,
}

/// The holder with the authorities that are in force, those of organisations too for which they act.
async fn holder_of(
    db: &mut sqlx::PgConnection,
    registration: RegistrationId,
    person: PersonId,
    now: OffsetDateTime,
) -> Result<Holder, ActError> {
    let today = now.date();
    let lost = || ActError::Internal("a card without its holder".to_owned());
    let holder = people::person(db, person).await?.ok_or_else(lost)?;
    let seats = people::seats(db, person, today).await?;
    let organisations: Vec<uuid::Uuid> = seats.iter().map(|seat| seat.organisation.0).collect();
    let authorities = authorities::in_force(db, registration, Some(person), &organisations, today).await?;
    Ok(Holder { holder, authorities })
}
