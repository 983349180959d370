//! Counters and holders out of pattern, for the supplier.

use crate::{ActError, Read};
use domain::counters::signals::{Signal, SignalRule};
use storage::counters::signals;

/// Every signal that the rules give now.
pub async fn all(read: &mut Read<'_>) -> Result<Vec<Signal>, ActError> {
    read.caller.require_supplier()?;
    let at = read.now;
    let mut found = Vec::new();
    for rule in SignalRule::ALL {
        for counted in signals::find(&mut read.db, *rule, at).await? {
            found.push(Signal {
                rule: *rule,
                explanation: rule.explanation(),
                found: counted.found,
                counter_id: counted.counter,
                person_id: counted.person,
                at,
            });
        }
    }
    Ok(found)
}
