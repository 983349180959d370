//! What the program says where the work can hurt somebody. It judges nothing: local law, codes and licensed
//! practice decide.

use crate::keys::ChargeState;
use crate::register::registrations::Lock;

/// A caution that is shown.
pub type Caution = &'static str;

const ESCAPE_ROUTE: Caution = "This door is marked as an escape route. A lock that needs a key to leave (such as one to BS 3621) may not \
     belong here; BS 8621 is keyless from inside, BS 10621 can be switched. Fire law and a competent person \
     decide.";
const STATED_STANDARD: Caution = "A standard is stated as it was recorded by the supplier of the locks. Whether a lock may stand on an escape \
     route, fire law and a competent person decide.";
const SHUT_OUT: Caution = "An occupier must not be shut out of their home: in England and Wales see the Protection from Eviction Act \
     1977, s. 1; other countries have their own law.";
const JOINT_TENANT: Caution =
    "A joint tenant or co-owner is kept out only by a court order; record the order, do not judge it.";
const NO_KEY_TAKEN: Caution =
    "This ends the right to order further keys. It takes no key away from the occupier. Take advice first.";
const NEW_KEY_FIRST: Caution = "Before a lock is rekeyed, everybody who may enter has the new key.";
const CHARGE: Caution = "A charge for a lost key must be one that local law allows: reasonable and evidenced in England, the actual \
     cost in Wales; other countries have their own law.";

/// Where the right of an occupier ends.
pub const OCCUPIER_LEAVES: [Caution; 3] = [SHUT_OUT, JOINT_TENANT, NO_KEY_TAKEN];

/// Where a rekey is planned.
pub const REKEY: [Caution; 3] = [SHUT_OUT, NEW_KEY_FIRST, CHARGE];

/// On a statement of what the register holds.
pub const STATEMENT: [Caution; 3] = [
    "This statement says what the register held. It is no inspection of the doors, and no advice.",
    STATED_STANDARD,
    "It names no differ and no bitting.",
];

/// Where a lock is shown.
#[must_use]
pub fn of_lock(lock: &Lock) -> Vec<Caution> {
    if lock.escape_route { vec![ESCAPE_ROUTE] } else { vec![] }
}

/// Where a lost key may be charged for.
#[must_use]
pub fn of_charge(charge: ChargeState) -> Vec<Caution> {
    if charge == ChargeState::None { vec![] } else { vec![CHARGE] }
}
