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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::copies::decision::facts::Step;
    use crate::register::rules::Situation;
    use time::macros::{date, datetime};

    fn level(keys: Option<u32>, percent: Option<u8>, boundary: Boundary) -> ReviewLevel {
        ReviewLevel { when: Situation::default(), keys, percent, boundary }
    }

    #[test]
    fn a_share_is_reached_or_exceeded_and_no_loss_is_none() {
        let quarter = |boundary| level(None, Some(25), boundary);
        for (issued, lost, reached, exceeded) in [
            (8, 1, false, false),
            (8, 2, true, false),
            (8, 3, true, true),
            (0, 0, false, false),
            (0, 1, true, true),
        ] {
            assert_eq!(reaches(&quarter(Boundary::Reached), issued, lost), reached, "{lost} of {issued}");
            assert_eq!(reaches(&quarter(Boundary::Exceeded), issued, lost), exceeded, "{lost} of {issued}");
        }
        let any = level(None, Some(0), Boundary::Reached);
        assert_eq!((reaches(&any, 8, 0), reaches(&any, 8, 1)), (false, true));
    }

    #[test]
    fn a_number_is_enough_whatever_the_share() {
        let two = level(Some(2), Some(50), Boundary::Reached);
        assert_eq!((reaches(&two, 100, 1), reaches(&two, 100, 2), reaches(&two, 2, 1)), (false, true, true));
        assert!(!reaches(&level(None, None, Boundary::Reached), 1, 1));
    }

    #[test]
    fn the_first_level_that_fits_decides() {
        let mut rules = Rules::default();
        let never = ReviewLevel {
            when: Situation { quantity_from: Some(1), ..Situation::default() },
            ..level(None, None, Boundary::Reached)
        };
        rules.losses.reviews = vec![never, level(Some(1), None, Boundary::Reached)];
        let mut facts = Facts::at(Step::Ask, datetime!(2026-03-02 09:00 UTC));
        assert!(!is_due(&facts, &rules, 1, 1));
        facts.request.quantity = 0;
        assert!(is_due(&facts, &rules, 1, 1));
    }

    #[test]
    fn a_key_that_did_not_come_back_calls_for_a_rekey_from_its_day_on() {
        let leaving = LeavingRules { rekey_after_days: Some(14), ..LeavingRules::default() };
        let due = |leaving: &LeavingRules, today| rekey_is_due(leaving, date!(2026 - 03 - 01), today);
        assert!(!due(&leaving, date!(2026 - 03 - 14)));
        assert!(due(&leaving, date!(2026 - 03 - 15)));
        let never = LeavingRules { rekey_after_days: None, ..leaving };
        assert!(!due(&never, date!(2036 - 03 - 15)));
    }
}
