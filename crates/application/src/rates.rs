//! How often, and how many at once: what one caller may cost the others.
//!
//! The evidence log never shrinks, and a registration is taken by one act at a time. So whoever writes has so many
//! changes a minute, a registration too; and an act waits in line for its turn before it has a connection, so that
//! many acts on one thing, or of one person, leave connections for everybody else.

use std::collections::HashMap;
use std::hash::Hash;
use std::num::NonZeroU32;
use std::sync::{Arc, Mutex, PoisonError};

use governor::clock::{Clock, DefaultClock};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use uuid::Uuid;

use crate::ActError;
use crate::caller::Caller;
use domain::ids::RegistrationId;

/// The most keys that are kept in mind before those that are quiet are forgotten.
const MANY: usize = 50_000;

/// How often something may happen, by key.
pub struct Rate<K: Hash + Eq + Clone> {
    quota: Quota,
    limiter: DefaultKeyedRateLimiter<K>,
}

impl<K: Hash + Eq + Clone> Rate<K> {
    /// So often, and so many at once.
    #[must_use]
    pub fn new(quota: Quota) -> Self {
        Self { quota, limiter: RateLimiter::keyed(quota) }
    }

    /// How many at once.
    #[must_use]
    pub fn burst(&self) -> u32 {
        self.quota.burst_size().get()
    }

    /// Counts one more of a key.
    ///
    /// # Errors
    /// Where that is too many: the seconds after which it may be tried again.
    pub fn count(&self, key: &K) -> Result<(), u64> {
        if self.limiter.len() > MANY {
            self.limiter.retain_recent();
        }
        let now = || DefaultClock::default().now();
        self.limiter.check_key(key).map_err(|not_until| not_until.wait_time_from(now()).as_secs() + 1)
    }
}

/// How many changes a minute.
#[derive(Debug, Clone, Copy)]
pub struct WritesPerMinute {
    /// Of a person who speaks for nobody else.
    pub person: NonZeroU32,
    /// Of a person in a seat, and of a client program.
    pub staff: NonZeroU32,
    /// On one registration, whoever makes them; the supplier's do not count.
    pub registration: NonZeroU32,
}

/// Places on one thing: one acts, the next is about to.
const PLACES_ON_A_THING: usize = 2;
/// Places of one actor.
const PLACES_OF_AN_ACTOR: usize = 4;

/// What limits those who write. Without any, everybody writes as they like.
#[derive(Clone, Default)]
pub struct WriteLimits(Option<Arc<Kept>>);

struct Kept {
    person: Rate<Uuid>,
    staff: Rate<Uuid>,
    registration: Rate<RegistrationId>,
    lines: Lines,
}

impl WriteLimits {
    /// So many changes a minute.
    #[must_use]
    pub fn new(most: WritesPerMinute) -> Self {
        Self(Some(Arc::new(Kept {
            person: Rate::new(Quota::per_minute(most.person)),
            staff: Rate::new(Quota::per_minute(most.staff)),
            registration: Rate::new(Quota::per_minute(most.registration)),
            lines: Lines::default(),
        })))
    }

    /// Waits for a place in line for an act of a caller, then counts it.
    pub(crate) async fn place(&self, caller: &Caller) -> Result<Option<Place>, ActError> {
        let Some(kept) = self.0.as_deref().filter(|_| !caller.is_system()) else { return Ok(None) };
        let actor = caller.actor().0;
        let rate = if caller.seats().is_empty() { &kept.person } else { &kept.staff };
        rate.count(&actor).map_err(|retry_after| ActError::TooManyAttempts { retry_after })?;
        kept.lines.place(actor, PLACES_OF_AN_ACTOR).await.map(Some)
    }

    /// Waits for a place in line at a thing, such as a registration: whatever an address names.
    ///
    /// # Errors
    /// When whoever asked has gone.
    pub async fn place_at(&self, thing: Uuid) -> Result<Option<Place>, ActError> {
        match self.0.as_deref() {
            Some(kept) => kept.lines.place(thing, PLACES_ON_A_THING).await.map(Some),
            None => Ok(None),
        }
    }

    /// Counts a change of a caller on a registration.
    pub(crate) fn count(&self, caller: &Caller, registration: RegistrationId) -> Result<(), ActError> {
        match self.0.as_deref().filter(|_| !caller.is_supplier() && !caller.is_system()) {
            Some(kept) => kept
                .registration
                .count(&registration)
                .map_err(|retry_after| ActError::TooManyAttempts { retry_after }),
            None => Ok(()),
        }
    }
}

/// Lines in which acts wait, by what they are for.
#[derive(Clone, Default)]
struct Lines(Arc<Mutex<HashMap<Uuid, Arc<Semaphore>>>>);

/// A place in line, until it is dropped.
pub struct Place {
    lines: Lines,
    key: Uuid,
    _permit: OwnedSemaphorePermit,
}

impl Lines {
    async fn place(&self, key: Uuid, places: usize) -> Result<Place, ActError> {
        let line = {
            let mut lines = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            Arc::clone(lines.entry(key).or_insert_with(|| Arc::new(Semaphore::new(places))))
        };
        let permit = tokio::select! {
            permit = line.acquire_owned() => permit,
            () = crate::undisturbed::left() => return Err(ActError::Busy),
        };
        // A line is never closed.
        let permit = permit.map_err(|error| ActError::Internal(error.to_string()))?;
        Ok(Place { lines: self.clone(), key, _permit: permit })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut lines = self.lines.0.lock().unwrap_or_else(PoisonError::into_inner);
        // The map has it, and this place; whoever waits would have it too.
        if lines.get(&self.key).is_some_and(|line| Arc::strong_count(line) <= 2) {
            lines.remove(&self.key);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::ids::{OrganisationId, PersonId};
    use domain::people::{OrganisationKind, Post};
    use storage::people::memberships::Seat;

    fn limits() -> WriteLimits {
        let most = |count| NonZeroU32::new(count).unwrap();
        WriteLimits::new(WritesPerMinute { person: most(2), staff: most(5), registration: most(3) })
    }

    fn person(number: u128) -> Caller {
        let id = PersonId(Uuid::from_u128(number));
        Caller::new(id.into(), Some(id), vec![])
    }

    #[tokio::test]
    async fn whoever_writes_has_so_many_changes_a_minute_and_others_are_not_concerned() {
        let limits = limits();
        let (one, other) = (person(1), person(2));
        for _ in 0..2 {
            assert!(limits.place(&one).await.is_ok());
        }
        assert!(
            matches!(limits.place(&one).await, Err(ActError::TooManyAttempts { retry_after }) if retry_after > 0)
        );
        assert!(limits.place(&other).await.is_ok() && limits.place(&Caller::system()).await.is_ok());
        let seat = Seat {
            organisation_id: OrganisationId(Uuid::from_u128(9)),
            kind: OrganisationKind::Supplier,
            post: Post::Staff,
        };
        let staff = Caller::new(PersonId(Uuid::from_u128(3)).into(), None, vec![seat]);
        for _ in 0..5 {
            assert!(limits.place(&staff).await.is_ok());
        }
        assert!(limits.place(&staff).await.is_err());
        let registration = RegistrationId(Uuid::from_u128(4));
        for who in [&one, &other, &one] {
            assert!(limits.count(who, registration).is_ok());
        }
        assert!(limits.count(&other, registration).is_err() && limits.count(&staff, registration).is_ok());
        assert!(limits.count(&other, RegistrationId(Uuid::from_u128(5))).is_ok());
    }

    #[tokio::test]
    async fn a_thing_has_two_places_and_gives_them_back() {
        let limits = limits();
        let thing = Uuid::from_u128(7);
        let first = limits.place_at(thing).await.unwrap();
        let second = limits.place_at(thing).await.unwrap();
        let waiting = tokio::spawn({
            let limits = limits.clone();
            async move { limits.place_at(thing).await.is_ok() }
        });
        tokio::task::yield_now().await;
        assert!(!waiting.is_finished() && limits.place_at(Uuid::from_u128(8)).await.is_ok());
        drop(first);
        assert!(waiting.await.unwrap());
        drop(second);
        assert!(limits.0.as_deref().unwrap().lines.0.lock().unwrap().is_empty());
    }
}
