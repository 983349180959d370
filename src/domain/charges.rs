//! What the rules ask for a lost key. Whether that may be asked is a matter of local law.

use super::decision::facts::Facts;
use super::rules::{Charge, Rules};

/// The charge for a lost key of the differ that the facts describe; the first line that matches.
#[must_use]
pub fn for_lost_key<'a>(facts: &Facts, rules: &'a Rules) -> Option<&'a Charge> {
    rules.losses.charges.iter().find(|charge| facts.matches(&charge.when))
}
