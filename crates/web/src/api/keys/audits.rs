//! Key audits, and counts of the keys in store.

use utoipa_axum::router::OpenApiRouter;

use crate::api::{ListQuery, list_query};
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List};
use crate::scopes::Read;
use application::keys::audits;
use application::keys::audits::Scope;
use application::{App, Reply};
use domain::count::KeysCounted;
use domain::differs::Level;
use domain::ids::{AuditId, AuditLineId, DifferId, PersonId, RegistrationId};
use domain::keys::audits::{Audit, AuditAnswer, AuditLine, StockCount};
use domain::text::Remark;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(open_audit, list_audits))
        .routes(operations!(close_audit))
        .routes(operations!(list_audit_lines))
        .routes(operations!(answer_audit_line))
        .routes(operations!(list_own_audit_lines))
        .routes(operations!(count_stock, list_stock_counts))
}

body! {
    /// An audit to open, of every key unless a person or a level is named.
    pub struct NewAudit {
        /// It is about the keys of this person only.
        person_id: Option<PersonId>,
        /// It is about the keys of this level only.
        level: Option<Level>,
    }

    /// What a holder says.
    pub struct NewAuditAnswer {
        /// They have the key.
        has_it: bool,
    }

    /// Keys that were counted in store.
    pub struct NewStockCount {
        /// The differ.
        differ_id: DifferId,
        /// How many there are.
        counted: KeysCounted,
        /// What there is to say.
        remark: Option<Remark>,
    }
}

list_query! {
    /// Which lines.
    pub struct AuditLineQuery {
        /// Only those with this answer.
        answer: AuditAnswer,
    }
}

/// Open a key audit (owner, agent, supplier): every holder of a key is asked and told.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/audits", tag = "audits",
    responses((status = 201, body = Audit)))]
async fn open_audit(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewAudit>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let opened = audits::open(act, id, Scope { person: body.person_id, level: body.level }).await?;
        Reply::created(&opened, format!("/v1/audits/{}/lines", opened.id))
    })
    .await
}

/// The audits of a registration (owner, agent, signatory, supplier).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/audits", tag = "audits",
    responses((status = 200, body = List<Audit>)))]
async fn list_audits(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = audits::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Close an audit (owner, agent, supplier). Where silence means that the register is right, what is open is
/// taken as right; where it is chased, it stays open on the audit.
#[utoipa::path(post, path = "/v1/audits/{audit_id}/close", tag = "audits",
    responses((status = 200, body = Audit)))]
async fn close_audit(
    call: Call,
    Id(id): Id<AuditId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let closed = audits::close(act, id).await?;
        Reply::ok(&closed)
    })
    .await
}

/// The keys in an audit: all, or those that are open, missing and so on; overdue ones are marked (owner,
/// agent, signatory, supplier).
#[utoipa::path(get, path = "/v1/audits/{audit_id}/lines", tag = "audits",
    responses((status = 200, body = List<AuditLine>)))]
async fn list_audit_lines(
    call: Call<Read>,
    Id(id): Id<AuditId>,
    list: Listing<AuditLineQuery>,
) -> HandlerResult {
    let found = audits::lines(&mut call.read().await?, id, list.query.answer, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Say whether a key is there: its holder, or for them the owner, an agent, the supplier. A key that is
/// missing is then reported lost or stolen by itself.
#[utoipa::path(post, path = "/v1/audit-lines/{audit_line_id}/answer", tag = "audits",
    responses((status = 200, body = AuditLine)))]
async fn answer_audit_line(
    call: Call,
    Id(id): Id<AuditLineId>,
    Idempotent { key, body }: Idempotent<NewAuditAnswer>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let answered = audits::answer(act, id, body.has_it).await?;
        Reply::ok(&answered)
    })
    .await
}

/// The keys for which the caller is still to answer in an audit.
#[utoipa::path(get, path = "/v1/me/audit-lines", tag = "audits",
    responses((status = 200, body = List<AuditLine>)))]
async fn list_own_audit_lines(call: Call, list: Listing<ListQuery>) -> HandlerResult {
    let found = audits::own(&mut call.read().await?, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Record a count of the keys in store, beside what the register has (owner, agent, supplier).
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/stock-counts", tag = "audits",
    responses((status = 201, body = StockCount)))]
async fn count_stock(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewStockCount>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let count = audits::count(act, id, body.differ_id, body.counted.get(), body.remark).await?;
        Reply::created(&count, format!("/v1/registrations/{id}/stock-counts"))
    })
    .await
}

/// Counts of the keys in store (owner, agent, signatory, supplier).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/stock-counts", tag = "audits",
    responses((status = 200, body = List<StockCount>)))]
async fn list_stock_counts(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = audits::counts(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}
