//! Owner's cards.

pub mod checks;

use axum::response::IntoResponse;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing, Secret};
use crate::operation::Conflict;
use crate::problem::Problem;
use crate::reply::{HandlerResult, List, file, kept_nowhere, ok, printing, response};
use crate::scopes::Read;
use application::cards::{Credentials, Face};
use application::{ActError, App, Reply, cards};
use domain::calendar::Day;
use domain::cards::{Card, CardState, PIN_DIGITS};
use domain::copies::DocumentKind;
use domain::ids::{CardId, PersonId, RegistrationId};
use domain::numbers::TypedNumber;
use print::{CardFace, Letter, PrintError, card_pdf, card_svg, letter_pdf};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(issue_card, list_cards))
        .routes(operations!(set_card_state))
        .routes(operations!(read_card))
        .routes(operations!(replace_card))
        .routes(operations!(read_card_token))
        .routes(operations!(print_card))
        .routes(operations!(print_letter))
        .routes(operations!(show_card))
        .routes(operations!(set_pin))
        .routes(operations!(reset_pin))
}

body! {
    /// A card to issue.
    pub struct NewCard {
        /// The person who gets it.
        person_id: PersonId,
        /// Its last day; two years ahead, when absent.
        expires_on: Option<Day>,
    }

    /// Where a card is to stand.
    pub struct CardStateChange {
        /// The state.
        state: CardState,
    }

    /// A card in place of another.
    pub struct CardReplacement {
        /// Its last day; two years ahead, when absent.
        expires_on: Option<Day>,
    }

    /// A PIN to set.
    pub struct NewPin {
        /// Four to eight digits, not all the same.
        #[schema(value_type = String, format = Password, pattern = "^[0-9]{4,8}$")]
        pin: Secret,
        /// The present PIN, where the card has one.
        #[schema(value_type = Option<String>, format = Password, max_length = 8)]
        current_pin: Option<Secret>,
    }
}

/// Issue a card to somebody else with an authority in force (owner, agent, supplier).
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/cards", tag = "cards",
    responses((status = 201, body = Card)))]
async fn issue_card(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewCard>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let issued = cards::issue(act, id, body.person_id, body.expires_on.map(|day| day.0)).await?;
        Reply::created(&issued, format!("/v1/registrations/{id}/cards"))
    })
    .await
}

/// Cards of a registration: keyholders see their own.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/cards", tag = "cards",
    responses((status = 200, body = List<Card>)))]
async fn list_cards(call: Call<Read>, Id(id): Id<RegistrationId>, list: Listing<ListQuery>) -> HandlerResult {
    let found = cards::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Suspend, reinstate or revoke a card; its holder may suspend or revoke it.
#[utoipa::path(post, path = "/v1/cards/{card_id}/state", tag = "cards",
    responses((status = 200, body = Card)))]
async fn set_card_state(
    call: Call,
    Id(id): Id<CardId>,
    Idempotent { key, body }: Idempotent<CardStateChange>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let changed = cards::set_state(act, id, body.state).await?;
        Reply::ok(&changed)
    })
    .await
}

/// A card, for its holder and for those who see all of the registration.
#[utoipa::path(get, path = "/v1/cards/{card_id}", tag = "cards", responses((status = 200, body = Card)))]
async fn read_card(call: Call<Read>, Id(id): Id<CardId>) -> HandlerResult {
    let found = cards::card(&mut call.read().await?, id).await?;
    ok(&found)
}

/// The token of a card: what its QR code holds.
#[derive(Serialize, ToSchema)]
struct CardTokenView {
    /// A JWS in the compact form.
    token: String,
}

/// The token of a card, for its holder's own programs (its holder, owner, agent, supplier).
///
/// A card that counts no more is not shown and not printed.
#[utoipa::path(get, path = "/v1/cards/{card_id}/token", tag = "cards",
    responses((status = 200, body = CardTokenView),
        (status = 409, response = Conflict)))]
async fn read_card_token(call: Call, Id(id): Id<CardId>) -> HandlerResult {
    let token = cards::face(&mut call.read().await?, id).await?.token;
    Ok((kept_nowhere("application/json"), axum::Json(CardTokenView { token })).into_response())
}

/// What is printed of a face.
async fn printed<T: Send + 'static>(
    face: Face,
    print: impl FnOnce(&CardFace<'_>, &Letter<'_>) -> Result<T, PrintError> + Send + 'static,
) -> Result<T, ActError> {
    let work = move || {
        let (number, registration) = (face.card.number.grouped(), face.registration.grouped());
        let expires_on = face.card.expires_on.to_string();
        let card = CardFace {
            supplier: &face.supplier,
            number: &number,
            expires_on: &expires_on,
            token: &face.token,
        };
        print(&card, &Letter { holder: &face.holder, registration: &registration })
    };
    printing(work).await
}

/// A card to print, of the size of a bank card (its holder, owner, agent, supplier).
///
/// A card that counts no more is not shown and not printed.
#[utoipa::path(get, path = "/v1/cards/{card_id}/card.pdf", tag = "cards",
    responses((status = 200, content_type = "application/pdf", body = Vec<u8>),
        (status = 409, response = Conflict)))]
async fn print_card(call: Call, Id(id): Id<CardId>) -> HandlerResult {
    let face = cards::face(&mut call.read().await?, id).await?;
    let pdf = printed(face, |card, _| card_pdf(card)).await?;
    Ok((file("application/pdf", "attachment; filename=\"card.pdf\""), pdf).into_response())
}

/// A letter on A4 with the card in it (its holder, owner, agent, supplier).
///
/// A card that counts no more is not shown and not printed.
#[utoipa::path(get, path = "/v1/cards/{card_id}/letter.pdf", tag = "cards",
    responses((status = 200, content_type = "application/pdf", body = Vec<u8>),
        (status = 409, response = Conflict)))]
async fn print_letter(call: Call, Id(id): Id<CardId>) -> HandlerResult {
    let face = cards::face(&mut call.read().await?, id).await?;
    let pdf = printed(face, letter_pdf).await?;
    Ok((file("application/pdf", "attachment; filename=\"letter.pdf\""), pdf).into_response())
}

/// A card for the screen of a phone (its holder, owner, agent, supplier).
///
/// A card that counts no more is not shown and not printed.
#[utoipa::path(get, path = "/v1/cards/{card_id}/card.svg", tag = "cards",
    responses((status = 200, content_type = "image/svg+xml", body = String),
        (status = 409, response = Conflict)))]
async fn show_card(call: Call, Id(id): Id<CardId>) -> HandlerResult {
    let face = cards::face(&mut call.read().await?, id).await?;
    let svg = printed(face, |card, _| card_svg(card)).await?;
    Ok((file("image/svg+xml; charset=utf-8", "inline; filename=\"card.svg\""), svg).into_response())
}

/// Replace a card that is worn, lost or about to expire (owner, agent, supplier): the old one counts no
/// more; the PIN stays.
#[utoipa::path(post, path = "/v1/cards/{card_id}/replacement", tag = "cards",
    responses((status = 201, body = Card)))]
async fn replace_card(
    call: Call,
    Id(id): Id<CardId>,
    Idempotent { key, body }: Idempotent<CardReplacement>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let card = cards::replace(act, id, body.expires_on.map(|day| day.0)).await?;
        Reply::created(&card, format!("/v1/cards/{}", card.id))
    })
    .await
}

/// Set the PIN of one's own card: the first one freely, another against the present one.
#[utoipa::path(post, path = "/v1/cards/{card_id}/pin", tag = "cards", responses((status = 200, body = Card)))]
async fn set_pin(
    call: Call,
    Id(id): Id<CardId>,
    Idempotent { key, body }: Idempotent<NewPin>,
) -> HandlerResult {
    let pin = body.pin.bounded("/pin", *PIN_DIGITS.end())?;
    let present = body.current_pin.map(|pin| pin.bounded("/current_pin", *PIN_DIGITS.end())).transpose()?;
    Ok(response(cards::set_pin(&call.app, &call.caller, &key, id, (pin, present)).await?))
}

/// What is shown at a counter, from the fields of a body.
pub(crate) fn credentials(
    card: Option<TypedNumber>,
    pin: Option<Secret>,
    document: Option<DocumentKind>,
) -> Result<Credentials, Problem> {
    let pin = pin.map(|pin| pin.bounded("/pin", *PIN_DIGITS.end())).transpose()?;
    Ok(Credentials { card, pin, document })
}

/// Reset a forgotten PIN (owner, agent, supplier; not of one's own card): the holder sets a new one.
#[utoipa::path(post, path = "/v1/cards/{card_id}/pin-reset", tag = "cards",
    responses((status = 200, body = Card)))]
async fn reset_pin(
    call: Call,
    Id(id): Id<CardId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let changed = cards::reset_pin(act, id).await?;
        Reply::ok(&changed)
    })
    .await
}
