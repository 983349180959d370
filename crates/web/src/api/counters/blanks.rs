//! Blanks at a counter: sent, acknowledged, spoiled, sent back, counted, and what differs.

use utoipa_axum::router::OpenApiRouter;

use crate::api::{ListQuery, list_query};
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, ok};
use crate::scopes::{Blanks, Read};
use application::counters::blanks;
use application::counters::blanks::NewMovement;
use application::{App, Idempotency, Reply};
use domain::count::{BlankCount, BlanksCounted};
use domain::counters::blanks::{BlankAccount, BlankDifference, BlankMovement, Explanation, MovementKind};
use domain::ids::{BlankDifferenceId, BlankMovementId, CopyRequestId, CounterId, SectionId};
use domain::text::Remark;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(read_blanks))
        .routes(operations!(send_blanks))
        .routes(operations!(spoil_blanks))
        .routes(operations!(return_blanks))
        .routes(operations!(count_blanks))
        .routes(operations!(limit_blanks))
        .routes(operations!(list_blank_movements))
        .routes(operations!(confirm_blank_movement))
        .routes(operations!(list_blank_differences))
        .routes(operations!(explain_blank_difference))
}

body! {
    /// Blanks that are sent or sent back.
    pub struct MovedBlanks {
        /// The key section that it belongs to.
        section_id: SectionId,
        /// The number of blanks.
        quantity: BlankCount,
        /// What there is to say.
        remark: Option<Remark>,
    }

    /// Blanks that were spoiled.
    pub struct SpoiledBlanks {
        /// The key section that it belongs to.
        section_id: SectionId,
        /// How many blanks were spoiled.
        quantity: BlankCount,
        /// The copy that was being cut.
        copy_request_id: Option<CopyRequestId>,
        /// What happened.
        remark: Option<Remark>,
    }

    /// Blanks that were counted.
    pub struct CountedBlanks {
        /// The key section that it belongs to.
        section_id: SectionId,
        /// How many there are.
        counted: BlanksCounted,
    }

    /// How many blanks a counter may have.
    pub struct BlankLimit {
        /// The key section that it belongs to.
        section_id: SectionId,
        /// On hand and on the way together; no limit, when absent.
        most_blanks: Option<BlanksCounted>,
    }

    /// The confirmation of the other side, or of a witness.
    pub struct Confirmation {
        /// How many there were; as many as stated, when absent.
        counted: Option<BlanksCounted>,
    }

    /// What is behind a difference.
    pub struct DifferenceExplanation {
        /// What it was. Only a difference that a count found moves the book.
        explanation: Explanation,
        /// In words; needed for `other`.
        remark: Option<Remark>,
    }
}

list_query! {
    /// Which differences.
    pub struct DifferenceQuery {
        /// Only those that nobody has explained yet.
        open: bool,
    }
}

/// The blank accounts of a counter (its dealer, or the supplier).
#[utoipa::path(get, path = "/v1/counters/{counter_id}/blanks", tag = "blanks",
    responses((status = 200, body = List<BlankAccount>)))]
async fn read_blanks(call: Call<Read>, Id(id): Id<CounterId>) -> HandlerResult {
    let items = blanks::accounts(&mut call.read().await?, id).await?;
    ok(&List { items })
}

async fn record(
    call: &Call<Blanks>,
    key: &Idempotency,
    (counter, kind): (CounterId, MovementKind),
    new: NewMovement,
) -> HandlerResult {
    call.act(key, async |act| {
        let movement = blanks::record(act, counter, kind, new).await?;
        Reply::created(&movement, format!("/v1/counters/{counter}/blank-movements"))
    })
    .await
}

impl From<MovedBlanks> for NewMovement {
    fn from(body: MovedBlanks) -> Self {
        let quantity = body.quantity.get();
        Self { section: body.section_id, quantity, request: None, remark: body.remark }
    }
}

/// Send blanks to a counter (supplier). They are on the way until the counter has confirmed them; none
/// are sent beyond its limit.
#[utoipa::path(post, path = "/v1/counters/{counter_id}/consignments", tag = "blanks",
    responses((status = 201, body = BlankMovement)))]
async fn send_blanks(
    call: Call<Blanks>,
    Id(id): Id<CounterId>,
    Idempotent { key, body }: Idempotent<MovedBlanks>,
) -> HandlerResult {
    record(&call, &key, (id, MovementKind::Consignment), body.into()).await
}

/// Record blanks that were spoiled (a person of the counter's staff); somebody else confirms it as a witness.
#[utoipa::path(post, path = "/v1/counters/{counter_id}/spoiled-blanks", tag = "blanks",
    responses((status = 201, body = BlankMovement)))]
async fn spoil_blanks(
    call: Call<Blanks>,
    Id(id): Id<CounterId>,
    Idempotent { key, body }: Idempotent<SpoiledBlanks>,
) -> HandlerResult {
    let new = NewMovement {
        section: body.section_id,
        quantity: body.quantity.get(),
        request: body.copy_request_id,
        remark: body.remark,
    };
    record(&call, &key, (id, MovementKind::Spoil), new).await
}

/// Send blanks back (the counter's staff); the supplier confirms what came.
#[utoipa::path(post, path = "/v1/counters/{counter_id}/blank-returns", tag = "blanks",
    responses((status = 201, body = BlankMovement)))]
async fn return_blanks(
    call: Call<Blanks>,
    Id(id): Id<CounterId>,
    Idempotent { key, body }: Idempotent<MovedBlanks>,
) -> HandlerResult {
    record(&call, &key, (id, MovementKind::Return), body.into()).await
}

/// Count the blanks at a counter (its staff). What differs from the book stays open until it is
/// explained.
#[utoipa::path(post, path = "/v1/counters/{counter_id}/blank-counts", tag = "blanks",
    responses((status = 201, body = BlankMovement)))]
async fn count_blanks(
    call: Call<Blanks>,
    Id(id): Id<CounterId>,
    Idempotent { key, body }: Idempotent<CountedBlanks>,
) -> HandlerResult {
    let new =
        NewMovement { section: body.section_id, quantity: body.counted.get(), request: None, remark: None };
    record(&call, &key, (id, MovementKind::Count), new).await
}

/// Limit how many blanks a counter may have (supplier).
#[utoipa::path(post, path = "/v1/counters/{counter_id}/blank-limit", tag = "blanks",
    responses((status = 200, body = BlankAccount)))]
async fn limit_blanks(
    call: Call,
    Id(id): Id<CounterId>,
    Idempotent { key, body }: Idempotent<BlankLimit>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let most = body.most_blanks.map(BlanksCounted::get);
        let account = blanks::limit(act, id, body.section_id, most).await?;
        Reply::ok(&account)
    })
    .await
}

/// What moved blanks at a counter, or counted them (its dealer, or the supplier).
#[utoipa::path(get, path = "/v1/counters/{counter_id}/blank-movements", tag = "blanks",
    responses((status = 200, body = List<BlankMovement>)))]
async fn list_blank_movements(
    call: Call<Read>,
    Id(id): Id<CounterId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = blanks::movements(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Confirm a movement: the counter what it received, the supplier what came back, a witness what was
/// spoiled. Never whoever recorded it.
#[utoipa::path(post, path = "/v1/blank-movements/{movement_id}/confirmation", tag = "blanks",
    responses((status = 200, body = BlankMovement)))]
async fn confirm_blank_movement(
    call: Call<Blanks>,
    Id(id): Id<BlankMovementId>,
    Idempotent { key, body }: Idempotent<Confirmation>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let counted = body.counted.map(BlanksCounted::get);
        let confirmed = blanks::confirm(act, id, counted).await?;
        Reply::ok(&confirmed)
    })
    .await
}

/// What was found to differ at a counter (its dealer, or the supplier).
#[utoipa::path(get, path = "/v1/counters/{counter_id}/blank-differences", tag = "blanks",
    responses((status = 200, body = List<BlankDifference>)))]
async fn list_blank_differences(
    call: Call<Read>,
    Id(id): Id<CounterId>,
    list: Listing<DifferenceQuery>,
) -> HandlerResult {
    let found =
        blanks::differences(&mut call.read().await?, id, list.query.open.unwrap_or(false), list.portion)
            .await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Explain a difference (supplier).
#[utoipa::path(post, path = "/v1/blank-differences/{difference_id}/explanation", tag = "blanks",
    responses((status = 200, body = BlankDifference)))]
async fn explain_blank_difference(
    call: Call<Blanks>,
    Id(id): Id<BlankDifferenceId>,
    Idempotent { key, body }: Idempotent<DifferenceExplanation>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let explained = blanks::explain(act, id, body.explanation, body.remark).await?;
        Reply::ok(&explained)
    })
    .await
}
