//! When lost keys, or keys that did not come back, call for a review of the locks.

use time::{Date, Duration};

use crate::copies::decision::facts::Facts;
use crate::register::rules::{Boundary, LeavingRules, ReviewLevel, Rules};

/// Whether so many lost keys out of so many issued call for a review. The facts say which differ.
#[must_use]
pub fn is_due(facts: &Facts, rules: &Rules, issued: u32, lost: u32) -> bool {
    rules
        .losses
        .reviews
        .iter()
        .find(|level| facts.matches(&level.when))
        .is_some_and(|level| reaches(level, issued, lost))
}

fn reaches(level: &ReviewLevel, issued: u32, lost: u32) -> bool {
    let by_number = level.keys.is_some_and(|keys| lost >= keys);
    // lost / issued against percent / 100, without division.
    let by_share = level.percent.is_some_and(|percent| {
        let share = u64::from(lost) * 100;
        let mark = u64::from(issued) * u64::from(percent);
        lost > 0
            && match level.boundary {
                Boundary::Reached => share >= mark,
                Boundary::Exceeded => share > mark,
            }
    });
    by_number || by_share
}

/// Whether a key that did not come back by a person's last day calls for a rekey by now.
#[must_use]
pub fn rekey_is_due(leaving: &LeavingRules, last_day: Date, today: Date) -> bool {
    leaving.rekey_after_days.is_some_and(|days| today - last_day >= Duration::days(i64::from(days)))
}

/// Whether the register was told in time that somebody left.
#[must_use]
pub fn told_in_time(leaving: &LeavingRules, last_day: Date, told_on: Date) -> bool {
    leaving.notice_days.is_none_or(|days| told_on - last_day <= Duration::days(i64::from(days)))
}
