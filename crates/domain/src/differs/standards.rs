//! What standards ask of the differs of a section.
//!
//! EN 1303 (cylinders), digit 7, key-related security: read in one secondary table, and older
//! editions differ. BS 3621: at least 1,000 differs and, for mortice deadlocks, five levers: read in
//! secondary sources. Neither is the standard itself: who sells to a standard has the standard.

use serde::Serialize;
use utoipa::ToSchema;

use crate::differs::geometry::{Claim, Geometry};

/// What a standard asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Minima {
    /// Effective differs, at least.
    pub differs: u128,
    /// Movable detainers (levers), at least.
    pub detainers: u8,
    /// Detainers with the same height, in a hundred, at most.
    pub alike_percent: u8,
    /// The same height side by side, at most.
    pub in_a_row: Option<u8>,
}

const fn minima(differs: u128, detainers: u8, alike_percent: u8, in_a_row: Option<u8>) -> Minima {
    Minima { differs, detainers, alike_percent, in_a_row }
}

impl Claim {
    /// What it asks.
    #[must_use]
    pub fn minima(self) -> Minima {
        match self {
            Self::En1303Grade1 => minima(100, 2, 100, None),
            Self::En1303Grade2 => minima(300, 3, 70, Some(2)),
            Self::En1303Grade3 => minima(15_000, 5, 60, Some(2)),
            Self::En1303Grade4 => minima(30_000, 5, 60, Some(2)),
            Self::En1303Grade5 => minima(30_000, 6, 60, Some(2)),
            Self::En1303Grade6 => minima(100_000, 6, 50, Some(2)),
            Self::Bs3621 => minima(1_000, 5, 100, None),
        }
    }
}

/// In what a geometry falls short of a standard.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Shortfall {
    /// The standard.
    pub claim: Claim,
    /// What it asks, and what there is.
    pub problem: String,
}

/// Where a geometry with so many differs falls short of the standards that it is sold to.
#[must_use]
pub fn shortfalls(geometry: &Geometry, differs: u128) -> Vec<Shortfall> {
    let most_alike = geometry.most_alike.unwrap_or(geometry.positions).min(geometry.positions);
    let in_a_row = geometry.most_alike_in_a_row.unwrap_or(most_alike).min(most_alike);
    let mut found = Vec::new();
    for claim in &geometry.claims {
        let mut say = |problem| found.push(Shortfall { claim: *claim, problem });
        let asked = claim.minima();
        if differs < asked.differs {
            say(format!("{} differs at least; there are {differs}", asked.differs));
        }
        if geometry.positions < asked.detainers {
            say(format!("{} levers at least; there are {}", asked.detainers, geometry.positions));
        }
        if u32::from(most_alike) * 100 > u32::from(asked.alike_percent) * u32::from(geometry.positions) {
            say(format!(
                "{} % of the levers at most may have the same height; {most_alike} of {} may",
                asked.alike_percent, geometry.positions
            ));
        }
        if let Some(most) = asked.in_a_row.filter(|most| in_a_row > *most) {
            say(format!("{most} side by side at most may have the same height; {in_a_row} may"));
        }
    }
    found
}
