//! People.

pub mod me;
pub mod organisations;
pub mod sessions;

use utoipa_axum::router::OpenApiRouter;

use crate::body::EmptyBody;
use crate::extract::{Call, Id, Idempotent};
use crate::reply::{HandlerResult, ok};
use crate::scopes::Read;
use application::people::sessions::shown_once;
use application::{App, Reply, people};
use domain::ids::PersonId;
use domain::people::Person;
use domain::text::{Email, Name, Slug};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(add_person))
        .routes(operations!(read_person))
        .routes(operations!(invite_person))
        .routes(operations!(erase_person))
}

body! {
    /// An erasure.
    pub struct Erasure {
        /// Under which rule, such as `uk_gdpr_17`: a word of the supplier's own, which the log keeps.
        under: Slug,
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
/// Where an address was given, the reply has a member `invitation_token` besides, with which the
/// person sets a password within seven days; it is shown this once.
#[utoipa::path(post, path = "/v1/people", tag = "people", responses((status = 201, body = Person)))]
async fn add_person(call: Call, Idempotent { key, body }: Idempotent<NewPerson>) -> HandlerResult {
    call.act(&key, async |act| {
        let (added, invitation) = people::add_person(act, body.name, body.email).await?;
        Ok(Reply::created(&added, format!("/v1/people/{}", added.id))?
            .once("invitation_token", invitation.as_ref().map(shown_once)))
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

/// Invite a person again: the first token was lost, or the password.
///
/// The reply has a member `invitation_token`; it is shown this once.
#[utoipa::path(post, path = "/v1/people/{person_id}/invitations", tag = "people",
    responses((status = 201, body = serde_json::Value)))]
async fn invite_person(
    call: Call,
    Id(id): Id<PersonId>,
    Idempotent { key, .. }: Idempotent<EmptyBody>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let token = people::invite_again(act, id).await?;
        Ok(Reply::created(&serde_json::json!({}), format!("/v1/people/{id}"))?
            .once("invitation_token", Some(shown_once(&token))))
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
