//! What the keys of a section are made to: positions, heights, and the rules that a differ keeps.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

words! {
    /// A standard that locks of a section are sold to.
    pub enum Claim {
        /// EN 1303, grade 1.
        En1303Grade1 = "en_1303_grade_1",
        /// EN 1303, grade 2.
        En1303Grade2 = "en_1303_grade_2",
        /// EN 1303, grade 3.
        En1303Grade3 = "en_1303_grade_3",
        /// EN 1303, grade 4.
        En1303Grade4 = "en_1303_grade_4",
        /// EN 1303, grade 5.
        En1303Grade5 = "en_1303_grade_5",
        /// EN 1303, grade 6.
        En1303Grade6 = "en_1303_grade_6",
        /// BS 3621.
        Bs3621 = "bs_3621",
    }
}

/// Heights that must not stand at a position.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ForbiddenHeight {
    /// The position, counted from the bow, from 1.
    #[schema(minimum = 1, maximum = 16)]
    pub position: u8,
    /// The heights.
    pub heights: Vec<u8>,
}

/// How far apart two differs must be so that the key of one does not work the lock of the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Separation {
    /// Positions in which they differ, at least.
    #[schema(minimum = 1, maximum = 16)]
    pub positions: u8,
    /// Steps by which they differ, all positions together, at least.
    #[schema(minimum = 1, maximum = 480)]
    pub steps: u16,
}

impl Default for Separation {
    /// Two differs are not the same.
    fn default() -> Self {
        Self { positions: 1, steps: 1 }
    }
}

impl Separation {
    /// Whether two lists of heights are far enough apart. Keys of another length belong to another lock.
    #[must_use]
    pub fn holds(self, one: &[u8], other: &[u8]) -> bool {
        if one.len() != other.len() {
            return true;
        }
        let steps = || one.iter().zip(other).map(|(one, other)| u16::from(one.abs_diff(*other)));
        let positions = steps().filter(|step| *step > 0).count();
        positions >= usize::from(self.positions) && steps().sum::<u16>() >= self.steps
    }
}

/// The geometry of a section. A rule that is left out asks nothing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Geometry {
    /// Positions from bow to tip, one lever each.
    #[schema(minimum = 2, maximum = 16)]
    pub positions: u8,
    /// Heights at each position.
    #[schema(minimum = 2, maximum = 31)]
    pub heights: u8,
    /// The number of the lowest height.
    #[serde(default = "one")]
    #[schema(maximum = 30)]
    pub lowest: u8,
    /// Heights that must not stand at a position.
    #[serde(default)]
    pub forbidden: Vec<ForbiddenHeight>,
    /// Most positions with the same height.
    #[serde(default)]
    #[schema(minimum = 1, maximum = 16)]
    pub most_alike: Option<u8>,
    /// Most positions side by side with the same height.
    #[serde(default)]
    #[schema(minimum = 1, maximum = 16)]
    pub most_alike_in_a_row: Option<u8>,
    /// Largest step between neighbours.
    #[serde(default)]
    #[schema(maximum = 30)]
    pub largest_step: Option<u8>,
    /// Fewest heights that are not the same.
    #[serde(default)]
    #[schema(minimum = 1, maximum = 16)]
    pub fewest_heights: Option<u8>,
    /// How far apart the differs of one site are.
    #[serde(default)]
    pub separation: Separation,
    /// The standards that locks of this section are sold to.
    #[serde(default)]
    pub claims: Vec<Claim>,
}

fn one() -> u8 {
    1
}

/// Something in a geometry that cannot be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GeometryError {
    /// Where: a JSON pointer into the geometry.
    pub pointer: String,
    /// What is wrong.
    pub problem: &'static str,
}

/// The most lines of `forbidden`, and of heights in one.
const MOST_LINES: usize = 31;

impl Geometry {
    /// Positions and heights, without any rule.
    #[must_use]
    pub fn plain(positions: u8, heights: u8) -> Self {
        Self {
            positions,
            heights,
            lowest: 1,
            forbidden: vec![],
            most_alike: None,
            most_alike_in_a_row: None,
            largest_step: None,
            fewest_heights: None,
            separation: Separation::default(),
            claims: vec![],
        }
    }

    /// The number of the highest height.
    #[must_use]
    pub fn highest(&self) -> u8 {
        self.lowest.saturating_add(self.heights).saturating_sub(1)
    }

    /// Whether a height must not stand at a position, both counted from 0.
    #[must_use]
    pub fn forbids(&self, position: u8, height: u8) -> bool {
        self.forbidden
            .iter()
            .any(|line| line.position == position + 1 && line.heights.contains(&(self.lowest + height)))
    }

    /// Everything that cannot be, before anything is counted.
    #[must_use]
    pub fn problems(&self) -> Vec<GeometryError> {
        let mut problems = Vec::new();
        let mut say = |pointer: &str, problem| {
            problems.push(GeometryError { pointer: pointer.to_owned(), problem });
        };
        if !(2..=16).contains(&self.positions) {
            say("/positions", "must be from 2 to 16");
        }
        if !(2..=31).contains(&self.heights) {
            say("/heights", "must be from 2 to 31");
        } else if self.highest() > 30 {
            say("/lowest", "must leave the highest height at 30 or below");
        }
        for (value, pointer) in [
            (self.most_alike, "/most_alike"),
            (self.most_alike_in_a_row, "/most_alike_in_a_row"),
            (self.fewest_heights, "/fewest_heights"),
        ] {
            if value.is_some_and(|value| !(1..=16).contains(&value)) {
                say(pointer, "must be from 1 to 16");
            }
        }
        if self.largest_step.is_some_and(|step| step > 30) {
            say("/largest_step", "must be at most 30");
        }
        // Two keys of six positions cannot differ in seven, and then nothing is apart from anything.
        if !(1..=self.positions).contains(&self.separation.positions) {
            say("/separation/positions", "must be from 1 to the number of positions");
        }
        let most_steps = u16::from(self.positions) * u16::from(self.heights.saturating_sub(1));
        if !(1..=most_steps).contains(&self.separation.steps) {
            say("/separation/steps", "must be from 1 to the most that two differs can be apart");
        }
        if self.forbidden.len() > MOST_LINES || self.claims.len() > Claim::ALL.len() {
            say("/forbidden", "has too many lines");
        }
        for (at, line) in self.forbidden.iter().enumerate() {
            if line.position == 0 || line.position > self.positions {
                say(&format!("/forbidden/{at}/position"), "is no position of this geometry");
            }
            let all = self.lowest..=self.highest();
            if line.heights.len() > MOST_LINES || line.heights.iter().any(|height| !all.contains(height)) {
                say(&format!("/forbidden/{at}/heights"), "names a height that is none of this geometry");
            }
        }
        problems
    }
}
