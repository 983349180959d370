//! What people are left without when rights end.
//!
//! A right is an authority as one person has it: given to that person, or to an organisation in which the
//! person has a seat. Keys, cards and open requests rest on rights. The preview of a revocation, the
//! revocation itself, the end of a seat, the hand-over of a plot and the list of keys to call in all ask [`left_without`].

#[cfg(test)]
mod tests;

pub mod authorities;
pub mod holds;
pub mod notices;

use serde::Serialize;
use time::{Date, Duration, OffsetDateTime};
use utoipa::ToSchema;

use crate::cards::Card;
use crate::copies::CopyRequest;
use crate::ids::{AuthorityId, DifferId, KeyId, MembershipId, PersonId};
use crate::keys::Key;
use crate::people::Membership;
use crate::register::rules::LeavingRules;
use crate::rights::authorities::Authority;

/// An authority as one person has it, or had it.
#[derive(Debug, Clone)]
pub struct Right {
    /// The person who has the right.
    pub person: PersonId,
    /// The authority that it comes from.
    pub authority: Authority,
    /// The seat through which it comes, where the authority is an organisation's.
    pub seat: Option<Membership>,
}

impl Right {
    /// In force on a day.
    #[must_use]
    pub fn in_force(&self, day: Date) -> bool {
        self.authority.in_force(day) && self.seat.as_ref().is_none_or(|seat| seat.in_force(day))
    }

    /// The last day on which it was in force, so far as that is known.
    fn last_day(&self) -> Option<Date> {
        let on = |instant: Option<OffsetDateTime>| instant.map(OffsetDateTime::date);
        let seat = self.seat.as_ref();
        let seat = [seat.and_then(|seat| seat.last_day), on(seat.and_then(|seat| seat.ended_at))];
        [self.authority.last_day, on(self.authority.revoked_at)].into_iter().chain(seat).flatten().min()
    }
}

/// Rights that end at one instant.
#[derive(Debug, Clone, Copy)]
pub struct Ending<'a> {
    /// The authorities that end.
    pub authorities: &'a [AuthorityId],
    /// The seat that ends, and with it what its person has through it.
    pub seat: Option<MembershipId>,
    /// When they end.
    pub at: OffsetDateTime,
    /// Who left the premises and on which day, where that is why they end.
    pub left: Option<(PersonId, Date)>,
}

impl Ending<'_> {
    /// Whether a right is among them.
    #[must_use]
    pub fn includes(&self, right: &Right) -> bool {
        self.authorities.contains(&right.authority.id) || self.ends_seat(right.seat.as_ref())
    }

    fn ends_seat(&self, seat: Option<&Membership>) -> bool {
        self.seat.is_some() && self.seat == seat.map(|seat| seat.id)
    }

    /// A right as it is afterwards.
    #[must_use]
    pub fn end_right(&self, right: Right) -> Right {
        let ends = self.ends_seat(right.seat.as_ref());
        let seat =
            right.seat.map(|seat| if ends { Membership { ended_at: Some(self.at), ..seat } } else { seat });
        Right { authority: self.end(right.authority), seat, ..right }
    }

    /// An authority as it is afterwards.
    #[must_use]
    pub fn end(&self, authority: Authority) -> Authority {
        if !self.authorities.contains(&authority.id) {
            return authority;
        }
        let left_on =
            self.left.filter(|(person, _)| authority.person_id == Some(*person)).map(|(_, day)| day);
        Authority { revoked_at: Some(self.at), left_on, ..authority }
    }
}

/// Whether the register was told in time that somebody left.
#[must_use]
pub fn told_in_time(leaving: &LeavingRules, last_day: Date, told_on: Date) -> bool {
    leaving.notice_days.is_none_or(|days| told_on - last_day <= Duration::days(i64::from(days)))
}

/// What rests on the rights of people: keys that they have, cards that count, requests that are open.
#[derive(Debug, Clone, Default)]
pub struct Belongings {
    /// Keys with a person.
    pub keys: Vec<Key>,
    /// Cards that are not revoked.
    pub cards: Vec<Card>,
    /// Open requests.
    pub requests: Vec<CopyRequest>,
}

/// A key whose holder has no right to it any more.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct KeyToCallIn {
    /// The key.
    pub key: Key,
    /// The last day on which its holder had a right to it; absent where there never was one.
    pub last_day: Option<Date>,
    /// The holder was an occupier: taking a key to a home is a matter of local law, take advice first.
    pub occupier: bool,
}

/// What people are left without.
#[derive(Debug, Clone, Default)]
pub struct LeftWithout {
    /// Open requests whose asker or recipient has no right to the key.
    pub requests: Vec<CopyRequest>,
    /// Cards of people without any right.
    pub cards: Vec<Card>,
    /// Keys to call in.
    pub keys_to_call_in: Vec<KeyToCallIn>,
    /// Keys of occupiers to their own homes, which they keep: revoking a right to order does not end it,
    /// only their leaving does.
    pub keys_kept_by_occupiers: Vec<KeyId>,
}

/// Whether a person has a right on a day that covers a differ.
#[must_use]
pub fn has_right_to(rights: &[Right], person: PersonId, differ: DifferId, day: Date) -> bool {
    rights.iter().any(|right| right.person == person && right.in_force(day) && right.authority.covers(differ))
}

/// What people are left without on a day, by the rights that they have or had.
#[must_use]
pub fn left_without(rights: &[Right], belongings: Belongings, day: Date) -> LeftWithout {
    let of = |person: PersonId| rights.iter().filter(move |right| right.person == person);
    let covered = |person: PersonId, differ: DifferId| has_right_to(rights, person, differ, day);
    let Belongings { keys, mut cards, mut requests } = belongings;
    cards.retain(|card| !of(card.person_id).any(|right| right.in_force(day)));
    requests.retain(|request| {
        [request.asked_by, request.recipient_id].iter().any(|person| !covered(*person, request.differ_id))
    });
    let mut found = LeftWithout { requests, cards, ..LeftWithout::default() };
    for key in keys {
        let Some(holder) = key.holder_id.filter(|holder| !covered(*holder, key.differ_id)) else { continue };
        let former: Vec<&Right> = of(holder).filter(|right| right.authority.covers(key.differ_id)).collect();
        let homes = || former.iter().filter(|right| right.authority.occupier);
        if homes().any(|right| is_still_home(&right.authority, day)) {
            found.keys_kept_by_occupiers.push(key.id);
        } else {
            let last_day = former.iter().filter_map(|right| right.last_day()).max();
            found.keys_to_call_in.push(KeyToCallIn { last_day, occupier: homes().next().is_some(), key });
        }
    }
    found
}

/// An occupier whose right was revoked still lives there, unless its term is over or it was said that the
/// occupier left.
fn is_still_home(authority: &Authority, day: Date) -> bool {
    authority.left_on.is_none_or(|left| day < left) && authority.last_day.is_none_or(|last| day <= last)
}
