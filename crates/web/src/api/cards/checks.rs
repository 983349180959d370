//! The check of a card at a counter.

use axum::response::IntoResponse;
use serde::Serialize;
use time::{Date, OffsetDateTime};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::cards::presented;
use crate::extract::{Body, Call, Id, Secret};
use crate::reply::{HandlerResult, kept_nowhere};
use application::App;
use application::cards::checks;
use application::cards::checks::{CardCheck, CardToCheck};
use application::copies::check::{MayOrder, WaitingRequest};
use domain::cards::CardState;
use domain::copies::decision::Decision;
use domain::copies::decision::facts::{PinOutcome, Step};
use domain::copies::decision::reason::Code;
use domain::copies::{CopyRequest, DocumentKind};
use domain::differs::Level;
use domain::ids::{CardId, CounterId, DifferId, PersonId, RegistrationId};
use domain::numbers::TypedNumber;
use domain::rights::authorities::{Authority, AuthorityClass};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(operations!(check_card))
}

body! {
    /// A card to check: either what its QR code holds, or its number.
    pub struct NewCardCheck {
        /// What the QR code holds.
        #[schema(value_type = Option<String>, max_length = 1000)]
        token: Option<Secret>,
        /// The number, typed.
        card_number: Option<TypedNumber>,
        /// The PIN that its holder entered.
        #[schema(value_type = Option<String>, format = Password, max_length = 8)]
        pin: Option<Secret>,
        /// The kind of identity document that was seen.
        document_seen: Option<DocumentKind>,
    }
}

/// Why a check ended with a no.
#[derive(Serialize, ToSchema)]
struct RefusalView {
    /// A stable code: `card_unknown`, `card_revoked`, `card_suspended`, `card_expired`,
    /// `holder_without_authority`, `counter_not_appointed`, or `token_…` for a token that is not taken.
    code: String,
    /// For a person to read.
    sentence: String,
}

/// The card.
#[derive(Serialize, ToSchema)]
struct CheckedCardView {
    /// Its id.
    id: CardId,
    /// Where it stands.
    state: CardState,
    /// Its last day.
    expires_on: Date,
    /// A PIN was set.
    pin_set: bool,
}

/// Whose it is.
#[derive(Serialize, ToSchema)]
struct HolderView {
    /// The person.
    id: PersonId,
    /// The name, to be compared with the document.
    name: String,
    /// The classes of the authorities in force.
    classes: Vec<AuthorityClass>,
    /// It is the holder's own home.
    occupier: bool,
}

/// The registration.
#[derive(Serialize, ToSchema)]
struct CheckedRegistrationView {
    /// Its id.
    id: RegistrationId,
    /// Its number.
    number: TypedNumber,
}

/// Whether one more key of a differ may be ordered now.
#[derive(Serialize, ToSchema)]
struct MayOrderView {
    /// The differ.
    differ_id: DifferId,
    /// Its number.
    differ: String,
    /// What it opens.
    level: Level,
    /// The decision that asking for one key would bring, with every reason.
    decision: Decision,
}

/// A request of the holder that waits at this counter.
#[derive(Serialize, ToSchema)]
struct WaitingView {
    /// The request.
    copy_request: CopyRequest,
    /// Its next step.
    next: Step,
    /// What is only still to be shown, entered, signed or approved.
    still_to_do: Vec<Code>,
    /// Whether nothing else stands against it.
    otherwise_permitted: bool,
    /// The decision as things are now.
    decision: Decision,
}

/// What the check of a card found.
#[derive(Serialize, ToSchema)]
struct CardCheckView {
    /// Checked with the register itself; a check without a network says `offline`.
    #[schema(examples("online"))]
    checked: &'static str,
    /// When the card was checked.
    #[serde(with = "time::serde::rfc3339")]
    at: OffsetDateTime,
    /// Why not; absent when the card counts.
    refused: Option<RefusalView>,
    /// The card, where it is one of this register.
    card: Option<CheckedCardView>,
    /// What came of the PIN.
    pin: PinOutcome,
    /// Whose it is.
    holder: Option<HolderView>,
    /// Of which registration.
    registration: Option<CheckedRegistrationView>,
    /// What the holder may order here now, and why not.
    may_order: Vec<MayOrderView>,
    /// What waits here for the holder.
    waiting: Vec<WaitingView>,
}

impl From<MayOrder> for MayOrderView {
    fn from(found: MayOrder) -> Self {
        let MayOrder { differ, decision } = found;
        Self { differ_id: differ.id, differ: differ.number, level: differ.level, decision }
    }
}

impl From<WaitingRequest> for WaitingView {
    fn from(found: WaitingRequest) -> Self {
        Self {
            copy_request: found.request,
            next: found.step,
            otherwise_permitted: found.decision.is_otherwise_permitted(),
            still_to_do: found.decision.still_to_do(),
            decision: found.decision,
        }
    }
}

fn classes(authorities: &[Authority]) -> Vec<AuthorityClass> {
    let mut classes: Vec<AuthorityClass> = authorities.iter().map(|own| own.class).collect();
    classes.sort_unstable();
    classes.dedup();
    classes
}

impl From<CardCheck> for CardCheckView {
    fn from(checked: CardCheck) -> Self {
        let card = checked.card.map(|card| CheckedCardView {
            id: card.id,
            state: card.state,
            expires_on: card.expires_on,
            pin_set: card.pin_hash.is_some(),
        });
        let nothing = Self {
            checked: "online",
            at: checked.at,
            refused: None,
            card,
            pin: checked.pin,
            holder: None,
            registration: None,
            may_order: vec![],
            waiting: vec![],
        };
        match checked.found {
            Err(no) => {
                let refused = RefusalView { code: no.code.to_owned(), sentence: no.sentence };
                Self { refused: Some(refused), ..nothing }
            }
            Ok(good) => Self {
                holder: Some(HolderView {
                    id: good.holder.0,
                    name: good.holder.1,
                    classes: classes(&good.authorities),
                    occupier: good.authorities.iter().any(|own| own.occupier),
                }),
                registration: Some(CheckedRegistrationView {
                    id: good.registration.id,
                    number: good.registration.number,
                }),
                may_order: good.may_order.into_iter().map(MayOrderView::from).collect(),
                waiting: good.waiting.into_iter().map(WaitingView::from).collect(),
                ..nothing
            },
        }
    }
}

/// Check a card that is shown at a counter (its staff): what it is, whose, what its holder may order
/// here now and why not, and what is still to be done. Nothing is decided and no key is needed; a PIN
/// counts as an attempt.
#[utoipa::path(post, path = "/v1/counters/{counter_id}/card-checks", tag = "cards",
    responses((status = 200, body = CardCheckView)))]
async fn check_card(call: Call, Id(id): Id<CounterId>, Body(body): Body<NewCardCheck>) -> HandlerResult {
    let token = body.token.map(|token| token.bounded("/token", 1000)).transpose()?;
    let presented = presented(body.card_number, body.pin, body.document_seen)?;
    let checked = checks::check(&call.app, &call.caller, id, CardToCheck { token, presented }).await?;
    Ok((kept_nowhere("application/json"), axum::Json(CardCheckView::from(checked))).into_response())
}
