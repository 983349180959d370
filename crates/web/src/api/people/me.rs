//! The caller: who it is, password, second factor.

use axum::Json;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Body, Call, Id, Listing, Secret};
use crate::problem::Problem;
use crate::reply::{HandlerResult, List, ok};
use crate::scopes::AnyProgram;
use application::people::accounts;
use application::people::accounts::{Factor, NewFactor};
use application::people::sessions;
use application::people::sessions::shown_once;
use application::rights::notices;
use application::{ActError, App};
use crypto::passwords::PASSWORD_LENGTHS;
use domain::ids::{ActorId, NoticeId, PersonId, SessionId};
use domain::people::Scope;
use domain::rights::notices::Notice;
use storage::people::memberships::Seat;
use storage::people::sessions::SessionSummary;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(who_am_i))
        .routes(operations!(change_password))
        .routes(operations!(draw_second_factor))
        .routes(operations!(set_second_factor))
        .routes(operations!(remove_second_factor))
        .routes(operations!(list_own_sessions))
        .routes(operations!(end_own_session))
        .routes(operations!(list_notices))
        .routes(operations!(read_notice))
}

/// The caller.
#[derive(Serialize, ToSchema)]
pub struct Me {
    /// The id under which acts are recorded.
    actor_id: ActorId,
    /// The person, where it is one.
    person_id: Option<PersonId>,
    /// Seats that count now.
    seats: Vec<Seat>,
    /// What a client program may do with this token.
    scopes: Vec<Scope>,
    /// Some seats are asleep: they ask for a second factor.
    second_factor_missing: bool,
}

/// Who am I?
#[utoipa::path(get, path = "/v1/me", tag = "me", responses((status = 200, body = Me)))]
async fn who_am_i(Call { caller, .. }: Call<AnyProgram>) -> Json<Me> {
    Json(Me {
        actor_id: caller.actor(),
        person_id: caller.person(),
        seats: caller.seats().to_vec(),
        scopes: caller.scopes().to_vec(),
        second_factor_missing: caller.second_factor_missing,
    })
}

body! {
    /// The old password and the new one.
    pub struct PasswordChange {
        /// The old one.
        #[schema(value_type = String, format = Password, max_length = 200)]
        old_password: Secret,
        /// The new one: at least twelve characters.
        #[schema(value_type = String, format = Password, min_length = 12, max_length = 200)]
        new_password: Secret,
    }

    /// A second factor to set.
    pub struct NewSecondFactor {
        /// The password.
        #[schema(value_type = String, format = Password, max_length = 200)]
        password: Secret,
        /// The secret that was drawn.
        #[schema(value_type = String, format = Password, max_length = 200)]
        secret: Secret,
        /// A code of it: six digits.
        #[schema(pattern = "^[0-9]{6}$")]
        code: String,
        /// A code of the second factor that is set up, where there is one.
        #[schema(pattern = "^[0-9]{6}$")]
        old_code: Option<String>,
        /// A recovery code instead.
        #[schema(value_type = Option<String>, format = Password, max_length = 200)]
        recovery_code: Option<Secret>,
    }

    /// A second factor to take away.
    pub struct SecondFactorRemoval {
        /// The password.
        #[schema(value_type = String, format = Password, max_length = 200)]
        password: Secret,
        /// A code of the second factor.
        #[schema(pattern = "^[0-9]{6}$")]
        old_code: Option<String>,
        /// A recovery code instead.
        #[schema(value_type = Option<String>, format = Password, max_length = 200)]
        recovery_code: Option<Secret>,
    }
}

/// Change the password; every session ends.
#[utoipa::path(post, path = "/v1/me/password", tag = "me", responses((status = 204)))]
async fn change_password(call: Call, Body(body): Body<PasswordChange>) -> HandlerResult {
    let old = body.old_password.bounded("/old_password", *PASSWORD_LENGTHS.end())?;
    let new = body.new_password.bounded("/new_password", *PASSWORD_LENGTHS.end())?;
    accounts::change_password(&call.app, &call.caller, old, new).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// A second factor that was drawn. Nothing of it is kept.
#[derive(Serialize, ToSchema)]
pub struct DrawnSecondFactor {
    /// The secret in base32, to type.
    secret: String,
    /// The secret as an `otpauth` address, for a QR code.
    address: String,
}

/// Draw a second factor (RFC 6238). Nothing changes until it is set with one of its codes.
#[utoipa::path(post, path = "/v1/me/second-factor/draw", tag = "me",
    responses((status = 200, body = DrawnSecondFactor)))]
async fn draw_second_factor(call: Call) -> HandlerResult {
    let (secret, address) = accounts::draw_second_factor(&call.app, &call.caller).await?;
    Ok(Json(DrawnSecondFactor { secret, address }).into_response())
}

/// What stands for a code of the second factor when its device is lost.
#[derive(Serialize, ToSchema)]
pub struct RecoveryCodes {
    /// Each is good once. They are shown this once.
    recovery_codes: Vec<String>,
}

/// Set a second factor, or another one: against the password, and a code of the one that is set up. Every session ends.
#[utoipa::path(post, path = "/v1/me/second-factor", tag = "me", responses((status = 200, body = RecoveryCodes)))]
async fn set_second_factor(call: Call, Body(body): Body<NewSecondFactor>) -> HandlerResult {
    let password = body.password.bounded("/password", *PASSWORD_LENGTHS.end())?;
    let secret = body.secret.bounded("/secret", MOST_OF_A_CODE)?;
    let old = factor(body.old_code, body.recovery_code)?;
    let new = NewFactor { secret, code: body.code };
    let codes = accounts::set_second_factor(&call.app, &call.caller, password, old.as_ref(), &new).await?;
    Ok(Json(RecoveryCodes { recovery_codes: codes.iter().map(shown_once).collect() }).into_response())
}

/// Take the second factor away: against the password and a code of it. Every session ends.
#[utoipa::path(post, path = "/v1/me/second-factor/removal", tag = "me", responses((status = 204)))]
async fn remove_second_factor(call: Call, Body(body): Body<SecondFactorRemoval>) -> HandlerResult {
    let password = body.password.bounded("/password", *PASSWORD_LENGTHS.end())?;
    let missing =
        || ActError::invalid("/old_code", "a code of the second factor, or a recovery code, is needed");
    let old = factor(body.old_code, body.recovery_code)?.ok_or_else(missing)?;
    accounts::remove_second_factor(&call.app, &call.caller, password, &old).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// More characters than a code or a secret of a second factor has.
const MOST_OF_A_CODE: usize = 200;

/// What is shown of a second factor.
pub(super) fn factor(code: Option<String>, recovery: Option<Secret>) -> Result<Option<Factor>, Problem> {
    match (code, recovery) {
        (_, Some(recovery)) => {
            Ok(Some(Factor::Recovery(recovery.bounded("/recovery_code", MOST_OF_A_CODE)?)))
        }
        (code, None) => Ok(code.map(Factor::Code)),
    }
}

/// The caller's sessions that are running.
#[utoipa::path(get, path = "/v1/me/sessions", tag = "me", responses((status = 200, body = List<SessionSummary>)))]
async fn list_own_sessions(call: Call) -> HandlerResult {
    let items = sessions::own(&mut call.read().await?).await?;
    ok(&List { items })
}

/// End one of the caller's sessions: its access tokens stop working at once.
#[utoipa::path(delete, path = "/v1/me/sessions/{session_id}", tag = "me", responses((status = 204)))]
async fn end_own_session(call: Call, Id(id): Id<SessionId>) -> HandlerResult {
    sessions::end_own(&call.app, &call.caller, id).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// What the caller was told: keys that are dead, rekeys, audits.
#[utoipa::path(get, path = "/v1/me/notices", tag = "me", responses((status = 200, body = List<Notice>)))]
async fn list_notices(call: Call, list: Listing<ListQuery>) -> HandlerResult {
    let found = notices::own(&mut call.read().await?, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// The caller read a notice.
#[utoipa::path(put, path = "/v1/me/notices/{notice_id}/read", tag = "me", responses((status = 204)))]
async fn read_notice(call: Call, Id(id): Id<NoticeId>) -> HandlerResult {
    notices::read(&call.app, &call.caller, id).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}
