//! What the rules ask when a key is lost. Whether a charge may be asked is a matter of local law.

use super::decision::facts::Facts;
use super::register::LossKind;
use super::rules::{Charge, Rules};

/// The charge for a lost key of the differ that the facts describe; the first line that matches.
#[must_use]
pub fn charge<'a>(facts: &Facts, rules: &'a Rules) -> Option<&'a Charge> {
    rules.losses.charges.iter().find(|charge| facts.matches(&charge.when))
}

/// Whether the report of a loss still lacks the reference that the police give.
#[must_use]
pub fn lacks_crime_reference(rules: &Rules, kind: LossKind, reference: Option<&str>) -> bool {
    rules.losses.crime_reference && kind == LossKind::Stolen && reference.is_none()
}
