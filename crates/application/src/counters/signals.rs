//! Counters and holders out of pattern, for the supplier.

use crate::caller::Caller;
use crate::{ActError, App};
use domain::counters::signals::{Signal, SignalRule};
use storage::counters::signals;

/// Every signal that the rules give now.
pub async fn all(app: &App, caller: &Caller) -> Result<Vec<Signal>, ActError> {
    caller.require_supplier()?;
    let at = app.outside.clock.now();
    let mut db = app.pool.acquire().await?;
    let mut found = Vec::new();
    for rule in SignalRule::ALL {
        for counted in signals::find(&mut db, *rule, at).await? {
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
