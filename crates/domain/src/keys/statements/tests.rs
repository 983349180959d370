//! Statements by value.

use time::macros::{date, datetime};
use uuid::Uuid;

use super::*;

fn id<T: From<Uuid>>(number: u128) -> T {
    T::from(Uuid::from_u128(number))
}

fn lock(number: u128, label: &str) -> PastLock {
    PastLock {
        id: id(number),
        label: label.to_owned(),
        kind: LockKind::MorticeDeadlock,
        standard: None,
        escape_route: false,
    }
}

fn key(number: u128, differ: u128, state: KeyState) -> PastKey {
    PastKey { id: id(number), differ_id: id(differ), state }
}

fn answer(lock: u128, differ: u128, since: OffsetDateTime, until: Option<OffsetDateTime>) -> PastAnswer {
    PastAnswer { lock_id: id(lock), differ_id: id(differ), since, until }
}

fn loss(key: u128, reported_at: OffsetDateTime, found_at: Option<OffsetDateTime>) -> PastLoss {
    let (crime_reference, decision) = (None, None);
    PastLoss { key_id: id(key), kind: LossKind::Lost, reported_at, found_at, crime_reference, decision }
}

const MARCH: OffsetDateTime = datetime!(2026-03-02 09:00 UTC);
const MAY: OffsetDateTime = datetime!(2026-05-04 16:30 UTC);

/// Two doors on differ 10, of which the front one answers to the master 11 too and was keyed anew in May; a
/// cellar on 12, and a gate that answers to nothing.
fn house() -> PastState {
    PastState {
        locks: vec![lock(4, "Gate"), lock(1, "Front door"), lock(2, "Back door"), lock(3, "Cellar")],
        answers: vec![
            answer(1, 9, MARCH, Some(MAY)),
            answer(1, 10, MAY, None),
            answer(1, 11, MARCH, None),
            answer(2, 10, MARCH, None),
            answer(3, 12, MARCH, None),
        ],
        keys: vec![
            key(20, 9, KeyState::Dead),
            key(21, 10, KeyState::WithPerson),
            key(22, 10, KeyState::InStore),
            key(23, 10, KeyState::Lost),
            key(24, 11, KeyState::Returned),
            key(25, 11, KeyState::Destroyed),
            key(26, 12, KeyState::Stolen),
        ],
        ..PastState::default()
    }
}

#[test]
fn a_lock_is_stated_with_the_keys_of_every_differ_that_opens_it() {
    let locks = house().locks();
    let stated: Vec<_> = locks
        .iter()
        .map(|lock| (lock.label.as_str(), lock.keyed_on, lock.alike_with, lock.keys, lock.missing))
        .collect();
    let day = |at: OffsetDateTime| Some(at.date());
    assert_eq!(
        stated,
        [
            ("Back door", day(MARCH), 1, 2, 1),
            ("Cellar", day(MARCH), 0, 0, 1),
            ("Front door", day(MAY), 1, 3, 1),
            ("Gate", None, 0, 0, 0),
        ]
    );
}

#[test]
fn keys_are_counted_by_where_they_were() {
    let keys = house().keys();
    assert_eq!((keys.in_existence, keys.with_people, keys.in_store, keys.missing), (3, 1, 2, 2));
}

/// On a site its key opens the plots' doors: its keys are counted, and those of other differs are not.
#[test]
fn of_another_registration_only_the_keys_that_open_these_locks_count() {
    let mut plot = house();
    plot.take_in(PastState {
        keys: vec![
            key(30, 12, KeyState::WithPerson),
            key(31, 9, KeyState::Lost),
            key(32, 99, KeyState::WithPerson),
            key(33, 12, KeyState::Lost),
        ],
        losses: vec![loss(33, MAY, None), loss(31, MAY, None)],
        ..PastState::default()
    });
    let keys = plot.keys();
    assert_eq!((keys.in_existence, keys.missing), (4, 3));
    assert_eq!(plot.losses.len(), 1);
    let cellar = plot.locks().swap_remove(1);
    assert_eq!((cellar.keys, cellar.missing), (1, 2));
}

#[test]
fn a_loss_is_open_while_its_key_is_missing_and_was_not_found() {
    let losses =
        vec![loss(26, MAY, None), loss(23, MARCH, None), loss(21, MARCH, None), loss(26, MARCH, Some(MAY))];
    let open = PastState { losses, ..house() }.open_losses();
    let days: Vec<Date> = open.iter().map(|loss| loss.reported_on).collect();
    assert_eq!(days, [MARCH.date(), MAY.date()]);
}

#[test]
fn only_a_rekey_that_was_done_is_the_last_one() {
    let rekey = |ended_at, state| PastRekey { ended_at, state };
    let rekeys = vec![
        rekey(Some(MARCH), RekeyState::Done),
        rekey(Some(MAY), RekeyState::Stopped),
        rekey(None, RekeyState::UnderWay),
    ];
    assert_eq!(PastState { rekeys, ..house() }.last_rekey(), Some(MARCH.date()));
    assert_eq!(house().last_rekey(), None);
}

#[test]
fn who_may_order_is_whoever_could_on_that_day() {
    let given = |last_day, may_order, revoked_at| PastAuthority {
        person_id: Some(id(50)),
        organisation_id: None,
        class: AuthorityClass::Keyholder,
        every_differ: false,
        may_order,
        may_approve: true,
        period: Period { first_day: date!(2026 - 03 - 02), last_day },
        revoked_at,
    };
    let authorities = vec![
        given(Some(date!(2026 - 05 - 04)), true, None),
        given(None, false, None),
        given(None, true, Some(MARCH)),
    ];
    let past = PastState { authorities, ..house() };
    let counted = |on| past.may_order(on).count();
    assert_eq!(counted(date!(2026 - 03 - 01)), 0);
    assert_eq!(counted(date!(2026 - 03 - 02)), 1);
    assert_eq!(counted(date!(2026 - 05 - 04)), 1);
    assert_eq!(counted(date!(2026 - 05 - 05)), 0);
    let stated = past.may_order(MARCH.date()).next().map(|own| own.stated("Lodger".to_owned()));
    let stated = stated.map(|own| (own.person_id, own.name, own.every_key, own.may_approve));
    assert_eq!(stated, Some((Some(id(50)), "Lodger".to_owned(), false, true)));
}
