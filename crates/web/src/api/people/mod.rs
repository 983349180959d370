//! People.

pub mod me;
pub mod organisations;
pub mod sessions;

use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, ok};
use crate::scopes::Read;
use application::people::{invitations, resets, sessions as signed_in};
use application::{App, Reply, people};
use domain::ids::{AccountResetId, PersonId};
use domain::people::{AccountReset, Person};
use domain::text::{Email, Name, Remark, Slug};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(add_person))
        .routes(operations!(read_person))
        .routes(operations!(invite_person))
        .routes(operations!(erase_person))
        .routes(operations!(end_sessions_of_person))
        .routes(operations!(ask_for_account_reset))
        .routes(operations!(list_account_resets))
        .routes(operations!(confirm_account_reset))
}

body! {
    /// An erasure.
    pub struct Erasure {
        /// Under which rule, such as `uk_gdpr_17`: a word of the supplier's own, which the log keeps.
        under: Slug,
    }

    /// A way into an account whose owner has lost it.
    pub struct NewAccountReset {
        /// Why, and how the person was recognised.
        reason: Remark,
        /// The address from now on, where the old one is lost too.
        email: Option<Email>,
    }

    /// A person to enter.
    pub struct NewPerson {
        /// The name.
        name: Name,
        /// The address for mail; without one the person cannot sign in.
        email: Option<Email>,
    }
}

/// Enter a person: staff of any organisation, an owner, an agent.
///
/// To an address that was given goes an invitation, with which its owner sets a password within seven days; the reply
/// is the same whether or not somebody signs in with that address already.
#[utoipa::path(post, path = "/v1/people", tag = "people", responses((status = 201, body = Person)))]
async fn add_person(call: Call, Idempotent { key, body }: Idempotent<NewPerson>) -> HandlerResult {
    call.act(&key, async |act| {
        let added = people::add_person(act, body.name, body.email).await?;
        Reply::created(&added, format!("/v1/people/{}", added.id))
    })
    .await
}

/// A person: oneself, or one whom the caller entered or governs.
#[utoipa::path(get, path = "/v1/people/{person_id}", tag = "people",
    responses((status = 200, body = Person)))]
async fn read_person(call: Call<Read>, Id(id): Id<PersonId>) -> HandlerResult {
    let found = people::person(&mut call.read().await?, id).await?;
    ok(&found)
}

/// Invite a person again, who has no account yet: the first invitation was lost.
#[utoipa::path(post, path = "/v1/people/{person_id}/invitations", tag = "people",
    responses((status = 201, body = serde_json::Value)))]
async fn invite_person(
    call: Call,
    Id(id): Id<PersonId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        invitations::invite_again(act, id).await?;
        Reply::created(&serde_json::json!({}), format!("/v1/people/{id}"))
    })
    .await
}

/// End every session of a person (supplier): a device is lost, and its owner cannot end it.
#[utoipa::path(post, path = "/v1/people/{person_id}/session-end", tag = "people",
    responses((status = 200, body = serde_json::Value)))]
async fn end_sessions_of_person(
    call: Call,
    Id(id): Id<PersonId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        signed_in::end_all_of(act, id).await?;
        Reply::ok(&serde_json::json!({}))
    })
    .await
}

/// Erase a person (supplier) who has no authority, key, card, place or open request any more.
///
/// Name, address and account go, and what entries of the log committed to about the person. The entries
/// stay and verify; one more says that somebody was erased, and under which rule. How long records must
/// be kept is a matter of local law.
#[utoipa::path(post, path = "/v1/people/{person_id}/erasure", tag = "people",
    responses((status = 200, body = serde_json::Value)))]
async fn erase_person(
    call: Call,
    Id(id): Id<PersonId>,
    Idempotent { key, body }: Idempotent<Erasure>,
) -> HandlerResult {
    call.act(&key, async |act| {
        people::erase(act, id, body.under).await?;
        Reply::ok(&serde_json::json!({}))
    })
    .await
}

/// Ask for a reset of an account whose owner has lost password, second factor or address (supplier).
///
/// A second person of the supplier confirms it within seven days. The person has a notice of it.
#[utoipa::path(post, path = "/v1/people/{person_id}/account-resets", tag = "people",
    responses((status = 201, body = AccountReset)))]
async fn ask_for_account_reset(
    call: Call,
    Id(id): Id<PersonId>,
    Idempotent { key, body }: Idempotent<NewAccountReset>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let asked = resets::ask(act, id, body.reason, body.email).await?;
        Reply::created(&asked, "/v1/account-resets".to_owned())
    })
    .await
}

/// Resets of accounts, those that were confirmed too (supplier).
#[utoipa::path(get, path = "/v1/account-resets", tag = "people",
    responses((status = 200, body = List<AccountReset>)))]
async fn list_account_resets(call: Call, list: Listing<ListQuery>) -> HandlerResult {
    let found = resets::all(&mut call.read().await?, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// Confirm the reset of an account: somebody else of the supplier than who asked for it.
///
/// Password, second factor and every session end; an invitation goes to the address, and to nobody else.
#[utoipa::path(post, path = "/v1/account-resets/{account_reset_id}/confirmation", tag = "people",
    responses((status = 200, body = AccountReset)))]
async fn confirm_account_reset(
    call: Call,
    Id(id): Id<AccountResetId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| Reply::ok(&resets::confirm(act, id).await?)).await
}
