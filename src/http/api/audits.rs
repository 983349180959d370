//! Key audits, and counts of the keys in store.

use axum::extract::State;
use axum::http::Uri;
use axum::response::IntoResponse;
use utoipa_axum::router::OpenApiRouter;

use super::{ListQuery, list_query};
use crate::application::access::Caller;
use crate::application::audits::{self, Scope};
use crate::application::{Act, App, Reply};
use crate::domain::audit::AuditAnswer;
use crate::domain::count::KeysCounted;
use crate::domain::ids::{AuditId, AuditLineId, DifferId, PersonId, RegistrationId};
use crate::domain::records::{Audit, AuditLine, StockCount};
use crate::domain::register::Level;
use crate::domain::text::Remark;
use crate::http::body::EmptyBody;
use crate::http::extract::{Id, Idempotent, Query};
use crate::http::reply::{HandlerResult, List, list};

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
        /// Of the keys of one person.
        person_id: Option<PersonId>,
        /// Of the keys of one level.
        level: Option<Level>,
    }

    /// What a holder says.
    pub struct AuditReply {
        /// They have the key.
        has_it: bool,
    }

    /// Keys that were counted in store.
    pub struct NewStockCount {
        /// Of which differ.
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
        /// With one answer.
        answer: AuditAnswer,
    }
}

/// Open a key audit (owner, agent, supplier): every holder of a key is asked and told.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/audits", tag = "audits",
    params(("registration_id" = RegistrationId, Path)), request_body = NewAudit,
    responses((status = 201, body = Audit)))]
async fn open_audit(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewAudit>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let opened = audits::open(&mut act, id, Scope { person: body.person_id, level: body.level }).await?;
    let answer = Reply::created(&opened, format!("/v1/audits/{}/lines", opened.id))?;
    Ok(act.finish(answer).await?.into_response())
}

/// The audits of a registration (owner, agent, signatory, supplier).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/audits", tag = "audits",
    params(("registration_id" = RegistrationId, Path), ListQuery),
    responses((status = 200, body = List<Audit>)))]
async fn list_audits(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<RegistrationId>,
    uri: Uri,
    Query(query): Query<ListQuery>,
) -> HandlerResult {
    let portion = query.portion()?;
    let found = audits::all(&app, &caller, id, portion).await?;
    Ok(list(&uri, portion, found, |item| item.id.0))
}

/// Close an audit (owner, agent, supplier). Where silence means that the register is right, what is open is
/// taken as right; where it is chased, it stays open on the audit.
#[utoipa::path(post, path = "/v1/audits/{audit_id}/close", tag = "audits",
    params(("audit_id" = AuditId, Path)), responses((status = 200, body = Audit)))]
async fn close_audit(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<AuditId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let closed = audits::close(&mut act, id).await?;
    Ok(act.finish(Reply::ok(&closed)?).await?.into_response())
}

/// The keys in an audit: all, or those that are open, missing and so on; overdue ones are marked (owner,
/// agent, signatory, supplier).
#[utoipa::path(get, path = "/v1/audits/{audit_id}/lines", tag = "audits",
    params(("audit_id" = AuditId, Path), AuditLineQuery), responses((status = 200, body = List<AuditLine>)))]
async fn list_audit_lines(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<AuditId>,
    uri: Uri,
    Query(query): Query<AuditLineQuery>,
) -> HandlerResult {
    let portion = query.portion()?;
    let found = audits::lines(&app, &caller, id, query.answer, portion).await?;
    Ok(list(&uri, portion, found, |item| item.id.0))
}

/// Say whether a key is there: its holder, or for them the owner, an agent, the supplier. A key that is
/// missing is then reported lost or stolen by itself.
#[utoipa::path(post, path = "/v1/audit-lines/{audit_line_id}/answer", tag = "audits",
    params(("audit_line_id" = AuditLineId, Path)), request_body = AuditReply,
    responses((status = 200, body = AuditLine)))]
async fn answer_audit_line(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<AuditLineId>,
    Idempotent { key, body }: Idempotent<AuditReply>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let answered = audits::answer(&mut act, id, body.has_it).await?;
    Ok(act.finish(Reply::ok(&answered)?).await?.into_response())
}

/// The keys for which the caller is still to answer in an audit.
#[utoipa::path(get, path = "/v1/me/audit-lines", tag = "audits", params(ListQuery),
    responses((status = 200, body = List<AuditLine>)))]
async fn list_own_audit_lines(
    State(app): State<App>,
    caller: Caller,
    uri: Uri,
    Query(query): Query<ListQuery>,
) -> HandlerResult {
    let portion = query.portion()?;
    let found = audits::own(&app, &caller, portion).await?;
    Ok(list(&uri, portion, found, |item| item.id.0))
}

/// Record a count of the keys in store, beside what the register has (owner, agent, supplier).
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/stock-counts", tag = "audits",
    params(("registration_id" = RegistrationId, Path)), request_body = NewStockCount,
    responses((status = 201, body = StockCount)))]
async fn count_stock(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewStockCount>,
) -> HandlerResult {
    let mut act = Act::begin(&app, &caller, &key).await?;
    let count = audits::count(&mut act, id, body.differ_id, body.counted.signed(), body.remark).await?;
    let answer = Reply::created(&count, format!("/v1/registrations/{id}/stock-counts"))?;
    Ok(act.finish(answer).await?.into_response())
}

/// Counts of the keys in store (owner, agent, signatory, supplier).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/stock-counts", tag = "audits",
    params(("registration_id" = RegistrationId, Path), ListQuery),
    responses((status = 200, body = List<StockCount>)))]
async fn list_stock_counts(
    State(app): State<App>,
    caller: Caller,
    Id(id): Id<RegistrationId>,
    uri: Uri,
    Query(query): Query<ListQuery>,
) -> HandlerResult {
    let portion = query.portion()?;
    let found = audits::counts(&app, &caller, id, portion).await?;
    Ok(list(&uri, portion, found, |item| item.id.0))
}
