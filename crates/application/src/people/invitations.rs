//! Invitations and new passwords: a token goes to an address, and to nobody else, so that an account belongs to
//! whoever reads what is sent there.
//!
//! Whoever enters a person types an address that nobody has proved. It blocks no other, and the reply is the same
//! whether somebody signs in with it or not.

use secrecy::{ExposeSecret, SecretString};
use time::{Duration, OffsetDateTime};

use crate::people::accounts::require_password;
use crate::{Act, ActError, App};
use crypto::passwords::Lane;
use crypto::tokens::secret_hash;
use domain::ids::PersonId;
use domain::people::InvitationKind;
use domain::text::Email;
use storage::people;
use storage::people::invitations::Invitation;
use storage::people::{accounts, invitations, sessions};

/// The most that are sent at once.
const BATCH: i64 = 200;
/// For how long somebody who asked for a new password is sent no other.
const PAUSE: Duration = Duration::hours(1);

/// For how long a token is good.
fn good_for(kind: InvitationKind) -> Duration {
    match kind {
        InvitationKind::Account => Duration::days(7),
        InvitationKind::Password => Duration::days(1),
    }
}

/// An invitation that is sent now.
pub struct Sent {
    /// Where it goes.
    pub email: String,
    /// What the token is good for.
    pub kind: InvitationKind,
    /// The token.
    pub token: SecretString,
    /// Until when.
    pub expires_at: OffsetDateTime,
}

/// Puts an invitation among those that wait to be sent; earlier ones of the person are void.
pub(crate) async fn invite(act: &mut Act<'_>, person: PersonId, email: &str) -> Result<(), ActError> {
    let (id, now) = (act.id(), act.now);
    invitations::void(act.db(), person, now).await?;
    let invitation =
        Invitation { id, person_id: person, kind: InvitationKind::Account, email: email.to_owned() };
    Ok(invitations::add(act.db(), &invitation, now).await?)
}

/// A new invitation for somebody whose first is lost: by whoever entered the person, or the supplier, while the
/// person has no account.
pub async fn invite_again(act: &mut Act<'_>, id: PersonId) -> Result<(), ActError> {
    let person = people::present(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (caller, organisations) = (act.caller.person(), act.caller.organisations());
    let entered = people::was_entered_by(act.db(), id, caller, &organisations).await?;
    if !act.caller.is_supplier() && !entered {
        return Err(ActError::NotFound);
    }
    // What is somebody's own already is opened by that person, or by two people of the register.
    if accounts::account(act.db(), id).await?.is_some() {
        return Err(ActError::Conflict("this person has an account"));
    }
    let email = person.email.ok_or(ActError::Conflict("this person has no address to sign in with"))?;
    invite(act, id, &email).await?;
    act.enter_person("person.invited", id).await
}

/// Somebody has forgotten a password. Where an account has the address, a token goes there; who asks learns nothing.
///
/// # Errors
/// When the database says no.
pub async fn ask_for_password(app: &App, email: &Email) -> Result<(), ActError> {
    let now = app.outside.clock.now();
    let mut tx = storage::begin(&app.pool).await?;
    let Some(account) = accounts::account_by_email(&mut tx, email.as_str()).await? else { return Ok(()) };
    // Asking again and again voids nothing, and fills no mailbox.
    if !invitations::was_asked_since(&mut tx, account.person_id, now - PAUSE).await? {
        let invitation = Invitation {
            id: app.outside.id(now),
            person_id: account.person_id,
            kind: InvitationKind::Password,
            email: account.email,
        };
        invitations::add(&mut tx, &invitation, now).await?;
    }
    tx.commit().await?;
    Ok(())
}

/// Draws a token for each invitation that waits to be sent, and gives them to whoever sends them.
///
/// # Errors
/// When the database says no.
pub async fn send(app: &App) -> Result<Vec<Sent>, ActError> {
    let now = app.outside.clock.now();
    let mut tx = storage::begin(&app.pool).await?;
    let mut all = Vec::new();
    for invitation in invitations::to_send(&mut tx, BATCH).await? {
        let token = app.outside.secret();
        let expires_at = now + good_for(invitation.kind);
        invitations::sent(&mut tx, invitation.id, &secret_hash(&token), expires_at).await?;
        all.push(Sent { email: invitation.email, kind: invitation.kind, token: token.into(), expires_at });
    }
    tx.commit().await?;
    // Died here: the tokens are lost with the process, and their people are invited again.
    Ok(all)
}

/// Sets a password against a token, and makes the account where there is none. Every running session ends.
///
/// # Errors
/// [`ActError::NotFound`] when the token is unknown, used or too old.
pub async fn accept(app: &App, token: &SecretString, password: SecretString) -> Result<(), ActError> {
    let now = app.outside.clock.now();
    let hash = secret_hash(token.expose_secret());
    // Nothing is hashed for somebody who has no token.
    let found = invitations::good(&mut *app.pool.acquire().await?, &hash, now).await?;
    let invitation = found.ok_or(ActError::NotFound)?;
    require_password("/password", &password, &invitation.email)?;
    let password_hash = app.hash(Lane::Password, password).await?;
    let mut tx = storage::begin(&app.pool).await?;
    if !invitations::spend(&mut tx, &invitation, now).await? {
        return Err(ActError::NotFound);
    }
    let person = invitation.person_id;
    let account = accounts::account(&mut tx, person).await?;
    match (invitation.kind, account) {
        (InvitationKind::Account, None) => {
            let added = accounts::add(&mut tx, person, &invitation.email, &password_hash, now).await;
            added.map_err(|error| match error.violated() {
                Some("accounts_email_once") => ActError::Conflict(
                    "somebody signs in with this address: sign in, and tell who invited you your own number",
                ),
                _ => error.into(),
            })?;
        }
        (InvitationKind::Password, Some(_)) => {
            accounts::set_password(&mut tx, person, &password_hash, now).await?;
        }
        // An address that somebody typed before the account was made opens nothing.
        (InvitationKind::Account, Some(_)) | (InvitationKind::Password, None) => {
            return Err(ActError::NotFound);
        }
    }
    sessions::end_all(&mut tx, person, now).await?;
    tx.commit().await?;
    tracing::info!(account.id = %person, what = invitation.kind.as_str(), "account.changed");
    Ok(())
}
