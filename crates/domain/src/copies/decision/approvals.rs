//! Rules 4 and 11: approvals, and what stands in for them in an emergency.

use crate::copies::decision::facts::{ApprovalFacts, AuthorityFacts, Facts, Step};
use crate::copies::decision::{Code, Reason};
use crate::register::rules::{Need, Rules};

pub(crate) fn approvals_given(facts: &Facts, rules: &Rules, reasons: &mut Vec<Reason>) {
    if let Some(approver) = &facts.approver {
        if is_own(facts, approver) {
            reasons.push(Reason::refuses(
                Code::OwnRequest,
                "Nobody approves a request that they made or that is for them.",
                "Somebody else who may approve does.",
            ));
        }
        if !approver.emergency && approving(facts, approver).next().is_none() {
            reasons.push(Reason::refuses(
                Code::ApproverWithoutAuthority,
                "This person has no approving authority in force for this key.",
                "Somebody with approving authority for this key approves.",
            ));
        }
    }
    if overriding(facts, rules) {
        return;
    }
    let missing = missing_needs(facts, rules);
    if !missing.is_empty() {
        let words: Vec<String> = missing.iter().map(in_words).collect();
        reasons.push(Reason::needs(
            format!("Approval is still needed from {}.", words.join("; and from ")),
            missing,
        ));
    }
}

pub(crate) fn emergency_override(facts: &Facts, rules: &Rules, reasons: &mut Vec<Reason>) {
    if let Some(approver) = facts.approver.as_ref().filter(|approver| approver.emergency) {
        if !facts.request.emergency_reason {
            reasons.push(Reason::refuses(
                Code::OverrideWithoutReason,
                "An override needs a written reason why the normal authority cannot act.",
                "The request is made again with the reason, or the normal authority approves.",
            ));
        }
        if !is_officer(facts, rules, approver) {
            reasons.push(Reason::refuses(
                Code::OfficerNotNamed,
                "Only an officer whom the rules name may override.",
                "A named officer does, or the normal authority approves.",
            ));
        }
    }
    if overriding(facts, rules) {
        reasons.push(Reason::note(
            Code::OverrideUsed,
            "A named officer approved in place of the normal authority; this is listed apart.",
        ));
    }
}

fn given(facts: &Facts) -> impl Iterator<Item = &ApprovalFacts> {
    let new = facts.approver.iter().filter(|_| facts.step == Step::Approve);
    facts.approvals.iter().chain(new).filter(|approval| !is_own(facts, approval))
}

fn is_own(facts: &Facts, approval: &ApprovalFacts) -> bool {
    approval.person.id == facts.asker.id || approval.person.id == facts.recipient.id
}

fn approving<'a>(facts: &'a Facts, approval: &'a ApprovalFacts) -> impl Iterator<Item = &'a AuthorityFacts> {
    approval.person.standing_authorities(facts.today()).filter(|authority| authority.may_approve)
}

/// An officer's post need not cover the differ: that is the point of an override.
fn is_officer(facts: &Facts, rules: &Rules, approval: &ApprovalFacts) -> bool {
    approval
        .person
        .authorities
        .iter()
        .filter(|authority| authority.in_force(facts.today()))
        .any(|authority| authority.post.as_ref().is_some_and(|post| rules.emergency.posts.contains(post)))
}

fn overriding(facts: &Facts, rules: &Rules) -> bool {
    facts.request.emergency_reason
        && given(facts).any(|approval| approval.emergency && is_officer(facts, rules, approval))
}

/// The needs that no approval meets, each person counting for one of them at most.
///
/// People are matched to needs so that as many needs as possible are met (augmenting paths): a
/// dean who could stand for two lines takes the one that nobody else can.
fn missing_needs(facts: &Facts, rules: &Rules) -> Vec<Need> {
    let slots: Vec<&Need> = rules
        .approvals
        .iter()
        .filter(|rule| facts.matches(&rule.when))
        .flat_map(|rule| &rule.needs)
        .flat_map(|need| std::iter::repeat_n(need, usize::from(need.count)))
        .collect();
    let mut people: Vec<Vec<&AuthorityFacts>> = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    for approval in given(facts).filter(|approval| !approval.emergency) {
        if seen.insert(approval.person.id) {
            people.push(approving(facts, approval).collect());
        }
    }
    let meets = |person: usize, slot: usize| {
        let (Some(authorities), Some(need)) = (people.get(person), slots.get(slot)) else { return false };
        authorities.iter().any(|authority| meets(need, authority))
    };
    let mut taken_by: Vec<Option<usize>> = vec![None; slots.len()];
    for person in 0..people.len() {
        let mut tried = vec![false; slots.len()];
        place(person, &meets, &mut taken_by, &mut tried);
    }
    let mut missing: Vec<Need> = Vec::new();
    for (need, _) in slots.iter().zip(&taken_by).filter(|(_, taken)| taken.is_none()) {
        match missing.iter_mut().find(|other| other.posts == need.posts && other.classes == need.classes) {
            Some(other) => other.count += 1,
            None => missing.push(Need { count: 1, ..(*need).clone() }),
        }
    }
    missing
}

fn meets(need: &Need, authority: &AuthorityFacts) -> bool {
    (need.classes.is_empty() || need.classes.contains(&authority.class))
        && (need.posts.is_empty() || authority.post.as_ref().is_some_and(|post| need.posts.contains(post)))
}

/// Finds a slot for a person, moving others to slots of theirs where that makes room.
fn place(
    person: usize,
    meets: &impl Fn(usize, usize) -> bool,
    taken_by: &mut [Option<usize>],
    tried: &mut [bool],
) -> bool {
    for slot in 0..taken_by.len() {
        if !meets(person, slot) || tried.get(slot).copied().unwrap_or(true) {
            continue;
        }
        if let Some(mark) = tried.get_mut(slot) {
            *mark = true;
        }
        let holder = taken_by.get(slot).copied().flatten();
        if holder.is_none_or(|other| place(other, meets, taken_by, tried)) {
            if let Some(entry) = taken_by.get_mut(slot) {
                *entry = Some(person);
            }
            return true;
        }
    }
    false
}

fn in_words(need: &Need) -> String {
    let with_article = |word: &str| {
        let vowel = word.starts_with(['a', 'e', 'i', 'o', 'u']);
        format!("{} {word}", if vowel { "an" } else { "a" })
    };
    let mut kinds: Vec<String> =
        need.posts.iter().map(|post| with_article(&post.as_str().replace('_', " "))).collect();
    if kinds.is_empty() {
        kinds = need.classes.iter().map(|class| with_article(class.as_str())).collect();
    }
    let who = match kinds.split_last() {
        None => "anybody with approving authority".to_owned(),
        Some((last, [])) => last.clone(),
        Some((last, others)) => format!("{} or {last}", others.join(", ")),
    };
    if need.count == 1 { who } else { format!("{who} ({} different people)", need.count) }
}
