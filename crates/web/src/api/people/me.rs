//! The caller: who it is, password, second factor.

use axum::Json;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Body, Call, Id, Listing, Secret};
use crate::reply::{HandlerResult, List};
use crate::scopes::AnyProgram;
use application::App;
use application::people::sessions;
use application::rights::notices;
use crypto::passwords::PASSWORD_LENGTHS;
use domain::ids::{ActorId, NoticeId, PersonId};
use domain::people::Scope;
use domain::rights::notices::Notice;
use storage::people::Seat;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(who_am_i))
        .routes(operations!(change_password))
        .routes(operations!(propose_second_factor))
        .routes(operations!(confirm_second_factor))
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

    /// A code of the second factor.
    pub struct SecondFactorCode {
        /// Six digits.
        #[schema(pattern = "^[0-9]{6}$")]
        code: String,
    }
}

/// Change the password; every session ends.
#[utoipa::path(post, path = "/v1/me/password", tag = "me", responses((status = 204)))]
async fn change_password(call: Call, Body(body): Body<PasswordChange>) -> HandlerResult {
    let old = body.old_password.bounded("/old_password", *PASSWORD_LENGTHS.end())?;
    let new = body.new_password.bounded("/new_password", *PASSWORD_LENGTHS.end())?;
    sessions::change_password(&call.app, &call.caller, old, new).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// A second factor to set up.
#[derive(Serialize, ToSchema)]
pub struct ProposedSecondFactor {
    /// The secret in base32, to type.
    secret: String,
    /// The secret as an `otpauth` address, for a QR code.
    address: String,
}

/// Propose a second factor (RFC 6238); a proposal that was not confirmed is replaced.
#[utoipa::path(post, path = "/v1/me/second-factor", tag = "me",
    responses((status = 201, body = ProposedSecondFactor)))]
async fn propose_second_factor(call: Call) -> HandlerResult {
    let (secret, address) = sessions::propose_second_factor(&call.app, &call.caller).await?;
    Ok((StatusCode::CREATED, Json(ProposedSecondFactor { secret, address })).into_response())
}

/// Confirm the second factor with a code; every session ends.
#[utoipa::path(post, path = "/v1/me/second-factor/confirmation", tag = "me", responses((status = 204)))]
async fn confirm_second_factor(call: Call, Body(body): Body<SecondFactorCode>) -> HandlerResult {
    sessions::confirm_second_factor(&call.app, &call.caller, &body.code).await?;
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
