//! What goes when rights end, and what people have without one.

pub mod authorities;
pub mod giving;
pub mod holds;
pub mod mandates;
pub mod notices;
pub mod offers;

use sqlx::PgConnection;
use time::Date;
use uuid::Uuid;

use crate::ActError;
use domain::cards::CardState;
use domain::ids::{PersonId, RegistrationId};
use domain::keys::KeyState;
use domain::rights;
use domain::rights::{Belongings, Ending, LeftWithout};
use storage::{Portion, cards, copies, keys, rights as stored_rights};

/// What people are left without on a day: those whose rights end, once they have ended; everybody, as
/// things are, where nothing ends.
pub(super) async fn left_without(
    db: &mut PgConnection,
    registration: RegistrationId,
    ending: Option<&Ending<'_>>,
    day: Date,
) -> Result<LeftWithout, ActError> {
    let mut rights = stored_rights::authorities::rights(db, registration).await?;
    let mut belongings = belongings(db, registration).await?;
    if let Some(ending) = ending {
        let concerned: Vec<PersonId> =
            rights.iter().filter(|right| ending.includes(right)).map(|right| right.person).collect();
        let has = |person: PersonId| concerned.contains(&person);
        belongings.keys.retain(|key| key.holder_id.is_some_and(has));
        belongings.cards.retain(|card| has(card.person_id));
        belongings.requests.retain(|request| has(request.asked_by) || has(request.recipient_id));
        rights = rights.into_iter().map(|right| ending.end_right(right)).collect();
    }
    Ok(rights::left_without(&rights, belongings, day))
}

async fn belongings(db: &mut PgConnection, registration: RegistrationId) -> Result<Belongings, ActError> {
    let with_person = Some(KeyState::WithPerson);
    let keys =
        keys::of_registration(db, registration, None, None, with_person, Uuid::nil(), Portion::ALL).await?;
    let mut cards = cards::all(db, registration, Portion::ALL).await?;
    cards.retain(|card| card.state != CardState::Revoked);
    Ok(Belongings { keys, cards, requests: copies::open(db, registration).await? })
}
