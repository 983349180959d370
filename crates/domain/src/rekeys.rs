//! Rekeys, and how one is worked out beforehand: which locks, what each gets, how many keys, and what it costs.
//!
//! Every lock that answers to a compromised differ gets a lever pack; what was keyed alike stays
//! alike, and differs that are not compromised stay as they are. A pack comes with keys (two, common
//! practice), all cut to one of the lock's new differs; a supplier may also sell levers without keys.
//! Everybody who had a key of a compromised differ gets one of the differ in its place: from the
//! packs as far as they go, and cut singly beyond that. Where locks are keyed alike there are more
//! packs than keys are needed, or the keys of a pack may be cut to one differ or another: the plan is
//! the cheapest of all, and the tests compare it with trying every one.

use serde::{Deserialize, Serialize};
use time::OffsetDateTime;
use utoipa::ToSchema;

use crate::count::number_of;
use crate::ids::{DifferId, LeverPackId, LockId, LossId, PersonId, RegistrationId, RekeyId};
use crate::money::{MOST_AMOUNT, is_currency};
use crate::text::Name;

words! {
    /// Where a rekey stands.
    pub enum RekeyState {
        /// Some locks still answer to the old differs.
        UnderWay = "under_way",
        /// Every lock was fitted.
        Done = "done",
        /// Given up before any lock was fitted.
        Stopped = "stopped",
    }
}

words! {
    /// What a service part is counted by.
    pub enum Per {
        /// So many for each lock that is fitted.
        Lock = "lock",
        /// So many for the whole job.
        Job = "job",
    }
}

/// A part that goes with the work: springs, screws, keeps.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ServicePart {
    /// What it is.
    pub name: Name,
    /// Counted by what.
    pub per: Per,
    /// How many of them.
    #[schema(minimum = 1, maximum = 1000)]
    pub quantity: u32,
    /// The price of one, in the smallest unit of the currency.
    #[schema(maximum = 100_000_000)]
    pub price: u32,
}

/// A supplier's prices for a section, in the smallest unit of the currency.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Prices {
    /// ISO 4217.
    #[schema(pattern = "^[A-Z]{3}$")]
    pub currency: String,
    /// A lever pack with its keys.
    #[schema(maximum = 100_000_000)]
    pub pack: u32,
    /// Keys that come with a pack.
    #[serde(default = "common_practice")]
    #[schema(minimum = 1, maximum = 10)]
    pub keys_with_pack: u32,
    /// The levers of a pack without keys, where they are sold.
    #[serde(default)]
    #[schema(maximum = 100_000_000)]
    pub levers: Option<u32>,
    /// A key cut singly.
    #[schema(maximum = 100_000_000)]
    pub key: u32,
    /// Fitting one lock.
    #[serde(default)]
    #[schema(maximum = 100_000_000)]
    pub fitting: u32,
    /// Parts that go with the work.
    #[serde(default)]
    #[schema(max_items = 50)]
    pub parts: Vec<ServicePart>,
}

/// How many keys come with a pack where no price list says otherwise (common practice).
pub const KEYS_WITH_PACK: u32 = 2;

const fn common_practice() -> u32 {
    KEYS_WITH_PACK
}

/// How many keys come with a pack, by a price list if there is one.
#[must_use]
pub fn keys_with_pack(list: Option<&Prices>) -> u32 {
    list.map_or(KEYS_WITH_PACK, |prices| prices.keys_with_pack)
}

/// Something in a price list that cannot be meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PriceError {
    /// Where: a JSON pointer into the list.
    pub pointer: String,
    /// What is wrong.
    pub problem: &'static str,
}

impl Prices {
    /// Everything that cannot be meant.
    #[must_use]
    pub fn problems(&self) -> Vec<PriceError> {
        let mut problems = Vec::new();
        let mut say = |pointer: String, problem| problems.push(PriceError { pointer, problem });
        if !is_currency(&self.currency) {
            say("/currency".to_owned(), "must be three capital letters (ISO 4217)");
        }
        for (price, field) in [
            (self.pack, "pack"),
            (self.levers.unwrap_or(0), "levers"),
            (self.key, "key"),
            (self.fitting, "fitting"),
        ] {
            if price > MOST_AMOUNT {
                say(format!("/{field}"), "must be at most 100000000");
            }
        }
        if !(1..=10).contains(&self.keys_with_pack) {
            say("/keys_with_pack".to_owned(), "must be from 1 to 10");
        }
        if self.parts.len() > 50 {
            say("/parts".to_owned(), "must have at most 50 lines");
        }
        for (at, part) in self.parts.iter().enumerate() {
            if !(1..=1000).contains(&part.quantity) || part.price > MOST_AMOUNT {
                say(format!("/parts/{at}"), "has a quantity or a price out of range");
            }
        }
        problems
    }

    /// How many of a part a job of so many locks takes.
    #[must_use]
    pub fn parts_for(part: &ServicePart, locks: u32) -> u64 {
        match part.per {
            Per::Lock => u64::from(part.quantity) * u64::from(locks),
            Per::Job => u64::from(part.quantity),
        }
    }

    /// What the parts of a job of so many locks cost.
    #[must_use]
    pub fn parts_cost(&self, locks: u32) -> u64 {
        let cost = |part| Self::parts_for(part, locks) * u64::from(part.price);
        self.parts.iter().map(cost).sum()
    }
}

/// What a rekey has to bring about. Differs are numbered as the caller likes, from 0.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Job {
    /// For each lock, the new differs to which the keys of its pack may be cut; at least one.
    pub locks: Vec<Vec<usize>>,
    /// For each new differ, how many keys are needed.
    pub needs: Vec<u32>,
}

/// How a job is done for the least money.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// For each lock, the differ that the keys of its pack are cut to; levers without keys, when absent.
    pub keys_for: Vec<Option<usize>>,
    /// For each new differ, the keys that come with packs.
    pub with_packs: Vec<u32>,
    /// For each new differ, the keys to cut singly.
    pub to_cut: Vec<u32>,
    /// What it costs, fitting and parts included.
    pub cost: u64,
}

/// What a choice costs, and how its keys are spread.
fn priced(job: &Job, prices: &Prices, keys_for: Vec<Option<usize>>) -> Plan {
    let mut with_packs = vec![0_u32; job.needs.len()];
    for differ in keys_for.iter().flatten() {
        if let Some(count) = with_packs.get_mut(*differ) {
            *count += prices.keys_with_pack;
        }
    }
    let to_cut: Vec<u32> =
        job.needs.iter().zip(&with_packs).map(|(need, have)| need.saturating_sub(*have)).collect();
    let packs = keys_for.iter().flatten().count() as u64;
    let bare = keys_for.len() as u64 - packs;
    let cost = packs * u64::from(prices.pack)
        + bare * u64::from(prices.levers.unwrap_or(prices.pack))
        + to_cut.iter().map(|keys| u64::from(*keys)).sum::<u64>() * u64::from(prices.key)
        + keys_for.len() as u64 * u64::from(prices.fitting)
        + prices.parts_cost(number_of(keys_for.len()));
    Plan { keys_for, with_packs, to_cut, cost }
}

/// The cheapest plan.
///
/// Each pack whose keys go to a differ saves what its keys would cost if they were cut singly: the
/// first packs as many as come with one, the last what is then still needed. Such savings are *slots*;
/// which sets of slots can be filled by different locks is a transversal matroid, so that taking the
/// largest saving first, wherever an augmenting path finds it a lock, leaves none better (Edmonds 1971;
/// from memory).
#[must_use]
pub fn cheapest(job: &Job, prices: &Prices) -> Plan {
    let with_pack = prices.keys_with_pack;
    // What a pack costs more than its levers alone; nothing, where they are not sold alone.
    let dearer = i64::from(prices.pack) - i64::from(prices.levers.unwrap_or(prices.pack));
    let mut slots: Vec<(i64, usize)> = Vec::new();
    for (differ, need) in job.needs.iter().enumerate() {
        let mut left = *need;
        for _ in job.locks.iter().filter(|fits| fits.contains(&differ)) {
            let covered = left.min(with_pack);
            if covered == 0 {
                break;
            }
            left -= covered;
            let saving = i64::from(covered) * i64::from(prices.key) - dearer;
            // A pack that costs no more than levers and keys singly is taken for its keys.
            if saving >= 0 {
                slots.push((saving, differ));
            }
        }
    }
    slots.sort_by_key(|(saving, _)| std::cmp::Reverse(*saving));
    let mut filled: Vec<Option<usize>> = vec![None; job.locks.len()];
    for (at, (_, differ)) in slots.iter().enumerate() {
        let mut seen = vec![false; job.locks.len()];
        place(job, &slots, &mut filled, &mut seen, at, *differ);
    }
    let mut keys_for: Vec<Option<usize>> =
        filled.iter().map(|slot| slot.and_then(|slot| slots.get(slot)).map(|(_, differ)| *differ)).collect();
    if prices.levers.is_none_or(|levers| levers >= prices.pack) {
        // Levers alone are not sold, or not cheaper: the keys come anyhow.
        for (own, fits) in keys_for.iter_mut().zip(&job.locks) {
            *own = own.or(fits.first().copied());
        }
    }
    priced(job, prices, keys_for)
}

/// Finds a lock for a slot, moving others where they have a choice (Kuhn's augmenting path).
fn place(
    job: &Job,
    slots: &[(i64, usize)],
    filled: &mut [Option<usize>],
    seen: &mut [bool],
    slot: usize,
    differ: usize,
) -> bool {
    // A lock that is free needs no search.
    let is_free = |lock: &usize| filled.get(*lock).is_some_and(Option::is_none);
    let free = (0..).zip(&job.locks).find(|(lock, fits)| fits.contains(&differ) && is_free(lock));
    if let Some(own) = free.and_then(|(lock, _)| filled.get_mut(lock)) {
        *own = Some(slot);
        return true;
    }
    for (lock, fits) in job.locks.iter().enumerate() {
        if !fits.contains(&differ) || seen.get(lock).copied().unwrap_or(true) {
            continue;
        }
        if let Some(seen) = seen.get_mut(lock) {
            *seen = true;
        }
        let other = filled.get(lock).copied().flatten();
        let free = other.is_none_or(|other| {
            let theirs = slots.get(other).map(|(_, differ)| *differ);
            theirs.is_some_and(|differ| place(job, slots, filled, seen, other, differ))
        });
        if free {
            if let Some(own) = filled.get_mut(lock) {
                *own = Some(slot);
            }
            return true;
        }
    }
    false
}

record! {
    /// A rekey that was begun.
    pub struct Rekey {
        /// Its id.
        id: RekeyId,
        /// The registration that it belongs to.
        registration_id: RegistrationId,
        /// The loss that led to it.
        loss_id: Option<LossId>,
        /// Why the locks are rekeyed.
        reason: String,
        /// Its state.
        state: RekeyState,
        /// The plan as it was when it was begun.
        plan: serde_json::Value,
        /// When it was begun.
        #[serde(with = "time::serde::rfc3339")]
        begun_at: OffsetDateTime,
        /// When it was done, or stopped.
        #[serde(with = "time::serde::rfc3339::option")]
        ended_at: Option<OffsetDateTime>,
    }

    /// Which differ takes the place of which.
    pub struct RekeyDiffer {
        /// The old one.
        old_differ_id: DifferId,
        /// The new one.
        new_differ_id: DifferId,
    }

    /// A lock in a rekey.
    pub struct RekeyLock {
        /// The lock.
        lock_id: LockId,
        /// The differ that the keys of its pack are cut to; levers without keys, when absent.
        keys_for: Option<DifferId>,
        /// When the levers were fitted.
        #[serde(with = "time::serde::rfc3339::option")]
        fitted_at: Option<OffsetDateTime>,
        /// Who fitted the pack.
        fitted_by: Option<PersonId>,
        /// The pack.
        lever_pack_id: Option<LeverPackId>,
        /// Old keys that were collected there.
        old_keys_collected: Option<u32>,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn prices(pack: u32, levers: Option<u32>, key: u32, keys_with_pack: u32) -> Prices {
        Prices { currency: "GBP".to_owned(), pack, keys_with_pack, levers, key, fitting: 3, parts: vec![] }
    }

    /// Every choice for every lock, one after the other.
    fn cheapest_of_all(job: &Job, prices: &Prices) -> u64 {
        let mut choices: Vec<Vec<Option<usize>>> = vec![vec![]];
        for fits in &job.locks {
            let mut options: Vec<Option<usize>> = fits.iter().copied().map(Some).collect();
            if prices.levers.is_some() {
                options.push(None);
            }
            choices = choices
                .iter()
                .flat_map(|so_far| options.iter().map(move |option| [so_far.as_slice(), &[*option]].concat()))
                .collect();
        }
        choices.into_iter().map(|choice| priced(job, prices, choice).cost).min().unwrap()
    }

    fn jobs() -> impl Strategy<Value = Job> {
        (1..=3_usize).prop_flat_map(|differs| {
            let fits = proptest::collection::btree_set(0..differs, 1..=differs)
                .prop_map(|fits| fits.into_iter().collect::<Vec<_>>());
            (proptest::collection::vec(fits, 1..=6), proptest::collection::vec(0..9_u32, differs))
                .prop_map(|(locks, needs)| Job { locks, needs })
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(3000))]
        #[test]
        fn no_plan_is_cheaper(
            job in jobs(),
            (pack, levers, key, with_pack) in (1..60_u32, proptest::option::of(1..60_u32), 0..20_u32, 1..4_u32),
        ) {
            let prices = prices(pack, levers, key, with_pack);
            let plan = cheapest(&job, &prices);
            prop_assert_eq!(plan.cost, cheapest_of_all(&job, &prices));
            for (own, fits) in plan.keys_for.iter().zip(&job.locks) {
                prop_assert!(own.is_none_or(|own| fits.contains(&own)));
                prop_assert!(own.is_some() || prices.levers.is_some());
            }
            for ((need, have), cut) in job.needs.iter().zip(&plan.with_packs).zip(&plan.to_cut) {
                prop_assert_eq!(need.saturating_sub(*have), *cut);
            }
        }
    }

    #[test]
    fn keys_come_with_a_pack_as_the_price_list_says_or_as_is_common_practice() {
        assert_eq!(keys_with_pack(Some(&prices(4_000, None, 900, 5))), 5);
        assert_eq!(keys_with_pack(None), KEYS_WITH_PACK);
        assert_eq!(KEYS_WITH_PACK, 2);
    }

    /// Common practice: front and back alike, two keys with each pack; a couple lost a key.
    #[test]
    fn a_pair_of_doors_is_rekeyed_with_two_packs_and_the_second_may_come_without_keys() {
        let job = Job { locks: vec![vec![0], vec![0]], needs: vec![2] };
        let plan = cheapest(&job, &prices(4_000, None, 900, 2));
        assert_eq!((plan.with_packs, plan.to_cut, plan.cost), (vec![4], vec![0], 8_006));
        let plan = cheapest(&job, &prices(4_000, Some(2_500), 900, 2));
        assert_eq!((plan.with_packs, plan.to_cut, plan.cost), (vec![2], vec![0], 6_506));
        let three = Job { needs: vec![3], ..job };
        let plan = cheapest(&three, &prices(4_000, Some(2_500), 900, 2));
        assert_eq!((plan.with_packs, plan.to_cut, plan.cost), (vec![2], vec![1], 7_406));
    }

    /// The keys of a lock under a suite's differ may be cut to either.
    #[test]
    fn keys_of_packs_go_where_they_are_short() {
        let job = Job { locks: vec![vec![0, 2], vec![1, 2], vec![1, 2]], needs: vec![2, 1, 3] };
        let plan = cheapest(&job, &prices(10, None, 5, 2));
        assert_eq!(plan.to_cut.iter().sum::<u32>(), 1);
    }

    /// Where it costs as much one way as the other, keys that come with packs are better than keys cut singly.
    #[test]
    fn a_pack_that_costs_what_levers_and_keys_cost_is_taken_with_its_keys() {
        let job = Job { locks: vec![vec![0]], needs: vec![2] };
        let plan = cheapest(&job, &prices(10, Some(8), 1, 2));
        assert_eq!((plan.keys_for, plan.to_cut, plan.cost), (vec![Some(0)], vec![0], 13));
        let nobody = Job { needs: vec![0], ..job };
        assert_eq!(cheapest(&nobody, &prices(10, Some(8), 1, 2)).keys_for, [None]);
    }

    #[test]
    fn a_plan_costs_its_parts_too() {
        let spring =
            ServicePart { name: Name::parse("spring").unwrap(), per: Per::Lock, quantity: 2, price: 7 };
        let with_parts = Prices { parts: vec![spring], ..prices(10, None, 1, 2) };
        let job = Job { locks: vec![vec![0], vec![0]], needs: vec![4] };
        assert_eq!(cheapest(&job, &with_parts).cost, 2 * (10 + 3 + 2 * 7));
    }

    #[test]
    fn what_cannot_be_meant_in_a_price_list_is_said_and_the_limits_themselves_are_no_problem() {
        let part = |quantity, price| ServicePart {
            name: Name::parse("spring").unwrap(),
            per: Per::Lock,
            quantity,
            price,
        };
        let most = MOST_AMOUNT;
        let right = Prices {
            currency: "GBP".to_owned(),
            pack: most,
            keys_with_pack: 10,
            levers: Some(most),
            key: most,
            fitting: most,
            parts: vec![part(1, most), part(1000, 0)],
        };
        assert_eq!(right.problems(), []);
        assert_eq!(Prices { parts: vec![part(1, 1); 50], ..right.clone() }.problems(), []);
        for (wrong, place) in [
            (Prices { currency: "GB".to_owned(), ..right.clone() }, "/currency"),
            (Prices { currency: "GBp".to_owned(), ..right.clone() }, "/currency"),
            (Prices { pack: most + 1, ..right.clone() }, "/pack"),
            (Prices { levers: Some(most + 1), ..right.clone() }, "/levers"),
            (Prices { key: most + 1, ..right.clone() }, "/key"),
            (Prices { fitting: most + 1, ..right.clone() }, "/fitting"),
            (Prices { keys_with_pack: 11, ..right.clone() }, "/keys_with_pack"),
            (Prices { parts: vec![part(1, 1); 51], ..right.clone() }, "/parts"),
            (Prices { parts: vec![part(1, 1), part(0, 1)], ..right.clone() }, "/parts/1"),
            (Prices { parts: vec![part(1001, 1)], ..right.clone() }, "/parts/0"),
            (Prices { parts: vec![part(1, most + 1)], ..right }, "/parts/0"),
        ] {
            let places: Vec<_> = wrong.problems().into_iter().map(|problem| problem.pointer).collect();
            assert_eq!(places, [place]);
        }
    }

    /// Two keys with a pack are common practice.
    #[test]
    fn a_pack_comes_with_two_keys_where_the_list_says_nothing() {
        let list = r#"{"currency": "GBP", "pack": 4000, "key": 900}"#;
        assert_eq!(serde_json::from_str::<Prices>(list).unwrap().keys_with_pack, 2);
    }

    #[test]
    fn parts_are_counted_by_lock_and_by_job() {
        let part =
            |per, quantity| ServicePart { name: Name::parse("spring").unwrap(), per, quantity, price: 7 };
        let prices = Prices { parts: vec![part(Per::Lock, 2), part(Per::Job, 5)], ..prices(0, None, 0, 2) };
        assert_eq!(prices.parts_cost(20), (40 + 5) * 7);
        let wrong = Prices { currency: "gbp".to_owned(), keys_with_pack: 0, ..prices };
        let places: Vec<_> = wrong.problems().into_iter().map(|problem| problem.pointer).collect();
        assert_eq!(places, ["/currency", "/keys_with_pack"]);
    }
}
