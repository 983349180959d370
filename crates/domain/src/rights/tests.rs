//! Who is left without what, by value.

use time::macros::{date, datetime};
use uuid::Uuid;

use crate::cards::CardState;
use crate::copies::{Purpose, RequestState};
use crate::ids::{CardId, CopyRequestId, CounterId, OrganisationId, RegistrationId};
use crate::keys::KeyState;
use crate::numbers::TypedNumber;
use crate::people::Post;
use crate::rights::authorities::AuthorityClass;
use crate::rights::*;

const TODAY: Date = date!(2026 - 11 - 02);
const REGISTRATION: RegistrationId = RegistrationId(Uuid::from_u128(1));
const FRONT: DifferId = DifferId(Uuid::from_u128(2));
const BACK: DifferId = DifferId(Uuid::from_u128(3));
const SEAT: MembershipId = MembershipId(Uuid::from_u128(5));

fn person(number: u128) -> PersonId {
    PersonId(Uuid::from_u128(100 + number))
}

fn authority(number: u128, holder: Option<PersonId>, differs: &[DifferId]) -> Authority {
    Authority {
        id: AuthorityId(Uuid::from_u128(200 + number)),
        registration_id: REGISTRATION,
        class: AuthorityClass::Agent,
        person_id: holder,
        organisation_id: None,
        post: None,
        standing: None,
        every_differ: differs.is_empty(),
        differ_ids: differs.to_vec(),
        may_order: true,
        may_approve: false,
        may_pass_on: false,
        occupier: false,
        most_per_request: None,
        most_keys: None,
        first_day: date!(2026 - 01 - 01),
        last_day: None,
        given_under: None,
        given_at: datetime!(2026-01-01 09:00 UTC),
        revoked_at: None,
        left_on: None,
        confirmed_by: None,
    }
}

fn own(number: u128, who: PersonId, differs: &[DifferId]) -> Right {
    Right { person: who, authority: authority(number, Some(who), differs), seat: None }
}

fn through_seat(number: u128, who: PersonId, last_day: Option<Date>) -> Right {
    let seat = Membership {
        id: SEAT,
        person_id: who,
        organisation_id: OrganisationId(Uuid::from_u128(4)),
        post: Post::Staff,
        first_day: date!(2026 - 01 - 01),
        last_day,
        ended_at: None,
    };
    Right { person: who, authority: authority(number, None, &[]), seat: Some(seat) }
}

fn belongings_of(who: PersonId) -> Belongings {
    let key = Key {
        id: KeyId(Uuid::from_u128(300)),
        registration_id: REGISTRATION,
        differ_id: FRONT,
        copy_number: 1,
        state: KeyState::WithPerson,
        holder_id: Some(who),
        due_back_on: None,
        overdue_since: None,
        version: 1,
    };
    let card = Card {
        id: CardId(Uuid::from_u128(301)),
        registration_id: REGISTRATION,
        person_id: who,
        number: TypedNumber::from_value(7),
        state: CardState::Valid,
        expires_on: date!(2027 - 11 - 02),
        pin_set: true,
        status_list: 1,
        status_index: 1,
        replaces_id: None,
    };
    let request = CopyRequest {
        id: CopyRequestId(Uuid::from_u128(302)),
        registration_id: REGISTRATION,
        differ_id: FRONT,
        asked_by: who,
        recipient_id: who,
        counter_id: CounterId(Uuid::from_u128(4)),
        quantity: 1,
        purpose: Purpose::Additional,
        replaces_key_id: None,
        needed_from: None,
        due_back_on: None,
        extends_request_id: None,
        emergency_reason: None,
        state: RequestState::Waiting,
        asked_at: datetime!(2026-11-01 09:00 UTC),
        authorised_at: None,
        lapses_at: None,
        cut_count: 0,
        handed_count: 0,
        version: 1,
    };
    Belongings { keys: vec![key], cards: vec![card], requests: vec![request] }
}

/// How many requests, cards, keys to call in and keys that occupiers keep.
fn counts(rights: &[Right], who: PersonId) -> (usize, usize, usize, usize) {
    let left = left_without(rights, belongings_of(who), TODAY);
    (left.requests.len(), left.cards.len(), left.keys_to_call_in.len(), left.keys_kept_by_occupiers.len())
}

fn revoked(mut right: Right) -> Right {
    right.authority.revoked_at = Some(datetime!(2026-11-02 08:00 UTC));
    right
}

#[test]
fn a_right_through_a_seat_counts_like_ones_own() {
    let who = person(1);
    assert_eq!(counts(&[own(1, who, &[])], who), (0, 0, 0, 0));
    assert_eq!(counts(&[through_seat(1, who, None)], who), (0, 0, 0, 0));
    assert_eq!(counts(&[revoked(own(1, who, &[])), through_seat(2, who, None)], who), (0, 0, 0, 0));
    assert_eq!(counts(&[revoked(through_seat(1, who, None)), own(2, who, &[])], who), (0, 0, 0, 0));
    assert_eq!(counts(&[revoked(through_seat(1, who, None))], who), (1, 1, 1, 0));
    assert_eq!(counts(&[own(1, person(2), &[])], who), (1, 1, 1, 0));
}

#[test]
fn a_seat_counts_to_its_last_day() {
    let who = person(1);
    assert_eq!(counts(&[through_seat(1, who, Some(TODAY))], who), (0, 0, 0, 0));
    let yesterday = TODAY.previous_day().unwrap();
    assert_eq!(counts(&[through_seat(1, who, Some(yesterday))], who), (1, 1, 1, 0));
    let left = left_without(&[through_seat(1, who, Some(yesterday))], belongings_of(who), TODAY);
    assert_eq!(left.keys_to_call_in[0].last_day, Some(yesterday));
}

#[test]
fn a_right_to_another_differ_saves_the_card_alone() {
    let who = person(1);
    assert_eq!(counts(&[own(1, who, &[BACK])], who), (1, 0, 1, 0));
    assert_eq!(counts(&[own(1, who, &[FRONT])], who), (0, 0, 0, 0));
}

#[test]
fn a_right_that_begins_later_does_not_count_yet() {
    let who = person(1);
    let mut later = own(1, who, &[]);
    later.authority.first_day = TODAY.next_day().unwrap();
    assert_eq!(counts(&[later], who), (1, 1, 1, 0));
}

#[test]
fn a_request_stops_when_its_asker_or_its_recipient_has_nothing_left() {
    let (asker, recipient) = (person(1), person(2));
    let between = |rights: &[Right]| {
        let mut belongings = belongings_of(asker);
        belongings.requests[0].recipient_id = recipient;
        left_without(rights, belongings, TODAY).requests.len()
    };
    assert_eq!(between(&[own(1, asker, &[]), own(2, recipient, &[])]), 0);
    assert_eq!(between(&[own(1, asker, &[]), revoked(own(2, recipient, &[]))]), 1);
    assert_eq!(between(&[revoked(own(1, asker, &[])), own(2, recipient, &[])]), 1);
}

#[test]
fn an_occupier_keeps_the_key_until_the_term_is_over_or_the_occupier_has_left() {
    let who = person(1);
    let home = |last_day: Option<Date>, left_on: Option<Date>| {
        let mut right = revoked(own(1, who, &[]));
        right.authority.occupier = true;
        right.authority.last_day = last_day;
        right.authority.left_on = left_on;
        counts(&[right], who)
    };
    let (kept, called_in) = ((1, 1, 0, 1), (1, 1, 1, 0));
    let yesterday = TODAY.previous_day();
    let tomorrow = TODAY.next_day();
    assert_eq!(home(None, None), kept);
    assert_eq!(home(Some(TODAY), None), kept);
    assert_eq!(home(yesterday, None), called_in);
    assert_eq!(home(None, Some(TODAY)), called_in);
    assert_eq!(home(None, tomorrow), kept);
}

#[test]
fn ending_says_who_left_of_that_persons_authorities_alone() {
    let (who, other) = (person(1), person(2));
    let (first, second) = (authority(1, Some(who), &[]), authority(2, Some(other), &[]));
    let ids = [first.id, second.id];
    let at = datetime!(2026-11-02 10:00 UTC);
    let ending = Ending { authorities: &ids, seat: None, at, left: Some((who, TODAY)) };
    let third = authority(3, Some(who), &[]);
    assert_eq!(ending.end(third.clone()), third);
    assert_eq!(ending.end(first).left_on, Some(TODAY));
    let ended = ending.end(second);
    assert_eq!((ended.left_on, ended.revoked_at), (None, Some(at)));
}

#[test]
fn a_seat_that_ends_takes_what_comes_through_it_and_nothing_else() {
    let who = person(1);
    let at = datetime!(2026-11-02 10:00 UTC);
    let ending = Ending { authorities: &[], seat: Some(SEAT), at, left: None };
    let (seated, personal) = (through_seat(1, who, None), own(2, who, &[]));
    assert!(ending.includes(&seated) && !ending.includes(&personal));
    // At once, not at the end of the day; the authority itself stays the organisation's.
    let ended = ending.end_right(seated);
    assert!(!ended.in_force(TODAY) && ended.authority.in_force(TODAY));
    assert_eq!(counts(std::slice::from_ref(&ended), who), (1, 1, 1, 0));
    let left = left_without(&[ended], belongings_of(who), TODAY);
    assert_eq!(left.keys_to_call_in[0].last_day, Some(TODAY));
    assert!(ending.end_right(personal).in_force(TODAY));
}
