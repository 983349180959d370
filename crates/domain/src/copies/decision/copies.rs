//! Rules 5, 6 and 10: how many keys, earlier keys, keys that come back.

use time::Duration;

use crate::copies::Purpose;
use crate::copies::decision::entitlement::is_entitled_occupier;
use crate::copies::decision::facts::{Facts, Step};
use crate::copies::decision::{Code, Reason};
use crate::keys::ChargeState;
use crate::register::rules::{Limit, Rules};

pub(crate) fn limits_kept(facts: &Facts, rules: &Rules, reasons: &mut Vec<Reason>) {
    if facts.step == Step::HandOver || facts.request.extends || is_entitled_occupier(facts) {
        return;
    }
    let asked = facts.request.quantity;
    let limits: Vec<&Limit> = rules.limits.iter().filter(|limit| facts.matches(&limit.when)).collect();
    let per_request = limits
        .iter()
        .filter_map(|limit| limit.per_request)
        .chain(facts.asker.standing_authorities(facts.today()).filter_map(|own| own.most_per_request))
        .min();
    if let Some(most) = per_request.filter(|most| asked > *most) {
        reasons.push(Reason::refuses(
            Code::OverRequestLimit,
            format!("Keys in one request: {most} at most, not {asked}."),
            "Ask for fewer.",
        ));
    }

    person_limit_kept(facts, &limits, reasons);
    for period in limits.iter().filter_map(|limit| limit.per_period.as_ref()) {
        let since = facts.request.asked_at - Duration::days(i64::from(period.days));
        let earlier: u32 =
            facts.keys.earlier.iter().filter(|keys| keys.at > since).map(|keys| keys.quantity).sum();
        if earlier.saturating_add(asked) > period.keys {
            reasons.push(Reason::refuses(
                Code::OverPeriodLimit,
                format!("Keys for one person in {} days: {} at most.", period.days, period.keys),
                "Ask again later.",
            ));
        }
    }

    cap_kept(facts, rules, &limits, reasons);
}

fn person_limit_kept(facts: &Facts, limits: &[&Limit], reasons: &mut Vec<Reason>) {
    let replaced_here =
        u32::from(facts.request.purpose == Purpose::ReplaceWorn && facts.keys.with_recipient > 0);
    let would_have =
        still_to_come(facts).saturating_add(facts.keys.with_recipient).saturating_sub(replaced_here);
    let per_person = limits
        .iter()
        .filter_map(|limit| limit.per_person)
        .chain(facts.recipient.standing_authorities(facts.today()).filter_map(|own| own.most_keys))
        .min();
    if let Some(most) = per_person.filter(|most| would_have > *most) {
        reasons.push(Reason::refuses(
            Code::OverPersonLimit,
            format!("Keys of this kind with one person: {most} at most; there would be {would_have}."),
            "A key comes back first.",
        ));
    }
}

fn cap_kept(facts: &Facts, rules: &Rules, limits: &[&Limit], reasons: &mut Vec<Reason>) {
    if let Some(cap) = limits.iter().filter_map(|limit| limit.cap).min() {
        let would_exist = keys_that_would_exist(facts, rules);
        if would_exist > cap {
            reasons.push(Reason::refuses(
                Code::OverCap,
                format!(
                    "Keys of this kind in existence: {cap} at most; with this request there would be {would_exist}."
                ),
                "A key comes back and is destroyed, an open authorisation lapses, or the cap is raised.",
            ));
        }
    }
}

/// Keys that this request still brings: all of it when it is asked for, what is left when it is cut.
fn still_to_come(facts: &Facts) -> u32 {
    match (&facts.authorisation, facts.step) {
        (Some(authorisation), Step::Cut | Step::Look) => authorisation.left,
        _ => facts.request.quantity,
    }
}

/// Live keys + other open authorisations + this request. A worn key that is replaced is destroyed
/// when the new one is cut, so it counts once.
fn keys_that_would_exist(facts: &Facts, rules: &Rules) -> u32 {
    let missing = if rules.lost_keys_count { facts.keys.missing } else { 0 };
    let replaced = u32::from(facts.request.purpose == Purpose::ReplaceWorn);
    facts
        .keys
        .existing
        .saturating_add(missing)
        .saturating_add(facts.keys.open_elsewhere)
        .saturating_add(still_to_come(facts))
        .saturating_sub(replaced)
}

pub(crate) fn earlier_keys_accounted_for(facts: &Facts, rules: &Rules, reasons: &mut Vec<Reason>) {
    if facts.step == Step::HandOver {
        return;
    }
    if rules.unaccounted_blocks && facts.keys.unaccounted > 0 {
        reasons.push(Reason::refuses(
            Code::EarlierKeyUnaccountedFor,
            "An earlier key of this person is overdue or missing.",
            "The earlier key comes back, or a replacement for the lost key is asked for.",
        ));
    }
    let replaced = facts.request.replaced.clone().unwrap_or_default();
    match facts.request.purpose {
        Purpose::Additional => {}
        Purpose::ReplaceWorn => {
            if !replaced.with_recipient {
                reasons.push(Reason::refuses(
                    Code::ReplacedKeyNotHeld,
                    "The key to be replaced is not with this person.",
                    "Name the key that the person holds.",
                ));
            }
            if facts.step == Step::Cut && !replaced.handed_in {
                reasons.push(Reason::refuses(
                    Code::WornKeyNotSurrendered,
                    "A worn key is replaced against the old one, and the old one was not handed in.",
                    "The old key is handed in.",
                ));
            }
        }
        Purpose::ReplaceLost => {
            if !replaced.missing {
                reasons.push(Reason::refuses(
                    Code::ReplacedKeyNotReported,
                    "The key to be replaced was not reported lost or stolen.",
                    "The loss is reported first.",
                ));
            }
            if replaced.replaced_before {
                reasons.push(Reason::refuses(
                    Code::ReplacedBefore,
                    "This key was replaced before.",
                    "Name another key, or ask for one more.",
                ));
            }
            if charge_is_open(&replaced, rules) {
                reasons.push(Reason::refuses(
                    Code::LossChargeOpen,
                    "The charge for the lost key is open.",
                    "It is paid, or waived by somebody whom the rules name.",
                ));
            }
        }
    }
}

fn charge_is_open(replaced: &crate::copies::decision::facts::ReplacedKey, rules: &Rules) -> bool {
    rules.losses.charge_before_replacement
        && match replaced.charge {
            ChargeState::None | ChargeState::Paid => false,
            ChargeState::Due => true,
            ChargeState::Waived => {
                !replaced.waived_by.as_ref().is_some_and(|post| rules.losses.waived_by.contains(post))
            }
        }
}

pub(crate) fn temporary_issue(facts: &Facts, rules: &Rules, reasons: &mut Vec<Reason>) {
    if facts.step == Step::HandOver {
        return;
    }
    let asked_on = facts.request.asked_at.date();
    match facts.request.due_back_on {
        None => {
            if rules.temporary.required.iter().any(|when| facts.matches(when)) {
                reasons.push(Reason::refuses(
                    Code::DueBackNeeded,
                    "Such a key is issued for a time only, and no due-back date was given.",
                    "Ask with a due-back date.",
                ));
            }
        }
        Some(due) => {
            let latest = rules
                .temporary
                .most_days
                .map(|days| asked_on.saturating_add(Duration::days(i64::from(days))));
            if due < facts.today() || latest.is_some_and(|latest| due > latest) {
                let range = latest.map_or(String::new(), |latest| format!(" and {latest} at the latest"));
                reasons.push(Reason::refuses(
                    Code::DueBackOutOfRange,
                    format!("The due-back date must be today or later{range}."),
                    "Ask with another due-back date.",
                ));
            }
            if rules.temporary.most_extensions.is_some_and(|most| facts.request.extensions > u32::from(most))
            {
                reasons.push(Reason::refuses(
                    Code::ExtensionsUsedUp,
                    "This issue has been extended as often as the rules allow.",
                    "The key comes back and is asked for anew.",
                ));
            }
        }
    }
    if let Some(needed_from) = facts.request.needed_from {
        let notice = rules.notices.iter().filter(|notice| facts.matches(&notice.when));
        if let Some(hours) = notice.map(|notice| notice.hours).max()
            && needed_from - facts.request.asked_at < Duration::hours(i64::from(hours))
        {
            reasons.push(Reason::refuses(
                Code::NoticeTooShort,
                format!("Such a key is asked for {hours} hours before it is needed."),
                "Ask for a later day.",
            ));
        }
    }
}
