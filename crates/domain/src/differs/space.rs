//! The differs of a geometry, counted and numbered without listing them.
//!
//! A differ is built from bow to tip. What the positions so far leave possible for the rest is a
//! `State`; differs that lead to the same state can be completed in the same number of ways, so
//! each state is counted once (dynamic programming):
//!
//! ```text
//! completions(state) = 1, when no position is left
//!                    = sum over heights h allowed in state: completions(state after h)
//! ```
//!
//! The number of a differ (its rank, from 0) is its place in the order of its heights from bow to
//! tip. 31 heights at 16 positions are 7.2 * 10^23: no count leaves a `u128`.
//!
//! ```
//! use domain::differs::{geometry::Geometry, space::Space};
//! let space = Space::of(&Geometry::plain(6, 7)).unwrap();
//! assert_eq!(space.count(), 117_649); // 7^6
//! assert_eq!(space.rank(&space.unrank(4_711).unwrap()), Some(4_711));
//! ```

use std::collections::HashMap;

use serde::Serialize;
use thiserror::Error;
use utoipa::ToSchema;

use crate::differs::geometry::Geometry;

/// The most states that are kept for one geometry: some ten megabytes.
const MOST_STATES: usize = 150_000;

/// A geometry that is not counted.
#[derive(Debug, Error, PartialEq, Eq)]
#[error(
    "has rules that take more than {MOST_STATES} states to count: fewer positions or heights, or a wider rule"
)]
pub struct TooLarge;

/// No height yet, or none that matters.
const NONE: u8 = u8::MAX;

/// What the positions so far leave possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct State {
    /// Positions left.
    left: u8,
    /// The height before, where a rule looks at neighbours.
    last: u8,
    /// How often it has stood side by side.
    run: u8,
    /// Heights used, a bit each; all bits, once there are enough of them.
    used: u32,
    /// How often each height may still stand, four bits each, never more than positions are left.
    allowance: u128,
}

/// The rules that bind, with those taken out that ask nothing.
#[derive(Debug, Clone)]
struct Rules {
    positions: u8,
    heights: u8,
    lowest: u8,
    /// For each position, the forbidden heights, a bit each.
    forbidden: Vec<u32>,
    most_alike: Option<u8>,
    in_a_row: Option<u8>,
    largest_step: Option<u8>,
    fewest_heights: Option<u8>,
}

impl Rules {
    fn of(geometry: &Geometry) -> Self {
        let (positions, heights) = (geometry.positions, geometry.heights);
        let forbidden_at = |position| {
            let forbidden = |height: &u8| geometry.forbids(position, *height);
            (0..heights).filter(forbidden).fold(0, |bits: u32, height| bits | 1 << height)
        };
        Self {
            positions,
            heights,
            lowest: geometry.lowest,
            forbidden: (0..positions).map(forbidden_at).collect(),
            most_alike: geometry.most_alike.filter(|most| *most < positions),
            in_a_row: geometry.most_alike_in_a_row.filter(|most| *most < positions),
            largest_step: geometry.largest_step.filter(|most| *most < heights.saturating_sub(1)),
            fewest_heights: geometry.fewest_heights.filter(|fewest| *fewest > 1),
        }
    }

    fn start(&self) -> State {
        let allowance = self.most_alike.map_or(0, |most| {
            (0..self.heights).fold(0, |bits: u128, height| bits | u128::from(most) << (4 * height))
        });
        let used = if self.fewest_heights.is_some() { 0 } else { u32::MAX };
        State { left: self.positions, last: NONE, run: 0, used, allowance }
    }

    /// The state after a height, counted from 0; none, when it may not stand here.
    fn after(&self, state: State, height: u8) -> Option<State> {
        let left = state.left.checked_sub(1)?;
        let forbidden = self.forbidden.get(usize::from(self.positions - state.left)).copied()?;
        if forbidden >> height & 1 == 1 {
            return None;
        }
        if self.largest_step.is_some_and(|most| state.last != NONE && state.last.abs_diff(height) > most) {
            return None;
        }
        let run = if state.last == height { state.run + 1 } else { 1 };
        if self.in_a_row.is_some_and(|most| run > most) {
            return None;
        }
        let allowance = match self.most_alike {
            Some(most) => self.spend(state, height, left, most)?,
            None => 0,
        };
        let used = self.use_height(state.used, height, left)?;
        if left == 0 {
            return Some(State { left, last: NONE, run: 0, used: u32::MAX, allowance: 0 });
        }
        let looks_back = self.largest_step.is_some() || self.in_a_row.is_some();
        Some(State {
            left,
            last: if looks_back { height } else { NONE },
            run: if self.in_a_row.is_some() { run } else { 0 },
            used,
            allowance,
        })
    }

    fn spend(&self, state: State, height: u8, left: u8, most: u8) -> Option<u128> {
        let of = |height: u8| state.allowance >> (4 * height) & 15;
        if of(height) == 0 {
            return None;
        }
        if left >= most {
            return Some(state.allowance - (1 << (4 * height)));
        }
        let spent = |other: u8| (of(other) - u128::from(other == height)).min(u128::from(left));
        Some((0..self.heights).fold(0, |bits, other| bits | spent(other) << (4 * other)))
    }

    fn use_height(&self, used: u32, height: u8, left: u8) -> Option<u32> {
        let Some(fewest) = self.fewest_heights.filter(|_| used != u32::MAX) else { return Some(u32::MAX) };
        let used = used | 1 << height;
        let lacking = u32::from(fewest).saturating_sub(used.count_ones());
        match lacking {
            0 => Some(u32::MAX),
            _ if lacking > u32::from(left) => None,
            _ => Some(used),
        }
    }
}

/// The differs of a geometry.
pub struct Space {
    rules: Rules,
    completions: HashMap<State, u128>,
    count: u128,
}

impl Space {
    /// Counts a geometry whose [`Geometry::problems`] are none.
    ///
    /// # Errors
    /// When its rules take too many states.
    pub fn of(geometry: &Geometry) -> Result<Self, TooLarge> {
        let rules = Rules::of(geometry);
        let mut completions = HashMap::new();
        let count = count_from(&rules, rules.start(), &mut completions)?;
        Ok(Self { rules, completions, count })
    }

    /// How many differs there are.
    #[must_use]
    pub fn count(&self) -> u128 {
        self.count
    }

    fn completions(&self, state: State) -> u128 {
        if state.left == 0 { 1 } else { self.completions.get(&state).copied().unwrap_or(0) }
    }

    /// The differ with a number from 0 to `count() - 1`.
    #[must_use]
    pub fn unrank(&self, rank: u128) -> Option<Vec<u8>> {
        if rank >= self.count {
            return None;
        }
        let (mut rank, mut state) = (rank, self.rules.start());
        let mut heights = Vec::with_capacity(usize::from(self.rules.positions));
        while state.left > 0 {
            let (height, next) = (0..self.rules.heights).find_map(|height| {
                let next = self.rules.after(state, height)?;
                let here = self.completions(next);
                if rank < here {
                    return Some((height, next));
                }
                rank -= here;
                None
            })?;
            heights.push(self.rules.lowest + height);
            state = next;
        }
        Some(heights)
    }

    /// The number of a differ; none, when it breaks a rule or is none of this geometry.
    #[must_use]
    pub fn rank(&self, heights: &[u8]) -> Option<u128> {
        if heights.len() != usize::from(self.rules.positions) {
            return None;
        }
        let (mut rank, mut state) = (0, self.rules.start());
        for height in heights {
            let height = height.checked_sub(self.rules.lowest).filter(|own| *own < self.rules.heights)?;
            let before = (0..height).filter_map(|lower| self.rules.after(state, lower));
            rank += before.map(|next| self.completions(next)).sum::<u128>();
            state = self.rules.after(state, height)?;
        }
        Some(rank)
    }

    /// Whether a differ keeps every rule.
    #[must_use]
    pub fn contains(&self, heights: &[u8]) -> bool {
        self.rank(heights).is_some()
    }

    /// A number of a differ, each as likely as any other; the caller draws the bytes. Values beyond
    /// the count are drawn again, half of them at most.
    ///
    /// # Errors
    /// What drawing bytes fails with; never, when there are differs and the bytes are random.
    pub fn draw_rank(&self, mut bytes: impl FnMut() -> [u8; 16]) -> Option<u128> {
        let last = self.count.checked_sub(1)?;
        let mask = u128::MAX.checked_shr(last.leading_zeros()).unwrap_or(0);
        // A source that is random misses 256 times in a row once in 2^256.
        (0..256).map(|_| u128::from_be_bytes(bytes()) & mask).find(|rank| *rank <= last)
    }
}

fn count_from(rules: &Rules, state: State, known: &mut HashMap<State, u128>) -> Result<u128, TooLarge> {
    if state.left == 0 {
        return Ok(1);
    }
    if let Some(count) = known.get(&state) {
        return Ok(*count);
    }
    let mut count = 0;
    for height in 0..rules.heights {
        if let Some(next) = rules.after(state, height) {
            count += count_from(rules, next, known)?;
        }
    }
    if known.len() >= MOST_STATES {
        return Err(TooLarge);
    }
    known.insert(state, count);
    Ok(count)
}

/// How many differs remain after a rule and those before it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct RuleCost {
    /// The rule, as the geometry calls it.
    pub rule: &'static str,
    /// How many differs remain, in decimal digits.
    #[serde(serialize_with = "as_digits")]
    #[schema(value_type = String, pattern = "^[0-9]+$")]
    pub left: u128,
}

/// A count in decimal digits: it may be more than JSON numbers hold in many programs.
///
/// # Errors
/// As the serializer fails.
#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde hands over a reference")]
pub fn as_digits<S: serde::Serializer>(count: &u128, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_str(count)
}

/// What each rule of a geometry costs, in the order in which they are written.
///
/// # Errors
/// When its rules take too many states.
pub fn rule_costs(geometry: &Geometry) -> Result<Vec<RuleCost>, TooLarge> {
    let mut so_far =
        Geometry { lowest: geometry.lowest, ..Geometry::plain(geometry.positions, geometry.heights) };
    let mut costs = vec![RuleCost { rule: "none", left: Space::of(&so_far)?.count() }];
    let mut add = |rule, so_far: &Geometry| {
        costs.push(RuleCost { rule, left: Space::of(so_far)?.count() });
        Ok(())
    };
    if !geometry.forbidden.is_empty() {
        so_far.forbidden.clone_from(&geometry.forbidden);
        add("forbidden", &so_far)?;
    }
    if geometry.most_alike.is_some() {
        so_far.most_alike = geometry.most_alike;
        add("most_alike", &so_far)?;
    }
    if geometry.most_alike_in_a_row.is_some() {
        so_far.most_alike_in_a_row = geometry.most_alike_in_a_row;
        add("most_alike_in_a_row", &so_far)?;
    }
    if geometry.largest_step.is_some() {
        so_far.largest_step = geometry.largest_step;
        add("largest_step", &so_far)?;
    }
    if geometry.fewest_heights.is_some() {
        so_far.fewest_heights = geometry.fewest_heights;
        add("fewest_heights", &so_far)?;
    }
    Ok(costs)
}
